"""From when to when may the backup of an arm begin, so that it counts when a planned event begins? Pure.

Early enough that it has settled and was read back by then, late enough that it is still fresh, and
not while another planned event keeps the arm's power off.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta, tzinfo
from functools import lru_cache

from guard.model import POWER_OFF, PlannedEvent
from guard.plan.events import LAST_MOMENT, end
from guard.record import Record
from guard.rules.evidence import earlier
from guard.times import earliest_reading, readings

MINUTE = timedelta(minutes=1)
DAY = timedelta(days=1)

SEEN_AND_READ = timedelta(minutes=15)
"""So long after it has settled a set has been found and read back by the monitor (common practice, no source)."""


class Span(Record):
    """From when on a backup may begin, and by when it must have ended. It may be empty.

    ``kept_off`` are the ids of other events that make it shorter.
    """

    first: datetime
    ends: datetime
    kept_off: tuple[str, ...] = ()


@lru_cache(maxsize=256)  # minute by minute up to a day, and asked for each arm anew
def counts_from(bound: datetime, grain: timedelta, zone: tzinfo) -> datetime:
    """The first minute from which on every set that is saved will be taken for saved at ``bound`` or later.

    A name's stamp tells its time only to its ``grain``, a minute, an hour or a day, in the plant's zone, and a
    time that the clocks show twice is read as the first of the two: a set may look older than it is by as much.
    """
    moment = whole_minute_from(bound)
    while _looks_like(moment, grain, zone) < bound or _is_shown_twice(moment, zone):
        moment += MINUTE
    return moment


def _looks_like(moment: datetime, grain: timedelta, zone: tzinfo) -> datetime:
    return earliest_reading(_local(_floor(moment, grain, zone), zone), zone)


def _is_shown_twice(moment: datetime, zone: tzinfo) -> bool:
    return len(readings(_local(moment, zone), zone)) > 1


def _local(moment: datetime, zone: tzinfo) -> datetime:
    return moment.astimezone(zone).replace(tzinfo=None)


def _floor(moment: datetime, grain: timedelta, zone: tzinfo) -> datetime:
    local = moment.astimezone(zone)
    whole = local.replace(second=0, microsecond=0)
    if grain > MINUTE:
        whole = whole.replace(minute=0)
    if grain >= DAY:
        whole = whole.replace(hour=0)
    return whole.astimezone(moment.tzinfo)


def ready_by(start: datetime, settle: timedelta) -> datetime:
    """By when a backup must have ended, to the minute, so that it has settled and was read back at ``start``."""
    by = earlier(start, settle, SEEN_AND_READ) or start
    return by.replace(second=0, microsecond=0)


def is_soon_enough(over: datetime, start: datetime) -> bool:
    """Whether what ends then leaves time for a backup that counts when an event starts, were it an instant's work."""
    return over < ready_by(start, timedelta())


def others_of(event: PlannedEvent, events: Iterable[PlannedEvent]) -> dict[str, list[PlannedEvent]]:
    """The other events in which the power of each arm goes off, in the order of their starts."""
    found: dict[str, list[PlannedEvent]] = {}
    for other in sorted(events, key=lambda each: each.start):
        if other.id != event.id and other.kind in POWER_OFF:
            for arm in dict.fromkeys(other.arms):
                found.setdefault(arm, []).append(other)
    return found


def span(event: PlannedEvent, others: Iterable[PlannedEvent], first: datetime, settle: timedelta) -> Span:
    """From ``first`` on, until it would be too late for the event, in what other events of the arm leave of that.

    Where one of them is over before, the backup waits for its end. Where one is not, the backup comes before it.
    """
    ends, kept_off = ready_by(event.start, settle), []
    for other in others:
        over, begins = end(other), ready_by(other.start, settle)
        if over <= first or other.start >= event.start or begins >= ends:
            continue
        if over < ends:
            first = whole_minute_from(over)
        else:
            ends = begins
        kept_off.append(other.id)
    return Span(first, ends, tuple(kept_off))


def whole_minute_from(moment: datetime) -> datetime:
    """The moment itself where it is a whole minute, else the next one."""
    cut = moment.replace(second=0, microsecond=0)
    return cut if cut == moment or moment > LAST_MOMENT - MINUTE else cut + MINUTE
