"""What a cell holds by its figures, and when that is too little: design 7, "Cell life" and "Memory loss in an event".

Plain arithmetic on purpose: the charge is followed period by period, and each spread is found by trying a figure that
is a little larger.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timedelta
from typing import NamedTuple

from tests.oracle.memory import Mark
from tests.oracle.setting import YEAR, Arm, Figures

HOUR = timedelta(hours=1)
BOLTZMANN_EV_PER_K = 8.617333262e-5  # CODATA 2018
LONGEST = 60 * YEAR


class Period(NamedTuple):
    """Time over which the mains were off for a part of it."""

    start: datetime
    end: datetime
    off: float


def charge_at(figures: Figures, arm: Arm, periods: list[Period]) -> float:
    """dQ/dt = -kQ - I·off, period by period; k by Arrhenius, I doubles with every so many degrees."""
    decay, draw = rates(figures, arm)
    left = figures.capacity_mah * figures.usable * (1 - figures.discharge) ** figures.shelf_years  # at 25 degrees C
    for period in periods:
        kept = math.exp(-decay * ((period.end - period.start) / YEAR))
        left = left * kept - period.off * draw * (1 - kept) / decay
    return left


def rates(figures: Figures, arm: Arm) -> tuple[float, float]:
    """The part that is lost and the mAh that are drawn in a year."""
    ageing = math.exp(figures.ageing_ev * (1 / 298.15 - 1 / (arm.ambient_c + 273.15)) / BOLTZMANN_EV_PER_K)
    decay = -math.log(1 - figures.discharge) * ageing
    return decay, figures.standby_ua / 1000 * 2 ** ((arm.ambient_c - 25) / figures.doubles_every_c) * (YEAR / HOUR)


def needed(figures: Figures, arm: Arm, off: timedelta) -> float:
    """What must be there so that it is just used up when the mains come back."""
    decay, draw = rates(figures, arm)
    return draw * (math.exp(decay * (off / YEAR)) - 1) / decay


def chance(figures: Figures, arm: Arm, periods: list[Period], off: timedelta) -> float:
    """That more is needed than is left: both normal, with the spreads of the figures they come from."""

    def margin(figures: Figures) -> float:
        return charge_at(figures, arm, periods) - needed(figures, arm, off)

    step = 1e-4
    slopes = {
        name: (margin(figures._replace(**{name: getattr(figures, name) * (1 + step)})) - margin(figures)) / step
        for name in ("capacity_mah", "standby_ua", "discharge")
    }
    sigma = math.hypot(*(slope * spread for slope, spread in zip(slopes.values(), figures.spreads, strict=True)))
    if sigma == 0:
        return float(margin(figures) < 0)
    return math.erfc(margin(figures) / sigma / math.sqrt(2)) / 2


def mains(marks: list[Mark], duty_off: float, since: datetime, until: datetime) -> list[Period]:
    """How the mains were and will be: as recorded, else by the duty.

    Power that nobody ended is not known to have lasted; a time off that nobody ended lasts.
    """
    found, moment, state = [], since, ""
    for mark in sorted(marks, key=lambda one: (one.at, one.kind == "powered-off")):
        if (state, mark.kind) == ("powered-off", "powered-off"):
            continue  # it was off already
        if state == "powered-off" or (state, mark.kind) == ("powered-on", "powered-off"):
            found.append(Period(moment, mark.at, 1.0 if state == "powered-off" else 0.0))
        elif moment < mark.at:
            found.append(Period(moment, mark.at, duty_off))
        moment, state = mark.at, mark.kind
    found.append(Period(moment, max(moment, until), 1.0 if state == "powered-off" else duty_off))
    cut = [Period(max(since, one.start), min(one.end, until), one.off) for one in found]
    return [one for one in cut if one.start < one.end]


def first_moment(rising: Callable[[datetime], float], limit: float, start: datetime) -> datetime | None:
    """The first moment from ``start`` on at which a limit is reached; None where it is not for very long."""
    low, high = start, start + LONGEST
    if rising(low) >= limit:
        return low
    if rising(high) < limit:
        return None
    while high - low > timedelta(seconds=1):
        middle = low + (high - low) / 2
        low, high = (low, middle) if rising(middle) >= limit else (middle, high)
    return high
