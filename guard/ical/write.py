"""Writes a calendar, RFC 5545: entries of ours, each known again by its UID when the calendar is written anew."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from guard.digest import text_digest
from guard.ical.read import OUR_UIDS
from guard.names import visible
from guard.record import Record
from guard.times import EPOCH

TYPE_CHECKING = False

if TYPE_CHECKING:
    from icalendar import Event

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


def as_calendar(entries: Iterable[Written], made_at: datetime, before: bytes = b"") -> bytes:
    """The entries as a calendar file. SEQUENCE grows with the time, so that programs take the newer one for the newer.

    An entry that stands in ``before`` and says the same there keeps its stamp and its sequence.
    """
    from icalendar import Calendar

    stood = _stood(before)
    calendar = Calendar()
    calendar.add("prodid", MAKER)
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    for each in entries:
        event = _event(each)
        same = stood.get((each.uid, event.to_ical()))
        stamp, sequence = same or (made_at.replace(microsecond=0), (made_at - EPOCH) // timedelta(minutes=1))
        event.add("dtstamp", stamp)
        event.add("sequence", sequence)
        calendar.add_component(event)
    return bytes(calendar.to_ical())


def _event(each: Written) -> Event:
    from icalendar import Event

    event = Event()
    event.add("uid", each.uid)
    event.add("dtstart", each.start)
    event.add("dtend", each.end)
    event.add("summary", visible(each.summary))
    if each.lines:
        event.add("description", "\n".join(map(visible, each.lines)))
    if each.location:
        event.add("location", visible(each.location))
    if each.categories:
        event.add("categories", list(map(visible, each.categories)))
    return event


def _stood(before: bytes) -> dict[tuple[str, bytes], tuple[datetime, int]]:
    """Stamp and sequence of each entry of an earlier calendar, by its UID and by all else that it says."""
    from icalendar import Calendar

    if MAKER.encode() not in before:
        return {}
    found = {}
    try:
        for event in Calendar.from_ical(before).walk("VEVENT"):
            stamp, sequence = event.pop("DTSTAMP").dt, int(event.pop("SEQUENCE"))
            found[str(event["UID"]), event.to_ical()] = (stamp, sequence)
    except (ValueError, KeyError, AttributeError, TypeError):
        return {}  # it was altered by somebody, so all of it is written anew
    return found
