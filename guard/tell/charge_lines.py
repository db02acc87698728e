"""The charge of the cells over the time to come as a drawing: a line for each cell, the planned events across them.

The lines are told apart by their dashes and by the names at their ends, and by no colour.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, tzinfo
from itertools import cycle

from markupsafe import Markup, escape

from guard.names import visible
from guard.plan.charge_ahead import Ahead, Groups, Way, grouped
from guard.plan.events import end
from guard.tell.charge_words import COLUMNS, percent, told
from guard.times import midnight, next_month, shown

WIDE, LEFT, RIGHT = 1000, 52, 740
"""The drawing's width, and from where to where on it the time runs; the names stand to the right."""

TOP, HIGH, BOTTOM = 24, 240, 26
"""The room for the letters of the events, the height from an empty cell to a full one, and the room for the dates."""

NAME_HEIGHT = 19
"""How far apart two names are at least."""

DASHES = ("", "10 4", "3 3", "14 4 3 4", "7 7", "2 6", "14 3 3 3 3 3", "20 5")
"""One for each line; where there are more lines they begin anew."""

LONG_NAME = 30


def charge_lines(of: Ahead, zone: tzinfo) -> Markup:
    """The drawing; nothing where no cell's charge can be told."""
    if not of.ways:
        return Markup()
    groups = grouped(of, COLUMNS)
    height = TOP + HIGH + BOTTOM
    drawing = [
        f'<svg class="charge" viewBox="0 0 {WIDE} {height}" role="img" aria-labelledby="charge-title charge-desc">',
        f'<title id="charge-title">{_safe(f"Charge left in the cells until {shown(of.until, zone)}")}</title>',
        f'<desc id="charge-desc">{_safe(" ".join(told(way, zone) for way in of.ways))}</desc>',
        *_grid(of, zone),
        *(drawn for column, group in groups.items() for drawn in _events(of, groups, column, zone)),
        *_ways(of, zone),
        "</svg>",
    ]
    return Markup("\n".join(drawing))  # noqa: S704 - every text in it went through _safe


def _safe(text: str) -> Markup:
    return escape(visible(text))


def _x(of: Ahead, moment: datetime) -> float:
    return min(max(LEFT + (RIGHT - LEFT) * ((moment - of.start) / (of.until - of.start)), LEFT), RIGHT)


def _y(part: float) -> float:
    return TOP + HIGH * (1 - part)


def _grid(of: Ahead, zone: tzinfo) -> Iterator[str]:
    """A line for each quarter of a charge, and one for each month or year with as many dates as there is room for."""
    for quarter in range(5):
        y = _y(quarter / 4)
        yield f'<path class="day" d="M{LEFT} {y:.0f}H{RIGHT}"/>'
        yield f'<text class="date" x="{LEFT - 6}" y="{y + 4:.0f}" text-anchor="end">{25 * quarter} %</text>'
    free = float(LEFT)
    for first in _months(of, zone):
        x = _x(of, midnight(first, zone))
        if x >= free and x <= RIGHT - 30:
            yield f'<path class="day" d="M{x:.1f} {TOP}V{TOP + HIGH}"/>'
            yield f'<text class="date" x="{x:.1f}" y="{TOP + HIGH + 18}">{first:%b %Y}</text>'
            free = x + 80


def _months(of: Ahead, zone: tzinfo) -> Iterator[date]:
    first, last = of.start.astimezone(zone).date().replace(day=1), of.until.astimezone(zone).date()
    while first < last:
        first = next_month(first)
        yield first


def _events(of: Ahead, groups: Groups, column: int, zone: tzinfo) -> Iterator[str]:
    group = groups[column]
    first = group.events[0]
    left, right = _x(of, first.start), _x(of, max(map(end, group.events)))
    yield f"<g><title>{_safe(f'{group.letter}: {group.told(zone)}')}</title>"
    yield f'<rect class="off" x="{left:.1f}" y="{TOP}" width="{max(right - left, 2):.1f}" height="{HIGH}"/>'
    yield f'<path class="limit" d="M{left:.1f} {TOP - 4}V{TOP + HIGH}"/>'
    yield f'<text class="word" x="{left:.1f}" y="{TOP - 8}" text-anchor="middle">{group.letter}</text></g>'


def _ways(of: Ahead, zone: tzinfo) -> Iterator[str]:
    """The lines from the fullest at the top on, so that the names beside them stand in the order of their ends."""
    ways = sorted(zip(of.ways, cycle(DASHES), strict=False), key=lambda each: -each[0].points[-1].part)
    spare = TOP + HIGH + BOTTOM - NAME_HEIGHT * len(ways)
    name_y = 0.0
    for number, (way, dashes) in enumerate(ways):
        last = way.points[-1]
        x, y = _x(of, last.at), _y(last.part)
        name_y = max(min(y + 5, spare + NAME_HEIGHT * (number + 1) - 6), name_y + NAME_HEIGHT)
        line = "L".join(f"{_x(of, point.at):.1f} {_y(point.part):.1f}" for point in way.points)
        dash = f' stroke-dasharray="{dashes}"' if dashes else ""
        yield f'<g><title>{_safe(told(way, zone))}</title><path class="way" d="M{line}"{dash}/>'
        yield f'<path class="lead" d="M{x:.1f} {y:.1f}L{RIGHT + 14} {name_y - 5:.1f}"/>'
        if way.changed_at is not None:
            yield f'<circle class="way" cx="{x:.1f}" cy="{y:.1f}" r="4"/>'
        yield f'<text x="{RIGHT + 18}" y="{name_y:.1f}">{_safe(_name(way))}</text></g>'


def _name(way: Way) -> str:
    name = f"{way.arm} {way.type}"
    name = name if len(name) <= LONG_NAME else f"{name[: LONG_NAME - 1]}…"
    return f"{name} {'changed' if way.changed_at is not None else percent(way.points[-1].part)}"
