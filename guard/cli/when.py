"""Reads the times that people write: RFC 3339, the plant's local time, ``tomorrow 06:00``, ``in 36h``, ``2h ago``."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta, timezone, tzinfo

from guard.cli.refusals import NoSuchTime, TimeTwice
from guard.errors import NotUnderstood
from guard.times import earliest_reading, readings
from guard.units import span

WEEKDAYS = ("monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday")

FORMS = (
    "Write 2026-12-03 06:00, tomorrow 06:00, friday 6:00, in 36h, now, or RFC 3339 with an offset; of what is past"
    " also yesterday 18:00 or 2h ago"
)

_SPOKEN = re.compile(r"([0-9]+(?:\.[0-9]+)?) ?(second|sec|minute|min|hour|day|week|year)s?")
_FROM_NOW = re.compile(rf"(?:in )?((?:{_SPOKEN.pattern})|[0-9]+(?:\.[0-9]+)? ?[smhdwy])(?: ago)?")

_RFC_3339 = re.compile(
    r"([0-9]{4})-([0-9]{2})-([0-9]{2})[tT ]([0-9]{2}):([0-9]{2}):([0-9]{2})(\.[0-9]+)?([zZ]|[+-][0-9]{2}:[0-9]{2})"
)
_WITH_OFFSET = re.compile(
    r"([0-9]{4}-[0-9]{2}-[0-9]{2})[tT ]([0-9]{2}:[0-9]{2})(?::[0-9]{2})?([zZ]|[+-][0-9]{2}:[0-9]{2})"
)
_LOCAL = re.compile(r"([0-9]{4})-([0-9]{2})-([0-9]{2})[tT ]([0-9]{1,2}):([0-9]{2})(?::([0-9]{2}))?")
_DAYS = {"yesterday": -1, "today": 0, "tomorrow": 1}
_DAY_AND_HOUR = re.compile(
    rf"(?:on )?(today|tomorrow|yesterday|{'|'.join(WEEKDAYS)})(?: at)? ([0-9]{{1,2}}):([0-9]{{2}})"
)


def parse_when(text: str, now: datetime, zone: tzinfo) -> datetime:
    """The instant, in UTC, that a person wrote.

    Raises NotUnderstood, and NoSuchTime or TimeTwice for a local time that a clock change
    skips or repeats.
    """
    words = " ".join(text.lower().split())
    try:
        if words == "now":
            return now
        if (match := _FROM_NOW.fullmatch(words)) and words.startswith("in ") != words.endswith(" ago"):
            return now + duration(match[1]) if words.startswith("in ") else now - duration(match[1])
        if match := _RFC_3339.fullmatch(words):
            return _rfc_3339(match)
        if match := _WITH_OFFSET.fullmatch(words):
            return datetime.fromisoformat(f"{match[1]}T{match[2]}").replace(tzinfo=_offset(match[3])).astimezone(UTC)
        if match := _LOCAL.fullmatch(words):
            return _instant(text, datetime(*(int(n or 0) for n in match.groups())), zone)  # type: ignore[arg-type]  # noqa: DTZ001
        if match := _DAY_AND_HOUR.fullmatch(words):
            return _on_day(text, match, now, zone)
    except (ValueError, OverflowError):
        raise NotUnderstood("", f"the time {text!r}, which no calendar has", FORMS) from None
    raise NotUnderstood("", f"the time {text!r}", FORMS)


def day_or_when(text: str, now: datetime, zone: tzinfo) -> datetime:
    """The instant that a person wrote, or the first one of a day such as ``2026-11-01``. Raises as ``parse_when`` does."""
    if re.fullmatch(r"[0-9]{4}-[0-9]{2}-[0-9]{2}", text.strip(), re.ASCII):
        try:
            return earliest_reading(datetime.fromisoformat(text.strip()), zone)
        except (ValueError, OverflowError):
            raise NotUnderstood(
                "", f"the day {text!r}, which no calendar has", "Write one such as 2026-11-01"
            ) from None
    return parse_when(text, now, zone)


def duration(text: str) -> timedelta:
    """A span as people write it: ``8h``, ``2 w``, ``2 weeks``, ``90 min``. Raises ValueError where it is none."""
    match = _SPOKEN.fullmatch(text.strip().lower())
    # The first letter of each spoken unit is the unit's own, as `units.span` knows it.
    return span(f"{match[1]}{match[2][0]}" if match else text)


def date_code(text: str, today: date) -> str:
    """The year and month in which a cell was made, as it says itself. Raises NotUnderstood."""
    match = re.fullmatch(r"([0-9]{4})-(0[1-9]|1[0-2])", text)
    if match is None or text > f"{today:%Y-%m}":
        raise NotUnderstood("", f"the date code {text!r}", f"Write year and month of making, such as {today:%Y-%m}.")
    return text


def _rfc_3339(match: re.Match[str]) -> datetime:
    second = int(match[6])
    local = datetime(*(int(match[n]) for n in range(1, 6)), min(second, 59), tzinfo=_offset(match[8]))  # type: ignore[arg-type,misc]
    whole = local.astimezone(UTC)
    fraction = timedelta(microseconds=int(f"{(match[7] or '.')[1:7]:0<6}"))
    if second < 60:
        return whole + fraction
    # A leap second has no number of its own in this calendar; the next second stands for it.
    after = whole + timedelta(seconds=1)
    if second > 60 or (after.day, after.hour, after.minute) != (1, 0, 0):
        raise ValueError(match[0])  # leap seconds end a month in UTC, RFC 3339 section 5.7
    return after + fraction


def _offset(text: str) -> timezone:
    if text in "zZ":
        return UTC
    sign = -1 if text[0] == "-" else 1
    hours, minutes = int(text[1:3]), int(text[4:6])
    if hours > 23 or minutes > 59:
        raise ValueError(text)
    return timezone(sign * timedelta(hours=hours, minutes=minutes))


def _on_day(text: str, match: re.Match[str], now: datetime, zone: tzinfo) -> datetime:
    today = now.astimezone(zone).date()
    hour, minute = int(match[2]), int(match[3])
    if match[1] in _DAYS:
        return _instant(text, _at(today + timedelta(days=_DAYS[match[1]]), hour, minute), zone)
    days = (WEEKDAYS.index(match[1]) - today.weekday()) % 7
    local = _at(today + timedelta(days=days), hour, minute)
    if local <= now.astimezone(zone).replace(tzinfo=None):
        local += timedelta(days=7)
    return _instant(text, local, zone)


def _at(day: date, hour: int, minute: int) -> datetime:
    return datetime(day.year, day.month, day.day, hour, minute)  # noqa: DTZ001


def _instant(text: str, local: datetime, zone: tzinfo) -> datetime:
    found = readings(local, zone)
    if len(found) == 1:
        return found[0]
    both = [_with_offset(local, zone, fold) for fold in (0, 1)]
    if found:
        raise TimeTwice(text, str(zone), *both)
    raise NoSuchTime(text, str(zone), *both)


def _with_offset(local: datetime, zone: tzinfo, fold: int) -> str:
    return local.replace(tzinfo=zone, fold=fold).isoformat(timespec="minutes")
