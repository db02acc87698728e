"""The guided run of a service visit: shows one step after the other, asks, and stamps; can be left at any moment."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta, tzinfo

from guard import swaps, visits
from guard.cli import countdown, keys, output, swap, verdicts
from guard.cli.ask import EXIT_CODES
from guard.cli.looking import watching
from guard.cli.output import Line, tell
from guard.cli.visit_lines import do_lines, how_far, verdict_line
from guard.cli.when import date_code, parse_when
from guard.desk import Desk
from guard.errors import GuardError, NotUnderstood, NoWindow
from guard.model import Mark
from guard.plan.refused import StepRefused, VisitMoved
from guard.plan.steps import Reading, Step
from guard.plan.visit import BEGUN, Scene, Shut, Visit, begun, is_needed, next_step, of_gate, outcome, ran_for, shut
from guard.record import Record
from guard.store.windows import NewCell
from guard.times import shown, shown_with_age
from guard.units import in_words, quoted

WITH_THE_ARM = ("power-off", "lockout", "stored-energy", "power-on")
"""Steps that are stamped by typing the arm's id, so that nobody stamps them at another arm."""

READ_AGAIN = ("backup", "backup-after")
"""Steps before which the arm's folder is looked at, and what is new in it read back."""

MOST_PATHS = 8
"""More paths that differ than this help nobody on a screen; `guard compare` shows them all."""


class Left(Exception):
    """The person leaves the run; the visit waits. ``code`` is what the command then says."""

    def __init__(self, code: int = 0) -> None:
        super().__init__(code)
        self.code = code


class Run(Record):
    """Who walks which arm's visit."""

    desk: Desk
    arm: str
    by: str


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
    except Left as left:
        return _leave(run, left.code)
    except (KeyboardInterrupt, EOFError):
        print()
        return _leave(run, 0)
    output.show(_ended_lines(run, visit))
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
    if _answer(f"Begin a visit of {run.arm} as {run.by or 'nobody in particular'}? [y/N] ").lower() not in ("y", "yes"):
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
    output.show(_head(visit, step, run.desk.settings.zone()))
    try:
        if step.gate == "memory-cell":
            return _memory_cell(run, visit, step)
        if step.gate in BEGUN and begun(visit, step) is None:
            return _beginning(run, visit, step)
        if step.gate == "run-in":
            return _running_in(run, visit, step)
        return _plain(run, visit, step)
    except StepRefused as refused:
        tell(str(refused))
        return visit


def _head(visit: Visit, step: Step, zone: tzinfo) -> Iterator[Line]:
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


def _plain(run: Run, visit: Visit, step: Step) -> Visit:
    seen = _look(run, visit, step)
    closed = shut(visit, "done", seen)
    if closed is not None:
        return _shut(run, visit, step, closed)
    if step.gate == "backup":
        output.show(_ahead(visit, seen))
    if step.gate == "comparison":
        output.show(_compared(run, visit, seen))
    readings = _readings(step.readings)
    if step.gate == "sign":
        return _signed(run, visit, readings)
    cells: list[Mark] = []
    if step.gate == "position-cells":
        cells, more = _position_cells(run)
        readings += more
    return _asked(run, visit, step, lambda: visits.stamp(run.desk, visit, "done", run.by, readings, cells=cells))


def _look(run: Run, visit: Visit, step: Step) -> Scene:
    """What the gates look at; before a step about a backup the arm's folder is passed over and read back first."""
    if step.gate in READ_AGAIN:
        with watching() as progress:
            run.desk.look(progress, run.arm)
            newest = {known.id for known, _ in run.desk.newest(run.arm)}
            list(run.desk.prove([each for each in run.desk.due() if each[0].id in newest], progress))
    return visits.scene(run.desk, visit)


def _shut(run: Run, visit: Visit, step: Step, closed: Shut) -> Visit:
    """Show why a gate is shut; Enter looks again."""
    output.show(_shut_lines(run, closed))
    words = "skip, or leave" if step.optional else "or leave"
    while True:
        typed = _answer(f"Enter looks again; {words}: ")
        if typed == "":
            return visit
        if typed == "leave":
            raise Left(EXIT_CODES[closed.level])
        if typed == "skip" and step.optional:
            return _skipped(run, visit)


def _shut_lines(run: Run, closed: Shut) -> Iterator[Line]:
    yield Line()
    yield Line(
        f"{closed.why[:1].upper()}{closed.why[1:]}", label="SHUT: ", label_style=f"{closed.level}-word", indent=4
    )
    yield Line(closed.remedy, label="What opens it: ", label_style="head", indent=4)
    if closed.opens_at is not None:
        when = shown_with_age(closed.opens_at, run.desk.now(), run.desk.settings.zone())
        yield Line(f"By itself it opens {when}.", indent=4)


def _asked(run: Run, visit: Visit, step: Step, make: Callable[[], Visit]) -> Visit:
    """Ask for the word that stamps a step: the arm's id where another arm would be grave, else what is done."""
    word = run.arm if step.gate in WITH_THE_ARM else "done"
    return _skipped(run, visit) if _choice(word, step) == "skip" else make()


def _skipped(run: Run, visit: Visit) -> Visit:
    why = _answer("Why is it left out? ")
    if not why:
        tell("Nothing was stamped: a step is left out with a reason only.")
        return visit
    return visits.stamp(run.desk, visit, "skipped", run.by, note=why)


def _beginning(run: Run, visit: Visit, step: Step) -> Visit:
    """The stamp with which a step begins, once its gate is open."""
    seen = _look(run, visit, step)
    closed = shut(visit, "begun", seen)
    if closed is not None:
        return _shut(run, visit, step, closed)
    output.show([Line("The gate is open.", style="clear-word", indent=4)])
    word = "ready" if step.gate == "power-off" else "begin"
    if _choice(word, step) == "skip":
        return _skipped(run, visit)
    since = _powered_since(run) if step.gate == "run-in" and seen.powered.on is not True else None
    return visits.stamp(run.desk, visit, "begun", run.by, powered_since=since)


def _powered_since(run: Run) -> datetime | None:
    """Since when the mains are on, where nobody recorded it; None for now: what nobody knows does not count."""
    desk = run.desk
    while True:
        typed = _answer("    Since when are its mains on? (Enter: nobody knows, count from now) ")
        if not typed:
            return None
        now = desk.now()
        try:
            since = parse_when(typed, now, desk.settings.zone())
        except GuardError as wrong:
            tell(str(wrong))
            continue
        if since <= now:
            return since
        tell("That is yet to come. Write when the mains were switched on.")


def _signed(run: Run, visit: Visit, readings: list[tuple[str, str]]) -> Visit:
    while True:
        name = _answer("Your name, to sign for the whole visit; or leave: ")
        if name == "leave":
            raise Left
        if name:
            return visits.stamp(run.desk, visit, "done", name, readings)


# Readings


def _readings(wanted: tuple[Reading, ...]) -> list[tuple[str, str]]:
    """What somebody reads off; Enter where there is nothing to tell."""
    told = []
    for reading in wanted:
        value = _reading(reading)
        if value:
            told.append((reading.name, value))
    return told


def _reading(reading: Reading) -> str:
    unit = f" ({reading.unit})" if reading.unit else ""
    while True:
        typed = _answer(f"    {reading.ask}{unit}: ")
        if not typed or not reading.unit or re.fullmatch(r"[+-]?\d{1,12}([.,]\d{1,9})?", typed, re.ASCII):
            return typed
        tell(f"{typed!r} is no number; write one such as 12.5, without the unit {reading.unit}.")


def _position_cells(run: Run) -> tuple[list[Mark], list[tuple[str, str]]]:
    """Which position cells are new: their marks, and what is told of them in the stamp."""
    desk = run.desk
    types = swaps.cells_of(desk, run.arm, "position")
    now = desk.now()
    today = now.astimezone(desk.settings.zone()).date()
    chosen = _chosen(types)
    made = _date_code(run)
    marks = [
        Mark("cell-changed", run.arm, now, run.by, "service visit", cell=kind, installed=today, date_code=made)
        for kind in chosen
    ]
    return marks, [("cells", ", ".join(chosen)), *([("date-code", made)] if made else [])]


def _chosen(types: list[str], *, one: bool = False) -> list[str]:
    """Which of some types of cell: the only one, else what somebody tells."""
    if len(types) < 2:
        return types
    which = "Which cell is new, of" if one else "Which cells are new, of"
    while True:
        typed = _answer(f"    {which} {', '.join(types)}{'' if one else ' (Enter: all)'}: ")
        chosen = list(dict.fromkeys(each.strip() for each in typed.split(","))) if typed or one else types
        if all(each in types for each in chosen) and (len(chosen) == 1 or not one):
            return chosen
        tell(f"The types are: {', '.join(types)}.")


def _date_code(run: Run) -> str | None:
    today = run.desk.now().astimezone(run.desk.settings.zone()).date()
    while True:
        typed = _answer("    Date code of the new cell, YYYY-MM (Enter: none): ")
        if not typed:
            return None
        try:
            return date_code(typed, today)
        except NotUnderstood as wrong:
            tell(str(wrong))


# The run-in


def _running_in(run: Run, visit: Visit, step: Step) -> Visit:
    """Show the timer until the run-in has lasted and somebody ends it."""
    if not _ran(run, visit, step):
        raise Left
    closed = shut(visit, "done", visits.scene(run.desk, visit))
    if closed is not None:
        tell(f"Not stamped: {closed.why}. {closed.remedy}")
        return visit
    readings = _readings(step.readings)
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
                live.update(Group(*output.styled(_timer(step, ran), console.width)), refresh=True)
                if keys.entered(1 - ran.total_seconds() % 1):
                    return True
        except KeyboardInterrupt:
            return False


def _timer(step: Step, ran: timedelta) -> Iterator[Line]:
    least, most = step.at_least or timedelta(), step.at_most
    yield Line()
    if ran < least:
        yield Line(f"RUN-IN: {in_words(ran)} of {in_words(least)}; {in_words(least - ran)} to go.", style="caution")
    elif most is not None and ran > most:
        yield Line(f"RUN-IN: {in_words(ran)}; {in_words(most)} are enough. End it.", style="caution")
    else:
        yield Line(f"RUN-IN: {in_words(ran)}; long enough.", style="clear")
    yield Line("Enter ends it; Ctrl-C leaves this screen, and the run-in goes on.", style="quiet")


# The memory cell


def _memory_cell(run: Run, visit: Visit, step: Step) -> Visit:
    """Open the window through `guard swap begin`, count down, and end it; goes on wherever that stands."""
    desk = run.desk
    if swaps.tick(desk, run.arm) is not None:
        return _counted_down(run, visit, None)
    if shut(visit, "done", visits.scene(desk, visit)) is None:
        output.show([Line("The window was opened and ended.", indent=4)])
        return visits.stamp(desk, visit, "done", run.by, _out(run, visit))
    if _choice("begin", step) == "skip":
        return _skipped(run, visit)
    cell = _new_cell(run)  # asked while nothing runs out
    try:
        window = swap.opened(desk, run.arm, run.by, lambda _: visits.time_out(desk, visit), asks=True)
    except GuardError as refused:
        tell(str(refused))
        return visit
    return visit if isinstance(window, int) else _counted_down(run, visit, cell)


def _choice(word: str, step: Step) -> str:
    others = "skip or leave" if step.optional else "or leave"
    while True:
        typed = _answer(f"Type {word}, {others}: ")
        if typed == "leave":
            raise Left
        if typed == word or (typed == "skip" and step.optional):
            return typed


def _new_cell(run: Run) -> NewCell:
    desk = run.desk
    types = swaps.cells_of(desk, run.arm)
    (kind,) = _chosen(types, one=True) or [""]
    made = _date_code(run)
    return NewCell(kind, made, desk.now().astimezone(desk.settings.zone()).date())


def _counted_down(run: Run, visit: Visit, cell: NewCell | None) -> Visit:
    """Show the countdown until the new cell is seated, then end the window. ``cell`` is None where nobody told it yet."""
    desk = run.desk
    while True:
        change = swaps.change_of(desk, run.arm)
        if change.window is None or countdown.watch(desk, change, SEATED, keys.entered):
            return visit  # ended elsewhere: the next turn takes it over
        typed = _answer(f"Is the new cell seated? Type {run.arm}; Enter: back to the countdown; or leave: ")
        if typed == "leave":
            raise Left
        if typed == run.arm:
            break
    try:
        swaps.end(desk, run.arm, run.by, cell or _new_cell(run))
    except NoWindow:  # somebody was faster
        return visit
    output.show(countdown.lines(swaps.change_of(desk, run.arm), desk.settings))
    return visit


SEATED = "Enter when the new cell is seated; Ctrl-C leaves this screen. The clock runs on."


def _out(run: Run, visit: Visit) -> list[tuple[str, str]]:
    """For how long the cell was out, for the record of the visit."""
    window = visits.scene(run.desk, visit).window
    if window is None:
        return []
    return [("out-for", in_words(window.elapsed)), ("limit", in_words(window.limit))]


# What is shown


def _ahead(visit: Visit, seen: Scene) -> Iterator[Line]:
    """The gates that are to come, as they stand now: what is shut at the cabinet is better known at the desk."""
    yield Line()
    yield verdict_line(seen.verdicts["service-visit"])
    for gate, action in (("position-cells", "position-swap"), ("memory-cell", "memory-swap")):
        verdict = seen.verdicts[action]  # type: ignore[index]  # both are actions
        if of_gate(visit, gate) is not None and verdict.level in ("hold", "unknown"):  # type: ignore[arg-type]
            why = verdict.findings[0]
            text = f"As it stands, {gate} will be shut: {why.message} {why.remedy}"
            yield Line(text, label="AHEAD: ", label_style=f"{verdict.level}-word", indent=4)


def _compared(run: Run, visit: Visit, seen: Scene) -> Iterator[Line]:
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
    found = desk.compare(old, new)
    paths = [
        f"{how} {path}"
        for how, each in (("added", found.added), ("removed", found.removed), ("changed", found.changed))
        for path in each
    ]
    yield Line()
    if not paths or found.volatile_only:
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


def _ended_lines(run: Run, visit: Visit) -> Iterator[Line]:
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


def _answer(prompt: str) -> str:
    return input(output.visible(prompt)).strip()
