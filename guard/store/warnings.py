"""Blocking warnings in the ledger's database: a change of one is its row, its entry and the letters about it, or nothing."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from datetime import datetime

from guard.plan.warnings import Change, Raised
from guard.record import Record
from guard.store.encoding import canonical, list_read, moment, time_text
from guard.store.ledger import Ledger, append
from guard.store.letters import post

KIND = "warning"

_COLUMNS = "id, event, arm, level, headline, codes, raised_at, told_at"


class Telling(Record):
    """What is told of changes made together: the key of the letter, the message as JSON, and its channels."""

    key: str
    message: str
    channels: tuple[str, ...]


class _Overtaken(Exception):
    """Somebody else changed a warning since it was judged."""


def raised(ledger: Ledger) -> tuple[Raised, ...]:
    """The warnings that are raised now, in the order in which they were raised."""
    with ledger.store.told():
        rows = ledger.store.connection.execute(
            f"SELECT {_COLUMNS} FROM warnings WHERE lifted_at IS NULL ORDER BY id"
        ).fetchall()
    return tuple(map(_raised, rows))


def _raised(row: Sequence[object]) -> Raised:
    number, event, arm, level, headline, codes, raised_at, told_at = row
    return Raised(
        id=int(str(number)),
        event=str(event),
        arm=str(arm),
        level="unknown" if level == "unknown" else "hold",
        headline=str(headline),
        codes=tuple(map(str, list_read(str(codes), "a list of findings"))),
        raised_at=moment(str(raised_at)),
        told_at=moment(str(told_at)),
    )


def apply(ledger: Ledger, changes: Sequence[Change], telling: Telling, at: datetime) -> bool:
    """Carry out changes that are told by one letter, in one transaction.

    Returns False, and nothing is changed, where somebody else changed one of the warnings since
    they were judged; they are judged anew the next time.
    """
    try:
        with ledger.store.transaction() as db:
            for change in changes:
                _make(db, change, at)
            post(db, telling.message, telling.key, telling.channels, at)
    except _Overtaken:
        return False
    return True


def _make(db: sqlite3.Connection, change: Change, at: datetime) -> None:
    number = _row_raised(db, change, at) if change.was is None else _row_changed(db, change, change.was, at)
    body = {
        "verb": change.verb,
        "warning": number,
        "event": change.event,
        "level": change.level,
        "codes": list(change.codes),
        "headline": change.headline,
        "lifted_by": change.lifted_by or None,
    }
    append(db, time_text(at) or "", KIND, change.arm, canonical(body), None)


def _row_raised(db: sqlite3.Connection, change: Change, at: datetime) -> int | None:
    there = "SELECT 1 FROM warnings WHERE event=? AND arm=? AND lifted_at IS NULL"
    if db.execute(there, (change.event, change.arm)).fetchone() is not None:
        raise _Overtaken
    now, codes = time_text(at), canonical(list(change.codes))
    return db.execute(
        "INSERT INTO warnings(event, arm, level, headline, codes, raised_at, told_at) VALUES(?,?,?,?,?,?,?)",
        (change.event, change.arm, change.level, change.headline, codes, now, now),
    ).lastrowid


def _row_changed(db: sqlite3.Connection, change: Change, was: Raised, at: datetime) -> int:
    now = time_text(at)
    lifted_at = now if change.verb == "lifted" else None
    done = db.execute(
        "UPDATE warnings SET level=?, headline=?, codes=?, told_at=?, lifted_at=?, lifted_by=?"
        " WHERE id=? AND told_at=? AND lifted_at IS NULL",
        (
            *(change.level, change.headline, canonical(list(change.codes)), now),
            *(lifted_at, change.lifted_by or None, was.id, time_text(was.told_at)),
        ),
    )
    if not done.rowcount:
        raise _Overtaken
    return was.id
