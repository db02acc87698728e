"""`guard campaign`: who backs up which arm when, so that all is fresh when a planned event begins."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from datetime import datetime, timedelta

from guard.campaigns import event_meant, prepare
from guard.cli import output
from guard.cli.ask import EXIT_CODES, Run
from guard.cli.output import Line
from guard.cli.put import put
from guard.desk import Desk
from guard.errors import NotUnderstood
from guard.load import load
from guard.plan.campaign import USUAL_LENGTH, Campaign, Missed, Need, Turn
from guard.plan.events import end
from guard.plan.windows import MINUTE
from guard.rules.evidence import seconds, utc

MOST_PEOPLE = 1000
MOST_MINUTES = 100_000


def configure_campaign(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard campaign`."""
    parser.add_argument("event", metavar="EVENT", help="the event's id, such as ev-12, or its title")
    parser.add_argument("--people", default="1", metavar="N", help="how many people save backups (default: 1)")
    usual = USUAL_LENGTH // MINUTE
    parser.add_argument(
        "--minutes-each", default=str(usual), metavar="M",
        help=f"how long one arm's backup keeps a person busy, the way to it included (default: {usual})",
    )  # fmt: skip
    parser.add_argument("--json", action="store_true", help="one JSON document instead of a screen")
    parser.add_argument("--html", metavar="FILE", help="write it as a page too, to print and to carry along")
    parser.add_argument(
        "--calendar", metavar="FILE", help="write it as a calendar (.ics) too, an entry for each backup"
    )
    parser.epilog = (
        "Exit code: 20 where a backup cannot be made in time, 30 where an arm of the event is not in the configuration,"
        " else 0. What is to be done besides the backups does not count: guard ask tells the verdicts."
    )
    return _campaign


def _campaign(args: argparse.Namespace) -> int:
    people = _count(args.people, "--people", MOST_PEOPLE)
    minutes = _count(args.minutes_each, "--minutes-each", MOST_MINUTES)
    desk = Desk(load(args.config))
    now = desk.now()
    plan = prepare(desk, event_meant(desk, args.event, now), people, timedelta(minutes=minutes), now)
    written = list(_written(args, plan, desk.settings.plant))
    if args.json:
        output.show_json(as_document(plan))
    else:
        from guard.cli.turns import screen

        output.show(screen(plan, output.width()))
        output.show(Line(f"Written: {path}") for path in written)
    return exit_code(plan)


def _written(args: argparse.Namespace, plan: Campaign, plant: str) -> Iterator[str]:
    """Write the files that were asked for; their paths."""
    if args.html:
        from guard.tell.campaign_page import MARK, drawn

        yield put(args.html, drawn(plan, plant).encode("utf-8", "backslashreplace"), MARK)
    if args.calendar:
        from guard.ical.write import MAKER, as_calendar
        from guard.tell.agenda import standing_at
        from guard.tell.campaign_entries import entries

        content = as_calendar(entries(plan, plant), plan.terms.as_of, standing_at(args.calendar))
        yield put(args.calendar, content, MAKER.encode())


def _count(text: str, option: str, most: int) -> int:
    if not (text.isascii() and text.isdecimal() and 1 <= int(text[:9]) <= most and len(text) <= 9):
        raise NotUnderstood("", f"{option} {text!r}", f"Give a whole number from 1 to {most}.")
    return int(text)


def exit_code(plan: Campaign) -> int:
    """That of a hold where a backup cannot be made in time, that of unknown where nobody looks after an arm, else 0."""
    return EXIT_CODES["hold" if plan.missed else "unknown" if plan.not_configured else "clear"]


def as_document(plan: Campaign) -> dict[str, object]:
    """The campaign for programs."""
    terms, event = plan.terms, plan.terms.event
    return {
        "schema": 1,
        "asked_at": utc(terms.as_of),
        "event": {
            "id": event.id,
            "kind": event.kind,
            "start": utc(event.start),
            "end": utc(end(event)),
            "title": event.title,
        },
        "people": terms.people,
        "minutes_each": terms.each // MINUTE,
        "fresh_limit_s": seconds(terms.limit),
        "counts_from": utc(terms.counts_from),
        "ready_by": utc(terms.ready_by),
        "begin_by": utc(plan.begin_by),
        "turns": list(map(_turn, plan.turns)),
        "missed": list(map(_missed, plan.missed)),
        "help": plan.help
        and {
            "people": plan.help.people,
            "fresh_limit_s": None if plan.help.limit is None else seconds(plan.help.limit),
            "begin_by": utc(plan.help.begin_by),
        },
        "arms": [_need(each, plan) for each in plan.needs],
        "not_configured": list(plan.not_configured),
    }


def _turn(turn: Turn) -> dict[str, object]:
    return {
        "person": turn.person,
        "number": turn.number,
        "arm": turn.arm,
        "area": turn.area,
        "counts_from": utc(turn.counts_from),
        "begin_from": utc(turn.begin_from),
        "begin_by": utc(turn.begin_by),
        "kept_off": list(turn.kept_off),
    }


def _missed(missed: Missed) -> dict[str, object]:
    return {
        "arm": missed.arm,
        "area": missed.area,
        "fits": missed.fits,
        "from": utc(missed.span.first),
        "until": utc(missed.span.ends),
        "kept_off": list(missed.span.kept_off),
    }


def _need(need: Need, plan: Campaign) -> dict[str, object]:
    resting, saved = need.verdict.resting, _saved_at(need)
    return {
        "arm": need.arm,
        "area": need.area,
        "needs": need.needed,
        "verdict": need.verdict.level,
        "set": None if resting is None else resting.set.path,
        "captured_at": utc(saved),
        "blocking": [
            {"code": found.code, "level": found.level, "remedy": found.remedy, "by": utc(plan.due(need, found))}
            for found in need.blocking
        ],
    }


def _saved_at(need: Need) -> datetime | None:
    return None if need.verdict.resting is None else need.verdict.resting.captured_at


COMMANDS = {"campaign": configure_campaign}
