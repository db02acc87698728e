"""Calendars as a use case: taken in from files, by hand or as they are watched, into the plan."""

from __future__ import annotations

import os
import stat
from collections.abc import Iterable
from datetime import UTC, datetime

from guard.desk import Desk
from guard.files import without_waiting
from guard.ical.refusals import CalendarRefused
from guard.model import PlannedEvent
from guard.plan.calendar import Changes, Left, Read, Reader
from guard.plan.events import is_over
from guard.record import Record
from guard.rules.evidence import later
from guard.store import calendars as store
from guard.units import bytes_in_words, quoted

_KEPT = "Put that right and import it again."


class TakenIn(Record):
    """What came of taking in a calendar: what changed in the plan, and what of it was left or is in doubt.

    ``is_new`` tells that the calendar says or leaves something else than it did before; ``passed_over`` is how many of
    its entries are none of ours.
    """

    source: str
    changes: Changes
    left: tuple[Left, ...]
    until: datetime | None
    is_new: bool
    passed_over: int = 0


def take_in(desk: Desk, path: str, *, by_hand: bool = True) -> TakenIn:
    """Take in a calendar file: its events are planned, changed or dropped by what it says now.

    Raises CalendarRefused where the file cannot be read or trusted as a whole; nothing is changed
    then. That a calendar holds no entry at all any more is believed only of a person who imports it.
    """
    from guard.ical.read import Bounds, read

    path, settings, now = os.path.abspath(path), desk.settings, desk.now()
    raw = content(path, settings.calendar.largest)
    reader = Reader({arm.id: arm.area for arm in settings.arms.values()}, settings.calendar.rules)
    bounds = Bounds(_horizon(desk, now), settings.calendar.most)
    found = read(path, raw, reader, settings.zone(), now, bounds)
    if not by_hand and found.is_empty and _planned_from(desk, path, now):
        why = "it holds no entries any more, and an export that went wrong looks the same"
        raise CalendarRefused(path, why, f"If that is meant: guard event import {quoted(path)}")
    with desk.recording() as ledger:
        changed, is_new = store.take_in(ledger, found, now)
    return TakenIn(path, changed, found.left, found.until, is_new, found.passed_over)


def forget(desk: Desk, path: str) -> Changes:
    """Drop all that a calendar plans from now on, as if it held nothing."""
    with desk.recording() as ledger:
        return store.take_in(ledger, Read(os.path.abspath(path), "", ()), desk.now())[0]


def calendars(desk: Desk, events: Iterable[PlannedEvent]) -> dict[str, store.Calendar]:
    """Each calendar as it was last taken in, by its path; one that plans and leaves nothing any more is over."""
    now = desk.now()
    current = {event.source for event in events if not is_over(event, now)}
    known = store.calendars(desk.ledger)
    return {path: calendar for path, calendar in known.items() if path in current or calendar.left}


def missing(desk: Desk, watched: Iterable[str], there: Iterable[str]) -> set[str]:
    """The calendars that were in watched folders, still plan something, and are not there now."""
    now, folders = desk.now(), set(watched)
    sources = {event.source for event in desk.events() if event.uid is not None and not is_over(event, now)}
    return {source for source in sources if os.path.dirname(source) in folders} - set(there)


def _planned_from(desk: Desk, path: str, now: datetime) -> bool:
    return any(event.source == path and not is_over(event, now) for event in desk.events())


def _horizon(desk: Desk, now: datetime) -> datetime:
    """Up to when recurrences are followed: the whole days of the configured span, so that it moves once a day."""
    today = now.replace(hour=0, minute=0, second=0, microsecond=0)
    return later(today, desk.settings.calendar.horizon) or datetime(9990, 1, 1, tzinfo=UTC)


def content(path: str, largest: int) -> bytes:
    """The bytes of a calendar file. Raises CalendarRefused where it cannot be read, or is larger than allowed."""
    try:
        with open(path, "rb", buffering=0, opener=without_waiting) as file:
            about = os.fstat(file.fileno())
            if not stat.S_ISREG(about.st_mode):
                raise CalendarRefused(path, "it is no plain file", "Give a file.")
            raw = file.read(largest + 1) if about.st_size <= largest else None
            if raw is None or len(raw) > largest:
                why = f"it is larger than {bytes_in_words(largest)} (calendar.largest)"
                raise CalendarRefused(path, why, "Export a shorter span of time, or raise that limit.")
            after = os.fstat(file.fileno())
    except OSError as error:
        raise CalendarRefused(path, f"it cannot be read ({error.strerror or error})", _KEPT) from error
    if (about.st_size, about.st_mtime_ns) != (after.st_size, after.st_mtime_ns) or len(raw) != about.st_size:
        raise CalendarRefused(path, "it changed while it was read", "Import it again once it is written.")
    return raw
