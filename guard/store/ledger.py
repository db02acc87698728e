"""The ledger: append-only, each entry chained to the one before by SHA-256 over canonical JSON.

An entry's hash covers its number, time, kind, arm, body and the hash before it, so an entry
that is altered, removed or put elsewhere breaks the chain at the first place where that shows.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Iterator
from datetime import date, datetime

from guard.digest import text_digest
from guard.errors import ValueUnreadable
from guard.model import Mark
from guard.record import Record
from guard.store.database import Store
from guard.store.encoding import body_read, canonical, moment, time_text

FIRST = "0" * 64
"""What stands for the hash before the first entry."""

LARGEST = 2**63 - 1
"""Of the numbers that SQLite has."""

Body = dict[str, object]


class Entry(Record):
    """One entry, as it is written."""

    seq: int
    at: str
    kind: str
    arm: str
    body: str
    prev: str
    hash: str

    def expected_hash(self) -> str:
        """The hash that the entry's own fields give: of their list as canonical JSON, in which the body stands as it is."""
        before = canonical([self.seq, self.at, self.kind, self.arm])
        return text_digest(f"{before[:-1]},{self.body},{canonical(self.prev)}]")


class Check(Record):
    """What a check of the whole chain found; ``first_bad`` is the number of the first entry that is wrong."""

    entries: int
    first_bad: int | None
    why: str | None


class Pending(Record):
    """A change on its way into the ledger; ``source`` tells whether it is there already."""

    source: str
    at: str
    kind: str
    arm: str
    body: str


class Ledger:
    """The ledger of one state folder."""

    def __init__(self, path: str) -> None:
        """Open the ledger, creating it where there is none. Raises the refusals of Store."""
        self.store = Store(path, "ledger")

    def append(self, at: datetime, kind: str, arm: str, body: Body) -> int:
        """Append one entry; it is on the disk when this returns. Returns its number."""
        with self.store.transaction() as db:
            return append(db, time_text(at) or "", kind, arm, canonical(body), None)

    def take_over(self, changes: Iterable[Pending]) -> None:
        """Append changes that are not in the ledger yet; all of them or none."""
        with self.store.transaction() as db:
            for change in changes:
                there = db.execute("SELECT 1 FROM entries WHERE source=?", (change.source,)).fetchone()
                if there is None:
                    append(db, change.at, change.kind, change.arm, change.body, change.source)

    def marks(self, arm: str | None = None) -> tuple[Mark, ...]:
        """The marks of one arm, or of all, in the order in which they were recorded; of corrected ones what stands now."""
        with self.store.told():
            return tuple(_standing(_mark_rows(self.store.connection, arm)).values())

    def correct(self, at: datetime, number: int, body: Body) -> int:
        """Append a mark that stands in the place of an earlier one, which stays as it was written.

        Returns its number. Raises NotCorrectable where that entry is no mark, or no longer the one that stands.
        """
        with self.store.transaction() as db:
            arm = self._marked_arm(db, number)
            return append(db, time_text(at) or "", "mark", arm, canonical({**body, "corrects": number}), None)

    def mark(self, number: int) -> Mark:
        """The mark of that entry, as it stands. Raises NotCorrectable where there is none."""
        with self.store.told():
            db = self.store.connection
            return _standing(_mark_rows(db, self._marked_arm(db, number)))[number]

    def _marked_arm(self, db: sqlite3.Connection, number: int) -> str:
        from guard.rules.refusals import NotCorrectable

        found = db.execute("SELECT arm FROM entries WHERE seq=? AND kind='mark'", (number,)).fetchone()
        if found is None:
            raise NotCorrectable(number, None)
        rows = list(_mark_rows(db, found[0]))
        if number not in _standing(rows):
            later = (seq for seq, _, text in rows if body_read(text).get("corrects") == number)
            raise NotCorrectable(number, next(later, None))
        return str(found[0])

    def bodies(self, kind: str, arm: str | None = None) -> Iterator[tuple[str, str, Body]]:
        """Time, arm and body of every entry of a kind, of one arm or all, oldest first."""
        query = "SELECT at, arm, body FROM entries WHERE kind=?"
        with self.store.told():
            rows = self.store.connection.execute(
                query + (" AND arm=? ORDER BY seq" if arm else " ORDER BY seq"), (kind, arm) if arm else (kind,)
            )
            for at, name, body in rows:
                yield at, name, body_read(body)

    def numbered(self, kind: str, arm: str) -> Iterator[tuple[int, Body]]:
        """Number and body of every entry of a kind about one arm, oldest first."""
        with self.store.told():
            rows = self.store.connection.execute(
                "SELECT seq, body FROM entries WHERE kind=? AND arm=? ORDER BY seq", (kind, arm)
            )
            for number, body in rows:
                yield number, body_read(body)

    def entries(self, last: int | None = None) -> list[Entry]:
        """All entries, or the last few, oldest first."""
        with self.store.told():
            rows = self.store.connection.execute(
                f"SELECT {_COLUMNS} FROM entries ORDER BY seq DESC LIMIT ?", (-1 if last is None else last,)
            ).fetchall()
        torn = next((row for row in rows if None in row), None)
        if torn is not None:
            raise ValueUnreadable(torn, "an entry of the ledger")
        return [Entry(*row) for row in reversed(rows)]

    def last_fact(self, since: int = 0) -> int:
        """The number of the newest entry from ``since`` on that is a fact and no answer; ``since`` where there is none."""
        query = "SELECT max(seq) FROM entries WHERE seq>=? AND +kind NOT IN ('verdict', 'warning', 'report')"
        with self.store.told():
            return int(self.store.connection.execute(query, (since,)).fetchone()[0] or since)

    def check(self) -> Check:
        """Walk the whole chain. Entries cut off at the end show in SQLite's own count of numbers given.

        That is read first, so that an entry that is made meanwhile is no missing one.
        """
        count, prev, expected = 0, FIRST, 1
        with self.store.told():
            given = self.store.connection.execute(
                "SELECT CAST(seq AS INTEGER) FROM sqlite_sequence WHERE name='entries'"
            ).fetchone()
            for row in self.store.connection.execute(f"SELECT {_COLUMNS} FROM entries ORDER BY seq"):
                entry = Entry(*row)
                why = _fault(entry, expected, prev)
                if why is not None:
                    return Check(self._count(), min(expected, entry.seq or expected), why)
                count, prev, expected = count + 1, entry.hash, entry.seq + 1
        if given is not None and given[0] is None:
            return Check(count, expected, "how many there were is not known, so entries at the end may be missing")
        if given is not None and given[0] >= expected:
            return Check(count, expected, "entries at the end are missing")
        return Check(count, None, None)

    def _count(self) -> int:
        return int(self.store.connection.execute("SELECT count(*) FROM entries").fetchone()[0])

    def close(self) -> None:
        """Close the ledger's database."""
        self.store.close()


_COLUMNS = "seq, at, kind, arm, body, prev, hash"


def append(db: sqlite3.Connection, at: str, kind: str, arm: str, body: str, source: str | None) -> int:
    """Append one entry within a transaction of the ledger's database. Returns its number."""
    last = db.execute("SELECT seq, hash FROM entries ORDER BY seq DESC LIMIT 1").fetchone()
    given = db.execute("SELECT CAST(seq AS INTEGER) FROM sqlite_sequence WHERE name='entries'").fetchone()
    seq = (given[0] or 0 if given else 0) + 1
    if seq > LARGEST:
        raise ValueUnreadable(given[0], "the number of the newest entry")
    entry = Entry(seq, at, kind, arm, body, last[1] if last else FIRST, "")
    db.execute(
        "INSERT INTO entries(seq, at, kind, arm, body, source, prev, hash) VALUES(?,?,?,?,?,?,?,?)",
        (seq, at, kind, arm, body, source, entry.prev, entry.expected_hash()),
    )
    return int(seq)


def _fault(entry: Entry, expected: int, prev: str) -> str | None:
    if entry.seq != expected:
        return f"entry {expected} is missing"
    if entry.prev != prev:
        return "it does not follow from the entry before it"
    return None if entry.hash == entry.expected_hash() else "it was altered"


def _mark_rows(db: sqlite3.Connection, arm: str | None) -> Iterator[tuple[int, str, str]]:
    query = "SELECT seq, arm, body FROM entries WHERE kind='mark'"
    yield from db.execute(query + (" AND arm=? ORDER BY seq" if arm else " ORDER BY seq"), (arm,) if arm else ())


def _standing(rows: Iterable[tuple[int, str, str]]) -> dict[int, Mark]:
    """The marks that stand, by their numbers. A correction takes the place of what it corrects, or takes it away."""
    found: dict[int, Mark] = {}
    for seq, arm, text in rows:
        body = body_read(text)
        found.pop(body.get("corrects", 0), None)
        if not body.get("withdrawn"):
            found[seq] = _mark(arm, body)
    return found


def mark_body(mark: Mark) -> Body:
    """What the entry of a mark says."""
    body: Body = {"kind": mark.kind, "at": mark.at.isoformat(), "by": mark.by, "note": mark.note}
    if mark.fingerprint is not None:
        body["fingerprint"] = mark.fingerprint
    if mark.cell:
        body["cell"] = mark.cell
    if mark.installed is not None:
        body |= {"installed": mark.installed.isoformat(), "date_code": mark.date_code}
    return body


def _mark(arm: str, body: Body) -> Mark:
    fingerprint, installed, date_code = (body.get(key) for key in ("fingerprint", "installed", "date_code"))
    return Mark(
        kind=str(body["kind"]),
        arm=arm,
        at=moment(str(body["at"])),
        by=str(body.get("by", "")),
        note=str(body.get("note", "")),
        fingerprint=None if fingerprint is None else str(fingerprint),
        cell=str(body.get("cell") or ""),
        installed=None if installed is None else date.fromisoformat(str(installed)),
        date_code=None if date_code is None else str(date_code),
    )
