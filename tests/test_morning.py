"""What to do in the morning: which findings ask for something, by when, in which order, and for whom together."""

from __future__ import annotations

from datetime import datetime, timedelta

import pytest

from guard.model import Action, Level, PlannedEvent, Question, SignOff, rank
from guard.plant import Arm
from guard.rules.sign_off import subject
from guard.rules.verdict import verdict
from guard.tell.steps import Want, in_order, steps, too_early, wants_for_event, wants_now, wants_soon
from guard.tell.told import Lot, Step
from tests.facts import ARM, DAY, HOUR, NOW, Given, given, mark, proven, window

ARMS = {
    name: Arm(name, area="finishing" if name < "arm-05" else "casting") for name in (f"arm-0{n}" for n in range(1, 9))
}
SAVE = "Save a fresh backup of {}, then run: guard look"


def want(arm: str, level: Level = "hold", remedy: str = SAVE, **more: object) -> Want:
    """A want of an arm whose backup is too old."""
    return Want(arm, level, "stale-backup", remedy.replace("{}", arm), f"{arm} is old.", **{"now": True, **more})  # type: ignore[arg-type]


def event(start: datetime, kind: Action = "power-down") -> PlannedEvent:
    """An event of the arm."""
    return PlannedEvent("ev-1", kind, start, 8 * HOUR, (ARM.id,), "weekly stop")


def for_event(facts: Given, planned: PlannedEvent) -> list[Want]:
    """What the event asks for."""
    then = verdict(facts.facts, Question(planned.kind, planned.start, planned.off_for))
    return list(wants_for_event(then, planned, NOW))


class TestWhatIsAsked:
    """A finding asks for its remedy unless somebody answers for it or it is not yet time."""

    def test_a_clear_arm_asks_for_nothing(self) -> None:
        assert list(wants_now(given(proven()).verdict)) == []

    def test_each_finding_asks_with_its_level(self) -> None:
        found = given(proven(8 * DAY), odd_entries=(("x", "fits no layout"),)).verdict
        assert [(each.level, each.code) for each in wants_now(found)] == [
            ("hold", "stale-backup"),
            ("caution", "odd-entry"),
        ]

    def test_what_is_signed_off_asks_for_nothing(self) -> None:
        found = given(proven(8 * DAY)).verdict.findings[0]
        answer = SignOff("stale-backup", "M. Okafor", "known", NOW, NOW + DAY, subject(found))
        facts = given(proven(8 * DAY), sign_offs=(answer,))
        assert facts.verdict.level == "caution"
        assert [each.code for each in wants_now(facts.verdict)] == []

    @pytest.mark.parametrize(
        ("age", "asked"),
        [
            pytest.param(7 * DAY - 36 * HOUR, True, id="turns-in-36-h"),
            pytest.param(7 * DAY - 37 * HOUR, False, id="turns-in-37-h"),
        ],
    )
    def test_what_turns_soon_is_asked_for_now(self, age: timedelta, *, asked: bool) -> None:
        facts = given(proven(age + timedelta(microseconds=1)))
        now = facts.verdict
        assert now.holds_until is not None
        then = verdict(facts.facts, facts.question._replace(at=now.holds_until))
        found = list(wants_soon(now, then, NOW))
        assert [(each.level, each.due, each.now) for each in found] == (
            [("hold", now.holds_until, False)] if asked else []
        )


class TestEvents:
    """An event asks for what can be done for it by the next morning."""

    def test_a_stale_backup_from_one_limit_before_the_start(self) -> None:
        (asked,) = for_event(given(proven(3 * DAY)), event(NOW + 5 * DAY))
        assert (asked.due, asked.not_before, asked.event) == (NOW + 5 * DAY, None, "power-down: weekly stop")

    def test_what_a_backup_lifts_and_a_cell_before_it_when_that_must_begin_at_the_latest(self) -> None:
        facts, planned = given(proven(3 * DAY), marks=(mark("cell-alarm", NOW - HOUR),)), event(NOW + 5 * DAY)
        then = verdict(facts.facts, Question("power-down", planned.start, planned.off_for))
        found = wants_for_event(then, planned, NOW, NOW + 4 * DAY)
        assert {each.code: each.due for each in found} == {
            "stale-backup": NOW + 4 * DAY,
            "cell-alarm": NOW + 4 * DAY,
        }

    def test_not_before_the_time_from_which_it_helps(self) -> None:
        (asked,) = for_event(given(proven(3 * DAY)), event(NOW + 7 * DAY + 20 * HOUR))
        assert asked.not_before == NOW + 20 * HOUR

    def test_what_contradicts_it_in_the_plan_which_no_verdict_as_of_now_tells(self) -> None:
        planned = event(NOW + 5 * DAY)
        other = planned._replace(id="ev-2", kind="memory-swap", start=planned.start + HOUR)
        facts = given(proven(HOUR), events=(planned, other))
        assert [each.code for each in wants_now(facts.verdict)] == []
        (asked,) = for_event(facts, planned)
        assert (asked.code, asked.level, asked.due) == ("event-conflict", "caution", planned.start)

    def test_nothing_on_a_morning_too_early(self) -> None:
        planned = event(NOW + 8 * DAY + HOUR)
        facts = given(proven(3 * DAY))
        assert for_event(facts, planned) == []
        assert too_early(verdict(facts.facts, Question("power-down", planned.start, planned.off_for)), planned, NOW)

    def test_but_what_is_no_matter_of_age_at_once(self) -> None:
        planned = event(NOW + 20 * DAY)
        facts = given()
        assert [each.code for each in for_event(facts, planned)] == ["no-backup"]
        assert not too_early(verdict(facts.facts, Question("power-down", planned.start, planned.off_for)), planned, NOW)

    def test_a_limit_of_one_day_leaves_one_day(self) -> None:
        (asked,) = for_event(given(proven(6 * HOUR)), event(NOW + 30 * HOUR, "memory-swap"))[:1]
        assert (asked.code, asked.not_before) == ("stale-backup", NOW + 6 * HOUR)


class TestCellOut:
    """While the clock of a swap runs nothing is as urgent, and what a later event says of it is nothing new."""

    OUT = given(proven(9 * DAY), window=window(2 * timedelta(minutes=1)))

    def test_it_is_the_first_step(self) -> None:
        other = want("arm-03", hours=80.0)
        first, *_ = steps([other, *wants_now(self.OUT.verdict)], ARMS)
        assert first.text == "Seat the new cell, then run: guard swap end arm-07 --by NAME"

    def test_then_a_memory_that_differs(self) -> None:
        differs = want("arm-03", remedy="Let nobody move {}.")._replace(code="memory-differs")
        order = steps([want("arm-02", hours=80.0), differs, *wants_now(self.OUT.verdict)], ARMS)
        assert [each.codes[0] for each in order[:3]] == ["window-open", "memory-differs", "stale-backup"]

    def test_an_event_does_not_tell_it_again(self) -> None:
        assert {each.code for each in for_event(self.OUT, event(NOW + DAY))} == {"stale-backup"}


class TestOneList:
    """Equal remedies stand together, worst first, what is so already before what will be."""

    def test_arms_with_an_equal_remedy_are_one_step(self) -> None:
        (step,) = steps([want("arm-01"), want("arm-06"), want("arm-02")], ARMS)
        assert step.text == "Save a fresh backup of each arm, then run: guard look"
        assert step.lots == (
            Lot("casting", ("arm-06",), False, True, None, None, ""),  # noqa: FBT003
            Lot("finishing", ("arm-01", "arm-02"), False, True, None, None, ""),  # noqa: FBT003
        )
        assert step.why == "The backup is too old for this event"

    def test_one_arm_keeps_its_own_words(self) -> None:
        (step,) = steps([want("arm-01")], ARMS)
        assert (step.text, step.why) == (SAVE.format("arm-01"), "arm-01 is old.")

    def test_all_arms_of_an_area_are_known_as_such(self) -> None:
        (step,) = steps([want(arm) for arm in ARMS if arm < "arm-05"], ARMS)
        assert [lot.whole for lot in step.lots] == [True]

    @pytest.mark.parametrize(
        ("remedy", "together"),
        [
            pytest.param("Run: guard prove --arm {}", "Run: guard prove --arm ARM", id="in-a-command"),
            pytest.param(
                "Save {} anew. Then: guard look --arm {}", "Save each arm anew. Then: guard look --arm ARM", id="both"
            ),
            pytest.param("See to {}.", "See to each arm.", id="at-the-end-of-a-sentence"),
            pytest.param("Bring the share back.", "Bring the share back.", id="nowhere"),
        ],
    )
    def test_the_arm_is_left_open(self, remedy: str, together: str) -> None:
        (step,) = steps([want("arm-01", remedy=remedy), want("arm-02", remedy=remedy)], ARMS)
        assert step.text == together

    def test_an_arm_within_a_path_or_another_name_is_not_left_open(self) -> None:
        remedy = "Which file differs: guard prove {}/2026-11-24_1212 of {}0 or x-{} or {}.zip"
        assert len(steps([want("arm-01", remedy=remedy), want("arm-02", remedy=remedy)], ARMS)) == 2

    def test_one_arm_asked_twice_is_asked_once_at_its_worst_and_soonest(self) -> None:
        asked = [
            want("arm-01", "caution"),
            want("arm-01", now=False, due=NOW + DAY, event="x"),
            want("arm-01", due=NOW + 2 * DAY),
        ]
        (step,) = steps(asked, ARMS)
        assert (step.level, step.due, step.arms) == ("hold", NOW + DAY, 1)
        assert [(lot.now, lot.event) for lot in step.lots] == [(True, "x")]

    def test_what_must_wait_stands_beside_what_helps_at_once(self) -> None:
        waits = want("arm-01", now=False, due=NOW + 2 * DAY, not_before=NOW + DAY, event="x")
        (step,) = steps([want("arm-01"), waits], ARMS)
        assert [(lot.now, lot.not_before) for lot in step.lots] == [(True, None), (False, NOW + DAY)]
        assert step.arms == 1

    def test_two_events_are_met_by_one_time_right_for_both(self) -> None:
        first = want("arm-01", now=False, due=NOW + 40 * HOUR, not_before=NOW + 10 * HOUR, event="x")
        second = want("arm-01", now=False, due=NOW + 44 * HOUR, not_before=NOW + 20 * HOUR, event="y")
        (step,) = steps([second, first], ARMS)
        assert [(lot.not_before, lot.due) for lot in step.lots] == [(NOW + 20 * HOUR, NOW + 40 * HOUR)]

    def test_what_turns_at_a_minute_of_its_own_shares_the_first(self) -> None:
        turns = [want(f"arm-0{n}", now=False, due=NOW + timedelta(minutes=90 - n)) for n in (1, 2, 3)]
        (step,) = steps(turns, ARMS)
        assert [(lot.arms, lot.due) for lot in step.lots] == [
            (("arm-03", "arm-02", "arm-01"), NOW + timedelta(minutes=87))
        ]

    def test_the_order(self) -> None:
        def step(text: str, level: Level, due: datetime | None = None, *, now: bool = True, arms: int = 1) -> Step:
            lot = Lot("", tuple(str(n) for n in range(arms)), False, now, due, None, "")  # noqa: FBT003
            return Step(level, text, "", (), (lot,), due)

        right = [
            step("on hold, needed tomorrow", "hold", NOW + DAY),
            step("on hold, needed next week", "hold", NOW + 7 * DAY),
            step("many on hold", "hold", arms=9),
            step("one on hold", "hold"),
            step("will be on hold", "hold", NOW + HOUR, now=False),
            Step("unknown", "the monitor", "", (), (), None),
            step("a caution, soon", "caution", NOW + HOUR),
        ]
        assert [each.text for each in in_order(reversed(right))] == [each.text for each in right]
        assert [rank(each.level) for each in right] == sorted((rank(each.level) for each in right), reverse=True)
