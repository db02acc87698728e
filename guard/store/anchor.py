"""Each database remembers how far the other had come: neither is taken for whole once it is older than that.

An older copy of the ledger, or a new one in its place, is a whole chain of its own, so its own
check finds nothing wrong with it; yet the marks, sign-offs and swap windows of the lost entries
would be missing in every answer. An older copy of the catalogue has forgotten damage that was found
since, and would give its next changes numbers that the ledger has entries for already. A new catalogue
in its place has forgotten all that was ever found.
"""

from __future__ import annotations

import re

from guard.errors import StateDamaged, ValueUnreadable
from guard.record import Record
from guard.store.catalogue import FILLED
from guard.store.database import Store

REMEDY = (
    "Marks, sign-offs, events and swap windows may be lost with it: restore the newest backup of the state folder."
    " Where there is none, `guard look --rebuild` takes this ledger as it is; `guard ledger show --last 0` tells what"
    " is in it, and what is missing must be recorded again."
)


OVERTAKEN = (
    "What was found since it was copied, damage too, is missing in it: `guard look --rebuild` moves it aside and"
    " builds it again from the ledger and the share."
)
NEW = "it was begun anew, while the ledger tells of sets that it knows nothing of"
REFILL = (
    "Damage that was found, and since when each set is there, is missing in it: restore the newest backup of the state"
    " folder, or `guard look --rebuild` builds it again from the ledger and the share."
)

MOST_PENDING = 50
"""So many of the oldest changes on their way are looked at; those of an older copy that goes on are among them."""


def refuse_overtaken(catalogue: Store, ledger: Store) -> None:
    """Take as proof that a catalogue is as new as the ledger that the ledger knows no change that it did not make.

    Raises StateDamaged where it does: then the catalogue is an older copy.
    """
    made = _made(catalogue)
    while (number := _unmade(made, ledger)) is not None:
        before, made = made, _made(catalogue)
        if made == before:  # else a change was made and told meanwhile
            reason = f"it is older than the ledger, which tells its change {number}"
            raise StateDamaged(catalogue.path, reason, OVERTAKEN)


def refuse_new(catalogue: Store, ledger: Store) -> None:
    """Take as proof that a catalogue knows what was found that the ledger has its changes, or that it was filled from it.

    Raises StateDamaged where the ledger tells only changes of others: then it was begun anew after its
    predecessor was lost, or while that was being built again.
    """
    with catalogue.told():
        about = dict(catalogue.connection.execute("SELECT key, value FROM about").fetchall())
    if FILLED in about:
        return
    with ledger.told():
        db = ledger.connection
        if db.execute(_CHANGES_OF, {"name": about["id"]}).fetchone() is not None:
            return
        told = db.execute("SELECT 1 FROM entries WHERE kind IN ('share', 'set') LIMIT 1").fetchone()
    if told is not None:
        raise StateDamaged(catalogue.path, NEW, REFILL)


_CHANGES_OF = "SELECT 1 FROM entries WHERE source > :name || ':' AND source < :name || ';' LIMIT 1"
"""Sources are the catalogue's name, a colon and a number; the semicolon is the next character."""


class _Made(Record):
    """The catalogue's name, the number of its last change, and source and time of those that the ledger may lack."""

    name: str
    last: int
    pending: tuple[tuple[str, str], ...]


def _made(catalogue: Store) -> _Made:
    with catalogue.told():
        db = catalogue.connection
        named = db.execute("SELECT value FROM about WHERE key='id'").fetchone()
        last = db.execute("SELECT CAST(seq AS INTEGER) FROM sqlite_sequence WHERE name='changes'").fetchone()
        if named is None:
            raise ValueUnreadable(None, "the catalogue's name")
        (name,) = named
        pending = db.execute("SELECT ? || ':' || id, at FROM changes ORDER BY id LIMIT ?", (name, MOST_PENDING))
        return _Made(name, last[0] or 0 if last else 0, tuple(pending.fetchall()))


def _unmade(made: _Made, ledger: Store) -> str | None:
    """The number of a change that the ledger tells and the catalogue did not make, or made otherwise."""
    with ledger.told():
        for source, at in ((f"{made.name}:{made.last + 1}", None), *made.pending):
            told = ledger.connection.execute("SELECT at FROM entries WHERE source=?", (source,)).fetchone()
            if told is not None and told[0] != at:
                return source.rpartition(":")[2]
    return None


def refuse_shortened(catalogue: Store, ledger: Store) -> None:
    """Take as proof that a ledger is whole that it has the last entry that was remembered; else raise StateDamaged.

    Where nothing was remembered yet, as after a rebuild, nothing is known to be missing.
    """
    number = _lost(catalogue, ledger)
    if number is not None:
        raise StateDamaged(ledger.path, f"it lacks entry {number} that was there before", REMEDY)


def remember(catalogue: Store, ledger: Store) -> None:
    """Remember the ledger's last entry, which is on the disk already. A ledger that lost entries is not remembered."""
    with catalogue.transaction() as db:
        if _lost(catalogue, ledger) is not None:
            return
        with ledger.told():
            last = ledger.connection.execute(
                "SELECT seq || ' ' || hash FROM entries ORDER BY seq DESC LIMIT 1"
            ).fetchone()
        if last is not None:
            db.execute("INSERT OR REPLACE INTO about VALUES('ledger', ?)", last)


def _lost(catalogue: Store, ledger: Store) -> int | None:
    """The number of the remembered entry where the ledger lacks it."""
    with catalogue.told():
        remembered = catalogue.connection.execute("SELECT value FROM about WHERE key='ledger'").fetchone()
    if remembered is None:
        return None
    told = re.fullmatch("([0-9]{1,18}) (.+)", remembered[0])
    if told is None:
        raise ValueUnreadable(remembered[0], "the number and the hash of a ledger's entry")
    number = int(told[1])
    with ledger.told():
        there = ledger.connection.execute("SELECT 1 FROM entries WHERE seq=? AND hash=?", (number, told[2])).fetchone()
    return number if there is None else None
