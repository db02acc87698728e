"""Local times and instants: the plant's zone at the edges, aware UTC inside. Pure."""

from __future__ import annotations

from datetime import UTC, date, datetime, time, timedelta, tzinfo

from guard.units import in_words


def readings(local: datetime, zone: tzinfo) -> tuple[datetime, ...]:
    """The instants, in UTC, at which a clock in the zone shows this naive time.

    One as a rule, two where the clocks go back over it, none where they go forward.
    """
    found = []
    for fold in (0, 1):
        instant = local.replace(tzinfo=zone, fold=fold).astimezone(UTC)
        if instant.astimezone(zone).replace(tzinfo=None) == local and instant not in found:
            found.append(instant)
    return tuple(sorted(found))


def earliest_reading(local: datetime, zone: tzinfo) -> datetime:
    """The earliest instant that a naive time in the zone can stand for; the careful one for an age."""
    both = [local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1)]
    return min(readings(local, zone) or both)


def midnight(day: date, zone: tzinfo) -> datetime:
    """When a day begins in the zone."""
    return datetime.combine(day, time(), tzinfo=zone).astimezone(UTC)


def next_month(day: date) -> date:
    """The first day of the month after."""
    return date(day.year + day.month // 12, day.month % 12 + 1, 1)


EPOCH = datetime(1970, 1, 1, tzinfo=UTC)


def from_ns(time_ns: int) -> datetime | None:
    """The moment of a file time in ns since 1970, cut to the microsecond; None outside the calendar."""
    try:
        return EPOCH + timedelta(microseconds=time_ns // 1000)
    except OverflowError:
        return None


def shown(moment: datetime, zone: tzinfo) -> str:
    """A moment as people in the plant read it: ``Wed 2026-11-25 08:00``."""
    try:
        return moment.astimezone(zone).strftime("%a %Y-%m-%d %H:%M")
    except OverflowError:  # the calendar's first or last hours, which not every zone has
        return moment.strftime("%a %Y-%m-%d %H:%M UTC")


def day_shown(moment: datetime, zone: tzinfo) -> str:
    """The day of what is not known to the hour: ``Wed 2026-11-25``."""
    return shown(moment, zone)[: len("Wed 2026-11-25")]


def shown_with_age(moment: datetime | None, now: datetime, zone: tzinfo) -> str:
    """A moment in the plant's zone with its distance from now in words."""
    if moment is None:
        return "at an unknown time"
    distance = now - moment
    words = in_words(distance)
    return f"{shown(moment, zone)} ({words} ago)" if distance >= timedelta() else f"{shown(moment, zone)} (in {words})"
