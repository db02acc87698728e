"""Writes a calendar, RFC 5545: entries of ours, each known again by its UID when the calendar is written anew."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from guard.digest import text_digest
from guard.ical.read import OUR_UIDS
from guard.names import visible
from guard.record import Record
from guard.times import EPOCH

MAKER = "-//swap-guard//guard//EN"
"""Who made the calendar, as PRODID tells it; a file that names it is one of ours and may be written anew."""


class Written(Record):
    """One entry to write. ``lines`` are its description; texts may hold anything."""

    uid: str
    start: datetime
    end: datetime
    summary: str
    lines: tuple[str, ...] = ()
    location: str = ""
    categories: tuple[str, ...] = ()


def uid_for(*facts: str) -> str:
    """The UID of what these facts name; the same facts give the same one on every computer."""
    return text_digest("\0".join(facts))[:40] + OUR_UIDS


def as_calendar(entries: Iterable[Written], made_at: datetime) -> bytes:
    """The entries as a calendar file. SEQUENCE grows with the time, so that programs take the newer one for the newer."""
    from icalendar import Calendar, Event

    calendar = Calendar()
    calendar.add("prodid", MAKER)
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    for each in entries:
        event = Event()
        event.add("uid", each.uid)
        event.add("dtstamp", made_at.replace(microsecond=0))
        event.add("sequence", (made_at - EPOCH) // timedelta(minutes=1))
        event.add("dtstart", each.start)
        event.add("dtend", each.end)
        event.add("summary", visible(each.summary))
        if each.lines:
            event.add("description", "\n".join(map(visible, each.lines)))
        if each.location:
            event.add("location", visible(each.location))
        if each.categories:
            event.add("categories", list(map(visible, each.categories)))
        calendar.add_component(event)
    return bytes(calendar.to_ical())
