"""Planned events in the ledger: added and dropped by entries, read back as they stand."""

from __future__ import annotations

import json
import sqlite3
from datetime import datetime

from guard.errors import StateDamaged, UnknownEvent
from guard.model import PlannedEvent
from guard.plan.events import (
    Noted,
    Plan,
    UnreadableEvent,
    as_added,
    as_dropped,
    id_of,
    plan,
    same_as,
)
from guard.record import Record
from guard.store.encoding import canonical, time_text
from guard.store.ledger import Ledger, append

KIND = "event"


class Added(Record):
    """An event that is planned now; ``before`` tells that it was planned already and nothing was written."""

    event: PlannedEvent
    before: bool


def events(ledger: Ledger) -> tuple[PlannedEvent, ...]:
    """The events that are planned, in the order of their starts. Raises StateDamaged where an entry cannot be read."""
    with ledger.store.told():
        return plan_in(ledger, ledger.store.connection).events


def newest(ledger: Ledger) -> int:
    """The number of the newest entry about events; 0 where there is none."""
    with ledger.store.told():
        found = ledger.store.connection.execute("SELECT max(seq) FROM entries WHERE kind=?", (KIND,)).fetchone()
    return int(found[0] or 0)


def add(ledger: Ledger, event: PlannedEvent, at: datetime) -> Added:
    """Plan an event; its id comes from its entry. The same event is not planned twice."""
    with ledger.store.transaction() as db:
        there = same_as(event, plan_in(ledger, db).events)
        if there is not None:
            return Added(there, before=True)
        number = note(db, event, as_added(event), at)
    return Added(event._replace(id=id_of(number)), before=False)


def drop(ledger: Ledger, event_id: str, at: datetime) -> PlannedEvent:
    """Drop a planned event and return what was dropped. Raises UnknownEvent where there is none of that id."""
    with ledger.store.transaction() as db:
        event = next((each for each in plan_in(ledger, db).events if each.id == event_id), None)
        if event is None:
            raise UnknownEvent(event_id)
        note(db, event, as_dropped(event), at)
    return event


def note(db: sqlite3.Connection, event: PlannedEvent, body: dict[str, object], at: datetime) -> int:
    """Append an entry about an event within a transaction. Returns its number."""
    arm = event.arms[0] if len(event.arms) == 1 else ""
    return append(db, time_text(at) or "", KIND, arm, canonical(body), None)


def plan_in(ledger: Ledger, db: sqlite3.Connection) -> Plan:
    """What is planned, within a transaction. Raises StateDamaged."""
    rows = db.execute("SELECT seq, body FROM entries WHERE kind=? ORDER BY seq", (KIND,)).fetchall()
    try:
        return plan(_noted(number, body) for number, body in rows)
    except UnreadableEvent as error:
        raise StateDamaged(
            ledger.store.path,
            f"entry {error.number} does not say what an event's entry says",
            "`guard ledger check` tells whether it was altered. Until it is restored from a backup of the state"
            " folder, no planned event can be judged.",
        ) from error


def _noted(number: int, body: str) -> Noted:
    try:
        return Noted(number, json.loads(body))
    except (ValueError, RecursionError):
        raise UnreadableEvent(number) from None
