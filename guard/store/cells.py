"""Spare cells in stock: counted by people, used up by changes; all of it entries of the ledger.

A count says what lies there at that moment. One with a date code is about the cells of that making,
which are taken to be among those counted without one before; one without is about all of the type.
Each later mark `cell-changed` uses one up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime

from guard.model import Mark, SpareCells
from guard.plant import CellType
from guard.record import Record
from guard.rules.spares import past_shelf_life_at
from guard.store.encoding import moment
from guard.store.ledger import Ledger

NO_DATE_CODE = ""


class Spare(Record):
    """Spare cells of one type and one making that are in stock; ``date_code`` is empty where it was not told."""

    type: str
    date_code: str
    held: int


class Count(Record):
    """What somebody counted."""

    at: datetime
    type: str
    date_code: str | None
    held: int


def record(ledger: Ledger, kind: str, count: int, date_code: str | None, by: str, now: datetime) -> int:
    """Record what was counted; returns the number of the entry."""
    return ledger.append(now, "stock", "", {"cell": kind, "count": count, "date_code": date_code, "by": by})


def counts(ledger: Ledger) -> list[Count]:
    """Everything that was ever counted, oldest first."""
    return [_count(at, body) for at, _, body in ledger.bodies("stock")]


def _count(at: str, body: dict[str, object]) -> Count:
    made = body.get("date_code")
    return Count(moment(at), str(body["cell"]), None if made is None else str(made), int(str(body["count"])))


def as_spares(kind: CellType, lots: Iterable[Spare] | None) -> SpareCells:
    """The spares of a type as the rules see them; ``lots`` is None where nobody ever counted them."""
    held = tuple((lot.date_code, lot.held) for lot in lots or ())
    return SpareCells(kind, None if lots is None else sum(count for _, count in held), held)


def stock(ledger: Ledger, types: Mapping[str, CellType]) -> dict[str, tuple[Spare, ...]]:
    """What is in stock now of each type that was ever counted, the oldest making first; what is used up stands with 0."""
    counted = counts(ledger)
    if not counted:
        return {}
    return in_stock(counted, ledger.marks(), types)


def in_stock(
    counted: list[Count], marks: tuple[Mark, ...], types: Mapping[str, CellType]
) -> dict[str, tuple[Spare, ...]]:
    """The same from the counts and the marks.

    A change uses up a cell of its date code, else one of the oldest making that was not past its
    shelf life, so that what is left to be put in is never more than there is.

    What was used before it was counted is no longer there to be counted, so a change counts
    from the moment on at which it happened.
    """
    lots: dict[str, dict[str, int]] = {}
    used = [mark for mark in marks if mark.kind == "cell-changed" and mark.cell]
    steps: list[Count | Mark] = sorted([*counted, *used], key=lambda step: step.at)
    for step in steps:
        if isinstance(step, Mark):
            _use(lots.get(step.cell, {}), step, types.get(step.cell))
        elif step.date_code is None:
            lots[step.type] = {NO_DATE_CODE: step.held}
        else:
            _tell_making(lots.setdefault(step.type, {}), step.date_code, step.held)
    return {
        kind: tuple(Spare(kind, made, count) for made, count in sorted(by_code.items()))
        for kind, by_code in sorted(lots.items())
    }


def _tell_making(lots: dict[str, int], made: str, held: int) -> None:
    """Of a lot whose making nobody told so many less are left: counted twice, a spare would be there that is not."""
    more = max(held - lots.get(made, 0), 0)
    if NO_DATE_CODE in lots:
        lots[NO_DATE_CODE] = max(lots[NO_DATE_CODE] - more, 0)
    lots[made] = held


def _use(lots: dict[str, int], change: Mark, kind: CellType | None) -> None:
    left = sorted(made for made, count in lots.items() if count)
    if left:
        oldest = next((made for made in left if not _is_past(kind, made, change.at)), left[0])
        made = change.date_code if change.date_code in left else oldest
        lots[made or NO_DATE_CODE] -= 1


def _is_past(kind: CellType | None, made: str, at: datetime) -> bool:
    ends = None if kind is None else past_shelf_life_at(kind, made)
    return ends is not None and at >= ends
