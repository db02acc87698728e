"""The outbox: what is to be told, kept until it was told. Nothing is ever dropped from it.

A letter is posted in the transaction of the change that it tells. It is sent by whoever claims it:
a claim is written down before the sending and ends by itself, so of several senders one sends,
and what a sender left behind when it was killed is found. Times far in the future were written by
a clock that has been set back since; they hold nothing up.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta

from guard.record import Record
from guard.store.database import Store
from guard.store.encoding import moment, time_text

SHORTEST_WAIT, LONGEST_WAIT = timedelta(minutes=1), timedelta(hours=1)

CLAIM = timedelta(minutes=5)
"""Longer than any one sending may take; so long a sender that was killed keeps its channel waiting."""

FAR = LONGEST_WAIT + CLAIM
"""Nothing is put off so far, not even by a sender whose clock was read a moment later than ours."""

BEING_SENT = "being sent, or its sender was ended in the middle"
"""The trouble of a letter that is claimed."""

NOT_REACHED = "not reached: "
"""How a trouble begins that is the whole channel's and not the letter's."""

NO_LONGER = "its channel is not configured any more; it goes out when it is configured again"


class Letter(Record):
    """One letter to be sent. ``attempts`` were made before this one, ``trouble`` was the outcome of the last."""

    id: int
    key: str
    channel: str
    message: str
    attempts: int
    trouble: str | None


class Unsent(Record):
    """What waits in one channel: how many letters, since when the oldest, and the last trouble with them."""

    channel: str
    letters: int
    oldest: datetime
    trouble: str | None


def wait_after(attempts: int) -> timedelta:
    """How long to wait after so many attempts: a minute, doubled each time up to an hour, without end."""
    doublings = min(max(attempts - 1, 0), 16)
    return min(SHORTEST_WAIT * (1 << doublings), LONGEST_WAIT)


def post(db: sqlite3.Connection, message: str, key: str, channels: Iterable[str], at: datetime) -> None:
    """Post a message, as JSON, to each of the channels, within a transaction of the ledger's database.

    A key that was posted to a channel before is not posted to it again: one change is told once.
    """
    name = key.encode("utf-8", "backslashreplace").decode("utf-8")
    db.executemany(
        "INSERT OR IGNORE INTO letters(key, channel, message, created_at, next_at) VALUES(?,?,?,?,?)",
        [(name, channel, message, time_text(at), time_text(at)) for channel in channels],
    )


class Letters:
    """The letters of one ledger's database."""

    def __init__(self, store: Store) -> None:
        self.store = store

    def claim(self, channels: Sequence[str], now: datetime) -> Letter | None:
        """The oldest letter that is due in these channels, claimed for this sender.

        None where nothing is due, or while another sender holds a letter of these channels.
        """
        with self.store.transaction() as db:
            held = db.execute(
                f"SELECT 1 FROM letters WHERE {_of(channels)} AND {_HELD} LIMIT 1", _values(channels, now)
            )
            if held.fetchone() is not None:
                return None
            row = db.execute(
                f"SELECT id, key, channel, message, attempts, trouble FROM letters WHERE {_of(channels)} AND {_DUE}"
                " ORDER BY id LIMIT 1",
                _values(channels, now),
            ).fetchone()
            if row is not None:
                db.execute(
                    "UPDATE letters SET attempts=attempts+1, next_at=?, trouble=? WHERE id=?",
                    (time_text(now + CLAIM), BEING_SENT, row[0]),
                )
        return None if row is None else Letter(*row)

    def bring_forward(self, channels: Sequence[str], now: datetime) -> bool:
        """Whether a letter of these channels is due. Those that wait only for the channel are then due too.

        So what was posted first is told first, when a channel comes back.
        """
        values = _values(channels, now) | {"reach": f"{NOT_REACHED}%"}
        with self.store.told():
            query = f"SELECT 1 FROM letters WHERE {_of(channels)} AND {_DUE} LIMIT 1"
            due = self.store.connection.execute(query, values).fetchone() is not None
        if due:
            with self.store.transaction() as db:
                db.execute(
                    f"UPDATE letters SET next_at=:now WHERE {_of(channels)} AND sent_at IS NULL AND trouble LIKE :reach",
                    values,
                )
        return due

    def sent(self, letter: int, at: datetime) -> None:
        """Write down that a letter was sent."""
        with self.store.transaction() as db:
            db.execute("UPDATE letters SET sent_at=?, trouble=NULL WHERE id=?", (time_text(at), letter))

    def failed(self, letter: int, at: datetime, trouble: str, next_at: datetime | None = None) -> None:
        """Write down why a letter was not sent; it is tried again at ``next_at``, else as the attempts made say."""
        with self.store.transaction() as db:
            _defer(db, "id=:id AND sent_at IS NULL", {"id": letter}, at, trouble, next_at)

    def put_off(self, channels: Sequence[str], at: datetime, trouble: str) -> None:
        """Let all that is due in these channels wait, since the channel does not work now."""
        with self.store.transaction() as db:
            values = _values(channels, at)
            due = f"{_of(channels)} AND {_DUE}"
            db.execute(f"UPDATE letters SET attempts=attempts+1 WHERE {due}", values)
            _defer(db, due, values, at, trouble, None)

    def spread(self, letter: Letter, channels: Iterable[str], at: datetime) -> None:
        """Replace a letter by one to each address of its channel."""
        with self.store.transaction() as db:
            db.executemany(
                "INSERT OR IGNORE INTO letters(key, channel, message, created_at, next_at)"
                " SELECT key, ?, message, created_at, ? FROM letters WHERE id=?",
                [(channel, time_text(at), letter.id) for channel in channels],
            )
            db.execute("UPDATE letters SET sent_at=?, trouble=NULL WHERE id=?", (time_text(at), letter.id))

    def channels(self) -> list[str]:
        """The channels in which letters wait."""
        with self.store.told():
            rows = self.store.connection.execute(
                "SELECT DISTINCT channel FROM letters WHERE sent_at IS NULL"
            ).fetchall()
        return sorted(channel for (channel,) in rows)

    def strand(self, channels: Sequence[str]) -> None:
        """Write down that the letters of these channels cannot be sent by the configuration as it is."""
        news = f"{_of(channels)} AND sent_at IS NULL AND trouble IS NOT :why"
        values = _named(channels) | {"why": NO_LONGER}
        with self.store.told():
            there = self.store.connection.execute(f"SELECT 1 FROM letters WHERE {news} LIMIT 1", values).fetchone()
        if there is not None:
            with self.store.transaction() as db:
                db.execute(f"UPDATE letters SET trouble=:why WHERE {news}", values)

    def unsent(self) -> tuple[Unsent, ...]:
        """What waits, by channel, for people to see."""
        query = (
            "SELECT channel, count(*), min(created_at),"
            " (SELECT trouble FROM letters l WHERE l.channel=letters.channel AND sent_at IS NULL AND trouble IS NOT NULL"
            " ORDER BY attempts DESC, id LIMIT 1) FROM letters WHERE sent_at IS NULL GROUP BY channel ORDER BY channel"
        )
        with self.store.told():
            rows = self.store.connection.execute(query).fetchall()
        return tuple(Unsent(channel, count, moment(oldest), trouble) for channel, count, oldest, trouble in rows)


_HELD = "sent_at IS NULL AND trouble=:claimed AND next_at > :now AND next_at <= :far"
_DUE = "sent_at IS NULL AND (next_at <= :now OR next_at > :far)"


def _named(channels: Sequence[str]) -> dict[str, str | None]:
    return {f"channel{n}": channel for n, channel in enumerate(channels)}


def _of(channels: Sequence[str]) -> str:
    return f"channel IN ({', '.join(f':{name}' for name in _named(channels))})"


def _values(channels: Sequence[str], now: datetime) -> dict[str, str | None]:
    return {
        **_named(channels),
        "now": time_text(now),
        "claimed": BEING_SENT,
        "far": time_text(now + FAR),
    }


def _defer(
    db: sqlite3.Connection,
    where: str,
    values: Mapping[str, object],
    at: datetime,
    trouble: str,
    next_at: datetime | None,
) -> None:
    for letter, attempts in db.execute(f"SELECT id, attempts FROM letters WHERE {where}", values).fetchall():
        db.execute(
            "UPDATE letters SET next_at=?, trouble=? WHERE id=?",
            (time_text(next_at or at + wait_after(attempts)), trouble, letter),
        )
