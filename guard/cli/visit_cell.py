"""The memory cell within the guided run of a visit: the window is opened, counted down and ended as by `guard swap`."""

from __future__ import annotations

from guard import swaps, visits
from guard.cli import countdown, keys, output, swap
from guard.cli.ask import EXIT_CODES
from guard.cli.output import Line, tell
from guard.cli.visit_asks import Left, Run, answer, choice, new_cell, skipped
from guard.cli.visit_lines import shut_lines
from guard.errors import GuardError
from guard.plan.steps import Step
from guard.plan.visit import Visit, run_down, shut
from guard.rules.refusals import NoWindow
from guard.store.windows import NewCell
from guard.units import in_words

SEATED = "Enter when the new cell is seated; Ctrl-C leaves this screen. The clock runs on."


def memory_cell(run: Run, visit: Visit, step: Step) -> Visit:
    """Open the window through `guard swap begin`, count down, and end it; goes on wherever that stands."""
    desk = run.desk
    if swaps.tick(desk, run.arm) is not None:
        return _counted_down(run, visit, None)
    if shut(visit, "done", visits.scene(desk, visit)) is None:
        output.show([Line("The window was opened and ended.", indent=4)])
        return visits.stamp(desk, visit, "done", run.by, _out(run, visit))
    if choice("begin", step) == "skip":
        return skipped(run, visit)
    closed = run_down(visit, visits.time_out(desk, visit))
    if closed is not None:
        output.show(shut_lines(run, closed))
        raise Left(EXIT_CODES["hold"])
    cell = new_cell(run)  # asked while nothing runs out
    try:
        window = swap.opened(desk, run.arm, run.by, lambda _: visits.time_out(desk, visit), asks=True)
    except GuardError as refused:
        tell(str(refused))
        return visit
    return visit if isinstance(window, int) else _counted_down(run, visit, cell)


def _counted_down(run: Run, visit: Visit, cell: NewCell | None) -> Visit:
    """Show the countdown until the new cell is seated, then end the window. ``cell`` is None where nobody told it yet."""
    desk = run.desk
    while True:
        change = swaps.change_of(desk, run.arm)
        if change.window is None or countdown.watch(desk, change, SEATED, keys.entered):
            return visit  # ended elsewhere: the next turn takes it over
        typed = answer(f"Is the new cell seated? Then type {run.arm}. Press Enter for the countdown, or type leave: ")
        if typed == "leave":
            raise Left
        if typed == run.arm:
            break
    try:
        swaps.end(desk, run.arm, run.by, cell or new_cell(run))
    except NoWindow:  # somebody was faster
        return visit
    output.show(countdown.lines(swaps.change_of(desk, run.arm), desk.settings))
    return visit


def _out(run: Run, visit: Visit) -> list[tuple[str, str]]:
    """For how long the cell was out, for the record of the visit."""
    window = visits.scene(run.desk, visit).window
    if window is None:
        return []
    return [("out-for", in_words(window.elapsed)), ("limit", in_words(window.limit))]
