"""The plan as a calendar: read again by a library of its own, with verdicts, warnings and UIDs that stay."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from icalendar import Calendar

from guard.clock import now
from guard.desk import Desk
from guard.load import load
from guard.tell.agenda import NAME, keep_current
from guard.warn import evaluate
from tests.plant import ZONE, Plant
from tests.test_calendar_import import listed


def plan(plant: Plant, start: str = "in 3h", *words: str, kind: str = "power-down", title: str = "") -> None:
    arms = words or ("--arm", "arm-07")
    done = plant.run("event", "add", "--kind", kind, "--start", start, "--for", "8h", "--title", title, *arms)
    assert done.code == 0, done


def exported(plant: Plant, *words: str) -> list[Any]:
    done = plant.run("event", "export", *words)
    assert done.code == 0, done
    return list(Calendar.from_ical(done.raw).walk("VEVENT"))


def judged(plant: Plant) -> None:
    """As the monitor judges the plan now."""
    evaluate(Desk(load(str(plant.config))), now())


def summaries(plant: Plant) -> list[str]:
    return [str(each["SUMMARY"]) for each in exported(plant)]


def test_each_planned_event_is_there_with_its_verdict(plant: Plant) -> None:
    plant.save("arm-07")
    plant.ready()
    plan(plant, title="Shift change")
    plan(plant, "in 4h", "--all", title="Substation")
    plan(plant, "in 40h", "--arm", "arm-07", kind="service-visit")
    assert summaries(plant) == [
        "CAUTION: power-down: Shift change (arm-07)",
        "HOLD: power-down: Substation (arm-07, arm-09)",
        "HOLD (too early for its backup): service-visit (arm-07)",
    ]
    first, second, _ = exported(plant)
    assert first["DTEND"].dt - first["DTSTART"].dt == timedelta(hours=8)
    assert second["CATEGORIES"].to_ical() == b"power-down"
    assert "arm-09: HOLD: do not power down arm-09. What lifts it: save a backup" in second["DESCRIPTION"]
    assert "lockout/tagout" in second["DESCRIPTION"]
    begins = second["DTSTART"].dt.astimezone(ZoneInfo(ZONE)).isoformat()
    assert f"guard fleet --action power-down --at {begins} --off-for 8h" in second["DESCRIPTION"]


def test_an_arm_that_nobody_looks_after_is_unknown(plant: Plant) -> None:
    plant.save("arm-07")
    plant.ready()
    plan(plant, "in 3h", "--all")
    plant.save("arm-09")
    plant.look()
    plant.prove()
    plant.arms = ("arm-07",)
    plant.configure()
    assert summaries(plant) == ["UNKNOWN: power-down (arm-07, arm-09)"]


def test_a_blocking_warning_stands_before_its_event_with_what_lifts_it(plant: Plant) -> None:
    plant.init()
    plant.look()
    plan(plant, title="Shift change")
    judged(plant)
    event, warning = exported(plant)
    assert warning["SUMMARY"] == "BLOCKED, hold: power-down: Shift change, arm-07"
    assert warning["DTSTART"].dt < warning["DTEND"].dt == event["DTSTART"].dt
    assert "What lifts it:\n- no-backup: Save a backup of arm-07 to the share" in warning["DESCRIPTION"]
    assert "lockout/tagout" in warning["DESCRIPTION"]

    plant.save("arm-07")
    plant.look()
    plant.prove()
    judged(plant)
    assert len(exported(plant)) == 1


@pytest.mark.parametrize(
    "title", ["a,b;c\\d", "one\ntwo\r\nBEGIN:VEVENT", "\x1b[2J", "<script>alert(1)</script>", "ü" * 190]
)
def test_whatever_a_title_holds_it_stays_in_its_entry(plant: Plant, title: str) -> None:
    from guard.names import visible

    plan(plant, title=title)
    done = plant.run("event", "export")
    (event,) = Calendar.from_ical(done.raw).walk("VEVENT")
    assert visible(title) in event["SUMMARY"]
    assert max(map(len, done.raw.split(b"\r\n"))) <= 75


def test_what_says_the_same_is_not_written_anew_and_what_changed_is(plant: Plant) -> None:
    path = plant.root / "out.ics"
    plan(plant, "2126-12-21 06:00", title="Winter")
    plan(plant, "2126-12-20 06:00", title="Before")
    exported_to = ("event", "export", "--out", str(path))
    plant.run(*exported_to)
    before = path.read_bytes()
    plant.run(*exported_to)
    assert path.read_bytes() == before
    plant.run("event", "drop", "ev-2")
    plan(plant, "2126-12-20 08:00", title="Before")
    plant.run(*exported_to)
    uids = [_uids(raw) for raw in (before, path.read_bytes())]
    assert len(uids[0] & uids[1]) == 1
    assert _of(before, "Winter") == _of(path.read_bytes(), "Winter")


def _uids(raw: bytes) -> set[str]:
    return {str(each["UID"]) for each in Calendar.from_ical(raw).walk("VEVENT")}


def _of(raw: bytes, title: str) -> bytes:
    (found,) = [each for each in Calendar.from_ical(raw).walk("VEVENT") if title in each["SUMMARY"]]
    return bytes(found.to_ical())


def test_an_entry_whose_verdict_changes_keeps_its_uid_and_counts_on(plant: Plant) -> None:
    desk = Desk(load(str(plant.config)))
    plant.init()
    plan(plant)
    at = now()
    assert keep_current(desk, at)
    path = plant.root / "state" / NAME
    (before,) = Calendar.from_ical(path.read_bytes()).walk("VEVENT")
    plant.save("arm-07")
    plant.look()
    plant.prove()
    assert keep_current(desk, at + timedelta(minutes=5))
    (after,) = Calendar.from_ical(path.read_bytes()).walk("VEVENT")
    assert (after["UID"], after["SEQUENCE"]) == (before["UID"], before["SEQUENCE"] + 5)
    assert isinstance(after["DTSTAMP"].dt, datetime)
    assert not keep_current(desk, at + timedelta(minutes=9))


@pytest.mark.parametrize(
    "spoil", [lambda raw: raw[:-40], lambda raw: raw.replace(b"DTSTAMP", b"X-STAMP"), lambda _: b"x"]
)
def test_an_earlier_calendar_that_somebody_altered_is_written_anew(plant: Plant, spoil: Any) -> None:
    desk = Desk(load(str(plant.config)))
    plan(plant)
    keep_current(desk, now())
    path = plant.root / "state" / NAME
    whole = path.read_bytes()
    path.write_bytes(spoil(whole))
    assert keep_current(desk, now() + timedelta(minutes=1))
    assert _uids(path.read_bytes()) == _uids(whole)


def test_nothing_planned_begins_no_calendar_and_empties_one_that_is_there(plant: Plant) -> None:
    desk = Desk(load(str(plant.config)))
    assert not keep_current(desk, now())
    plan(plant)
    assert keep_current(desk, now())
    plant.run("event", "drop", "ev-1")
    assert keep_current(desk, now())
    assert _uids((plant.root / "state" / NAME).read_bytes()) == set()


def test_our_own_calendar_is_not_taken_in_again(plant: Plant) -> None:
    plan(plant, title="Winter")
    plant.run("event", "export", "--out", "out.ics")
    done = plant.run("event", "import", "out.ics", "--json")
    assert (done.code, done.json["added"], done.json["doubts"]) == (0, [], [])
    assert len(listed(plant)) == 1


def test_a_file_that_is_none_of_ours_is_left_as_it_is(plant: Plant) -> None:
    plan(plant)
    other: Path = plant.root / "plan.ics"
    other.write_text("BEGIN:VCALENDAR\nEND:VCALENDAR\n")
    done = plant.run("event", "export", "--out", str(other))
    assert (done.code, "left as it is" in done.err) == (2, True)
    assert other.read_text() == "BEGIN:VCALENDAR\nEND:VCALENDAR\n"
    assert plant.run("event", "export", "--out", "no/such/folder.ics").code == 1
