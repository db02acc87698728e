"""Whether the charge of a cell carries the memory through an event: limits, exactness, and what is counted."""

from __future__ import annotations

import json
from datetime import date, timedelta
from typing import Any

import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st
from scipy.stats import norm

from guard.model import ACTIONS, Action, AnswerTime, FittedCell, Level, rank
from guard.physics.cell_life import HOURS_A_YEAR
from guard.plant import Costs, LossLimits
from guard.rules.charge import EDGES, TEN_YEARS, Stretch, first_beyond, stretch_of
from guard.rules.outlook import depletion, outlook
from guard.rules.verdict import HORIZON
from tests.facts import ARM, DAY, HOUR, LONG_ON, MEMORY_CELL, MICROSECOND, NOW, Given, given, mark, part, proven
from tests.test_verdict_laws import MOMENTS

YEAR = timedelta(days=365.25)
PLAIN = MEMORY_CELL._replace(
    interval=9999 * DAY,
    capacity_mah=1000.0,
    usable=1.0,
    self_discharge_per_year=0.0,
    standby_ua=100.0,
    spread_capacity=0.0,
    spread_standby=0.0,
    spread_self_discharge=0.0,
)
"""10,000 hours of standby at 25 degrees, without any doubt."""

ALWAYS_OFF = ARM._replace(powered_fraction=0.0)
ENDLESS = {"fresh": tuple((action, 9999 * DAY) for action in ACTIONS), "read_back_within": 9999 * DAY}
NO_FAILURES = LossLimits(failures_per_year=0.0)


def cell(hours_old: int = 8, **figures: Any) -> FittedCell:
    """A plain cell, installed at the start of today, 8 hours before now, or earlier by whole days."""
    return FittedCell(PLAIN._replace(**figures), date(2026, 11, 25) - timedelta(hours=hours_old - 8))


def at_risk(of: FittedCell, off: timedelta, action: Action = "power-down", **changes: Any) -> Given:
    """An arm that is always off, has that cell, and shall be off for so long."""
    limits = {**ENDLESS, "loss": changes.pop("loss", NO_FAILURES)}
    found = given(proven(), action=action, limits=limits, **{"cells": (of,), "arm": ALWAYS_OFF, **changes})
    return Given(found.facts, found.question._replace(off_for=off))


def told(of: Given) -> dict[str, Level]:
    return {found.code: found.level for found in of.verdict.findings}


class TestShort:
    """9,992 hours are left of 10,000. From the half of that on a caution, from 0.8 of it a hold; the limits are inside."""

    LEFT = timedelta(hours=9992)

    @pytest.mark.parametrize(
        ("part_off", "expected"),
        [
            pytest.param(0.4999, {}, id="less-than-half"),
            pytest.param(0.5001, {"charge-short": "caution"}, id="more-than-half"),
            pytest.param(0.7999, {"charge-short": "caution"}, id="less-than-0.8"),
            pytest.param(0.8001, {"charge-short": "hold"}, id="more-than-0.8"),
            pytest.param(1.0001, {"charge-short": "hold", "loss-likely": "hold"}, id="more-than-there-is"),
        ],
    )
    def test_both_sides_of_each_limit(self, part_off: float, expected: dict[str, Level]) -> None:
        assert told(at_risk(cell(), self.LEFT * part_off)) == expected

    @pytest.mark.parametrize(("off", "left"), [(1000, 2000), (2000, 4000)])
    def test_it_turns_when_the_charge_has_fallen_to_twice_the_need(self, off: int, left: int) -> None:
        answer = at_risk(cell(), timedelta(hours=off)).verdict
        expected = NOW + timedelta(hours=9992 - left)
        assert answer.holds_until is not None
        assert abs(answer.holds_until - expected) <= timedelta(milliseconds=1)
        assert (answer.level, answer.then) == ("clear", "caution")

    @pytest.mark.parametrize(
        ("action", "level"),
        [("power-down", "hold"), ("memory-swap", "caution"), ("service-visit", "caution"), ("position-swap", None)],
    )
    def test_the_cure_is_never_blocked(self, action: Action, level: Level | None) -> None:
        found = told(at_risk(cell(), 2 * YEAR, action, powered=LONG_ON))
        assert found.get("charge-short") == level
        assert found.get("loss-likely") == level

    def test_a_position_cell_with_figures_is_counted_too(self) -> None:
        position = cell(kind="position", name="position-cell")
        assert told(at_risk(position, self.LEFT * 0.9)) == {"charge-short": "hold"}

    @pytest.mark.parametrize(
        "of",
        [
            pytest.param(FittedCell(PLAIN._replace(capacity_mah=None), date(2026, 11, 25)), id="no-capacity"),
            pytest.param(FittedCell(PLAIN._replace(standby_ua=None), date(2026, 11, 25)), id="no-standby-current"),
        ],
    )
    def test_without_figures_age_alone_speaks(self, of: FittedCell) -> None:
        answer = at_risk(of, 2 * YEAR)
        assert told(answer) == {}
        assert answer.verdict.loss is None

    def test_without_an_age_nothing_is_calculated(self) -> None:
        answer = at_risk(FittedCell(PLAIN, None), 2 * YEAR)
        assert told(answer) == {"cell-age-unknown": "unknown"}
        assert answer.verdict.loss is None


class TestLikely:
    """The chance of a loss: stress against strength of normals, and failures at a constant rate."""

    @pytest.mark.parametrize("off_h", [3000, 4000, 4900, 5000, 5100])
    def test_it_is_that_of_a_normal_margin(self, off_h: int) -> None:
        # 1000 mAh are left, with a deviation of 10 % of what was put in; the standby is known exactly.
        of = at_risk(cell(spread_capacity=0.1, capacity_mah=1000.8), timedelta(hours=off_h))
        margin, sigma = 1000.0 - off_h / 10, 100.08
        loss = of.verdict.loss
        assert loss is not None
        assert loss.probability == pytest.approx(norm.cdf(-margin / sigma), rel=1e-9)

    @pytest.mark.parametrize(
        ("years", "level"),
        [(4.9, None), (5.1, "caution"), (52.5, "caution"), (52.9, "hold")],
    )
    def test_failures_alone(self, years: float, level: Level | None) -> None:
        # 1 - exp(-0.002 t) is 1 % at 5.03 years and 10 % at 52.7 years.
        of = at_risk(cell(capacity_mah=1e8), HOUR, loss=LossLimits())
        of = Given(of.facts._replace(limits=of.facts.limits._replace(fresh=()), sets=()), of.question)
        at = NOW + years * YEAR
        of = Given(of.facts._replace(limits=of.facts.limits._replace(**ENDLESS)), of.question._replace(at=at))
        assert told(of).get("loss-likely") == level

    def test_a_time_off_that_was_survived_begins_the_count_anew(self) -> None:
        old = cell(24 * 3000 + 8, capacity_mah=1e8)
        marks = (mark("powered-off", NOW - 9 * DAY), mark("powered-on", NOW - 8 * DAY))
        limits = LossLimits(failures_per_year=0.01)
        before, after = (at_risk(old, HOUR, loss=limits, marks=each).verdict.loss for each in ((), marks))
        assert before is not None
        assert after is not None
        assert after.probability == pytest.approx(0.01 * (8 * 24 + 1) / HOURS_A_YEAR, rel=1e-3)
        assert before.probability == pytest.approx(0.01 * 3000 / 365.25, rel=0.05)

    @pytest.mark.parametrize(
        ("sets", "marks", "hours"),
        [
            pytest.param((proven(),), (), 2, id="a-set-with-an-image"),
            pytest.param((proven(),), (mark("edit", NOW - HOUR), mark("edit", NOW)), 6, id="and-two-edits-since"),
            pytest.param((proven(),), (mark("edit", NOW - 9 * HOUR),), 2, id="an-edit-before"),
            pytest.param((part(proven(), "image", ok=False),), (), 16, id="a-set-without-an-image"),
            pytest.param((), (), 80, id="no-set"),
        ],
    )
    def test_what_it_costs(self, sets: Any, marks: Any, hours: float) -> None:
        of = at_risk(cell(), 2 * YEAR, marks=marks, sets=sets)
        assert of.verdict.loss is not None
        assert (of.verdict.loss.probability, of.verdict.loss.cost_h) == (1, hours)
        assert of.verdict.loss.expected_h == hours

    def test_an_arm_may_have_hours_of_its_own(self) -> None:
        of = at_risk(cell(), 2 * YEAR, arm=ALWAYS_OFF._replace(costs=Costs(reteach_h=120.0)), sets=())
        assert of.verdict.loss is not None
        assert of.verdict.loss.expected_h == 120

    def test_while_the_mains_stay_on_nothing_is_at_stake(self) -> None:
        loss = at_risk(cell(), 2 * YEAR, "position-swap").verdict.loss
        assert loss is not None
        assert (loss.probability, loss.expected_h) == (0, 0)


class TestMains:
    """Recorded times off and on count; a time off without an end lasts, one of power without an end is not counted."""

    @pytest.mark.parametrize(
        ("marks", "off_h", "ahead"),
        [
            pytest.param((), 50, 0.5, id="nothing-recorded"),
            pytest.param((("powered-off", 100), ("powered-on", 0)), 100, 0.5, id="off-all-the-time"),
            pytest.param((("powered-on", 100), ("powered-off", 0)), 0, 1, id="on-all-the-time-and-off-now"),
            pytest.param((("powered-off", 40), ("powered-on", 10)), 30 + 35, 0.5, id="off-for-a-while"),
            pytest.param((("powered-off", 40),), 40 + 30, 1, id="off-without-an-end"),
            pytest.param((("powered-on", 40),), 50, 0.5, id="on-without-an-end"),
            pytest.param((("powered-on", 60), ("powered-on", 40), ("powered-off", 0)), 30, 1, id="on-twice"),
            pytest.param((("powered-off", 60), ("powered-off", 40), ("powered-on", 0)), 60 + 20, 0.5, id="off-twice"),
        ],
    )
    def test_hours_off(self, marks: Any, off_h: float, ahead: float) -> None:
        found = tuple(mark(kind, NOW - hours * HOUR) for kind, hours in marks)
        arm = ARM._replace(powered_fraction=0.5)
        # 100 hours ago it was 04:00; the cell is 4 days and 8 hours, that is 104 hours old.
        of = outlook(cell(104), arm, found, NOW)
        assert of is not None
        first_four = 4 * 0.5
        assert 1000 - of.charge.mah == pytest.approx((off_h + first_four) * 0.1, abs=1e-9)
        assert of.off == ahead

    def test_it_is_empty_when_the_standby_has_taken_it_all(self) -> None:
        of = outlook(cell(), ALWAYS_OFF, (), NOW)
        assert of is not None
        empty = depletion(of, NOW)
        assert empty is not None
        assert abs(empty.at - (NOW + timedelta(hours=9992))) < timedelta(seconds=1)
        assert empty.sigma == timedelta()
        assert (outlook(cell(), ARM._replace(powered_fraction=1.0), (), NOW) or of).off == 0

    @pytest.mark.parametrize(
        ("spread", "sigma_h"),
        [
            pytest.param({"spread_capacity": 0.05}, 500, id="50-mAh-last-500-hours"),
            pytest.param({"spread_standby": 0.15}, 1500, id="0.015-mA-over-10000-hours-are-150-mAh"),
            pytest.param({"spread_capacity": 0.03, "spread_standby": 0.04}, 500, id="3-4-5"),
        ],
    )
    def test_how_sure_that_is(self, spread: dict[str, float], sigma_h: float) -> None:
        of = outlook(cell(**spread), ALWAYS_OFF, (), NOW)
        empty = of and depletion(of, NOW)
        assert empty is not None
        assert empty.sigma / HOUR == pytest.approx(sigma_h)

    def test_time_on_the_shelf_counts_from_the_first_of_the_month(self) -> None:
        shelf = FittedCell(PLAIN._replace(self_discharge_per_year=0.1), date(2026, 11, 25), "2025-11")
        of, fresh = (outlook(each, ARM, (), NOW) for each in (shelf, shelf._replace(date_code=None)))
        assert of is not None
        assert fresh is not None
        assert of.charge.mah / fresh.charge.mah == pytest.approx(0.9 ** (389 / 365.25), rel=1e-4)


POSITIVE = st.floats(min_value=5e-324, max_value=1.7e308)
FRACTION = st.floats(0, 1)
FIGURES = st.fixed_dictionaries(
    {
        "capacity_mah": st.floats(1, 3000),
        "usable": st.floats(0.1, 1),
        "self_discharge_per_year": st.floats(0, 0.3),
        "standby_ua": st.floats(0.1, 500),
        "spread_capacity": st.floats(0, 0.3),
        "spread_standby": st.floats(0, 0.5),
        "spread_self_discharge": st.floats(0, 0.5),
    }
)


@st.composite
def cases(draw: st.DrawFn) -> Given:
    """A cell with any figures of a real one, and a time off from an hour to a year; nothing else ever turns."""
    of = FittedCell(PLAIN._replace(**draw(FIGURES)), date(2026, 11, 25) - timedelta(days=draw(st.integers(0, 4000))))
    limits = LossLimits(
        charge_caution=draw(st.floats(0.05, 1)),
        charge_hold=draw(st.floats(0.05, 1)),
        loss_caution=draw(st.floats(0, 0.5)),
        loss_hold=draw(st.floats(1e-6, 0.5)),
        failures_per_year=draw(st.sampled_from((0.0, 0.002, 0.1))),
    )
    arm = ARM._replace(powered_fraction=draw(st.floats(0, 1)), ambient_c=draw(st.floats(-20, 60)))
    off = draw(st.sampled_from((HOUR, 8 * HOUR, 14 * DAY, 365 * DAY)))
    ends = st.integers(0, 2000).map(lambda hours: NOW - hours * HOUR)
    spans = st.builds(AnswerTime, ends, st.one_of(st.none(), ends), st.booleans())
    case = at_risk(of, off, loss=limits, arm=arm, answers=tuple(draw(st.lists(spans, max_size=2))))
    return Given(case.facts, case.question._replace(at=NOW + draw(st.integers(0, 9000)) * DAY))


class TestLaws:
    """The horizon is exact, and what makes a cell worse makes no verdict better."""

    @settings(max_examples=150)
    @drawn(
        st.fixed_dictionaries(
            {
                **dict.fromkeys(("capacity_mah", "standby_ua", "ageing_ev", "standby_doubles_every_c"), POSITIVE),
                **dict.fromkeys(("usable", "self_discharge_per_year", "spread_capacity", "spread_standby"), FRACTION),
            }
        ),
        st.tuples(st.dates(), MOMENTS, st.one_of(MOMENTS, st.just(NOW))),
        st.tuples(st.floats(-1e308, 1e308), FRACTION),
        st.sampled_from((timedelta(), MICROSECOND, HOUR, YEAR, timedelta.max)),
        st.tuples(FRACTION, FRACTION, st.floats(0, 0.5), st.floats(0, 0.5), st.floats(0, 1e308)),
        st.lists(st.tuples(st.sampled_from(("powered-on", "powered-off")), MOMENTS), max_size=4),
    )
    def test_any_figures_and_times_give_a_verdict_that_can_be_told(
        self, figures: Any, times: Any, surroundings: Any, off: timedelta, limits: Any, mains: Any
    ) -> None:
        day, at, as_of = times
        of = at_risk(
            FittedCell(PLAIN._replace(**figures), day),
            off,
            loss=LossLimits(*limits),
            arm=ARM._replace(ambient_c=surroundings[0], powered_fraction=surroundings[1]),
            marks=tuple(mark(kind, moment) for kind, moment in mains),
            as_of=as_of,
        )
        answer = Given(of.facts, of.question._replace(at=at)).verdict
        json.dumps([answer.loss, *(found.evidence for found in answer.findings)], allow_nan=False)
        if answer.holds_until is not None:
            turned = (answer.holds_until - MICROSECOND, answer.holds_until)
            levels = [Given(of.facts, of.question._replace(at=moment)).verdict.level for moment in turned]
            assert levels == [answer.level, answer.then]

    @settings(max_examples=150)
    @drawn(cases(), st.data())
    def test_the_answer_holds_exactly_until_it_turns(self, of: Given, data: st.DataObject) -> None:
        answer, at = of.verdict, of.question.at

        def level(moment: Any) -> Level:
            return Given(of.facts, of.question._replace(at=moment)).verdict.level

        end = answer.holds_until or at + HORIZON
        if answer.holds_until is not None:
            assert level(end) == answer.then != answer.level
        for _ in range(4):
            between = at + data.draw(st.integers(0, (end - at) // MICROSECOND - 1)) * MICROSECOND
            assert level(between) == answer.level
            seen = Given(of.facts, of.question._replace(at=between)).verdict
            assert answer.holds_until is None or seen.holds_until == answer.holds_until
        assert level(end - MICROSECOND) == answer.level

    @settings(max_examples=80)
    @drawn(cases(), st.integers(0, 3000), st.floats(0.1, 1), st.floats(1, 3))
    def test_worse_is_no_better(self, of: Given, days: int, less: float, more: float) -> None:
        (known,) = of.facts.cells
        before = rank(of.verdict.level)
        installed = (known.installed or NOW.date()) - timedelta(days=days)
        worse_type = known.type._replace(standby_ua=(known.type.standby_ua or 1) * more)
        for worse in (known._replace(installed=installed), known._replace(type=worse_type)):
            if (lost := of.verdict.loss) is not None and lost.probability < 0.5:
                assert rank(Given(of.facts._replace(cells=(worse,)), of.question).verdict.level) >= before
        longer = Given(of.facts, of.question._replace(off_for=of.question.off_for / less))
        assert rank(longer.verdict.level) >= before

    @pytest.mark.parametrize("at", [0, 1, 7, 10**6, TEN_YEARS - 1, TEN_YEARS])
    def test_the_first_microsecond_is_found(self, at: int) -> None:
        within = Stretch(0, TEN_YEARS)
        assert first_beyond(lambda microseconds: float(microseconds - at), within) == at
        assert first_beyond(lambda microseconds: 1.0 if microseconds >= at else -1e-9, within) == at
        assert first_beyond(lambda microseconds: 1e-12 if microseconds >= at else -1.0, within) == at

    def test_what_is_never_reached_is_not_found(self) -> None:
        within = Stretch(0, TEN_YEARS)
        assert first_beyond(lambda _: -1.0, within) is None
        assert first_beyond(lambda microseconds: float(microseconds - TEN_YEARS - 1), within) is None
        assert first_beyond(lambda _: 0.0, Stretch(3, 9)) == 3

    @drawn(st.integers(0, 30 * TEN_YEARS) | st.sampled_from([*EDGES, *(edge - 1 for edge in EDGES[1:])]))
    def test_every_moment_lies_in_one_stretch(self, asked: int) -> None:
        within = stretch_of(asked)
        assert within.start <= asked < within.end
        assert stretch_of(within.start) == stretch_of(within.end - 1) == within
        assert stretch_of(within.end).start == within.end
