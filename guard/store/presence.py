"""How each controller answers: a row for an arm in the catalogue, and its changes on their way to the ledger."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection, Iterable, Mapping
from datetime import datetime

from guard.model import AnswerTime
from guard.record import Record
from guard.rules.power import AFTER_SILENCE, Change, Presence, after_answer, after_silence, answer_times
from guard.store import changes
from guard.store.database import Store
from guard.store.encoding import body_read, time_read, time_text


class Observation(Record):
    """That a controller answered at a moment, or, where ``silent`` says why, that it did not, several times."""

    arm: str
    at: datetime
    silent: str | None = None


def note(catalogue: Store, observations: Iterable[Observation]) -> list[tuple[str, Change]]:
    """Write down observations with what changed by them, in one transaction. Returns the changes, with their arms."""
    changed = []
    with catalogue.transaction() as db:
        for seen in observations:
            before = _row(db, seen.arm)
            after, change = (
                after_answer(before, seen.at) if seen.silent is None else after_silence(before, seen.at, seen.silent)
            )
            if after is not None and after != before:
                _write(db, seen.arm, after)
            if change is not None:
                changed.append((seen.arm, change))
                changes.note(db, seen.at, "presence", seen.arm, change.body)
    return changed


def presences(catalogue: Store, ledger: Store, arms: Iterable[str]) -> dict[str, Presence]:
    """How the controllers of these arms answer; of those that were never asked, nothing."""
    with catalogue.told():  # before the ledger, so that no change is overlooked on its way there
        rows = {arm: row for arm in arms if (row := _row(catalogue.connection, arm)) is not None}
        query = f"SELECT arm, max(at) FROM changes WHERE {_AFTER_SILENCE} GROUP BY arm"
        coming: dict[str, str] = dict(catalogue.connection.execute(query, (_IN_BODY,)).fetchall())
    with ledger.told():
        return {
            arm: row._replace(doubted_until=time_read(coming.get(arm) or _doubted_until(ledger.connection, arm)))
            for arm, row in rows.items()
        }


def answers(catalogue: Store, ledger: Store, arms: Collection[str]) -> dict[str, tuple[AnswerTime, ...]]:
    """When the controllers of these arms answered and when not; of those that were never asked, nothing."""
    if not arms:
        return {}
    bodies: dict[str, list[Mapping[str, object]]] = {arm: [] for arm in arms}
    query = "SELECT arm, body FROM entries WHERE kind='presence'"
    only = tuple(arms) if len(arms) == 1 else ()
    with ledger.told():
        for arm, body in ledger.connection.execute(f"{query}{' AND arm=?' if only else ''} ORDER BY seq", only):
            if arm in bodies:
                bodies[arm].append(body_read(body))
    with catalogue.told():
        rows = {arm: _row(catalogue.connection, arm) for arm in arms}
    return {arm: answer_times(bodies[arm], rows[arm]) for arm in arms}


_AFTER_SILENCE = "kind='presence' AND body LIKE ?"
_IN_BODY = f'%"after":"{AFTER_SILENCE}"%'


def _doubted_until(ledger: sqlite3.Connection, arm: str) -> str | None:
    query = f"SELECT at FROM entries WHERE {_AFTER_SILENCE} AND arm=? ORDER BY seq DESC LIMIT 1"
    found = ledger.execute(query, (_IN_BODY, arm)).fetchone()
    return None if found is None else found[0]


def _row(db: sqlite3.Connection, arm: str) -> Presence | None:
    row = db.execute("SELECT since, last_at, doubt FROM presence WHERE arm=?", (arm,)).fetchone()
    return None if row is None else Presence(time_read(row[0] or None), time_read(row[1] or None), row[2])


def _write(db: sqlite3.Connection, arm: str, presence: Presence) -> None:
    """Write the row; what never was is an empty text."""
    db.execute(
        "INSERT OR REPLACE INTO presence VALUES(?,?,?,?)",
        (arm, time_text(presence.since) or "", time_text(presence.last_at) or "", presence.doubt),
    )
