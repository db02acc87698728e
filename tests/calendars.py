"""Calendars for tests: written by hand, read as the tool reads them, without a plant on disk."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime
from zoneinfo import ZoneInfo

from guard.ical.read import Bounds, read
from guard.plan.calendar import Read, Reader
from guard.plant import CalendarRule

BERLIN = ZoneInfo("Europe/Berlin")
AREAS = {"arm-07": "finishing", "arm-09": "finishing", "arm-1": "paint shop", "arm-1.2": "paint"}

BERLIN_DESCRIBED = """BEGIN:VTIMEZONE
TZID:{name}
BEGIN:DAYLIGHT
TZOFFSETFROM:+0100
TZOFFSETTO:+0200
TZNAME:CEST
DTSTART:19700329T020000
RRULE:FREQ=YEARLY;BYDAY=-1SU;BYMONTH=3
END:DAYLIGHT
BEGIN:STANDARD
TZOFFSETFROM:+0200
TZOFFSETTO:+0100
TZNAME:CET
DTSTART:19701025T030000
RRULE:FREQ=YEARLY;BYDAY=-1SU;BYMONTH=10
END:STANDARD
END:VTIMEZONE
"""


def entry(*lines: str, uid: str = "1@plant", summary: str = "power-down arm-07") -> str:
    """One entry with these further lines."""
    return "\n".join(["BEGIN:VEVENT", f"UID:{uid}", f"SUMMARY:{summary}", *lines, "END:VEVENT", ""])


def calendar(*parts: str) -> bytes:
    """A calendar of these components."""
    text = "BEGIN:VCALENDAR\nVERSION:2.0\nPRODID:-//Ridgemoor//Plan//EN\n" + "".join(parts) + "END:VCALENDAR\n"
    return text.replace("\n", "\r\n").encode("utf-8", "surrogateescape")


def reading(
    *parts: str,
    now: datetime = datetime(2026, 1, 1, tzinfo=UTC),
    horizon: datetime = datetime(2027, 6, 1, tzinfo=UTC),
    rules: Iterable[CalendarRule] = (),
    zone: ZoneInfo = BERLIN,
    most: int = 5000,
) -> Read:
    """What a calendar of these components plans."""
    return read("plan.ics", calendar(*parts), Reader(AREAS, tuple(rules)), zone, now, Bounds(horizon, most))


def starts(found: Read) -> list[str]:
    """When the events of a reading begin, in UTC."""
    return [f"{event.start:%Y-%m-%dT%H:%MZ}" for event in found.events]


def whys(found: Read) -> list[tuple[str, int, str]]:
    """What was left: UID, line and why."""
    return [(left.uid, left.line, left.why) for left in found.left]
