"""Opens the databases of the state folder, and words what SQLite has to say."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager

from guard.errors import GuardError, StateDamaged, StateLocked, StateNewer, StateUnusable
from guard.store.schema import STEPS, migrate

BUSY_SECONDS = 5.0
"""Longer than any one transaction of ours takes, short enough for a person to wait."""


class Store:
    """One database: a connection in which every write is one transaction that survives a power cut."""

    def __init__(self, path: str, kind: str) -> None:
        """Open the database of that kind, creating it or bringing it up to date where needed.

        Raises StateUnusable, StateLocked, StateNewer or StateDamaged.
        """
        self.path = path
        self._kind = kind
        try:
            os.makedirs(os.path.dirname(path), exist_ok=True)
        except OSError as error:
            raise StateUnusable(os.path.dirname(path), error.strerror or str(error), _MAKE_WRITABLE) from error
        with self.told():
            self.connection = sqlite3.connect(path, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False)
            self.connection.execute("PRAGMA foreign_keys=ON")
            self.connection.execute("PRAGMA synchronous=FULL")
            self._bring_up_to_date()

    def _bring_up_to_date(self) -> None:
        wanted = STEPS[self._kind]
        applied = self._applied()
        unknown = [name for name in applied if name not in wanted]
        if unknown:
            raise StateNewer(self.path, unknown[0])
        if len(applied) < len(wanted):
            self.connection.execute("PRAGMA journal_mode=WAL")
            migrate(self.connection, self._kind)

    def _applied(self) -> list[str]:
        there = "SELECT 1 FROM sqlite_master WHERE name='_sqlite_migrations'"
        if self.connection.execute(there).fetchone() is None:
            return []
        query = "SELECT name FROM _sqlite_migrations WHERE migration_set=?"
        return [name for (name,) in self.connection.execute(query, (f"guard-{self._kind}",))]

    @contextmanager
    def told(self) -> Iterator[None]:
        """Turn what SQLite says into a refusal that names the file and the remedy."""
        try:
            yield
        except sqlite3.OperationalError as error:
            raise _worded(self.path, str(error), self._kind) from error
        except sqlite3.DatabaseError as error:
            raise StateDamaged(self.path, str(error), _REBUILD[self._kind]) from error

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """One transaction: all of it or nothing, whatever happens. Takes the write lock at once."""
        with self.told():
            self.connection.execute("BEGIN IMMEDIATE")
            try:
                yield self.connection
            except BaseException:
                self.connection.execute("ROLLBACK")
                raise
            self.connection.execute("COMMIT")

    def close(self) -> None:
        """Close the connection."""
        self.connection.close()


_MAKE_WRITABLE = (
    "Make it writable for this user, such as by the group of the account that the monitor runs as. Another folder"
    " as plant.state would begin without marks, swaps and sign-offs."
)
_REBUILD = {
    "catalogue": "`guard look --rebuild` moves it aside and builds it again from the share; marks and the"
    " ledger stand in a file of their own and stay.",
    "ledger": "It holds marks and the record of decisions, which nothing can rebuild: restore it from a"
    " backup of the state folder, or move it aside by hand to begin a new one.",
}


def _worded(path: str, reason: str, kind: str) -> GuardError:
    if "locked" in reason or "busy" in reason:
        return StateLocked(path)
    if "readonly" in reason or "unable to open" in reason:
        return StateUnusable(path, reason, _MAKE_WRITABLE)
    if "full" in reason:
        return StateUnusable(path, reason, "Make room on its disk; nothing was changed.")
    if "disk I/O" in reason:
        return StateUnusable(path, reason, "Look after its disk; what was written before is kept.")
    if "malformed" in reason or "no such" in reason:
        return StateDamaged(path, reason, _REBUILD[kind])
    return StateUnusable(path, reason, f"Look after the file {os.path.basename(path)}.")
