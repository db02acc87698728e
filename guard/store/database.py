"""Opens the databases of the state folder, and words what SQLite has to say."""

from __future__ import annotations

import os
import sqlite3

from guard.errors import GuardError, StateDamaged, StateLocked, StateNewer, StateUnusable
from guard.store.schema import STEPS, migrate

TYPE_CHECKING = False

if TYPE_CHECKING:
    from types import TracebackType

LONG_LOG_BYTES = 400_000
"""A log is read whole by a process that opens the database alone. To read this much takes as long as a rule or two."""

BUSY_SECONDS = 5.0
"""Longer than any one transaction of ours takes, short enough for a person to wait."""


class Store:
    """One database: a connection in which every write is one transaction that survives a kill, and a power cut too.

    What can be learnt again may wait for the disk: it survives a power cut once `keep` was called, or anything
    else was written.
    """

    def __init__(self, path: str, kind: str) -> None:
        """Open the database of that kind, creating it or bringing it up to date where needed.

        Raises StateUnusable, StateLocked, StateNewer or StateDamaged.
        """
        self.path, self.kind = path, kind
        try:
            os.makedirs(os.path.dirname(path), exist_ok=True)
        except OSError as error:
            raise StateUnusable(os.path.dirname(path), error.strerror or str(error), _MAKE_WRITABLE) from error
        with self.told():
            self.connection = sqlite3.connect(path, timeout=BUSY_SECONDS, isolation_level=None, check_same_thread=False)
            self.connection.execute("PRAGMA foreign_keys=ON")
            self.connection.execute("PRAGMA synchronous=FULL")
            self._bring_up_to_date()
        self._file = _file_at(path)

    def stands_elsewhere(self) -> bool:
        """Whether another file stands in its place since it was opened: what is written here nobody reads any more."""
        there = _file_at(self.path)
        return there is not None and there != self._file

    def _bring_up_to_date(self) -> None:
        wanted = STEPS[self.kind]
        applied = self._applied()
        unknown = [name for name in applied if name not in wanted]
        if unknown:
            raise StateNewer(self.path, unknown[0])
        if len(applied) < len(wanted):
            self.connection.execute("PRAGMA journal_mode=WAL")
            migrate(self.connection, self.kind)

    def _applied(self) -> list[str]:
        there = "SELECT 1 FROM sqlite_master WHERE name='_sqlite_migrations'"
        if self.connection.execute(there).fetchone() is None:
            return []
        query = "SELECT name FROM _sqlite_migrations WHERE migration_set=?"
        return [name for (name,) in self.connection.execute(query, (f"guard-{self.kind}",))]

    def told(self) -> _Told:
        """Turn what SQLite says into a refusal that names the file and the remedy."""
        return _Told(self)

    def transaction(self, *, kept: bool = True) -> _Transaction:
        """One transaction: all of it or nothing, whatever happens. Takes the write lock at once.

        It is on the disk afterwards, unless it is not ``kept``: then it is once `keep` was called.
        """
        return _Transaction(self, kept=kept)

    def keep(self) -> None:
        """Force to the disk what any process has written. Raises StateUnusable where the disk fails."""
        try:
            log = os.open(f"{self.path}-wal", os.O_RDWR)
        except FileNotFoundError:
            return  # SQLite has folded it into the database, and forced that to the disk
        except OSError as error:
            raise StateUnusable(self.path, error.strerror or str(error), _MAKE_WRITABLE) from error
        try:
            os.fsync(log)
        except OSError as error:
            raise StateUnusable(self.path, error.strerror or str(error), _LOOK_AFTER_DISK) from error
        finally:
            os.close(log)

    def log_has_grown(self) -> bool:
        """Whether the write-ahead log is so long that whoever opens the database next would feel it."""
        try:
            return os.path.getsize(f"{self.path}-wal") > LONG_LOG_BYTES
        except FileNotFoundError:
            return False

    def close(self) -> None:
        """Close the connection."""
        self.connection.close()


def _file_at(path: str) -> tuple[int, int] | None:
    """By what a file is known again, whatever its name; None where none stands there."""
    try:
        about = os.stat(path)
    except OSError:
        return None
    return about.st_dev, about.st_ino


class _Told:
    # Written out, since loading contextlib would cost every answer as much as a whole rule room.
    def __init__(self, store: Store) -> None:
        self.store = store

    def __enter__(self) -> None:
        return

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if isinstance(error, sqlite3.OperationalError):
            raise _worded(self.store.path, str(error), self.store.kind) from error
        if isinstance(error, (sqlite3.DatabaseError, UnicodeDecodeError)):  # it quotes what it cannot read
            raise StateDamaged(self.store.path, str(error), _REBUILD[self.store.kind]) from error


class _Transaction:
    def __init__(self, store: Store, *, kept: bool) -> None:
        self.store, self.kept = store, kept

    def __enter__(self) -> sqlite3.Connection:
        with self.store.told():
            self.store.connection.execute(f"PRAGMA synchronous={'FULL' if self.kept else 'NORMAL'}")
            self.store.connection.execute("BEGIN IMMEDIATE")
            if self.store.stands_elsewhere():
                self.store.connection.execute("ROLLBACK")
                raise StateUnusable(self.store.path, _REPLACED, _AGAIN)
        return self.store.connection

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        with self.store.told():
            if error is None:
                self.store.connection.execute("COMMIT")
            else:
                self.store.connection.execute("ROLLBACK")
                raise error


_MAKE_WRITABLE = (
    "Make it writable for this user, such as by the group of the account that the monitor runs as. Another folder"
    " as plant.state would begin without marks, swaps and sign-offs."
)
_REPLACED = "another file was put in its place while it was in use, and nothing was written to the one before"
_AGAIN = "Run the command again; a monitor that runs takes up the new one by itself."
_LOOK_AFTER_DISK = "Look after its disk; what was written before is kept."
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
        return StateUnusable(path, reason, _LOOK_AFTER_DISK)
    if "malformed" in reason or "no such" in reason:
        return StateDamaged(path, reason, _REBUILD[kind])
    return StateUnusable(path, reason, f"Look after the file {os.path.basename(path)}.")
