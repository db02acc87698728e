"""The catalogue remembers how far the ledger had come: a ledger that lost entries is not taken for a whole one.

An older copy of the ledger, or a new one in its place, is a whole chain of its own, so its own
check finds nothing wrong with it; yet the marks, sign-offs and swap windows of the lost entries
would be missing in every answer.
"""

from __future__ import annotations

from guard.errors import StateDamaged
from guard.store.database import Store

REMEDY = (
    "Marks, sign-offs, events and swap windows may be lost with it: restore the newest backup of the state folder."
    " Where there is none, `guard look --rebuild` takes this ledger as it is; `guard ledger show --last 0` tells what"
    " is in it, and what is missing must be recorded again."
)


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
    number, digest = remembered[0].split(" ")
    with ledger.told():
        there = ledger.connection.execute(
            "SELECT 1 FROM entries WHERE seq=? AND hash=?", (int(number), digest)
        ).fetchone()
    return int(number) if there is None else None
