"""What happened lately, for people who were not there: read from the ledger and the catalogue."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from datetime import datetime

from guard.model import LEVELS, Level
from guard.record import Record
from guard.store.database import Store
from guard.store.encoding import body_read, canonical, moment, time_read, time_text
from guard.store.ledger import Body, Ledger, append
from guard.store.letters import post

REPORT = "report"

_PROVEN, _WAS_DAMAGED = '"state":"read-back"', '"was_damaged":'
"""As they stand in the canonical JSON of a body; in a name within it the quotes would be escaped."""


class Happening(Record):
    """One entry of the ledger, as a fact to tell."""

    at: datetime
    kind: str
    arm: str
    body: Body


class Told(Record):
    """What the last report said: when it was made, and the level of each arm then."""

    at: datetime
    levels: dict[str, Level]


class Bulk(Record):
    """How many sets, and how large they are together."""

    sets: int
    bytes: int


class Due(Record):
    """What waits to be read back, and since when the oldest proof of it stands; None where one never was read."""

    sets: int
    bytes: int
    oldest: datetime | None


class Growth(Record):
    """Bytes of the sets on the share that came and went in a span, and when the first set ever was seen."""

    arrived: int
    gone: int
    begun: datetime | None


class Elsewhere(Record):
    """What hinders a further copy of the share."""

    path: str
    unreadable: str | None
    vanished: int


def happenings(ledger: Ledger, since: datetime, until: datetime, without: Sequence[str]) -> list[Happening]:
    """What was recorded after ``since`` and up to ``until``, in the order of recording; some kinds left out.

    Read-backs that found all as it was are left out too: there are thousands, and `read_back` counts them.
    """
    query = (
        f"SELECT at, kind, arm, body FROM entries WHERE at>? AND at<=? AND kind NOT IN ({', '.join('?' * len(without))})"
        " ORDER BY seq"
    )
    values = (time_text(since), time_text(until), *without)
    with ledger.store.told():
        return [
            Happening(moment(at), kind, arm, body_read(body))
            for at, kind, arm, body in ledger.store.connection.execute(query, values)
            if kind != "set" or _PROVEN not in body or _WAS_DAMAGED in body
        ]


def newest_entry(ledger: Ledger) -> datetime | None:
    """The latest time that any entry bears."""
    with ledger.store.told():
        (at,) = ledger.store.connection.execute("SELECT max(at) FROM entries").fetchone()
    return moment(at) if at else None


def note_report(
    ledger: Ledger, at: datetime, day: str, levels: dict[str, Level], message: str | None, channels: Iterable[str]
) -> None:
    """Record that a day's report was made and what it said of each arm, and post what tells of it; all or nothing."""
    arms = {level: [arm for arm, its in levels.items() if its == level] for level in LEVELS}
    with ledger.store.transaction() as db:
        append(db, time_text(at) or "", REPORT, "", canonical({"day": day, "arms": arms}), None)
        if message is not None:
            post(db, message, f"{REPORT} {day}", channels, at)


def report_before(ledger: Ledger, day: str, now: datetime) -> Told | None:
    """What the first report of the last day before this one said, of those made up to now.

    The first, so that a report made by hand in the middle of a day hides nothing from the next morning.
    """
    query = "SELECT at, body FROM entries WHERE kind=? AND at<=? ORDER BY seq DESC"
    before: tuple[str, Told] | None = None
    with ledger.store.told():
        for at, text in ledger.store.connection.execute(query, (REPORT, time_text(now))):
            body = body_read(text)
            if before is not None and body["day"] != before[0]:
                break
            if body["day"] < day:
                levels = {arm: level for level in LEVELS for arm in body["arms"].get(level, ())}
                before = body["day"], Told(moment(at), levels)
    return before and before[1]


def read_back(catalogue: Store, since: datetime, until: datetime) -> Bulk:
    """The sets on the share whose last read-back lies in this span."""
    query = "SELECT count(*), coalesce(sum(bytes), 0) FROM sets WHERE place=0 AND last_read_at>? AND last_read_at<=?"
    with catalogue.told():
        return Bulk(*catalogue.connection.execute(query, (time_text(since), time_text(until))).fetchone())


def due_for_read_back(catalogue: Store, arms: Collection[str], before: datetime) -> Due:
    """What of these arms was never read back, or not since ``before``."""
    query = (
        "SELECT arm, count(*), sum(bytes), min(coalesce(last_read_at, '')) FROM sets WHERE place=0 AND gone_at IS NULL"
        " AND complete=1 AND damaged_at IS NULL AND (last_read_at IS NULL OR last_read_at<?) GROUP BY arm"
    )
    with catalogue.told():
        rows = [row for row in catalogue.connection.execute(query, (time_text(before),)) if row[0] in arms]
    oldest = min((row[3] for row in rows), default="")
    return Due(sum(row[1] for row in rows), sum(row[2] for row in rows), time_read(oldest or None))


def growth(catalogue: Store, since: datetime) -> Growth:
    """What came to the share and what went since then.

    A set whose name says that it was saved before has only been seen late, as in the first look
    at an old share; it made nothing grow.
    """
    arrived = (
        "SELECT coalesce(sum(bytes), 0) FROM sets WHERE place=0 AND first_seen>=?1"
        " AND (stamp IS NULL OR stamp>=?1 OR stamp>first_seen)"
    )
    gone = "SELECT coalesce(sum(bytes), 0) FROM sets WHERE place=0 AND gone_at>=?1"
    with catalogue.told():
        db, when = catalogue.connection, (time_text(since),)
        (begun,) = db.execute("SELECT min(first_seen) FROM sets WHERE place=0").fetchone()
        return Growth(db.execute(arrived, when).fetchone()[0], db.execute(gone, when).fetchone()[0], time_read(begun))


def taken_over(catalogue: Store) -> list[tuple[str, str]]:
    """Arms and those of which sets that they have now were taken in before, as where an arm was given another id."""
    query = (
        "SELECT DISTINCT new.arm, old.arm FROM sets new JOIN sets old ON old.fingerprint=new.fingerprint"
        " WHERE new.place=0 AND new.gone_at IS NULL AND old.place=0 AND old.arm<>new.arm ORDER BY new.arm, old.arm"
    )
    with catalogue.told():
        return [(str(new), str(old)) for new, old in catalogue.connection.execute(query)]


def copies_in_trouble(catalogue: Store) -> list[Elsewhere]:
    """The further copies of the share that could not be read, or of which nearly all vanished, when last looked at."""
    query = "SELECT path, unreadable, vanished FROM places WHERE number>0 AND (unreadable IS NOT NULL OR vanished>0)"
    with catalogue.told():
        return [Elsewhere(*row) for row in catalogue.connection.execute(f"{query} ORDER BY number")]
