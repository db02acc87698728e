"""Lines that the run sheet and the guided run of a visit share."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from datetime import timedelta, tzinfo

from guard import visits
from guard.cli import verdicts
from guard.cli.output import Line
from guard.cli.visit_asks import Run
from guard.comparison import VOLATILE, changes
from guard.errors import GuardError
from guard.model import BLOCKING, Verdict
from guard.plan.steps import CHECKED, Step
from guard.plan.visit import OF_PART, Scene, Shut, Visit, begun, is_needed, next_step, of_gate, outcome
from guard.tell.visit_sheet import said_of, told
from guard.times import shown, shown_with_age
from guard.units import in_words, quoted

MOST_PATHS = 8
"""More paths that differ than this help nobody on a screen; `guard compare` shows them all."""

CAUTIONED = ("position-cells", "power-off", "lockout", "stored-energy")
"""Steps that show the cautions once more."""


def verdict_lines(verdicts: Sequence[Verdict], zone: tzinfo) -> Iterator[Line]:
    """Each verdict in one sentence, after its level."""
    for verdict, text in zip(verdicts, told(verdicts, zone), strict=True):
        yield Line(text, label=verdict.level.upper(), label_style=f"{verdict.level}-word", label_width=9)


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


def head_lines(visit: Visit, step: Step, zone: tzinfo) -> Iterator[Line]:
    """The step whose turn it is, and what to do in it."""
    needed = [each for each in visit.steps if is_needed(visit, each)]
    yield Line()
    yield Line(
        f"Step {needed.index(step) + 1} of {len(needed)}: {step.title.replace('{arm}', visit.arm)}", style="head"
    )
    yield from do_lines(step, visit.arm)
    start = begun(visit, step)
    if start is not None:
        by = f" by {start.by}" if start.by else ""
        what = "Its gate was open" if step.gate == "power-off" else "Begun"
        yield Line(f"{what} {shown(start.at, zone)}{by}.", style="head", indent=4)
    if step.gate in CAUTIONED:
        yield from verdicts.cautions()


def shut_lines(run: Run, closed: Shut) -> Iterator[Line]:
    """Why a gate is shut, and what opens it."""
    yield Line()
    yield Line(
        f"{closed.why[:1].upper()}{closed.why[1:]}", label="SHUT: ", label_style=f"{closed.level}-word", indent=4
    )
    yield Line(closed.remedy, label="What opens it: ", label_style="head", indent=4)
    if closed.opens_at is not None:
        when = shown_with_age(closed.opens_at, run.desk.now(), run.desk.settings.zone())
        yield Line(f"By itself it opens {when}.", indent=4)


def timer_lines(step: Step, ran: timedelta) -> Iterator[Line]:
    """How far the run-in has come."""
    least, most = step.at_least or timedelta(), step.at_most
    yield Line()
    if ran < least:
        yield Line(f"RUN-IN: {in_words(ran)} of {in_words(least)}; {in_words(least - ran)} to go.", style="caution")
    elif most is not None and ran > most:
        yield Line(f"RUN-IN: {in_words(ran)}; {in_words(most)} are enough. End it.", style="caution")
    else:
        yield Line(f"RUN-IN: {in_words(ran)}; long enough.", style="clear")
    yield Line("Enter ends it; Ctrl-C leaves this screen, and the run-in goes on.", style="quiet")


def ahead_lines(visit: Visit, seen: Scene, zone: tzinfo) -> Iterator[Line]:
    """The gates that are to come, as they stand now: what is shut at the cabinet is better known at the desk."""
    yield Line()
    yield from verdict_lines([seen.verdicts["service-visit"]], zone)
    for gate, action in OF_PART:
        verdict = seen.verdicts[action]
        if of_gate(visit, gate) is not None and verdict.level in BLOCKING:
            why = verdict.findings[0]
            text = f"As it stands, {gate} will be shut: {why.message} {why.remedy}"
            yield Line(text, label="AHEAD: ", label_style=f"{verdict.level}-word", indent=4)


def compared_lines(run: Run, visit: Visit, seen: Scene) -> Iterator[Line]:
    """How the set that was saved after the work differs from the one before it."""
    desk = run.desk
    resting = seen.verdicts["power-down"].resting
    before = visits.set_before(desk, visit)
    if resting is None or before is None:
        yield Line("There are no two sets to compare.", indent=4)
        return
    try:
        old, new = desk.resolve(before)[0], desk.resolve(resting.set.path)[0]
    except GuardError as refused:
        yield Line(str(refused), indent=4)
        return
    paths = [f"{each.what} {each.path}" for each in changes(desk, old, new) if each.part != VOLATILE]
    yield Line()
    if not paths:
        yield Line(
            f"Nothing differs between {before} and {resting.set.path} but what differs in every backup.",
            style="clear-word",
            indent=4,
        )
        return
    yield Line(f"{len(paths)} files differ between {before} and {resting.set.path}:", style="caution-word", indent=4)
    for text in paths[:MOST_PATHS]:
        yield Line(text, indent=6)
    yield Line(f"All of it: guard compare {quoted(before)} {quoted(resting.set.path)}", indent=4)


def ended_lines(run: Run, visit: Visit) -> Iterator[Line]:
    """The visit that was just signed, step by step."""
    zone = run.desk.settings.zone()
    signed = visit.stamps[-1]
    yield Line()
    told = (
        f"The visit of {visit.arm} is signed by {signed.by}, {shown(signed.at, zone)}. Its record stands in the ledger."
    )
    yield Line(told, style="head")
    for step in visit.steps:
        made = outcome(visit, step)
        if made is not None:
            what = f"left out by {made.by}: {made.note}" if made.what == "skipped" else made.by
            readings = "".join(f"; {name} {value}" for name, value in made.readings)
            yield Line(
                f"{shown(made.at, zone)} {what}{readings}", label=step.id, label_style="quiet", indent=1, label_width=20
            )
    yield from verdicts.cautions()
