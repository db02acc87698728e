"""What the monitor writes down about itself: which job was done for which slot, and when each part showed life."""

from __future__ import annotations

from datetime import datetime, timedelta

from guard.record import Record
from guard.store.database import Store
from guard.store.encoding import moment, time_text

CLOCKS = "clocks"
"""The part that shows life at every tick, whatever the others are busy with."""

SILENT_AFTER = timedelta(minutes=5)
"""Ten ticks: a busy computer may be late for one, but not for so many."""


class Heartbeat(Record):
    """When a part of the monitor last showed life, and what it had to say; empty where all was well."""

    part: str
    at: datetime
    detail: str


def runs(store: Store, job: str) -> dict[str, datetime]:
    """The slots for which a job was done, with the moment."""
    with store.told():
        rows = store.connection.execute("SELECT slot, at FROM runs WHERE job=?", (job,)).fetchall()
    return {slot: moment(at) for slot, at in rows}


def note_run(store: Store, job: str, slot: str, at: datetime) -> None:
    """Write down that a job was done for a slot; whatever stood there was done by a wrong clock."""
    with store.transaction() as db:
        db.execute("INSERT OR REPLACE INTO runs VALUES(?,?,?)", (job, slot, time_text(at)))


def note_heartbeat(store: Store, part: str, at: datetime, detail: str = "") -> None:
    """Write down that a part of the monitor is alive, and what troubles it."""
    with store.transaction() as db:
        db.execute("INSERT OR REPLACE INTO heartbeats VALUES(?,?,?)", (part, time_text(at), detail))


def heartbeats(store: Store) -> list[Heartbeat]:
    """The last sign of life of every part, by name."""
    with store.told():
        rows = store.connection.execute("SELECT part, at, detail FROM heartbeats ORDER BY part").fetchall()
    return [Heartbeat(part, moment(at), detail) for part, at, detail in rows]


def silent_since(store: Store, now: datetime) -> datetime | None:
    """Since when the monitor has been silent; None while it shows life, and where none ever ran here."""
    with store.told():
        row = store.connection.execute("SELECT at FROM heartbeats WHERE part=?", (CLOCKS,)).fetchone()
    if row is None:
        return None
    at = moment(row[0])
    return None if timedelta() <= now - at <= SILENT_AFTER else at
