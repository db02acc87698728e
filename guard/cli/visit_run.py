"""The guided run of a service visit: shows one step after the other, asks, and stamps; can be left at any moment."""

from __future__ import annotations

from collections.abc import Callable

from guard import swaps, visits
from guard.cli import keys, output, verdicts
from guard.cli.ask import EXIT_CODES
from guard.cli.looking import watching
from guard.cli.output import Line, tell
from guard.cli.visit_asks import Left, Run, answer, choice, position_cells, powered_since, readings_of, skipped
from guard.cli.visit_cell import memory_cell
from guard.cli.visit_lines import (
    ahead_lines,
    compared_lines,
    ended_lines,
    head_lines,
    how_far,
    shut_lines,
    timer_lines,
)
from guard.desk import Desk
from guard.errors import StateLocked
from guard.model import Mark
from guard.plan.refusals import StepRefused, VisitMoved
from guard.plan.steps import Step
from guard.plan.visit import BEGUN, Scene, Shut, Visit, begun, next_step, ran_for, shut
from guard.times import shown_with_age

WITH_THE_ARM = ("power-off", "lockout", "stored-energy", "power-on")
"""Steps that are stamped by typing the arm's id, so that nobody stamps them at another arm."""

READ_AGAIN = ("backup", "backup-after")
"""Steps before which the arm's folder is looked at, and what is new in it read back."""


def walk(desk: Desk, arm: str, by: str) -> int:
    """Walk the visit of an arm from where it stands. Returns the exit code."""
    run = Run(desk, arm, by)
    output.show(verdicts.cautions())
    try:
        visit = _taken_up(run) or _begun_now(run)
        while next_step(visit) is not None:
            try:
                visit = _stepped(run, visit)
            except VisitMoved as moved:
                tell(str(moved))
                there = visits.under_way(desk, arm)
                if there is None:
                    return moved.exit_code
                visit = there
            except StateLocked as locked:
                tell(str(locked))
                if answer("Press Enter to try again, or type leave: ") == "leave":
                    raise Left from None
    except Left as left:
        return _leave(run, left.code)
    except (KeyboardInterrupt, EOFError):
        print()
        return _leave(run, 0)
    output.show(ended_lines(run, visit))
    return 0


def _leave(run: Run, code: int) -> int:
    """Tell how the visit is taken up again, and whether a clock runs meanwhile."""
    told = f"Left; every stamp is kept. Take it up again: guard visit {run.arm} --run"
    output.show([Line(), Line(told, style="head")])
    if swaps.tick(run.desk, run.arm) is None:
        return code
    out = f"The memory cell of {run.arm} is out, and its clock runs on. When the new one is seated: guard swap end {run.arm} --by NAME"
    output.show([Line(out, style="hold")])
    return EXIT_CODES["hold"]


def _taken_up(run: Run) -> Visit | None:
    """The visit that is under way, with a word about how far it has come."""
    visit = visits.under_way(run.desk, run.arm)
    if visit is not None:
        last, zone = visit.stamps[-1] if visit.stamps else None, run.desk.settings.zone()
        at, by = (last.at, last.by) if last is not None else (visit.began_at, visit.by)
        what = "the last stamp" if last is not None else "begun"
        when = f"{what} {shown_with_age(at, run.desk.now(), zone)} by {by or 'nobody in particular'}"
        output.show([Line(), Line(f"Taken up again: {how_far(visit)}, {when}.", style="head")])
    return visit


def _begun_now(run: Run) -> Visit:
    desk = run.desk
    output.show([Line()])
    for text in (*visits.conflicts(desk, run.arm, run.by, desk.now()), *visits.steps_of(desk).left_out):
        output.show([Line(text, label="caution", label_style="caution-word", label_width=9)])
    if answer(f"Begin a visit of {run.arm} as {run.by or 'nobody in particular'}? [y/N] ").lower() not in ("y", "yes"):
        tell("Nothing was begun.")
        raise Left
    try:
        return visits.begin(desk, run.arm, run.by)
    except VisitMoved as moved:  # somebody was faster: it is theirs that goes on
        tell(str(moved))
        visit = _taken_up(run)
        if visit is None:
            raise
        return visit


# One step


def _stepped(run: Run, visit: Visit) -> Visit:
    """One turn at the step that is next: the visit with its stamp, or as it was where none was made."""
    step = next_step(visit)
    assert step is not None  # noqa: S101  # whoever calls this has looked
    output.show(head_lines(visit, step, run.desk.settings.zone()))
    try:
        if step.gate == "memory-cell":
            return memory_cell(run, visit, step)
        if step.gate in BEGUN and begun(visit, step) is None:
            return _beginning(run, visit, step)
        if step.gate == "run-in":
            return _running_in(run, visit, step)
        return _plain(run, visit, step)
    except StepRefused as refused:
        tell(str(refused))
        return visit


def _plain(run: Run, visit: Visit, step: Step) -> Visit:
    seen = _look(run, visit, step)
    closed = shut(visit, "done", seen)
    if closed is not None:
        return _shut(run, visit, step, closed)
    if step.gate == "backup":
        output.show(ahead_lines(visit, seen, run.desk.settings.zone()))
    if step.gate == "comparison":
        output.show(compared_lines(run, visit, seen))
    readings = readings_of(step.readings)
    if step.gate == "sign":
        return _signed(run, visit, readings)
    cells: list[Mark] = []
    if step.gate == "position-cells":
        cells, more = position_cells(run)
        readings += more
    return _asked(run, visit, step, lambda: visits.stamp(run.desk, visit, "done", run.by, readings, cells=cells))


def _look(run: Run, visit: Visit, step: Step) -> Scene:
    """What the gates look at; before a step about a backup the arm's folder is passed over and read back first."""
    if step.gate in READ_AGAIN:
        with watching() as progress:
            run.desk.look(progress, run.arm)
            newest = {known.id for known, _ in run.desk.newest(run.arm)[0]}
            list(run.desk.prove([each for each in run.desk.due() if each[0].id in newest], progress))
    return visits.scene(run.desk, visit)


def _shut(run: Run, visit: Visit, step: Step, closed: Shut) -> Visit:
    """Show why a gate is shut; Enter looks again."""
    output.show(shut_lines(run, closed))
    words = "skip or leave" if step.optional else "leave"
    while True:
        typed = answer(f"Press Enter to look again, or type {words}: ")
        if typed == "":
            return visit
        if typed == "leave":
            raise Left(EXIT_CODES[closed.level])
        if typed == "skip" and step.optional:
            return skipped(run, visit)


def _asked(run: Run, visit: Visit, step: Step, make: Callable[[], Visit]) -> Visit:
    """Ask for the word that stamps a step: the arm's id where another arm would be grave, else what is done."""
    word = run.arm if step.gate in WITH_THE_ARM else "done"
    return skipped(run, visit) if choice(word, step) == "skip" else make()


def _beginning(run: Run, visit: Visit, step: Step) -> Visit:
    """The stamp with which a step begins, once its gate is open."""
    seen = _look(run, visit, step)
    closed = shut(visit, "begun", seen)
    if closed is not None:
        return _shut(run, visit, step, closed)
    output.show([Line("The gate is open.", style="clear-word", indent=4)])
    word = "ready" if step.gate == "power-off" else "begin"
    if choice(word, step) == "skip":
        return skipped(run, visit)
    since = powered_since(run) if step.gate == "run-in" and seen.powered.on is not True else None
    return visits.stamp(run.desk, visit, "begun", run.by, powered_since=since)


def _signed(run: Run, visit: Visit, readings: list[tuple[str, str]]) -> Visit:
    while True:
        name = answer("Type your name to sign for the whole visit, or leave: ")
        if name == "leave":
            raise Left
        if name:
            return visits.stamp(run.desk, visit, "done", name, readings)


# The run-in


def _running_in(run: Run, visit: Visit, step: Step) -> Visit:
    """Show the timer until the run-in has lasted and somebody ends it."""
    if not _ran(run, visit, step):
        raise Left
    closed = shut(visit, "done", visits.scene(run.desk, visit))
    if closed is not None:
        tell(f"Not stamped: {closed.why}. {closed.remedy}")
        return visit
    readings = readings_of(step.readings)
    return visits.stamp(run.desk, visit, "done", run.by, readings)


def _ran(run: Run, visit: Visit, step: Step) -> bool:
    """Show the timer; True where Enter ended it, False where the person leaves. The run-in goes on either way."""
    from rich.console import Console, Group
    from rich.live import Live

    console = Console(highlight=False)
    with Live(console=console, auto_refresh=False) as live:
        try:
            while True:
                ran = ran_for(visit, step, run.desk.clocks())
                live.update(Group(*output.styled(timer_lines(step, ran), console.width)), refresh=True)
                if keys.entered(1 - ran.total_seconds() % 1):
                    return True
        except KeyboardInterrupt:
            return False
