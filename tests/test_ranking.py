"""Arms are ranked by the hours of work that a loss is expected to cost, within one level, wherever people look."""

from __future__ import annotations

import json
import re
from datetime import timedelta

import pytest

from guard.clock import now
from guard.model import AtStake, Level
from guard.rules.verdict import place
from tests.facts import given, proven
from tests.plant import Plant
from tests.test_morning import ARMS, want


class TestPlace:
    def test_the_level_comes_first_then_the_hours_and_those_without_figures_last(self) -> None:
        of = given(proven()).verdict

        def answer(level: Level, hours: float | None) -> object:
            return of._replace(level=level, loss=None if hours is None else AtStake(0.5, 2 * hours, hours))

        nothing, last, first, second = (
            answer("clear", None),
            answer("clear", 0.5),
            answer("hold", 0.0),
            answer("clear", 3.0),
        )
        ranked = sorted((nothing, last, first, second), key=place)  # type: ignore[arg-type]
        assert ranked == [first, second, last, nothing]


class TestMorning:
    def test_steps_and_arms_with_more_at_stake_come_first(self) -> None:
        from guard.tell.steps import steps

        small = want("arm-03", remedy="Save {} now.", hours=9.0)
        many = [want("arm-01", hours=0.5), want("arm-02", hours=4.0), want("arm-06", hours=6.0)]
        first, second = steps([small, *many], ARMS)
        assert (first.hours, second.hours) == (10.5, 9.0)
        assert [lot.arms for lot in first.lots] == [("arm-06",), ("arm-02", "arm-01")]

    def test_an_arm_that_is_asked_twice_counts_once(self) -> None:
        from guard.tell.steps import steps

        (step,) = steps([want("arm-01", hours=2.0), want("arm-01", hours=3.0)], ARMS)
        assert step.hours == 3.0


@pytest.fixture
def plant(tmp_path: object) -> Plant:
    """Three arms with proven backups of which two are known not to be enough: edits were made since."""
    made = Plant(tmp_path / "plant", arms=("arm-01", "arm-02", "arm-03"))  # type: ignore[operator]
    for arm in made.arms:
        made.save(arm, timedelta(days=1))
    made.ready()
    edits = {"arm-02": 3, "arm-03": 1}
    for arm, count in edits.items():
        for hour in range(count):
            at = (now() - timedelta(hours=hour + 1)).isoformat()
            assert made.run("mark", "edit", arm, "--at", at).code == 0
    return made


class TestFaces:
    """Two edits cost more to make again than one: arm-02 stands before arm-03 in every list."""

    def test_fleet(self, plant: Plant) -> None:
        answers = plant.run("fleet", "--json").json["answers"]
        assert [(each["arm"], each["verdict"]) for each in answers] == [
            ("arm-02", "hold"),
            ("arm-03", "hold"),
            ("arm-01", "clear"),
        ]
        hours = [each["loss"]["expected_hours"] for each in answers]
        assert hours[0] > hours[1] > hours[2] > 0
        screen = plant.run("fleet").out
        assert re.search(rf"HOLD +arm-02 .* At stake: {hours[0]:.2g} h\.", screen)

    def test_cells(self, plant: Plant) -> None:
        told = [each for each in plant.run("cells", "--json").json["cells"] if each["kind"] == "memory"]
        assert [each["arm"] for each in told] == ["arm-02", "arm-03", "arm-01"]
        assert told[0]["expected_hours"] > told[1]["expected_hours"] > told[2]["expected_hours"] > 0
        assert f"in a shift off now {told[0]['expected_hours']:.2g} h of work at stake" in plant.run("cells").out

    def test_the_report(self, plant: Plant) -> None:
        told = json.loads(plant.run("report", "--json").out)
        (area,) = told["areas"]
        assert [arm["arm"] for arm in area["arms"]] == ["arm-02", "arm-03", "arm-01"]
        (step,) = [each for each in told["steps"] if "edited-since" in each["codes"]]
        assert [lot["arms"] for lot in step["lots"]] == [["arm-02", "arm-03"]]
        assert step["expected_hours"] == pytest.approx(sum(arm["loss"]["expected_hours"] for arm in area["arms"][:2]))
        assert "At stake: " in plant.run("report", "--text").out
