"""What does a cell hold by its figures and by what was recorded of the mains, and how fast does that go? Pure.

A cell of whose figures something is missing, or whose age is not known, has no outlook.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from functools import lru_cache

from guard.model import AnswerTime, ArmFacts, AtStake, FittedCell, Mark
from guard.physics import cell_life, loss
from guard.physics.cell_life import Charge, Period, Rates
from guard.plant import Arm
from guard.record import Record
from guard.rules.capture import believable
from guard.rules.cells import installed_at, made_on
from guard.rules.standing import once_each

TYPE_CHECKING = False

if TYPE_CHECKING:
    from guard.physics.loss import Margin

MICROSECONDS_AN_HOUR = 3600 * 10**6

HOUR = timedelta(hours=1)


class Depletion(Record):
    """When a cell is expected to be empty, and the standard deviation of that."""

    at: datetime
    sigma: timedelta


class Outlook(Record):
    """What a cell holds now, and how fast that goes from now on, the mains being off for the part ``off`` of the time.

    ``unproven_h`` is how long ago it was last known to be good: installed, or carried a controller through a time off.
    """

    charge: Charge
    rates: Rates
    off: float
    unproven_h: float

    def margin(self, microseconds: int, off_h: float) -> Margin:
        """The charge so long from now against what so many hours off will take."""
        then = cell_life.later(self.charge, self.rates, Period(microseconds / MICROSECONDS_AN_HOUR, self.off))
        return loss.margin(then, self.rates, off_h)

    def loss(
        self, microseconds: int, off_h: float, failures_per_year: float, cost_h: float = 0.0, at: Margin | None = None
    ) -> AtStake:
        """The chance of a loss in an event that begins so long from now, and its cost; ``at`` is the margin then."""
        unproven_h = self.unproven_h + microseconds / MICROSECONDS_AN_HOUR + off_h
        return loss.loss(at or self.margin(microseconds, off_h), cost_h, failures_per_year, unproven_h)


def outlook(
    cell: FittedCell, arm: Arm, marks: tuple[Mark, ...], as_of: datetime, answers: tuple[AnswerTime, ...] = ()
) -> Outlook | None:
    """What a cell holds by its figures and by what was recorded of the arm's mains; None where something is missing."""
    return _outlook(cell, arm, _mains(marks, answers, as_of), as_of)


def _outlook(cell: FittedCell, arm: Arm, mains: Mains, as_of: datetime) -> Outlook | None:
    start, figures = installed_at(cell, as_of), _figures(cell.type)
    if start is None or figures is None:
        return None
    rates = _rates(figures, arm.ambient_c)
    periods = cell_life.periods(start, as_of, mains.recorded, arm.powered_fraction)
    charge = cell_life.charge_left(cell_life.new_charge(figures, _shelf_hours(cell)), rates, periods)
    good = max(start, mains.survived) if mains.survived else start
    off = 1.0 if mains.off else 1 - arm.powered_fraction
    return Outlook(charge, rates, off, max((as_of - good) / HOUR, 0.0))


# A plant has few types of cells, and few temperatures.
_figures = lru_cache(maxsize=64)(cell_life.figures_of)
_rates = lru_cache(maxsize=64)(cell_life.rates)


@once_each
def outlooks(facts: ArmFacts) -> tuple[tuple[FittedCell, Outlook], ...]:
    """The cells that can be judged by their charge, each with its outlook."""
    mains = _mains(facts.marks, facts.answers, facts.as_of)
    known = ((cell, _outlook(cell, facts.arm, mains, facts.as_of)) for cell in facts.cells)
    return tuple((cell, of) for cell, of in known if of is not None)


def _shelf_hours(cell: FittedCell) -> float:
    """From the first day of the month that the date code names: the careful reading."""
    made = made_on(cell.date_code)
    if made is None or cell.installed is None:
        return 0.0
    return cell_life.shelf_hours(made, cell.installed)


class Mains(Record):
    """When the mains of an arm were on and off as far as both ends are recorded, and whether they are off now.

    ``survived`` is when the last recorded time off ended.
    """

    recorded: list[cell_life.Recorded]
    off: bool
    survived: datetime | None


def _mains(marks: tuple[Mark, ...], answers: tuple[AnswerTime, ...], as_of: datetime) -> Mains:
    """What the marks tell of an arm's mains, and whether its controller answered.

    A time off that has no end lasts. One of power that has no end is not counted: nobody has
    recorded that it lasted. A time without answers is taken for one off (see `power.answer_times`), and
    proves of no cell that it carried a memory.
    """
    told = [mark for mark in marks if mark.kind in ("powered-on", "powered-off") and believable(mark.at, as_of)]
    found: list[cell_life.Recorded] = []
    on = off = survived = None
    for mark in sorted(told, key=lambda mark: (mark.at, mark.kind == "powered-off")):
        if mark.kind == "powered-on":
            if off is not None:
                found.append(cell_life.Recorded(off, mark.at, on=False))
                survived = mark.at
            on, off = mark.at, None
        else:
            if on is not None:
                found.append(cell_life.Recorded(on, mark.at, on=True))
            on, off = None, off or mark.at
    if off is not None:
        found.append(cell_life.Recorded(off, as_of, on=False))
    silent = [each for each in answers if not each.answers and each.start <= as_of]
    found += [cell_life.Recorded(each.start, min(each.end or as_of, as_of), on=False) for each in silent]
    found += [
        cell_life.Recorded(each.start, each.end, on=True)
        for each in answers
        if each.answers and each.end is not None and each.end <= as_of
    ]
    return Mains(found, off is not None or any(each.end is None for each in silent), survived)


def depletion(of: Outlook, as_of: datetime) -> Depletion | None:
    """When the cell is expected to be empty; None for never, and past the end of the calendar."""
    empty = cell_life.empty_after(of.charge, of.rates, (), of.off)
    at = None if empty is None else cell_life.moment_after(as_of, empty.after_h)
    return None if empty is None or at is None else Depletion(at, empty.sigma_h * HOUR)
