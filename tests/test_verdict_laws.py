"""The laws that every verdict obeys, over facts put together at random.

Facts are drawn from a coarse grid of times, with a microsecond to either side, so that ties
and limits are met often; and beside them times from the whole calendar.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, time, timedelta
from functools import cache
from typing import Any

import pytest
from hypothesis import HealthCheck, assume, event, given, settings
from hypothesis import strategies as st

from guard.lapses import Compared, Lapse, PartDifference, Proofs, Settled
from guard.model import (
    ACTIONS,
    LEVELS,
    MARK_KINDS,
    BackupSet,
    FittedCell,
    Level,
    Limits,
    Part,
    PlannedEvent,
    Powered,
    Problem,
    SignOff,
    SpareCells,
    SwapWindow,
    Twin,
    rank,
)
from guard.plant import CellType, HoldUp
from guard.rules.capture import EARLIEST_PLAUSIBLE, dated
from guard.rules.findings import EXPLANATIONS
from guard.rules.sign_off import counts_as
from guard.rules.verdict import HORIZON, verdict, worst
from guard.rules.window import closing_from
from tests.facts import DAY, HOUR, LONG_ON, MICROSECOND, NOW, RECIPE, YOUNG_CELLS, Given, mark, proven
from tests.facts import given as facts_of

settings.register_profile(
    "laws",
    max_examples=60,
    derandomize=False,
    database=None,
    suppress_health_check=[HealthCheck.too_slow, HealthCheck.filter_too_much, HealthCheck.data_too_large],
)
LAWS = settings.get_profile("laws")

# To make a strategy costs ten times as much as to draw from it: what composites draw from is made once.
any_of, one_of, lists_of = cache(st.sampled_from), cache(st.one_of), cache(st.lists)

COMPARING = {"axis-zero-moved", "shrunk-set", "memory-differs"}
"""Codes that compare a set with one before it: where another set stands before it, or none, they say something else."""

FIRST, LAST = datetime.min.replace(tzinfo=UTC), datetime.max.replace(tzinfo=UTC)
EXTREMES = (
    FIRST,
    FIRST + MICROSECOND,
    datetime(1970, 1, 1, tzinfo=UTC),
    datetime(1980, 1, 1, tzinfo=UTC),
    EARLIEST_PLAUSIBLE - MICROSECOND,
    EARLIEST_PLAUSIBLE,
    LAST - HORIZON,
    LAST - MICROSECOND,
    LAST,
)


@cache
def within(first: int, last: int) -> st.SearchStrategy[datetime]:
    """Whole numbers of 6 hours from now, and a microsecond to either side."""
    return st.builds(
        lambda steps, moments: NOW + steps * 6 * HOUR + moments * MICROSECOND,
        st.integers(first, last),
        st.sampled_from((0, 0, 0, -1, 1)),
    )


PAST = within(-60, 0)
MOMENTS = st.one_of(PAST, within(-60, 60), st.datetimes(timezones=st.just(UTC)), st.sampled_from(EXTREMES))
SPANS = st.sampled_from(
    (30 * DAY, 30 * DAY, 99 * DAY, 4000 * DAY, timedelta.max - MICROSECOND, 7 * DAY, DAY, timedelta())
)


WRONG_WITH_A_SET: tuple[dict[str, Any], ...] = (
    {"checked": False, "problems": (Problem("incomplete-set", "…"),)},
    {"checked": None},
    {"last_read_at": None},
    {"fingerprint": None},
    {"fingerprint": "f0"},
    {"fingerprint": "f1"},
    {"files": 0},
    {"bytes": 9},
    {"parts": ()},
    {"problems": (Problem("odd-entry", "…"),)},
    {"identity": None},
    {"identity": "RC-0971"},
    {"damaged_at": NOW - HOUR},
    {"changed": "differs"},
    {"trouble": "cannot be read"},
    {"gone": True},
    {"twins": (Twin("arm-09", "arm-09/1", "image"),)},
    {"stamp": None},
    {"newest_member": None},
)
WRONG_WITH_THE_SHARE: tuple[dict[str, Any], ...] = (
    {"marker": "other"},
    {"marker": "gone"},
    {"marker": "never"},
    {"seen_at": None},
    {"seen_at": NOW - 30 * HOUR},
    {"seen_at": NOW + HOUR},
    {"unreadable": "input/output error"},
    {"vanished": 3},
)


BROKEN_SETS = st.one_of(st.just([]), st.just([]), st.lists(st.sampled_from(WRONG_WITH_A_SET), max_size=2))
BROKEN_SHARES = st.one_of(st.just({}), st.sampled_from(WRONG_WITH_THE_SHARE))


@cache
@st.composite
def backup_sets(draw: st.DrawFn, number: int, times: st.SearchStrategy[datetime]) -> BackupSet:
    """One set; about half of them are sound, the others have one or two things wrong."""
    newest, other_times = draw(times), one_of(st.none(), times)
    parts = tuple(
        Part(name, count, 4000, ok=True, digest=digest, newest=at)
        for name, count, digest, at in (
            ("programs", draw(any_of((10, 10, 7))), "programs", newest),
            ("axis-zero", 1, draw(any_of(("zero", "zero", "moved"))), draw(other_times) or newest),
        )
    )
    backup = BackupSet(
        path=f"arm-07/{number}",
        form="folder",
        first_seen=draw(times),
        stamp=draw(other_times) or newest,
        newest_member=newest,
        fingerprint=f"f{number}",
        files=12,
        bytes=70_000,
        parts=parts,
        checked=True,
        identity="RC-0771",
        last_read_at=draw(one_of(st.just(NOW), times)),
        copies=draw(st.integers(0, 2)),
    )
    for wrong in draw(BROKEN_SETS):
        backup = backup._replace(**wrong)
    return backup


OUT = st.sampled_from((timedelta(), HOUR, 6 * HOUR, 12 * HOUR, 4000 * DAY))


@cache
@st.composite
def windows(draw: st.DrawFn, times: st.SearchStrategy[datetime]) -> SwapWindow:
    """One that is open, or ended."""
    ended = draw(one_of(st.none(), times))
    limit = draw(any_of((HOUR, 6 * HOUR, 12 * HOUR)))
    return SwapWindow(draw(times), draw(OUT), limit, "Ana", ended, rests_on="arm-07/0", fingerprint="f0")


DIFFERENCE = PartDifference("axis-zero", 0, 0, 1, ("axis-zero.csv",))
COMPARED = st.lists(st.booleans(), min_size=6, max_size=6).map(
    lambda equal: tuple(
        Compared(f"f{before}", f"f{after}", () if same else (DIFFERENCE,))
        for (before, after), same in zip(
            [(before, after) for before in range(3) for after in range(3) if before != after], equal, strict=True
        )
    )
)
"""How any two of the sets differ, which is known of all that were read."""


@cache
@st.composite
def proofs(draw: st.DrawFn, times: st.SearchStrategy[datetime]) -> Proofs:
    """What the ledger tells of lapses: nothing, as a rule."""
    if draw(st.integers(0, 11)):
        return Proofs()
    began, ended = sorted((draw(times), draw(times)))  # a lapse that ends before it began, retention need not survive
    lapse = Lapse("memory-swap", began, ended, "arm-07/0", "f0")
    return Proofs((Settled("memory-swap", began, ended),) if draw(st.booleans()) else (), (lapse,))


@cache
@st.composite
def sign_offs(draw: st.DrawFn, times: st.SearchStrategy[datetime]) -> SignOff:
    """A sign-off for any code, about any set or none."""
    return SignOff(
        code=draw(any_of(tuple(sorted(EXPLANATIONS)))),
        by=draw(any_of(("Ana", "Ben"))),
        why="…",
        at=draw(times),
        until=draw(one_of(within(0, 60), times)),
        subject=draw(any_of((None, "arm-07/0", "arm-07/0", "arm-07/1"))),
        level=draw(any_of(("hold", "hold", "unknown", "caution"))),
        event_at=draw(one_of(st.none(), st.none(), within(0, 60), times)),
    )


OFTEN = (*MARK_KINDS, *(kind for kind in MARK_KINDS * 3 if kind not in ("cell-alarm", "powered-off")))
"""Kinds of marks; an alarm and a power-down, which hold whatever else there is, come less often than the others."""

CELL_TYPES = tuple(
    CellType(f"{kind}-{number}", kind, interval)
    for kind in ("memory", "position")
    for number, interval in enumerate((timedelta(days=1461), 30 * DAY, 7 * MICROSECOND, timedelta.max))
)


SHELF_LIFE = 5 * 365 * DAY
SHELF_FITTED = tuple(
    each._replace(type=each.type._replace(shelf_life=SHELF_LIFE), date_code=made)
    for each, made in zip(YOUNG_CELLS, ("2026-01", "2020-01"), strict=True)
)
"""Young cells, of which one was too old when it was put in."""


CELL_DAYS = st.one_of(
    st.none(), st.dates(), st.sampled_from(tuple(NOW.date() - timedelta(days=n) for n in (0, 14, 26, 27, 29, -1)))
)
FITTED = st.lists(st.builds(FittedCell, st.sampled_from(CELL_TYPES), CELL_DAYS), max_size=2).map(tuple)


@cache
@st.composite
def cells(draw: st.DrawFn) -> tuple[FittedCell, ...]:
    """Cells that are young, as a rule; else one or two of any age, or of none that is known."""
    if draw(st.integers(0, 5)) < 5:
        return YOUNG_CELLS if draw(st.booleans()) else SHELF_FITTED
    return draw(FITTED)


SHELF_CELLS = tuple(each.type._replace(shelf_life=SHELF_LIFE) for each in YOUNG_CELLS)


CODES = st.sampled_from(("2020-01", "2021-11", "2021-12", "2022-01", "", "x"))
LOTS = st.lists(st.tuples(CODES, st.integers(0, 2)), max_size=3, unique_by=lambda lot: lot[0])


@cache
@st.composite
def spares(draw: st.DrawFn) -> tuple[SpareCells, ...]:
    """Spares enough, as a rule; else some that are past their shelf life or soon will be, or that nobody counted."""
    if draw(st.integers(0, 5)):
        return tuple(SpareCells(each, 5) for each in SHELF_CELLS)
    lots = [draw(LOTS) for _ in "12"]
    return tuple(
        SpareCells(each, None if draw(st.booleans()) else sum(count for _, count in held), tuple(held))
        for each, held in zip(SHELF_CELLS, lots, strict=True)
    )


HELD = HoldUp(0.01, 5.0, 2.0, 36_000.0, 20.0, 0.0)
"""A capacitor that carries a memory for minutes, once it was charged for hours."""


@cache
def powered(times: st.SearchStrategy[datetime]) -> st.SearchStrategy[Powered]:
    """On since some time, off, or not known; as its controller answered, or as somebody marked."""
    known = st.builds(Powered, st.sampled_from((True, False, None)), times, st.just("marked"), st.none() | times)
    return st.one_of(known, st.just(LONG_ON), st.just(Powered(None, None)), st.just(Powered(on=True, since=None)))


@cache
def _planned(times: st.SearchStrategy[datetime]) -> st.SearchStrategy[list[PlannedEvent]]:
    lasts = st.sampled_from((timedelta(), HOUR, 12 * HOUR, 9 * DAY, timedelta.max))
    starts = st.one_of(within(-60, 60), times)
    made = st.builds(PlannedEvent, st.just(""), st.sampled_from(ACTIONS), starts, lasts, st.just(("arm-07",)))
    return st.lists(made, min_size=1, max_size=2)


@cache
@st.composite
def events(draw: st.DrawFn, times: st.SearchStrategy[datetime]) -> tuple[PlannedEvent, ...]:
    """Nothing is planned, as a rule; else one or two events of any kind."""
    if draw(st.integers(0, 3)):
        return ()
    found = draw(_planned(times))
    return tuple(event._replace(id=f"ev-{number}") for number, event in enumerate(found))


NAMED = ("", "", *(each.name for each in CELL_TYPES))
RECIPES = st.sampled_from((RECIPE, RECIPE._replace(hold_up=HELD), RECIPE._replace(volatile=(), identity=None)))


@cache
@st.composite
def cases(
    draw: st.DrawFn,
    times: st.SearchStrategy[datetime] = PAST,
    least: int = 0,
    *,
    signed: bool = False,
    swapped: bool = False,
) -> Given:
    """Facts about one arm, and a question. Half of the shares are as they should be.

    There is no swap window, as a rule, but where ``swapped``. Where ``signed``, people answer for findings, also for some that the arm does not have yet: what
    makes things worse may then be answered for already.
    """
    sets = tuple(draw(backup_sets(number, times)) for number in range(draw(any_of((1, 2, 3, least)))))
    kinds = draw(lists_of(any_of(OFTEN), max_size=3))
    marks = tuple(
        mark(kind, draw(times), fingerprint=draw(any_of((None, "f0", "f1"))), cell=draw(any_of(NAMED)))
        for kind in kinds
    )
    limits = Limits(
        fresh=tuple((action, draw(SPANS)) for action in ACTIONS[:2])
        + tuple((action, 30 * DAY) for action in ACTIONS[2:]),
        read_back_within=draw(SPANS),
        restore_test_within=draw(one_of(st.none(), SPANS)),
        copies_needed=draw(any_of((0, 0, 1, 2))),
        unseen_after=26 * HOUR,
        parts_apart=99 * DAY,
        shrink_permille=300,
        closing_permille=draw(any_of((0, 500, 700, 1000))),
        powered_before=draw(any_of((timedelta(), HOUR, 12 * HOUR, timedelta.max - MICROSECOND))),
    )
    of = facts_of(
        *sets,
        at=draw(one_of(st.just(NOW), within(0, 60), within(-60, 60), times)),
        action=draw(any_of(ACTIONS)),
        marks=marks,
        share=draw(BROKEN_SHARES),
        recipe=draw(RECIPES),
        as_of=draw(one_of(st.just(NOW), st.just(NOW), st.just(NOW), times)),
        window=draw(windows(times)) if swapped or not draw(st.integers(0, 3)) else None,
        powered=draw(powered(times)),
        cells=draw(cells()),
        spares=draw(spares()),
        compared=draw(COMPARED),
        proofs=draw(proofs(times)),
        events=draw(events(times)),
        sign_offs=tuple(draw(lists_of(sign_offs(times), max_size=3))) if signed else (),
    )
    of = Given(of.facts._replace(limits=limits), of.question)
    return of if swapped or draw(st.integers(0, 5)) else _calm(of)


def _calm(of: Given) -> Given:
    """The same sets on a day on which nothing else is wrong, so that verdicts of clear are drawn often enough."""
    limits = of.facts.limits._replace(restore_test_within=None, copies_needed=0, powered_before=timedelta())
    ground = facts_of(as_of=NOW, powered=LONG_ON, cells=YOUNG_CELLS, compared=of.facts.compared)
    facts = ground.facts._replace(
        sets=of.facts.sets, limits=limits, sign_offs=of.facts.sign_offs, recipe=of.facts.recipe
    )
    return Given(facts, of.question._replace(at=NOW))


def level_at(of: Given, at: datetime) -> Level:
    return verdict(of.facts, of.question._replace(at=at)).level


def with_facts(of: Given, **changes: Any) -> Given:
    return Given(of.facts._replace(**changes), of.question)


def with_set(of: Given, number: int, **changes: Any) -> Given:
    sets = list(of.facts.sets)
    sets[number] = sets[number]._replace(**changes)
    return with_facts(of, sets=tuple(sets))


def not_better(after: Given, before: Given, leaving_out: set[str] | None = None) -> None:
    """The verdict after is no better than what the findings before come to without some codes."""
    findings = [found for found in before.verdict.findings if found.code not in (leaving_out or set())]
    assert rank(after.verdict.level) >= rank(worst(findings)), (before.verdict, after.verdict)


class TestTotal:
    """Any representable facts and time give a verdict; nothing raises."""

    @LAWS
    @given(cases(MOMENTS, signed=True))
    def test_any_facts_give_a_verdict_that_can_be_told(self, of: Given) -> None:
        answer = of.verdict
        event(answer.level)
        levels = [counts_as(found) for found in answer.findings]
        assert answer.level == max(levels, key=rank, default="clear")
        assert list(map(rank, levels)) == sorted(map(rank, levels), reverse=True)
        for found in answer.findings:
            json.dumps(found.evidence, allow_nan=False)
            assert found.message.strip()
            assert found.remedy.strip()

    @pytest.mark.parametrize("at", EXTREMES, ids=str)
    @pytest.mark.parametrize("as_of", EXTREMES, ids=str)
    def test_the_ends_of_the_calendar(self, at: datetime, as_of: datetime) -> None:
        times = {"first_seen": as_of, "stamp": at, "newest_member": FIRST, "last_read_at": as_of}
        marks = tuple(mark(kind, moment) for kind in MARK_KINDS for moment in (FIRST, LAST))
        endless = {"restore_test_within": timedelta.max, "read_back_within": timedelta.max}
        of = facts_of(proven(**times), at=at, as_of=as_of, marks=marks, limits=endless)
        assert of.verdict.level in LEVELS


class TestHorizon:
    """Just before `holds_until` the level is the old one, at it the new one; null where nothing changes in ten years."""

    @settings(LAWS, max_examples=200)
    @given(cases(st.one_of(PAST, PAST, MOMENTS), signed=True), st.data())
    def test_it_is_the_first_instant_of_another_level(self, of: Given, data: st.DataObject) -> None:
        answer, at = of.verdict, max(of.question.at, of.facts.as_of)  # what has passed is answered for the present
        of = Given(of.facts, of.question._replace(at=at))
        expected = next((moment for moment in moments_of_change(of) if level_at(of, moment) != answer.level), None)
        event(f"turns: {expected is not None}")
        assert answer.holds_until == expected
        assert answer.then == (None if expected is None else level_at(of, expected))
        end = expected - MICROSECOND if expected is not None else ten_years_after(at)
        assert level_at(of, end) == answer.level
        assert level_at(of, data.draw(st.datetimes(*naive(at, end), timezones=st.just(UTC)))) == answer.level

    @LAWS
    @given(cases(), st.integers(0, 4000))
    def test_waiting_makes_nothing_better(self, of: Given, days: int) -> None:
        resting = of.verdict.resting
        assume(resting is None or resting.captured_at is None or resting.captured_at <= of.question.at)
        later = of.question._replace(at=of.question.at + timedelta(days=days))
        not_better(Given(of.facts, later), of, {"not-powered-long-enough"})

    @LAWS
    @given(cases(), within(-400, -1))
    def test_what_has_passed_is_answered_for_the_present(self, of: Given, at: datetime) -> None:
        now, past = of.facts.as_of, Given(of.facts, of.question._replace(at=min(at, of.facts.as_of)))
        present = verdict(of.facts, of.question._replace(at=now))
        assert past.verdict == present._replace(question=past.question)

    @pytest.mark.parametrize(
        ("wait", "expected"),
        [
            pytest.param(HORIZON, NOW + HORIZON, id="turns-after-exactly-ten-years"),
            pytest.param(HORIZON + MICROSECOND, None, id="turns-a-microsecond-after-that"),
        ],
    )
    def test_ten_years(self, wait: timedelta, expected: datetime | None) -> None:
        age = 6 * HOUR
        limits = {"fresh": tuple((action, age + wait - MICROSECOND) for action in ACTIONS)}
        answer = facts_of(proven(age), limits={**limits, "read_back_within": 9999 * DAY}).verdict
        assert (answer.level, answer.holds_until, answer.then) == ("clear", expected, expected and "hold")

    def test_a_turn_that_leaves_the_level_is_stepped_over(self) -> None:
        lapsed = {"restore_test_within": 2 * DAY, "read_back_within": 3 * DAY}
        marks = (mark("restore-test", NOW - DAY),)
        odd = facts_of(proven(), marks=marks, limits=lapsed, odd_entries=(("arm-07/x", "fits no layout"),))
        answer = odd.verdict
        read_at = odd.facts.sets[0].last_read_at or NOW
        assert (answer.level, answer.holds_until, answer.then) == ("caution", read_at + 3 * DAY + MICROSECOND, "hold")

    def test_the_laws_are_put_to_verdicts_of_every_sort(self) -> None:
        turning, levels, resting = 0, dict.fromkeys(LEVELS, 0), 0
        drawn = 300

        @settings(LAWS, max_examples=drawn)
        @given(cases())
        def count(of: Given) -> None:
            nonlocal turning, resting
            answer = of.verdict
            turning += answer.holds_until is not None
            resting += answer.resting is not None
            levels[answer.level] += 1

        count()
        assert turning > drawn / 8
        assert resting > drawn / 4
        assert min(levels.values()) > 0


def moments_of_change(of: Given) -> list[datetime]:
    """Every instant within ten years at which any limit could be passed, found without the rules' help."""
    limits = of.facts.limits
    spans = [timedelta(), *dict(limits.fresh).values(), limits.read_back_within, limits.restore_test_within]
    spans += [limits.powered_before]
    times = [mark.at for mark in of.facts.marks]
    times += [each.until for each in of.facts.sign_offs]
    times += [of.facts.powered.since] if of.facts.powered.since is not None else []
    if of.facts.window is not None:
        out, limit = of.facts.window.elapsed, of.facts.window.limit
        ahead = (limit - out, closing_from(of.facts.window, limits.closing_permille) - out)
        times += [of.facts.as_of + each for each in ahead if FIRST - of.facts.as_of <= each <= LAST - of.facts.as_of]
    for item in of.facts.sets:
        times += [t for t in (item.stamp, item.newest_member, item.first_seen, item.last_read_at) if t is not None]
    end = ten_years_after(of.question.at)
    found = set()
    for cell in of.facts.cells:
        if cell.installed is not None:
            start = datetime.combine(cell.installed, time(), UTC)
            tenths = cell.type.interval // MICROSECOND * 9
            ages = [tenths // 10 * MICROSECOND, cell.type.interval, cell.type.interval - of.question.off_for]
            found |= {
                start + age + n * MICROSECOND for age in ages for n in (0, 1) if FIRST - start <= age < end - start
            }
    for each in of.facts.events:
        over = [max(each.off_for, MICROSECOND)] if each.off_for < end - each.start else []
        begun = [MICROSECOND - max(of.question.off_for, MICROSECOND)]
        begun = [span for span in begun if FIRST - each.start <= span <= end - each.start]
        left = [end - each.start - span for span in over]
        charged = [over[0] + limits.powered_before] if left and limits.powered_before <= left[0] else []
        found |= {each.start + span for span in (*over, *begun, *charged)}
    made = {code for spare in of.facts.spares for code, _ in spare.by_date_code if code[:1] == "2"}
    found |= {datetime.fromisoformat(f"{code}-01T00:00Z") + SHELF_LIFE + MICROSECOND for code in made}
    for moment in times:
        for span in spans:
            for beyond in (timedelta(), MICROSECOND):
                if span is not None and span + beyond <= end - moment:
                    found.add(moment + span + beyond)
    return sorted(moment for moment in found if of.question.at < moment <= end)


def ten_years_after(at: datetime) -> datetime:
    return at + HORIZON if at <= LAST - HORIZON else LAST


def naive(*moments: datetime) -> tuple[datetime, ...]:
    return tuple(moment.replace(tzinfo=None) for moment in moments)


def without_marks(kind: str) -> Callable[[Given], Given]:
    return lambda of: with_facts(of, marks=tuple(each for each in of.facts.marks if each.kind != kind))


def on_the_share(**changes: Any) -> Callable[[Given], Given]:
    return lambda of: with_facts(of, share=of.facts.share._replace(**changes))


def on_every_set(**changes: Any) -> Callable[[Given], Given]:
    return lambda of: with_facts(of, sets=tuple(backup._replace(**changes) for backup in of.facts.sets))


NOT_READ: dict[str, Any] = {
    "checked": None,
    "fingerprint": None,
    "files": 0,
    "bytes": 0,
    "parts": (),
    "problems": (),
    "newest_member": None,
    "last_read_at": None,
}
"""One reading gives all of these, so without it none of them is known."""


class TestNoProofNoClear:
    """Replacing any observation by "not observed" never makes a verdict better.

    What is taken away is evidence in favour: looks at the share, readings, copies, tests. These
    are no such evidence, and without them a verdict may rightly be better:

    * edits, damage, twins, another's identity and vanished sets, which speak against a set;
    * a stamp, which is a claim of age and can only make a set older (see the capture times);
    * an original, without whose fingerprint nobody can know that its copy is one;
    * the set before, without which there is nothing to compare with, and a reading that shows a difference from it.

    A set whose own proof is taken away leaves the answer to an older proven set. Then its own
    lapsed read-back is no longer in the way; but the answer says so, and is never clear.
    """

    @pytest.mark.parametrize(
        "withdrawn",
        [
            pytest.param(on_the_share(seen_at=None), id="look-at-the-share"),
            pytest.param(on_every_set(copies=0), id="copies"),
            pytest.param(without_marks("restore-test"), id="restore-tests"),
            pytest.param(without_marks("re-zeroed"), id="re-zeroings"),
            pytest.param(without_marks("memory-checked"), id="checks-of-the-memory"),
            pytest.param(on_every_set(last_read_at=None), id="all-read-backs"),
            pytest.param(on_every_set(checked=None), id="all-judgements"),
            pytest.param(on_every_set(files=0), id="all-files"),
            pytest.param(lambda of: with_facts(of, sets=()), id="all-sets"),
        ],
    )
    @LAWS
    @given(of=cases())
    def test_without_it_nothing_is_better(self, of: Given, withdrawn: Callable[[Given], Given]) -> None:
        not_better(withdrawn(of), of)

    @LAWS
    @given(cases())
    def test_power_that_is_not_known_is_no_better_than_power_that_was_long_on(self, of: Given) -> None:
        long_on = with_facts(of, powered=LONG_ON)
        assume(not long_on.findings("not-powered-long-enough"))
        not_better(with_facts(of, powered=Powered(None, None)), long_on)

    @LAWS
    @given(cases())
    def test_a_share_whose_marker_was_never_seen_is_no_better_than_the_right_one(self, of: Given) -> None:
        right = on_the_share(marker="right")(of)
        not_better(on_the_share(marker="never")(right), right)

    @pytest.mark.parametrize(
        "withdrawn",
        [
            pytest.param({"last_read_at": None}, id="read-back"),
            pytest.param({"checked": None}, id="judgement"),
            pytest.param({"fingerprint": None}, id="fingerprint"),
            pytest.param({"files": 0}, id="files"),
            pytest.param(NOT_READ, id="the-whole-reading"),
        ],
    )
    @LAWS
    @given(of=cases(least=1), data=st.data())
    def test_one_set_without_its_proof(self, of: Given, withdrawn: dict[str, Any], data: st.DataObject) -> None:
        number = data.draw(st.integers(0, len(of.facts.sets) - 1))
        backup, resting = of.facts.sets[number], of.verdict.resting
        assume([each.fingerprint for each in of.facts.sets].count(backup.fingerprint) == 1)
        after = with_set(of, number, **withdrawn)
        if resting is None or resting.set is not backup:
            not_better(after, of, COMPARING)
            return
        event("the resting set")
        assert after.verdict.level != "clear"
        saved_after = resting.captured_at is not None and resting.captured_at > of.question.at
        not_better(after, of, COMPARING | {"not-read-back"} | ({"stale-backup"} if saved_after else set()))


class TestWorseIsWorse:
    """Older backup, fewer copies, a later edit, damage, a stricter limit never move a verdict towards clear.

    An older set is left for another as soon as that one is newer, and what compares with the
    set before then compares with another one: both are no improvement of this set.
    """

    @LAWS
    @given(cases(), MOMENTS)
    def test_one_more_edit(self, of: Given, at: datetime) -> None:
        not_better(with_facts(of, marks=(*of.facts.marks, mark("edit", at))), of)

    @LAWS
    @given(cases(), st.integers(0, 100))
    def test_later_edits(self, of: Given, days: int) -> None:
        marks = tuple(
            each._replace(at=each.at + days * DAY) if each.kind == "edit" else each for each in of.facts.marks
        )
        not_better(with_facts(of, marks=marks), of)

    @LAWS
    @given(cases(least=1), st.data())
    def test_one_copy_fewer(self, of: Given, data: st.DataObject) -> None:
        number = data.draw(st.integers(0, len(of.facts.sets) - 1))
        not_better(with_set(of, number, copies=max(0, of.facts.sets[number].copies - 1)), of)

    @pytest.mark.parametrize(
        "worse",
        [
            pytest.param({"damaged_at": NOW, "damage": "the content of memory.bin differs"}, id="damaged"),
            pytest.param({"changed": "memory.bin is missing"}, id="changed-now"),
        ],
    )
    @LAWS
    @given(of=cases(least=1), data=st.data())
    def test_damage(self, of: Given, worse: dict[str, Any], data: st.DataObject) -> None:
        number = data.draw(st.integers(0, len(of.facts.sets) - 1))
        after = with_set(of, number, **worse)
        resting = of.verdict.resting
        if resting is None or resting.set is not of.facts.sets[number]:
            not_better(after, of)
            return
        event("the resting set")
        assert after.verdict.level != "clear"
        saved_after = resting.captured_at is not None and resting.captured_at > of.question.at
        not_better(after, of, {"not-read-back"} | ({"stale-backup"} if saved_after else set()))

    @LAWS
    @given(cases(least=1), st.data())
    def test_an_older_capture(self, of: Given, data: st.DataObject) -> None:
        resting = of.verdict.resting
        assume(resting is not None)
        assert resting is not None
        captured = resting.captured_at
        assume(captured is not None and captured <= of.question.at)
        assert captured is not None
        assume([each.fingerprint for each in of.facts.sets].count(resting.set.fingerprint) == 1)
        older = captured - data.draw(any_of((MICROSECOND, HOUR, DAY, 9 * DAY)))
        number = next(n for n, each in enumerate(of.facts.sets) if each is resting.set)
        after = with_set(of, number, newest_member=older)
        rests_on = after.verdict.resting
        assert rests_on is not None
        assert rests_on.captured_at is not None
        assert older <= rests_on.captured_at <= captured
        if rests_on.set.path == resting.set.path:
            event("still the resting set")
            not_better(after, of, COMPARING)

    @pytest.mark.parametrize(
        "stricter",
        [
            pytest.param({"fresh": tuple((action, timedelta()) for action in ACTIONS)}, id="fresh"),
            pytest.param({"read_back_within": timedelta()}, id="read-back-within"),
            pytest.param({"restore_test_within": timedelta()}, id="restore-test-within"),
            pytest.param({"copies_needed": 3}, id="copies-needed"),
            pytest.param({"unseen_after": timedelta()}, id="unseen-after"),
            pytest.param({"parts_apart": timedelta()}, id="parts-apart"),
        ],
    )
    @LAWS
    @given(of=cases())
    def test_stricter_limits(self, of: Given, stricter: dict[str, Any]) -> None:
        not_better(with_facts(of, limits=of.facts.limits._replace(**stricter)), of)


class TestSwapWindow:
    """While a cell is out every verdict is a hold, whatever anybody signs; what is signed off is never clear."""

    @LAWS
    @given(cases(MOMENTS, signed=True))
    def test_while_a_cell_is_out_exactly_one_finding_says_so(self, of: Given) -> None:
        open_now = of.facts.window is not None and of.facts.window.ended_at is None
        found = [each for each in of.verdict.findings if each.code.startswith("window-")]
        assert [(each.level, each.signed_off) for each in found] == ([("hold", None)] if open_now else [])
        assert not open_now or of.verdict.level == "hold"

    @LAWS
    @given(cases(swapped=True), OUT)
    def test_out_for_longer_is_no_better(self, of: Given, longer: timedelta) -> None:
        window = of.facts.window
        assert window is not None
        not_better(with_facts(of, window=window._replace(elapsed=window.elapsed + longer)), of)

    @LAWS
    @given(cases(swapped=True))
    def test_a_window_that_ended_is_no_better_than_none(self, of: Given) -> None:
        not_better(of, with_facts(of, window=None))

    @LAWS
    @given(cases(MOMENTS, signed=True))
    def test_a_sign_off_takes_no_finding_away_and_makes_nothing_clear(self, of: Given) -> None:
        without = with_facts(of, sign_offs=()).verdict
        answer = of.verdict
        plain = sorted((found.code, found.level, found.message) for found in without.findings)
        assert sorted((found.code, found.level, found.message) for found in answer.findings) == plain
        assert rank(answer.level) <= rank(without.level)
        assert (answer.level == "clear") == (without.level == "clear")


def _sound(backup: BackupSet, number: int) -> BackupSet:
    """The set without anything wrong: the first saved the day before the change, the others in the days after it."""
    saved = NOW - (8 if number == 0 else 6 - number) * DAY
    times = {"stamp": saved, "newest_member": saved, "first_seen": saved, "last_read_at": saved}
    sound = {"checked": True, "files": 12, "damaged_at": None, "changed": None, "gone": False, "identity": None}
    return backup._replace(fingerprint=f"f{number}", twins=(), **times, **sound)


@st.composite
def after_a_change(draw: st.DrawFn) -> Given:
    """An arm whose cell was changed a week ago, with sets from before and from after it."""
    of = draw(cases(one_of(within(-60, -29), within(-27, 0)), least=3))
    if draw(st.booleans()):
        of = with_facts(of, sets=tuple(_sound(each, n) for n, each in enumerate(of.facts.sets)))
    ended = NOW - 7 * DAY
    window = SwapWindow(ended - HOUR, HOUR, HOUR, "Ana", ended, rests_on="arm-07/0", fingerprint="f0")
    return with_facts(of, window=window)


def memory_findings(of: Given) -> set[str]:
    return {found.code for found in of.verdict.findings} & {"awaiting-proof", "memory-differs"}


class TestMemory:
    """Nothing but a set from after a lapse that equals the one from before, or a person's word, proves the memory."""

    @settings(LAWS, max_examples=200)
    @given(after_a_change())
    def test_without_a_proven_set_from_after_it_nothing_is_proven(self, of: Given) -> None:
        resting, window = of.verdict.resting, of.facts.window
        event(f"found: {sorted(memory_findings(of))}")
        if (
            memory_findings(of)
            or of.facts.proofs.settled
            or any(each.kind == "memory-checked" for each in of.facts.marks)
        ):
            return
        assert window is not None
        assert window.ended_at is not None
        assert resting is not None
        assert resting.captured_at is not None
        assert resting.captured_at > window.ended_at

    @settings(LAWS, max_examples=200)
    @given(after_a_change())
    def test_what_differs_or_is_not_compared_is_no_better_than_what_is_equal(self, of: Given) -> None:
        equal = with_facts(of, compared=tuple(each._replace(parts=()) for each in of.facts.compared))
        differing = tuple(each._replace(parts=(DIFFERENCE,)) for each in of.facts.compared)
        for worse in ((), differing, of.facts.compared):
            not_better(with_facts(equal, compared=worse), equal)
        assert "memory-differs" not in memory_findings(equal)
        if not any(
            each.kind == "memory-checked" for each in of.facts.marks
        ) and "awaiting-proof" not in memory_findings(of):
            settled = set(of.facts.proofs.settled)
            assert settled or "memory-differs" in memory_findings(with_facts(of, compared=differing)) or refiled(of)


def refiled(of: Given) -> bool:
    """Whether sets share a fingerprint, so that one of them equals the set from before without being compared."""
    prints = [each.fingerprint for each in of.facts.sets]
    return len(set(prints)) < len(prints)


class TestOrderFree:
    """Shuffling sets and marks changes nothing."""

    @LAWS
    @given(cases(st.one_of(PAST, within(-3, 0)), least=2, signed=True), st.data())
    def test_shuffled(self, of: Given, data: st.DataObject) -> None:
        again = [each._replace(gone=True, fingerprint="f0") for each in of.facts.sets[:1] if not each.gone]
        of = with_facts(of, sets=(*of.facts.sets, *again))
        shuffled = with_facts(
            of,
            sets=tuple(data.draw(st.permutations(of.facts.sets))),
            marks=tuple(data.draw(st.permutations(of.facts.marks))),
            sign_offs=tuple(data.draw(st.permutations(of.facts.sign_offs))),
        )
        assert shuffled.verdict == of.verdict

    def test_edits_at_one_time_by_several_people(self) -> None:
        marks = tuple(mark("edit", NOW, by=by) for by in ("Ana", "Ben"))
        first, second = (facts_of(proven(), marks=order) for order in (marks, marks[::-1]))
        assert first.verdict == second.verdict


class TestNotVacuous:
    """No sets, no files, no proof: never clear."""

    @LAWS
    @given(cases(MOMENTS))
    def test_where_no_set_carries_the_answer_it_is_a_hold(self, of: Given) -> None:
        answer = of.verdict
        event(f"resting: {answer.resting is not None}")
        if answer.resting is None:
            assert answer.level == "hold"

    @LAWS
    @given(cases(MOMENTS))
    def test_without_sets_it_is_a_hold_for_want_of_a_backup(self, of: Given) -> None:
        answer = with_facts(of, sets=()).verdict
        assert (answer.level, answer.resting) == ("hold", None)
        assert "no-backup" in {found.code for found in answer.findings}


class TestRestingSet:
    """The newest complete set that was read back at least once and is neither damaged nor another arm's."""

    @LAWS
    @given(cases(st.one_of(PAST, MOMENTS), least=1))
    def test_it_is_that_set(self, of: Given) -> None:
        facts, resting = of.facts, of.verdict.resting
        fit = [
            item
            for item in dated(facts.sets, facts.recipe, facts.as_of)
            if not item.set.gone
            and item.set.checked is True
            and item.set.files
            and item.set.fingerprint is not None
            and item.set.last_read_at is not None
            and item.set.damaged_at is None
            and item.set.changed is None
            and not item.set.twins
            and (facts.recipe.identity is None or item.set.identity in (None, facts.arm.serial))
        ]
        assert (resting is None) == (not fit)
        if resting is not None:
            assert resting.set in [item.set for item in fit]
            known = [item.captured_at for item in fit if item.captured_at is not None]
            assert resting.captured_at == max(known, default=None)
