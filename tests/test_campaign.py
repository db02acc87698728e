"""Campaigns: from when a backup counts, what each arm needs, and that all is made in time where that can be."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given as examples
from hypothesis import settings
from hypothesis import strategies as st

from guard.errors import UnknownEvent
from guard.model import AtStake, PlannedEvent, Verdict
from guard.plan.campaign import Campaign, Need, Terms, campaign, need
from guard.plan.fitting import Job
from guard.plan.meant import meant
from guard.plan.refusals import AmbiguousEvent, EventBegun
from guard.plan.windows import MINUTE, SEEN_AND_READ, Span, counts_from, others_of, span
from guard.share.layout import Layout
from guard.tell.campaign import besides, todo
from guard.times import earliest_reading
from tests.facts import DAY, HOUR, LIMITS, MICROSECOND, NOW, given, mark, proven, sign_off, window
from tests.test_fitting import is_possible, schedules

BERLIN = ZoneInfo("Europe/Berlin")
SHUTDOWN = PlannedEvent("ev-3", "power-down", NOW + 12 * DAY, 14 * DAY, ("arm-07",), "Winter shutdown")
MINUTES = {"settle": timedelta(minutes=2), "grain": MINUTE, "zone": BERLIN}


def terms(**changes: Any) -> Terms:
    usual = Terms(SHUTDOWN, 7 * DAY, MINUTES["settle"], MINUTE, BERLIN, 1, timedelta(minutes=20), NOW)
    return usual._replace(**changes)


# From when on a backup counts


@pytest.mark.parametrize(
    ("bound", "grain", "first"),
    [
        pytest.param("2026-12-01T05:00:00", MINUTE, "2026-12-01T05:00:00", id="on-the-minute"),
        pytest.param("2026-12-01T05:00:01", MINUTE, "2026-12-01T05:01:00", id="a-stamp-that-is-cut-to-the-minute"),
        pytest.param("2026-12-01T05:00:00", HOUR, "2026-12-01T05:00:00", id="on-the-hour"),
        pytest.param("2026-12-01T05:01:00", HOUR, "2026-12-01T06:00:00", id="a-stamp-that-is-cut-to-the-hour"),
        pytest.param("2026-11-30T23:00:00", DAY, "2026-11-30T23:00:00", id="at-the-plants-midnight"),
        pytest.param("2026-11-30T23:00:01", DAY, "2026-12-01T23:00:00", id="a-stamp-that-is-cut-to-the-day"),
        pytest.param("2026-10-25T00:30:00", MINUTE, "2026-10-25T02:00:00", id="clocks-that-go-back-show-it-again"),
        pytest.param("2026-10-25T01:30:00", MINUTE, "2026-10-25T02:00:00", id="the-second-time-reads-as-the-first"),
        pytest.param("2026-03-29T01:00:00", HOUR, "2026-03-29T01:00:00", id="clocks-that-go-forward"),
    ],
)
def test_from_when_on_every_set_is_taken_for_saved_since_the_bound(bound: str, grain: timedelta, first: str) -> None:
    assert counts_from(at(bound), grain, BERLIN) == at(first)


def at(text: str) -> datetime:
    return datetime.fromisoformat(text).replace(tzinfo=UTC)


@pytest.mark.parametrize(
    ("layout", "grain"),
    [
        ("{arm}/{taken:%Y-%m-%d_%H%M}", MINUTE),
        ("{arm}/{taken:%Y%m%d%H%M%S}", MINUTE),
        ("{taken:%Y}/{arm}-{taken:%m%d-%H}", HOUR),
        ("{taken:%Y-%m-%d}/{arm}", DAY),
        ("{arm}/{any}", MINUTE),
    ],
)
def test_how_exactly_a_layout_tells_the_time(layout: str, grain: timedelta) -> None:
    assert Layout(layout).grain == grain


def test_a_set_saved_when_it_counts_is_fresh_at_the_start_and_one_saved_a_minute_sooner_is_not() -> None:
    start = SHUTDOWN.start + timedelta(seconds=30)
    first = terms(event=SHUTDOWN._replace(start=start)).counts_from
    for saved, needed in ((first, "nothing"), (first - MINUTE, "backup")):
        saved_then = proven(stamp=saved, newest_member=saved, first_seen=saved, last_read_at=saved)
        there = given(saved_then, share={"seen_at": start - HOUR})
        facts = there.facts._replace(as_of=start - HOUR)
        assert need(facts, SHUTDOWN._replace(start=start)).needed == needed


# What other events leave


def other(start: timedelta, off_for: timedelta, kind: Any = "power-down") -> PlannedEvent:
    return PlannedEvent("ev-9", kind, SHUTDOWN.start + start, off_for, ("arm-07",))


WEEK = SHUTDOWN.start - 7 * DAY
READY = SHUTDOWN.start - MINUTES["settle"] - SEEN_AND_READ
BEFORE_OTHER = -MINUTES["settle"] - SEEN_AND_READ


@pytest.mark.parametrize(
    ("event", "left"),
    [
        pytest.param(other(-3 * DAY, DAY), Span(WEEK + 5 * DAY, READY, ("ev-9",)), id="off-in-between"),
        pytest.param(
            other(-3 * DAY, 9 * DAY), Span(WEEK, WEEK + 4 * DAY + BEFORE_OTHER, ("ev-9",)), id="off-over-the-start"
        ),
        pytest.param(other(-9 * DAY, 3 * DAY), Span(WEEK + DAY, READY, ("ev-9",)), id="off-when-it-begins-to-count"),
        pytest.param(other(-9 * DAY, 2 * DAY), Span(WEEK, READY), id="over-just-as-it-begins-to-count"),
        pytest.param(other(-3 * DAY, DAY, "service-visit"), Span(WEEK, READY), id="power-stays-on"),
        pytest.param(other(timedelta(), DAY), Span(WEEK, READY), id="begins-with-it"),
        pytest.param(other(-3 * DAY, DAY)._replace(arms=("arm-09",)), Span(WEEK, READY), id="another-arm"),
    ],
)
def test_a_backup_is_made_while_the_power_is_on(event: PlannedEvent, left: Span) -> None:
    assert span(SHUTDOWN, others_of(SHUTDOWN, [SHUTDOWN, event]).get("arm-07", ()), WEEK, MINUTES["settle"]) == left


# What an arm needs


def kind_of(*sets: Any, **changes: Any) -> str:
    return need(given(*sets, **changes).facts, SHUTDOWN._replace(start=NOW + 2 * DAY)).needed


def planned(ahead: timedelta, off_for: timedelta, kind: Any = "power-down") -> PlannedEvent:
    """Another event of the arm, that begins so long from now."""
    return PlannedEvent("ev-9", kind, NOW + ahead, off_for, ("arm-07",))


STALE, FRESH = proven(30 * DAY), proven()


@pytest.mark.parametrize(
    ("needed", "sets", "changes"),
    [
        pytest.param("nothing", [FRESH], {}, id="fresh-then"),
        pytest.param("backup", [STALE], {}, id="stale-then"),
        pytest.param("backup", [], {}, id="none"),
        pytest.param("backup", [FRESH], {"marks": (mark("edit", NOW - HOUR),)}, id="edited-since"),
        pytest.param("backup", [FRESH._replace(checked=False)], {}, id="incomplete"),
        pytest.param("backup", [FRESH._replace(damaged_at=NOW)], {}, id="damaged"),
        pytest.param("backup", [FRESH], {"window": window(HOUR / 4, ended_at=NOW)}, id="cell-changed-since"),
        pytest.param("backup", [FRESH], {"share": {"unreadable": "timed out"}}, id="nobody-can-see-it"),
        pytest.param("backup", [FRESH], {"share": {"marker": "other"}}, id="another-share"),
        pytest.param(
            "backup", [STALE],
            {"sign_offs": (sign_off("stale-backup", subject=STALE.path, until=NOW + 9 * DAY),)}, id="a-sign-off-is-no-backup",
        ),
        pytest.param("proof", [FRESH._replace(last_read_at=None)], {}, id="never-read-back"),
        pytest.param("proof", [STALE, FRESH._replace(last_read_at=None)], {}, id="the-fresh-one-was-not-read-back"),
        pytest.param("backup", [STALE._replace(last_read_at=None)], {}, id="reading-back-makes-it-no-younger"),
        pytest.param("backup", [FRESH], {"events": (planned(DAY, HOUR),)}, id="off-and-on-again-before"),
        pytest.param("backup", [FRESH], {"events": (planned(DAY, HOUR, "memory-swap"),)}, id="its-cell-is-changed-before"),
        pytest.param("backup", [FRESH], {"events": (planned(-HOUR, 2 * HOUR),)}, id="off-now"),
        pytest.param(
            "backup", [FRESH], {"events": (planned(DAY, DAY - SEEN_AND_READ - MINUTE),)}, id="on-again-a-moment-in-time"
        ),
        pytest.param("nothing", [FRESH], {"events": (planned(DAY, DAY - SEEN_AND_READ),)}, id="on-again-too-late-for-one"),
        pytest.param("nothing", [FRESH], {"events": (planned(-2 * HOUR, 2 * HOUR),)}, id="that-is-over"),
        pytest.param("nothing", [FRESH], {"events": (planned(DAY, HOUR, "service-visit"),)}, id="power-stays-on-then"),
        pytest.param(
            "nothing", [FRESH], {"events": (planned(DAY, HOUR)._replace(arms=("arm-09",)),)}, id="off-is-another-arm"
        ),
        pytest.param("other", [FRESH], {"marks": (mark("cell-alarm", NOW - HOUR),)}, id="its-cell-gave-an-alarm"),
    ],
)  # fmt: skip
def test_what_an_arm_needs_before_the_event(needed: str, sets: list[Any], changes: dict[str, Any]) -> None:
    assert kind_of(*sets, **changes) == needed


@pytest.mark.parametrize(
    ("changes", "after"),
    [
        pytest.param({}, None, id="nothing-happened"),
        pytest.param({"marks": (mark("edit", NOW - HOUR),)}, NOW - HOUR, id="at-the-edit-or-later"),
        pytest.param(
            {"window": window(HOUR / 4, ended_at=NOW - HOUR)}, NOW - HOUR + MICROSECOND, id="after-the-cell-was-in"
        ),
        pytest.param(
            {"marks": (mark("powered-off", NOW - 3 * HOUR), mark("powered-on", NOW - 2 * HOUR))},
            NOW - 2 * HOUR + MICROSECOND, id="after-the-power-was-back",
        ),
        pytest.param({"marks": (mark("powered-off", NOW - 3 * HOUR),)}, None, id="the-power-is-not-back"),
    ],
)  # fmt: skip
def test_what_a_backup_must_be_later_than(changes: dict[str, Any], after: datetime | None) -> None:
    assert need(given(FRESH, **changes).facts, SHUTDOWN).after == after


def test_what_no_backup_lifts_is_told_beside_it() -> None:
    facts = given(STALE, marks=(mark("cell-alarm", NOW - HOUR),)).facts
    assert [found.code for found in need(facts, SHUTDOWN).beside] == ["cell-alarm"]


def test_the_change_of_a_cell_comes_before_the_backup_that_must_follow_it() -> None:
    facts = given(STALE, marks=(mark("cell-alarm", NOW - HOUR),)).facts
    plan = campaign(terms(), [need(facts, SHUTDOWN)], [SHUTDOWN])
    (each,) = plan.needs
    assert plan.due(each, each.beside[0]) == plan.begin_by
    assert (
        dict(todo(plan, each))[f"{each.beside[0].remedy.rstrip('.')}."].partition(";")[0].endswith("before its backup")
    )
    (title,) = (title for title, _ in besides(plan))
    assert title.endswith("; a cell is changed before the backup of its arm")


def test_what_contradicts_the_event_is_part_of_its_verdict() -> None:
    again = SHUTDOWN._replace(id="ev-9", off_for=SHUTDOWN.off_for + HOUR)
    found = [need(given(FRESH, events=(SHUTDOWN, *more)).facts, SHUTDOWN).verdict for more in ((), (again,))]
    assert ["event-conflict" in {each.code for each in verdict.findings} for verdict in found] == [False, True]


# The order


def wanted(arm: str, area: str = "", after: datetime | None = None) -> Need:
    verdict = Verdict(arm, given().question, "hold", None, None, None, ())
    return Need(arm, area, "backup", verdict, after)


def minutes(moment: datetime) -> int:
    return (moment - NOW) // MINUTE


def held_to_its_terms(plan: Campaign, spans: dict[str, tuple[int, int]]) -> None:
    """Everybody follows the order; at the first times as at the last each backup lies in its window."""
    length = plan.terms.each // MINUTE
    for times in ("begin_from", "begin_by"):
        begun = {turn.arm: minutes(getattr(turn, times)) for turn in plan.turns}
        assert is_possible(list(begun.values()), plan.terms.people, length)
        assert all(spans[arm][0] <= begun[arm] <= spans[arm][1] - length for arm in begun)
        for one, next_one in pairwise(plan.turns):
            if one.person == next_one.person:
                assert begun[one.arm] + length <= begun[next_one.arm]


@settings(max_examples=200)
@examples(
    edits=st.lists(st.integers(0, 6), max_size=5),
    offs=st.lists(st.tuples(st.integers(0, 8), st.integers(1, 10)), max_size=3),
    people=st.integers(1, 3),
    each=st.integers(1, 4),
    start=st.integers(2, 9),
    fresh=st.integers(1, 9),
)
def test_all_are_made_in_time_where_that_can_be_and_as_many_as_fit_where_not(
    edits: list[int], offs: list[tuple[int, int]], people: int, each: int, start: int, fresh: int
) -> None:
    settled = SEEN_AND_READ
    event = SHUTDOWN._replace(start=NOW + start * MINUTE + settled, arms=tuple(f"arm-{n}" for n in range(5)))
    events = [event]
    for number, (begins, lasts) in enumerate(offs):
        off = PlannedEvent(
            f"ev-{number + 7}", "power-down", NOW + begins * MINUTE + settled, lasts * MINUTE, (f"arm-{number}",)
        )
        events.append(off)
    limit = fresh * MINUTE + settled
    given_terms = terms(event=event, limit=limit, settle=timedelta(), zone=UTC, people=people, each=each * MINUTE)
    needs = [wanted(f"arm-{n}", "ab"[n % 2], NOW + edit * MINUTE) for n, edit in enumerate(edits)]

    plan = campaign(given_terms, needs, events)

    spans = {}
    for number, edit in enumerate(edits):
        first = max(NOW, event.start - limit, NOW + edit * MINUTE)
        left = span(event, others_of(event, events).get(f"arm-{number}", ()), first, timedelta())
        spans[f"arm-{number}"] = (minutes(left.first), minutes(left.ends))
    jobs = [Job(arm, first, ends - each) for arm, (first, ends) in spans.items()]
    assert bool(plan.missed) == (not schedules(jobs, people, each))
    assert sorted([*(turn.arm for turn in plan.turns), *(missed.arm for missed in plan.missed)]) == sorted(spans)
    held_to_its_terms(plan, spans)
    for missed in plan.missed:
        able = [job for job in jobs if job.name in {turn.arm for turn in plan.turns} | {missed.arm}]
        assert not schedules(able, people, each)
    if plan.help is not None and plan.help.people is not None:
        able = [job for job in jobs if job.first <= job.last]
        assert schedules(able, plan.help.people, each)
        assert not schedules(able, plan.help.people - 1, each)
    if plan.help is not None and plan.help.limit is not None:
        assert campaign(given_terms._replace(limit=plan.help.limit), needs, events).missed == ()


@settings(max_examples=150)
@examples(
    change=st.sampled_from(["2027-03-28T01:00:00", "2027-10-31T01:00:00"]),
    start=st.integers(-300, 600),
    ahead=st.integers(60, 20_000),
    edited=st.none() | st.integers(0, 3000),
    action=st.sampled_from(["power-down", "memory-swap"]),
    grain=st.sampled_from([MINUTE, HOUR, DAY]),
    late=st.integers(0, 1),
)
def test_whoever_keeps_to_the_plan_ends_with_a_set_that_carries_the_answer(
    change: str, start: int, ahead: int, edited: int | None, action: Any, grain: timedelta, late: int
) -> None:
    """Around a change of the clocks too, and where a set's name tells only the hour or the day of its saving."""
    event = SHUTDOWN._replace(start=at(change) + start * MINUTE + timedelta(seconds=17), kind=action)
    as_of = event.start - ahead * MINUTE
    marks = () if edited is None else (mark("edit", as_of - edited * MINUTE),)
    stale = proven(path="arm-07/old")
    facts = given(stale, marks=marks, share={"seen_at": as_of}).facts._replace(as_of=as_of)
    of = terms(event=event, limit=LIMITS.fresh_for(action), grain=grain, as_of=as_of)

    plan = campaign(of, [need(facts, event)], [event])

    for turn in plan.turns:
        saved = turn.begin_by if late else turn.begin_from
        known = saved + of.each + of.settle + SEEN_AND_READ
        assert known <= event.start
        name = earliest_reading(cut(saved.astimezone(BERLIN).replace(tzinfo=None), grain), BERLIN)
        fresh = proven(
            path="arm-07/new", stamp=name, newest_member=saved + of.each, first_seen=saved + of.each, last_read_at=known
        )
        after = facts._replace(as_of=known, sets=(stale, fresh), share=facts.share._replace(seen_at=known))
        assert need(after, event).needed == "nothing"


def cut(local: datetime, grain: timedelta) -> datetime:
    """A time as a name tells it to a minute, an hour or a day."""
    whole = local.replace(second=0, microsecond=0)
    return whole if grain == MINUTE else whole.replace(minute=0) if grain == HOUR else whole.replace(minute=0, hour=0)


def fleet(count: int, areas: int) -> list[Need]:
    return [wanted(f"arm-{n:02}", f"area {n % areas}") for n in range(count)]


def test_people_walk_through_neighbouring_areas() -> None:
    plan = campaign(terms(people=2), fleet(12, 3), [SHUTDOWN])
    walked = [[turn.area for turn in plan.turns if turn.person == person] for person in (1, 2)]
    assert walked == [["area 0"] * 4 + ["area 1"] * 2, ["area 1"] * 2 + ["area 2"] * 4]


def test_an_arm_that_is_off_over_the_start_goes_first_and_hurries_nobody_else() -> None:
    off = PlannedEvent("ev-9", "power-down", SHUTDOWN.start - DAY, 9 * DAY, ("arm-01",))
    plan = campaign(terms(), fleet(3, 1), [SHUTDOWN, off])
    assert [turn.arm for turn in plan.turns] == ["arm-01", "arm-00", "arm-02"]
    assert [minutes(READY) - minutes(turn.begin_by) for turn in plan.turns] == [24 * 60 + 20, 40, 20]


def test_the_last_backup_ends_when_it_must_be_ready() -> None:
    plan = campaign(terms(), fleet(3, 1), [SHUTDOWN])
    assert [minutes(turn.begin_by) - minutes(READY) for turn in plan.turns] == [-60, -40, -20]
    assert {turn.counts_from for turn in plan.turns} == {WEEK}


def test_one_person_too_few_and_one_minute_too_late() -> None:
    late = terms(as_of=READY - timedelta(minutes=60))
    assert campaign(late, fleet(3, 1), [SHUTDOWN]).missed == ()
    late = terms(as_of=READY - timedelta(minutes=60) + MICROSECOND)
    plan = campaign(late, fleet(3, 1), [SHUTDOWN])
    assert ([missed.arm for missed in plan.missed], plan.missed[0].fits) == (["arm-02"], True)
    assert plan.help is not None
    assert (plan.help.people, plan.help.limit, plan.help.begin_by) == (2, None, READY - timedelta(minutes=60))


def test_where_the_limit_leaves_too_little_time_a_longer_one_is_told() -> None:
    short = terms(limit=timedelta(minutes=59) + MINUTES["settle"] + SEEN_AND_READ)
    plan = campaign(short, fleet(3, 1), [SHUTDOWN])
    assert plan.help is not None
    assert (plan.help.people, plan.help.limit, plan.help.begin_by) == (2, 2 * HOUR, None)


def test_where_not_all_can_be_made_those_go_first_at_which_most_is_at_stake() -> None:
    needs = fleet(3, 1)
    needs[2] = needs[2]._replace(verdict=needs[2].verdict._replace(loss=AtStake(0.1, 80, 8.0)))
    plan = campaign(terms(as_of=READY - timedelta(minutes=45)), needs, [SHUTDOWN])
    assert {turn.arm for turn in plan.turns} == {"arm-00", "arm-02"}


def test_without_arms_there_is_nothing_to_plan() -> None:
    plan = campaign(terms(), [], [SHUTDOWN])
    assert (plan.turns, plan.missed, plan.help, plan.begin_by) == ((), (), None, None)


# Which event is meant


EVENTS = (
    SHUTDOWN,
    SHUTDOWN._replace(id="ev-4", title="Winter shutdown, paint shop"),
    SHUTDOWN._replace(id="ev-5", title="Retooling", start=NOW - HOUR),
    SHUTDOWN._replace(id="ev-6", title=""),
)


@pytest.mark.parametrize(
    ("asked", "found"),
    [
        ("ev-3", "ev-3"), ("EV-4", "ev-4"), ("winter shutdown", "ev-3"), ("  Winter  SHUTDOWN ", "ev-3"),
        ("paint shop", "ev-4"), ("ev-6", "ev-6"),
    ],
)  # fmt: skip
def test_an_event_is_known_by_its_id_or_its_title(asked: str, found: str) -> None:
    assert meant(asked, EVENTS, NOW, UTC).id == found


@pytest.mark.parametrize(
    ("asked", "refusal"),
    [
        ("winter", AmbiguousEvent), ("retooling", EventBegun), ("ev-5", EventBegun), ("ev-7", UnknownEvent),
        ("ev-", UnknownEvent), ("", UnknownEvent), ("shut", UnknownEvent), ("summer shutdown", UnknownEvent),
    ],
)  # fmt: skip
def test_what_names_no_single_event_to_come_is_refused(asked: str, refusal: type[Exception]) -> None:
    with pytest.raises(refusal):
        meant(asked, EVENTS, NOW, UTC)
