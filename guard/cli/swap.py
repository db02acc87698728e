"""`guard swap` and `guard sign-off`: the clock while a memory cell is out, and what people answer for."""

from __future__ import annotations

import argparse
import re
from collections.abc import Callable
from datetime import date, datetime, tzinfo

from guard import swaps, visits
from guard.cli import countdown, output, verdicts
from guard.cli.ask import EXIT_CODES, Run
from guard.cli.output import Line, tell
from guard.cli.refusals import NeedsYes, UnknownCode
from guard.cli.stock import NO_CELL, too_old
from guard.cli.when import date_code, parse_when
from guard.desk import Desk
from guard.errors import NotUnderstood, UnknownEvent
from guard.load import load
from guard.model import ACTIONS, BLOCKING, USUAL_OFF, Action, PlannedEvent, Question, SwapWindow, Verdict
from guard.plan.events import end, is_over
from guard.plan.visit import run_down
from guard.rules.findings import EXPLANATIONS
from guard.rules.permit import Permit
from guard.rules.refusals import WindowTaken
from guard.rules.sign_off import LONGEST, NEVER
from guard.rules.window import TimeOut, limit_in_words
from guard.store.windows import NewCell
from guard.swaps import Change
from guard.times import shown, shown_with_age
from guard.units import in_words

MEMORY_SWAP: Action = "memory-swap"


def configure_swap(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard swap`."""
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="begin|show|end")
    begin = verbs.add_parser(
        "begin", help="start the clock, if the verdict for a memory-swap allows it",
        description="Start the clock, right before the cell is pulled. It runs on whatever happens to the screen, the"
        " monitor or the PC. Exit code: 0 where it runs, 20 or 30 where"
        " the verdict for a memory-swap is hold or unknown.",
    )  # fmt: skip
    begin.add_argument("arm", metavar="ARM", help="the arm's id")
    begin.add_argument("--by", metavar="NAME", help="who changes the cell (default: who is logged in)")
    begin.add_argument("--yes", action="store_true", help="power is off and locked out: do not ask")
    begin.add_argument("--no-countdown", action="store_true", help="do not stay and show how long is left")
    show = verbs.add_parser(
        "show", help="how long a cell has been out, and how long is left",
        description="How far the change of a memory cell has come. Exit code: 0 where no cell is out and no memory"
        " awaits proof, else 20.",
    )  # fmt: skip
    show.add_argument("arm", nargs="?", metavar="ARM", help="the arm's id (default: every arm whose cell is out)")
    show.add_argument("--json", action="store_true", help="one JSON document instead of a screen")
    end = verbs.add_parser(
        "end", help="the new cell is in: stop the clock",
        description="The new cell is in: stop the clock. From here on the arm awaits proof: save it again, then guard"
        " look and guard prove --arm ARM compare the new set with the one from before.",
    )  # fmt: skip
    end.add_argument("arm", metavar="ARM", help="the arm's id")
    end.add_argument("--by", metavar="NAME", help="who changed the cell (default: who is logged in)")
    end.add_argument("--cell", metavar="TYPE", help="the type of the new cell (default: the arm's memory cell)")
    end.add_argument("--date-code", metavar="YYYY-MM", help="when the new cell was made, as it says itself")
    end.add_argument("--installed", metavar="DATE", help="YYYY-MM-DD (default: today)")
    return _swap


def _swap(args: argparse.Namespace) -> int:
    desk = Desk(load(args.config))
    return {"begin": _begin, "show": _show, "end": _end}[args.verb](desk, args)


def _begin(desk: Desk, args: argparse.Namespace) -> int:
    arm = desk.arm(args.arm)
    visit = visits.under_way(desk, arm)
    closed = None if visit is None else run_down(visit, visits.time_out(desk, visit))
    if closed is not None:
        tell(f"Nothing was begun: {closed.why}. {closed.remedy}")
        return EXIT_CODES[closed.level]

    def out_at(at: datetime) -> TimeOut:
        return swaps.allowed(desk, arm, at) if visit is None else visits.time_out(desk, visit)

    window = opened(desk, arm, name_of(args.by), out_at, asks=not args.yes)
    if isinstance(window, int):
        return window
    if output.is_interactive() and not args.no_countdown:
        change = swaps.change_of(desk, arm)
        if change.window is not None and countdown.watch(desk, change):
            output.show([Line(f"The change was ended elsewhere. What comes next: guard swap show {arm}")])
            return 0
        output.show([Line("The countdown is left; the clock runs on.")])
    output.show([Line(text, indent=1) for text in _meanwhile(arm)])
    return 0


def opened(desk: Desk, arm: str, by: str, out_at: Callable[[datetime], TimeOut], *, asks: bool) -> SwapWindow | int:
    """Open an arm's swap window, if its verdict allows it and, where ``asks``, a person confirms that power is off.

    ``out_at`` says for how long the cell may be out when it is pulled at a moment. Returns the exit
    code where nothing was begun. Raises WindowTaken, PermitStale and NeedsYes.
    """
    _refuse_where_open(desk, arm)
    answer, as_of = _look_freshly(desk, arm)
    if any(found.code in NEVER for found in answer.findings):  # somebody was faster
        _refuse_where_open(desk, arm)
    output.show(verdicts.screen(answer, as_of, desk.settings))
    output.show(verdicts.cautions())
    if answer.level in BLOCKING:
        tell(f"Nothing was begun: leave the cell of {arm} in. What lifts it stands above.")
        return EXIT_CODES[answer.level]
    out = out_at(as_of)
    output.show(countdown.time_out_lines(out))
    if asks:
        if not _power_is_off(arm):
            tell(f"Nothing was begun, since {arm} was not typed. Leave the cell in.")
            return output.NOTHING_DONE
        answer, as_of = _ask(desk, arm)  # whoever was asked may have taken an hour to answer
        if answer.level in BLOCKING:
            output.show(verdicts.screen(answer, as_of, desk.settings))
            tell(f"Nothing was begun: this changed meanwhile. Leave the cell of {arm} in.")
            return EXIT_CODES[answer.level]
        out = out_at(as_of)
    permit = Permit(answer)
    window = swaps.begin(desk, permit, by, out)
    limit, began = limit_in_words(window), shown(window.began_at, desk.settings.zone())
    output.show(
        [Line(), Line(f"The clock of {arm} runs since {began}: {limit} until the new cell is in.", style="head")]
    )
    return window


def _refuse_where_open(desk: Desk, arm: str) -> None:
    """Show the window of an arm where one is open. Raises WindowTaken."""
    there = swaps.tick(desk, arm)
    if there is not None:
        _show_changes(desk, [swaps.change_of(desk, arm)])
        raise WindowTaken(arm, there.began_by, there.began_at, desk.settings.zone())


def _look_freshly(desk: Desk, arm: str) -> tuple[Verdict, datetime]:
    from guard.cli.looking import watching

    with watching() as progress:
        desk.look(progress, arm)
    return _ask(desk, arm)


def _ask(desk: Desk, arm: str) -> tuple[Verdict, datetime]:
    as_of = desk.now()
    (answer,) = desk.ask([arm], Question(MEMORY_SWAP, as_of, USUAL_OFF[MEMORY_SWAP]), as_of)
    return answer, as_of


TO_CONFIRM = (
    "Power is OFF, the disconnect locked out and tagged by authorised people, and that verified.",
    "Stored energy and gravity-loaded axes are made safe.",
    "The new cell and the tools lie ready. The clock starts with your word.",
)


def _power_is_off(arm: str) -> bool:
    """Whether a person confirms it by typing the arm's id. Raises NeedsYes where nobody can be asked."""
    if not output.is_interactive():
        raise NeedsYes(f"start the clock of {arm} as if somebody had confirmed that its power is off and locked out")
    head = Line(f"Confirm for {arm}, at the machine, before its memory cell is pulled:", style="head")
    output.show([Line(), head, *(Line(text, label="- ", indent=1) for text in TO_CONFIRM)])
    return output.typed(f"Type {arm} to confirm and begin: ") == arm


def _meanwhile(arm: str) -> list[str]:
    return [
        f"How long is left: guard swap show {arm}",
        f"When the new cell is seated: guard swap end {arm} --by NAME",
    ]


def name_of(given: str | None) -> str:
    """Who does it: the name that was given, else who is logged in, else nobody in particular."""
    if given is not None and given.strip():
        return given.strip()
    import getpass

    try:
        return getpass.getuser()
    except (KeyError, OSError, ImportError):  # an account without a name
        return ""


def _show(desk: Desk, args: argparse.Namespace) -> int:
    if args.arm:
        change = swaps.change_of(desk, desk.arm(args.arm))
        if args.json:
            output.show_json({"schema": 1, **countdown.as_json(change)})
        else:
            _show_changes(desk, [change])
        return 0 if change.state == "none" else EXIT_CODES["hold"]
    changes, elsewhere = swaps.open_now(desk), swaps.open_elsewhere(desk)
    if args.json:
        told = [countdown.as_json(change) for change in changes]
        output.show_json({"schema": 1, "windows": told, "not_configured": list(elsewhere)})
    elif not changes and not elsewhere:
        output.show([Line("No memory cell is out.")])
    else:
        output.show([countdown.not_configured(arm, window) for arm, window in elsewhere.items()])
        _show_changes(desk, changes)
    return EXIT_CODES["hold"] if changes or elsewhere else 0


def _show_changes(desk: Desk, changes: list[Change]) -> None:
    for change in changes:
        output.show(countdown.lines(change, desk.settings))
    output.show(verdicts.cautions())


def _end(desk: Desk, args: argparse.Namespace) -> int:
    is_elsewhere = args.arm in swaps.open_elsewhere(desk)
    arm = args.arm if is_elsewhere else desk.arm(args.arm)
    new = _new_cell(desk, arm, args)
    window = swaps.end(desk, arm, name_of(args.by), new)
    kept = "within" if window.elapsed <= window.limit else f"{in_words(window.elapsed - window.limit)} over"
    told = f"Recorded: the memory cell of {arm} was out for {in_words(window.elapsed)}, {kept} the limit of {limit_in_words(window)}."
    output.show([Line(told, style="head"), *too_old(desk, new.type, new.date_code, new.installed)])
    if not new.type:
        output.show([Line(f"{NO_CELL} Tell it: guard mark cell-changed {arm} --cell TYPE")])
    if is_elsewhere:
        output.show([Line(f"{arm} is not in the configuration: put it back there, and save a backup of it.")])
        return 0
    _show_changes(desk, [swaps.change_of(desk, arm)])
    return 0


def _new_cell(desk: Desk, arm: str, args: argparse.Namespace) -> NewCell:
    """The new cell, as far as a person told; where an arm has one type of memory cell, it is that."""
    types = swaps.cells_of(desk, arm)
    memory = [name for name, each in desk.settings.cell_types.items() if each.kind == "memory"]
    if args.cell and memory and args.cell not in memory:
        raise NotUnderstood("", f"the cell type {args.cell!r}", f"The types of memory cell are: {', '.join(memory)}.")
    today = desk.now().astimezone(desk.settings.zone()).date()
    installed = _date(args.installed, today) if args.installed else today
    kind = args.cell or (types[0] if len(types) == 1 else "")
    return NewCell(kind, date_code(args.date_code, today) if args.date_code else None, installed)


def _date(text: str, today: date) -> date:
    try:
        found = date.fromisoformat(text) if re.fullmatch(r"\d{4}-\d{2}-\d{2}", text, re.ASCII) else None
    except ValueError:
        found = None
    if found is None or found > today:
        raise NotUnderstood("", f"the date {text!r}", f"Write a day that has come, such as {today}.")
    return found


def configure_sign_off(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard sign-off`."""
    parser.add_argument("arm", metavar="ARM", help="the arm's id")
    parser.add_argument("--finding", required=True, metavar="CODE", help="which of the arm's findings")
    parser.add_argument(
        "--about",
        metavar="THING",
        help="only the finding about that cell or set, where several have the code (default: each of them)",
    )
    parser.add_argument("--by", required=True, metavar="NAME", help="who answers for it")
    parser.add_argument("--why", required=True, metavar="TEXT", help="the reason")
    parser.add_argument(
        "--until",
        metavar="WHEN",
        help="until when: 7 days from now at most, or with --event until it is over (its default)",
    )
    parser.add_argument("--event", metavar="ID", help="the planned event for which somebody answers")
    parser.add_argument(
        "--action",
        choices=ACTIONS,
        metavar="ACTION",
        help="the finding as it is for this action (default: for any; it counts for all)",
    )
    parser.add_argument("--at", metavar="WHEN", help="the finding as it will be then (default: as it is now)")
    return _sign_off


def _sign_off(args: argparse.Namespace) -> int:
    desk = Desk(load(args.config))
    arm = desk.arm(args.arm)
    if args.finding not in EXPLANATIONS:
        raise UnknownCode(args.finding, list(EXPLANATIONS))
    by, why = _told("--by", args.by), _told("--why", args.why)
    now, zone = desk.now(), desk.settings.zone()
    event = _event(desk, args, arm, now) if args.event else None
    until = _until(args, event, now, zone)
    if event is not None:
        questions = [Question(event.kind, max(event.start, now), event.off_for, event.id)]
    else:
        at = parse_when(args.at, now, zone) if args.at else now
        actions = (args.action,) if args.action else ACTIONS
        questions = [Question(action, at, USUAL_OFF[action]) for action in actions]
    event_at = None if event is None else event.start
    named = swaps.Named(args.finding, args.about)
    for number, found in swaps.sign_off(desk, arm, named, questions, by, why, until, event_at):
        text = (
            f"Recorded: {by} answers for {found.code} on {arm} until {shown_with_age(until, now, zone)}: {why}"
            f" (ledger entry {number})."
        )
        output.show([Line(text, style="head"), Line(f"What it is about: {found.message}", indent=1)])
    output.show(
        [
            Line(
                f"{_counting(event_at, now)} it counts as a caution in every verdict about the arm, and no verdict is clear for it.",
                indent=1,
            ),
            Line(f"What holds now: guard ask --arm {arm} --action {_action(args, event)}", indent=1),
            *verdicts.cautions(),
        ]
    )
    return 0


def _counting(event_at: datetime | None, now: datetime) -> str:
    is_far = event_at is not None and event_at - now > LONGEST
    return f"For {in_words(LONGEST)}, and again while the event lasts," if is_far else "Until then"


def _action(args: argparse.Namespace, event: PlannedEvent | None) -> str:
    return event.kind if event is not None else args.action or "ACTION"


def _event(desk: Desk, args: argparse.Namespace, arm: str, now: datetime) -> PlannedEvent:
    """The planned event that is named, which concerns the arm and is not over. Raises UnknownEvent."""
    if args.action or args.at:
        raise NotUnderstood("", "--event with --action or --at", "The event tells both.")
    event = next((each for each in desk.events() if each.id == args.event), None)
    if event is None:
        raise UnknownEvent(args.event)
    if arm not in event.arms or is_over(event, now):
        why = "does not concern it" if arm not in event.arms else "is over"
        raise NotUnderstood("", f"--event {args.event} for {arm}", f"The event {why}. See: guard event list")
    return event


def _until(args: argparse.Namespace, event: PlannedEvent | None, now: datetime, zone: tzinfo) -> datetime:
    """Until when somebody answers: at most until the event is over, else for seven days."""
    last = now + LONGEST if event is None else end(event)
    if args.until is None and event is None:
        raise NotUnderstood("", "until when", "Name it: --until WHEN, or the planned event that it is for: --event ID")
    until = last if args.until is None else parse_when(args.until, now, zone)
    if not now < until <= last:
        most = (
            f"{in_words(LONGEST)} from now at most"
            if event is None
            else f"{shown(last, zone)} at most, when the event is over"
        )
        more = ", or the planned event that it is for: --event ID" if event is None else ""
        raise NotUnderstood("", f"--until {args.until!r}", f"Name a time to come, {most}{more}.")
    return until


def _told(option: str, text: str) -> str:
    if not text.strip():
        raise NotUnderstood("", f"an empty {option}", "A sign-off tells who answers for the finding, and why.")
    return text.strip()


COMMANDS = {"swap": configure_swap, "sign-off": configure_sign_off}
