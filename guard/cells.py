"""The lithium cells of all arms and the spares in stock, as use cases."""

from __future__ import annotations

from guard.desk import Desk
from guard.model import AnswerTime, ArmFacts, FittedCell, Mark, ShareFacts
from guard.record import Record
from guard.rules.cells import fitted
from guard.rules.charge import cost_h
from guard.rules.standing import standing
from guard.share.ground import judgements
from guard.store.cells import record
from guard.store.facts import sets_of
from guard.store.presence import answers


class ArmCells(Record):
    """The cells of one arm, what was marked on it, and when its controller answered."""

    arm: str
    cells: tuple[FittedCell, ...]
    marks: tuple[Mark, ...]
    answers: tuple[AnswerTime, ...] = ()


def cells_of_all(desk: Desk) -> list[ArmCells]:
    """The cells of every arm, put right by what was marked, without a look at the share."""
    marks: dict[str, list[Mark]] = {}
    for mark in desk.records.marks():
        marks.setdefault(mark.arm, []).append(mark)
    asked = [arm for arm, its in desk.settings.arms.items() if its.presence]
    times = answers(desk.catalogue.store, desk.ledger.store, asked)
    return [
        ArmCells(arm, cells, tuple(marks.get(arm, ())), times.get(arm, ()))
        for arm, listed in desk.settings.arms.items()
        for cells in (fitted(listed.cells, desk.settings.cell_types, marks.get(arm, ())),)
    ]


def costs_of_loss(desk: Desk) -> dict[str, float]:
    """Hours of work that a loss of each arm's memory would cost, by the sets that the share last showed."""
    found, now = {}, desk.now()
    for known in cells_of_all(desk):
        recipe = desk.settings.recipe_of(known.arm)
        sets = sets_of(desk.catalogue.store, known.arm, judgements(recipe, desk.settings.timezone))
        seen = ShareFacts("right", desk.catalogue.place(0).seen_at)
        arm, limits = desk.settings.arms[known.arm], desk.settings.limits
        found[known.arm] = cost_h(standing(ArmFacts(arm, recipe, limits, seen, now, sets, known.marks)))
    return found


def count_spares(desk: Desk, kind: str, count: int, date_code: str | None, by: str) -> int:
    """Record how many spare cells of a type lie there now; returns the number of the entry."""
    with desk.recording() as ledger:
        return record(ledger, kind, count, date_code, by, desk.now())
