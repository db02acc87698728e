"""`guard cells --chart`: the charge of the cells over the time to come, with the planned events on it, in characters.

A line for each cell and a column for each stretch of time. A digit is the charge at the end of
its column in tenths of what a new cell gives, so that nothing is told by colour alone.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta, tzinfo

from guard.cli.output import Line, visible
from guard.plan.charge_ahead import Ahead, Groups, Way, grouped
from guard.rules.evidence import MICROSECOND
from guard.times import day_shown, midnight, next_month, shown
from guard.units import in_words

MOST_CELLS = 20
"""More would fill more than a screen."""

LEAST_COLUMNS, MOST_COLUMNS = 20, 120
EMPTY, CHANGED = "_", "."


def columns_for(width: int) -> int:
    """How many columns of time fit beside the labels on a screen of that width."""
    return min(max(width - label_width(width) - 2, LEAST_COLUMNS), MOST_COLUMNS)


def label_width(width: int) -> int:
    """How wide the column with the names of the cells is."""
    return min(max(width // 3, 16), 34)


def chart(ahead: Ahead, cells: int, now: datetime, zone: tzinfo, width: int) -> Iterator[Line]:
    """The chart, and what stands in it. ``cells`` is how many there are, those without figures included."""
    yield Line("Charge left in the cells, with the planned events", style="head")
    if not ahead.ways:
        text = "No cell's charge can be told: write capacity-mah and standby-ua of its type into the configuration."
        yield Line(text, style="unknown-word", indent=1)
        return
    columns, wide = columns_for(width), label_width(width)
    step = (ahead.until - ahead.start) / columns
    groups = grouped(ahead, columns)
    yield from _legend(step)
    yield Line()
    yield _row("", _days(ahead.start, step, columns, zone), wide, "quiet")
    if groups:
        yield _row("events", _letters(groups, columns), wide, "quiet")
    for way in ahead.ways:
        label = visible(f"{way.arm}  {way.type}")
        label = label if len(label) < wide else f"{label[: wide - 3]}.."
        empty = way.empty_at is not None and way.empty_at <= ahead.until
        yield _row(label, _digits(way, groups, ahead.start, step, columns), wide, "hold-word" if empty else "")
    yield Line()
    for group in groups.values():
        yield Line(group.told(zone), label=f"{group.letter}  ", indent=1)
    yield from _ends(ahead, now, zone)
    yield from _others(ahead, cells, zone)


def _row(label: str, drawn: str, wide: int, style: str) -> Line:
    return Line(drawn, label=label, label_style=style, indent=1, label_width=wide)


def _legend(step: timedelta) -> Iterator[Line]:
    text = (
        f"Each column is {in_words(step)}. A digit is the charge at its end in tenths of what a new cell gives: 9 is 90 %"
        f" or more, 0 less than 10 %, {EMPTY} empty, {CHANGED} after the planned change of the cell. A letter is a"
        " planned event in which the mains of that arm go off."
    )
    yield Line(text, indent=1)


def _letters(groups: Groups, columns: int) -> str:
    return "".join(groups[column].letter if column in groups else " " for column in range(columns)).rstrip()


def _digits(way: Way, groups: Groups, start: datetime, step: timedelta, columns: int) -> str:
    found = []
    for column in range(columns):
        ends = start + (column + 1) * step - MICROSECOND
        if column in groups and any(event in way.events for event in groups[column].events):
            found.append(groups[column].letter)
        elif way.changed_at is not None and way.changed_at <= ends:
            found.append(CHANGED)
        else:
            found.append(_digit(_part(way, ends)))
    return "".join(found)


def _part(way: Way, at: datetime) -> float:
    """Between two moments a charge falls nearly evenly."""
    before = way.points[0]
    for point in way.points:
        if point.at >= at:
            share = (at - before.at) / (point.at - before.at) if point.at > before.at else 0.0
            return before.part + share * (point.part - before.part)
        before = point
    return before.part


def _digit(part: float) -> str:
    return EMPTY if part <= 0 else str(min(int(part * 10), 9))


def _days(start: datetime, step: timedelta, columns: int, zone: tzinfo) -> str:
    """The first of as many months as there is room for, each where it begins."""
    drawn = [" "] * (columns + len("|2026-12"))
    first, free = start.astimezone(zone).date().replace(day=1), 0
    while True:
        first = next_month(first)
        column = (midnight(first, zone) - start) // step
        if column > columns - len("|2026-12"):
            return "".join(drawn).rstrip()
        if column >= free:
            drawn[column : column + len("|2026-12")] = f"|{first:%Y-%m}"
            free = column + len("|2026-12") + 1


def _ends(ahead: Ahead, now: datetime, zone: tzinfo) -> Iterator[Line]:
    for way in ahead.ways:
        if way.empty_at is not None and way.empty_at <= ahead.until:
            at = f"about {day_shown(way.empty_at, zone)} (in {in_words(way.empty_at - now)})"
            empty = "is empty by its figures." if way.empty_at <= now else f"is expected to be empty {at}."
            yield Line(f"{way.arm} {way.type} {empty}", style="hold-word", indent=1)


def _others(ahead: Ahead, cells: int, zone: tzinfo) -> Iterator[Line]:
    until = shown(ahead.until, zone)
    if ahead.least_other is not None:
        other = "1 other cell has" if ahead.others == 1 else f"{ahead.others} other cells have each"
        yield Line(
            f"Shown are the {len(ahead.ways)} cells with the least charge left at {until}; {other} at least"
            f" {100 * ahead.least_other:.0f} % then.",
            indent=1,
        )
    without = cells - len(ahead.ways) - ahead.others
    if without:
        text = f"Not shown for want of an installed date or the figures of the type: {without}"
        yield Line(text, style="unknown-word", indent=1)
