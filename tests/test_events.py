"""Planned events: added, listed and dropped; what the ledger keeps of them; and who is refused."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.model import ACTIONS, PlannedEvent
from guard.plan.events import (
    Noted,
    UnreadableEvent,
    as_added,
    as_dropped,
    end,
    is_over,
    not_configured,
    planned,
    same_as,
    within,
)
from tests.facts import DAY, HOUR, MICROSECOND, NOW
from tests.plant import Plant

EVENT = PlannedEvent("ev-3", "power-down", NOW + DAY, 8 * HOUR, ("arm-07", "arm-09"), "Summer shutdown")


def test_an_event_reads_back_as_it_was_added() -> None:
    assert planned([Noted(3, as_added(EVENT))]) == (EVENT,)


def test_a_dropped_event_is_planned_no_more_and_its_id_is_not_given_again() -> None:
    entries = [Noted(3, as_added(EVENT)), Noted(4, as_dropped(EVENT)), Noted(5, as_added(EVENT))]
    assert [event.id for event in planned(entries)] == ["ev-5"]


@given(st.permutations(range(5)), st.sets(st.integers(0, 4)))
def test_events_come_in_the_order_of_their_starts_whatever_the_order_of_the_entries(
    order: list[int], dropped: set[int]
) -> None:
    entries = [Noted(n, as_added(EVENT._replace(start=NOW + (7 - n) * HOUR))) for n in range(5)]
    entries += [Noted(10 + n, as_dropped(EVENT._replace(id=f"ev-{n}"))) for n in dropped]
    found = planned([entries[n] for n in order] + entries[5:])
    assert [event.id for event in found] == [f"ev-{n}" for n in range(4, -1, -1) if n not in dropped]


@pytest.mark.parametrize(
    "changes",
    [
        pytest.param({"kind": "holiday"}, id="a-kind-that-there-is-not"),
        pytest.param({"kind": None}, id="no-kind"),
        pytest.param({"start": "soon"}, id="no-time"),
        pytest.param({"off_for_s": "8h"}, id="a-duration-in-words"),
        pytest.param({"off_for_s": 1e300}, id="longer-than-any-calendar"),
        pytest.param({"arms": "arm-07"}, id="arms-that-are-no-list"),
        pytest.param({"verb": "postpone"}, id="a-verb-of-a-newer-version"),
    ],
)
def test_an_entry_that_cannot_be_understood_is_refused_and_not_passed_over(changes: dict[str, object]) -> None:
    with pytest.raises(UnreadableEvent):
        planned([Noted(3, as_added(EVENT) | changes)])


def test_at_its_last_moment_an_event_is_over_and_just_before_it_is_not() -> None:
    assert not is_over(EVENT, end(EVENT) - MICROSECOND)
    assert is_over(EVENT, end(EVENT))


@pytest.mark.parametrize(
    ("first", "last", "inside"),
    [
        pytest.param(NOW, None, True, id="to-come"),
        pytest.param(EVENT.start + HOUR, None, True, id="running"),
        pytest.param(EVENT.start + 8 * HOUR, None, False, id="over"),
        pytest.param(NOW, EVENT.start, True, id="begins-at-the-end-of-the-span"),
        pytest.param(NOW, EVENT.start - MICROSECOND, False, id="begins-just-after-the-span"),
    ],
)
def test_which_events_lie_in_a_span(first: Any, last: Any, inside: bool) -> None:  # noqa: FBT001
    assert bool(within((EVENT,), first, last)) == inside


def test_arms_that_are_not_configured_any_more_stay_in_the_event_and_are_told() -> None:
    assert not_configured(EVENT, {"arm-07"}) == ("arm-09",)


def test_the_same_arms_in_another_order_are_the_same_event() -> None:
    assert same_as(EVENT._replace(id="", arms=("arm-09", "arm-07")), (EVENT,)) == EVENT
    assert same_as(EVENT._replace(title="Winter shutdown"), (EVENT,)) is None
    assert same_as(EVENT._replace(people=("Ana",)), (EVENT,)) is None, "else who comes would be lost"


# Through the command line


def add(plant: Plant, *words: str, start: str = "2126-12-23 14:00") -> Any:
    return plant.run("event", "add", "--kind", "power-down", "--start", start, "--for", "2w", *words)


def listed(plant: Plant, *words: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = plant.run("event", "list", "--json", *words).json["events"]
    return found


def test_an_event_is_added_listed_and_dropped(plant: Plant) -> None:
    done = add(plant, "--all", "--title", "Winter shutdown")
    assert done.code == 0, done
    (event,) = listed(plant)
    assert event == {
        "id": "ev-1",
        "kind": "power-down",
        "start": "2126-12-23T13:00:00Z",
        "end": "2127-01-06T13:00:00Z",
        "arms": ["arm-07", "arm-09"],
        "title": "Winter shutdown",
        "source": "added by hand",
        "uid": None,
    }

    dropped = plant.run("event", "drop", "ev-1")

    assert (dropped.code, dropped.out.split("\n")[0].split(", ")[0]) == (0, "Dropped: ev-1")
    assert listed(plant) == []
    assert plant.run("event", "drop", "ev-1").code == 2
    kinds = [entry["kind"] for entry in plant.run("ledger", "show", "--json").json["entries"]]
    assert kinds == ["event", "event"]


@pytest.mark.parametrize("kind", ACTIONS)
def test_every_kind_of_event_can_be_planned(plant: Plant, kind: str) -> None:
    done = plant.run("event", "add", "--kind", kind, "--start", "in 36h", "--for", "30m", "--arm", "arm-07", "arm-09")
    assert done.code == 0, done
    assert [(event["kind"], event["arms"]) for event in listed(plant)] == [(kind, ["arm-07", "arm-09"])]


def test_the_same_event_is_not_planned_twice(plant: Plant) -> None:
    add(plant, "--area", "finishing")
    again = add(plant, "--arm", "arm-09", "--arm", "arm-07")
    assert (again.code, again.out.split(":")[0]) == (0, "Planned already, nothing was added")
    assert [event["id"] for event in listed(plant)] == ["ev-1"]


def test_the_list_leaves_out_what_lies_outside_its_span(plant: Plant) -> None:
    add(plant, "--all")
    assert listed(plant, "--to", "2126-12-23 13:59") == []
    assert listed(plant, "--from", "2127-01-06 14:00") == []
    assert len(listed(plant, "--from", "2127-01-06 13:59")) == 1


def test_an_arm_that_left_the_configuration_is_told_in_the_list(plant: Plant) -> None:
    add(plant, "--all")
    plant.arms = ("arm-07",)
    plant.configure()
    assert "arm-07, arm-09; not in the configuration any more: arm-09" in plant.run("event", "list").out
    assert listed(plant)[0]["arms"] == ["arm-07", "arm-09"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        pytest.param(["--start", "2020-01-01 06:00", "--for", "8h", "--all"], "an event that is over", id="over"),
        pytest.param(["--start", "in 2h", "--for", "0h", "--all"], "the duration '0h'", id="no-duration"),
        pytest.param(["--start", "in 2h", "--for", "9999y", "--all"], "no calendar", id="ends-after-the-calendar"),
        pytest.param(["--start", "in 2h", "--for", "8h"], "which arm", id="no-arm"),
        pytest.param(["--start", "in 2h", "--for", "8h", "--arm", "arm-8"], "No arm is called", id="unknown-arm"),
        pytest.param(["--start", "in 2h", "--for", "8h", "--area", "paint"], "The areas are", id="unknown-area"),
        pytest.param(["--start", "2126-03-31 02:30", "--for", "8h", "--all"], "does not exist", id="skipped-by-dst"),
    ],
)
def test_what_cannot_be_planned_is_refused_and_nothing_is_written(plant: Plant, words: list[str], told: str) -> None:
    done = plant.run("event", "add", "--kind", "power-down", *words)
    assert (done.code, told in done.err) == (2, True), done.err
    assert listed(plant, "--from", "2000-01-01 00:00") == []


def test_a_running_event_can_be_planned_late(plant: Plant) -> None:
    from guard.clock import now

    start = (now() - timedelta(hours=1)).isoformat(timespec="seconds")
    done = plant.run("event", "add", "--kind", "power-down", "--start", start, "--for", "8h", "--all")
    assert done.code == 0, done
    assert len(listed(plant)) == 1


def test_a_title_cannot_steer_the_terminal(plant: Plant) -> None:
    add(plant, "--all", "--title", "\x1b[2J")
    assert "(\\x1b[2J)" in plant.run("event", "list").out


def test_an_event_that_was_altered_in_the_ledger_stops_the_list(plant: Plant) -> None:
    import sqlite3

    add(plant, "--all")
    connection = sqlite3.connect(plant.root / "state" / "ledger.db")
    connection.execute("UPDATE entries SET body='{}'")
    connection.commit()
    connection.close()
    done = plant.run("event", "list")
    assert (done.code, "entry 1" in done.err) == (1, True), done.err
    asked = plant.ask("arm-07", "position-swap")
    assert (asked.code, "entry 1" in asked.err, asked.out) == (1, True, "")
    assert plant.run("swap", "show", "arm-07").code == 0
