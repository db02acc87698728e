"""Service visits as use cases: begun, stamped, taken up again, ended; what the gates look at, and what conflicts."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from guard import swaps
from guard.clock import Reading
from guard.desk import Desk
from guard.model import ACTIONS, USUAL_OFF, Action, Mark, PlannedEvent, Question, Verdict
from guard.plan.events import end, is_over
from guard.plan.refusals import NoGivingUp, NoVisit
from guard.plan.steps import Step, left_out
from guard.plan.visit import (
    OF_PART,
    Scene,
    Stamp,
    Visit,
    What,
    is_off_for_good,
    next_step,
    of_gate,
    passed,
    stamped,
    within,
)
from guard.record import Record
from guard.rules.evidence import later
from guard.rules.lapses import state
from guard.rules.share import is_in_doubt
from guard.rules.standing import standing
from guard.rules.verdict import verdict_over
from guard.rules.window import TimeOut, elapsed
from guard.store import visits


class Steps(Record):
    """The steps of a visit, the file they come from, and what they leave out."""

    steps: tuple[Step, ...]
    file: str
    left_out: tuple[str, ...]


def steps_of(desk: Desk) -> Steps:
    """The steps that hold in this plant. Raises StepsMissing and StepsFaulty."""
    from guard.visit_file import read_steps, shipped

    file = desk.settings.visit_steps or shipped()
    steps = read_steps(file)
    return Steps(steps, file, tuple(left_out(steps)))


def under_way(desk: Desk, arm: str) -> Visit | None:
    """The visit of an arm that has not ended."""
    return visits.under_way(desk.records, arm).get(arm)


def begin(desk: Desk, arm: str, by: str) -> Visit:
    """Begin a visit now. Raises VisitMoved where one is under way already, and ClockSetBack."""
    steps, now = steps_of(desk), desk.time_of(arm)
    beside = sorted(_beside(desk, arm, by))
    with desk.recording() as ledger:
        more: dict[str, object] = {"file": steps.file, "left_out": list(steps.left_out), "beside": beside}
        return visits.begin(ledger, arm, by, steps.steps, more, now)


def scene(desk: Desk, visit: Visit) -> Scene:
    """What the gates of a visit look at, by a look at the arm's sets as they are now."""
    arm, changes_memory_cell = visit.arm, of_gate(visit, "memory-cell") is not None
    clock = desk.clocks()
    (facts,) = desk.facts([arm], clock.wall)
    place = standing(facts)
    resting = place.resting
    is_told = resting is not None and resting.clock_doubt is None and not is_in_doubt(facts.share)
    saved_at = resting.captured_at if resting is not None and is_told else None
    verdicts = {action: verdict_over(place, _question(desk, action, clock.wall)) for action in ACTIONS}
    if changes_memory_cell:
        verdicts["position-swap"] = within(verdicts["position-swap"], verdicts["service-visit"])
    return Scene(clock, verdicts, facts.powered, facts.window, state(facts), saved_at)


def stamp(
    desk: Desk,
    visit: Visit,
    what: What,
    by: str,
    readings: Iterable[tuple[str, str]] = (),
    note: str = "",
    cells: Iterable[Mark] = (),
    powered_since: datetime | None = None,
) -> Visit:
    """Stamp the step whose turn it is, from a look at the facts of now; one transaction, with the marks that it makes.

    ``cells`` are the marks of new position cells; ``powered_since`` is since when the mains are on, for a run-in before
    which nobody had recorded that. Raises StepRefused and VisitMoved; then nothing was written.
    """
    step = next_step(visit)
    seen = scene(desk, visit)
    made = Stamp("" if step is None else step.id, what, seen.clock.wall, by, tuple(readings), note)
    made = made._replace(boot=seen.clock.boot, uptime_s=seen.clock.uptime_s)
    after = stamped(visit, made, seen)
    marks = [*cells, *_power_marks(visit, after, seen, powered_since)]
    with desk.recording() as ledger:
        visits.stamp(ledger, visit, after, _rests_on(seen), marks)
    return after


def _rests_on(seen: Scene) -> dict[str, object]:
    """What the gates saw when a stamp was made: the verdicts, and the set that they rest on."""
    verdicts = seen.verdicts.values()
    resting = next((each.resting for each in verdicts if each.resting is not None), None)
    return {
        "verdicts": {each.question.action: each.level for each in verdicts},
        "set": resting and resting.set.path,
        "fingerprint": resting and resting.set.fingerprint,
    }


def _power_marks(before: Visit, after: Visit, seen: Scene, powered_since: datetime | None) -> list[Mark]:
    """The marks that a stamp makes: a run-in is powered time, and the power went off and on when it was stamped."""
    made = after.stamps[-1]
    step = next(step for step in after.steps if step.id == made.step)
    marks = []
    if step.gate == "run-in" and made.what == "begun" and seen.powered.on is not True:
        marks.append(Mark("powered-on", after.arm, powered_since or made.at, made.by, "run-in of a service visit"))
    if is_off_for_good(after) and not is_off_for_good(before):
        marks += _power_off(after)
    if step.gate == "power-on" and made.what == "done":
        marks.append(Mark("powered-on", after.arm, made.at, made.by, "service visit"))
    return marks


def _power_off(visit: Visit) -> list[Mark]:
    off = passed(visit, "power-off")
    return [] if off is None else [Mark("powered-off", visit.arm, off.at, off.by, "service visit")]


def time_out(desk: Desk, visit: Visit) -> TimeOut:
    """For how long the memory cell may be out, begun now: the capacitor runs down since the power went off."""
    off, clock = passed(visit, "power-off"), desk.clocks()
    if off is None or off.what != "done":
        return swaps.allowed(desk, visit.arm, clock.wall)
    out = swaps.allowed(desk, visit.arm, off.at)
    if out.hold_up is None:
        return out
    off_for, _ = elapsed(Reading(off.at, off.boot, off.uptime_s), None, clock)
    lasts = max(out.hold_up.lasts - off_for, timedelta()) // timedelta(seconds=1) * timedelta(seconds=1)
    held = out.hold_up._replace(lasts=lasts, off_for=off_for)
    return TimeOut(min(desk.settings.limits.window, lasts), held)


def give_up(desk: Desk, arm: str, by: str, why: str) -> Visit:
    """End a visit that is not gone through with, with a reason. Raises NoVisit, NoGivingUp and VisitMoved."""
    visit = under_way(desk, arm)
    if visit is None:
        raise NoVisit(arm)
    if swaps.tick(desk, arm) is not None:
        raise NoGivingUp(arm)
    off, on = passed(visit, "power-off"), passed(visit, "power-on")
    marks = _power_off(visit) if off and off.what == "done" and on is None and not is_off_for_good(visit) else []
    with desk.recording() as ledger:
        visits.give_up(ledger, visit, by, why, desk.now(), marks)
    return visit._replace(ended="given-up")


def set_before(desk: Desk, visit: Visit) -> str | None:
    """The path of the set on which the visit began, as the stamp of its backup step says."""
    first = of_gate(visit, "backup")
    return None if first is None else visits.set_of_stamp(desk.records, visit, first.id)


# Conflicts


def conflicts(desk: Desk, arm: str, by: str, start: datetime) -> list[str]:
    """What speaks against one person's visit of this arm at that time: visits of other arms, under way or planned."""
    told = [
        f"{by} is on a visit of {other} already, which has not ended: one person cannot do both at the same time."
        for other in sorted(_beside(desk, arm, by))
    ]
    last = later(start, USUAL_OFF["service-visit"])
    for event in desk.events():
        others = [other for other in event.arms if other != arm]
        if event.kind == "service-visit" and others and _meets(event, start, last):
            told.append(
                f"{event.id} plans a service-visit of {', '.join(others)} for the same time: one person cannot do both."
            )
    return told


def _meets(event: PlannedEvent, start: datetime, last: datetime | None) -> bool:
    return not is_over(event, start) and (last is None or event.start < last) and end(event) > start


def _beside(desk: Desk, arm: str, by: str) -> set[str]:
    """The other arms on whose visits the same person is: who began them, or made their last stamp."""
    name = by.strip().casefold()
    return {
        other
        for other, visit in visits.under_way(desk.records).items()
        if other != arm and name and name == (visit.stamps[-1].by if visit.stamps else visit.by).strip().casefold()
    }


def judged(desk: Desk, arm: str, steps: Iterable[Step], start: datetime, now: datetime) -> list[Verdict]:
    """The verdicts for the work of a visit at that time, which the ledger records."""
    gates = {step.gate for step in steps}
    actions: list[Action] = ["service-visit", *(action for gate, action in OF_PART if gate in gates)]
    found = [desk.ask([arm], _question(desk, action, start), now)[0] for action in actions]
    if "memory-cell" not in gates:
        return found
    return [within(each, found[0]) if each.question.action == "position-swap" else each for each in found]


def _question(desk: Desk, action: Action, at: datetime) -> Question:
    """May this part of a visit be done then? Cells are out for as long as the window allows."""
    cells = action in ("memory-swap", "position-swap")
    return Question(action, at, desk.settings.limits.window if cells else USUAL_OFF["service-visit"])
