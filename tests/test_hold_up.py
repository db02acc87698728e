"""For how long a capacitor carries the memory: against published figures, against integration, and in a change of a cell."""

from __future__ import annotations

import json
import math
import re
import sys
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from guard import swaps
from guard.clock import Reading, now
from guard.config import parse
from guard.desk import Desk
from guard.errors import ConfigFaults
from guard.load import load
from guard.model import Carried, Level, Powered, Question, SwapWindow
from guard.physics.hold_up import capacitance_left_f, charged_fraction, charging_s, hold_up_s, load_a
from guard.plant import HoldUp
from guard.rules.permit import Permit
from guard.rules.refusals import RunDown
from guard.rules.window import LONGEST, TimeOut, is_by_hold_up, limit_in_words, time_out, why
from guard.settings import Settings
from guard.store.ledger import Ledger
from guard.store.windows import NewCell, begin, end, latest, open_windows, tick
from tests.facts import ARM, DAY, HOUR, LONG_ON, MICROSECOND, NOW, RECIPE, Given, proven, window
from tests.facts import given as facts_of
from tests.plant import Plant
from tests.test_startup import LOADED
from tests.test_swap import ON_POSIX, Terminal, plant_of

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


# In a change of a cell

HELD = exactly(0.01, 5.0, 2.0, 20.0, time_constant_s=600.0)
"""Fully charged it carries the memory for 1,500 s, which is 25 min; after 30 min of power for 1,375 s; after 10 min for
580 s; after 5 min and less for nothing."""


def swapping(held: HoldUp | None, powered: Powered = LONG_ON, ambient_c: float = 25.0, **changes: Any) -> Given:
    """A change of the cell of an arm whose recipe has this capacitor."""
    arm = ARM._replace(ambient_c=ambient_c)
    recipe = RECIPE._replace(hold_up=held)
    return facts_of(proven(), action="memory-swap", arm=arm, recipe=recipe, powered=powered, **changes)


def on_for(span: timedelta) -> Powered:
    return Powered(on=True, since=NOW - span, source="its controller answers")


UNKNOWN = Powered(None, None, "its controller does not answer: timed out")


def allowed(of: Given) -> TimeOut:
    return time_out(of.facts, NOW)


class TestTimeOut:
    """For how long the cell may be out: the smaller of window.limit, here 30 min, and the derated hold-up."""

    @pytest.mark.parametrize(
        ("of", "limit", "told"),
        [
            pytest.param(swapping(None), 30 * MINUTE, "30 min", id="no-table-only-the-limit"),
            pytest.param(swapping(HELD), 25 * MINUTE, "25 min (hold-up of its capacitor)", id="hold-up-is-shorter"),
            pytest.param(
                swapping(HELD, limits={"window": 20 * MINUTE}),
                20 * MINUTE,
                "20 min (window.limit)",
                id="limit-is-shorter",
            ),
            pytest.param(
                swapping(HELD, limits={"window": 25 * MINUTE}),
                25 * MINUTE,
                "25 min (hold-up of its capacitor)",
                id="both-are-equal",
            ),
            pytest.param(
                swapping(HELD, on_for(10 * MINUTE)),
                580 * SECOND,
                "9 min 40 s (hold-up of its capacitor)",
                id="on-10-min",
            ),
            pytest.param(
                swapping(HELD, on_for(5 * MINUTE)), timedelta(), "0 s (hold-up of its capacitor)", id="on-too-short"
            ),
            pytest.param(
                swapping(HELD, on_for(-HOUR)), timedelta(), "0 s (hold-up of its capacitor)", id="on-from-later-on"
            ),
            pytest.param(
                swapping(HELD, UNKNOWN), 1375 * SECOND, "22 min 55 s (hold-up of its capacitor)", id="not-known"
            ),
            pytest.param(
                swapping(HELD, Powered(on=False, since=NOW - 15 * MINUTE)),
                475 * SECOND,
                "7 min 55 s (hold-up of its capacitor)",
                id="off-for-15-min",
            ),
            pytest.param(
                swapping(HELD, Powered(on=False, since=NOW - DAY)),
                timedelta(),
                "0 s (hold-up of its capacitor)",
                id="off-since-yesterday",
            ),
            pytest.param(
                swapping(HELD, Powered(on=False, since=None)),
                timedelta(),
                "0 s (hold-up of its capacitor)",
                id="off-nobody-knows-since-when",
            ),
            pytest.param(
                swapping(HELD, ambient_c=35.0),
                750 * SECOND,
                "12 min 30 s (hold-up of its capacitor)",
                id="at-35-degrees",
            ),
            pytest.param(
                swapping(exactly(1e6, 5.0, 2.0, 1e-6)), 30 * MINUTE, "30 min (window.limit)", id="longer-than-a-century"
            ),
        ],
    )
    def test_the_smaller_one_rules_and_is_named(self, of: Given, limit: timedelta, told: str) -> None:
        out = allowed(of)
        assert (out.limit, limit_in_words(out)) == (limit, told)

    def test_the_arms_own_capacitor_takes_the_place_of_the_recipes(self) -> None:
        of = swapping(HELD)
        own = of.facts._replace(arm=of.facts.arm._replace(hold_up=HELD._replace(capacitance_f=0.005)))
        assert time_out(own, NOW).limit == 750 * SECOND

    def test_power_that_was_recorded_before_a_change_is_not_known_after_it(self) -> None:
        ended = window(10 * MINUTE, began_at=NOW - 9 * HOUR, ended_at=NOW - 8 * HOUR)
        assert allowed(swapping(HELD, LONG_ON, window=ended)) == allowed(swapping(HELD, Powered(None, None)))

    @pytest.mark.parametrize(
        ("of", "reason"),
        [
            pytest.param(swapping(None), None, id="no-table"),
            pytest.param(
                swapping(HELD),
                "The capacitor carries the memory for 25 min at worst, charged for the 1 d that it was on before"
                " (marked powered-on by Ana).",
                id="known",
            ),
            pytest.param(
                swapping(HELD, UNKNOWN),
                "The capacitor carries the memory for 22 min 55 s at worst, charged for 30 min, as is asked for: how long"
                " it was on before is not known.",
                id="not-known",
            ),
            pytest.param(
                swapping(HELD, Powered(on=False, since=NOW - 15 * MINUTE)),
                "The capacitor carries the memory for 7 min 55 s at worst, charged for 30 min, as is asked for: how long"
                " it was on before is not known; it was off, or not seen on, for 15 min already.",
                id="off",
            ),
            pytest.param(
                swapping(HELD, limits={"window": 20 * MINUTE}),
                "The capacitor would carry the memory for 25 min at worst, charged for the 1 d that it was on before"
                " (marked powered-on by Ana).",
                id="the-limit-is-shorter",
            ),
        ],
    )
    def test_why(self, of: Given, reason: str | None) -> None:
        assert why(allowed(of)) == reason

    @given(
        ANY_HELD | SOUND,
        st.builds(
            Powered,
            st.sampled_from((True, False, None)),
            st.none() | st.builds(lambda span: NOW - span, st.timedeltas(-DAY, 9999 * DAY)),
            st.just("marked"),
            st.none() | st.builds(lambda span: NOW - span, st.timedeltas(-DAY, 9999 * DAY)),
        ),
        st.timedeltas(timedelta(), timedelta.max),
        st.timedeltas(timedelta(), timedelta.max),
        st.floats(),
    )
    def test_it_is_never_above_the_limit(
        self, held: HoldUp, powered: Powered, limit: timedelta, before: timedelta, ambient_c: float
    ) -> None:
        of = swapping(held, powered, ambient_c, limits={"window": limit, "powered_before": before})
        out = allowed(of)
        assert timedelta() <= out.limit <= limit
        assert out.hold_up is not None
        assert is_by_hold_up(out) == (out.hold_up.lasts == out.limit)
        assert out.hold_up.lasts % SECOND == timedelta()
        assert why(out)

    @given(SOUND, AMBIENT_C, st.timedeltas(timedelta(), 99 * DAY), st.timedeltas(timedelta(), 99 * DAY))
    def test_longer_powered_is_never_shorter(
        self, held: HoldUp, ambient_c: float, on: timedelta, more: timedelta
    ) -> None:
        short, long = (allowed(swapping(held, on_for(span), ambient_c)) for span in (on, on + more))
        assert long.limit >= short.limit

    @given(SOUND, AMBIENT_C, st.timedeltas(timedelta(), 99 * DAY))
    def test_not_known_and_off_are_never_longer_than_on_for_as_long_as_is_asked(
        self, held: HoldUp, ambient_c: float, off: timedelta
    ) -> None:
        known, unknown, is_off = (
            allowed(swapping(held, powered, ambient_c))
            for powered in (on_for(30 * MINUTE), UNKNOWN, Powered(on=False, since=NOW - off))
        )
        assert known.limit == unknown.limit >= is_off.limit


def silent_for(span: timedelta, on: timedelta = DAY) -> Powered:
    """Its controller answered for so long, and ceased to so long ago."""
    return UNKNOWN._replace(since=NOW - span - on, until=NOW - span)


class TestSinceItsLastAnswer:
    """Nobody sees the power go off; from the last answer on it may be off, and its capacitor runs down."""

    @pytest.mark.parametrize(
        ("powered", "limit"),
        [
            pytest.param(silent_for(timedelta()), 25 * MINUTE, id="just-now"),
            pytest.param(silent_for(10 * MINUTE), 15 * MINUTE, id="a-while-ago"),
            pytest.param(silent_for(25 * MINUTE), timedelta(), id="run-down"),
            pytest.param(silent_for(10 * MINUTE, on=30 * MINUTE), 1375 * SECOND - 10 * MINUTE, id="charged-for-less"),
            pytest.param(on_for(DAY)._replace(until=NOW - 2 * MINUTE), 23 * MINUTE, id="its-last-answer-is-close"),
            pytest.param(on_for(DAY)._replace(until=NOW), 25 * MINUTE, id="it-answers"),
            pytest.param(UNKNOWN._replace(since=NOW - DAY), 25 * MINUTE, id="marked-on-and-never-answered"),
        ],
    )
    def test_the_window_has_no_more_minutes_than_are_left(self, powered: Powered, limit: timedelta) -> None:
        assert allowed(swapping(HELD, powered)).limit == limit

    def test_that_is_told(self) -> None:
        told = why(allowed(swapping(HELD, silent_for(10 * MINUTE))))
        assert told is not None
        assert told.endswith("; it was off, or not seen on, for 10 min already.")

    @pytest.mark.parametrize(
        ("of", "expected"),
        [
            pytest.param(swapping(None, silent_for(10 * MINUTE)), ["caution"], id="no-capacitor"),
            pytest.param(swapping(None, silent_for(10 * MINUTE, on=30 * MINUTE)), ["caution"], id="on-for-long-enough"),
            pytest.param(
                swapping(None, silent_for(10 * MINUTE, on=30 * MINUTE - MICROSECOND)), ["hold"], id="and-a-moment-less"
            ),
            pytest.param(swapping(HELD, silent_for(10 * MINUTE)), ["caution"], id="its-capacitor-carries"),
            pytest.param(swapping(HELD, silent_for(24 * MINUTE + 59 * SECOND)), ["caution"], id="for-one-more-second"),
            pytest.param(
                swapping(HELD, silent_for(24 * MINUTE + 59 * SECOND + MICROSECOND)), ["hold"], id="and-for-none"
            ),
            pytest.param(swapping(HELD, UNKNOWN._replace(since=NOW - 30 * MINUTE)), ["caution"], id="marked-long-ago"),
            pytest.param(
                swapping(HELD, UNKNOWN._replace(since=NOW - 30 * MINUTE + MICROSECOND)), ["hold"], id="marked-just-now"
            ),
        ],
    )
    def test_levels(self, of: Given, expected: list[Level]) -> None:
        assert levels(of) == expected

    def test_a_slow_capacitor_does_not_keep_the_cell_in_once_the_power_is_off(self) -> None:
        """The controller falls silent as its power goes off for the change: just then nothing must hold it up."""
        slow = TestPoweredLongEnough.SLOW
        assert levels(swapping(slow, on_for(DAY)._replace(until=NOW))) == []
        assert levels(swapping(slow, silent_for(5 * MINUTE))) == ["caution"]
        assert allowed(swapping(slow, silent_for(5 * MINUTE))).limit > 10 * MINUTE

    def test_a_mark_lifts_the_hold_of_a_controller_that_cannot_be_reached(self) -> None:
        slow = TestPoweredLongEnough.SLOW
        assert levels(swapping(slow, UNKNOWN)) == ["hold"]
        assert levels(swapping(slow, UNKNOWN._replace(since=NOW - 5 * HOUR))) == ["hold"]
        assert levels(swapping(slow, UNKNOWN._replace(since=NOW - 6 * HOUR))) == ["caution"]

    def test_the_words(self) -> None:
        of = swapping(HELD, silent_for(10 * MINUTE))
        (found,) = of.findings("not-powered-long-enough")
        assert found.message == (
            "arm-07 was last seen on 10 min ago (its controller does not answer: timed out), after it had been on for"
            " 1 d: whether it is on is not known."
        )
        (then,) = Given(of.facts, of.question._replace(at=NOW + HOUR)).findings("not-powered-long-enough")
        assert then.message == (
            "arm-07 was last seen on 1 h 10 min before that time (its controller does not answer: timed out): if it went"
            " off then, its capacitor has run down."
        )

    @given(SOUND, AMBIENT_C, st.timedeltas(timedelta(), DAY), st.timedeltas(timedelta(), DAY))
    def test_it_turns_in_the_very_microsecond(
        self, held: HoldUp, ambient_c: float, on: timedelta, silent: timedelta
    ) -> None:
        of = swapping(held, silent_for(silent, on), ambient_c)
        for found in of.findings("not-powered-long-enough"):
            if found.turns_at is not None:
                asked = (of.question._replace(at=found.turns_at - early) for early in (MICROSECOND, timedelta()))
                assert [levels(Given(of.facts, question)) for question in asked] == [["caution"], ["hold"]]
            if found.level == "caution":
                assert allowed(of).limit >= SECOND

    @given(SOUND, AMBIENT_C, st.timedeltas(timedelta(), DAY), st.timedeltas(timedelta(), DAY))
    def test_silence_never_gives_more_than_an_answer(
        self, held: HoldUp, ambient_c: float, on: timedelta, silent: timedelta
    ) -> None:
        answering = swapping(held, on_for(on)._replace(until=NOW), ambient_c)
        ceased = swapping(held, silent_for(silent, max(on - silent, timedelta())), ambient_c)
        assert allowed(ceased).limit <= allowed(answering).limit
        assert RANKS[ceased.verdict.level] >= RANKS[answering.verdict.level]


class TestPoweredLongEnough:
    """With a capacitor, the power must be on before for so long that the memory is carried for a second at all."""

    SLOW = HELD._replace(time_constant_s=36_000.0)
    """It needs 5 h 6 min 54 s before it carries the memory at all."""

    def test_without_a_capacitor_only_the_configured_time_rules(self) -> None:
        assert not swapping(None, on_for(30 * MINUTE)).findings("not-powered-long-enough")
        assert levels(swapping(None, UNKNOWN)) == ["caution"]

    @pytest.mark.parametrize(
        ("of", "expected"),
        [
            pytest.param(swapping(HELD, on_for(30 * MINUTE)), [], id="charged-soon-the-configured-time-rules"),
            pytest.param(swapping(HELD, on_for(30 * MINUTE - MICROSECOND)), ["hold"], id="a-moment-too-short"),
            pytest.param(swapping(HELD, UNKNOWN), ["caution"], id="not-known"),
            pytest.param(swapping(SLOW, on_for(30 * MINUTE)), ["hold"], id="charged-slowly"),
            pytest.param(swapping(SLOW, UNKNOWN), ["hold"], id="charged-slowly-not-known"),
            pytest.param(swapping(SLOW, on_for(6 * HOUR)), [], id="charged-slowly-on-for-long"),
            pytest.param(swapping(HELD, ambient_c=1e6), ["hold"], id="never-carried"),
            pytest.param(swapping(HELD, UNKNOWN, ambient_c=1e6), ["hold"], id="never-carried-not-known"),
        ],
    )
    def test_levels(self, of: Given, expected: list[Level]) -> None:
        assert levels(of) == expected

    def test_it_turns_in_the_very_microsecond(self) -> None:
        of = swapping(self.SLOW, on_for(HOUR))
        (found,) = of.findings("not-powered-long-enough")
        turns = of.verdict.holds_until
        assert turns is not None
        assert (of.verdict.level, of.verdict.then, found.turns_at) == ("hold", "clear", turns)
        assert timedelta(hours=5, minutes=6) < turns - (NOW - HOUR) < timedelta(hours=5, minutes=8)
        for at, expected in ((turns - MICROSECOND, ["hold"]), (turns, [])):
            assert levels(Given(of.facts, of.question._replace(at=at))) == expected
        assert time_out(of.facts, turns + SECOND).limit >= SECOND

    @given(SOUND, AMBIENT_C, st.timedeltas(timedelta(), DAY))
    def test_it_turns_in_the_very_microsecond_whatever_the_figures(
        self, held: HoldUp, ambient_c: float, on: timedelta
    ) -> None:
        of = swapping(held, on_for(on), ambient_c)
        for found in of.findings("not-powered-long-enough"):
            if found.turns_at is not None:
                asked = (of.question._replace(at=found.turns_at - early) for early in (MICROSECOND, timedelta()))
                assert [levels(Given(of.facts, question)) for question in asked] == [["hold"], []]

    def test_the_words(self) -> None:
        (found,) = swapping(self.SLOW, UNKNOWN).findings("not-powered-long-enough")
        assert found.message == (
            "For how long arm-07 has been powered is not known (its controller does not answer: timed out); 5 h 6 min"
            " before the change are needed."
        )
        assert found.remedy.startswith("Keep arm-07 powered for 5 h 6 min right before.")
        (never,) = swapping(HELD, ambient_c=1e6).findings("not-powered-long-enough")
        assert never.message == (
            "By its figures the capacitor of arm-07 carries the memory for no second, however long it was charged."
        )
        assert never.evidence["needed_s"] is None

    @given(
        ANY_HELD | SOUND, st.floats(), st.sampled_from((LONG_ON, UNKNOWN, on_for(MINUTE), Powered(on=True, since=None)))
    )
    def test_any_figures_give_a_verdict(self, held: HoldUp, ambient_c: float, powered: Powered) -> None:
        of = swapping(held, powered, ambient_c)
        without = swapping(None, powered, ambient_c)
        assert RANKS[of.verdict.level] >= RANKS[without.verdict.level]


RANKS = {"clear": 0, "caution": 1, "unknown": 2, "hold": 3}


def levels(of: Given) -> list[Level]:
    return [found.level for found in of.findings("not-powered-long-enough")]


# The record


@pytest.fixture
def ledger(tmp_path: Path) -> Ledger:
    return Ledger(str(tmp_path / "state" / "ledger.db"))


def clocks(after: timedelta = timedelta()) -> Callable[[], Reading]:
    return lambda: Reading(NOW + after, "first", 3600.0 + after.total_seconds())


CARRIED = Carried(580 * SECOND, 10 * MINUTE, "marked powered-on by Ana", MINUTE)
NEW_CELL = NewCell("memory-cell", None, NOW.date())


def opened(ledger: Ledger, held: Carried | None) -> SwapWindow:
    limit = 30 * MINUTE if held is None else min(held.lasts, 30 * MINUTE)
    return begin(ledger, Permit(swapping(None).verdict), "Ana", limit, clocks(), held)


class TestRecord:
    """Limit and hold-up stand in the entry with which the window begins, and in the one with which it ends."""

    @pytest.mark.parametrize(
        "held",
        [
            pytest.param(None, id="no-capacitor"),
            pytest.param(CARRIED, id="known"),
            pytest.param(CARRIED._replace(source=None), id="not-known"),
            pytest.param(CARRIED._replace(lasts=LONGEST), id="longer-than-the-limit"),
            pytest.param(CARRIED._replace(lasts=timedelta()), id="no-time"),
        ],
    )
    def test_there_and_back(self, ledger: Ledger, held: Carried | None) -> None:
        begun = opened(ledger, held)
        assert begun.hold_up == held
        later = clocks(MINUTE)
        assert tick(ledger, "arm-07", later) == begun._replace(elapsed=MINUTE)
        assert open_windows(ledger, later) == {"arm-07": begun._replace(elapsed=MINUTE)}
        last = end(ledger, "arm-07", "Ben", NEW_CELL, later)
        assert latest(ledger, "arm-07", later) == {"arm-07": last}
        assert (last.limit, last.hold_up) == (begun.limit, held)
        assert ledger.check().first_bad is None

    @pytest.mark.parametrize("over", [False, True], ids=["open", "ended"])
    def test_an_entry_of_an_older_program_has_the_limit_alone(self, ledger: Ledger, over: bool) -> None:  # noqa: FBT001
        opened(ledger, None)
        if over:
            end(ledger, "arm-07", "Ben", NEW_CELL, clocks(MINUTE))
        for seq, text in ledger.store.connection.execute("SELECT seq, body FROM entries WHERE kind='swap'").fetchall():
            body = json.loads(text)
            del body["hold_up"]
            ledger.store.connection.execute("UPDATE entries SET body=? WHERE seq=?", (json.dumps(body), seq))
        found = latest(ledger, "arm-07", clocks(MINUTE))["arm-07"]
        assert (found.limit, found.hold_up) == (30 * MINUTE, None)


# The configuration

PLANT = """[plant]
name = "Ridgemoor Castings"
timezone = "Europe/Berlin"
[share]
path = "share"
"""
FIGURES = {
    "capacitance-f": "0.022",
    "charged-v": "5.0",
    "least-v": "2",
    "time-constant-s": "120",
    "current-ua": "20.0",
    "leakage-ua": "0",
}


def hold_up(**changed: str | None) -> str:
    """A hold-up table; what is changed to None is left out."""
    figures = FIGURES | {key.replace("_", "-"): value for key, value in changed.items()}
    return "{ " + ", ".join(f"{key} = {value}" for key, value in figures.items() if value is not None) + " }"


def configured(arm: str = "", recipe: str = "") -> Settings:
    tables = f'[recipes.standard]\n{recipe}\n[recipes.standard.parts.programs]\nfiles = ["*"]\n'
    return parse("/plant/guard.toml", f'{PLANT}[[arms]]\nid = "arm-07"\n{arm}\n{tables}'.encode())[0]


OF_FIGURES = HoldUp(0.022, 5.0, 2.0, 120.0, 20.0, 0.0)


class TestConfiguration:
    """An optional table of the recipe or the arm, of which the arm's own counts."""

    def test_without_a_table_there_is_no_capacitor(self) -> None:
        settings = configured()
        assert (settings.arms["arm-07"].hold_up, settings.recipes["standard"].hold_up) == (None, None)

    def test_its_figures_and_their_defaults(self) -> None:
        settings = configured(recipe=f"hold-up = {hold_up()}")
        assert settings.recipes["standard"].hold_up == OF_FIGURES
        assert OF_FIGURES[6:] == (10.0, 0.0, 0.2, 0.3)

    def test_every_figure(self) -> None:
        more = {"doubles_every_c": "8", "series_resistance_ohm": "30", "tolerance": "0.1", "ageing": "0"}
        assert configured(arm=f"hold-up = {hold_up(**more)}").arms["arm-07"].hold_up == HoldUp(
            0.022, 5.0, 2.0, 120.0, 20.0, 0.0, 8.0, 30.0, 0.1, 0.0
        )

    def test_the_resistance_gives_the_time_constant(self) -> None:
        held = (
            configured(arm=f"hold-up = {hold_up(time_constant_s=None, resistance_ohm='4700')}").arms["arm-07"].hold_up
        )
        assert held is not None
        assert held.time_constant_s == pytest.approx(4700 * 0.022)

    @pytest.mark.parametrize(
        ("table", "key", "wrong"),
        [
            pytest.param("3", "", "3 is no table", id="no-table"),
            pytest.param("{}", ".capacitance-f", "is missing", id="empty"),
            pytest.param(hold_up(capacitance_f=None), ".capacitance-f", "is missing", id="no-capacitance"),
            pytest.param(hold_up(leakage_ua=None), ".leakage-ua", "is missing", id="no-leakage"),
            pytest.param(hold_up(time_constant_s=None), ".time-constant-s", "is missing", id="no-time-constant"),
            pytest.param(
                hold_up(resistance_ohm="1"), ".time-constant-s", "and resistance-ohm are both there", id="told-twice"
            ),
            pytest.param(hold_up(least_v="5"), ".least-v", "5.0 is not below charged-v", id="never-carried"),
            pytest.param(hold_up(current_ua="0"), ".current-ua", "0 is not above 0", id="no-current"),
            pytest.param(hold_up(leakage_ua="-1"), ".leakage-ua", "-1 is below 0", id="leakage-below-0"),
            pytest.param(hold_up(leakage_ua="nan"), ".leakage-ua", "nan is no number", id="leakage-nan"),
            pytest.param(hold_up(capacitance_f="inf"), ".capacitance-f", "inf is no number", id="capacitance-inf"),
            pytest.param(hold_up(tolerance="20"), ".tolerance", "20 is no fraction", id="tolerance-in-percent"),
            pytest.param(hold_up(leakage="1"), ".leakage", "is no key that is known", id="unknown-key"),
            pytest.param(
                hold_up(time_constant_s=None, resistance_ohm="1e308", capacitance_f="1e9"),
                ".resistance-ohm",
                "inf is no number",
                id="time-constant-beyond-all",
            ),
        ],
    )
    @pytest.mark.parametrize("where", ["recipe", "arm"])
    def test_one_fault(self, where: str, table: str, key: str, wrong: str) -> None:
        with pytest.raises(ConfigFaults) as refusal:
            configured(**{where: f"hold-up = {table}"})
        place = "arms[0]" if where == "arm" else "recipes.standard"
        first = refusal.value.faults[0]
        assert (first.key, first.wrong) == (f"{place}.hold-up{key}", wrong)
        assert first.line is not None

    def test_an_arms_file_has_no_column_for_it(self, tmp_path: Path) -> None:
        (tmp_path / "arms.csv").write_text("id,hold-up\narm-07,1\n")
        with pytest.raises(ConfigFaults) as refusal:
            parse(str(tmp_path / "guard.toml"), f'arms-file = "arms.csv"\n{PLANT}'.encode())
        (fault,) = refusal.value.faults
        assert "has 'hold-up'" in fault.wrong
        assert "hold-up" not in fault.right


# The command line

TABLE = """
[recipes.standard.hold-up]
capacitance-f = {capacitance}
charged-v = 5.0
least-v = 2.0
time-constant-s = 600
current-ua = 20
leakage-ua = 0
tolerance = 0
ageing = 0
"""
SHORT_TABLE, LONG_TABLE = TABLE.format(capacitance=0.01), TABLE.format(capacitance=1.0)
BY_HOLD_UP = r"22 min 5\d s \(hold-up of its capacitor\)"


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant whose standard recipe has a capacitor that carries for less than 30 min."""
    return plant_of(tmp_path_factory.mktemp("template") / "plant", SHORT_TABLE)


@pytest.fixture
def ready(template: Plant, tmp_path: Path) -> Plant:
    return template.copy(tmp_path / "plant")


def show(plant: Plant) -> Any:
    return plant.run("swap", "show", "arm-07", "--json").json


def times(plant: Plant) -> tuple[Any, Any, Any]:
    """For how long the cell may be out, what says so, and for how long the capacitor carries the memory."""
    shown = show(plant)
    return shown["limit_s"], shown["limited_by"], shown["hold_up_s"]


class TestCommandLine:
    def test_a_change_shows_the_shorter_time_and_why(self, ready: Plant) -> None:
        before = ready.run("swap", "show", "arm-07")
        assert "Begun now, a change of the memory cell would have 22 min 55 s (hold-up of its capacitor)." in before.out
        done = ready.run("swap", "begin", "arm-07", "--yes", "--by", "Ana")
        assert done.code == 0
        assert "Begun now, a change of the memory cell would have 22 min 55 s (hold-up of its capacitor)." in done.out
        assert "how long it was on before is not known" in " ".join(done.out.split())
        assert re.search(rf"runs since .*: {BY_HOLD_UP} until the new cell is in\.", " ".join(done.out.split()))
        assert times(ready) == (1375, "hold-up", 1375)
        screen = " ".join(ready.run("swap", "show", "arm-07").out.split())
        assert re.search(r"Left 22 min \d+ s of 22 min 55 s \(hold-up\); closing from", screen)
        assert "Why The capacitor carries the memory for 22 min 55 s at worst" in screen
        asked = ready.ask("arm-07", "memory-swap").answer["findings"]
        (found,) = [each for each in asked if each["code"] == "window-open"]
        assert "of 22 min 55 s (hold-up of its capacitor), begun by Ana." in found["message"]
        over = ready.run("swap", "end", "arm-07", "--by", "Ben")
        assert "within the limit of 22 min 55 s (hold-up of its capacitor)." in " ".join(over.out.split())

    @pytest.mark.parametrize("seconds", [0, 1])
    def test_nothing_is_begun_with_no_time_left_when_somebody_confirms(self, ready: Plant, seconds: int) -> None:
        desk = Desk(load(str(ready.config)))
        as_of = desk.now()
        (answer,) = desk.ask(["arm-07"], Question("memory-swap", as_of, HOUR), as_of)
        out = TimeOut(timedelta(seconds=seconds))
        if seconds:
            assert swaps.begin(desk, Permit(answer), "Ana", out).limit == out.limit
        else:
            with pytest.raises(RunDown, match="Nothing was begun"):
                swaps.begin(desk, Permit(answer), "Ana", out)
        assert (show(ready)["state"] == "none") == (not seconds)

    def test_power_that_is_known_to_be_on_for_long_lengthens_it(self, ready: Plant) -> None:
        since = (now() - 2 * DAY).isoformat(timespec="seconds")
        assert ready.run("mark", "powered-on", "arm-07", "--at", since, "--by", "Ana").code == 0
        assert times(ready) == (1500, "hold-up", 1500)
        told = " ".join(ready.run("swap", "show", "arm-07").out.split())
        assert "that it was on before (marked powered-on by Ana)." in told

    @pytest.mark.parametrize(
        ("table", "limit", "by", "held"),
        [
            pytest.param("", 1800, "limit", None, id="none"),
            pytest.param(LONG_TABLE, 1800, "limit", 137_553, id="longer"),
        ],
    )
    def test_a_configuration_that_is_changed_meanwhile_changes_no_open_window(
        self, ready: Plant, table: str, limit: int, by: str, held: int | None
    ) -> None:
        twin = ready.copy(ready.root.parent / "twin")
        twin.configure(table)
        assert times(twin) == (limit, by, held)
        ready.run("swap", "begin", "arm-07", "--yes", "--by", "Ana")
        ready.configure(table)
        assert times(ready) == (1375, "hold-up", 1375)

    def test_where_the_limit_is_shorter_it_is_named(self, ready: Plant) -> None:
        ready.configure(LONG_TABLE)
        done = ready.run("swap", "begin", "arm-07", "--yes", "--by", "Ana")
        told = " ".join(done.out.split())
        assert "would have 30 min (window.limit). The capacitor would carry the memory for 1 d 14 h at worst" in told

    def test_without_a_table_nothing_is_told_of_it(self, ready: Plant) -> None:
        ready.configure()
        done = ready.run("swap", "begin", "arm-07", "--yes", "--by", "Ana")
        assert not re.search(r"capacitor|hold-up|window\.limit|Why  ", done.out)
        assert not re.search(r"capacitor|hold-up|window\.limit|Why  ", ready.run("swap", "show", "arm-07").out)
        assert times(ready) == (1800, "limit", None)

    def test_a_question_loads_nothing_of_it_without_a_table(self, ready: Plant) -> None:
        words = ["--config", str(ready.config), "ask", "--arm", "arm-07", "--action", "memory-swap", "--json"]
        loaded = []
        for table in (SHORT_TABLE, ""):
            ready.configure(table)
            done = ready.program(sys.executable, "-c", LOADED, *words)
            loaded.append("guard.physics.hold_up" in done.err.split("\n"))
        assert loaded == [True, False]

    @ON_POSIX
    def test_the_countdown_says_which_it_is_within_80_columns(self, ready: Plant) -> None:
        with Terminal(ready, "swap", "begin", "arm-07", "--by", "Ana", columns=80) as terminal:
            asked = terminal.until("Type arm-07 to confirm and begin: ")
            assert "(hold-up of its capacitor)" in " ".join(asked.split())
            terminal.type("arm-07\n")
            first = " ".join(terminal.until("Ctrl-C leaves this screen").split())
            assert re.search(r"Left 22 min \d+ s of 22 min 55 s \(hold-up\); closing from 16 min 2 s on", first)
            assert "Why The capacitor carries the memory for 22 min 55 s at worst" in first
            assert max(map(len, re.split(r"[\r\n]", terminal.plain()))) <= 80
