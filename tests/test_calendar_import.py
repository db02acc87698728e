"""`guard event import`: twice is once, what changed changes, and what is in doubt stays planned."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.model import PlannedEvent
from guard.plan.calendar import Read, changes
from guard.plan.events import Noted, as_added, as_changed, as_dropped, as_removed, plan
from tests.calendars import calendar, entry
from tests.facts import DAY, HOUR, NOW
from tests.plant import Plant

SHUTDOWN = entry(
    "DTSTART;TZID=Europe/Berlin:21261221T060000", "DTEND;TZID=Europe/Berlin:21270104T060000", "LOCATION:finishing",
    summary="Power-down: winter",
)  # fmt: skip
VISIT = entry("DTSTART:21261205T080000Z", "DURATION:PT4H", uid="2@plant", summary="service-visit arm-07")


def take(plant: Plant, *parts: str, name: str = "plan.ics") -> Any:
    """Import a calendar of these components; what came of it."""
    (plant.root / name).write_bytes(calendar(*parts))
    done = plant.run("event", "import", name, "--json")
    assert done.code == 0, done
    return done.json


def listed(plant: Plant, *words: str) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = plant.run("event", "list", "--json", *words).json["events"]
    return found


def kinds(plant: Plant) -> list[str]:
    return [each["kind"] for each in plant.run("ledger", "show", "--last", "0", "--json").json["entries"]]


def test_an_entry_becomes_an_event_as_the_contract_lists_it(plant: Plant) -> None:
    take(plant, SHUTDOWN)
    (event,) = listed(plant)
    assert event == {
        "id": "ev-1",
        "kind": "power-down",
        "start": "2126-12-21T05:00:00Z",
        "end": "2127-01-04T05:00:00Z",
        "arms": ["arm-07", "arm-09"],
        "title": "Power-down: winter",
        "source": str(plant.root / "plan.ics"),
        "uid": "1@plant",
    }


def test_importing_twice_changes_nothing(plant: Plant) -> None:
    take(plant, SHUTDOWN, VISIT)
    before = kinds(plant)
    again = take(plant, SHUTDOWN, VISIT)
    assert (again["added"], again["changed"], again["removed"], again["unchanged"]) == ([], [], [], 2)
    assert kinds(plant) == before == ["event", "event", "calendar"]


def test_a_changed_entry_changes_its_event_which_keeps_its_id(plant: Plant) -> None:
    take(plant, SHUTDOWN, VISIT)
    moved = take(plant, SHUTDOWN.replace("21261221T06", "21261221T08"), VISIT)
    assert ([event["id"] for event in moved["changed"]], moved["added"], moved["removed"]) == (["ev-2"], [], [])
    assert [(event["id"], event["start"]) for event in listed(plant)] == [
        ("ev-1", "2126-12-05T08:00:00Z"),
        ("ev-2", "2126-12-21T07:00:00Z"),
    ]


def test_a_removed_or_cancelled_entry_drops_its_event_and_no_other_files(plant: Plant) -> None:
    take(plant, SHUTDOWN, VISIT)
    take(plant, SHUTDOWN, name="other.ics")
    plant.run("event", "add", "--kind", "power-down", "--start", "2126-12-21 06:00", "--for", "2w", "--all")
    removed = take(plant, SHUTDOWN.replace("END:VEVENT", "STATUS:CANCELLED\nEND:VEVENT"))
    assert [event["uid"] for event in removed["removed"]] == ["2@plant", "1@plant"]
    assert {Path(event["source"]).name for event in listed(plant)} == {"other.ics", "added by hand"}


def test_a_recurrence_is_listed_expanded(plant: Plant) -> None:
    series = entry(
        "DTSTART;TZID=Europe/Berlin:20260105T060000", "DURATION:PT1H", "RRULE:FREQ=WEEKLY", summary="service-visit arm-07"
    )  # fmt: skip
    first = take(plant, series)
    found = listed(plant)
    assert (len(found) in (56, 57, 58), len(first["added"]) == len(found)) == (True, True)
    assert len({event["id"] for event in found}) == len(found)
    assert first["until"] is not None
    assert take(plant, series)["unchanged"] == len(found)


@pytest.mark.parametrize(
    "spoil",
    [
        pytest.param(lambda _: VISIT.replace("DTSTART:2126", "DTSTART:soon"), id="broken"),
        pytest.param(lambda _: VISIT.replace("arm-07", "arm-77"), id="an-arm-that-there-is-not"),
        pytest.param(lambda _: VISIT.replace("UID:2@plant\n", ""), id="without-its-uid"),
        pytest.param(
            lambda _: VISIT.replace("DTSTART:", "DTSTART;TZID=Somewhere:").replace("00Z", "00"), id="unknown-zone"
        ),
    ],
)
def test_what_an_entry_planned_stays_planned_while_it_cannot_be_understood(
    plant: Plant, spoil: Callable[[str], str]
) -> None:
    take(plant, SHUTDOWN, VISIT)
    spoiled = take(plant, SHUTDOWN, spoil(VISIT))
    assert (spoiled["removed"], [event["uid"] for event in spoiled["kept"]]) == ([], ["2@plant"])
    assert [each["uid"] in ("2@plant", "") for each in spoiled["doubts"]] == [True]
    assert len(listed(plant)) == 2


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        pytest.param(None, "cannot be read", id="vanished"),
        pytest.param(b"", "BEGIN:VCALENDAR", id="emptied"),
        pytest.param(calendar(SHUTDOWN)[:-9], "END:VCALENDAR", id="cut-off"),
        pytest.param(calendar("X-FILLER:" + "x" * 3_000_000 + "\n"), "larger than 2.86 MiB", id="too-large"),
    ],
)
def test_a_file_that_cannot_be_taken_in_changes_nothing(plant: Plant, raw: bytes | None, why: str) -> None:
    plant.configure('[calendar]\nlargest = "3 MB"\n')
    take(plant, SHUTDOWN)
    (plant.root / "plan.ics").unlink()
    if raw is not None:
        (plant.root / "plan.ics").write_bytes(raw)
    done = plant.run("event", "import", "plan.ics")
    assert (done.code, why in done.err, done.out) == (2, True, ""), done
    assert len(listed(plant)) == 1


def test_a_pipe_in_the_place_of_a_file_holds_nobody_up(plant: Plant) -> None:
    os.mkfifo(plant.root / "plan.ics")
    done = plant.run("event", "import", "plan.ics")
    assert (done.code, "no plain file" in done.err) == (2, True), done


def test_an_event_dropped_by_hand_comes_back_only_when_its_entry_changes(plant: Plant) -> None:
    take(plant, VISIT)
    plant.run("event", "drop", "ev-1")
    again = take(plant, VISIT)
    assert ([event["uid"] for event in again["left_out"]], listed(plant)) == (["2@plant"], [])
    assert len(take(plant, VISIT.replace("PT4H", "PT5H"))["added"]) == 1
    assert [event["end"] for event in listed(plant)] == ["2126-12-05T13:00:00Z"]


def test_rules_of_the_configuration_say_what_entries_mean(plant: Plant) -> None:
    plant.configure('[[calendar.rules]]\nsummary = "works holiday"\nkind = "power-down"\narms = ["*"]\n')
    take(plant, entry("DTSTART;VALUE=DATE:21261224", summary="Works Holiday"))
    assert [(event["kind"], event["arms"]) for event in listed(plant)] == [("power-down", ["arm-07", "arm-09"])]


@pytest.mark.parametrize(
    ("rule", "told"),
    [
        pytest.param('summary = "("\nkind = "power-down"', "no regular expression", id="no-pattern"),
        pytest.param('kind = "power-down"', "has no pattern", id="without-a-pattern"),
        pytest.param('summary = "x"', "says nothing of what it finds", id="without-a-meaning"),
        pytest.param('summary = "x"\nkind = "party"', "none of the choices", id="an-unknown-kind"),
        pytest.param('summary = "x"\narms = ["arm-8"]', "'arm-8' is not defined", id="an-unknown-arm"),
        pytest.param('title = "x"', "no key that is known", id="an-unknown-key"),
    ],
)
def test_a_rule_that_cannot_serve_is_refused(plant: Plant, rule: str, told: str) -> None:
    plant.configure(f"[[calendar.rules]]\n{rule}\n")
    done = plant.run("event", "list")
    assert (done.code, told in done.err) == (2, True), done.err


def test_the_screen_tells_what_came_of_it_and_what_to_look_up(plant: Plant) -> None:
    hostile = entry(
        "DTSTART:21261205T080000Z", "DURATION:PT4H", uid="\x1b[2J", summary="power-down \x1b]0;x\x07 arm-77"
    )
    (plant.root / "plan.ics").write_bytes(calendar(SHUTDOWN, hostile))
    done = plant.run("event", "import", "plan.ics")
    assert done.code == 0, done
    assert "1 planned, 0 as before" in done.out
    assert "names no arm or area that is known; no arm is called arm-77 (UID \\x1b[2J)" in done.out
    assert "\x1b" not in done.out


@pytest.mark.parametrize(
    ("others", "told"), [(0, None), (1, "1 other entry plans nothing here"), (2, "2 other entries plan nothing here")]
)
def test_the_screen_counts_what_is_none_of_ours(plant: Plant, others: int, told: str | None) -> None:
    drills = [
        entry("DTSTART:21261206T080000Z", uid=f"{n}@drill", summary="Shutdown of the canteen") for n in range(others)
    ]
    (plant.root / "plan.ics").write_bytes(calendar(SHUTDOWN, *drills))
    done = plant.run("event", "import", "plan.ics")
    assert "1 planned, 0 as before" in done.out
    assert ("plans nothing here" in done.out or "plan nothing here" in done.out) is (told is not None)
    assert told is None or told in done.out


def test_a_newer_export_under_another_name_is_told_to_plan_everything_twice(plant: Plant) -> None:
    for name, parts in (("plan.ics", (SHUTDOWN,)), ("else.ics", (VISIT,)), ("plan (1).ics", (SHUTDOWN,))):
        (plant.root / name).write_bytes(calendar(*parts))
    told = [plant.run("event", "import", name).out for name in ("plan.ics", "else.ics", "plan (1).ics", "plan (1).ics")]
    older = plant.root / "plan.ics"
    assert ["have the same UIDs" in each for each in told] == [False, False, True, False]
    assert f"Entries of {older} have the same UIDs, and stay planned beside these." in told[2]
    assert f"guard event drop --calendar {older}" in told[2]


def test_the_list_and_the_report_tell_what_could_not_be_planned(plant: Plant) -> None:
    take(plant, entry("DTSTART:21261205T080000Z", "DURATION:PT4H", summary="power-down arm-77"))
    told = "it looks like a power-down and names no arm or area that is known; no arm is called arm-77"
    assert told in plant.run("event", "list").out
    plant.run("report", "--out", "reports")
    (page,) = (plant.root / "reports").glob("*.html")
    assert told in page.read_text(encoding="utf-8")
    assert plant.run("event", "drop", "--calendar", "plan.ics").code == 0
    assert told not in plant.run("event", "list").out
    assert plant.run("event", "drop", "--calendar", "plan.ics").code == 2


def test_markup_in_a_calendar_is_text_in_the_report(plant: Plant) -> None:
    title = "power-down arm-07 <script>alert(1)</script>"
    take(
        plant,
        entry("DTSTART:21261205T080000Z", "DURATION:PT4H", summary=title),
        entry("DTSTART:x", uid="<blink>", summary=title),
    )
    plant.run("report", "--out", "reports")
    (page,) = (plant.root / "reports").glob("*.html")
    text = page.read_text(encoding="utf-8")
    assert ("<script>alert" in text, "<blink>" in text, "&lt;script&gt;alert" in text) == (False, False, True)


def test_kill_9_while_importing_leaves_all_of_it_or_nothing(plant: Plant) -> None:
    many = [
        entry(f"DTSTART:2127{n % 12 + 1:02}{n % 28 + 1:02}T080000Z", "DURATION:PT1H", uid=f"{n}@plant")
        for n in range(600)
    ]
    (plant.root / "plan.ics").write_bytes(calendar(*many))
    ledger = plant.root / "state" / "ledger.db-wal"
    plant.run("event", "list")
    seen = set()
    for grown in (1, 20_000, 200_000):
        before = ledger.stat().st_size if ledger.exists() else 0
        process = subprocess.Popen(
            (sys.executable, "-m", "guard", "event", "import", "plan.ics"),
            cwd=plant.root, env={**os.environ, "GUARD_CONFIG": str(plant.config)}, stdout=subprocess.DEVNULL,
        )  # fmt: skip
        while process.poll() is None and (ledger.stat().st_size if ledger.exists() else 0) < before + grown:
            pass
        process.send_signal(signal.SIGKILL)
        process.wait()
        seen.add(len(listed(plant)))
    assert seen <= {0, 600}
    (plant.root / "plan.ics").write_bytes(calendar(*many))
    plant.run("event", "import", "plan.ics")
    assert len(listed(plant)) == 600
    assert plant.run("ledger", "check", "--json").json["intact"]


# The judgement alone


def planned(*events: PlannedEvent) -> Read:
    return Read("plan.ics", "", events)


def event(uid: str, at: int, recurrence: str = "", **more: Any) -> PlannedEvent:
    found = PlannedEvent("", "power-down", NOW + at * HOUR, 2 * HOUR, ("arm-07",), "", "plan.ics", uid, recurrence)
    return found._replace(**more)


def test_what_is_over_stays_as_it_was_planned() -> None:
    over = event("1", -2, id="ev-1")
    assert changes([over], (), planned(), NOW).removed == ()
    running = event("1", -1, id="ev-1")
    assert changes([running], (), planned(), NOW).removed == (running,)


def test_an_entry_that_is_moved_into_the_past_drops_its_event() -> None:
    assert changes([event("1", 5, id="ev-1")], (), planned(event("1", -5)), NOW).removed == (event("1", 5, id="ev-1"),)


def test_what_lies_beyond_a_shorter_horizon_stays_planned() -> None:
    far = event("1", 24 * 400, "2027", id="ev-1")
    assert changes([far], (), planned()._replace(until=NOW + 300 * DAY), NOW).kept == (far,)
    assert changes([far], (), planned()._replace(until=NOW + 500 * DAY), NOW).removed == (far,)


some = st.lists(
    st.builds(event, st.sampled_from("123"), st.integers(-3, 9), st.sampled_from(["", "a", "b"])),
    unique_by=lambda each: (each.uid, each.recurrence), max_size=6,
)  # fmt: skip


@given(some, some, st.frozensets(st.sampled_from("123")), st.booleans())
def test_taking_in_twice_is_taking_in_once(
    first: list[PlannedEvent],
    then: list[PlannedEvent],
    doubtful: frozenset[str],
    all_doubtful: bool,  # noqa: FBT001
) -> None:
    entries: list[Noted] = []

    def take_in(read: Read) -> bool:
        there = plan(entries)
        found = changes(there.events, there.dropped, read, NOW)
        for each in found.added:
            entries.append(Noted(len(entries) + 1, as_added(each)))
        for each in found.changed:
            entries.append(Noted(len(entries) + 1, as_changed(each)))
        for each in found.removed:
            entries.append(Noted(len(entries) + 1, as_removed(each)))
        return bool(found)

    take_in(planned(*first))
    before = {(each.uid, each.recurrence) for each in plan(entries).events}
    reading = planned(*then)._replace(doubtful=doubtful, all_doubtful=all_doubtful)
    take_in(reading)
    assert not take_in(reading)
    there = {(each.uid, each.recurrence): each for each in plan(entries).events}
    for each in then:
        if each.start + each.off_for > NOW:
            assert there[each.uid, each.recurrence].start == each.start
    if all_doubtful:
        assert before <= there.keys()
    assert {key for key in before if key[0] in doubtful} <= there.keys()


def test_an_event_dropped_because_its_calendar_lacks_it_is_not_one_dropped_by_hand() -> None:
    first = event("1", 5)
    by_calendar = plan([Noted(1, as_added(first)), Noted(2, as_removed(first._replace(id="ev-1")))])
    by_hand = plan([Noted(1, as_added(first)), Noted(2, as_dropped(first._replace(id="ev-1")))])
    assert (by_calendar.dropped, len(by_hand.dropped)) == ((), 1)
    assert changes((), by_hand.dropped, planned(first), NOW).added == ()
    assert changes((), by_calendar.dropped, planned(first), NOW).added == (first,)
