"""Calendars in the ledger: what one plans is taken in by one transaction, with the entry that tells of it."""

from __future__ import annotations

import sqlite3
from datetime import datetime

from guard.plan.calendar import Changes, Left, Read, changes
from guard.plan.events import as_added, as_changed, as_removed, id_of
from guard.record import Record
from guard.rules.evidence import utc
from guard.store.encoding import body_read, canonical, moment, time_read, time_text
from guard.store.events import note, plan_in
from guard.store.ledger import Ledger, append

KIND = "calendar"

MOST_LEFT = 200
"""So many of the entries that were left are remembered; more are told once."""


class Calendar(Record):
    """A calendar as it was last taken in: when, what it held, up to when recurrences were followed, what was left."""

    source: str
    at: datetime
    digest: str
    until: datetime | None
    left: tuple[Left, ...]


def take_in(ledger: Ledger, read: Read, at: datetime) -> tuple[Changes, bool]:
    """Plan what a calendar says now: all that changes by it in one transaction, or nothing.

    Where nothing does, and it is left as it was before, nothing is written. Returns the changes, and whether
    anything was written.
    """
    with ledger.store.transaction() as db:
        there = plan_in(ledger, db)
        found = changes(there.events, there.dropped, read, at)
        added = tuple(event._replace(id=id_of(note(db, event, as_added(event), at))) for event in found.added)
        for event in found.changed:
            note(db, event, as_changed(event), at)
        for event in found.removed:
            note(db, event, as_removed(event), at)
        before = _calendars(db).get(read.source)
        now = Calendar(read.source, at, read.digest, read.until, read.left[:MOST_LEFT])
        is_new = bool(found) or before is None or before._replace(at=at) != now
        if is_new:
            append(db, time_text(at) or "", KIND, "", canonical(_body(now, found)), None)
    return found._replace(added=added), is_new


def _body(calendar: Calendar, found: Changes) -> dict[str, object]:
    return {
        "source": calendar.source,
        "digest": calendar.digest,
        "until": utc(calendar.until),
        "left": [list(each) for each in calendar.left],
        "added": len(found.added),
        "changed": len(found.changed),
        "removed": len(found.removed),
    }


def calendars(ledger: Ledger) -> dict[str, Calendar]:
    """Each calendar as it was last taken in, by its source."""
    with ledger.store.told():
        return _calendars(ledger.store.connection)


def _calendars(db: sqlite3.Connection) -> dict[str, Calendar]:
    found: dict[str, Calendar] = {}
    for at, text in db.execute("SELECT at, body FROM entries WHERE kind=? ORDER BY seq", (KIND,)):
        body = body_read(text)
        found[body["source"]] = Calendar(
            body["source"],
            moment(at),
            body["digest"],
            time_read(body["until"]),
            tuple(Left(*each) for each in body["left"]),
        )
    return found
