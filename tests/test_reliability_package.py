"""The chances against those that the `reliability` package gives, where it has the same formula."""

from __future__ import annotations

import math

import pytest

from guard.physics.cell_life import HOURS_A_YEAR
from guard.physics.loss import chance_of_failure, chance_of_shortage

distributions = pytest.importorskip("reliability.Distributions", reason="the reliability package is not installed")
functions = pytest.importorskip("reliability.Other_functions")


@pytest.mark.parametrize(
    ("stress", "stress_sd", "strength", "strength_sd"),
    [
        (50, 15, 75, 20),
        (2500, 500, 4000, 400),
        pytest.param(6.7, 1.0, 6.4, 15.0, id="a-cell-that-is-nearly-empty"),
        pytest.param(6.7, 1.0, 99.7, 5.1, id="a-young-cell"),
    ],
)
def test_stress_against_strength(stress: float, stress_sd: float, strength: float, strength_sd: float) -> None:
    theirs = functions.stress_strength_normal(
        stress=distributions.Normal_Distribution(mu=stress, sigma=stress_sd),
        strength=distributions.Normal_Distribution(mu=strength, sigma=strength_sd),
        show_plot=False,
        print_results=False,
    )
    ours = chance_of_shortage(strength - stress, math.hypot(stress_sd, strength_sd))
    assert ours == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize("rate", [0.002, 0.1, 3.0])
@pytest.mark.parametrize("years", [0.01, 1.0, 20.0])
def test_failures_at_a_constant_rate(rate: float, years: float) -> None:
    theirs = distributions.Exponential_Distribution(Lambda=rate).CDF(xvals=[years], show_plot=False)
    assert chance_of_failure(rate, years * HOURS_A_YEAR) == pytest.approx(float(theirs), rel=1e-9)


@pytest.mark.parametrize(("mean_h", "sd_h", "at_h"), [(5000, 1500, 4100), (300, 40, 250)])
def test_a_normal_life(mean_h: float, sd_h: float, at_h: float) -> None:
    theirs = distributions.Normal_Distribution(mu=mean_h, sigma=sd_h).SF(xvals=[at_h], show_plot=False)
    assert 1 - chance_of_shortage(mean_h - at_h, sd_h) == pytest.approx(float(theirs), rel=1e-9)
