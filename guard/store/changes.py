"""Changes on their way from the catalogue to the ledger, so that a crash in between loses none and repeats none."""

from __future__ import annotations

import sqlite3
from collections.abc import Mapping
from datetime import datetime

from guard.store.database import Store
from guard.store.encoding import canonical, time_text
from guard.store.known import Known
from guard.store.ledger import Pending

MOST_AT_ONCE = 5000


def note(db: sqlite3.Connection, at: datetime | None, kind: str, arm: str, body: Mapping[str, object]) -> None:
    """Note a change, in the transaction of the fact that it tells."""
    db.execute(
        "INSERT INTO changes(at, kind, arm, body) VALUES(?,?,?,?)", (time_text(at) or "", kind, arm, canonical(body))
    )


def note_of(
    db: sqlite3.Connection, known: Known, at: datetime, fingerprint: str | None, body: Mapping[str, object]
) -> None:
    """Note a change of a set, with what a catalogue that is built again must know of it."""
    place, stamp, essence = db.execute("SELECT place, stamp, essence FROM sets WHERE id=?", (known.id,)).fetchone()
    about = {
        "set": known.path,
        "place": place,
        "form": known.form,
        "stamp": stamp,
        "first_seen": time_text(known.first_seen),
        "fingerprint": fingerprint,
        **({} if essence is None else {"essence": essence}),
    }
    note(db, at, "set", known.arm, {**about, **body})


def pending(catalogue: Store) -> list[tuple[int, Pending]]:
    """The oldest changes that the ledger may not have yet, with their numbers."""
    with catalogue.told():
        rows = catalogue.connection.execute(
            "SELECT id, (SELECT value FROM about WHERE key='id') || ':' || id, at, kind, arm, body FROM changes"
            " ORDER BY id LIMIT ?",
            (MOST_AT_ONCE,),
        ).fetchall()
    return [(row[0], Pending(*row[1:])) for row in rows]


def forget(catalogue: Store, up_to: int) -> None:
    """Forget changes that are in the ledger now."""
    with catalogue.transaction() as db:
        db.execute("DELETE FROM changes WHERE id<=?", (up_to,))
