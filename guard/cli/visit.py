"""`guard visit`: the run sheet of one service visit, on the screen, as a page to print, and walked step by step."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from datetime import timedelta, tzinfo

from guard import swaps, visits
from guard.cli import output, verdicts
from guard.cli.ask import EXIT_CODES, Run
from guard.cli.output import Line
from guard.cli.put import put
from guard.cli.refusals import NeedsTerminal
from guard.cli.swap import name_of
from guard.cli.visit_lines import do_lines, how_far, under_way_line, verdict_lines
from guard.cli.when import parse_when
from guard.desk import Desk
from guard.errors import NotUnderstood, StateUnusable
from guard.load import load
from guard.model import Level, rank
from guard.names import name_bytes
from guard.plan.steps import Step
from guard.plan.visit import Visit, may_be_off, next_step
from guard.rules.evidence import seconds, utc
from guard.tell.visit_sheet import RunSheet, drawn, said_of, time_of, to_lift
from guard.times import shown_with_age

GRACE = timedelta(minutes=1)
"""A start that lies back no further is now: so long may typing take."""

MARK = b'<meta name="guard-visit"'
"""By this, early in the file, a run sheet is known again, and may be written anew."""


def configure_visit(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard visit`."""
    parser.description = (
        "The run sheet of one service visit, with its gates in order; [visit] in the configuration may name a file with"
        " other steps. Exit code: that of the worst verdict, 10 at least"
        " where something conflicts; with --run 0, or 20 or 30 where it was left before a gate that is shut."
    )
    parser.add_argument("arm", metavar="ARM", help="the arm's id")
    parser.add_argument("--on", metavar="WHEN", help="when the visit begins (default: now)")
    parser.add_argument("--out", metavar="FILE", help="write it as a page to print: a file, or a folder")
    parser.add_argument("--json", action="store_true", help="one JSON document instead of a screen")
    parser.add_argument(
        "--run", action="store_true", help="walk it step by step, on a terminal; goes on where it was left"
    )
    parser.add_argument("--by", metavar="NAME", help="who makes the visit (default: who is logged in)")
    parser.add_argument("--give-up", action="store_true", help="end the visit that is under way; wants --why")
    parser.add_argument("--why", metavar="TEXT", help="the reason for giving up")
    return _visit


def _visit(args: argparse.Namespace) -> int:
    desk = Desk(load(args.config))
    arm = desk.arm(args.arm)
    if args.give_up:
        return _give_up(desk, arm, args)
    if args.why:
        raise NotUnderstood("", "--why without --give-up", "A reason ends a visit that is not gone through with.")
    if args.run:
        return _run(desk, arm, args)
    sheet, visit = _sheet(desk, arm, args), visits.under_way(desk, arm)
    level = _worst(sheet)
    written = _write(sheet, args.out, desk) if args.out else ""
    if args.json:
        output.show_json(_as_json(sheet, visit, level, desk.settings.zone()))
    elif written:
        output.show([Line(written)])
    else:
        output.show(_screen(sheet, visit, desk))
    return EXIT_CODES[level]


def _run(desk: Desk, arm: str, args: argparse.Namespace) -> int:
    if args.on or args.out or args.json:
        instead = "A visit is walked now; leave --on, --out and --json away."
        raise NotUnderstood("", "--run together with a time or a form of output", instead)
    if not output.is_interactive():
        raise NeedsTerminal(arm)
    from guard.cli.visit_run import walk

    return walk(desk, arm, name_of(args.by))


def _give_up(desk: Desk, arm: str, args: argparse.Namespace) -> int:
    if not (args.why or "").strip():
        raise NotUnderstood("", "a visit given up without a reason", "Give it with --why TEXT.")
    visit = visits.give_up(desk, arm, name_of(args.by), args.why.strip())
    text = f"Recorded: the visit of {arm} was given up, {how_far(visit)}: {args.why.strip()}"
    output.show(
        [Line(text, style="head"), Line(f"What holds now: guard ask --arm {arm} --action power-down", indent=1)]
    )
    if may_be_off(visit):
        off = f"If the power of {arm} went off meanwhile, record it, since its memory must then be proven: guard mark powered-off {arm} --at WHEN"
        output.show([Line(off, indent=1)])
    output.show(verdicts.cautions())
    return 0


def _sheet(desk: Desk, arm: str, args: argparse.Namespace) -> RunSheet:
    now, zone = desk.now(), desk.settings.zone()
    start = parse_when(args.on, now, zone) if args.on else now
    if start < now - GRACE:
        past = shown_with_age(start, now, zone)
        instead = f"Name a time to come; to walk a visit now: guard visit {arm} --run"
        raise NotUnderstood("", f"a visit in the past ({args.on!r}, {past})", instead)
    start, steps = max(start, now), visits.steps_of(desk)
    return RunSheet(
        plant=desk.settings.plant,
        arm=desk.settings.arms[arm],
        start=start,
        steps=steps.steps,
        verdicts=tuple(visits.judged(desk, arm, steps.steps, start, now)),
        conflicts=tuple(visits.conflicts(desk, arm, name_of(args.by), start)),
        left_out=steps.left_out,
        time_out=swaps.allowed(desk, arm, start),
        written_at=now,
    )


def _worst(sheet: RunSheet) -> Level:
    found = [each.level for each in sheet.verdicts]
    if sheet.conflicts or sheet.left_out:
        found.append("caution")
    # A hold outranks an unknown, as everywhere.
    return max(found, key=rank)


# Written


def _write(sheet: RunSheet, out: str, desk: Desk) -> str:
    """Write the page. What is there and is no run sheet is never written over. Raises WouldOverwrite and StateUnusable."""
    zone = desk.settings.zone()
    path = os.path.abspath(out)
    if os.path.isdir(path) or out.endswith(("/", os.sep)):
        path = os.path.join(path, f"visit-{sheet.arm.id}-{sheet.start.astimezone(zone):%Y-%m-%d}.html")
    try:
        os.makedirs(os.path.dirname(path), exist_ok=True)
    except OSError as error:
        reason = error.strerror or str(error)
        raise StateUnusable(path, reason, "Name a place that can be written with --out.") from error
    return put(path, name_bytes(drawn(sheet, zone)), MARK)


# Shown


def _screen(sheet: RunSheet, visit: Visit | None, desk: Desk) -> Iterator[Line]:
    zone, arm = desk.settings.zone(), sheet.arm
    start = "now" if sheet.start == sheet.written_at else shown_with_age(sheet.start, sheet.written_at, zone)
    name = f" ({arm.name})" if arm.name not in ("", arm.id) else ""
    yield Line(f"Service visit of {arm.id}{name}, {start}", style="head")
    if visit is not None:
        yield under_way_line(visit, zone)
    yield from verdict_lines(sheet.verdicts, zone)
    for text in (*sheet.conflicts, *sheet.left_out):
        yield Line(text, label="caution", label_style="caution-word", label_width=9)
    lifts = to_lift(sheet, zone)
    if lifts:
        yield Line()
        yield Line("First", style="head")
        for number, text in enumerate(lifts, 1):
            yield Line(text, label=f"{number}. ", indent=1)
    yield Line()
    for number, step in enumerate(sheet.steps, 1):
        yield from _step_lines(number, step, sheet)
    yield from verdicts.cautions()
    yield Line()
    on = (
        ""
        if sheet.start == sheet.written_at
        else f' --on "{sheet.start.astimezone(zone).isoformat(timespec="minutes")}"'
    )
    yield Line(f"To print: guard visit {arm.id}{on} --out FILE")
    yield Line(f"To walk it, each step stamped: guard visit {arm.id} --run")


def _step_lines(number: int, step: Step, sheet: RunSheet) -> Iterator[Line]:
    time = time_of(step, sheet.time_out)
    told = f"{step.title.replace('{arm}', sheet.arm.id)}{f' ({time})' if time else ''}"
    yield Line(told, label=f"{number:>2}. ", style="head", label_style="head")
    yield from do_lines(step, sheet.arm.id)


# For scripts


def _as_json(sheet: RunSheet, visit: Visit | None, level: Level, zone: tzinfo) -> dict[str, object]:
    return {
        "schema": 1,
        "arm": sheet.arm.id,
        "at": utc(sheet.start),
        "verdict": level,
        "verdicts": {each.question.action: each.level for each in sheet.verdicts},
        "conflicts": list(sheet.conflicts),
        "left_out": list(sheet.left_out),
        "first": to_lift(sheet, zone),
        "steps": [
            {
                "id": step.id,
                "title": step.title,
                "gate": None if step.gate == "none" else step.gate,
                "do": said_of(step, sheet.arm.id),
                "warning": step.warning or None,
                "notice": step.notice or None,
                "readings": [reading._asdict() for reading in step.readings],
                "at_least_s": step.at_least and seconds(step.at_least),
                "at_most_s": step.at_most and seconds(step.at_most),
                "optional": step.optional,
            }
            for step in sheet.steps
        ],
        "under_way": visit and _visit_as_json(visit),
    }


def _visit_as_json(visit: Visit) -> dict[str, object]:
    step = next_step(visit)
    return {
        "entry": visit.number,
        "began_at": utc(visit.began_at),
        "by": visit.by,
        "next": step and step.id,
        "stamps": [
            {
                "step": each.step,
                "what": each.what,
                "at": utc(each.at),
                "by": each.by,
                "readings": dict(each.readings),
                "note": each.note or None,
            }
            for each in visit.stamps
        ],
    }


COMMANDS = {"visit": configure_visit}
