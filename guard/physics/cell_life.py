"""The charge that a lithium cell has left, and when it is empty, each with its spread. Pure.

The charge Q of a cell obeys dQ/dt = -k(T)·Q - I(t): it loses a part of what it holds by itself, the
faster the warmer it is, and the controller draws on it while its mains are off. As k and I are constant
within a period, so is the form of the solution there (the linear differential equation of first order):

    Q(t + h) = Q(t)·exp(-k·h) - I·(1 - exp(-k·h))/k        and for k = 0:  Q(t) - I·h

k(T) = -ln(1 - s)·AF(T), with s the self-discharge a year at 25 °C and AF Arrhenius' factor. I(T) doubles
every so many degrees (a usual rule for the standby current of memory; common practice, no source).

The spread goes through the same solution: next to the charge stands what one standard deviation of each
uncertain figure changes in it (first-order propagation: JCGM 100:2008, 5.1.2). So what the standby current
took is rightly correlated with what it will take.

Within, a charge may fall below nothing: that is what is missing, and it never becomes positive again.
Figures beyond what any cell has are cut to the limits below, so that every finite input has a finite answer.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from datetime import date, datetime, timedelta

from guard.plant import CellType
from guard.record import Record

HOURS_A_YEAR = 8766.0
"""The Julian year of 365.25 d, as spans in the configuration have it."""

BOLTZMANN_EV_PER_K = 8.617333262e-5
"""Exact since the revision of the SI of 2019 (CODATA 2018), cut after ten digits."""

KELVIN_AT_0_C = 273.15
REFERENCE_C = 25.0
"""The temperature for which self-discharge and standby current are given."""

MOST_MAH = MOST_UA = 1e9
MOST_HOURS = 1e9
MOST_SPREAD = 1e3
MOST_EV = 100.0
MOST_SELF_DISCHARGE = 1 - 2**-53
MOST_EXPONENT = 100.0

SERIES_BELOW = 0.05
"""Below, 1 - exp(-x)·(1 + x) loses digits that its power series keeps: eight terms are exact to 1e-16 there."""
_SERIES = tuple((-1) ** n * (1 - n) / math.factorial(n) for n in range(2, 10))


class CellFigures(Record):
    """What a type of cell is said to have; spreads are standard deviations as parts of the values."""

    capacity_mah: float
    standby_ua: float
    usable: float
    self_discharge_per_year: float
    spread_capacity: float
    spread_standby: float
    spread_self_discharge: float
    ageing_ev: float
    standby_doubles_every_c: float


class Rates(Record):
    """How fast a cell loses charge at one temperature, and a standard deviation of each."""

    decay_per_h: float
    draw_ma: float
    decay_sigma_per_h: float
    draw_sigma_ma: float


class Period(Record):
    """A length of time; ``off`` is the part of it with the mains off: 1, 0, or the mean where nothing is recorded."""

    hours: float
    off: float


class Recorded(Record):
    """The mains are known to have been on, or off, from ``start`` to ``end``."""

    start: datetime
    end: datetime
    on: bool


class Charge(Record):
    """What a cell holds, and what one standard deviation of each figure changes in it.

    ``signed_mah`` is below nothing by what is missing; show ``mah`` and calculate with this.
    """

    signed_mah: float
    by_capacity_mah: float
    by_standby_mah: float
    by_self_discharge_mah: float

    @property
    def mah(self) -> float:
        """The charge left, never below nothing."""
        return max(0.0, self.signed_mah)

    @property
    def sigma_mah(self) -> float:
        """The standard deviation of the charge: the three are independent of each other (JCGM 100:2008, 5.1.2)."""
        return math.hypot(self.by_capacity_mah, self.by_standby_mah, self.by_self_discharge_mah)


class Empty(Record):
    """In how many hours a cell is expected to be empty, and the standard deviation of that."""

    after_h: float
    sigma_h: float


def figures_of(kind: CellType) -> CellFigures | None:
    """The figures of a type of cell; None where its capacity or the current drawn from it is not known."""
    if kind.capacity_mah is None or kind.standby_ua is None:
        return None
    return CellFigures(
        capacity_mah=kind.capacity_mah,
        standby_ua=kind.standby_ua,
        usable=kind.usable,
        self_discharge_per_year=kind.self_discharge_per_year,
        spread_capacity=kind.spread_capacity,
        spread_standby=kind.spread_standby,
        spread_self_discharge=kind.spread_self_discharge,
        ageing_ev=kind.ageing_ev,
        standby_doubles_every_c=kind.standby_doubles_every_c,
    )


def arrhenius_factor(energy_ev: float, from_c: float, to_c: float) -> float:
    """How many times faster a process with that activation energy runs at ``to_c`` than at ``from_c``.

    exp[(Ea/k)(1/Tu - 1/Ts)]: NIST/SEMATECH e-Handbook of Statistical Methods, 8.1.5.1.
    """
    per_k = 1 / _kelvin(from_c) - 1 / _kelvin(to_c)
    return _growth(_cut(energy_ev, MOST_EV) / BOLTZMANN_EV_PER_K * per_k)


def standby_factor(doubles_every_c: float, ambient_c: float) -> float:
    """How many times the standby current at 25 °C it is at another temperature.

    It doubles every so many degrees: common practice, no source. Nothing or less leaves it as it is.
    """
    if doubles_every_c <= 0:
        return 1.0
    return _growth((ambient_c - REFERENCE_C) / doubles_every_c * math.log(2))


def rates(figures: CellFigures, ambient_c: float) -> Rates:
    """How fast such a cell loses charge at that temperature."""
    ageing = arrhenius_factor(figures.ageing_ev, REFERENCE_C, ambient_c)
    draw_ma = _cut(figures.standby_ua, MOST_UA) / 1000 * standby_factor(figures.standby_doubles_every_c, ambient_c)
    return Rates(
        decay_per_h=_decay_per_h(figures) * ageing,
        draw_ma=draw_ma,
        decay_sigma_per_h=_decay_sigma_per_h(figures) * ageing,
        draw_sigma_ma=draw_ma * _cut(figures.spread_standby, MOST_SPREAD),
    )


def shelf_hours(made: date | None, installed: date) -> float:
    """How long a cell lay on the shelf from its date code on; nothing where there is none or it lies later."""
    return 0.0 if made is None else max(0.0, (installed - made).days * 24.0)


def new_charge(figures: CellFigures, shelf_h: float = 0.0) -> Charge:
    """What can be drawn from a cell when it is installed, after so long on a shelf at 25 °C."""
    hours = _cut(shelf_h, MOST_HOURS)
    kept = math.exp(-_decay_per_h(figures) * hours)
    mah = _cut(figures.capacity_mah, MOST_MAH) * _cut(figures.usable, 1.0) * kept
    by_self_discharge = -_decay_sigma_per_h(figures) * hours * mah
    return Charge(mah, mah * _cut(figures.spread_capacity, MOST_SPREAD), 0.0, by_self_discharge)


def later(charge: Charge, at: Rates, period: Period) -> Charge:
    """What is left of a charge after a period: the solution of the equation above, and its derivatives."""
    hours, off = _cut(period.hours, MOST_HOURS), _cut(period.off, 1.0)
    x = at.decay_per_h * hours
    kept = math.exp(-x)
    drawn_h = off * hours * mean_kept(x) if off else 0.0
    slope_h2 = off * hours * hours * mean_kept_slope(x) if off else 0.0
    by_decay = -hours * charge.signed_mah * kept - at.draw_ma * slope_h2
    return Charge(
        charge.signed_mah * kept - at.draw_ma * drawn_h,
        charge.by_capacity_mah * kept,
        charge.by_standby_mah * kept - at.draw_sigma_ma * drawn_h,
        charge.by_self_discharge_mah * kept + at.decay_sigma_per_h * by_decay,
    )


def charge_left(charge: Charge, at: Rates, periods: Iterable[Period]) -> Charge:
    """What is left of a charge after all these periods."""
    for period in periods:
        charge = later(charge, at, period)
    return charge


def empty_after(charge: Charge, at: Rates, ahead: Sequence[Period], then_off: float) -> Empty | None:
    """When a charge will be used up: after the periods ahead the mains are off for ``then_off`` of the time.

    Nothing where the cell is empty already; None where nothing draws on it so that it would ever be:
    self-discharge alone takes less and less.
    """
    passed_h = 0.0
    for period in (*ahead, Period(MOST_HOURS, then_off)):
        hours, left = _cut(period.hours, MOST_HOURS), later(charge, at, period)
        within_h = _hours_to_empty(charge, at, _cut(period.off, 1.0))
        if within_h is not None and (within_h <= hours or left.signed_mah <= 0):  # whichever way the last digit falls
            until = Period(min(within_h, hours), period.off)
            return Empty(passed_h + until.hours, _empty_sigma_h(charge, at, until))
        passed_h, charge = passed_h + hours, left
    return None


def moment_after(start: datetime, hours: float) -> datetime | None:
    """The moment so many hours later; None where no calendar has it."""
    try:
        return start + timedelta(hours=hours)
    except OverflowError:
        return None


def periods(start: datetime, end: datetime, recorded: Iterable[Recorded], powered_fraction: float) -> list[Period]:
    """The time from ``start`` to ``end`` in periods; what is not recorded has the mains on for that part of it.

    Where records contradict each other, the mains were off: that takes more charge.
    """
    changes: list[tuple[datetime, int, int]] = []
    for each in recorded:
        began, ended = max(start, each.start), min(end, each.end)
        if began < ended:
            on, off = int(each.on), int(not each.on)
            changes += [(began, on, off), (ended, -on, -off)]
    found: list[Period] = []
    at, on, off = start, 0, 0
    for moment, more_on, more_off in (*sorted(changes), (end, 0, 0)):
        if moment > at:
            part = 1.0 if off else 0.0 if on else 1 - _cut(powered_fraction, 1.0)
            found.append(Period(_hours(moment - at), part))
            at = moment
        on, off = on + more_on, off + more_off
    return found


def mean_kept(x: float) -> float:
    """(1 - exp(-x))/x, the mean of exp(-x·u) over u from 0 to 1; 1 for x = 0."""
    return -math.expm1(-x) / x if x else 1.0


def mean_kept_slope(x: float) -> float:
    """The derivative of mean_kept, ((1 + x)·exp(-x) - 1)/x²; -1/2 for x = 0."""
    if abs(x) >= SERIES_BELOW:
        return (x * math.exp(-x) + math.expm1(-x)) / x / x
    total = 0.0
    for factor in reversed(_SERIES):
        total = total * x + factor
    return total


def _hours_to_empty(charge: Charge, at: Rates, off: float) -> float | None:
    """Q(h) = 0 solved for h: ln(1 + k·Q/I)/k, and Q/I for k = 0."""
    if charge.signed_mah <= 0:
        return 0.0
    draw_ma = at.draw_ma * off
    alone_h = charge.signed_mah / draw_ma if draw_ma else math.inf
    x = at.decay_per_h * alone_h
    if x == math.inf or math.isnan(x):
        return None
    return alone_h * (math.log1p(x) / x if x else 1.0)


def _empty_sigma_h(charge: Charge, at: Rates, until: Period) -> float:
    """Where Q passes nothing, the charge falls by the draw alone: a lack of charge is a lack of time at that pace."""
    draw_ma = at.draw_ma * _cut(until.off, 1.0)
    if charge.signed_mah <= 0 or not draw_ma:
        return 0.0
    return min(MOST_HOURS, later(charge, at, until).sigma_mah / draw_ma)


def _decay_per_h(figures: CellFigures) -> float:
    """The rate k at 25 °C: what is lost is a part of what is there, so -ln(1 - s) and not s itself."""
    return -math.log1p(-_cut(figures.self_discharge_per_year, MOST_SELF_DISCHARGE)) / HOURS_A_YEAR


def _decay_sigma_per_h(figures: CellFigures) -> float:
    """The standard deviation of k at 25 °C: that of s times dk/ds = 1/(1 - s)."""
    lost = _cut(figures.self_discharge_per_year, MOST_SELF_DISCHARGE)
    return _cut(figures.spread_self_discharge, MOST_SPREAD) * lost / (1 - lost) / HOURS_A_YEAR


def _kelvin(celsius: float) -> float:
    return max(1.0, celsius + KELVIN_AT_0_C)


def _growth(exponent: float) -> float:
    return math.exp(max(-MOST_EXPONENT, min(MOST_EXPONENT, exponent)))


def _cut(value: float, most: float) -> float:
    if 0.0 <= value <= most:
        return value
    return 0.0 if value < 0.0 else most


def _hours(length: timedelta) -> float:
    return length / timedelta(hours=1)
