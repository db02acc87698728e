"""What else is planned on the arm: power that must stay on, and events that contradict each other."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

import pytest

from guard.clock import now
from guard.desk import Desk
from guard.load import load
from guard.model import ACTIONS, Action, Finding, PlannedEvent, Powered, Question
from guard.plan.events import by_arm
from guard.rules.findings import EXPLANATIONS
from guard.rules.sign_off import subject
from guard.rules.verdict import verdict
from tests.facts import DAY, HOUR, LONG_ON, MICROSECOND, NOW, Given, given, proven, sign_off
from tests.plant import Plant

AT = NOW + 2 * DAY
"""When what is asked about begins; it lasts 8 hours."""
END = AT + 8 * HOUR


def planned(kind: Action, start: datetime = AT, off_for: timedelta = HOUR, number: int = 1) -> PlannedEvent:
    return PlannedEvent(f"ev-{number}", kind, start, off_for, ("arm-07",), "Stop")


def asked(action: Action, *events: PlannedEvent, own: str = "", **changes: Any) -> Given:
    of = given(proven(), at=AT, action=action, events=events, **{"powered": LONG_ON, **changes})
    return Given(of.facts, of.question._replace(event=own))


def found(of: Given) -> list[tuple[str, str]]:
    codes = ("power-must-stay-on", "event-conflict")
    return [(each.code, each.level) for each in of.verdict.findings if each.code in codes]


MINUTE = HOUR / 60
HOLD, CAUTION = [("power-must-stay-on", "hold")], [("event-conflict", "caution")]

PAIRS: dict[tuple[Action, Action], list[tuple[str, str]]] = {
    ("position-swap", "power-down"): HOLD,
    ("position-swap", "memory-swap"): HOLD,
    ("power-down", "position-swap"): HOLD,
    ("memory-swap", "position-swap"): HOLD,
    ("power-down", "memory-swap"): CAUTION,
    ("memory-swap", "power-down"): CAUTION,
    ("power-down", "service-visit"): CAUTION,
    ("service-visit", "power-down"): CAUTION,
}


@pytest.mark.parametrize("action", ACTIONS)
@pytest.mark.parametrize("kind", ACTIONS)
def test_what_goes_together_and_what_does_not(action: Action, kind: Action) -> None:
    assert found(asked(action, planned(kind))) == PAIRS.get((action, kind), [])


@pytest.mark.parametrize(
    ("start", "off_for", "clashes"),
    [
        pytest.param(AT - HOUR, HOUR, False, id="over-as-it-begins"),
        pytest.param(AT - HOUR, HOUR + MICROSECOND, True, id="over-a-microsecond-later"),
        pytest.param(END, HOUR, False, id="begins-as-it-ends"),
        pytest.param(END - MICROSECOND, HOUR, True, id="begins-a-microsecond-before"),
        pytest.param(AT - DAY, 9 * DAY, True, id="all-around-it"),
        pytest.param(AT + HOUR, timedelta(), True, id="a-moment-within-it"),
        pytest.param(END, timedelta(), False, id="a-moment-at-its-end"),
        pytest.param(AT, timedelta.max, True, id="without-end"),
    ],
)
@pytest.mark.parametrize(("action", "kind"), [("position-swap", "power-down"), ("service-visit", "power-down")])
def test_both_sides_of_each_boundary(
    start: datetime,
    off_for: timedelta,
    clashes: bool,  # noqa: FBT001
    action: Action,
    kind: Action,
) -> None:
    assert bool(found(asked(action, planned(kind, start, off_for)))) == clashes


@pytest.mark.parametrize(
    ("powered", "holds"),
    [
        pytest.param(Powered(on=False, since=NOW - HOUR, source="marked powered-off by Ana"), True, id="known-off"),
        pytest.param(Powered(None, None), False, id="not-known"),
        pytest.param(LONG_ON, False, id="known-on"),
    ],
)
def test_position_cells_wait_for_power_that_is_known_to_be_off(powered: Powered, holds: bool) -> None:  # noqa: FBT001
    assert found(asked("position-swap", powered=powered)) == (HOLD if holds else [])
    assert found(asked("service-visit", powered=powered)) == []


@pytest.mark.parametrize(
    ("since_over", "cautions"),
    [(-MICROSECOND, False), (timedelta(), True), (HOUR / 2 - MICROSECOND, True), (HOUR / 2, False)],
)
def test_a_memory_cell_is_not_changed_too_soon_after_a_planned_power_down(
    since_over: timedelta, *, cautions: bool
) -> None:
    over = AT - since_over
    of = asked("memory-swap", planned("power-down", over - HOUR), powered=LONG_ON)
    (caution,) = of.findings("not-powered-long-enough") or (None,)
    assert (caution is not None and caution.level == "caution") == cautions
    if caution is not None:
        assert caution.turns_at == over + HOUR / 2
    for other in (planned("power-down", over - HOUR)._replace(arms=("arm-09",)), planned("service-visit", over - HOUR)):
        assert not asked("memory-swap", other, powered=LONG_ON).findings("not-powered-long-enough")
    assert not asked("power-down", planned("power-down", over - HOUR)).findings("not-powered-long-enough")


def test_an_event_does_not_contradict_itself_nor_its_equal() -> None:
    own, equal = planned("power-down", off_for=8 * HOUR), planned("power-down", off_for=8 * HOUR, number=2)
    assert found(asked("power-down", own, equal, own="ev-1")) == []


def test_two_events_of_one_kind_with_other_times_are_told_where_one_of_them_is_judged() -> None:
    own, other = planned("power-down", off_for=8 * HOUR), planned("power-down", AT + HOUR, number=2)
    assert found(asked("power-down", own, other, own="ev-1")) == CAUTION
    assert found(asked("power-down", own, other)) == []


def finding(of: Given) -> Finding:
    (only,) = [each for each in of.verdict.findings if each.code in ("power-must-stay-on", "event-conflict")]
    return only


def test_the_message_names_a_few_and_the_evidence_all() -> None:
    told = finding(asked("position-swap", *(planned("power-down", AT + n * HOUR, number=n) for n in range(1, 6))))
    assert told.evidence == {"events": [f"ev-{n}" for n in range(1, 6)]}
    assert "ev-1, power-down (Stop), which begins 1 h later; " in told.message
    assert told.message.endswith("; 2 more.")


@pytest.mark.parametrize(
    ("start", "told"),
    [
        (AT - HOUR, "which begins 1 h earlier"),
        (AT, "which begins at the same time"),
        (AT + HOUR, "which begins 1 h later"),
    ],
)
def test_the_message_tells_when_the_other_begins_and_no_time_of_another_zone(start: datetime, told: str) -> None:
    message = finding(asked("position-swap", planned("power-down", start, off_for=2 * HOUR))).message
    assert message.endswith(f"ev-1, power-down (Stop), {told}.")


def test_the_answer_holds_until_the_event_would_overlap_to_the_microsecond() -> None:
    of = asked("power-down", planned("memory-swap", AT + 10 * HOUR))
    assert of.verdict.level == "clear"
    assert (of.verdict.holds_until, of.verdict.then) == (AT + 2 * HOUR + MICROSECOND, "caution")


def test_a_hold_by_a_plan_ends_with_the_event() -> None:
    of = asked("position-swap", planned("power-down", AT, 5 * HOUR))
    assert (of.verdict.level, of.verdict.holds_until, of.verdict.then) == ("hold", AT + 5 * HOUR, "clear")


def test_a_person_answers_for_the_very_events_and_no_others() -> None:
    answered = sign_off("power-must-stay-on", subject="events: ['ev-1']", until=AT + DAY)
    covered = asked("position-swap", planned("power-down"), sign_offs=(answered,))
    assert covered.verdict.level == "caution"
    other = asked("position-swap", planned("power-down", number=2), sign_offs=(answered,))
    assert other.verdict.level == "hold"


@pytest.mark.parametrize("code", ["power-must-stay-on", "event-conflict"])
def test_the_codes_are_explained(plant: Plant, code: str) -> None:
    assert EXPLANATIONS[code].title in plant.run("explain", code).out


def test_a_person_answers_for_one_time_off_and_not_for_the_next() -> None:
    off = Powered(on=False, since=NOW - HOUR, source="marked powered-off")
    (told,) = (
        each for each in asked("position-swap", powered=off).verdict.findings if each.code == "power-must-stay-on"
    )
    answered = sign_off("power-must-stay-on", subject=subject(told), until=AT + DAY)
    assert asked("position-swap", powered=off, sign_offs=(answered,)).verdict.level == "caution"
    again = off._replace(since=NOW - MINUTE)
    assert asked("position-swap", powered=again, sign_offs=(answered,)).verdict.level == "hold"


def test_power_that_is_off_hides_no_plan_to_take_it_away() -> None:
    off = Powered(on=False, since=NOW - HOUR, source="marked powered-off")
    of = asked("position-swap", planned("power-down"), powered=off)
    assert found(of) == HOLD * 2
    for each in of.findings("power-must-stay-on"):
        answered = sign_off("power-must-stay-on", subject=subject(each), until=AT + DAY)
        one = Given(of.facts._replace(sign_offs=(answered,)), of.question)
        assert [told.signed_off is not None for told in one.findings("power-must-stay-on")].count(True) == 1
        assert one.verdict.level == "hold"


@pytest.mark.parametrize(
    ("powered", "cautious"),
    [
        pytest.param(LONG_ON, True, id="on-since-before-as-somebody-marked"),
        pytest.param(Powered(on=True, since=NOW - HOUR), True, id="on-since-the-moment-at-which-it-began"),
        pytest.param(Powered(on=True, since=NOW - HOUR + MICROSECOND), False, id="it-came-on-since"),
    ],
)
def test_a_power_down_that_was_planned_until_just_now_counts(powered: Powered, cautious: bool) -> None:  # noqa: FBT001
    """It lasted an hour up to ten minutes ago, and nobody said that it was not done; 30 min of power are needed."""
    over = planned("power-down", NOW - HOUR, 50 * MINUTE)
    of = given(proven(), action="memory-swap", events=(over,), powered=powered)
    assert (of.verdict.level, of.verdict.holds_until) == (
        ("caution", NOW + 20 * MINUTE) if cautious else ("clear", of.verdict.holds_until)
    )
    then = of.question._replace(at=NOW + 20 * MINUTE)
    assert Given(of.facts, then).verdict.level == "clear"


# Through the command line


def plan(plant: Plant, kind: str, start: str, length: str, *words: str) -> None:
    done = plant.run("event", "add", "--kind", kind, "--start", start, "--for", length, *(words or ("--arm", "arm-07")))
    assert done.code == 0, done


def clashes(plant: Plant, arm: str, action: str, at: str) -> set[str]:
    return plant.ask(arm, action, "--at", at).codes & {"power-must-stay-on", "event-conflict"}


def test_a_change_of_position_cells_inside_a_power_down_is_held(plant: Plant) -> None:
    plant.save("arm-07")
    plant.ready()
    plant.run("mark", "powered-on", "arm-07")
    plan(plant, "power-down", "in 2h", "10h")
    assert clashes(plant, "arm-07", "position-swap", "in 3h") == {"power-must-stay-on"}
    assert clashes(plant, "arm-07", "position-swap", "in 13h") == set()
    assert clashes(plant, "arm-07", "service-visit", "in 3h") == {"event-conflict"}
    assert clashes(plant, "arm-07", "power-down", "in 3h") == set()


def test_what_is_planned_on_another_arm_does_not_count(plant: Plant) -> None:
    plant.save("arm-07")
    plant.ready()
    plan(plant, "power-down", "in 2h", "10h", "--arm", "arm-09")
    assert clashes(plant, "arm-07", "position-swap", "in 3h") == set()


def test_an_event_that_its_calendar_moves_to_another_arm_counts_there(plant: Plant) -> None:
    from guard.clock import now
    from tests.calendars import calendar, entry

    plant.save("arm-07")
    plant.save("arm-09")
    plant.ready()
    start = now() + 2 * HOUR
    for arm in ("arm-07", "arm-09"):
        stop = entry(f"DTSTART:{start:%Y%m%dT%H%M00Z}", "DURATION:PT10H", summary=f"power-down {arm}")
        (plant.root / "plan.ics").write_bytes(calendar(stop))
        plant.run("event", "import", "plan.ics")
    assert clashes(plant, "arm-07", "position-swap", "in 3h") == set()
    assert clashes(plant, "arm-09", "position-swap", "in 3h") == {"power-must-stay-on"}


# One person on two arms


def visit(number: int, *arms: str, people: tuple[str, ...] = ("ana",), **changes: Any) -> PlannedEvent:
    event = PlannedEvent(f"ev-{number}", "service-visit", AT, 4 * HOUR, arms, "Visit", people=people)
    return event._replace(**changes)


@pytest.mark.parametrize(
    ("other", "clashes"),
    [
        pytest.param(visit(2, "arm-09"), True, id="another-arm"),
        pytest.param(visit(2, "arm-09", people=("ben", "ana")), True, id="one-of-several"),
        pytest.param(visit(2, "arm-09", people=("ben",)), False, id="somebody-else"),
        pytest.param(visit(2, "arm-09", people=()), False, id="nobody-named"),
        pytest.param(visit(2, "arm-09", start=AT + 4 * HOUR), False, id="afterwards"),
        pytest.param(visit(2, "arm-07", "arm-09", kind="position-swap"), False, id="part-of-the-same-work"),
        pytest.param(visit(2, "arm-09", kind="power-down"), False, id="nothing-that-is-done-by-hand"),
    ],
)
def test_nobody_is_in_two_places_at_once(other: PlannedEvent, clashes: bool) -> None:  # noqa: FBT001
    of = asked("service-visit", visit(1, "arm-07"), other, own="ev-1")
    assert found(Given(of.facts, of.question._replace(off_for=4 * HOUR))) == (CAUTION if clashes else [])
    assert found(asked("service-visit", visit(1, "arm-07"), other)) == []


def test_what_is_planned_on_other_arms_for_the_same_people_is_known() -> None:
    here, there, elsewhere = visit(1, "arm-07"), visit(2, "arm-09"), visit(3, "arm-11", people=("ben",))
    known = by_arm([here, there, elsewhere, planned("power-down", number=4)])
    assert {arm: [event.id for event in events] for arm, events in known.items()} == {
        "arm-07": ["ev-1", "ev-4", "ev-2"],
        "arm-09": ["ev-2", "ev-1"],
        "arm-11": ["ev-3"],
    }


def test_attendees_of_a_calendar_are_the_people_of_its_events() -> None:
    from tests.calendars import entry, reading

    attendees = (
        "ATTENDEE;CN=Ana:mailto:Ana@plant.example",
        "ATTENDEE;PARTSTAT=DECLINED:mailto:ben@plant.example",
        "ATTENDEE;CUTYPE=ROOM:mailto:hall3@plant.example",
        'ATTENDEE;CN="Cho, K.":',
    )
    (event,) = reading(entry("DTSTART:20260601T060000Z", "DURATION:PT2H", *attendees)).events
    assert event.people == ("ana@plant.example", "Cho, K.")


def test_a_person_who_is_planned_twice_is_told_where_the_plan_is_judged(plant: Plant) -> None:
    plan(plant, "service-visit", "in 3h", "2h", "--arm", "arm-07", "--person", "Ana")
    plan(plant, "service-visit", "in 4h", "2h", "--arm", "arm-09", "--person", "Ana")
    (facts,) = Desk(load(str(plant.config))).facts(["arm-07"])
    first, second = facts.events
    assert (first.people, second.arms) == (("Ana",), ("arm-09",))
    answer = verdict(facts, Question(first.kind, first.start, first.off_for, first.id))
    assert "Ana cannot be at arm-07 and elsewhere" in next(
        each.message for each in answer.findings if each.code == "event-conflict"
    )


def test_what_was_foretold_of_the_end_of_a_power_down_holds_once_it_has_come(plant: Plant) -> None:
    assert plant.run("mark", "powered-on", "arm-07", "--at", (now() - 3 * DAY).isoformat()).code == 0
    for spare in ("memory-cell", "position-cell"):
        plant.run("cells", "stock", spare, "3")
    plan(plant, "power-down", (now() - 2 * HOUR + timedelta(seconds=3)).isoformat(), "2h")
    while "event-conflict" in (answer := plant.ask("arm-07", "memory-swap")).codes:
        pass  # for the seconds until it is over
    assert "not-powered-long-enough" in answer.codes
    later = plant.ask("arm-07", "memory-swap", "--at", (now() + 31 * MINUTE).isoformat())
    assert "not-powered-long-enough" not in later.codes
    plant.run("mark", "powered-on", "arm-07", "--at", (now() - 40 * MINUTE).isoformat())
    assert "not-powered-long-enough" not in plant.ask("arm-07", "memory-swap").codes
