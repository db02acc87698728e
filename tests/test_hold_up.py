"""For how long a capacitor carries the memory: against published figures, against integration, and by its laws."""

from __future__ import annotations

import math
from datetime import timedelta
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from guard.physics.hold_up import capacitance_left_f, charged_fraction, charging_s, hold_up_s, load_a
from guard.plant import HoldUp

MINUTE, SECOND = timedelta(minutes=1), timedelta(seconds=1)
ALWAYS_S = 1e12
"""On for so long that every capacitor here is full."""


def exactly(capacitance_f: float, charged_v: float, least_v: float, current_ua: float, **more: float) -> HoldUp:
    """A capacitor taken at its nominal figures."""
    figures = {"time_constant_s": 1.0, "leakage_ua": 0.0, "tolerance": 0.0, "ageing": 0.0, **more}
    return HoldUp(capacitance_f, charged_v, least_v, current_ua=current_ua, **figures)


class TestPublished:
    """Published back-up times. F: the number was read in the source; C: computed from the definition."""

    @pytest.mark.parametrize(
        ("constants", "fraction"),
        [(1, 0.632121), (2, 0.864665), (3, 0.950213), (4, 0.981684), (5, 0.993262)],
    )
    def test_charged_after_1_to_5_time_constants(self, constants: int, fraction: float) -> None:
        """C, from 1 - exp(-n)."""
        assert charged_fraction(constants * 78.0, 78.0) == pytest.approx(fraction, abs=5e-7)

    @pytest.mark.parametrize(
        ("held", "published_s", "relative"),
        [
            pytest.param(
                # "Gold Capacitors Technical Guide", p. 37: 13,725 s = 3.8 h. F
                exactly(0.2, 2.5, 1.8, 10.0, leakage_ua=0.2),
                13_725.49,
                1e-6,
                id="gold-capacitor",
            ),
            pytest.param(
                # ISL1208 data sheet, FN8085.8 (2008), p. 21, example 1: 35.96 days. F
                exactly(0.47, 4.7, 1.8, 0.4387),
                35.9596 * 86_400,
                2e-6,
                id="clock-chip",
            ),
            pytest.param(
                # The same with tolerances of 30 %, times 0.70: 25.2 days. F
                exactly(0.47, 4.7, 1.8, 0.4387, tolerance=0.3),
                25.172 * 86_400,
                2e-5,
                id="clock-chip-within-its-tolerances",
            ),
            pytest.param(
                # SPSCAP, capacitance calculation page: 100 mA for 10 s from 5 to 4.2 V take 1.25 F. F
                exactly(1.25, 5.0, 4.2, 100_000.0),
                10.0,
                1e-12,
                id="motor-load",
            ),
            # From the definition. C
            pytest.param(
                exactly(1.0, 5.0, 3.0, 100_000.0, series_resistance_ohm=1.0), 19.0, 1e-12, id="series-resistance"
            ),
            pytest.param(exactly(1.0, 5.0, 3.0, 100_000.0), 20.0, 1e-12, id="without-series-resistance"),
            pytest.param(
                exactly(1.0, 5.0, 3.0, 100_000.0, tolerance=0.2, ageing=0.3), 11.2, 1e-12, id="small-and-aged"
            ),
        ],
    )
    def test_hold_up(self, held: HoldUp, published_s: float, relative: float) -> None:
        assert hold_up_s(held, ALWAYS_S, 25.0) == pytest.approx(published_s, rel=relative)

    def test_five_time_constants_of_a_farad_through_4700_ohm(self) -> None:
        """NXP UM10301, section 13.3.1: about 6.5 h; 6.528 h exactly. Evidence: F."""
        held = exactly(1.0, 3.3, 1.0, 1.0, time_constant_s=4700.0)
        reached_v = 3.3 * charged_fraction(5 * 4700.0, 4700.0)
        assert charging_s(held, (reached_v - 1.0) / 1e-6, 25.0) / 3600 == pytest.approx(6.528, abs=5e-4)

    @pytest.mark.parametrize(
        ("ambient_c", "factor"),
        [
            pytest.param(25.0, 1.0, id="as-the-data-sheet-tells"),
            pytest.param(35.0, 2.0, id="10-degrees-more"),
            pytest.param(55.0, 8.0, id="30-degrees-more"),
            pytest.param(5.0, 1.0, id="cold-saves-nothing"),
        ],
    )
    def test_the_current_doubles_every_10_degrees(self, ambient_c: float, factor: float) -> None:
        """Common practice, no source."""
        assert load_a(exactly(1.0, 5.0, 3.0, 20.0), ambient_c) == pytest.approx(factor * 20e-6)


class TestIntegrated:
    """The closed formulas against the differential equations, integrated from the empty capacitor on."""

    @pytest.mark.parametrize(
        ("held", "on_s", "ambient_c"),
        [
            pytest.param(HoldUp(0.022, 5.0, 2.0, 120.0, 20.0, 2.0), 1800.0, 30.0, id="as-in-the-example"),
            pytest.param(HoldUp(1.0, 5.0, 2.0, 4700.0, 35.0, 5.0), 3600.0, 25.0, id="charged-half"),
            pytest.param(HoldUp(0.1, 4.5, 2.2, 470.0, 900.0, 3.0, 8.0, 100.0, 0.3, 0.1), 1000.0, 48.0, id="hot"),
        ],
    )
    def test_charge_then_discharge(self, held: HoldUp, on_s: float, ambient_c: float) -> None:
        charging = solve_ivp(
            lambda _, v: (held.charged_v - v) / held.time_constant_s, (0, on_s), [0.0], rtol=1e-10, atol=1e-12
        )
        load = load_a(held, ambient_c)

        def least(_: float, v: Any) -> float:
            return float(v[0] - load * held.series_resistance_ohm - held.least_v)

        least.terminal = True  # type: ignore[attr-defined]
        slope = -(load + held.leakage_ua * 1e-6) / capacitance_left_f(held)
        discharging = solve_ivp(
            lambda _, v: np.full_like(v, slope), (0, 1e7), charging.y[:, -1], events=least, rtol=1e-10, atol=1e-12
        )
        assert hold_up_s(held, on_s, ambient_c) == pytest.approx(discharging.t_events[0][0], rel=1e-7)


SOUND = st.builds(
    HoldUp,
    capacitance_f=st.floats(1e-4, 10),
    charged_v=st.floats(2.5, 12),
    least_v=st.floats(0.5, 2.4),
    time_constant_s=st.floats(0.1, 1e5),
    current_ua=st.floats(0.1, 1e4),
    leakage_ua=st.floats(0, 1e3),
    doubles_every_c=st.floats(5, 20),
    series_resistance_ohm=st.floats(0, 100),
    tolerance=st.floats(0, 0.9),
    ageing=st.floats(0, 0.9),
)
ON_S, AMBIENT_C = st.floats(0, 1e7), st.floats(-40, 85)
ANY = st.floats()
ANY_HELD = st.builds(HoldUp, *[ANY] * 10)


class TestLaws:
    """Longer powered is never shorter; hotter, older, leakier and all that is worse is never longer."""

    @given(SOUND, ON_S, ON_S, AMBIENT_C)
    def test_longer_powered(self, held: HoldUp, on_s: float, more_s: float, ambient_c: float) -> None:
        assert hold_up_s(held, on_s + more_s, ambient_c) >= hold_up_s(held, on_s, ambient_c)

    @given(SOUND, ON_S, AMBIENT_C, st.floats(0, 60))
    def test_hotter(self, held: HoldUp, on_s: float, ambient_c: float, more_c: float) -> None:
        assert hold_up_s(held, on_s, ambient_c + more_c) <= hold_up_s(held, on_s, ambient_c)

    @pytest.mark.parametrize(
        "field",
        ["least_v", "time_constant_s", "current_ua", "leakage_ua", "series_resistance_ohm", "tolerance", "ageing"],
    )
    @given(held=SOUND, on_s=ON_S, ambient_c=AMBIENT_C, worse=st.floats(0, 1))
    def test_worse(self, field: str, held: HoldUp, on_s: float, ambient_c: float, worse: float) -> None:
        before = getattr(held, field)
        after = before + worse * (1 - before if field in ("tolerance", "ageing") else before)
        assert hold_up_s(held._replace(**{field: after}), on_s, ambient_c) <= hold_up_s(held, on_s, ambient_c)

    @given(SOUND, st.floats(1, 1e6), AMBIENT_C)
    def test_charging_is_the_inverse(self, held: HoldUp, lasts_s: float, ambient_c: float) -> None:
        on_s = charging_s(held, lasts_s, ambient_c)
        if math.isinf(on_s):
            assert hold_up_s(held, ALWAYS_S, ambient_c) <= lasts_s * (1 + 1e-9)
        else:
            # Near full charge a tiny voltage takes long: there the time says less than the voltage.
            enough, short = hold_up_s(held, on_s * 1.001, ambient_c), hold_up_s(held, on_s * 0.999, ambient_c)
            slack = 1e-9 * held.charged_v * capacitance_left_f(held) / load_a(held, ambient_c)
            assert short - slack <= lasts_s <= enough + slack

    @given(ANY_HELD, ANY, ANY, ANY)
    def test_any_figures_give_a_time(self, held: HoldUp, on_s: float, ambient_c: float, lasts_s: float) -> None:
        assert hold_up_s(held, on_s, ambient_c) >= 0
        assert not math.isnan(charging_s(held, lasts_s, ambient_c))
