"""The chance that an arm loses its memory while its mains are off, and the hours of work that this costs. Pure.

Stress against strength: the memory is lost where the charge needed exceeds the charge left. Both are taken
as normal, so the margin between them is, and the chance is that of a margin below nothing.
"""

from __future__ import annotations

import math

from guard.model import AtStake
from guard.physics.cell_life import (
    HOURS_A_YEAR,
    MOST_EXPONENT,
    MOST_HOURS,
    Charge,
    Rates,
    mean_kept,
    mean_kept_slope,
)
from guard.plant import Costs
from guard.record import Record

TYPE_CHECKING = False

if TYPE_CHECKING:  # what only the type checker reads costs no answer any time
    from typing import Literal

    Restorable = Literal["image", "no-image", "nothing"]
else:
    Restorable = str


MOST_EDITS = 1_000_000


class Margin(Record):
    """The charge at the start of an event against what the time off will need, with the spread of the difference.

    ``mah`` is the difference; it counts what is missing where the cell is empty already.
    """

    charge_mah: float
    need_mah: float
    mah: float
    sigma_mah: float


def margin(charge: Charge, at: Rates, off_h: float) -> Margin:
    """The margin of a cell whose charge is that when the mains go off for so many hours.

    The need is the charge that is just used up when the mains come back, self-discharge meanwhile included:
    Q(h) = 0 of the solution in cell_life, solved for Q(0): N = I·(exp(k·h) - 1)/k, and I·h for k = 0.
    """
    hours = _cut(off_h)
    x = min(MOST_EXPONENT, at.decay_per_h * hours)
    needed_h = hours * mean_kept(-x)
    slope_h2 = -hours * hours * mean_kept_slope(-x)
    sigma_mah = math.hypot(
        charge.by_capacity_mah,
        charge.by_standby_mah - at.draw_sigma_ma * needed_h,
        charge.by_self_discharge_mah - at.decay_sigma_per_h * at.draw_ma * slope_h2,
    )
    need_mah = at.draw_ma * needed_h
    return Margin(charge.mah, need_mah, charge.signed_mah - need_mah, sigma_mah)


def chance_of_shortage(margin_mah: float, sigma_mah: float) -> float:
    """P(M < 0) of a normal margin: Φ(-mean/deviation), by the complementary error function, which is exact in both tails.

    Without any spread it is certain either way; a margin of nothing is then a loss. A longer time off raises
    the chance up to 1/2 and never brings it back below; beyond, where self-discharge alone is uncertain, the
    spread may grow faster than what is missing, and the chance fall a little.
    """
    if sigma_mah <= 0:
        return 0.0 if margin_mah > 0 else 1.0
    return math.erfc(margin_mah / sigma_mah / math.sqrt(2)) / 2


def chance_of_failure(failures_per_year: float, unproven_h: float) -> float:
    """1 - exp(-λt): that a cell has failed at random since it was last known good, at a constant rate.

    The exponential distribution: NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.6.1.
    """
    return -math.expm1(-max(0.0, failures_per_year) * _cut(unproven_h) / HOURS_A_YEAR)


def either(one: float, other: float) -> float:
    """The chance of at least one of two independent events."""
    return one + other * (1 - one)


def cost_h(costs: Costs, restorable: Restorable, edits_since: int = 0) -> float:
    """Hours of work if the memory is lost now, by what the set at hand allows and the edits since it was saved."""
    if restorable == "nothing":
        return _cut(costs.reteach_h)
    again_h = _cut(costs.edit_h) * min(max(0, edits_since), MOST_EDITS)
    return _cut(again_h + _cut(costs.restore_h if restorable == "image" else costs.rebuild_h))


def loss(of: Margin, cost_hours: float, failures_per_year: float = 0.0, unproven_h: float = 0.0) -> AtStake:
    """The chance that the memory does not survive, times the hours that this costs."""
    probability = either(
        chance_of_shortage(of.mah, of.sigma_mah),
        chance_of_failure(failures_per_year, unproven_h),
    )
    return AtStake(probability, cost_hours, probability * cost_hours)


def _cut(hours: float) -> float:
    return max(0.0, min(MOST_HOURS, hours))
