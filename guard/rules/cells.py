"""How old the cells of an arm are, what the controller has told of them, and what follows for an action. Pure.

Intervals are inside: a cell exactly as old as its interval is due, and is overdue one microsecond
later. A cell counts as installed at 00:00 UTC of its day.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import UTC, date, datetime, timedelta

from guard.model import FittedCell, Level, Mark, Question
from guard.plant import Cell, CellType
from guard.rules.evidence import FIRST_MOMENT, MICROSECOND, earlier, later, seconds, utc
from guard.rules.findings import SILENT, Outcome, finding
from guard.rules.standing import Standing
from guard.units import in_words, quoted

TYPE_CHECKING = False

if TYPE_CHECKING:
    from guard.model import Action, ArmFacts, Finding

REPLACED: dict[Action, tuple[str, ...]] = {
    "power-down": (),
    "memory-swap": ("memory",),
    "position-swap": ("position",),
    "service-visit": ("memory", "position"),
}
"""Which kinds of cell each action replaces: a finding about such a cell never blocks its own cure."""

FIND_OUT_WHICH = (
    " Find out which cell it is and say so: guard ledger show, for the number N of that entry, then: guard mark --correct N"
    " --cell TYPE"
)

DAY_AHEAD = timedelta(hours=14)
"""So far ahead of UTC is the zone in which a day begins first: a cell installed today is not one of tomorrow."""


# What is known of the cells


def fitted(listed: Iterable[Cell], types: Mapping[str, CellType], marks: Iterable[Mark]) -> tuple[FittedCell, ...]:
    """The cells of an arm: those that its configuration lists, put right by the changes of each type.

    A controller has one memory cell: a new one of a type that is not listed takes the place of the listed one.
    """
    cells = [FittedCell(types[cell.type], cell.installed) for cell in listed if cell.type in types]
    names = {cell.type.name for cell in cells}
    new: dict[str, FittedCell] = {}
    newest: Mark | None = None
    for mark in sorted((each for each in marks if each.kind == "cell-changed" and each.cell in types), key=_order):
        new[mark.cell] = _put_in(types[mark.cell], mark)
        cells = _changed(cells, new[mark.cell])
        newest = mark if types[mark.cell].kind == "memory" else newest
    if newest is not None and newest.cell not in names:
        cells = [new[newest.cell], *(cell for cell in cells if cell.type.kind != "memory")]
    more = [new[name] for name in sorted(new) if name not in names and types[name].kind != "memory"]
    return (*cells, *more)


def _changed(cells: list[FittedCell], new: FittedCell) -> list[FittedCell]:
    """The cells after a change of a type. Of several it was the oldest, and with it all that are listed as equally old."""
    ages = [(cell.installed is not None, cell.installed) for cell in cells if cell.type.name == new.type.name]
    oldest = min(ages, default=None)
    return [
        new if cell.type.name == new.type.name and (cell.installed is not None, cell.installed) == oldest else cell
        for cell in cells
    ]


def _order(mark: Mark) -> tuple[datetime, str]:
    return mark.at, str(mark.installed)


def _put_in(kind: CellType, mark: Mark) -> FittedCell:
    return FittedCell(kind, mark.installed or mark.at.date(), mark.date_code)


def installed_at(cell: FittedCell, as_of: datetime) -> datetime | None:
    """Since when the cell is in; None where nobody recorded it, or where that day has not come anywhere."""
    if cell.installed is None:
        return None
    start = datetime(cell.installed.year, cell.installed.month, cell.installed.day, tzinfo=UTC)
    return start if start - as_of <= DAY_AHEAD else None


def made_on(date_code: str | None) -> date | None:
    """The first day of the month that a date code names, which is the careful reading; None where it names none."""
    try:
        return None if date_code is None else date(int(date_code[:4]), int(date_code[5:7]), 1)
    except ValueError:
        return None


def due_soon_at(start: datetime, kind: CellType) -> datetime | None:
    """From when on a cell is due soon: the first instant at which it has reached 90 % of its interval."""
    tenths = kind.interval // MICROSECOND * 9
    return later(start, -(-tenths // 10) * MICROSECOND)


def overdue_at(start: datetime, kind: CellType) -> datetime | None:
    """From when on a cell is overdue: the first instant past its interval."""
    return later(start, kind.interval, MICROSECOND)


def open_alarms(marks: Iterable[Mark], cells: Iterable[FittedCell], as_of: datetime) -> list[Mark]:
    """The alarms with no later change of the cell that they are about.

    A cell of another type of the same kind may have taken its place. An alarm that names no cell ends once every cell
    of the arm was changed: nobody knows which of them it was. A change that names no cell ends none. One recorded by a
    clock that was ahead proves nothing of an alarm from after it was set right.
    """
    kinds = {cell.type.name: cell.type.kind for cell in cells}
    marks = tuple(marks)
    changes = [mark for mark in marks if mark.kind == "cell-changed" and mark.cell]
    return [alarm for alarm in marks if alarm.kind == "cell-alarm" and not _has_ended(alarm, changes, kinds, as_of)]


def _has_ended(alarm: Mark, changes: Iterable[Mark], kinds: Mapping[str, str], as_of: datetime) -> bool:
    changed = {change.cell for change in changes if change.at > alarm.at and not alarm.at <= as_of < change.at}
    if not alarm.cell:
        return bool(kinds) and changed.issuperset(kinds)
    return kinds.get(alarm.cell, alarm.cell) in {kinds.get(cell, cell) for cell in changed}


def is_of_memory_cell(mark: Mark, facts: ArmFacts) -> bool:
    """Whether a mark tells of a change that may have been the memory cell's: one of no known type may be of any."""
    types = [*(spare.type for spare in facts.spares), *(cell.type for cell in facts.cells)]
    kinds = {kind.name: kind.kind for kind in types}
    return mark.kind == "cell-changed" and kinds.get(mark.cell, "memory") == "memory"


# Rules


def cell_age(at: Standing, question: Question) -> Outcome:
    """Caution from 90 % of a cell's interval on; past it hold, but at most caution where the cell is replaced.

    Caution too where its interval ends while the mains are off: it is wanted just then, and nobody changes it.
    """
    found, turns = [], []
    for cell in at.facts.cells:
        start = installed_at(cell, at.facts.as_of)
        if start is None:
            continue
        for code, reached, ends in _stages(start, cell.type, question):
            if reached is not None and question.at < reached:
                turns.append(reached)
            elif reached is not None and (ends is None or question.at < ends):
                found.append(_due(code, at, question, cell, start, ends))
    return Outcome(tuple(found), min(turns, default=None))


def _stages(
    start: datetime, kind: CellType, question: Question
) -> tuple[tuple[str, datetime | None, datetime | None], ...]:
    due, overdue = due_soon_at(start, kind), overdue_at(start, kind)
    if due is not None and overdue is not None and _carries_alone(kind, question):
        due = min(due, earlier(overdue, question.off_for) or FIRST_MOMENT)
    return ("cell-due-soon", due, overdue), ("cell-overdue", overdue, None)


def _carries_alone(kind: CellType, question: Question) -> bool:
    """Whether the cell has to carry what it is there for all through what is asked about."""
    return question.action != "position-swap" and kind.kind not in REPLACED[question.action]


def _due(
    code: str, at: Standing, question: Question, cell: FittedCell, start: datetime, turns: datetime | None
) -> Finding:
    age, interval = question.at - start, cell.type.interval
    replaced = cell.type.kind in REPLACED[question.action]
    level: Level = "hold" if code == "cell-overdue" and not replaced else "caution"
    be = "will then be" if question.at > at.facts.as_of else "is"
    within = (
        f", within the {in_words(question.off_for)} without mains"
        if interval - age < question.off_for and _carries_alone(cell.type, question)
        else ""
    )
    end = (
        f"that is {in_words(age - interval)} past its interval of {in_words(interval)}"
        if code == "cell-overdue"
        else f"its interval of {in_words(interval)} ends in {in_words(interval - age)}{within}"
    )
    message = f"The {cell.type.name} of {at.facts.arm.id}, installed {cell.installed}, {be} {in_words(age)} old; {end}."
    return finding(
        code,
        level,
        message,
        remedy(at, question, cell.type),
        turns,
        cell=cell.type.name,
        kind=cell.type.kind,
        installed=str(cell.installed),
        age_s=seconds(age),
        interval_s=seconds(interval),
    )


def is_out(at: Standing) -> bool:
    """Whether the arm's memory cell is out, and its clock runs."""
    return at.facts.window is not None and at.facts.window.ended_at is None


def _ends_it(arm: str) -> str:
    return f"The change that is under way settles this, once the new cell is in: guard swap end {arm} --by NAME"


def remedy(at: Standing, question: Question, kind: CellType) -> str:
    """What ends a finding about a cell: its change, how that is recorded, and the backup that must follow it."""
    arm = at.facts.arm.id
    if kind.kind == "memory" and is_out(at):
        return _ends_it(arm)
    record = f"guard mark cell-changed {arm} --cell {quoted(kind.name)}"
    if kind.kind in REPLACED[question.action]:
        done = f"guard swap begin {arm}, then guard swap end {arm}" if kind.kind == "memory" else record
        return f"The change of the {kind.name} settles this, once it is recorded: {done}"
    first = (
        f"Change the {kind.name} first. Ask whether it may be done: guard ask --arm {arm} --action {kind.kind}-swap."
    )
    if kind.kind != "memory":
        return f"{first} Record it afterwards: {record}"
    return (
        f"{first} Do it between guard swap begin {arm} and guard swap end {arm}. Then save a new backup, since none from"
        f" before the change counts: guard look, and: guard prove --arm {arm}"
    )


def cell_age_unknown(at: Standing, question: Question) -> Outcome:
    """Unknown where a listed cell has no installed date that can be; caution where it is replaced, or none is listed."""
    arm = at.facts.arm.id
    if not at.facts.cells:
        message = f"No cells of {arm} are listed: nothing is known of their age."
        lifts = f'Write into the table of {arm} what it has, such as cells = [ {{ type = "memory-cell", installed = 2025-03-14 }} ]'
        return Outcome((finding("cell-age-unknown", "caution", message, lifts, cell=None, installed=None),))
    unknown = [cell for cell in at.facts.cells if installed_at(cell, at.facts.as_of) is None]
    return Outcome(tuple(_age_unknown(arm, cell, question) for cell in unknown))


def _age_unknown(arm: str, cell: FittedCell, question: Question) -> Finding:
    level: Level = "caution" if cell.type.kind in REPLACED[question.action] else "unknown"
    message = f"Nobody recorded when the {cell.type.name} of {arm} was installed."
    if cell.installed is not None:
        message = f"The {cell.type.name} of {arm} is told to be installed {cell.installed}, a day that has not come: its age is not known."
    lifts = f"Write its installed date into the table of {arm} in the configuration, or change the cell and record that"
    told = None if cell.installed is None else str(cell.installed)
    return finding("cell-age-unknown", level, message, lifts, cell=cell.type.name, kind=cell.type.kind, installed=told)


def cell_alarm(at: Standing, question: Question) -> Outcome:
    """Hold while an alarm has no later change; at most caution where the action replaces the cell that it is about.

    Of which cell an alarm was that names none, nobody knows: the action must replace them all. What a cell is that is
    not listed, nobody knows either.
    """
    alarms = open_alarms(at.facts.marks, at.facts.cells, at.facts.as_of)
    if not alarms:
        return SILENT
    newest = {mark.cell: mark for mark in sorted(alarms, key=_alarm_order)}
    return Outcome(tuple(_alarm(at, question, newest[name]) for name in sorted(newest)))


def _alarm_order(mark: Mark) -> tuple[datetime, str, str]:
    return mark.at, mark.by, mark.note


def _alarm(at: Standing, question: Question, mark: Mark) -> Finding:
    arm = at.facts.arm.id
    kinds = {cell.type.kind for cell in at.facts.cells if mark.cell in ("", cell.type.name)}
    replaced = bool(kinds) and kinds.issubset(REPLACED[question.action])
    about = f"its {mark.cell} is low" if mark.cell else "a cell is low, it was not marked which"
    by = f" (marked by {mark.by})" if mark.by else ""
    message = f"The controller of {arm} has told that {about}{by}, and no change was recorded since."
    which = "" if mark.cell else FIND_OUT_WHICH
    lifts = (
        f"Leave the power of {arm} on, save a backup, and have the cell changed.{which} A memory cell: guard swap begin"
        f" {arm}. Other cells, once they are changed: guard mark cell-changed {arm} --cell TYPE"
    )
    if is_out(at) and (not kinds or "memory" in kinds):
        lifts = f"{_ends_it(arm)}{which}"
    level: Level = "caution" if replaced else "hold"
    return finding(
        "cell-alarm", level, message, lifts, cell=mark.cell or None, alarm_at=utc(mark.at), by=mark.by, note=mark.note
    )
