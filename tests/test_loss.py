"""The chance of a loss and its cost against published examples, scipy, random draws and the laws they obey.

Evidence as beside each example: F the figure was read in the source; I its inputs were read there, the
result computed from its formula; C computed from a definition; from memory where it says so.
"""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from scipy import stats

from guard.model import AtStake
from guard.physics.cell_life import HOURS_A_YEAR, CellFigures, Charge, Period, Rates, charge_left, new_charge, rates
from guard.physics.loss import (
    Margin,
    chance_of_failure,
    chance_of_shortage,
    cost_h,
    either,
    loss,
    margin,
)
from guard.plant import Costs
from tests.facts import PLANT_CELL


class TestPublishedChances:
    @pytest.mark.parametrize(
        ("stress", "stress_sd", "strength", "strength_sd", "reliability"),
        [
            # accendoreliability.com: (50, 15) against (75, 20): z = 1. I
            pytest.param(50, 15, 75, 20, 0.841345, id="z-1"),
            # rmqsi.org: (2500, 500) against (4000, 400): z = 2.342606. I
            pytest.param(2500, 500, 4000, 400, 0.990425, id="z-2.34"),
        ],
    )
    def test_stress_against_strength(
        self, stress: float, stress_sd: float, strength: float, strength_sd: float, reliability: float
    ) -> None:
        chance = chance_of_shortage(strength - stress, math.hypot(stress_sd, strength_sd))
        assert 1 - chance == pytest.approx(reliability, abs=5e-7)

    @pytest.mark.parametrize(
        ("mean_h", "sd_h", "at_h", "reliability"),
        [
            # MIL-HDBK-338B, 5.3.2. I
            pytest.param(5000, 1500, 4100, 0.725747, id="mean-5000"),
            pytest.param(300, 40, 250, 0.894350, id="mean-300"),
        ],
    )
    def test_normal_life(self, mean_h: float, sd_h: float, at_h: float, reliability: float) -> None:
        assert 1 - chance_of_shortage(mean_h - at_h, sd_h) == pytest.approx(reliability, abs=5e-7)

    @pytest.mark.parametrize(
        ("shape", "scale_h", "at_h", "failed", "within"),
        [
            # NIST/SEMATECH e-Handbook 8.1.6.2. From memory, and computed
            pytest.param(1.5, 5000, 1000, 0.08555936, 5e-9, id="nist"),
            # MIL-HDBK-338B, 5.3.6.1: R = 0.990050. From memory, and computed
            pytest.param(2, 1000, 100, 1 - 0.990050, 5e-7, id="mil"),
        ],
    )
    def test_random_failure_follows_the_hazard_that_has_added_up(
        self, shape: float, scale_h: float, at_h: float, failed: float, within: float
    ) -> None:
        """A Weibull life has the hazard (t/scale)^shape added up by t; ours is rate times time."""
        hazard = (at_h / scale_h) ** shape
        assert chance_of_failure(hazard, HOURS_A_YEAR) == pytest.approx(failed, abs=within)

    @pytest.mark.parametrize(
        ("z", "phi", "within"),
        [
            (1, 0.841345, 5e-7),
            (1.6449, 0.950005, 5e-7),
            (1.96, 0.975002, 5e-7),
            (2, 0.977250, 5e-7),
            (2.3263, 0.989999, 5e-7),
            (3, 0.998650, 5e-7),
            (4, 0.9999683, 5e-8),
        ],
    )
    def test_standard_normal(self, z: float, phi: float, within: float) -> None:
        """Computed from the definition. C."""
        assert chance_of_shortage(-z, 1.0) == pytest.approx(phi, abs=within)
        assert chance_of_shortage(z, 1.0) == pytest.approx(1 - phi, abs=within)


class TestShortage:
    @given(st.floats(-37, 37))
    def test_both_tails_are_those_of_scipy(self, z: float) -> None:
        # An error of 1e-16 in z is one of z times that in the tail.
        assert chance_of_shortage(z, 1.0) == pytest.approx(float(stats.norm.sf(z)), rel=1e-13 * max(1.0, z * z))

    @pytest.mark.parametrize(
        ("margin_mah", "sigma_mah", "chance"),
        [
            pytest.param(0.0, 1.0, 0.5, id="even"),
            pytest.param(1e-300, 0.0, 0.0, id="sure-to-last"),
            pytest.param(-1e-300, 0.0, 1.0, id="sure-to-be-lost"),
            pytest.param(0.0, 0.0, 1.0, id="nothing-to-spare-and-no-spread"),
            pytest.param(1e308, 5e-324, 0.0, id="far-beyond"),
            pytest.param(-1e308, 5e-324, 1.0, id="far-below"),
            pytest.param(1e-308, 1e308, 0.5, id="all-spread"),
        ],
    )
    def test_limits(self, margin_mah: float, sigma_mah: float, chance: float) -> None:
        assert chance_of_shortage(margin_mah, sigma_mah) == chance

    @pytest.mark.parametrize("sigma_mah", [1e-3, 1e-9, 1e-200, 5e-324])
    def test_a_vanishing_spread_goes_to_the_answer_without_any(self, sigma_mah: float) -> None:
        for margin_mah in (-1.0, 1.0):
            assert chance_of_shortage(margin_mah, sigma_mah) == chance_of_shortage(margin_mah, 0.0)

    @given(st.floats(-1e3, 1e3), st.floats(0, 1e3), st.floats(0, 1e3))
    @example(0.0, 0.0, 1.0)
    def test_more_spread_never_moves_the_chance_away_from_even(
        self, margin_mah: float, sigma_mah: float, more_mah: float
    ) -> None:
        narrow = chance_of_shortage(margin_mah, sigma_mah)
        wide = chance_of_shortage(margin_mah, sigma_mah + more_mah)
        assert abs(wide - 0.5) <= abs(narrow - 0.5)
        assert (wide - 0.5) * (narrow - 0.5) >= 0

    @given(st.floats(-1e3, 1e3), st.floats(0, 1e3), st.floats(0, 1e3))
    def test_a_smaller_margin_never_lowers_the_chance(self, margin_mah: float, less_mah: float, sigma: float) -> None:
        assert chance_of_shortage(margin_mah - less_mah, sigma) >= chance_of_shortage(margin_mah, sigma)


class TestFailure:
    @pytest.mark.parametrize(
        ("rate", "hours"), [(0.01, 1000.0), (1e-12, 1.0), (3.0, 5 * HOURS_A_YEAR), (0.0, 9.0), (0.2, 0.0)]
    )
    def test_exponential_life(self, rate: float, hours: float) -> None:
        expected = float(stats.expon.cdf(hours, scale=HOURS_A_YEAR / rate)) if rate else 0.0
        assert chance_of_failure(rate, hours) == pytest.approx(expected, rel=1e-14)

    @given(st.floats(0, 1), st.floats(0, 1))
    def test_either_of_two(self, one: float, other: float) -> None:
        both = either(one, other)
        assert max(one, other) * (1 - 1e-15) <= both <= min(1.0, one + other)
        assert both == pytest.approx(1 - (1 - one) * (1 - other), abs=1e-15)

    def test_small_chances_keep_their_digits(self) -> None:
        assert either(1e-30, 2e-30) == pytest.approx(3e-30, rel=1e-14)


class TestMargin:
    """The need goes through the same solution as the charge."""

    def test_the_need_is_the_charge_that_is_just_used_up(self) -> None:
        at = rates(PLANT_CELL._replace(self_discharge_per_year=0.2), 45)
        need = margin(new_charge(PLANT_CELL), at, 5000.0).need_mah
        assert charge_left(Charge(need, 0, 0, 0), at, [Period(5000, 1)]).signed_mah == pytest.approx(0, abs=1e-10)

    def test_without_self_discharge_it_is_current_times_time(self) -> None:
        figures = PLANT_CELL._replace(self_discharge_per_year=0.0)
        found = margin(new_charge(figures), rates(figures, 25), 1000.0)
        assert found == Margin(850.0, pytest.approx(20.0), pytest.approx(830.0), pytest.approx(math.hypot(42.5, 3.0)))

    def test_what_is_missing_counts_in_the_margin_and_not_in_the_charge(self) -> None:
        found = margin(Charge(-10.0, 1, -1, 0), Rates(0, 0.01, 0, 0), 100.0)
        assert (found.charge_mah, found.need_mah, found.mah) == (0.0, 1.0, -11.0)

    def test_what_standby_took_and_what_it_will_take_are_wrong_together(self) -> None:
        figures = PLANT_CELL._replace(spread_capacity=0.0, spread_self_discharge=0.0, self_discharge_per_year=0.0)
        at = rates(figures, 25)
        left = charge_left(new_charge(figures), at, [Period(10_000, 1)])
        found = margin(left, at, 20_000.0)
        assert left.sigma_mah == pytest.approx(0.15 * 200)
        assert found.sigma_mah == pytest.approx(0.15 * 600)  # the sum, and not the root of the sum of squares

    @pytest.mark.parametrize(
        ("key", "spread"),
        [
            ("capacity_mah", "spread_capacity"),
            ("standby_ua", "spread_standby"),
            ("self_discharge_per_year", "spread_self_discharge"),
        ],
    )
    def test_each_part_of_its_spread_is_the_slope_of_the_margin(self, key: str, spread: str) -> None:
        quiet = PLANT_CELL._replace(spread_capacity=0.0, spread_standby=0.0, spread_self_discharge=0.0)

        def found(factor: float) -> Margin:
            moved = quiet._replace(**{key: getattr(quiet, key) * factor, spread: 0.2})
            at = rates(moved, 50)
            return margin(charge_left(new_charge(moved, 4000), at, [Period(30_000, 0.3)]), at, 9000.0)

        step = 1e-4
        slope_mah = (found(1 + step).mah - found(1 - step).mah) / (2 * step)
        assert found(1).sigma_mah == pytest.approx(abs(slope_mah) * 0.2, rel=1e-6)

    @pytest.mark.parametrize("off_h", [3000.0, 9000.0, 12_000.0, 15_000.0])
    def test_the_chance_against_random_draws(self, off_h: float) -> None:
        draws = 400_000
        left = charge_left(new_charge(PLANT_CELL), rates(PLANT_CELL, 30), [Period(3 * HOURS_A_YEAR, 0.7)])
        found = margin(left, rates(PLANT_CELL, 30), off_h)
        chance = chance_of_shortage(found.mah, found.sigma_mah)

        draw = np.random.default_rng(6).standard_normal((3, draws))
        decay = -np.log1p(-0.01 * (1 + 0.3 * draw[2])) / 8766 * rates(PLANT_CELL, 30).decay_per_h / (-math.log1p(-0.01) / 8766)  # fmt: skip
        standby = 0.02 * math.sqrt(2) * (1 + 0.15 * draw[1])
        kept = np.exp(-decay * 3 * HOURS_A_YEAR)
        mah = 850 * (1 + 0.05 * draw[0]) * kept - 0.7 * standby * (1 - kept) / decay
        short = mah < standby * np.expm1(decay * off_h) / decay

        # Five standard errors of a counted part, and what the spread of the exponent adds to the margin
        # beyond the first order, times the greatest density of the normal.
        exponent = 0.3 * rates(PLANT_CELL, 30).decay_per_h * (3 * HOURS_A_YEAR + off_h)
        left_out = (850 * (exponent**2 / 2 + 0.15 * exponent)) / found.sigma_mah * 0.4 * exponent
        assert abs(chance - short.mean()) < 5 * math.sqrt(chance * (1 - chance) / draws) + left_out


FIGURES = st.builds(
    CellFigures,
    capacity_mah=st.floats(1, 20_000),
    standby_ua=st.floats(0, 1000),
    self_discharge_per_year=st.floats(0, 0.1),
    spread_capacity=st.floats(0, 0.5),
    spread_standby=st.floats(0, 0.5),
    spread_self_discharge=st.floats(0, 0.5),
)
AMBIENT = st.floats(-20, 60)
SPENT = st.lists(st.builds(Period, st.floats(0, 20_000), st.floats(0, 1)), max_size=4)


def chance(figures: CellFigures, ambient_c: float, spent: list[Period], off_h: float) -> float:
    at = rates(figures, ambient_c)
    found = margin(charge_left(new_charge(figures), at, spent), at, off_h)
    return chance_of_shortage(found.mah, found.sigma_mah)


class TestLaws:
    @given(FIGURES, AMBIENT, SPENT, st.floats(0, 9000), st.floats(0, 9000))
    @example(CellFigures(1, 1, 0.85, 0.0625, 0.0, 0.0, 0.5, 1.0, 10.0), 60.0, [], 78.0, 1234.0)
    def test_a_longer_time_off_never_lowers_the_chance_up_to_even_nor_brings_it_back_below(
        self, figures: CellFigures, ambient_c: float, spent: list[Period], off_h: float, more_h: float
    ) -> None:
        shorter = min(0.5, chance(figures, ambient_c, spent, off_h))
        assert chance(figures, ambient_c, spent, off_h + more_h) >= shorter * (1 - 1e-9)

    @given(FIGURES, AMBIENT, SPENT, st.floats(0, 9000))
    def test_a_charge_that_does_not_suffice_is_never_more_likely_to_than_not(
        self, figures: CellFigures, ambient_c: float, spent: list[Period], off_h: float
    ) -> None:
        at = rates(figures, ambient_c)
        found = margin(charge_left(new_charge(figures), at, spent), at, off_h)
        lost = chance_of_shortage(found.mah, found.sigma_mah)
        assert lost >= 0.5 if found.need_mah >= found.charge_mah else lost <= 0.5

    ANY = st.floats(allow_nan=False, allow_infinity=False)

    @given(
        st.builds(CellFigures, ANY, ANY, ANY, ANY, ANY, ANY, ANY, ANY, ANY),
        ANY,
        st.lists(st.builds(Period, ANY, ANY), max_size=4),
        ANY,
        st.builds(Costs, ANY, ANY, ANY, ANY),
        st.sampled_from(["image", "no-image", "nothing"]),
        st.integers(),
        st.tuples(ANY, ANY),
    )
    @example(CellFigures(1e308, 1e308, 1e308, 1e308, 1e308, 1e308, 1e308, 1e308, 1.0), 1e308, [Period(1e308, 1e308)], 1e308, Costs(1e308, 1e308), "image", 10**400, (1e308, 1e308))  # fmt: skip
    def test_whatever_is_finite_has_a_finite_answer(
        self, figures: CellFigures, ambient_c: float, spent: list[Period], off_h: float, costs: Costs,
        restorable: str, edits: int, random: tuple[float, float],
    ) -> None:  # fmt: skip
        at = rates(figures, ambient_c)
        found = margin(charge_left(new_charge(figures), at, spent), at, off_h)
        assert all(map(math.isfinite, found))
        assert min(found.charge_mah, found.need_mah, found.sigma_mah) >= 0
        hours = cost_h(costs, restorable, edits)  # type: ignore[arg-type]
        answer = loss(found, hours, *random)
        assert all(map(math.isfinite, answer))
        assert 0 <= answer.probability <= 1
        assert answer.expected_h >= 0


class TestCost:
    COSTS = Costs(restore_h=4, edit_h=1.5, rebuild_h=40, reteach_h=160)

    @pytest.mark.parametrize(
        ("restorable", "edits", "hours"),
        [
            pytest.param("image", 0, 4.0, id="restore"),
            pytest.param("image", 3, 8.5, id="restore-and-edit-again"),
            pytest.param("no-image", 0, 40.0, id="rebuild"),
            pytest.param("no-image", 2, 43.0, id="rebuild-and-edit-again"),
            pytest.param("nothing", 0, 160.0, id="reteach"),
            pytest.param("nothing", 9, 160.0, id="reteaching-covers-every-edit"),
            pytest.param("image", -3, 4.0, id="no-fewer-edits-than-none"),
        ],
    )
    def test_hours_of_work(self, restorable: str, edits: int, hours: float) -> None:
        assert cost_h(self.COSTS, restorable, edits) == hours  # type: ignore[arg-type]

    def test_by_default_less_of_a_backup_costs_more(self) -> None:
        image, rebuilt, taught = (cost_h(Costs(), each) for each in ("image", "no-image", "nothing"))  # type: ignore[arg-type]
        assert image < rebuilt < taught

    def test_expected_hours_are_chance_times_cost(self) -> None:
        even = Margin(10.0, 10.0, 0.0, 2.0)
        assert loss(even, 40.0) == AtStake(0.5, 40.0, 20.0)
        unproven = loss(even, 40.0, failures_per_year=0.1, unproven_h=HOURS_A_YEAR)
        assert unproven.probability == pytest.approx(1 - 0.5 * math.exp(-0.1), rel=1e-15)
        assert unproven.expected_h == pytest.approx(40 * unproven.probability)
