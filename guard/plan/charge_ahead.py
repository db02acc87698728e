"""How the charge of the cells goes on from now on, with the planned events on its way. Pure.

Between events the mains are off for the usual part of the time, and while an event lasts for all of
it. A cell's way ends with the swap that is planned to change it.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta, tzinfo
from itertools import pairwise

from guard.model import FittedCell, PlannedEvent
from guard.physics import cell_life
from guard.physics.cell_life import Period
from guard.plan.events import end
from guard.record import Record
from guard.rules.outlook import HOUR, Outlook, depletion
from guard.rules.spares import SWAPPED
from guard.times import shown
from guard.units import in_words

SHORTEST, LONGEST = timedelta(days=365.25), timedelta(days=3652.5)
"""So far is looked ahead at least and at most."""

EMPTY_WITHIN = timedelta(days=5 * 365.25)
"""A cell that is expected to be empty within five years is followed until then."""


class Held(Record):
    """A cell whose charge can be told, and what it holds."""

    arm: str
    cell: FittedCell
    of: Outlook

    @property
    def new_mah(self) -> float:
        """What a new one gives."""
        return (self.cell.type.capacity_mah or 0.0) * self.cell.type.usable


class Point(Record):
    """The part of what a new cell gives that is left at a moment: 1 for all, 0 for nothing."""

    at: datetime
    part: float


class Way(Record):
    """The charge of one cell at some moments. ``events`` are those in which its mains go off, until it is changed.

    ``empty_at`` is when it is expected to be empty with these events; None for never, or not before it is changed.
    """

    arm: str
    type: str
    points: tuple[Point, ...]
    events: tuple[PlannedEvent, ...]
    changed_at: datetime | None
    empty_at: datetime | None


class Ahead(Record):
    """The cells with the least charge left at the end of the time that is looked ahead, those first.

    ``others`` is how many cells are not among them, and ``least_other`` what the worst of these has left then.
    """

    start: datetime
    until: datetime
    ways: tuple[Way, ...]
    others: int
    least_other: float | None


LETTERS = "ABCDEFGHIJKLMNOPQRSTUVWXYZ"
MORE = "+"
"""Stands for the events of a column where the letters are used up."""


class Group(Record):
    """The events that begin in one column of a chart, under one letter."""

    letter: str
    events: tuple[PlannedEvent, ...]

    def told(self, zone: tzinfo) -> str:
        """The first of them in words, and how many more there are."""
        first, last = self.events[0], self.events[-1]
        title = f" ({first.title})" if first.title else ""
        count = len({arm for event in self.events for arm in event.arms})
        text = f"{first.kind}{title}, {shown(first.start, zone)}, for {in_words(first.off_for)}"
        if len(self.events) > 1:
            text += f", and {len(self.events) - 1} more until {shown(last.start, zone)}"
        return f"{text} ({count} arm{'' if count == 1 else 's'})"


Groups = dict[int, Group]
"""The groups of events by their columns, in the order of time."""


def grouped(of: Ahead, columns: int) -> Groups:
    """The events of all ways, by the column in which each begins where so many are drawn."""
    step = (of.until - of.start) / columns
    found: dict[int, list[PlannedEvent]] = {}
    events = dict.fromkeys(event for way in of.ways for event in way.events)
    for event in sorted(events, key=lambda event: (event.start, event.id)):
        column = min(max((event.start - of.start) // step, 0), columns - 1)
        found.setdefault(column, []).append(event)
    return {
        column: Group(LETTERS[number] if number < len(LETTERS) else MORE, tuple(found[column]))
        for number, column in enumerate(sorted(found))
    }


def ahead(held: Sequence[Held], planned: Sequence[PlannedEvent], now: datetime, most: int, points: int) -> Ahead:
    """The ways of at most so many cells, each at so many moments of equal distance besides its turns."""
    until = _until(held, planned, now)
    left = sorted(((_left(each, until - now), each) for each in held), key=lambda pair: (pair[0], pair[1].arm))
    step = (until - now) / max(points - 1, 1)
    moments = [now + number * step for number in range(points)]
    worst = [each for _, each in left[:most]]
    of_arm = {each.arm: [event for event in planned if each.arm in event.arms] for each in worst}
    ways = tuple(_way(each, of_arm[each.arm], now, until, moments) for each in worst)
    return Ahead(now, until, ways, len(left) - len(ways), left[most][0] if len(left) > most else None)


def _until(held: Iterable[Held], planned: Iterable[PlannedEvent], now: datetime) -> datetime:
    """Far enough for all planned events, and for the first cell that will be empty where that is not too far."""
    spans = [end(event) - now for event in planned]
    first = min((empty.at for each in held if (empty := depletion(each.of, now)) is not None), default=None)
    if first is not None and first - now <= EMPTY_WITHIN:
        spans.append((first - now) * 1.1)
    return now + min(max([SHORTEST, *spans]), LONGEST)


def _left(each: Held, span: timedelta) -> float:
    """What is left of a cell at the end, the planned events aside."""
    return _part(each, cell_life.later(each.of.charge, each.of.rates, Period(span / HOUR, each.of.off)).mah)


def _part(each: Held, mah: float) -> float:
    return min(mah / each.new_mah, 1.0) if each.new_mah > 0 else 0.0


def _way(each: Held, planned: list[PlannedEvent], now: datetime, until: datetime, moments: list[datetime]) -> Way:
    kind = each.cell.type.kind
    swaps = [event.start for event in planned if SWAPPED.get(event.kind) == kind and now <= event.start <= until]
    changed_at = min(swaps, default=None)
    last = changed_at or until
    off = [event for event in planned if event.kind != "position-swap" and event.start <= last and end(event) > now]
    turns = {moment for event in off for moment in (event.start, end(event)) if now < moment < last}
    stops = sorted({now, last, *turns, *(moment for moment in moments if moment < last)})
    left, points, periods = each.of.charge, [Point(now, _part(each, each.of.charge.mah))], []
    for before, moment in pairwise(stops):
        is_off = any(event.start <= before < end(event) for event in off)
        periods.append(Period((moment - before) / HOUR, 1.0 if is_off else each.of.off))
        left = cell_life.later(left, each.of.rates, periods[-1])
        points.append(Point(moment, _part(each, left.mah)))
    empty = cell_life.empty_after(each.of.charge, each.of.rates, periods, each.of.off)
    empty_at = None if empty is None else cell_life.moment_after(now, empty.after_h)
    if changed_at is not None and empty_at is not None and empty_at >= changed_at:
        empty_at = None
    return Way(each.arm, each.cell.type.name, tuple(points), tuple(off), changed_at, empty_at)
