"""Which planned event does a person mean, by its id or its title? Pure.

AmbiguousEvent, EventBegun and NoRoom are calls that are wrong (exit code 2), as UnknownEvent is.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo

from guard.errors import CallError, UnknownEvent
from guard.model import PlannedEvent
from guard.times import shown, shown_with_age
from guard.units import in_words

MOST = 5
"""More events in one sentence help nobody; the rest is counted."""


class AmbiguousEvent(CallError):
    """A title, or a part of one, that several planned events have."""

    def __init__(self, asked: str, events: Sequence[PlannedEvent], zone: tzinfo) -> None:
        self.asked, self.events, self.zone = asked, events, zone

    def __str__(self) -> str:
        told = [f"{each.id} ({each.title}, {shown(each.start, self.zone)})" for each in self.events[:MOST]]
        more = f" and {len(self.events) - MOST} more" if len(self.events) > MOST else ""
        return f"{self.asked!r} stands for several planned events: {', '.join(told)}{more}. Give the id of one."


class EventBegun(CallError):
    """An event before which nothing can be done any more."""

    def __init__(self, event: PlannedEvent, now: datetime, zone: tzinfo) -> None:
        self.event, self.now, self.zone = event, now, zone

    def __str__(self) -> str:
        began = shown_with_age(self.event.start, self.now, self.zone)
        return (
            f"{self.event.id} has begun: {began}. Nothing can be saved before it any more. `guard event list` shows"
            " what is to come; what an arm needs now: guard fleet"
        )


class NoRoom(CallError):
    """Backups that take longer than one may ever be under way so that it counts."""

    def __init__(self, event: PlannedEvent, each: timedelta, room: timedelta, limit: timedelta) -> None:
        self.event, self.each, self.room, self.limit = event, each, room, limit

    def __str__(self) -> str:
        room = f"there are only {in_words(self.room)}" if self.room > timedelta() else "there is no time at all"
        return (
            f"A backup that takes {in_words(self.each)} never fits before {self.event.id}: between the moment from which"
            f" on one is fresh at its start ({in_words(self.limit)} before a {self.event.kind}) and the moment by which"
            f" it must be there to settle and be read back {room}. Give fewer minutes (--minutes-each), or allow"
            f" older sets: [fresh] {self.event.kind} in the configuration."
        )


def meant(asked: str, events: Sequence[PlannedEvent], now: datetime, zone: tzinfo) -> PlannedEvent:
    """The event that is still to come and has this id or title, or whose title alone has these words in it.

    Upper and lower case are the same. Raises UnknownEvent, AmbiguousEvent and EventBegun.
    """
    words = _words(asked)
    by_id = [each for each in events if each.id == asked.strip().lower()]
    by_title = [each for each in events if each.title and words and _words(each.title) == words]
    by_part = [each for each in events if words and re.search(rf"\b{re.escape(words)}\b", _words(each.title))]
    for found in (by_id, by_title, by_part):
        coming = [each for each in found if each.start > now]
        if len(coming) == 1:
            return coming[0]
        if coming:
            raise AmbiguousEvent(asked, coming, zone)
        if found:
            raise EventBegun(found[-1], now, zone)
    raise UnknownEvent(asked)


def _words(text: str) -> str:
    return " ".join(text.casefold().split())
