"""The charge of a cell against published examples, numeric integration, random draws and the laws it obeys.

Evidence as beside each example: F the figure was read in the source; I its inputs were read there, the
result computed from its formula; C computed from a definition.
"""

from __future__ import annotations

import math
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal, localcontext
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from guard.physics.cell_life import (
    HOURS_A_YEAR,
    MOST_HOURS,
    SERIES_BELOW,
    CellFigures,
    Charge,
    Empty,
    Period,
    Rates,
    Recorded,
    arrhenius_factor,
    charge_left,
    empty_after,
    figures_of,
    later,
    mean_kept,
    mean_kept_slope,
    moment_after,
    new_charge,
    periods,
    rates,
    shelf_hours,
    standby_factor,
)
from guard.plant import CellType
from tests.facts import PLANT_CELL

YEAR_OF_365_D_H = 8760.0
OFF = 1.0
ON = 0.0


def alone(capacity_mah: float, draw_ua: float, self_discharge_per_year: float = 0.0) -> tuple[Charge, Rates]:
    """A whole cell at 25 °C with the mains off for good, as published examples have it."""
    figures = PLANT_CELL._replace(
        capacity_mah=capacity_mah, standby_ua=draw_ua, usable=1.0, self_discharge_per_year=self_discharge_per_year
    )
    return new_charge(figures), rates(figures, 25.0)


def life_h(charge: Charge, at: Rates, off: float = OFF) -> float:
    found = empty_after(charge, at, (), off)
    assert found is not None
    return found.after_h


def ageing(life_years: float) -> float:
    """The self-discharge a year of which the rate -ln(1 - s) adds up to 1 in that many years."""
    return -math.expm1(-1 / life_years)


class TestPublishedLives:
    """A charge divided by what draws on it, and what ageing takes from that."""

    @pytest.mark.parametrize(
        ("capacity_mah", "draw_ua", "lost_a_year", "years", "within"),
        [
            # Maxim AN 505, case I: 120 mAh, 1.2 µA, always off: 100,000 h. I
            pytest.param(120, 1.2, 0.0, 100_000 / YEAR_OF_365_D_H, 1e-12, id="an505-case-1"),
            # DS1216D note: 45 mAh usable, 0.5 µA: 90,000 h = 10.27 y, "more than 10 years". F
            pytest.param(45, 0.5, 0.0, 10.27, 0.005, id="ds1216d"),
            # Project log on coin cells, 2018: 225 mAh, 1.15 µA: 22.3 y. F
            pytest.param(225, 1.15, 0.0, 22.3, 0.05, id="coin-cell"),
            # The same with 1 % a year of the remaining charge: 20.2 y. F
            pytest.param(225, 1.15, 0.01, 20.2, 0.05, id="coin-cell-self-discharge"),
        ],
    )
    def test_a_cell_lasts_as_long_as_published(
        self, capacity_mah: float, draw_ua: float, lost_a_year: float, years: float, within: float
    ) -> None:
        found = life_h(*alone(capacity_mah, draw_ua, lost_a_year)) / YEAR_OF_365_D_H
        assert found == pytest.approx(years, abs=within)

    def test_times_at_two_temperatures_age_a_cell_in_proportion(self) -> None:
        """ST AN1012 rev. 4, section 3.2: 600 h a year at 90 °C (life 1.8 y), else 60 °C (28 y): at least 14 y. F."""
        hot, warm = (alone(1, 0.0, ageing(life_years))[1] for life_years in (1.8, 28))
        charge, part = Charge(1.0, 0, 0, 0), 600 / YEAR_OF_365_D_H
        for _ in range(14):
            charge = later(charge, hot, Period(part * HOURS_A_YEAR, ON))
            charge = later(charge, warm, Period((1 - part) * HOURS_A_YEAR, ON))
        used_up = -math.log(charge.mah)
        assert 14 / used_up == pytest.approx(14.0213, abs=5e-5)

    def test_drain_and_ageing_together_lie_between_the_two_published_ways_to_join_them(self) -> None:
        """The smaller of the two (ST AN1012), or like parallel resistors (Maxim AN 505). F.

        For 11.4155 y and 20.4346 y that is 11.42 y against 7.32 y.
        """
        draw_ua = 120_000 / (11.4155 * HOURS_A_YEAR)
        assert life_h(*alone(120, draw_ua)) / HOURS_A_YEAR == pytest.approx(11.42, abs=0.005)
        parallel = 1 / (1 / 11.4155 + 1 / 20.4346)
        assert parallel == pytest.approx(7.32, abs=0.005)
        found = life_h(*alone(120, draw_ua, ageing(20.4346))) / HOURS_A_YEAR
        assert parallel < found < 11.4155
        assert found == pytest.approx(20.4346 * math.log1p(11.4155 / 20.4346), rel=1e-12)

    @given(st.floats(0.1, 100), st.floats(0.1, 100))
    def test_they_always_do(self, drain_years: float, ageing_years: float) -> None:
        charge, at = Charge(1.0, 0, 0, 0), Rates(1 / ageing_years, 1 / drain_years, 0, 0)
        found = life_h(charge, at)
        parallel = 1 / (1 / drain_years + 1 / ageing_years)
        assert parallel * (1 - 1e-9) <= found <= drain_years * (1 + 1e-9)


class TestPublishedFactors:
    @pytest.mark.parametrize(
        ("energy_ev", "cool_c", "hot_c", "factor", "within"),
        [
            # ABLIC FAQ after JEITA ED-4701: 0.5 eV, 40 to 125 °C: 52. F
            pytest.param(0.5, 40, 125, 52, 0.01, id="ablic"),
            pytest.param(0.5, 40, 125, 52.23, 1e-3, id="ablic-with-273.15"),
            # NIST/SEMATECH e-Handbook 8.1.5.1: 25 to 125 °C. From memory, and computed
            pytest.param(0.5, 25, 125, 133, 0.01, id="nist-half-ev"),
            pytest.param(1.0, 25, 125, 17_597, 0.01, id="nist-one-ev"),
            # 0.7 eV, 55 to 125 °C: about 78. From memory, and computed
            pytest.param(0.7, 55, 125, 78, 0.01, id="usual-burn-in"),
            # 1 eV: 3.54 times for 10 °C from 25 °C. C
            pytest.param(1.0, 25, 35, 3.54, 2e-3, id="ten-degrees"),
            # 0.55 eV doubles every 10 °C. C
            pytest.param(0.55, 25, 35, 2.0, 0.01, id="doubling"),
            # ST AN1012: 28 y at 60 °C against 1.8 y at 90 °C gives 0.954 eV. C from figures read (F)
            pytest.param(0.954, 60, 90, 28 / 1.8, 2e-3, id="an1012-curve"),
        ],
    )
    def test_arrhenius(self, energy_ev: float, cool_c: float, hot_c: float, factor: float, within: float) -> None:
        assert arrhenius_factor(energy_ev, cool_c, hot_c) == pytest.approx(factor, rel=within)
        assert arrhenius_factor(energy_ev, hot_c, cool_c) == pytest.approx(1 / factor, rel=within)

    @pytest.mark.parametrize(("ambient_c", "years"), [(85, 1.796), (70, 7.405), (60, 20.43)])
    def test_life_of_a_coin_cell_from_1900_h_at_110_c(self, ambient_c: float, years: float) -> None:
        """Maxim AN 505, tables: about 1 eV. C."""
        life_years = 1900 / YEAR_OF_365_D_H * arrhenius_factor(1.0, ambient_c, 110)
        assert life_years == pytest.approx(years, rel=3e-4)

    @pytest.mark.parametrize(("ambient_c", "factor"), [(25, 1.0), (35, 2.0), (45, 4.0), (15, 0.5), (30, math.sqrt(2))])
    def test_standby_current_doubles_every_ten_degrees(self, ambient_c: float, factor: float) -> None:
        """Common practice, no source."""
        assert standby_factor(10.0, ambient_c) == pytest.approx(factor, rel=1e-15)

    def test_no_doubling_leaves_the_current_as_it_is(self) -> None:
        assert standby_factor(0.0, 80.0) == 1.0

    def test_one_ev_is_more_cautious_for_ageing_than_doubling(self) -> None:
        for ambient_c in range(26, 90):
            assert arrhenius_factor(1.0, 25, ambient_c) > standby_factor(10.0, ambient_c)


class TestSolution:
    """Each period in closed form, joined without a gap."""

    HISTORIES = (
        pytest.param(PLANT_CELL, 30.0, [Period(4 * HOURS_A_YEAR, 0.15)], id="mean-draw"),
        pytest.param(PLANT_CELL, 25.0, [Period(700, OFF), Period(9000, ON), Period(336, OFF)], id="recorded"),
        pytest.param(PLANT_CELL, 60.0, [Period(2000, OFF), Period(7000, 0.4)], id="hot"),
        pytest.param(PLANT_CELL, -10.0, [Period(5000, OFF), Period(5000, 0.3)], id="cold"),
        pytest.param(PLANT_CELL._replace(self_discharge_per_year=0.0), 30.0, [Period(9000, 0.5)], id="no-self-discharge"),
        pytest.param(PLANT_CELL._replace(self_discharge_per_year=1e-12), 30.0, [Period(9000, 0.5)], id="hardly-any"),
        pytest.param(PLANT_CELL._replace(standby_ua=0.0), 40.0, [Period(9000, OFF)], id="no-draw"),
        pytest.param(PLANT_CELL._replace(self_discharge_per_year=0.6), 45.0, [Period(3000, 0.7)], id="leaky"),
    )  # fmt: skip

    @pytest.mark.parametrize(("figures", "ambient_c", "spent"), HISTORIES)
    def test_the_closed_form_is_what_integration_gives(
        self, figures: CellFigures, ambient_c: float, spent: list[Period]
    ) -> None:
        decay_per_h = -math.log1p(-figures.self_discharge_per_year) / 8766 * arrhenius_factor(1.0, 25, ambient_c)
        draw_ma = figures.standby_ua / 1000 * 2 ** ((ambient_c - 25) / 10)
        mah = np.array([figures.capacity_mah * figures.usable])
        for period in spent:

            def slope(_: float, q: Any, drawn: float = draw_ma * period.off) -> Any:
                return -decay_per_h * q - drawn

            mah = solve_ivp(slope, (0, period.hours), mah, "DOP853", rtol=1e-12, atol=1e-10).y[:, -1]
        found = charge_left(new_charge(figures), rates(figures, ambient_c), spent)
        assert found.signed_mah == pytest.approx(float(mah[0]), rel=1e-9)

    @pytest.mark.parametrize(("figures", "ambient_c", "spent"), HISTORIES)
    @pytest.mark.parametrize(
        ("key", "spread", "part"),
        [
            ("capacity_mah", "spread_capacity", "by_capacity_mah"),
            ("standby_ua", "spread_standby", "by_standby_mah"),
            ("self_discharge_per_year", "spread_self_discharge", "by_self_discharge_mah"),
        ],
    )
    def test_each_part_of_the_spread_is_the_slope_of_the_solution(
        self, figures: CellFigures, ambient_c: float, spent: list[Period], key: str, spread: str, part: str
    ) -> None:
        shelf_h = 5000.0
        value = getattr(figures, key)

        def mah(factor: float) -> float:
            moved = figures._replace(**{key: value * factor})
            return charge_left(new_charge(moved, shelf_h), rates(moved, ambient_c), spent).signed_mah

        step = 1e-4
        slope_mah = (mah(1 + step) - mah(1 - step)) / (2 * step)
        found = charge_left(new_charge(figures, shelf_h), rates(figures, ambient_c), spent)
        assert getattr(found, part) == pytest.approx(slope_mah * getattr(figures, spread), rel=1e-6, abs=1e-7)

    def test_a_cell_that_lay_on_the_shelf_starts_with_less(self) -> None:
        lain = new_charge(PLANT_CELL._replace(self_discharge_per_year=0.02), shelf_h=2 * HOURS_A_YEAR)
        assert lain.mah == pytest.approx(1000 * 0.85 * 0.98**2, rel=1e-14)

    def test_a_year_takes_the_part_that_is_said_and_not_its_rate(self) -> None:
        charge, at = alone(100, 0.0, self_discharge_per_year=0.5)
        assert later(charge, at, Period(HOURS_A_YEAR, OFF)).mah == pytest.approx(50.0, rel=1e-14)

    @pytest.mark.parametrize(
        ("made", "hours"),
        [
            pytest.param(date(2024, 3, 1), 366 * 24.0 - 24, id="a-year-before"),
            pytest.param(date(2025, 3, 1), 0.0, id="the-same-day"),
            pytest.param(date(2025, 9, 1), 0.0, id="later-than-installed"),
            pytest.param(None, 0.0, id="unknown"),
        ],
    )
    def test_time_on_the_shelf(self, made: date | None, hours: float) -> None:
        assert shelf_hours(made, date(2025, 3, 1)) == hours


class TestFigures:
    KIND = CellType("memory-cell", "memory", timedelta(days=1461), 900.0, 0.8, 0.02, 15.0, 0.04, 0.1, 0.2, 0.9, 12.0)

    def test_they_are_those_of_the_type(self) -> None:
        assert figures_of(self.KIND) == CellFigures(900.0, 15.0, 0.8, 0.02, 0.04, 0.1, 0.2, 0.9, 12.0)

    @pytest.mark.parametrize("key", ["capacity_mah", "standby_ua"])
    def test_without_them_nothing_is_calculated(self, key: str) -> None:
        assert figures_of(self.KIND._replace(**{key: None})) is None


class TestNoSelfDischarge:
    """As k goes to 0 nothing jumps."""

    @pytest.mark.parametrize("x", [0.0, 5e-324, 1e-300, 1e-17, 1e-9, 1e-4])
    def test_both_means_have_their_limits(self, x: float) -> None:
        assert mean_kept(x) == pytest.approx(1 - x / 2 + x * x / 6, rel=1e-12)
        assert mean_kept_slope(x) == pytest.approx(-1 / 2 + x / 3 - x * x / 8, rel=1e-12)

    @example(math.nextafter(SERIES_BELOW, 0))
    @example(SERIES_BELOW)
    @example(-SERIES_BELOW)
    @given(st.floats(-90, 90))
    def test_both_means_against_sixty_digits(self, x: float) -> None:
        assume(abs(x) > 1e-9)  # below, sixty digits lose what the limits above hold
        with localcontext() as context:
            context.prec = 60
            exact = Decimal(x)
            kept = (-exact).exp()
            assert mean_kept(x) == pytest.approx(float((1 - kept) / exact), rel=4e-16)
            assert mean_kept_slope(x) == pytest.approx(float(((1 + exact) * kept - 1) / exact**2), rel=2e-14)

    @pytest.mark.parametrize("off", [0.15, OFF])
    def test_charge_and_life_are_continuous(self, off: float) -> None:
        without = PLANT_CELL._replace(self_discharge_per_year=0.0)
        spent = [Period(2 * HOURS_A_YEAR, off)]
        left = charge_left(new_charge(without), rates(without, 30), spent)
        assert left.signed_mah == pytest.approx(850 - 2 * HOURS_A_YEAR * off * 0.02 * math.sqrt(2), rel=1e-14)
        for power in range(3, 320, 4):
            nearly = PLANT_CELL._replace(self_discharge_per_year=10.0**-power)
            found = charge_left(new_charge(nearly), rates(nearly, 30), spent)
            jump = 2 * 2 * 10.0**-power  # two years, with less than twice the rate at 30 °C
            assert found.signed_mah == pytest.approx(left.signed_mah, abs=850 * jump + 1e-12)
            assert life_h(left, rates(nearly, 30), off) == pytest.approx(
                life_h(left, rates(without, 30), off), rel=30 / off * jump + 1e-14
            )


class TestSpread:
    """First-order propagation against random draws, with the tolerance that so many draws leave."""

    DRAWS = 400_000

    @pytest.mark.parametrize(
        ("ambient_c", "spent"),
        [
            pytest.param(25.0, [Period(3 * HOURS_A_YEAR, 0.15)], id="mean-draw"),
            pytest.param(35.0, [Period(900, OFF), Period(17_000, ON), Period(2000, OFF)], id="recorded"),
            pytest.param(25.0, [Period(20_000, OFF)], id="always-off"),
        ],
    )
    def test_spread_of_the_charge(self, ambient_c: float, spent: list[Period]) -> None:
        draw = np.random.default_rng(20261125).standard_normal((3, self.DRAWS))
        capacity = 850 * (1 + 0.05 * draw[0])
        standby = 0.02 * 2 ** ((ambient_c - 25) / 10) * (1 + 0.15 * draw[1])
        decay = -np.log1p(-0.01 * (1 + 0.3 * draw[2])) / 8766 * arrhenius_factor(1.0, 25, ambient_c)
        mah = capacity
        for period in spent:
            kept = np.exp(-decay * period.hours)
            mah = mah * kept - standby * period.off * (1 - kept) / decay
        found = charge_left(new_charge(PLANT_CELL), rates(PLANT_CELL, ambient_c), spent)

        # Five standard errors of a mean and of a standard deviation of normals, and what propagation
        # to the first order leaves out: half the square of the spread of the exponent, and its product
        # with the spread of the capacity.
        hours = sum(period.hours for period in spent)
        exponent = 0.3 * 0.01 / 8766 * hours * arrhenius_factor(1.0, 25, ambient_c)
        left_out_mah = 850 * exponent**2 / 2
        assert abs(found.signed_mah - mah.mean()) < 5 * found.sigma_mah / math.sqrt(self.DRAWS) + left_out_mah
        left_out = (850 * exponent * 0.05 / found.sigma_mah) ** 2 + 3 * exponent**2
        assert abs(found.sigma_mah / mah.std() - 1) < 5 / math.sqrt(2 * self.DRAWS) + left_out

    def test_spread_of_the_moment_when_it_is_empty(self) -> None:
        """Small spreads, so that the moment is nearly a linear function of them."""
        part = 0.01
        figures = PLANT_CELL._replace(spread_capacity=part, spread_standby=part, spread_self_discharge=part)
        found = empty_after(new_charge(figures), rates(figures, 25.0), [Period(5000, ON)], 0.4)
        assert found is not None
        draw = np.random.default_rng(4).standard_normal((3, self.DRAWS))
        decay = -np.log1p(-0.01 * (1 + part * draw[2])) / 8766
        mah = 850 * (1 + part * draw[0]) * np.exp(-decay * 5000)
        hours = 5000 + np.log1p(decay * mah / (0.4 * 0.02 * (1 + part * draw[1]))) / decay
        # The quotient of two normals spreads more than its slope by the square of the part.
        assert abs(found.after_h - hours.mean()) < 5 * found.sigma_h / math.sqrt(self.DRAWS) + found.after_h * part**2
        assert abs(found.sigma_h / hours.std() - 1) < 5 / math.sqrt(2 * self.DRAWS) + 8 * part**2


class TestEmpty:
    def test_a_cell_that_nothing_draws_on_is_never_empty(self) -> None:
        assert empty_after(new_charge(PLANT_CELL), rates(PLANT_CELL, 30), (), ON) is None
        undrawn = PLANT_CELL._replace(standby_ua=0.0, self_discharge_per_year=0.0)
        assert empty_after(new_charge(undrawn), rates(undrawn, 30), [Period(5000, OFF)], OFF) is None

    def test_a_cell_without_charge_is_empty_now(self) -> None:
        at = rates(PLANT_CELL, 30)
        assert empty_after(Charge(-3.0, 1, 1, 1), at, [Period(5, ON)], ON) == Empty(0.0, 0.0)
        assert empty_after(new_charge(PLANT_CELL._replace(usable=0.0)), at, (), ON) == Empty(0.0, 0.0)

    def test_it_is_empty_within_the_off_period_that_uses_it_up(self) -> None:
        charge, at = alone(10.0, 10.0)
        ahead = [Period(500, ON), Period(999, OFF), Period(500, ON), Period(2, OFF)]
        assert empty_after(charge, at, ahead, ON) == Empty(1999 + 1, pytest.approx(10 * math.hypot(0.05, 0.15) / 0.01))
        assert empty_after(charge, at, ahead[:3], ON) is None

    @pytest.mark.parametrize(("last_h", "empty"), [(0.999, False), (1.0, True), (1.001, True)])
    def test_a_period_as_long_as_the_charge_lasts_empties_the_cell(self, last_h: float, *, empty: bool) -> None:
        charge, at = alone(1.0, 1000.0)
        found = empty_after(charge, at, [Period(last_h, OFF)], ON)
        assert found == (Empty(1.0, pytest.approx(math.hypot(0.05, 0.15))) if empty else None)

    @given(st.floats(0, 20_000), st.floats(1, 5000), st.floats(0.01, 1), st.floats(0, 0.2), st.floats(-20, 70))
    def test_the_charge_is_used_up_at_that_moment_and_not_before(
        self, until_h: float, off_h: float, then_off: float, lost: float, ambient_c: float
    ) -> None:
        figures = PLANT_CELL._replace(self_discharge_per_year=lost)
        charge, at = new_charge(figures), rates(figures, ambient_c)
        ahead = [Period(until_h, 0.15), Period(off_h, OFF)]
        found = empty_after(charge, at, ahead, then_off)
        assert found is not None
        assert found.sigma_h > 0
        for hours, sign in ((found.after_h * (1 - 1e-6), 1), (found.after_h * (1 + 1e-6), -1)):
            first, second = min(hours, until_h), min(max(0.0, hours - until_h), off_h)
            rest = Period(hours - first - second, then_off)
            left = charge_left(charge, at, [Period(first, 0.15), Period(second, OFF), rest])
            assert left.signed_mah * sign > 0

    def test_the_date_is_left_out_where_no_calendar_has_it(self) -> None:
        start = datetime(2026, 11, 25, 8, tzinfo=UTC)
        assert moment_after(start, 36.5) == datetime(2026, 11, 26, 20, 30, tzinfo=UTC)
        assert moment_after(start, 9000 * HOURS_A_YEAR) is None
        assert moment_after(start, MOST_HOURS * 1e3) is None
        assert moment_after(start, 1e300) is None


class TestPeriods:
    """What is recorded counts as it was; the rest has the mains on for its part of the time."""

    START = datetime(2026, 1, 1, tzinfo=UTC)

    def hour(self, hours: float) -> datetime:
        return self.START + timedelta(hours=hours)

    @pytest.mark.parametrize(
        ("recorded", "expected"),
        [
            pytest.param([], [(100, 0.25)], id="nothing-recorded"),
            pytest.param([(10, 20, False)], [(10, 0.25), (10, 1.0), (80, 0.25)], id="off-within"),
            pytest.param([(0, 100, True)], [(100, 0.0)], id="on-all-the-time"),
            pytest.param([(-50, 20, False)], [(20, 1.0), (80, 0.25)], id="began-before"),
            pytest.param([(90, 150, True)], [(90, 0.25), (10, 0.0)], id="ends-later"),
            pytest.param([(-50, 0, False), (100, 150, False)], [(100, 0.25)], id="all-outside"),
            pytest.param([(30, 30, False), (40, 35, False)], [(100, 0.25)], id="empty-or-reversed"),
            pytest.param([(50, 100, True), (0, 50, False)], [(50, 1.0), (50, 0.0)], id="in-any-order"),
            pytest.param([(0, 60, True), (40, 100, False)], [(40, 0.0), (20, 1.0), (40, 1.0)], id="off-wins"),
            pytest.param([(0, 100, False), (0, 100, False)], [(100, 1.0)], id="twice"),
            pytest.param([(0, 100, False), (40, 60, True)], [(40, 1.0), (20, 1.0), (40, 1.0)], id="on-within-off"),
        ],
    )
    def test_periods(self, recorded: list[tuple[float, float, bool]], expected: list[tuple[float, float]]) -> None:
        known = [Recorded(self.hour(start), self.hour(end), on) for start, end, on in recorded]
        assert periods(self.START, self.hour(100), known, 0.75) == [Period(*each) for each in expected]

    def test_no_time_has_no_period(self) -> None:
        assert periods(self.START, self.START, [], 0.75) == []
        assert periods(self.hour(5), self.START, [Recorded(self.START, self.hour(5), on=False)], 0.75) == []

    SPANS = st.lists(st.tuples(st.integers(-50, 150), st.integers(-50, 150), st.booleans()), max_size=8)

    @given(SPANS, st.floats(0, 1))
    def test_periods_fill_the_time_and_every_hour_is_what_was_recorded(
        self, spans: list[tuple[int, int, bool]], powered: float
    ) -> None:
        known = [Recorded(self.hour(start), self.hour(end), on) for start, end, on in spans]
        parts: list[float] = []
        for period in periods(self.START, self.hour(100), known, powered):
            parts += [period.off] * round(period.hours)
        said = [{on for start, end, on in spans if start <= hour < end} for hour in range(100)]
        assert parts == [1.0 if False in on else 0.0 if on else 1 - powered for on in said]


FIGURES = st.builds(
    CellFigures,
    capacity_mah=st.floats(1, 20_000),
    standby_ua=st.floats(0, 1000),
    usable=st.floats(0.1, 1),
    self_discharge_per_year=st.floats(0, 0.5),
    spread_capacity=st.floats(0, 1),
    spread_standby=st.floats(0, 1),
    spread_self_discharge=st.floats(0, 1),
    ageing_ev=st.floats(0.1, 1.5),
    standby_doubles_every_c=st.floats(5, 50),
)
AMBIENT = st.floats(-30, 90)
SPENT = st.lists(st.builds(Period, st.floats(0, 50_000), st.floats(0, 1)), max_size=6)
ROUNDING = 1e-9


def used(figures: CellFigures, ambient_c: float, spent: list[Period], shelf_h: float = 0.0) -> Charge:
    return charge_left(new_charge(figures, shelf_h), rates(figures, ambient_c), spent)


class TestLaws:
    @given(FIGURES, AMBIENT, SPENT, st.data())
    def test_more_time_off_never_leaves_more_charge(
        self, figures: CellFigures, ambient_c: float, spent: list[Period], data: st.DataObject
    ) -> None:
        more = [period._replace(off=data.draw(st.floats(period.off, 1))) for period in spent]
        assert used(figures, ambient_c, more).mah <= used(figures, ambient_c, spent).mah * (1 + ROUNDING)

    @given(FIGURES, AMBIENT, SPENT, st.floats(0, 50_000), st.floats(0, 1))
    def test_more_time_never_leaves_more_charge(
        self, figures: CellFigures, ambient_c: float, spent: list[Period], hours: float, off: float
    ) -> None:
        before = used(figures, ambient_c, spent)
        assert later(before, rates(figures, ambient_c), Period(hours, off)).mah <= before.mah

    @given(FIGURES, AMBIENT, SPENT, st.floats(0, 50_000), st.floats(0, 50_000))
    def test_a_longer_shelf_never_leaves_more_charge(
        self, figures: CellFigures, ambient_c: float, spent: list[Period], shelf_h: float, more_h: float
    ) -> None:
        lain = used(figures, ambient_c, spent, shelf_h + more_h)
        assert lain.mah <= used(figures, ambient_c, spent, shelf_h).mah * (1 + ROUNDING)

    @given(FIGURES, AMBIENT, SPENT, st.floats(0, 100))
    def test_a_warmer_place_never_leaves_more_charge(
        self, figures: CellFigures, ambient_c: float, spent: list[Period], warmer_c: float
    ) -> None:
        warmer = used(figures, ambient_c + warmer_c, spent)
        assert warmer.mah <= used(figures, ambient_c, spent).mah * (1 + ROUNDING)

    @given(FIGURES, AMBIENT, SPENT, st.floats(0, 50_000), st.floats(0, 1), st.floats(0, 1))
    def test_a_period_is_what_its_two_halves_are(
        self, figures: CellFigures, ambient_c: float, spent: list[Period], hours: float, off: float, cut: float
    ) -> None:
        before, at = used(figures, ambient_c, spent), rates(figures, ambient_c)
        whole = later(before, at, Period(hours, off))
        halves = charge_left(before, at, [Period(hours * cut, off), Period(hours - hours * cut, off)])
        size = max(map(abs, (*before, *whole)))
        assert halves == pytest.approx(whole, rel=1e-7, abs=1e-9 * size)

    @given(FIGURES, AMBIENT, SPENT, st.sampled_from(["spread_capacity", "spread_standby", "spread_self_discharge"]))
    def test_a_greater_spread_never_makes_the_charge_surer(
        self, figures: CellFigures, ambient_c: float, spent: list[Period], key: str
    ) -> None:
        wider = used(figures._replace(**{key: 2.0}), ambient_c, spent)
        found = used(figures, ambient_c, spent)
        assert wider.signed_mah == found.signed_mah
        assert wider.sigma_mah >= found.sigma_mah

    ANY = st.floats(allow_nan=False, allow_infinity=False)

    @given(
        st.builds(CellFigures, ANY, ANY, ANY, ANY, ANY, ANY, ANY, ANY, ANY),
        ANY,
        ANY,
        st.lists(st.builds(Period, ANY, ANY), max_size=4),
        ANY,
    )
    @example(PLANT_CELL._replace(self_discharge_per_year=1.0), 30.0, 1.0, [Period(8766, 0.5)], 0.5)
    @example(PLANT_CELL, -273.15, 1.0, [Period(8766, 0.5)], 0.5)
    @example(PLANT_CELL._replace(ageing_ev=0.0, standby_doubles_every_c=5e-324), -1e308, 1.0, [Period(9, 1)], 1.0)
    @example(CellFigures(1e308, 1e308, 1e308, 1e308, 1e308, 1e308, 1e308, 1e308, 1.0), 1e308, 1e308, [Period(1e308, 1e308)] * 4, 1e308)  # fmt: skip
    def test_whatever_is_finite_has_a_finite_answer(
        self, figures: CellFigures, ambient_c: float, shelf_h: float, spent: list[Period], off: float
    ) -> None:
        charge = used(figures, ambient_c, spent, shelf_h)
        assert all(map(math.isfinite, (*charge, charge.mah, charge.sigma_mah)))
        assert charge.mah >= 0
        found = empty_after(charge, rates(figures, ambient_c), spent, off)
        assert found is None or (all(map(math.isfinite, found)) and min(found) >= 0)
