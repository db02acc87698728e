"""`guard cells`: how old every cell is, which are due, what to buy, and what is in stock."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from datetime import datetime, timedelta

from guard.cells import cells_of_all, costs_of_loss
from guard.cli import output, stock, verdicts
from guard.cli.ask import Run, duration
from guard.cli.output import Line
from guard.desk import Desk
from guard.load import load
from guard.model import USUAL_OFF, FittedCell, PlannedEvent
from guard.plan.events import is_over
from guard.record import Record
from guard.rules.cells import due_soon_at, installed_at, open_alarms
from guard.rules.evidence import MICROSECOND, later, seconds, utc
from guard.rules.outlook import HOUR, Depletion, Outlook, depletion, outlook
from guard.rules.spares import was_old
from guard.times import day_shown, shown, shown_with_age
from guard.units import figure, in_words

BAR = 20
"""Characters of a bar."""


def configure_cells(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard cells`."""
    parser.add_argument(
        "--due-within", metavar="DURATION", help="only the cells due within that time, such as 90d, and what to buy"
    )
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--chart", action="store_true", help="the charge over time, with the planned events on it")
    form.add_argument("--json", action="store_true", help="one JSON document instead of a screen")
    verbs = parser.add_subparsers(dest="verb", metavar="stock")
    count = verbs.add_parser("stock", help="record how many spare cells there are")
    count.add_argument("type", metavar="TYPE", help="the type of the cells, as the configuration calls it")
    count.add_argument("count", type=int, metavar="COUNT", help="how many lie there now")
    count.add_argument(
        "--date-code",
        metavar="YYYY-MM",
        help="when they were made: they are among those counted without it before (without: all of the type, whenever made)",
    )
    count.add_argument("--by", default="", metavar="NAME", help="who counted them")
    return _cells


def _cells(args: argparse.Namespace) -> int:
    desk = Desk(load(args.config))
    return stock.count(desk, args) if args.verb == "stock" else _list(desk, args)


class Next(Record):
    """The next planned event that a cell must survive, and the chance that it does not; None without its figures."""

    event: PlannedEvent
    probability: float | None


class Row(Record):
    """One cell of one arm as it is now. ``start`` is None where its age is not known.

    ``due_at`` is when it is to be changed at the latest, from now on; None where that is not within the time ahead.
    ``silent_since`` is when its controller last answered, where it does not any more.
    ``expected_h`` is the chance of a loss in the next event, or in a shift off now where none is planned,
    times the hours of work that it would cost; None for what holds no memory or has no figures.
    """

    arm: str
    cell: FittedCell
    start: datetime | None
    alarm: bool
    due_at: datetime | None
    of: Outlook | None
    empty: Depletion | None
    next: Next | None
    expected_h: float | None
    silent_since: datetime | None

    @property
    def due(self) -> bool:
        """Whether it is to be changed within the time ahead."""
        return self.due_at is not None

    def left(self, now: datetime) -> timedelta | None:
        """How much of the interval is left; less than nothing where the cell is overdue."""
        return None if self.start is None else self.cell.type.interval - (now - self.start)


def _list(desk: Desk, args: argparse.Namespace) -> int:
    now = desk.now()
    ahead = duration(args.due_within) if args.due_within else None
    rows = _rows(desk, now, ahead)
    shown = rows if ahead is None else [row for row in rows if row.due]
    held = desk.stock()
    wanting = [(row.cell.type, row.due_at) for row in rows if row.due_at is not None]
    if args.json:
        output.show_json(
            {
                "schema": 1,
                "cells": [_as_json(row, now) for row in shown],
                "to_buy": [wanted._asdict() for wanted in stock.to_buy(wanting, held, now)],
                "stock": [stock.lot(desk, lot, now) for lots in held.values() for lot in lots],
            }
        )
        return 0
    if args.chart:
        _show_chart(desk, shown, now)
        return 0
    output.show(_screen(desk, shown, now, args.due_within))
    output.show(stock.shopping(stock.to_buy(wanting, held, now), args.due_within))
    output.show(stock.in_stock(desk, held, now))
    output.show(verdicts.cautions())
    return 0


def _show_chart(desk: Desk, rows: list[Row], now: datetime) -> None:
    from guard.cli import charge_chart
    from guard.plan.charge_ahead import Held, ahead

    held = [Held(row.arm, row.cell, row.of) for row in rows if row.of is not None]
    planned = [event for event in desk.events() if not is_over(event, now)]
    width = output.width()
    found = ahead(held, planned, now, charge_chart.MOST_CELLS, charge_chart.columns_for(width) + 1)
    output.show(charge_chart.chart(found, len(rows), now, desk.settings.zone(), width))
    output.show(verdicts.cautions())


def _rows(desk: Desk, now: datetime, ahead: timedelta | None) -> list[Row]:
    """Every cell: alarms, what is due, the most hours of work at stake, the least left; an unknown age is due."""
    rows, costs = [], costs_of_loss(desk)
    planned = sorted(desk.events(), key=lambda event: event.start)
    for known in cells_of_all(desk):
        arm = desk.settings.arms[known.arm]
        silent = next((each.start for each in known.answers if each.end is None), None)
        for cell in known.cells:
            start = installed_at(cell, now)
            of = outlook(cell, arm, known.marks, now, known.answers)
            empty = None if of is None else depletion(of, now)
            ahead_of = _next(desk, of, known.arm, planned, now)
            alarm = any(mark.cell in ("", cell.type.name) for mark in open_alarms(known.marks, known.cells, now))
            due = now if alarm else _due_at(cell, start, empty, now, ahead)
            expected = None if of is None else _expected_h(desk, cell, of, ahead_of, costs[known.arm])
            rows.append(Row(known.arm, cell, start, alarm, due, of, empty, ahead_of, expected, silent))
    return sorted(
        rows, key=lambda row: (not row.alarm, not row.due, *_most_at_stake(row), _least_left(row, now), row.arm)
    )


def _expected_h(desk: Desk, cell: FittedCell, of: Outlook, coming: Next | None, cost_h: float) -> float | None:
    if cell.type.kind != "memory":
        return None
    failures = desk.settings.limits.loss.failures_per_year
    known = None if coming is None else coming.probability
    chance = known if known is not None else of.loss(0, USUAL_OFF["power-down"] / HOUR, failures).probability
    return chance * cost_h


def _most_at_stake(row: Row) -> tuple[bool, bool, float]:
    """What is not known of a cell's age may be the most."""
    return row.start is not None, row.expected_h is None, -(row.expected_h or 0.0)


def _least_left(row: Row, now: datetime) -> timedelta:
    """What is left by age or by charge, whichever is less; where the age is not known, it may be nothing."""
    left = row.left(now)
    if left is None:
        return timedelta.min
    return left if row.empty is None else min(left, row.empty.at - now)


def _next(desk: Desk, of: Outlook | None, arm: str, planned: list[PlannedEvent], now: datetime) -> Next | None:
    """The next planned event in which the mains of an arm go off, from the one on that runs now."""
    for event in planned:
        if arm in event.arms and event.kind != "position-swap" and not is_over(event, now):
            if of is None:
                return Next(event, None)
            after, off_h = max((event.start - now) // MICROSECOND, 0), event.off_for / HOUR
            return Next(event, of.loss(after, off_h, desk.settings.limits.loss.failures_per_year).probability)
    return None


def _due_at(
    cell: FittedCell, start: datetime | None, empty: Depletion | None, now: datetime, ahead: timedelta | None
) -> datetime | None:
    """When it is due, or empty, within the time ahead; where none is given, due soon, overdue or empty."""
    if start is None:
        return now
    reached = due_soon_at(start, cell.type) if ahead is None else later(start, cell.type.interval)
    by = now if ahead is None else later(now, ahead)
    moments = [each for each in (reached, empty and empty.at) if each is not None and (by is None or each <= by)]
    return max(min(moments), now) if moments else None


def _as_json(row: Row, now: datetime) -> dict[str, object]:
    left = row.left(now)
    return {
        "arm": row.arm,
        "type": row.cell.type.name,
        "kind": row.cell.type.kind,
        "installed": None if row.cell.installed is None else str(row.cell.installed),
        "date_code": row.cell.date_code,
        "age_s": None if row.start is None else seconds(now - row.start),
        "interval_left_s": None if left is None else seconds(left),
        "charge_left_mah": row.of and row.of.charge.mah,
        "charge_left_sigma_mah": row.of and row.of.charge.sigma_mah,
        "empty_at": utc(row.empty and row.empty.at),
        "empty_sigma_s": row.empty and seconds(row.empty.sigma),
        "expected_hours": row.expected_h,
        "next_event": row.next and {"id": row.next.event.id, "loss_probability": row.next.probability},
        "alarm": row.alarm,
        "due": row.due,
    }


# Screen


def _screen(desk: Desk, rows: list[Row], now: datetime, within: str | None) -> Iterator[Line]:
    until = f" that are due within {within}" if within else ""
    yield Line(f"Cells{until}: {len(rows)}", style="head")
    if any(row.of is not None for row in rows):
        legend = "# age as a part of the interval; = charge left at one standard deviation less, ~ at one more"
        yield Line(legend, style="quiet", indent=1)
    for row in rows:
        yield Line(
            f"{_bar(row, now)}  {_told(row, now)}",
            label=f"{row.arm}  {row.cell.type.name}",
            label_style=_style(row, now),
            indent=1,
            label_width=_width(rows),
        )
        if row.of is not None:
            yield Line(f"{_charge_bar(row)}  {_charge_told(desk, row, now)}", indent=_width(rows) + 1)
        elif row.next is not None:
            want = "its figures" if row.start is not None else "its age"
            told = f"next {_event_told(desk, row.next, now)}: chance of a loss not known, for want of {want}"
            yield Line(told, indent=_width(rows) + 1)
    bare = [known.arm for known in cells_of_all(desk) if not known.cells]
    if bare:
        listed = f"{', '.join(bare[:5])}{f' and {len(bare) - 5} more' if len(bare) > 5 else ''}"
        text = f"No cells are listed for {listed}: write them into the configuration, cells = [ … ]"
        yield Line(text, style="caution-word", indent=1)


def _width(rows: list[Row]) -> int:
    return max(len(f"{row.arm}  {row.cell.type.name}") for row in rows) + 2


def _charge_bar(row: Row) -> str:
    """The charge left as a part of what a new cell is said to give: surely, and up to one standard deviation more."""
    of, usable = row.of, (row.cell.type.capacity_mah or 0.0) * row.cell.type.usable
    if of is None or not usable:
        return f"[{'.' * BAR}]"
    least, most = of.charge.signed_mah - of.charge.sigma_mah, of.charge.signed_mah + of.charge.sigma_mah
    sure, perhaps = (min(BAR, max(0, int(mah / usable * BAR))) for mah in (least, most))
    return f"[{'=' * sure}{'~' * (perhaps - sure)}{'.' * (BAR - perhaps)}]"


def _charge_told(desk: Desk, row: Row, now: datetime) -> str:
    zone = desk.settings.zone()
    if row.of is None:
        return ""
    left = f"about {figure(row.of.charge.mah, 3)} mAh left (±{figure(row.of.charge.sigma_mah)})"
    if row.silent_since is not None:
        left += f"; its controller has not answered since {shown(row.silent_since, zone)}, which is taken for off"
    empty = (
        "never empty by the standby current"
        if row.empty is None
        else "EMPTY by its figures"
        if row.empty.at <= now
        else f"empty about {day_shown(row.empty.at, zone)} "
        f"(in {in_words(row.empty.at - now)}, ±{in_words(row.empty.sigma)})"
    )
    stake = "" if row.expected_h is None else f"{figure(row.expected_h)} h of work at stake"
    if row.next is None:
        return f"{left}, {empty}{stake and f'; in a shift off now {stake}'}"
    lost = f"chance of a loss {figure(100 * (row.next.probability or 0.0))} %{stake and f', {stake}'}"
    return f"{left}, {empty}; next {_event_told(desk, row.next, now)}: {lost}"


def _event_told(desk: Desk, coming: Next, now: datetime) -> str:
    event = coming.event
    return f"{event.kind} {event.id}, {shown_with_age(event.start, now, desk.settings.zone())}"


def _style(row: Row, now: datetime) -> str:
    left = row.left(now)
    if row.alarm or (left is not None and left < timedelta()):
        return "hold-word"
    if left is None:
        return "unknown-word"
    return "caution-word" if row.due else ""


def _bar(row: Row, now: datetime) -> str:
    """The age as a part of the interval; full where the interval is over."""
    if row.start is None:
        return f"[{'?' * BAR}]"
    part = (now - row.start) / row.cell.type.interval if row.cell.type.interval else 1.0
    filled = min(BAR, max(0, int(part * BAR)))
    return f"[{'#' * filled}{'.' * (BAR - filled)}]"


def _told(row: Row, now: datetime) -> str:
    left = row.left(now)
    alarm = "ALARM: the controller told of a low cell. " if row.alarm else ""
    if row.start is None or left is None:
        why = "nobody recorded when it was installed"
        if row.cell.installed is not None:
            why = f"installed {row.cell.installed}, a day that has not come"
        return f"{alarm}AGE UNKNOWN: {why}"
    old = ", PAST its shelf life when it was put in" if was_old(row.cell, now) else ""
    made = f", made {row.cell.date_code}{old}" if row.cell.date_code else ""
    interval = in_words(row.cell.type.interval)
    state = f"OVERDUE by {in_words(left)}" if left < timedelta() else f"{in_words(left)} left"
    return f"{alarm}{state} of {interval}, {in_words(now - row.start)} old (installed {row.cell.installed}{made})"


COMMANDS = {"cells": configure_cells}
