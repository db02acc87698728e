"""One service visit as a state machine: which step is next, which gate is shut, and what a stamp makes of it. Pure.

A visit is its steps and its stamps. Steps are passed in their order, each by a stamp `done`, or `skipped`
with a reason where it is optional; a run-in, a change of position cells and a power-off have a stamp
`begun` before. So a visit that was left at any moment goes on from its stamps as if nobody had left it.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import datetime, timedelta

from guard.model import BLOCKING, Action, Finding, Level, Powered, SwapWindow, Verdict
from guard.plan.refusals import StepRefused
from guard.plan.steps import NEEDS_POWER_OFF, Gate, Step
from guard.record import Record
from guard.rules.evidence import later
from guard.rules.sign_off import counts_as, subject
from guard.rules.verdict import worst
from guard.units import in_words

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Literal

    from guard.rules.window import Reading, State, TimeOut

    What = Literal["begun", "done", "skipped"]
else:
    What = str

BEGUN: tuple[Gate, ...] = ("run-in", "position-cells", "power-off")
"""Gates of which the beginning is a stamp of its own: what they ask for must hold before anybody touches anything."""

OF_PART: tuple[tuple[Gate, Action], ...] = (("position-cells", "position-swap"), ("memory-cell", "memory-swap"))
"""Which verdict the parts of a visit have of their own."""

UNPROVEN = ("awaiting-proof", "memory-differs")
"""Findings with which nobody signs a visit, unless somebody signed them off."""

OF_CELLS = ("cell-alarm", "cell-overdue", "charge-short", "loss-likely")
"""Findings about one cell, which end with its change."""

ON_ITS_WAY = ("unsettled-newer", "incomplete-set", "clock-doubt", "refiled-copy", "wrong-arm", "damaged-set")
"""Findings that tell why a backup that was just saved does not count yet, or never will."""

OF_SHARE = ("share-offline", "share-doubt")
"""Findings of the level unknown that tell why nobody can say whether a backup is there."""

FRESH = timedelta(minutes=5)
"""How long what a gate looked at may lie back, as with a permit: whoever was asked may take an hour to answer."""

LEAVE = timedelta(minutes=30)
"""How long the leave to power down holds: a controller is shut down within minutes (common practice, no source)."""

WORK: tuple[Gate, ...] = ("run-in", "position-cells", "power-off", "memory-cell", "power-on")
"""What can cost the memory or the positions: the backup after it must be younger than all of these."""


class Stamp(Record):
    """What somebody did to one step, and when. ``boot`` and ``uptime_s`` are the other clock, as `guard.clock` reads it."""

    step: str
    what: What
    at: datetime
    by: str
    readings: tuple[tuple[str, str], ...] = ()
    note: str = ""
    boot: str = ""
    uptime_s: float = 0.0


class Visit(Record):
    """A visit as far as it has come. ``ended`` is empty while it is under way, else signed or given-up."""

    number: int
    arm: str
    by: str
    began_at: datetime
    steps: tuple[Step, ...]
    stamps: tuple[Stamp, ...] = ()
    ended: str = ""


class Scene(Record):
    """What the gates look at, as it is now.

    ``saved_at`` is None where no set carries answers, its time is in doubt, or nobody can tell whether it is there.
    """

    clock: Reading
    verdicts: Mapping[Action, Verdict]
    powered: Powered = Powered(None, None)
    window: SwapWindow | None = None
    state: State = "none"
    saved_at: datetime | None = None


class Shut(Record):
    """Why a gate is shut, what opens it, and when it opens by itself where it does."""

    why: str
    remedy: str
    level: Level = "hold"
    opens_at: datetime | None = None


def within(part: Verdict, whole: Verdict) -> Verdict:
    """The verdict for a part of a visit: what the visit as a whole cures, such as an alarm of the other cell, blocks no part.

    Takes as proof that the verdict for the whole has the same finding about the same thing, and that it blocks nothing
    there.
    """
    cured = {(each.code, subject(each)) for each in whole.findings if counts_as(each) not in BLOCKING}
    found = tuple(
        each._replace(level="caution")
        if each.level in BLOCKING and each.code in OF_CELLS and (each.code, subject(each)) in cured
        else each
        for each in part.findings
    )
    level = worst(list(found))
    if found == part.findings or level == part.level:
        return part._replace(findings=found)
    return part._replace(level=level, findings=found, holds_until=None, then=None)


def outcome(visit: Visit, step: Step) -> Stamp | None:
    """The stamp by which a step was passed; None while it was not."""
    return next((stamp for stamp in visit.stamps if stamp.step == step.id and stamp.what != "begun"), None)


def begun(visit: Visit, step: Step) -> Stamp | None:
    """The stamp with which a step began; None where it has not, or has no such stamp."""
    return next((stamp for stamp in visit.stamps if stamp.step == step.id and stamp.what == "begun"), None)


def of_gate(visit: Visit, gate: Gate) -> Step | None:
    """The step that has a gate; None where no step of the visit has it."""
    return next((step for step in visit.steps if step.gate == gate), None)


def passed(visit: Visit, gate: Gate) -> Stamp | None:
    """The stamp by which the step of a gate was passed, by what was done there or by being left out."""
    step = of_gate(visit, gate)
    return None if step is None else outcome(visit, step)


def may_be_off(visit: Visit) -> bool:
    """Whether somebody got ready to power down, and never said that it was done: nobody knows whether the power went off."""
    step = of_gate(visit, "power-off")
    return step is not None and begun(visit, step) is not None and outcome(visit, step) is None


def is_needed(visit: Visit, step: Step) -> bool:
    """Whether a step belongs to this visit: where the power stays on, nothing is locked out and no memory cell changed."""
    off = passed(visit, "power-off")
    return not (step.gate in NEEDS_POWER_OFF and off is not None and off.what == "skipped")


def next_step(visit: Visit) -> Step | None:
    """The step whose turn it is; None where the visit has ended."""
    if visit.ended:
        return None
    return next((step for step in visit.steps if is_needed(visit, step) and outcome(visit, step) is None), None)


def shut(visit: Visit, what: What, scene: Scene) -> Shut | None:
    """Why the next step cannot be stamped so; None where it can."""
    step = next_step(visit)
    if step is None:
        return Shut("the visit has ended", f"Begin another one: guard visit {visit.arm} --run")
    is_out = scene.window is not None and scene.window.ended_at is None
    if is_out and step.gate != "memory-cell":
        return Shut(
            f"the memory cell of {visit.arm} is out", f"Seat the new cell: guard swap end {visit.arm} --by NAME"
        )
    if what == "skipped":
        return _not_to_be_skipped(visit, step, scene, is_out=is_out)
    if what == "begun":
        return _not_to_begin(visit, step, scene)
    return _not_done(visit, step, scene)


def _not_to_be_skipped(visit: Visit, step: Step, scene: Scene, *, is_out: bool) -> Shut | None:
    if not step.optional:
        return Shut("this step is in every visit", "Do it, or leave the visit and take it up again later.")
    if step.gate == "memory-cell" and (is_out or _was_changed(visit, scene)):
        return Shut("the memory cell was taken out", f"Seat the new cell: guard swap end {visit.arm} --by NAME")
    return None


def _not_to_begin(visit: Visit, step: Step, scene: Scene) -> Shut | None:
    if step.gate not in BEGUN:
        return Shut("it has no beginning of its own", "Stamp it when it is done.")
    if begun(visit, step) is not None:
        return Shut("it has begun already", "Stamp it when it is done.")
    if step.gate == "position-cells":
        return _blocked(scene, "position-swap")
    return _not_to_power_off(visit, scene) if step.gate == "power-off" else None


def _not_done(visit: Visit, step: Step, scene: Scene) -> Shut | None:
    start = begun(visit, step)
    if step.gate in BEGUN and start is None:
        return Shut("it has not begun", "Begin it first.")
    if step.gate == "backup":
        return _blocked(scene, "service-visit")
    if step.gate == "run-in":
        return _too_short(visit, step, scene)
    if step.gate == "power-off" and start is not None and not timedelta() <= scene.clock.wall - start.at <= LEAVE:
        return _not_to_power_off(visit, scene)
    if step.gate == "memory-cell":
        return _not_changed(visit, scene)
    if step.gate == "backup-after":
        return _not_saved_after(visit, scene)
    return _unproven(scene) if step.gate in ("comparison", "sign") else None


def _not_to_power_off(visit: Visit, scene: Scene) -> Shut | None:
    """Before power goes, the change of the memory cell that follows is judged, powered time included."""
    return _blocked(scene, "power-down" if of_gate(visit, "memory-cell") is None else "memory-swap")


def _blocked(scene: Scene, action: Action) -> Shut | None:
    """Takes as proof a verdict of now that is clear or a caution, as it is where somebody answers for what holds it."""
    found = scene.verdicts.get(action)
    if found is None:
        return Shut(f"there is no verdict for a {action}", "Ask again.", "unknown")
    if found.level not in BLOCKING and timedelta() <= scene.clock.wall - found.question.at <= FRESH:
        return None
    if found.level not in BLOCKING:
        return Shut(f"the verdict for a {action} is of another time than now", "Ask again.", "unknown")
    gravest = [each for each in found.findings if counts_as(each) == found.level]
    why = f"the verdict for a {action} is {found.level}: {' '.join(each.message for each in gravest[:2])}"
    more = f" And {len(gravest) - 2} more: guard ask --arm {found.arm} --action {action}" if len(gravest) > 2 else ""
    remedy = "; ".join(dict.fromkeys(each.remedy.rstrip(".") for each in gravest[:2]))
    opens_at = found.holds_until if found.then in ("clear", "caution") else None
    return Shut(why, f"{remedy}.{more}", found.level, opens_at)


def run_down(visit: Visit, out: TimeOut) -> Shut | None:
    """Why the cell must stay in where its capacitor has run down since the power went off."""
    if out.limit > timedelta():
        return None
    arm = visit.arm
    return Shut(
        f"what carries the memory of {arm} has run down since the power went off",
        f"Leave the cell in and power {arm} on again, give this visit up and begin another:"
        f" guard visit {arm} --give-up --why TEXT",
    )


def ran_for(visit: Visit, step: Step, clock: Reading) -> timedelta:
    """For how long a run-in has run: the shorter one of what two clocks say, since here less is careful."""
    start = begun(visit, step)
    if start is None:
        return timedelta()
    by_wall = clock.wall - start.at
    if start.boot and start.boot == clock.boot:
        by_wall = min(by_wall, timedelta(seconds=clock.uptime_s - start.uptime_s))
    return max(by_wall, timedelta())


def _too_short(visit: Visit, step: Step, scene: Scene) -> Shut | None:
    least, ran = step.at_least or timedelta(), ran_for(visit, step, scene.clock)
    if ran >= least:
        return None
    opens_at = later(scene.clock.wall, least - ran)
    return Shut(
        f"the run-in has run for {in_words(ran)} of {in_words(least)}",
        f"Go on for {in_words(least - ran)}.",
        "hold",
        opens_at,
    )


def _was_changed(visit: Visit, scene: Scene) -> bool:
    """Takes as proof a window that was opened after the power went off in this visit, and was ended."""
    off, window = passed(visit, "power-off"), scene.window
    return (
        off is not None and off.what == "done" and window is not None
        and window.ended_at is not None and window.began_at >= off.at
    )  # fmt: skip


def _not_changed(visit: Visit, scene: Scene) -> Shut | None:
    if _was_changed(visit, scene):
        return None
    return Shut("no swap window was opened and ended since the power went off", "Open the window, and end it.")


def work_until(visit: Visit) -> datetime:
    """The last moment of work that can cost something: a backup after it must be younger."""
    gates = {step.id: step.gate for step in visit.steps}
    return max([visit.began_at, *(s.at for s in visit.stamps if gates.get(s.step) in WORK and s.what != "skipped")])


def _not_saved_after(visit: Visit, scene: Scene) -> Shut | None:
    if scene.saved_at is not None and scene.saved_at > work_until(visit) and scene.state != "awaiting-proof":
        return None
    found = scene.verdicts["service-visit"].findings if "service-visit" in scene.verdicts else ()
    known = "".join(
        f" {each.message}"
        for each in found
        if each.code in ON_ITS_WAY or (each.code in OF_SHARE and each.level == "unknown")
    )
    return Shut(
        f"no set of {visit.arm} that was saved after the work and was read back carries the answer.{known}",
        f"Save a backup of {visit.arm}; it counts once it has settled and was read back.",
    )


def _unproven(scene: Scene) -> Shut | None:
    found = scene.verdicts.get("power-down")
    if found is None:
        return Shut("there is no verdict for a power-down", "Ask again.", "unknown")
    open_ones: list[Finding] = [each for each in found.findings if each.code in UNPROVEN and each.signed_off is None]
    if not open_ones:
        return None
    return Shut(
        " ".join(each.message for each in open_ones), " ".join(dict.fromkeys(each.remedy for each in open_ones))
    )


def stamped(visit: Visit, stamp: Stamp, scene: Scene) -> Visit:
    """The visit with one more stamp. Raises StepRefused where it is not that step's turn, or its gate is shut."""
    step = next_step(visit)
    if step is None or step.id != stamp.step:
        turn = "the visit has ended" if step is None else f"it is the turn of {step.id}"
        raise StepRefused(visit.arm, stamp.step, f"{turn}.")
    closed = shut(visit, stamp.what, scene)
    if closed is not None:
        raise StepRefused(visit.arm, stamp.step, f"{closed.why}. {closed.remedy}")
    if stamp.what == "skipped" and not stamp.note.strip():
        raise StepRefused(visit.arm, stamp.step, "a step is left out with a reason only.")
    return taken(visit, stamp)


def taken(visit: Visit, stamp: Stamp) -> Visit:
    """The visit with a stamp that was accepted, as when it is read back from the ledger."""
    gates = {step.id: step.gate for step in visit.steps}
    is_over = gates.get(stamp.step) == "sign" and stamp.what == "done"
    return visit._replace(stamps=(*visit.stamps, stamp), ended="signed" if is_over else "")


def is_off_for_good(visit: Visit) -> bool:
    """Whether the power went off and no memory cell is still to be changed in this visit.

    Only then a power-off is recorded as a mark: with the old cell still in and the window not yet open, the verdict
    would take the capacitor for running down.
    """
    off, cell = passed(visit, "power-off"), of_gate(visit, "memory-cell")
    return off is not None and off.what == "done" and (cell is None or outcome(visit, cell) is not None)
