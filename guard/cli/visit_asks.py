"""What the guided run of a visit asks: words, readings, cells and times. Each asks again until it understands."""

from __future__ import annotations

import re
from datetime import datetime

from guard import swaps, visits
from guard.cli import output
from guard.cli.output import tell
from guard.cli.when import date_code, parse_when
from guard.desk import Desk
from guard.errors import GuardError, NotUnderstood
from guard.model import Mark
from guard.plan.steps import Reading, Step
from guard.plan.visit import Visit
from guard.record import Record
from guard.store.windows import NewCell


class Left(Exception):
    """The person leaves the run; the visit waits. ``code`` is what the command then says."""

    def __init__(self, code: int = 0) -> None:
        super().__init__(code)
        self.code = code


class Run(Record):
    """Who walks which arm's visit."""

    desk: Desk
    arm: str
    by: str


def answer(prompt: str) -> str:
    """What a person types at a prompt, without the spaces around it."""
    while True:
        try:
            typed = input(output.visible(prompt)).strip()
            typed.encode()
        except UnicodeError:
            tell("What was typed is no text in the encoding of this terminal. Type it again.")
        else:
            return typed


def choice(word: str, step: Step) -> str:
    """The word that stamps a step, or skip where that may be; whoever types leave leaves."""
    words = f"{word}, skip or leave" if step.optional else f"{word} or leave"
    while True:
        typed = answer(f"Type {words}: ")
        if typed == "leave":
            raise Left
        if typed == word or (typed == "skip" and step.optional):
            return typed


def skipped(run: Run, visit: Visit) -> Visit:
    """The visit with its next step left out, for a reason that is asked for."""
    why = answer("Why is it left out? ")
    if not why:
        tell("Nothing was stamped: a step is left out with a reason only.")
        return visit
    return visits.stamp(run.desk, visit, "skipped", run.by, note=why)


def readings_of(wanted: tuple[Reading, ...]) -> list[tuple[str, str]]:
    """What somebody reads off; Enter where there is nothing to tell, and leave leaves here too."""
    told = []
    for reading in wanted:
        value = _reading(reading)
        if value:
            told.append((reading.name, value))
    return told


def _reading(reading: Reading) -> str:
    unit = f" ({reading.unit})" if reading.unit else ""
    while True:
        typed = answer(f"    {reading.ask}{unit}: ")
        if typed == "leave":
            raise Left
        if not typed or not reading.unit or re.fullmatch(r"[+-]?\d{1,12}([.,]\d{1,9})?", typed, re.ASCII):
            return typed
        tell(f"{typed!r} is no number; write one such as 12.5, without the unit {reading.unit}.")


def position_cells(run: Run) -> tuple[list[Mark], list[tuple[str, str]]]:
    """Which position cells are new: their marks, and what is told of them in the stamp."""
    desk = run.desk
    types = swaps.cells_of(desk, run.arm, "position")
    now = desk.now()
    today = now.astimezone(desk.settings.zone()).date()
    chosen = _chosen(types)
    made = _date_code(run)
    marks = [
        Mark("cell-changed", run.arm, now, run.by, "service visit", cell=kind, installed=today, date_code=made)
        for kind in chosen
    ]
    return marks, [("cells", ", ".join(chosen)), *([("date-code", made)] if made else [])]


def new_cell(run: Run) -> NewCell:
    """The memory cell that is put in, as far as a person tells."""
    desk = run.desk
    types = swaps.cells_of(desk, run.arm)
    (kind,) = _chosen(types, one=True) or [""]
    made = _date_code(run)
    return NewCell(kind, made, desk.now().astimezone(desk.settings.zone()).date())


def _chosen(types: list[str], *, one: bool = False) -> list[str]:
    """Which of some types of cell: the only one, else what somebody tells."""
    if len(types) < 2:
        return types
    which = "Which cell is new, of" if one else "Which cells are new, of"
    while True:
        typed = answer(f"    {which} {', '.join(types)}{'' if one else ' (Enter: all)'}: ")
        chosen = list(dict.fromkeys(each.strip() for each in typed.split(","))) if typed or one else types
        if all(each in types for each in chosen) and (len(chosen) == 1 or not one):
            return chosen
        tell(f"The types are: {', '.join(types)}.")


def _date_code(run: Run) -> str | None:
    today = run.desk.now().astimezone(run.desk.settings.zone()).date()
    while True:
        typed = answer("    Date code of the new cell, YYYY-MM (Enter: none): ")
        if not typed:
            return None
        try:
            return date_code(typed, today)
        except NotUnderstood as wrong:
            tell(str(wrong))


def powered_since(run: Run) -> datetime | None:
    """Since when the mains are on, where nobody recorded it; None for now: what nobody knows does not count."""
    desk = run.desk
    while True:
        typed = answer("    Since when are its mains on? (Enter: nobody knows, count from now) ")
        if not typed:
            return None
        now = desk.now()
        try:
            since = parse_when(typed, now, desk.settings.zone())
        except GuardError as wrong:
            tell(str(wrong))
            continue
        if since <= now:
            return since
        tell("That is yet to come. Write when the mains were switched on.")
