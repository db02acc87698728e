"""The monitor and the calendars that it watches: taken in when they change, kept when they cannot be read."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

from guard.clock import now
from tests.calendars import calendar, entry
from tests.faults.daemon import QUICK, Daemon, has_logged, rows, until
from tests.plant import Plant

WATCH = QUICK + '\n[calendar]\nwatch = ["plan.ics", "calendars"]\n'


def soon(uid: str = "1@plant", *, arm: str = "arm-07", hours: int = 2) -> str:
    """A power-down of an arm within the next hours."""
    start = now() + timedelta(hours=3)
    return entry(f"DTSTART:{start:%Y%m%dT%H%M00Z}", f"DURATION:PT{hours}H", uid=uid, summary=f"power-down {arm}")


def put(path: Path, content: bytes) -> None:
    """Put a calendar in place as a careful program does."""
    new = path.with_suffix(".new")
    new.write_bytes(content)
    new.replace(path)


def events(plant: Plant) -> list[dict[str, Any]]:
    found: list[dict[str, Any]] = plant.run("event", "list", "--json").json["events"]
    return found


def planned(plant: Plant, *uids: str) -> Callable[[], bool]:
    return lambda: sorted(event["uid"] for event in events(plant)) == sorted(uids)


def blocked(plant: Plant, *arms: str) -> Callable[[], bool]:
    query = "SELECT arm FROM warnings WHERE lifted_at IS NULL ORDER BY arm"
    return lambda: [arm for (arm,) in rows(plant, query, "ledger.db")] == list(arms)


def test_a_changed_calendar_is_taken_in_and_judged_and_a_lost_one_changes_nothing(plant: Plant) -> None:
    plant.configure(WATCH)
    plant.init()
    (plant.root / "calendars").mkdir()
    plan, other = plant.root / "plan.ics", plant.root / "calendars" / "visits.ICS"
    put(plan, calendar(soon()))
    with Daemon(plant) as daemon:
        until("the calendar is taken in", planned(plant, "1@plant"))
        until("its event is judged", blocked(plant, "arm-07"))

        put(other, calendar(soon("2@plant", arm="arm-09")))
        until("a further file is taken in", blocked(plant, "arm-07", "arm-09"))
        put(plan, calendar(soon(arm="arm-09")))
        until("the changed event is judged anew", blocked(plant, "arm-09", "arm-09"))

        other.unlink()
        until("its loss is told", has_logged(daemon, "visits.ICS is gone"))
        put(plan, calendar(soon(arm="arm-09"))[:-30])
        until("a calendar that is cut off is told", has_logged(daemon, "does not end with END:VCALENDAR"))
        put(plan, calendar())
        until("an emptied calendar is told", has_logged(daemon, "it holds no entries any more"))
        assert planned(plant, "1@plant", "2@plant")()
        assert rows(plant, "SELECT detail FROM heartbeats WHERE part='calendars'")[0][0].count("stays planned") == 2

        put(plan, calendar(soon("3@plant")))
        until("what replaces it is taken in", planned(plant, "2@plant", "3@plant"))
        until("that it is back is told", has_logged(daemon, "calendar-back"))
    assert plant.run("event", "drop", "--calendar", str(other)).code == 0
    assert planned(plant, "3@plant")()


def test_a_calendar_that_is_being_written_is_waited_for(plant: Plant) -> None:
    plant.configure(WATCH)
    plant.init()
    plan = plant.root / "plan.ics"
    whole = calendar(soon(), *(soon(f"{n}@other").replace("power-down", "lunch with") for n in range(2, 200)))
    with Daemon(plant) as daemon:
        with plan.open("wb") as file:
            for piece in range(0, len(whole), 2000):
                file.write(whole[piece : piece + 2000])
                file.flush()
                os.fsync(file.fileno())
        until("it is taken in once it is written", planned(plant, "1@plant"))
        assert "does not end" not in daemon.log


def test_the_plan_stands_in_the_state_folder_as_a_calendar_that_is_kept_current(plant: Plant) -> None:
    from icalendar import Calendar

    plant.configure(WATCH)
    plant.init()
    put(plant.root / "plan.ics", calendar(soon()))
    path = plant.root / "state" / "planned.ics"

    def told() -> list[str]:
        if not path.exists():
            return []
        return [str(each["SUMMARY"]).split(":")[0] for each in Calendar.from_ical(path.read_bytes()).walk("VEVENT")]

    with Daemon(plant) as daemon:
        until("the event and what blocks it are there", lambda: told() == ["HOLD", "BLOCKED, hold"])
        plant.save("arm-07")
        until("the block is gone once a backup is proven", lambda: told() in (["CLEAR"], ["CAUTION"]))
        written = path.stat().st_mtime_ns
        daemon.passes(3)
        assert path.stat().st_mtime_ns == written
