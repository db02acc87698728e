"""When is which job due? Judged from the time, the settings and what was done; no scheduler's memory counts. Pure.

A job of the night belongs to a day of the plant's calendar, its slot, and a slot is done once: on
days without that time of day (the clocks go forward over it) as well as on days that have it twice.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import UTC, date, datetime, time, timedelta, tzinfo

from guard.times import readings


def slot_start(day: date, minutes: int, zone: tzinfo) -> datetime:
    """The moment at which a job of that day begins, ``minutes`` after midnight by the plant's clocks.

    Of two such moments the first counts. Where the clocks skip that time, it is read with the
    offset from before they do, as RFC 5545 (3.3.5) reads it.
    """
    local = datetime.combine(day, time(minutes // 60, minutes % 60))
    found = readings(local, zone)
    return found[0] if found else local.replace(tzinfo=zone, fold=0).astimezone(UTC)


def slot(now: datetime, minutes: int, zone: tzinfo) -> date:
    """The newest day whose job has begun by now."""
    today = now.astimezone(zone).date()
    days = (today + timedelta(days=1), today, today - timedelta(days=1))
    return next((day for day in days if slot_start(day, minutes, zone) <= now), today - timedelta(days=2))


def is_slot_due(now: datetime, day: date, done: Mapping[str, datetime]) -> bool:
    """Takes as done only what was done at a time that is not in the future: a clock may have been wrong then."""
    at = done.get(day.isoformat())
    return at is None or at > now


def is_due(now: datetime, every: timedelta, last: datetime | None) -> bool:
    """Whether a job that recurs is due: never done, done in the future by a wrong clock, or long enough ago."""
    return last is None or last > now or now - last >= every
