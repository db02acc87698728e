"""Retention: which sets may go and which must never, by our own definition of grandfather-father-son.

The newest complete set of each of the last N days, ISO weeks, months and years that have one, in the
plant's zone, stands for that period; tiers add up; the oldest set fills the last open yearly slot.
Never released: the newest complete and read-back set, the last set before each `edit`, pinned sets,
sets that a sign-off or a swap rested on, anything not yet settled, anything while the share is in doubt.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given as over
from hypothesis import settings
from hypothesis import strategies as st

from guard.lapses import Compared, Lapse, PartDifference, Proofs, Settled
from guard.model import ACTIONS, ArmFacts, BackupSet, Problem, Question, Twin
from guard.rules.restore import choose
from guard.rules.retention import Claim, Decision, Schedule, decisions, identity
from guard.rules.verdict import verdict
from tests.facts import ARM, DAY, HOUR, MICROSECOND, NOW, RECIPE, given, mark, proven, sign_off, window
from tests.test_verdict_laws import cases

BERLIN = ZoneInfo("Europe/Berlin")
NOTHING = Schedule(-MICROSECOND, 0, 0, 0, 0, 0)
"""No tier, and no age at which a set is kept as such."""


def decided(
    *sets: BackupSet, schedule: Schedule = NOTHING, claims: tuple[Claim, ...] = (), **changes: Any
) -> dict[str, Decision]:
    found = decisions(given(*sets, **changes).facts, schedule, BERLIN, claims)
    return {each.path: each for each in found}


def kept(*sets: BackupSet, schedule: Schedule = NOTHING, **changes: Any) -> list[str]:
    return [path for path, each in decided(*sets, schedule=schedule, **changes).items() if each.keep]


def saved(local: str, **changes: Any) -> BackupSet:
    """A proven set of that local time in the plant's zone, named by it."""
    taken = datetime.fromisoformat(local).replace(tzinfo=BERLIN)
    return proven(NOW - taken.astimezone(UTC), path=local, **changes)


NEWEST = saved("2026-11-25T07:00")


@pytest.mark.parametrize("written", [False, True])
def test_what_proves_a_memory_stays_until_the_ledger_tells_it(*, written: bool) -> None:
    sets = [proven(n * DAY, path=path, fingerprint=path) for n, path in ((9, "before"), (5, "proof"), (1, "newest"))]
    lapse = Lapse("memory-swap", NOW - 7 * DAY, NOW - 6 * DAY, "before", "before")
    moved = (PartDifference("axis-zero", 0, 0, 1, ("axis-zero.csv",)),)
    facts = given(
        *sets,
        proofs=Proofs((Settled("memory-swap", lapse.began_at, NOW - 6 * DAY),) if written else (), (lapse,)),
        compared=(Compared("before", "proof", ()), Compared("before", "newest", moved)),
    ).facts
    found = decisions(facts, NOTHING, BERLIN)
    assert ("proof" in [each.path for each in found if each.keep]) is not written
    after = without(facts, found)
    question = Question("power-down", NOW, HOUR)
    assert verdict(after, question) == verdict(facts, question)


class TestTiers:
    """The newest complete set of each of the last N periods that have one stands for it."""

    @pytest.mark.parametrize(
        ("tier", "others", "wanted"),
        [
            pytest.param({"daily": 3}, ["11-24T08:00", "11-24T05:00", "11-20T05:00", "11-19T05:00"], [0, 2], id="days-without-a-set-do-not-count"),
            pytest.param({"daily": 2}, ["11-24T23:59", "11-24T00:00", "11-23T23:59"], [0], id="days-begin-at-midnight-in-the-plants-zone"),
            pytest.param({"weekly": 3}, ["11-23T00:00", "11-22T23:59", "11-16T00:00", "11-15T23:59"], [1, 3], id="weeks-begin-on-monday"),
            pytest.param({"monthly": 3}, ["11-01T00:00", "10-31T23:59", "10-01T00:00", "09-30T23:59"], [1, 3], id="months"),
            pytest.param({"yearly": 1}, ["01-01T00:00"], [], id="one-year-has-no-open-slot"),
            pytest.param({"yearly": 2}, ["01-01T00:00", "01-02T00:00"], [0], id="the-oldest-fills-the-last-open-yearly-slot"),
            pytest.param({"daily": 2, "weekly": 2, "monthly": 2}, ["11-24T05:00", "11-23T05:00", "11-22T05:00", "10-31T05:00", "10-30T05:00"], [0, 2, 3], id="tiers-add-up"),
            pytest.param({"at_least": 3}, ["11-25T06:00", "11-25T05:00", "11-25T04:00"], [0, 1], id="at-least"),
            pytest.param({}, ["11-25T06:00", "11-24T05:00"], [], id="no-tier-keeps-only-the-newest-proven"),
        ],
    )  # fmt: skip
    def test_kept(self, tier: dict[str, int], others: list[str], wanted: list[int]) -> None:
        sets = [saved(f"2026-{each}") for each in others]
        found = kept(NEWEST, *sets, schedule=NOTHING._replace(**tier))
        assert found == [*sorted(sets[number].path for number in wanted), NEWEST.path]

    def test_an_iso_week_may_lie_in_two_years(self) -> None:
        # ISO 8601: 2025-12-29 to 2026-01-04 is week 2026-W01.
        both = saved("2026-01-04T05:00"), saved("2025-12-29T05:00"), saved("2025-12-28T05:00")
        found = decided(NEWEST, *both, schedule=NOTHING._replace(weekly=3))
        assert found["2026-01-04T05:00"].reasons == ("newest of week 2026-W01 (weekly, 2 of 3)",)
        assert not found["2025-12-29T05:00"].keep
        assert found["2025-12-28T05:00"].reasons == ("newest of week 2025-W52 (weekly, 3 of 3)",)

    def test_the_hour_that_the_clocks_repeat_belongs_to_its_day(self) -> None:
        first = saved("2026-10-25T02:30")  # summer time; the same clock time comes again an hour later
        second = proven(NOW - datetime(2026, 10, 25, 1, 30, tzinfo=UTC), path="again")
        found = decided(NEWEST, first, second, schedule=NOTHING._replace(daily=2))
        assert found["again"].reasons == ("newest of day 2026-10-25 (daily, 2 of 2)",)
        assert not found[first.path].keep

    @pytest.mark.parametrize(("age", "keep"), [(DAY, True), (DAY - MICROSECOND, True), (DAY + MICROSECOND, False)])
    def test_all_for_is_inside(self, age: timedelta, *, keep: bool) -> None:
        found = decided(NEWEST, proven(age, path="x"), schedule=NOTHING._replace(all_for=DAY))
        assert found["x"].keep is keep

    def test_all_for_keeps_incomplete_sets_too(self) -> None:
        found = decided(NEWEST, proven(DAY, path="x", checked=False), schedule=NOTHING._replace(all_for=DAY))
        assert found["x"].reasons == ("saved within the last 1 d (all-for)",)

    def test_every_reason_is_told(self) -> None:
        found = decided(NEWEST, schedule=Schedule(DAY, 1, 1, 1, 1, 1))
        assert found[NEWEST.path].reasons == (
            "newest set that is complete and was read back: answers rest on it",
            "saved within the last 1 d (all-for)",
            "newest of day 2026-11-25 (daily, 1 of 1)",
            "newest of week 2026-W48 (weekly, 1 of 1)",
            "newest of month 2026-11 (monthly, 1 of 1)",
            "newest of year 2026 (yearly, 1 of 1)",
            "number 1 of the 1 newest complete sets (at-least)",
        )

    def test_the_rule_that_lets_a_set_go_is_told(self) -> None:
        found = decided(NEWEST, saved("2026-11-02T05:00"), schedule=NOTHING._replace(daily=1, monthly=1))
        (rule,) = found["2026-11-02T05:00"].reasons
        assert rule.split("; ") == [
            "day 2026-11-02 lies beyond the last 1",
            "month 2026-11 has 2026-11-25T07:00",
        ]

    def test_without_any_slot_nothing_else_is_told(self) -> None:
        assert decided(NEWEST, saved("2026-11-02T05:00"))["2026-11-02T05:00"].reasons == ("no tier has a slot",)


OLD = saved("2026-06-01T05:00")
EDITED = datetime(2026, 6, 1, 12, tzinfo=UTC)


class TestNever:
    """What is never released, whatever the tiers say."""

    @pytest.mark.parametrize(
        ("old", "around"),
        [
            pytest.param({"checked": None}, {}, id="arriving"),
            pytest.param({"damaged_at": NOW, "damage": "a file differs"}, {}, id="damaged"),
            pytest.param({"changed": "a file is missing"}, {}, id="changed-on-the-share"),
            pytest.param({"trouble": "input/output error"}, {}, id="cannot-be-read"),
            pytest.param({"twins": (Twin("arm-09", "arm-09/1", "image"),)}, {}, id="twin-of-another-arm"),
            pytest.param({"identity": "RC-9999"}, {}, id="names-another-controller"),
            pytest.param({"first_seen": NOW + DAY}, {}, id="first-seen-in-the-future"),
            pytest.param({"stamp": None, "newest_member": None, "first_seen": NOW + DAY}, {}, id="no-believable-time"),
            pytest.param({}, {"marks": (mark("edit", EDITED),)}, id="last-before-an-edit"),
            pytest.param({"checked": False}, {"marks": (mark("edit", EDITED),)}, id="last-before-an-edit-though-incomplete"),
            pytest.param({}, {"sign_offs": (sign_off("stale-backup", subject=OLD.path),)}, id="signed-off"),
            pytest.param({"path": "a; b"}, {"sign_offs": (sign_off("stale-backup", subject="a; b"),)}, id="signed-off-with-a-semicolon"),
            pytest.param({"path": "a; b"}, {"sign_offs": (sign_off("incomplete-set", subject="set: a; b; problems: ['x']"),)}, id="signed-off-among-other-things"),
            pytest.param({}, {"window": window(HOUR, rests_on=OLD.path)}, id="a-swap-rested-on-its-path"),
            pytest.param({}, {"window": window(HOUR, rests_on="x", fingerprint=OLD.fingerprint)}, id="a-swap-rested-on-its-content"),
            pytest.param({}, {"claims": (Claim(OLD.path, None, "pinned"),)}, id="pinned-by-path"),
            pytest.param({}, {"claims": (Claim("moved", OLD.fingerprint, "pinned"),)}, id="pinned-by-content"),
            pytest.param({}, {"share": {"unreadable": "input/output error"}}, id="share-unreadable"),
            pytest.param({}, {"share": {"vanished": 3}}, id="nearly-everything-vanished"),
            pytest.param({}, {"share": {"marker": "gone"}}, id="marker-gone"),
            pytest.param({}, {"share": {"marker": "other"}}, id="another-share"),
            pytest.param({}, {"share": {"seen_at": None}}, id="share-never-looked-at"),
            pytest.param({}, {"share": {"seen_at": NOW - 27 * HOUR}}, id="share-not-looked-at-lately"),
            pytest.param({}, {"share": {"seen_at": NOW + HOUR}}, id="share-looked-at-in-the-future"),
        ],
    )  # fmt: skip
    def test_kept(self, old: dict[str, Any], around: dict[str, Any]) -> None:
        backup = OLD._replace(**old)
        assert decided(NEWEST, backup, **around)[backup.path].keep
        assert not decided(NEWEST, OLD)[OLD.path].keep

    @pytest.mark.parametrize(
        "newer",
        [
            pytest.param({"last_read_at": None}, id="complete-but-not-read-back"),
            pytest.param({"checked": False}, id="incomplete"),
            pytest.param({"checked": None}, id="arriving"),
            pytest.param({"damaged_at": NOW}, id="damaged"),
        ],
    )
    def test_the_newest_proven_set_and_all_that_is_newer(self, newer: dict[str, Any]) -> None:
        later = saved("2026-11-25T08:00")._replace(**newer)
        found = decided(NEWEST, later, OLD)
        assert [path for path, each in found.items() if each.keep] == [NEWEST.path, later.path]
        assert found[later.path].reasons[0] == f"not older than {NEWEST.path}, on which answers rest"

    def test_without_any_proof_everything_stays(self) -> None:
        unread = [each._replace(last_read_at=None) for each in (NEWEST, OLD)]
        assert kept(*unread) == [OLD.path, NEWEST.path]

    def test_an_edit_keeps_the_last_complete_set_before_it_too(self) -> None:
        incomplete = saved("2026-06-01T08:00", checked=False)
        found = decided(NEWEST, OLD, incomplete, saved("2026-05-31T05:00"), marks=(mark("edit", EDITED),))
        assert [path for path, each in found.items() if each.keep] == [OLD.path, incomplete.path, NEWEST.path]

    def test_the_last_set_from_surely_before_an_edit_stays_too(self) -> None:
        at_it = saved("2026-06-01T05:01")
        earlier = saved("2026-05-31T05:00")
        found = decided(NEWEST, at_it, OLD, earlier, marks=(mark("edit", at_it.stamp or EDITED),))
        assert [found[each.path].keep for each in (at_it, OLD, earlier)] == [True, True, False]

    def test_what_came_after_a_change_stays_until_the_memory_is_proven(self) -> None:
        out = window(timedelta(minutes=20), ended_at=NOW - HOUR, rests_on=OLD.path, fingerprint=OLD.fingerprint)
        by_day = saved("2026-05-31T05:00", first_seen=NOW - timedelta(minutes=30))
        for seen, stays in ((by_day.first_seen, True), (NOW - HOUR, False)):
            found = decided(NEWEST, OLD, by_day._replace(first_seen=seen), window=out._replace(began_at=NOW - 2 * HOUR))
            assert found[by_day.path].keep is stays

    @pytest.mark.parametrize(("harm", "stays"), [({}, False), ({"damaged_at": NOW}, True), ({"gone": True}, True)])
    def test_where_the_set_from_before_a_change_is_lost_the_next_best_stays(
        self, harm: dict[str, Any], *, stays: bool
    ) -> None:
        before, older = saved("2026-05-31T05:00", **harm), saved("2026-05-30T05:00")
        out = window(timedelta(minutes=20), began_at=NOW - 4 * HOUR, ended_at=NOW - 3 * HOUR, rests_on=before.path)
        facts = {"window": out._replace(fingerprint=before.fingerprint)}
        found = decided(NEWEST, before, older, saved("2026-05-29T05:00"), **facts)
        assert (found[older.path].keep, found["2026-05-29T05:00"].keep) == (stays, False)
        assert choose(given(NEWEST, before, older, **facts).facts, before=NOW - 4 * HOUR).chosen is not None

    @pytest.mark.parametrize("edited", [OLD.stamp, EDITED])
    def test_a_set_saved_at_the_moment_of_the_edit_is_before_it(self, edited: datetime) -> None:
        found = decided(NEWEST, OLD, marks=(mark("edit", edited),))
        assert found[OLD.path].reasons == (
            f"last set before the edit of {edited.astimezone(BERLIN):%a %Y-%m-%d %H:%M}",
        )

    @pytest.mark.parametrize(
        "wrong", [{"damaged_at": NOW}, {"trouble": "?"}, {"identity": "RC-9999"}, {"changed": "?"}]
    )
    def test_a_set_in_doubt_stands_for_no_period(self, wrong: dict[str, Any]) -> None:
        doubtful = saved("2026-06-01T08:00", **wrong)
        found = kept(NEWEST, doubtful, OLD, schedule=NOTHING._replace(daily=2))
        assert found == [OLD.path, doubtful.path, NEWEST.path]

    def test_a_backup_filed_again_stands_once(self) -> None:
        again = saved("2026-07-01T05:00", fingerprint=OLD.fingerprint)
        found = decided(NEWEST, OLD, again, schedule=NOTHING._replace(daily=3, at_least=3))
        assert found[OLD.path].keep
        assert found[again.path].reasons == (f"the same backup as {OLD.path}, filed again",)

    def test_without_a_volatile_part_equal_sets_are_two_backups(self) -> None:
        again = saved("2026-07-01T05:00", fingerprint=OLD.fingerprint)
        recipe = RECIPE._replace(volatile=())
        assert again.path in kept(NEWEST, OLD, again, schedule=NOTHING._replace(daily=2), recipe=recipe)

    def test_an_incomplete_set_stands_for_no_period(self) -> None:
        lacking = saved("2026-07-01T05:00", checked=False, problems=(Problem("incomplete-set", "no image"),))
        found = decided(NEWEST, lacking, schedule=Schedule(DAY, 9, 9, 9, 9, 9))
        assert not found[lacking.path].keep

    def test_sets_that_are_gone_are_no_part_of_the_plan(self) -> None:
        assert list(decided(NEWEST, OLD._replace(gone=True))) == [NEWEST.path]


# Random histories


STATES: tuple[dict[str, Any], ...] = (
    {"last_read_at": None},
    {"checked": False},
    {"checked": None, "fingerprint": None},
    {"damaged_at": NOW, "damage": "differs"},
    {"twins": (Twin("arm-09", "arm-09/1", "image"),)},
    {"trouble": "cannot be read"},
    {"fingerprint": "filed again"},
    {"gone": True},
)
AGES = st.one_of(
    st.integers(0, 60 * 24 * 60), st.integers(0, 6 * 366 * 24 * 60), st.sampled_from((60, 61, 480, 481, 1920, 43_200))
)
"""In minutes: crowded in the last weeks, spread over six years, and about midnight."""


@st.composite
def histories(draw: st.DrawFn) -> ArmFacts:
    """An arm that was saved now and then for up to six years, with the usual mishaps, edits, sign-offs and swaps."""
    ages = sorted(draw(st.lists(AGES, min_size=1, max_size=30, unique=True)))
    sets = tuple(
        proven(timedelta(minutes=age), path=f"arm-07/{age:07}", **draw(st.one_of(st.just({}), st.just({}), st.sampled_from(STATES))))
        for age in ages
    )  # fmt: skip
    marks = tuple(mark("edit", NOW - timedelta(minutes=age)) for age in draw(st.lists(AGES, max_size=3)))
    paths = st.sampled_from([None, *(each.path for each in sets)])
    signed = tuple(sign_off("stale-backup", subject=path) for path in draw(st.lists(paths, max_size=2)))
    swap = draw(st.one_of(st.none(), paths.map(lambda path: window(HOUR, rests_on=path))))
    recipe = draw(st.sampled_from((RECIPE, RECIPE, RECIPE._replace(volatile=()))))
    return given(*sets, marks=marks, sign_offs=signed, window=swap, recipe=recipe).facts


COUNTS = st.integers(0, 12)
SCHEDULES = st.builds(Schedule, st.integers(0, 40).map(lambda n: n * DAY), COUNTS, COUNTS, COUNTS, COUNTS, COUNTS)


@st.composite
def pinned(draw: st.DrawFn, facts: ArmFacts) -> tuple[Claim, ...]:
    paths = draw(st.lists(st.sampled_from([each.path for each in facts.sets]), max_size=2))
    return tuple(Claim(path, None, "pinned") for path in paths)


def without(facts: ArmFacts, found: tuple[Decision, ...]) -> ArmFacts:
    """The facts once all that the plan releases was moved away."""
    released = {each.path for each in found if not each.keep}
    return facts._replace(sets=tuple(each._replace(gone=each.gone or each.path in released) for each in facts.sets))


def reference(  # noqa: C901 - the sentences of the definition stand together
    facts: ArmFacts, schedule: Schedule, claims: tuple[Claim, ...]
) -> set[str]:
    """The paths that stay, by the definition read off sentence for sentence: for every set, every other set is asked."""
    here = [each for each in facts.sets if not each.gone]
    again = facts.recipe.volatile

    def original(backup: BackupSet) -> BackupSet:
        same = [other for other in facts.sets if again and other.fingerprint == backup.fingerprint is not None]
        return min([*same, backup], key=taken_of)

    def taken_of(backup: BackupSet) -> datetime:
        assert backup.stamp is not None
        return backup.stamp

    def captured(backup: BackupSet) -> datetime:
        return taken_of(original(backup))

    def is_sound(backup: BackupSet) -> bool:
        return bool(backup.checked and not backup.damaged_at and not backup.twins and not backup.trouble)

    def age_of(backup: BackupSet) -> tuple[datetime, bool, datetime]:
        return captured(backup), original(backup) is backup, backup.first_seen

    def is_the_one(backup: BackupSet) -> bool:
        twins = [other for other in here if again and is_sound(other) and other.fingerprint == backup.fingerprint]
        return all(age_of(other) <= age_of(backup) for other in twins)

    able = [each for each in here if is_sound(each) and is_the_one(each)]
    proved = [each for each in here if each.checked and each.last_read_at and not each.damaged_at and not each.twins]
    best = max(proved, key=lambda each: (captured(each), each.first_seen), default=None)

    def period(kind: str, backup: BackupSet) -> tuple[int, ...]:
        day = captured(backup).astimezone(BERLIN).date()
        return {"daily": (day.toordinal(),), "weekly": day.isocalendar()[:2], "monthly": (day.year, day.month), "yearly": (day.year,)}[kind]  # fmt: skip

    def stands(kind: str, backup: BackupSet) -> bool:
        mine = period(kind, backup)
        is_newest = all(age_of(other) <= age_of(backup) for other in able if period(kind, other) == mine)
        later = {period(kind, other) for other in able if period(kind, other) > mine}
        return is_newest and len(later) < getattr(schedule, kind)

    def is_last_before(at: datetime, backup: BackupSet, among: list[BackupSet]) -> bool:
        by_then = [each for each in among if captured(each) <= at]
        earlier = [each for each in among if captured(each) < at]
        return any(
            backup in before and all(age_of(other) <= age_of(backup) for other in before)
            for before in (by_then, earlier)
        )

    def speaks(backup: BackupSet) -> bool:
        if best is None or backup is best:
            return True
        return taken_of(backup) >= captured(best)

    years = {period("yearly", each) for each in able}
    edits = [each.at for each in facts.marks if each.kind == "edit"]
    wanted = {claim.path for claim in claims} | {each.subject for each in facts.sign_offs}
    wanted |= {facts.window.rests_on} if facts.window else set()
    contents = {facts.window.fingerprint} if facts.window else set()

    def stays(backup: BackupSet) -> bool:
        return (
            speaks(backup)
            or backup.checked is None
            or bool(backup.damaged_at or backup.twins or backup.trouble)
            or backup.path in wanted
            or backup.fingerprint in contents
            or any(is_last_before(at, backup, among) for at in edits for among in (here, able))
            or facts.as_of - captured(backup) <= schedule.all_for
            or (
                backup in able
                and (
                    any(stands(kind, backup) for kind in ("daily", "weekly", "monthly", "yearly"))
                    or sum(age_of(other) > age_of(backup) for other in able) < schedule.at_least
                    or (len(years) < schedule.yearly and all(age_of(other) >= age_of(backup) for other in able))
                )
            )
        )

    return {each.path for each in here if stays(each)}


class TestLaws:
    """What holds for every history."""

    @over(histories(), SCHEDULES, st.data())
    def test_it_keeps_what_a_plain_reading_of_the_definition_keeps(
        self, facts: ArmFacts, schedule: Schedule, data: st.DataObject
    ) -> None:
        claims = data.draw(pinned(facts))
        found = decisions(facts, schedule, BERLIN, claims)
        assert {each.path for each in found if each.keep} == reference(facts, schedule, claims)

    @over(histories(), SCHEDULES)
    def test_kept_and_released_are_all_the_sets_and_each_says_why(self, facts: ArmFacts, schedule: Schedule) -> None:
        found = decisions(facts, schedule, BERLIN)
        assert sorted(each.path for each in found) == sorted(each.path for each in facts.sets if not each.gone)
        assert all(each.reasons and all(each.reasons) for each in found)
        assert all(len(set(each.reasons)) == len(each.reasons) for each in found)

    @over(histories(), SCHEDULES)
    def test_applying_a_plan_twice_is_applying_it_once(self, facts: ArmFacts, schedule: Schedule) -> None:
        found = decisions(facts, schedule, BERLIN)
        again = decisions(without(facts, found), schedule, BERLIN)
        assert [each.path for each in again if not each.keep] == []
        assert [each.path for each in again] == [each.path for each in found if each.keep]

    @over(histories(), SCHEDULES)
    def test_every_verdict_is_what_it_was(self, facts: ArmFacts, schedule: Schedule) -> None:
        after = without(facts, decisions(facts, schedule, BERLIN))
        for action in ACTIONS:
            question = Question(action, NOW + HOUR, 8 * HOUR)
            assert verdict(after, question) == verdict(facts, question)

    @over(cases(signed=True))
    def test_every_verdict_is_what_it_was_for_any_facts(self, of: Any) -> None:
        after = without(of.facts, decisions(of.facts, NOTHING, BERLIN))
        assert verdict(after, of.question) == of.verdict

    @over(histories(), SCHEDULES)
    def test_the_newest_proven_set_is_always_kept(self, facts: ArmFacts, schedule: Schedule) -> None:
        resting = verdict(facts, Question("power-down", NOW, HOUR)).resting
        keeps = {each.path for each in decisions(facts, schedule, BERLIN) if each.keep}
        assert resting is None or resting.set.path in keeps

    @over(histories(), SCHEDULES, st.sampled_from((*STATES, {}, {}, {})))
    def test_a_new_backup_releases_no_set_that_was_never_to_be_released(
        self, facts: ArmFacts, schedule: Schedule, state: dict[str, Any]
    ) -> None:
        before = decisions(facts, NOTHING, BERLIN)  # without tiers, only what must never go is kept
        new = proven(timedelta(), path="arm-07/new", **state)
        found = decisions(facts._replace(sets=(*facts.sets, new)), schedule, BERLIN)
        keeps = {each.path for each in found if each.keep}
        # What only the newest proof kept, the new set's own proof may let go.
        let_go = ("answers rest", "read back yet")
        protected = {each.path for each in before if each.keep and any(not any(word in reason for word in let_go) for reason in each.reasons)}  # fmt: skip
        assert protected <= keeps
        if not state.keys().isdisjoint({"last_read_at", "checked", "damaged_at", "twins", "gone"}):
            assert {each.path for each in before if each.keep} <= keeps

    @over(histories(), SCHEDULES, COUNTS, st.sampled_from(Schedule._fields[1:]))
    def test_more_slots_never_keep_less(self, facts: ArmFacts, schedule: Schedule, more: int, tier: str) -> None:
        if tier == "yearly":
            return  # the oldest set gives its slot up once the years fill them all
        wider = schedule._replace(**{tier: getattr(schedule, tier) + more})
        keeps = {each.path for each in decisions(facts, schedule, BERLIN) if each.keep}
        assert keeps <= {each.path for each in decisions(facts, wider, BERLIN) if each.keep}

    @over(histories(), SCHEDULES, st.randoms())
    def test_the_order_of_the_sets_changes_nothing(self, facts: ArmFacts, schedule: Schedule, random: Any) -> None:
        sets = list(facts.sets)
        random.shuffle(sets)
        shuffled = decisions(facts._replace(sets=tuple(sets)), schedule, BERLIN)
        assert shuffled == decisions(facts, schedule, BERLIN)

    @over(
        histories(),
        SCHEDULES,
        st.sampled_from(({"unreadable": "?"}, {"vanished": 1}, {"marker": "gone"}, {"marker": "other"})),
    )
    @settings(max_examples=30)
    def test_nothing_goes_while_the_share_is_in_doubt(self, facts: ArmFacts, schedule: Schedule, doubt: Any) -> None:
        found = decisions(facts._replace(share=facts.share._replace(**doubt)), schedule, BERLIN)
        assert all(each.keep for each in found)


class TestIdentity:
    """The identity tells one plan from another by what becomes of which content."""

    FOUND = decisions(given(NEWEST, OLD).facts, NOTHING, BERLIN)

    def test_it_is_the_same_for_the_same_plan(self) -> None:
        later = given(NEWEST, OLD)
        again = decisions(later.facts._replace(as_of=NOW + HOUR), NOTHING, BERLIN)
        assert identity(again) == identity(self.FOUND)
        assert identity(tuple(reversed(self.FOUND))) == identity(self.FOUND)

    @pytest.mark.parametrize(
        "change",
        [
            pytest.param(lambda found: found[1:], id="a-set-less"),
            pytest.param(lambda found: (*found, found[0]._replace(path="x")), id="a-set-more"),
            pytest.param(lambda found: (found[0]._replace(keep=True), *found[1:]), id="kept-instead"),
            pytest.param(lambda found: (found[0]._replace(fingerprint="0" * 64), *found[1:]), id="other-content"),
            pytest.param(lambda found: (found[0]._replace(arm="arm-09"), *found[1:]), id="another-arm"),
            pytest.param(lambda found: (found[0]._replace(form="archive"), *found[1:]), id="another-form"),
        ],
    )
    def test_it_differs_from_that_of_another_plan(self, change: Callable[..., tuple[Decision, ...]]) -> None:
        assert identity(change(self.FOUND)) != identity(self.FOUND)


class TestPublishedSchedule:
    """FOLDOC, "grandfather, father, son", enumerated for 2026-11-25 with a backup a day (checks.md section 7).

    There a Monday's backup is a father and a month's first Monday a grandfather, chosen by its
    weekday; here the newest set stands for a week or month, whatever day it was saved on. And
    there a generation ends by age, here by the number of periods. So each generation is compared
    over the backups that FOLDOC counts to it: then the newest set of a period is the one it means.
    """

    TODAY = date(2026, 11, 25)
    SONS = "11-25 11-24 11-22 11-21 11-20 11-19"
    FATHERS = "11-23 11-16 11-09 10-26"
    GRANDFATHERS = "11-02 10-05 09-07 08-03 07-06 06-01 05-04 04-06 03-02 02-02 01-05 2025-12-01"

    def test_the_same_22_backups_are_kept(self) -> None:
        days = [self.TODAY - timedelta(days=age) for age in range(365)]
        mondays = [day for day in days if day.weekday() == 0]
        firsts = [day for day in mondays if day.day <= 7]
        runs = (
            (days, NOTHING._replace(daily=7)),
            (mondays, NOTHING._replace(weekly=5)),
            (firsts, NOTHING._replace(monthly=12)),
        )
        found: set[str] = set()
        for chosen, schedule in runs:
            found.update(kept(*(saved(f"{day}T05:00") for day in chosen), schedule=schedule))
        told = f"{self.SONS} {self.FATHERS} {self.GRANDFATHERS}".split()
        assert found == {f"{day if len(day) > 5 else f'2026-{day}'}T05:00" for day in told}
        assert len(found) == 22

    def test_with_all_backups_in_one_run_the_newest_of_a_week_is_its_sunday(self) -> None:
        days = [saved(f"{self.TODAY - timedelta(days=age)}T05:00") for age in range(365)]
        found = kept(*days, schedule=NOTHING._replace(weekly=3, monthly=3))
        assert [path[:10] for path in found] == ["2026-09-30", "2026-10-31", "2026-11-15", "2026-11-22", "2026-11-25"]


def test_the_arm_is_told_with_each_decision() -> None:
    assert {each.arm for each in decided(NEWEST, OLD).values()} == {ARM.id}
