"""For how long a memory cell may be out, by the limit, the capacitor, and what is known of the power before."""

from __future__ import annotations

from datetime import timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.model import Level, PlannedEvent, Powered
from guard.plant import HoldUp
from guard.rules.window import TimeOut, is_by_hold_up, limit_in_words, time_out, why
from tests.facts import ARM, DAY, HOUR, LONG_ON, MICROSECOND, NOW, RECIPE, Given, proven, window
from tests.facts import given as facts_of
from tests.test_hold_up import AMBIENT_C, ANY_HELD, MINUTE, SECOND, SOUND, exactly

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
        assert levels(swapping(slow, UNKNOWN._replace(since=NOW - 12 * HOUR))) == ["hold"]
        assert levels(swapping(slow, UNKNOWN._replace(since=NOW - 13 * HOUR))) == ["caution"]

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
    """With a capacitor, the power must be on before for so long that it carries the memory for half of what it can."""

    SLOW = HELD._replace(time_constant_s=36_000.0)
    """It needs 5 h 6 min 54 s before it carries the memory at all, and 12 h 2 min 24 s to do so for 750 s."""

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
            pytest.param(swapping(SLOW, on_for(12 * HOUR)), ["hold"], id="charged-slowly-and-not-by-half"),
            pytest.param(swapping(SLOW, on_for(13 * HOUR)), [], id="charged-slowly-on-for-long"),
            pytest.param(
                swapping(SLOW, on_for(6 * HOUR), limits={"window": MINUTE}), [], id="charged-for-all-that-it-may-be-out"
            ),
            pytest.param(swapping(HELD, ambient_c=1e6), ["hold"], id="never-carried"),
            pytest.param(swapping(HELD, UNKNOWN, ambient_c=1e6), ["hold"], id="never-carried-not-known"),
        ],
    )
    def test_levels(self, of: Given, expected: list[Level]) -> None:
        assert levels(of) == expected

    @pytest.mark.parametrize(("held", "expected"), [(None, []), (HELD, []), (SLOW, ["caution"])])
    def test_a_planned_power_down_counts_until_it_is_charged_again(
        self, held: HoldUp | None, expected: list[Level]
    ) -> None:
        over = PlannedEvent("ev-1", "power-down", NOW - 9 * HOUR, 8 * HOUR, ("arm-07",), "Stop")
        of = swapping(held, events=(over,))
        assert levels(of) == expected
        assert levels(Given(of.facts, of.question._replace(at=NOW + 12 * HOUR))) == []

    def test_it_turns_in_the_very_microsecond(self) -> None:
        of = swapping(self.SLOW, on_for(HOUR))
        (found,) = of.findings("not-powered-long-enough")
        turns = of.verdict.holds_until
        assert turns is not None
        assert (of.verdict.level, of.verdict.then, found.turns_at) == ("hold", "clear", turns)
        assert timedelta(hours=12, minutes=2) < turns - (NOW - HOUR) < timedelta(hours=12, minutes=3)
        for at, expected in ((turns - MICROSECOND, ["hold"]), (turns, [])):
            assert levels(Given(of.facts, of.question._replace(at=at))) == expected
        assert abs(time_out(of.facts, turns).limit - 750 * SECOND) <= SECOND

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
            "For how long arm-07 has been powered is not known (its controller does not answer: timed out); 12 h 2 min"
            " before the change are needed."
        )
        assert found.remedy.startswith("Keep arm-07 powered for 12 h 2 min right before.")
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
