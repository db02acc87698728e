"""`guard ask` and `guard fleet`: questions and their answers."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta

from guard.cli import output
from guard.cli.output import Line
from guard.desk import Desk
from guard.errors import NotUnderstood
from guard.load import load
from guard.model import ACTIONS, USUAL_OFF, Action, Level, Question, Verdict, rank
from guard.settings import Settings
from guard.units import in_words

EXIT_CODES: dict[Level, int] = {"clear": 0, "caution": 10, "hold": 20, "unknown": 30}

WHICH_ARM = 'Ask such as: guard ask "is arm 7 safe to power down", or name --arm ARM.'

QUESTIONS = (
    "Questions: is arm 7 safe to power down; can I power down arms 7 and 9 friday 06:00 for two weeks; may I change the"
    " memory cell on arm-07 tomorrow 6:00; what is due in finishing; what must be done before the winter shutdown; how"
    " long have I got on arm 7; which set would be restored on arm 7. What is not understood in full is refused."
)
CODES = "Exit code: 0 where every arm is clear; else of the worst: 10 caution, 20 hold, 30 unknown. Of a hold and an unknown, the hold."

Run = Callable[[argparse.Namespace], int]


def configure_ask(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard ask`."""
    parser.add_argument("question", nargs="*", metavar="QUESTION", help="plain words, quoted or not; see below")
    parser.add_argument("--arm", action="append", default=[], metavar="ARM", help="an arm's id; may be repeated")
    parser.add_argument("--area", metavar="AREA", help="all arms of an area")
    parser.add_argument("--all", action="store_true", help="all arms")
    _add_question(parser)
    parser.epilog = f"{QUESTIONS} {CODES}"
    return _ask


def configure_fleet(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard fleet`."""
    _add_question(parser)
    parser.epilog = CODES
    return _fleet


def _add_question(parser: argparse.ArgumentParser) -> None:
    actions = f"{', '.join(ACTIONS)} (default: power-down)"
    parser.add_argument("--action", choices=ACTIONS, metavar="ACTION", help=actions)
    parser.add_argument("--at", metavar="WHEN", help='when it begins, such as "friday 6:00" (default: now)')
    parser.add_argument(
        "--off-for",
        metavar="DURATION",
        help="how long it lasts, such as 8h or 2w (default: 8h; a swap 30m, a service-visit 4h)",
    )
    parser.add_argument("--json", action="store_true", help="one JSON document instead of a screen")


def _ask(args: argparse.Namespace) -> int:
    settings = load(args.config)
    desk = Desk(settings)
    now = desk.now()
    if args.question:
        return _ask_in_words(args, desk, now)
    arms = named_arms(args, desk, WHICH_ARM)
    question = _question(args, settings, now)
    return _answer(desk, arms, question, now, as_json=args.json, wide=False)


def _ask_in_words(args: argparse.Namespace, desk: Desk, now: datetime) -> int:
    from guard.cli.question import EXAMPLE, event_asked, understand

    if args.arm or args.area or args.all or args.action or args.at or args.off_for:
        raise NotUnderstood("", "a question in words together with options", EXAMPLE)
    event = event_asked(" ".join(args.question))
    if event is not None:
        from guard.cli.before import answer_before

        return answer_before(desk, event, now, as_json=args.json)
    asked = understand(" ".join(args.question), desk.settings.arms, now, desk.settings.zone)
    if asked.about != "verdict":
        from guard.cli.answers import answer

        return answer(desk, asked, now, as_json=args.json)
    action = asked.action or "power-down"
    at = asked.at or now
    off_for = asked.off_for or USUAL_OFF[action]
    if not args.json:
        output.show(
            [Line(_understood(asked.arms, action, at, now, off_for, desk, due=asked.action is None), style="quiet")]
        )
    question = Question(action, at, off_for)
    return _answer(desk, list(asked.arms), question, now, as_json=args.json, wide=asked.action is None)


def _understood(
    arms: tuple[str, ...], action: str, at: datetime, now: datetime, off_for: timedelta, desk: Desk, *, due: bool
) -> str:
    from guard.times import shown

    start = "now" if at == now else shown(at, desk.settings.zone())
    what = f"what is due for a {action}" if due else action
    return f"Understood: {what}, {names(arms)}, {start}, for {in_words(off_for)}."


def names(arms: tuple[str, ...]) -> str:
    """Arms in a sentence."""
    return ", ".join(arms[:6]) + (f" and {len(arms) - 6} more" if len(arms) > 6 else "")


def _fleet(args: argparse.Namespace) -> int:
    from guard.campaigns import Nearing
    from guard.cli.nearing import nearing_json, nearing_lines
    from guard.cli.warned import warning_lines, warnings_as_json

    settings = load(args.config)
    desk = Desk(settings)
    now = desk.now()
    question = _question(args, settings, now)
    warned, ahead = desk.warnings(), Nearing(desk, now)
    answers = desk.ask(list(settings.arms), question, now, ahead.note)
    if args.json:
        more = {"warnings": warnings_as_json(warned), "next_event": nearing_json(ahead.plan())}
        return _tell(desk, answers, question, now, as_json=True, wide=True, more=more)
    if warned:
        output.show(warning_lines(warned, desk.events(), now, settings.zone()))
    output.show(nearing_lines(ahead, ahead.plan()))
    return _tell(desk, answers, question, now, as_json=False, wide=True)


def named_arms(args: argparse.Namespace, desk: Desk, instead: str) -> list[str]:
    """The arms that --arm, --area and --all name; ``instead`` says how to name one where none is."""
    named = [desk.arm(name) for name in args.arm]
    if args.area:
        in_area = [arm.id for arm in desk.settings.arms.values() if arm.area == args.area]
        if not in_area:
            areas = sorted({arm.area for arm in desk.settings.arms.values() if arm.area})
            raise NotUnderstood("", f"the area {args.area!r}", f"The areas are: {', '.join(areas) or 'none'}.")
        named += in_area
    if args.all:
        named += list(desk.settings.arms)
    if not named:
        raise NotUnderstood("", "which arm", instead)
    return list(dict.fromkeys(named))


def _question(args: argparse.Namespace, settings: Settings, now: datetime) -> Question:
    action: Action = args.action or "power-down"
    at = now
    if args.at:
        from guard.cli.when import parse_when

        at = parse_when(args.at, now, settings.zone())
    off_for = USUAL_OFF[action]
    if args.off_for:
        off_for = duration(args.off_for)
    return Question(action, at, off_for)


def duration(text: str) -> timedelta:
    """How long something lasts, as a person wrote it. Raises NotUnderstood."""
    from guard.cli import when

    try:
        found = when.duration(text)
    except ValueError:
        found = timedelta()
    if not found:
        raise NotUnderstood("", f"the duration {text!r}", "Write one such as 30m, 8h, 7d or 2w.")
    return found


def _answer(desk: Desk, arms: list[str], question: Question, as_of: datetime, *, as_json: bool, wide: bool) -> int:
    """Answer on one screen an arm, or one line an arm where ``wide``."""
    return _tell(desk, desk.ask(arms, question, as_of), question, as_of, as_json=as_json, wide=wide)


def _tell(
    desk: Desk,
    answers: list[Verdict],
    question: Question,
    as_of: datetime,
    *,
    as_json: bool,
    wide: bool,
    more: Mapping[str, object] | None = None,
) -> int:
    """Show the answers; ``more`` is told in JSON beside them."""
    worst: Level = max((answer.level for answer in answers), key=rank, default="unknown")
    if as_json:
        from guard.cli.documents import answers as document_of

        document = document_of(answers, as_of, worst, desk.monitor_silent_since(as_of))
        output.show_json({**document, **(more or {})})
    else:
        _show(desk, answers, question, as_of, wide=wide)
    desk.fold_logs()
    return EXIT_CODES[worst]


def _show(desk: Desk, answers: list[Verdict], question: Question, as_of: datetime, *, wide: bool) -> None:
    from guard.cli import verdicts

    zone = desk.settings.zone()
    if wide:
        output.show(_one_line_each(answers, as_of, question, desk.settings))
    else:
        for answer in answers:
            output.show(verdicts.screen(answer, as_of, desk.settings))
    output.show(verdicts.silence(desk.monitor_silent_since(as_of), as_of, zone))
    output.show(verdicts.cautions())


def _one_line_each(answers: list[Verdict], as_of: datetime, question: Question, settings: Settings) -> list[Line]:
    from guard.cli.verdicts import fleet_line
    from guard.times import shown

    counts = {level: sum(answer.level == level for answer in answers) for level in EXIT_CODES}
    told = ", ".join(f"{count} {level}" for level, count in counts.items() if count)
    start = "now" if question.at == as_of else shown(question.at, settings.zone())
    head = f"{settings.plant}: {question.action}, {start}, for {in_words(question.off_for)}: {told}"
    return [Line(head, style="head"), *(fleet_line(answer, settings.zone()) for answer in answers)]


COMMANDS = {"ask": configure_ask, "fleet": configure_fleet}
