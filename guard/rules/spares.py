"""Is a usable spare cell at hand, and was a cell too old already when it was put in? Pure.

A shelf life is inside: a cell exactly as old as that is still a spare, and is none one microsecond
later. Its age counts from 00:00 UTC of the first day of the month that its date code names.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import UTC, datetime

from guard.model import FittedCell, Level, Question, SpareCells
from guard.plant import CellType
from guard.record import Record
from guard.rules.cells import installed_at, is_out, made_on, remedy
from guard.rules.evidence import MICROSECOND, later, seconds
from guard.rules.findings import SILENT, Outcome, finding
from guard.rules.standing import Standing
from guard.units import in_words, quoted

TYPE_CHECKING = False

if TYPE_CHECKING:
    from guard.model import Action, Finding

SWAPPED: dict[Action, str] = {"memory-swap": "memory", "position-swap": "position"}
"""Which kind of cell must be at hand before each swap begins."""


class Usable(Record):
    """Of the spares of a type: how many may be put in, how many lay too long, and of how many nobody knows."""

    good: int = 0
    past: int = 0
    untold: int = 0


def past_shelf_life_at(kind: CellType, date_code: str | None) -> datetime | None:
    """From when on a spare may no longer be put in: the first instant past its shelf life.

    None where no shelf life is configured or nobody told when it was made.
    """
    made = made_on(date_code)
    if kind.shelf_life is None or made is None:
        return None
    return later(datetime(made.year, made.month, 1, tzinfo=UTC), kind.shelf_life, MICROSECOND)


def usable(spare: SpareCells, at: datetime) -> Usable:
    """What the spares of a type are worth at a moment. Without a configured shelf life all of them may be put in."""
    held = spare.held or 0
    if spare.type.shelf_life is None:
        return Usable(held)
    told = past = 0
    for date_code, count in spare.by_date_code:
        if made_on(date_code) is not None:
            told += count
            ends = past_shelf_life_at(spare.type, date_code)
            past += count if ends is not None and at >= ends else 0
    return Usable(told - past, past, max(held - told, 0))


# Rules


def spare_missing(at: Standing, question: Question) -> Outcome:
    """Before a swap: hold where no usable spare of the cell's type is left, caution where nobody knows of one.

    An arm that does not list what it has may be served by any type of that kind.
    """
    kind = SWAPPED.get(question.action)
    if kind is None or is_out(at):
        return SILENT  # the old cell is out already
    names = sorted({cell.type.name for cell in at.facts.cells if cell.type.kind == kind})
    serving = [spare for spare in at.facts.spares if spare.type.kind == kind]
    found = [
        each
        for name in names or [""]
        for each in _missing(at, question, kind, name, [spare for spare in serving if name in ("", spare.type.name)])
    ]
    ends = [past_shelf_life_at(spare.type, made) for spare in serving for made, count in spare.by_date_code if count]
    return Outcome(tuple(found), min((end for end in ends if end is not None and end > question.at), default=None))


def _missing(at: Standing, question: Question, kind: str, name: str, serving: list[SpareCells]) -> Iterable[Finding]:
    worth = [usable(spare, question.at) for spare in serving]
    if any(each.good for each in worth):
        return
    past, untold = sum(each.past for each in worth), sum(each.untold for each in worth)
    counted = bool(serving) and all(spare.held is not None for spare in serving)
    level: Level = "hold" if counted and not untold else "caution"
    of = f"{name or f'{kind} cell'} for {at.facts.arm.id}"
    lain = f" {past} in stock {'is' if past == 1 else 'are'} past {'its' if past == 1 else 'their'} shelf life."
    message = f"No spare {of} is left in stock."
    if untold:
        made = (
            f"{'the' if untold == 1 else f'the {untold}'} spare {of} in stock {'was' if untold == 1 else 'were'} made"
        )
        message = f"When {made} was never recorded, and so not whether a shelf life is over."
    elif past and counted:
        message = f"No usable spare {of} is left in stock."
    elif not counted:
        message = f"Whether a spare {of} is in stock was never recorded."
    lifts = f"Have a new cell ready, then record what is in stock: guard cells stock {quoted(name) if name else 'TYPE'} COUNT --date-code YYYY-MM"
    yield finding(
        "spare-missing", level, f"{message}{lain if past else ''}", lifts,
        cell=name or None, kind=kind, in_stock=sum(spare.held or 0 for spare in serving) if counted else None,
        past_shelf_life=past,
    )  # fmt: skip


def old_when_put_in(at: Standing, question: Question) -> Outcome:
    """Caution where a cell was past its shelf life on the day on which it was put in."""
    return Outcome(tuple(_old(at, question, cell) for cell in at.facts.cells if was_old(cell, at.facts.as_of)))


def was_old(cell: FittedCell, as_of: datetime) -> bool:
    """Takes its date code and the day on which it was put in as proof that a cell was past its shelf life then."""
    start, ends = installed_at(cell, as_of), past_shelf_life_at(cell.type, cell.date_code)
    return start is not None and ends is not None and start >= ends


def _old(at: Standing, question: Question, cell: FittedCell) -> Finding:
    kind, life = cell.type, cell.type.shelf_life
    message = (
        f"The {kind.name} of {at.facts.arm.id} was made {cell.date_code} and put in on {cell.installed}: past its"
        f" shelf life{f' of {in_words(life)}' if life else ''}."
    )
    lifts = remedy(at, question, kind)
    return finding(
        "old-when-put-in", "caution", message, lifts, cell=kind.name, date_code=cell.date_code,
        installed=str(cell.installed), shelf_life_s=None if life is None else seconds(life),
    )  # fmt: skip
