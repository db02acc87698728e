"""`guard event import` and `export`: the calendar that the plant keeps, taken into the plan, and the plan as a calendar."""

from __future__ import annotations

import argparse
import os
import sys
from collections.abc import Iterable, Iterator
from datetime import datetime

from guard.calendars import TakenIn, calendars, forget, take_in
from guard.cli import output
from guard.cli.output import Line
from guard.cli.put import put
from guard.desk import Desk
from guard.errors import NotUnderstood
from guard.model import PlannedEvent
from guard.plan.calendar import Left
from guard.plan.events import is_over
from guard.rules.evidence import utc
from guard.times import shown, shown_with_age
from guard.units import in_words, quoted

MOST_SHOWN = 20
"""More events of one sort are counted; `guard event list` shows them all."""


def add_verbs(verbs: argparse._SubParsersAction[argparse.ArgumentParser]) -> None:
    """The verbs of `guard event` that are about calendars."""
    taken = verbs.add_parser(
        "import", help="take in a calendar file, or what changed in it",
        description="Plan the entries that name a kind of event and an arm or an area; [calendar] in the configuration"
        " says which other words mean what. Again, it takes in what changed and drops what was taken out, of that file"
        " alone. What cannot be planned is listed, and what an entry planned before then stays planned. A calendar that"
        " is gone, cut off or suddenly empty changes nothing.",
    )  # fmt: skip
    taken.add_argument("file", metavar="FILE.ics", help="a calendar as programs export it, RFC 5545")
    taken.add_argument("--json", action="store_true", help="one JSON document instead of a screen")
    given = verbs.add_parser("export", help="the plan with its verdicts as a calendar")
    given.add_argument("--out", metavar="FILE", help="write it there (default: standard output)")


def run_import(desk: Desk, args: argparse.Namespace) -> int:
    """Take in a calendar and tell what came of it."""
    taken = take_in(desk, args.file)
    if args.json:
        output.show_json(_as_json(taken))
    else:
        output.show(_lines(taken, desk))
    return 0


def run_export(desk: Desk, args: argparse.Namespace) -> int:
    """Write the plan as a calendar, to a file or to standard output."""
    from guard.ical.write import MAKER, as_calendar
    from guard.tell.agenda import NAME, entries, gathered, standing_at

    now = desk.now()
    found = gathered(desk, now)
    before = standing_at(args.out or os.path.join(desk.settings.state, NAME))
    content = as_calendar(entries(found), now, before)
    if args.out is None:
        sys.stdout.buffer.write(content)
        sys.stdout.buffer.flush()
        return 0
    put(args.out, content, MAKER.encode())
    output.show([Line(f"Written: {args.out}, {len(found.events)} planned, {len(found.warnings)} blocking warnings.")])
    return 0


def run_forget(desk: Desk, args: argparse.Namespace) -> int:
    """Drop all that a calendar plans from now on."""
    if os.path.abspath(args.calendar) not in calendars(desk, desk.events()):
        raise NotUnderstood("", f"a calendar {args.calendar} that plans anything from now on", "See: guard event list")
    output.show(_some("Dropped", forget(desk, args.calendar).removed, desk))
    output.show([Line(f"Nothing of {args.calendar} is planned any more. guard event import takes it in again.")])
    if os.path.abspath(args.calendar) in desk.settings.calendar.watch:
        output.show([Line("The monitor watches it and will take it in again; take it out of calendar.watch.")])
    return 0


def in_doubt(desk: Desk, now: datetime, last: datetime | None) -> Iterator[Line]:
    """What of the calendars is not planned, or not for certain, and up to when their recurrences were followed."""
    for calendar in calendars(desk, desk.events()).values():
        yield from left_lines(calendar.left, calendar.source)
        if calendar.until is not None and (last is None or last > calendar.until):
            until = shown_with_age(calendar.until, now, desk.settings.zone())
            yield Line(
                f"Recurrences in {calendar.source} were followed up to {until} (calendar.horizon).", style="quiet"
            )


def _lines(taken: TakenIn, desk: Desk) -> Iterator[Line]:
    found = taken.changes
    counts = [
        f"{len(events)} {word}"
        for events, word in ((found.added, "planned"), (found.changed, "changed"), (found.removed, "dropped"))
        if events
    ]
    told = ", ".join(counts) or "nothing changed"
    yield Line(f"{taken.source}: {told}, {found.same} as before.", style="head")
    yield from _some("Planned", found.added, desk)
    yield from _some("Changed", found.changed, desk)
    yield from _some("Dropped", found.removed, desk)
    yield from _some("Kept", found.kept, desk, ": not found in it any more, but that is in doubt; see below")
    yield from _some("Left out", found.dropped, desk, ": you dropped just this; guard event add plans it again")
    yield from _twice(taken, desk)
    if taken.until is not None:
        until = shown(taken.until, desk.settings.zone())
        yield Line(
            f"Something in it recurs beyond {until} (calendar.horizon). What comes later is taken in when it is imported"
            " again, which the monitor does every day for the calendars in calendar.watch.",
            style="quiet",
        )
    if taken.passed_over:
        plan = "entry plans" if taken.passed_over == 1 else "entries plan"
        yield Line(
            f"{taken.passed_over} other {plan} nothing here: no kind of event and no arm's id is named, or a rule says so."
            " Which other words mean what: [calendar] in the configuration.",
            style="quiet",
        )
    yield from left_lines(taken.left)


def _twice(taken: TakenIn, desk: Desk) -> Iterator[Line]:
    """That entries of another file have the same UIDs, as those of a newer export under another name have."""
    new = {event.uid for event in taken.changes.added}
    others = [event for event in desk.events() if event.uid in new and event.source != taken.source]
    for source in sorted({event.source for event in others if not is_over(event, desk.now())}):
        yield Line()
        yield Line(
            f"Entries of {source} have the same UIDs, and stay planned beside these. If this is a newer export of the"
            f" same calendar: guard event drop --calendar {quoted(source)}",
            label="caution", label_style="caution-word", label_width=9,
        )  # fmt: skip


def _some(label: str, events: Iterable[PlannedEvent], desk: Desk, more: str = "") -> Iterator[Line]:
    zone, now, listed = desk.settings.zone(), desk.now(), list(events)
    for event in listed[:MOST_SHOWN]:
        title = f" ({event.title})" if event.title else ""
        yield Line(
            f"{event.id or '-'}: {event.kind}{title}, {shown_with_age(event.start, now, zone)}, for"
            f" {in_words(event.off_for)}, on {', '.join(event.arms)}{more}",
            label=label, label_style="quiet", indent=1, label_width=10,
        )  # fmt: skip
    if len(listed) > MOST_SHOWN:
        yield Line(f"and {len(listed) - MOST_SHOWN} more", indent=11)


def left_lines(left: tuple[Left, ...], source: str = "the calendar") -> Iterator[Line]:
    """Entries that were left, or are in doubt: with what to look for in the calendar."""
    if not left:
        return
    yield Line()
    yield Line(f"Look these up in {source}; what is not planned is watched by nobody", style="head")
    for each in left[:MOST_SHOWN]:
        title = f"“{each.title}”: " if each.title else ""
        yield Line(f"{title}{each.why} (UID {each.uid or 'none'})", label=f"line {each.line}", indent=1, label_width=12)
    if len(left) > MOST_SHOWN:
        yield Line(f"and {len(left) - MOST_SHOWN} more; --json of guard event import lists all", indent=13)


def _as_json(taken: TakenIn) -> dict[str, object]:
    found = taken.changes
    return {
        "schema": 1,
        "source": taken.source,
        "added": list(map(event_as_json, found.added)),
        "changed": list(map(event_as_json, found.changed)),
        "removed": list(map(event_as_json, found.removed)),
        "kept": list(map(event_as_json, found.kept)),
        "left_out": list(map(event_as_json, found.dropped)),
        "unchanged": found.same,
        "until": utc(taken.until),
        "doubts": [each._asdict() for each in taken.left],
    }


def event_as_json(event: PlannedEvent) -> dict[str, object]:
    """A planned event as the JSON contract has it."""
    from guard.plan.events import end

    return {
        "id": event.id,
        "kind": event.kind,
        "start": utc(event.start),
        "end": utc(end(event)),
        "arms": list(event.arms),
        "title": event.title,
        "source": event.source,
        "uid": event.uid,
        **({"people": list(event.people)} if event.people else {}),
    }
