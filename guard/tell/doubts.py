"""What makes the monitor doubt itself: silence, letters that do not go out, clocks, its ledger, its own disk."""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterable, Iterator
from datetime import datetime, timedelta, tzinfo

from guard.calendars import calendars
from guard.desk import Desk
from guard.model import PlannedEvent, Verdict
from guard.plan.events import not_configured
from guard.store.activity import copies_in_trouble, newest_entry, taken_over
from guard.store.letters import Letters
from guard.store.service import heartbeats
from guard.tell.told import Checked, Doubt
from guard.times import shown, shown_with_age
from guard.units import bytes_in_words, quoted

LATE_LETTER = timedelta(minutes=15)
"""A letter may take so long without a doubt about its channel."""

CLOCK_GRAIN = timedelta(minutes=1)
"""What lies so little in the future shows no clock that was set back."""

STATE_ROOM = 1 << 30
"""With less than this left (1 GiB), a year of the ledger may not fit any more (common practice, no source)."""

MOST_LEFT = 5
"""So many entries of one calendar are told one by one."""

PARTS = {
    "looking": "The part of the monitor that watches the share",
    "nightly": "The part of the monitor that has the nights",
    "calendars": "The part of the monitor that reads the calendars",
    "clocks": "The part of the monitor that minds the clocks",
}


def doubts(
    desk: Desk, verdicts: Iterable[Verdict], planned: Iterable[PlannedEvent], checked: Checked, now: datetime
) -> Iterator[Doubt]:
    """All doubts, one kind after the other."""
    zone = desk.settings.zone()
    yield from _silence(desk, checked.alive_at, now, zone)
    yield from _parts(desk)
    yield from _letters(desk, now, zone)
    yield from _share(verdicts, len(desk.settings.arms))
    yield from _copies(desk)
    yield from _clock(desk, checked, now, zone)
    yield from _ledger(checked)
    yield from _state(desk, checked)
    yield from _renamed(desk)
    yield from _configuration(desk, planned)
    yield from _calendars(desk, planned, now, zone)


def looked_after(desk: Desk, now: datetime) -> Checked:
    """What is to be known of the monitor itself."""
    from guard import __version__

    check = desk.check()
    beats = [beat.at for beat in heartbeats(desk.catalogue.store)]
    try:
        free: int | None = shutil.disk_usage(desk.settings.state).free
    except OSError:
        free = None
    return Checked(
        version=__version__,
        zone_rules=zone_rules(desk.settings.timezone),
        ledger_entries=check.entries,
        ledger_first_bad=check.first_bad,
        state_free=free,
        seen_at=desk.catalogue.place(0).seen_at,
        alive_at=max((at for at in beats if at <= now + CLOCK_GRAIN), default=None),
    )


def zone_rules(zone: str) -> str:
    """The version of the rules by which this zone's clocks are read, and where they come from."""
    from importlib import import_module
    from zoneinfo import TZPATH

    for folder in TZPATH:
        if os.path.isfile(os.path.join(folder, *zone.split("/"))):
            return f"{_system_rules(folder)} (of this system)"
    return f"{import_module('tzdata').IANA_VERSION} (of the package tzdata)"


def _system_rules(folder: str) -> str:
    try:
        with open(os.path.join(folder, "tzdata.zi"), encoding="ascii", errors="replace") as file:
            first = file.readline(100).strip()
    except OSError:
        return "a version that is not told"
    return first.removeprefix("# version ") if first.startswith("# version ") else "a version that is not told"


def _silence(desk: Desk, alive_at: datetime | None, now: datetime, zone: tzinfo) -> Iterator[Doubt]:
    silent = desk.monitor_silent_since(now)
    if silent is not None:
        text = f"The monitor last showed life on {shown_with_age(alive_at or silent, now, zone)}: what came since is not seen until somebody looks."
        yield Doubt("monitor", text, "Start it again. What a service needs: guard service show --help", grave=True)
    elif alive_at is None:
        text = "The monitor never ran here: the share is looked at only when somebody calls for it."
        yield Doubt("monitor", text, "Let it run as a service. What that needs: guard service show --help", grave=False)


def _parts(desk: Desk) -> Iterator[Doubt]:
    log = os.path.join(desk.settings.state, "guard.log")
    for beat in heartbeats(desk.catalogue.store):
        if beat.detail:
            part = PARTS.get(beat.part, f"The part {beat.part} of the monitor")
            yield Doubt("monitor", f"{part} says: {beat.detail}.", f"The log tells more: {log}", grave=False)


def _letters(desk: Desk, now: datetime, zone: tzinfo) -> Iterator[Doubt]:
    for waiting in Letters(desk.ledger.store).unsent():
        if now - waiting.oldest < LATE_LETTER:
            continue
        letters = "1 letter waits" if waiting.letters == 1 else f"{waiting.letters} letters wait"
        why = waiting.trouble or "no attempt was told of"
        since = shown_with_age(waiting.oldest, now, zone)
        text = f"{letters} to be sent by {waiting.channel} since {since}: {why}."
        yield Doubt("letters", text, "Put right the channel, or [notify] in the configuration.", grave=True)


def _share(verdicts: Iterable[Verdict], arms: int) -> Iterator[Doubt]:
    """What the verdicts found about the share; that stands in the list of what to do already."""
    told: dict[tuple[str, str], list[str]] = {}
    for verdict in verdicts:
        for found in verdict.findings:
            if found.code.startswith("share-"):
                told.setdefault((found.message, found.remedy), []).append(verdict.arm)
    for (message, remedy), concerned in told.items():
        whom = "" if len(concerned) == arms else f" This concerns {', '.join(concerned[:5])}"
        more = f" and {len(concerned) - 5} more" if whom and len(concerned) > 5 else ""
        yield Doubt("share", f"{message}{whom}{more}{'.' if whom else ''}", remedy, grave=False)


def _copies(desk: Desk) -> Iterator[Doubt]:
    for place in copies_in_trouble(desk.catalogue.store):
        why = f"cannot be read: {place.unreadable}" if place.unreadable else f"lost {place.vanished} sets at once"
        yield Doubt(
            "copies", f"The further copy {place.path} {why}.", "Bring it back, then run: guard look", grave=True
        )


def _clock(desk: Desk, checked: Checked, now: datetime, zone: tzinfo) -> Iterator[Doubt]:
    times = [newest_entry(desk.ledger), checked.seen_at, *(beat.at for beat in heartbeats(desk.catalogue.store))]
    latest = max((at for at in times if at is not None), default=now)
    if latest > now + CLOCK_GRAIN:
        text = f"This computer's clock was set back: something was recorded on {shown(latest, zone)}, which is still to come."
        yield Doubt("clock", text, "Set the clock right and let it be kept right by a time server.", grave=True)
    rules = checked.zone_rules[:4]
    if rules.isdigit() and int(rules) < now.year - 1:
        text = f"The rules for the clocks of {desk.settings.timezone} are those of {rules}; summer time may have changed since."
        yield Doubt("clock", text, "Update this system, and the package tzdata.", grave=False)


def _ledger(checked: Checked) -> Iterator[Doubt]:
    if checked.ledger_first_bad is not None:
        text = f"The ledger was tampered with or damaged: entry {checked.ledger_first_bad} is the first that is wrong."
        remedy = "Keep ledger.db as it is and restore it from a backup of the state folder. More: guard ledger check"
        yield Doubt("ledger", text, remedy, grave=True)


def _state(desk: Desk, checked: Checked) -> Iterator[Doubt]:
    if checked.state_free is not None and checked.state_free < STATE_ROOM:
        text = f"The disk of the state folder {desk.settings.state} has only {bytes_in_words(checked.state_free)} left."
        yield Doubt("state", text, "Make room on it; without room nothing can be recorded.", grave=True)


def _renamed(desk: Desk) -> Iterator[Doubt]:
    """Arms that seem to be another's that is not configured any more: what people recorded of that counts for none."""
    for arm, before in taken_over(desk.catalogue.store):
        marks = () if before in desk.settings.arms or arm not in desk.settings.arms else desk.ledger.marks(before)
        if marks:
            text = (
                f"{arm} has sets that were taken in as those of {before}, which is not in the configuration any more:"
                f" what was marked of {before} ({len(marks)} mark{'s' if len(marks) > 1 else ''}) counts for no arm."
            )
            remedy = (
                f"If {before} was renamed, record for {arm} what still holds. What that is: guard ledger show --last 0"
            )
            yield Doubt("arms", text, remedy, grave=True)


def _calendars(desk: Desk, planned: Iterable[PlannedEvent], now: datetime, zone: tzinfo) -> Iterator[Doubt]:
    """What calendars say that nobody could understand, and those whose recurrences were not followed for long."""
    for calendar in calendars(desk, planned).values():
        look = f"Put the entry right in the calendar. All of them: guard event import {quoted(calendar.source)}"
        for left in calendar.left[:MOST_LEFT]:
            title = f"“{left.title}”, " if left.title else ""
            text = f"The calendar {calendar.source}, line {left.line} ({title}UID {left.uid or 'none'}): {left.why}."
            yield Doubt("events", text, look, grave=True)
        if len(calendar.left) > MOST_LEFT:
            text = f"The calendar {calendar.source} has {len(calendar.left) - MOST_LEFT} more entries like these."
            yield Doubt("events", text, look, grave=True)
        if calendar.until is not None and calendar.until - now < desk.settings.calendar.horizon / 2:
            text = f"What recurs in the calendar {calendar.source} is planned up to {shown(calendar.until, zone)} only."
            yield Doubt("events", text, f"Take it in again: guard event import {quoted(calendar.source)}", grave=False)


def _configuration(desk: Desk, planned: Iterable[PlannedEvent]) -> Iterator[Doubt]:
    for event in planned:
        for arm in not_configured(event, desk.settings.arms):
            text = (
                f"The planned event {event.id} names {arm}, which is not in the configuration: nobody looks after it."
            )
            remedy = f"Put it back into the configuration, or drop the event: guard event drop {event.id}"
            yield Doubt("events", text, remedy, grave=True)
    bare = [arm.id for arm in desk.settings.arms.values() if not arm.cells]
    if bare:
        whom = (
            "No arm lists"
            if len(bare) == len(desk.settings.arms)
            else f"{len(bare)} arms list"
            if len(bare) > 1
            else "1 arm lists"
        )
        none = "its cells" if whom.startswith("No") else "no cells"
        named = (
            ""
            if whom.startswith("No")
            else f" ({', '.join(bare[:5])}{f' and {len(bare) - 5} more' if len(bare) > 5 else ''})"
        )
        text = f"{whom} {none} in the configuration{named}: nothing is known of their age."
        yield Doubt(
            "cells", text, 'Write them down: cells = [ { type = "memory-cell", installed = 2025-03-14 } ]', grave=False
        )
