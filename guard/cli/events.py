"""`guard event`: what is planned, so that the monitor can warn before it is at risk."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from datetime import datetime

from guard.cli import output
from guard.cli.ask import Run, duration, named_arms
from guard.cli.calendars import add_verbs, event_as_json, in_doubt, run_export, run_forget, run_import
from guard.cli.output import Line
from guard.cli.when import parse_when
from guard.desk import Desk
from guard.errors import NotUnderstood
from guard.load import load
from guard.model import ACTIONS, Action, PlannedEvent
from guard.plan.events import end, is_over, not_configured, within
from guard.rules.evidence import later
from guard.times import shown, shown_with_age
from guard.units import in_words, typed

EXAMPLE = 'Such as: guard event add --kind power-down --start "friday 6:00" --for 2w --all'


def configure_event(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard event`."""
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="add|list|drop|import|export")
    add = verbs.add_parser("add", help="plan an event")
    add.add_argument("--kind", required=True, choices=ACTIONS, metavar="KIND", help=", ".join(ACTIONS))
    add.add_argument("--start", required=True, metavar="WHEN", help='such as "2026-12-23 14:00" or "friday 6:00"')
    add.add_argument("--for", required=True, dest="off_for", metavar="DURATION", help="how long, such as 8h or 2w")
    add.add_argument("--arm", action="extend", nargs="+", default=[], metavar="ARM", help="the arms' ids")
    add.add_argument("--area", metavar="AREA", help="all arms that the area has now")
    add.add_argument("--all", action="store_true", help="all arms that there are now")
    add.add_argument("--person", action="append", default=[], metavar="NAME", help="who does it; may be given again")
    add.add_argument("--title", default="", metavar="TEXT", help="what people call it")
    told = verbs.add_parser("list", help="what is planned")
    told.add_argument("--from", dest="first", metavar="WHEN", help="leave out what is over by then (default: now)")
    told.add_argument("--to", dest="last", metavar="WHEN", help="leave out what begins later")
    told.add_argument("--json", action="store_true", help="one JSON document instead of a screen")
    drop = verbs.add_parser("drop", help="take an event out of the plan")
    which = drop.add_mutually_exclusive_group(required=True)
    which.add_argument("id", nargs="?", metavar="ID", help="such as ev-12; `guard event list` shows it")
    which.add_argument("--calendar", metavar="FILE", help="all that this calendar plans from now on")
    add_verbs(verbs)
    return _event


def _event(args: argparse.Namespace) -> int:
    desk = Desk(load(args.config))
    return {"add": _add, "list": _list, "drop": _drop, "import": run_import, "export": run_export}[args.verb](
        desk, args
    )


def _add(desk: Desk, args: argparse.Namespace) -> int:
    now = desk.now()
    arms = tuple(named_arms(args, desk, EXAMPLE))
    start = parse_when(args.start, now, desk.settings.zone()).replace(microsecond=0)
    event = PlannedEvent(
        "", _kind(args.kind), start, duration(args.off_for), arms, args.title, people=tuple(args.person)
    )
    if later(start, event.off_for) is None:
        raise NotUnderstood("", f"an event of {args.off_for}, which no calendar holds", EXAMPLE)
    if is_over(event, now):
        ended = shown_with_age(end(event), now, desk.settings.zone())
        raise NotUnderstood("", f"an event that is over: it ended {ended}", "Plan what is to come.")
    added = desk.plan(event)
    verb = "Planned already, nothing was added" if added.before else "Planned"
    output.show(_told(added.event, desk, now, verb))
    if not added.before:
        first = in_words(max(desk.settings.warnings.lead_times))
        output.show(
            [
                Line(f"The monitor judges it from {first} before it. To ask now: {_question(added.event, desk)}"),
                Line(f"Who backs up what before it, and by when: guard campaign {added.event.id}"),
            ]
        )
    return 0


def _kind(text: str) -> Action:
    return next(action for action in ACTIONS if action == text)


def _question(event: PlannedEvent, desk: Desk) -> str:
    """The command that asks the same right now."""
    start = event.start.astimezone(desk.settings.zone()).isoformat(timespec="seconds")
    whom = f"ask --arm {event.arms[0]}" if len(event.arms) == 1 else "fleet"
    return f"guard {whom} --action {event.kind} --at {start} --off-for {typed(event.off_for)}"


def _told(event: PlannedEvent, desk: Desk, now: datetime, verb: str) -> Iterator[Line]:
    zone = desk.settings.zone()
    title = f" ({event.title})" if event.title else ""
    start = shown_with_age(event.start, now, zone)
    yield Line(f"{verb}: {event.id}, {event.kind}{title}, {start}, for {in_words(event.off_for)}.", style="head")
    yield Line(_arms(event, desk), label="Arms", label_style="quiet", indent=1, label_width=6)


def _arms(event: PlannedEvent, desk: Desk) -> str:
    lacking = not_configured(event, desk.settings.arms)
    gone = f"; not in the configuration any more: {', '.join(lacking)}" if lacking else ""
    return f"{', '.join(event.arms)}{gone}"


def _list(desk: Desk, args: argparse.Namespace) -> int:
    now, zone = desk.now(), desk.settings.zone()
    first = parse_when(args.first, now, zone) if args.first else now
    last = parse_when(args.last, now, zone) if args.last else None
    if last is not None and last < first:
        raise NotUnderstood("", f"a span that ends ({args.last}) before it begins", "Give --from before --to.")
    found = within(desk.events(), first, last)
    if args.json:
        output.show_json({"schema": 1, "events": list(map(event_as_json, found))})
    else:
        output.show(_rows(found, desk, now))
        output.show(in_doubt(desk, now, last))
    return 0


def _rows(events: tuple[PlannedEvent, ...], desk: Desk, now: datetime) -> Iterator[Line]:
    if not events:
        yield Line(f"Nothing is planned in that span. {EXAMPLE}")
    raised: dict[str, list[str]] = {}
    for warning in desk.warnings():
        raised.setdefault(warning.event, []).append(warning.arm)
    zone = desk.settings.zone()
    for event in events:
        title = f" ({event.title})" if event.title else ""
        yield Line(
            f"{event.kind}{title}, {shown_with_age(event.start, now, zone)}, until {shown(end(event), zone)}",
            label=event.id, label_style="head", label_width=8,
        )  # fmt: skip
        yield Line(_arms(event, desk), label="Arms", label_style="quiet", indent=8, label_width=9)
        if event.people:
            people = ", ".join(event.people)
            yield Line(people, label="People", label_style="quiet", indent=8, label_width=9)
        if event.id in raised:
            yield Line(
                ", ".join(raised[event.id]), label="Blocked", label_style="hold-word", indent=8, label_width=9
            )  # fmt: skip


def _drop(desk: Desk, args: argparse.Namespace) -> int:
    if args.calendar:
        return run_forget(desk, args)
    dropped = desk.drop(args.id)
    output.show(_told(dropped, desk, desk.now(), "Dropped"))
    if dropped.uid is not None:
        output.show([Line(f"It stays dropped until its entry in {dropped.source} changes; take it out there too.")])
    return 0


COMMANDS = {"event": configure_event}
