"""The plan as a calendar: each planned event with its verdict, and each blocking warning before its event.

What stands in it depends on verdicts alone and tells no ages, so that a calendar in which nothing
changed is not written anew.
"""

from __future__ import annotations

import os
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime, tzinfo

from guard.desk import Desk
from guard.files import write_whole
from guard.ical.write import Written, as_calendar, uid_for
from guard.model import Level, PlannedEvent, Question, Verdict, rank
from guard.plan.events import LAST_MOMENT, end, is_over
from guard.plan.warnings import Key, Raised
from guard.record import Record
from guard.rules.evidence import earlier
from guard.rules.sign_off import counts_as
from guard.rules.standing import standing
from guard.rules.verdict import verdict_over
from guard.tell.cautions import CAUTIONS
from guard.tell.steps import named, too_early
from guard.tell.words import headline
from guard.units import typed

NAME = "planned.ics"
"""The calendar that the monitor keeps current, in the state folder."""

MOST_JUDGED = 2_000
"""So many pairs of event and arm are judged, the next ones first; a plan of more is judged as they come nearer."""

MOST_NAMED = 40
"""More arms in one entry help nobody; the rest is counted."""

FEW = 5
"""So many arms are named in a summary."""


class Agenda(Record):
    """All that the calendar tells. ``judged`` are the verdicts, by event and arm, as things stood at ``at``."""

    plant: str
    events: tuple[PlannedEvent, ...]
    judged: Mapping[Key, Verdict]
    warnings: tuple[Raised, ...]
    earliest: Mapping[str, datetime]
    """Where the entry of a warning begins at the latest, by event."""
    at: datetime
    zone: tzinfo


def gathered(desk: Desk, now: datetime) -> Agenda:
    """The planned events that are not over, judged at their starts, and the blocking warnings about them."""
    ever = desk.events()
    events = tuple(event for event in ever if not is_over(event, now))
    nearest = min(desk.settings.warnings.lead_times)
    earliest = {event.id: earlier(event.start, nearest) or event.start for event in events}
    return Agenda(
        desk.settings.plant,
        events,
        _judged(desk, events, ever, now),
        desk.warnings(),
        earliest,
        now,
        desk.settings.zone(),
    )


def _judged(
    desk: Desk, events: Sequence[PlannedEvent], ever: Sequence[PlannedEvent], now: datetime
) -> dict[Key, Verdict]:
    pairs = [(event, arm) for event in events for arm in dict.fromkeys(event.arms) if arm in desk.settings.arms]
    wanted: dict[str, list[PlannedEvent]] = {}
    for event, arm in pairs[:MOST_JUDGED]:
        wanted.setdefault(arm, []).append(event)
    found: dict[Key, Verdict] = {}
    for facts in desk.facts_in_turn(sorted(wanted), now, ever) if wanted else ():
        place = standing(facts)
        for event in wanted[facts.arm.id]:
            question = Question(event.kind, max(event.start, now), event.off_for, event.id)
            found[event.id, facts.arm.id] = verdict_over(place, question)
    return found


def entries(agenda: Agenda) -> Iterator[Written]:
    """The entries: each event, and before it what blocks it."""
    by_id = {event.id: event for event in agenda.events}
    for event in agenda.events:
        yield _event(event, agenda)
    for warning in agenda.warnings:
        if warning.event in by_id:
            yield _warning(warning, by_id[warning.event], agenda)


def _event(event: PlannedEvent, agenda: Agenda) -> Written:
    verdicts = {arm: agenda.judged.get((event.id, arm)) for arm in dict.fromkeys(event.arms)}
    start = event.start.astimezone(agenda.zone).isoformat(timespec="seconds")
    return Written(
        uid_for("event", agenda.plant, event.id),
        event.start,
        _end(event),
        f"{_verdict(event, verdicts, agenda.at)}: {named(event)} ({_few(list(verdicts))})",
        (
            *_limited([_line(arm, found) for arm, found in verdicts.items()]),
            f"Planned as {event.id}, {event.source}.",
            f"To judge it now: guard fleet --action {event.kind} --at {start} --off-for {typed(event.off_for)}",
            *CAUTIONS,
        ),
        _few(list(verdicts)),
        (event.kind,),
    )


def _end(event: PlannedEvent) -> datetime:
    return min(end(event), LAST_MOMENT.replace(microsecond=0))


def _verdict(event: PlannedEvent, verdicts: Mapping[str, Verdict | None], at: datetime) -> str:
    """The worst verdict among the arms in a word; unknown where nobody looks after an arm."""
    known = [found for found in verdicts.values() if found is not None]
    level: Level = max((found.level for found in known), key=rank, default="unknown")
    if len(known) < len(verdicts) and rank(level) < rank("unknown"):
        level = "unknown"
    blocking = [found for found in known if rank(found.level) >= rank("unknown")]
    early = len(known) == len(verdicts) and blocking and all(too_early(found, event, at) for found in blocking)
    return f"{level.upper()} (too early for its backup)" if early else level.upper()


def _line(arm: str, found: Verdict | None) -> str:
    return f"{arm}: not judged yet, or not in the configuration" if found is None else f"{arm}: {headline(found)}"


def _few(arms: Sequence[str]) -> str:
    more = f" and {len(arms) - FEW} more" if len(arms) > FEW else ""
    return ", ".join(arms[:FEW]) + more


def _limited(lines: Sequence[str]) -> list[str]:
    more = [f"and {len(lines) - MOST_NAMED} more arms"] if len(lines) > MOST_NAMED else []
    return [*lines[:MOST_NAMED], *more]


def _warning(warning: Raised, event: PlannedEvent, agenda: Agenda) -> Written:
    """A blocking warning from when it was raised, or the last lead time, up to the start of its event."""
    found = agenda.judged.get((event.id, warning.arm))
    return Written(
        uid_for("warning", agenda.plant, event.id, warning.arm),
        min(warning.raised_at.replace(microsecond=0), agenda.earliest[event.id]),
        event.start,
        f"BLOCKED, {warning.level}: {named(event)}, {warning.arm}",
        (
            warning.headline,
            *(["What lifts it:", *_lifting(found)] if found is not None else []),
            f"It stands until its cause is gone, or a named person answers for it: guard sign-off {warning.arm}",
            *CAUTIONS,
        ),
        warning.arm,
        ("blocked",),
    )


def _lifting(found: Verdict) -> Iterable[str]:
    blocking = [each for each in found.findings if rank(counts_as(each)) >= rank("unknown")]
    return dict.fromkeys(f"- {each.code}: {each.remedy}" for each in blocking)


def calendar(desk: Desk, now: datetime, before: bytes) -> bytes:
    """The plan as a calendar file. What says the same as ``before`` stays as it was written then."""
    return as_calendar(entries(gathered(desk, now)), now, before)


def standing_at(path: str) -> bytes:
    """What stands in a file now; nothing where there is none that can be read."""
    if not os.path.isfile(path):  # a pipe would be waited for
        return b""
    try:
        with open(path, "rb") as file:
            return file.read()
    except OSError:
        return b""


def keep_current(desk: Desk, now: datetime) -> bool:
    """Write the monitor's calendar where it changed; whether it was written. Raises OSError.

    Where nothing is planned none is begun.
    """
    path = os.path.join(desk.settings.state, NAME)
    before = standing_at(path)
    if not before and not any(not is_over(event, now) for event in desk.events()):
        return False
    content = calendar(desk, now, before)
    if content == before:
        return False
    write_whole(path, content)
    return True
