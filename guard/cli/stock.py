"""The spare cells: what to buy, what lies in stock and until when it may be put in, and counting them."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from datetime import UTC, date, datetime

from guard.cells import count_spares
from guard.cli import output
from guard.cli.output import Line
from guard.cli.when import date_code
from guard.desk import Desk
from guard.errors import NotUnderstood
from guard.model import FittedCell, SpareCells
from guard.plant import CellType
from guard.record import Record
from guard.rules.cells import made_on
from guard.rules.evidence import utc
from guard.rules.spares import past_shelf_life_at, usable, was_old
from guard.store.cells import Spare, as_spares
from guard.times import shown_with_age
from guard.units import in_words

NO_CELL = "Which cell it was is not told: no cell counts as new by it, and an alarm may be about any cell."

MOST_SPARES = 1_000_000
FOREVER = datetime.max.replace(tzinfo=UTC)


class Wanted(Record):
    """How many cells of a type the cells that are due want, and how many of them are still to be bought.

    ``in_stock`` counts the spares that may be put in now, ``past_shelf_life`` those that may not. One that may not
    any more when a cell is due serves none.
    """

    type: str
    kind: str
    due: int
    in_stock: int | None
    past_shelf_life: int
    to_buy: int


def to_buy(
    due: Iterable[tuple[CellType, datetime]], stock: dict[str, tuple[Spare, ...]], now: datetime
) -> list[Wanted]:
    """What the cells that are due want, given as their types and when each is due, and what of it is not in stock."""
    by_name: dict[str, list[tuple[CellType, datetime]]] = {}
    for kind, at in due:
        by_name.setdefault(kind.name, []).append((kind, at))
    found = []
    for name, wanting in sorted(by_name.items()):
        kind, count = wanting[0][0], len(wanting)
        spares = as_spares(kind, stock.get(name))
        of, served = usable(spares, now), _served(spares, sorted(at for _, at in wanting))
        held = of.good + of.untold if name in stock else None
        found.append(Wanted(name, kind.kind, count, held, of.past, count - served))
    return found


def _served(spares: SpareCells, due: list[datetime]) -> int:
    """How many of the cells due at these moments find a spare that may still be put in then; what spoils first goes first."""
    lots = sorted((past_shelf_life_at(spares.type, made) or FOREVER, count) for made, count in spares.by_date_code)
    left = [count for _, count in lots]
    served = 0
    for at in due:
        number = next((n for n, (ends, _) in enumerate(lots) if left[n] and ends > at), None)
        if number is not None:
            left[number] -= 1
            served += 1
    return served


def lot(desk: Desk, spare: Spare, now: datetime) -> dict[str, object]:
    """The spares of one making as JSON has them."""
    ends = _shelf_ends(desk, spare)
    return {
        "type": spare.type,
        "date_code": spare.date_code or None,
        "count": spare.held,
        "past_shelf_life_from": utc(ends),
        "past_shelf_life": ends is not None and now >= ends,
    }


def _shelf_ends(desk: Desk, spare: Spare) -> datetime | None:
    kind = desk.settings.cell_types.get(spare.type)
    return None if kind is None else past_shelf_life_at(kind, spare.date_code)


def shopping(wanted: list[Wanted], within: str | None) -> Iterator[Line]:
    """The shopping list."""
    yield Line()
    yield Line("What to buy" + (f" for what is due within {within}" if within else " for what is due"), style="head")
    if not wanted:
        yield Line("nothing", indent=1)
    for each in wanted:
        held = "stock never counted" if each.in_stock is None else f"{each.in_stock} in stock"
        past = f", {each.past_shelf_life} more past shelf life" if each.past_shelf_life else ""
        spoilt = (each.in_stock or 0) - (each.due - each.to_buy) if each.to_buy else 0
        then = f", {spoilt} of them past shelf life when a cell is due" if spoilt > 0 else ""
        yield Line(f"{each.to_buy} x {each.type} ({each.due} due, {held}{then}{past})", indent=1)


def in_stock(desk: Desk, stock: dict[str, tuple[Spare, ...]], now: datetime) -> Iterator[Line]:
    """What lies in stock, and until when it may be put in."""
    yield Line()
    yield Line("In stock", style="head")
    lots = [spare for spares in stock.values() for spare in spares if spare.held]
    for spare in lots:
        ends = _shelf_ends(desk, spare)
        style = "hold-word" if ends is not None and now >= ends else ""
        yield Line(f"{spare.held} x {spare.type}{_made(desk, spare, now)}", style=style, indent=1)
    if not lots:
        never = (
            "nothing" if stock else "never counted. Count the spares: guard cells stock TYPE COUNT --date-code YYYY-MM"
        )
        yield Line(never, indent=1)


def _made(desk: Desk, spare: Spare, now: datetime) -> str:
    made, kind = made_on(spare.date_code), desk.settings.cell_types.get(spare.type)
    life = None if kind is None else kind.shelf_life
    if made is None:
        untold = ", nobody told when made"
        return untold if life is None else f"{untold}: whether its shelf life of {in_words(life)} is over is not known"
    months = (now.year - made.year) * 12 + now.month - made.month
    told = f", made {spare.date_code} ({months} month{'' if months == 1 else 's'} on the shelf)"
    ends = _shelf_ends(desk, spare)
    if life is None or ends is None:
        return told
    until = shown_with_age(ends, now, desk.settings.zone())
    if now < ends:
        return f"{told}, may be put in until {until}"
    return f"{told}: PAST its shelf life of {in_words(life)} since {until}, counts as no spare"


def count(desk: Desk, args: argparse.Namespace) -> int:
    """Record how many spares of a type there are now."""
    types = desk.settings.cell_types
    if args.type not in types:
        raise NotUnderstood("", f"the cell type {args.type!r}", f"The types are: {', '.join(types)}.")
    if not 0 <= args.count <= MOST_SPARES:
        raise NotUnderstood("", f"the count {args.count}", "Give how many spare cells lie there now, 0 or more.")
    today = desk.now().astimezone(desk.settings.zone()).date()
    made = date_code(args.date_code, today) if args.date_code else None
    number = count_spares(desk, args.type, args.count, made, args.by)
    of = f", made {made}" if made else ", whenever made"
    spares = as_spares(types[args.type], desk.stock()[args.type])
    past = usable(spares, desk.now()).past
    lain = f", of which {past} past the shelf life and no spare" if past else ""
    told = f"Recorded: {args.count} x {args.type}{of}; in stock now: {spares.held}{lain} (ledger entry {number})."
    output.show([Line(told)])
    return 0


def too_old(desk: Desk, kind: str, date_code: str | None, installed: date | None) -> Iterator[Line]:
    """That a cell which was just put in was past its shelf life, where it was."""
    of = desk.settings.cell_types.get(kind)
    if of is not None and was_old(FittedCell(of, installed, date_code), desk.now()):
        text = f"That cell was made {date_code} and is past the shelf life of its type: plan to change it again."
        yield Line(text, style="caution-word")
