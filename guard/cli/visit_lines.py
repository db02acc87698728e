"""Lines that the run sheet and the guided run of a visit share."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import tzinfo

from guard.cli.output import Line
from guard.model import Verdict
from guard.plan.steps import CHECKED, Step
from guard.plan.visit import Visit, is_needed, next_step, outcome
from guard.tell.visit_sheet import said_of, told
from guard.times import shown


def verdict_line(verdict: Verdict) -> Line:
    """One verdict in one sentence, after its level."""
    return Line(told(verdict), label=verdict.level.upper(), label_style=f"{verdict.level}-word", label_width=9)


def do_lines(step: Step, arm: str) -> Iterator[Line]:
    """What to do in a step, its warning and notice, and what the tool looks after."""
    for sentence in said_of(step, arm):
        yield Line(sentence, indent=4)
    if step.warning:
        yield Line(step.warning, label="WARNING: ", label_style="hold-word", indent=4)
    if step.notice:
        yield Line(step.notice, label="NOTICE: ", label_style="head", indent=4)
    if step.gate in CHECKED:
        yield Line(CHECKED[step.gate], label="Gate: ", style="quiet", label_style="quiet", indent=4)


def how_far(visit: Visit) -> str:
    """How many of its steps a visit has passed."""
    needed = [step for step in visit.steps if is_needed(visit, step)]
    passed = sum(outcome(visit, step) is not None for step in needed)
    return f"{passed} of {len(needed)} steps passed"


def under_way_line(visit: Visit, zone: tzinfo) -> Line:
    """How far a visit that has not ended has come."""
    step = next_step(visit)
    by = f" by {visit.by}" if visit.by else ""
    coming = f"; next: {step.title}" if step is not None else ""
    text = f"A visit is under way, begun {shown(visit.began_at, zone)}{by}: {how_far(visit)}{coming}. Take it up: guard visit {visit.arm} --run"
    return Line(text, style="caution")
