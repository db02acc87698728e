"""A visit as a state machine: its steps only in order, no gate passed over, and left or not left the same."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, NamedTuple

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.clock import Reading
from guard.model import ACTIONS, Action, Finding, Level, Powered, Question, SwapWindow, Verdict
from guard.plan.refusals import StepRefused
from guard.plan.steps import NEEDS_POWER_OFF, Step
from guard.plan.visit import (
    FRESH,
    LEAVE,
    Scene,
    Shut,
    Stamp,
    Visit,
    begun,
    is_needed,
    is_off_for_good,
    next_step,
    of_gate,
    outcome,
    passed,
    ran_for,
    shut,
    stamped,
    taken,
    within,
    work_until,
)
from guard.rules.verdict import verdict
from guard.store.ledger import Ledger
from guard.store.visits import begin, stamp, under_way
from guard.visit_file import read_steps, shipped
from tests.facts import HOUR, MICROSECOND, NOW, mark, proven
from tests.facts import given as facts_of

STEPS = read_steps(shipped())
MINUTE = timedelta(minutes=1)
VISIT = Visit(1, "arm-07", "Ana", NOW, STEPS)
BEGIN = {"run-in", "position-cells", "power-off"}
"""What has a beginning of its own."""


def judged(action: Action, level: Level = "caution", at: datetime = NOW, *codes: str) -> Verdict:
    found = tuple(Finding(code, level, f"{code}.", f"Lift {code}.", {}) for code in codes or ("too-few-copies",))
    return Verdict("arm-07", Question(action, at, HOUR), level, None, None, None, found)


def scene(after: timedelta = timedelta(), **changes: Any) -> Scene:
    """A scene in which every gate is open, so long after the beginning; ``changes`` shut some."""
    at = NOW + after
    window = SwapWindow(at - MINUTE, MINUTE, 30 * MINUTE, "Ana", ended_at=at)
    verdicts = {action: judged(action, at=at) for action in ACTIONS}
    seen = Scene(
        Reading(at, "first", after.total_seconds() + 1e5),
        verdicts,
        Powered(on=True, since=NOW - HOUR),
        window,
        "none",
        at,
    )
    return seen._replace(**changes)


def level_of(action: Action, level: Level, after: timedelta = timedelta(), *codes: str) -> Scene:
    seen = scene(after)
    return seen._replace(verdicts={**seen.verdicts, action: judged(action, level, seen.clock.wall, *codes)})


def made(step: str, what: Any, at: datetime, note: str = "") -> Stamp:
    return Stamp(step, what, at, "Ana", note=note, boot="first", uptime_s=(at - NOW).total_seconds() + 1e5)


def at_gate(gate: str, *, began: bool = False) -> tuple[Visit, timedelta]:
    """A visit that has come to the step of a gate, each stamp an hour after the one before; and the time of the next."""
    visit, after = VISIT, timedelta()
    while (step := next_step(visit)) is not None and step.gate != gate:
        for what in ["begun", "done"] if step.gate in BEGIN else ["done"]:
            after += 20 * MINUTE
            visit = stamped(visit, made(step.id, what, NOW + after), scene(after))
    after += 20 * MINUTE
    if began:
        assert step is not None
        visit = stamped(visit, made(step.id, "begun", NOW + after), scene(after))
    return visit, after


def why(closed: Shut | None) -> str:
    assert closed is not None
    return closed.why


OUT = SwapWindow(NOW, MINUTE, 30 * MINUTE, "Ana")
"""A window that is open."""


class TestGates:
    def test_with_every_gate_open_the_visit_ends_signed(self) -> None:
        visit, after = at_gate("sign")
        visit = stamped(visit, made("sign", "done", NOW + after), scene(after))
        assert (visit.ended, next_step(visit)) == ("signed", None)
        assert [each.step for each in visit.stamps if each.what == "done"] == [step.id for step in STEPS]
        assert shut(visit, "done", scene(after)) is not None

    @pytest.mark.parametrize(
        ("gate", "action"),
        [("backup", "service-visit"), ("position-cells", "position-swap"), ("power-off", "memory-swap")],
    )
    @pytest.mark.parametrize(
        ("level", "is_open"), [("clear", True), ("caution", True), ("unknown", False), ("hold", False)]
    )
    def test_a_verdict_shuts_its_gate(self, gate: str, action: Action, level: Level, *, is_open: bool) -> None:
        visit, after = at_gate(gate)
        closed = shut(visit, "begun" if gate in BEGIN else "done", level_of(action, level, after))
        assert (closed is None) == is_open
        if closed is not None:
            assert closed.level == level
            assert closed.why == f"the verdict for a {action} is {level}: too-few-copies."
            assert closed.remedy == "Lift too-few-copies."

    @pytest.mark.parametrize(
        ("ago", "is_open"),
        [(timedelta(), True), (FRESH, True), (FRESH + MICROSECOND, False), (-MICROSECOND, False)],
        ids=["now", "at-the-limit", "past-it", "yet-to-come"],
    )
    def test_a_verdict_of_another_time_opens_nothing(self, ago: timedelta, *, is_open: bool) -> None:
        seen = scene()._replace(verdicts={"service-visit": judged("service-visit", "clear", NOW - ago)})
        assert (shut(VISIT, "done", seen) is None) == is_open

    def test_without_a_verdict_nothing_opens(self) -> None:
        closed = shut(VISIT, "done", scene()._replace(verdicts={}))
        assert closed is not None
        assert closed.level == "unknown"

    @pytest.mark.parametrize("short", [MICROSECOND, MINUTE, timedelta()])
    def test_the_run_in_lasts_as_long_as_it_must(self, short: timedelta) -> None:
        visit, after = at_gate("run-in", began=True)
        seen = scene(after + 10 * MINUTE - short)
        closed = shut(visit, "done", seen)
        assert (closed is None) == (not short)
        if closed is not None:
            assert closed.opens_at == seen.clock.wall + short

    @pytest.mark.parametrize(
        ("clock", "ran"),
        [
            pytest.param(Reading(NOW + HOUR, "first", 1e5 + 60), MINUTE, id="wall-set-forward"),
            pytest.param(Reading(NOW + MINUTE, "first", 1e5 + 3600), MINUTE, id="wall-set-back"),
            pytest.param(Reading(NOW - HOUR, "first", 1e5 + 60), timedelta(), id="wall-before-it-began"),
            pytest.param(Reading(NOW + MINUTE, "second", 5.0), MINUTE, id="restarted"),
            pytest.param(Reading(NOW + MINUTE, "", 1e5 + 60), MINUTE, id="one-clock-only"),
        ],
    )
    def test_of_two_clocks_the_shorter_time_counts(self, clock: Reading, ran: timedelta) -> None:
        step = next(step for step in STEPS if step.gate == "run-in")
        visit = VISIT._replace(stamps=(made("run-in", "begun", NOW),))
        assert ran_for(visit, step, clock) == ran

    def test_a_run_in_that_has_not_begun_has_not_run(self) -> None:
        visit, after = at_gate("run-in")
        assert why(shut(visit, "done", scene(after))) == "it has not begun"

    @pytest.mark.parametrize(("on", "is_open"), [(False, False), (None, True), (True, True)])
    def test_position_cells_are_changed_with_the_power_on(self, on: Any, *, is_open: bool) -> None:
        visit, after = at_gate("position-cells")
        at = NOW + after
        facts = facts_of(proven(), powered=Powered(on, NOW, "marked powered-off by Ben")).facts
        seen = scene(after)
        now = verdict(facts, Question("position-swap", at, HOUR))
        closed = shut(visit, "begun", seen._replace(verdicts={**seen.verdicts, "position-swap": now}))
        assert (closed is None) == is_open
        assert closed is None or "known to be off (marked powered-off by Ben)" in closed.why

    @pytest.mark.parametrize(("late", "is_open"), [(LEAVE, True), (LEAVE + MICROSECOND, False)])
    def test_the_leave_to_power_down_runs_out(self, late: timedelta, *, is_open: bool) -> None:
        visit, after = at_gate("power-off", began=True)
        assert (shut(visit, "done", level_of("memory-swap", "hold", after + late)) is None) == is_open
        assert shut(visit, "done", scene(after + late)) is None

    def test_without_a_change_of_the_memory_cell_power_off_wants_the_verdict_for_a_power_down(self) -> None:
        steps = tuple(step for step in STEPS if step.gate != "memory-cell")
        visit, after = at_gate("power-off")
        visit = visit._replace(steps=steps)
        assert shut(visit, "begun", level_of("memory-swap", "hold", after)) is None
        assert shut(visit, "begun", level_of("power-down", "hold", after)) is not None

    @pytest.mark.parametrize(
        ("window", "is_open"),
        [
            pytest.param(None, False, id="none"),
            pytest.param({"ended_at": None}, False, id="open"),
            pytest.param({"began_at": timedelta()}, True, id="begun-as-the-power-went-off"),
            pytest.param({"began_at": -MICROSECOND}, False, id="begun-before-the-power-went-off"),
        ],
    )
    def test_the_memory_cell_is_changed_inside_a_window_of_this_visit(
        self, window: dict[str, Any] | None, *, is_open: bool
    ) -> None:
        visit, after = at_gate("memory-cell")
        off = passed(visit, "power-off")
        assert off is not None
        there = None if window is None else OUT._replace(began_at=off.at, ended_at=NOW + after)
        if there is not None and window:
            there = there._replace(**{k: off.at + v if isinstance(v, timedelta) else v for k, v in window.items()})
        assert (shut(visit, "done", scene(after, window=there)) is None) == is_open

    @pytest.mark.parametrize("step", STEPS, ids=lambda step: step.id)
    def test_while_the_cell_is_out_no_other_step_is_stamped(self, step: Step) -> None:
        visit = VISIT._replace(steps=(step,))
        for what in ("begun", "done", "skipped"):
            closed = shut(visit, what, scene(window=OUT))  # type: ignore[arg-type]
            assert closed is not None
            assert step.gate == "memory-cell" or closed.why == "the memory cell of arm-07 is out"

    @pytest.mark.parametrize(
        ("saved", "state", "is_open"),
        [
            pytest.param(timedelta(), "none", False, id="at-power-on"),
            pytest.param(MICROSECOND, "none", True, id="after-it"),
            pytest.param(MICROSECOND, "awaiting-proof", False, id="awaiting-proof"),
            pytest.param(None, "none", False, id="no-set"),
        ],
    )
    def test_the_backup_after_is_younger_than_the_work(
        self, saved: timedelta | None, state: Any, *, is_open: bool
    ) -> None:
        visit, after = at_gate("backup-after")
        on = passed(visit, "power-on")
        assert on is not None
        assert work_until(visit) == on.at
        seen = scene(after, saved_at=None if saved is None else on.at + saved, state=state)
        assert (shut(visit, "done", seen) is None) == is_open

    @pytest.mark.parametrize("gate", ["comparison", "sign"])
    @pytest.mark.parametrize("code", ["awaiting-proof", "memory-differs"])
    def test_nobody_signs_what_is_not_proven(self, gate: str, code: str) -> None:
        visit, after = at_gate(gate)
        seen = level_of("power-down", "hold", after, code)
        assert why(shut(visit, "done", seen)) == f"{code}."
        verdict = seen.verdicts["power-down"]
        signed = verdict._replace(
            findings=tuple(each._replace(signed_off="Ben until then: seen") for each in verdict.findings)
        )
        assert shut(visit, "done", seen._replace(verdicts={**seen.verdicts, "power-down": signed})) is None


class TestWithinAVisit:
    """What the visit as a whole cures blocks no part of it; nothing else becomes milder."""

    def both(self, code: str, part: Level, whole: Level) -> Verdict:
        evidence: dict[str, object] = {"cell": "memory-cell"}
        made = [
            judged(action, level)._replace(findings=(Finding(code, level, "m", "r", evidence),))
            for action, level in (("position-swap", part), ("service-visit", whole))
        ]
        return within(*made)

    def test_an_alarm_of_the_memory_cell_does_not_block_the_position_cells(self) -> None:
        facts = facts_of(proven(), marks=(mark("cell-alarm", NOW - HOUR, cell="memory-cell"),)).facts
        part, whole = (verdict(facts, Question(action, NOW, HOUR)) for action in ("position-swap", "service-visit"))
        assert (part.level, whole.level) == ("hold", "caution")
        assert within(part, whole).level == "caution"

    @pytest.mark.parametrize(
        ("code", "whole", "level"),
        [
            pytest.param("cell-overdue", "caution", "caution", id="cured"),
            pytest.param("cell-overdue", "hold", "hold", id="not-cured"),
            pytest.param("stale-backup", "caution", "hold", id="of-no-cell"),
        ],
    )
    def test_only_what_the_visit_cures(self, code: str, whole: Level, level: Level) -> None:
        assert self.both(code, "hold", whole).level == level

    def test_nothing_that_the_whole_does_not_name(self) -> None:
        part = judged("position-swap", "hold", NOW, "cell-overdue")
        assert within(part, judged("service-visit", "caution", NOW, "spare-missing")) == part


class TestLeavingOut:
    @pytest.mark.parametrize("step", STEPS, ids=lambda step: step.id)
    def test_only_what_may_be_left_out_and_with_a_reason(self, step: Step) -> None:
        visit, after = (
            at_gate(step.gate) if step.gate != "none" else (VISIT._replace(steps=(step, *STEPS)), timedelta())
        )
        seen = scene(after, window=None)
        if step.optional:
            assert stamped(visit, made(step.id, "skipped", NOW + after, "not due"), seen).stamps[-1].note == "not due"
            with pytest.raises(StepRefused, match="with a reason only"):
                stamped(visit, made(step.id, "skipped", NOW + after, " "), seen)
        else:
            with pytest.raises(StepRefused, match="this step is in every visit"):
                stamped(visit, made(step.id, "skipped", NOW + after, "not due"), seen)

    def test_where_the_power_stays_on_nothing_is_locked_out_and_no_memory_cell_changed(self) -> None:
        visit, after = at_gate("power-off")
        visit = stamped(visit, made("power-off", "skipped", NOW + after, "cell not due"), scene(after))
        step = next_step(visit)
        assert step is not None
        assert step.gate == "look"
        assert [each.gate for each in visit.steps if not is_needed(visit, each)] == list(NEEDS_POWER_OFF)
        assert not is_off_for_good(visit)

    def test_the_power_counts_as_off_once_no_memory_cell_is_to_come(self) -> None:
        visit, after = at_gate("memory-cell")
        assert not is_off_for_good(visit)
        assert is_off_for_good(
            stamped(visit, made("memory-cell", "skipped", NOW + after, "wrong cell"), scene(after, window=None))
        )
        assert is_off_for_good(stamped(visit, made("memory-cell", "done", NOW + after), scene(after)))

    def test_a_cell_that_was_taken_out_was_changed(self) -> None:
        visit, after = at_gate("memory-cell")
        assert shut(visit, "skipped", scene(after)) is not None


# Whatever people try


class Try(NamedTuple):
    step: int
    what: Any
    seen: Scene


LEVELS_MET: tuple[Level, ...] = ("clear", *["caution"] * 8, "hold", "unknown")  # type: ignore[assignment]
WHATS = (*["done"] * 6, *["begun"] * 4, "skipped")


PAUSES = st.sampled_from((timedelta(), MINUTE, 9 * MINUTE, 11 * MINUTE, HOUR))
LEVELS = st.lists(st.sampled_from(LEVELS_MET), min_size=len(ACTIONS), max_size=len(ACTIONS))
TENTHS = st.integers(0, 9)
POWER = st.sampled_from((True, None, False))
FIFTHS = st.integers(0, 4)
STEP_NUMBERS = st.integers(0, len(STEPS) - 1)
TRIED = st.sampled_from(WHATS)


@st.composite
def attempts(draw: st.DrawFn) -> list[Try]:
    """What people try, one thing after the other; most gates are open most of the time."""
    tries, after = [], timedelta()
    for _ in range(draw(st.integers(0, 60))):
        after += draw(PAUSES)
        seen = scene(after)
        levels = draw(LEVELS)
        at = seen.clock.wall
        seen = seen._replace(
            verdicts={action: judged(action, level, at) for action, level in zip(ACTIONS, levels, strict=True)},
            window=(None, OUT, *[seen.window] * 8)[draw(TENTHS)],
            powered=Powered(draw(POWER), NOW),
            saved_at=(None, NOW, at, at, at)[draw(FIFTHS)],
        )
        tries.append(Try(draw(STEP_NUMBERS), draw(TRIED), seen))
    return tries


TRIES = attempts()


def tried(visit: Visit, each: Try, *, next_one: bool) -> Visit:
    """The visit after one more try, which may be refused; every second one is at the step that is next."""
    step = next_step(visit) if next_one else None
    name = step.id if step is not None else STEPS[each.step].id
    try:
        return stamped(visit, made(name, each.what, each.seen.clock.wall, "why"), each.seen)
    except StepRefused:
        return visit


class TestWhateverPeopleTry:
    @given(tries=TRIES, next_one=st.booleans())
    @settings(max_examples=80)
    def test_steps_are_passed_in_order_and_no_gate_is_passed_over(self, tries: list[Try], *, next_one: bool) -> None:
        visit = VISIT
        for each in tries:
            before = visit
            visit = tried(visit, each, next_one=next_one)
            if visit is before:
                continue
            step = next_step(before)
            assert step is not None
            assert visit.stamps[-1].step == step.id
            assert shut(before, each.what, each.seen) is None
            if step.gate == "memory-cell" and each.what == "done":
                assert each.seen.window is not None
                assert all(outcome(visit, done) for done in STEPS[: STEPS.index(step)])
        needed = [step for step in visit.steps if is_needed(visit, step)]
        there = [outcome(visit, step) is not None for step in needed]
        assert there == sorted(there, reverse=True)
        for step in STEPS:
            ended = outcome(visit, step)
            assert ended is None or ended.what == "done" or step.optional
            assert ended is None or ended.what == "skipped" or (begun(visit, step) is not None) == (step.gate in BEGIN)
        assert bool(visit.ended) == all(there)
        for gate in ("backup", "look", "backup-after", "comparison", "sign"):
            assert not visit.ended or outcome(visit, of_gate(visit, gate)).what == "done"  # type: ignore[arg-type,union-attr]

    @given(TRIES, st.integers(0, 40))
    @settings(max_examples=80)
    def test_a_visit_that_was_left_goes_on_as_if_nobody_had_left_it(self, tries: list[Try], left_at: int) -> None:
        whole, left = VISIT, VISIT
        for number, each in enumerate(tries):
            whole = tried(whole, each, next_one=True)
            if number == left_at:  # all that is left of it are its stamps
                stamps, left = left.stamps, VISIT
                for each_stamp in stamps:
                    left = taken(left, each_stamp)
            left = tried(left, each, next_one=True)
        assert left == whole

    @given(TRIES)
    @settings(max_examples=50)
    def test_worse_facts_open_no_gate(self, tries: list[Try]) -> None:
        visit = VISIT
        for each in tries:
            if each.what != "skipped" and shut(visit, each.what, each.seen) is not None:
                nothing = each.seen._replace(verdicts={}, saved_at=None)
                assert shut(visit, each.what, nothing) is not None
            visit = tried(visit, each, next_one=True)


def test_what_was_stamped_is_read_back_from_the_ledger_as_it_was(tmp_path: Any) -> None:
    ledger = Ledger(str(tmp_path / "ledger.db"))
    visit = begin(ledger, "arm-07", "Ana", STEPS, {}, NOW)
    after = timedelta()
    while (step := next_step(visit)) is not None and step.gate != "sign":
        assert under_way(ledger) == {"arm-07": visit}
        for what in ["begun", "done"] if step.gate in BEGIN else ["done"]:
            after += 20 * MINUTE
            more = stamped(visit, made(step.id, what, NOW + after), scene(after))
            stamp(ledger, visit, more, {}, [])
            visit = more
    assert under_way(ledger, "arm-07") == {"arm-07": visit}
    stamp(ledger, visit, stamped(visit, made("sign", "done", NOW + after), scene(after)), {}, [])
    assert under_way(ledger) == {}
