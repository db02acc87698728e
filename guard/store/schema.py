"""The tables of the two databases, as migrations applied through sqlite-utils.

A database that is up to date is opened without sqlite-utils, whose import costs more than
a whole answer: `STEPS` names what must have been applied.
"""

from __future__ import annotations

import sqlite3

STEPS = {
    "catalogue": ("c001_places_sets_parts", "c002_service", "c003_essence", "c004_damaged"),
    "ledger": ("l001_entries", "l002_warnings_letters_clocks"),
}

_CATALOGUE_TABLES = (
    """CREATE TABLE about(key TEXT PRIMARY KEY, value TEXT NOT NULL) STRICT""",
    """CREATE TABLE places(
        number INTEGER PRIMARY KEY,      -- 0 the share, 1… its further copies
        path TEXT NOT NULL,
        identity TEXT,                   -- of the marker, as first seen
        seen_at TEXT,
        unreadable TEXT,
        vanished INTEGER NOT NULL DEFAULT 0
    ) STRICT""",
    """CREATE TABLE sets(
        id INTEGER PRIMARY KEY,
        place INTEGER NOT NULL,
        arm TEXT NOT NULL,
        path BLOB NOT NULL,              -- the bytes of the name; not every name is text
        form TEXT NOT NULL,
        first_seen TEXT NOT NULL,
        stamp TEXT,
        newest_member TEXT,
        signature TEXT,                  -- of an arriving set: names, sizes, times
        quiet_since TEXT,                -- since when the signature is the same
        trouble TEXT,                    -- why it could not be read
        sealed_at TEXT,
        recipe TEXT,                     -- digest of the recipe it was judged by
        shape TEXT,                      -- folders and times at sealing
        fingerprint TEXT,
        files INTEGER NOT NULL DEFAULT 0,
        bytes INTEGER NOT NULL DEFAULT 0,
        complete INTEGER,
        problems TEXT NOT NULL DEFAULT '[]',
        identity TEXT,
        last_read_at TEXT,
        damaged_at TEXT,
        damage TEXT,
        gone_at TEXT
    ) STRICT""",
    """CREATE UNIQUE INDEX sets_present ON sets(place, path) WHERE gone_at IS NULL""",
    """CREATE INDEX sets_of_arm ON sets(arm, place)""",
    """CREATE INDEX sets_by_fingerprint ON sets(fingerprint)""",
    """CREATE TABLE parts(
        set_id INTEGER NOT NULL REFERENCES sets(id),
        name TEXT NOT NULL,
        arm TEXT NOT NULL,
        files INTEGER NOT NULL,
        bytes INTEGER NOT NULL,
        ok INTEGER NOT NULL,
        digest TEXT NOT NULL,
        newest TEXT,
        PRIMARY KEY(set_id, name)
    ) STRICT, WITHOUT ROWID""",
    """CREATE INDEX parts_by_digest ON parts(digest, arm)""",
    """CREATE TABLE manifests(
        set_id INTEGER PRIMARY KEY REFERENCES sets(id),
        names BLOB NOT NULL,             -- paths in byte order, each ended by NUL
        stats BLOB NOT NULL,             -- size and mtime_ns, two little-endian int64 a file
        sha256 BLOB NOT NULL,            -- 32 bytes a file
        blake3 BLOB NOT NULL             -- 32 bytes a file
    ) STRICT""",
    """CREATE TABLE changes(              -- on their way to the ledger
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        at TEXT NOT NULL,
        kind TEXT NOT NULL,
        arm TEXT NOT NULL,
        body TEXT NOT NULL
    ) STRICT""",
    """INSERT INTO about VALUES('id', lower(hex(randomblob(16))))""",
)

_LEDGER_TABLES = (
    """CREATE TABLE entries(
        seq INTEGER PRIMARY KEY AUTOINCREMENT,
        at TEXT NOT NULL,
        kind TEXT NOT NULL,
        arm TEXT NOT NULL,
        body TEXT NOT NULL,              -- canonical JSON
        source TEXT UNIQUE,              -- the change that it records, so that none is recorded twice
        prev TEXT NOT NULL,
        hash TEXT NOT NULL
    ) STRICT""",
    """CREATE INDEX entries_by_kind ON entries(kind, arm)""",
)


_SERVICE_TABLES = (
    """CREATE TABLE runs(                 -- which job was done for which slot, so that none is done twice
        job TEXT NOT NULL,
        slot TEXT NOT NULL,
        at TEXT NOT NULL,
        PRIMARY KEY(job, slot)
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE heartbeats(           -- when each part of the monitor last showed life
        part TEXT PRIMARY KEY,
        at TEXT NOT NULL,
        detail TEXT NOT NULL DEFAULT ''
    ) STRICT, WITHOUT ROWID""",
    """CREATE TABLE presence(             -- when each controller last answered
        arm TEXT PRIMARY KEY,
        since TEXT NOT NULL,             -- from when on it answered every time
        last_at TEXT NOT NULL,
        doubt TEXT                       -- why it is not known since then; no proof of power off
    ) STRICT, WITHOUT ROWID""",
)

_ESSENCE = (
    """ALTER TABLE sets ADD COLUMN essence TEXT""",  # the fingerprint without what file browsers left, where it differs
)

_WARNING_TABLES = (
    """CREATE TABLE warnings(             -- blocking warnings, those that were lifted included
        id INTEGER PRIMARY KEY,
        event TEXT NOT NULL,             -- the planned event's id, or what else it is about
        arm TEXT NOT NULL,
        level TEXT NOT NULL,
        headline TEXT NOT NULL,
        codes TEXT NOT NULL,             -- JSON list of finding codes
        raised_at TEXT NOT NULL,
        told_at TEXT NOT NULL,
        lifted_at TEXT,
        lifted_by TEXT
    ) STRICT""",
    """CREATE UNIQUE INDEX warnings_raised ON warnings(event, arm) WHERE lifted_at IS NULL""",
    """CREATE TABLE letters(              -- what is to be told, once for each channel
        id INTEGER PRIMARY KEY AUTOINCREMENT,
        key TEXT NOT NULL,               -- the change of state that it tells
        channel TEXT NOT NULL,
        message TEXT NOT NULL,           -- JSON
        created_at TEXT NOT NULL,
        attempts INTEGER NOT NULL DEFAULT 0,
        next_at TEXT NOT NULL,
        sent_at TEXT,
        trouble TEXT,
        UNIQUE(key, channel)
    ) STRICT""",
    """CREATE INDEX letters_due ON letters(next_at) WHERE sent_at IS NULL""",
    """CREATE TABLE clocks(               -- the last reading of each open swap window's clock
        arm TEXT PRIMARY KEY,
        began INTEGER NOT NULL,          -- the number of the entry that opened it
        wall TEXT NOT NULL,
        boot TEXT NOT NULL,
        uptime_s REAL NOT NULL,
        elapsed_s REAL NOT NULL
    ) STRICT, WITHOUT ROWID""",
)

_DAMAGED = (
    # Asked for every set that arrives; without it each arrival would read the whole table.
    """CREATE INDEX sets_damaged ON sets(place, path) WHERE damaged_at IS NOT NULL""",
)


def migrate(connection: sqlite3.Connection, kind: str) -> None:
    """Bring a database up to date, each step in one transaction with the record of it."""
    from sqlite_utils import Database
    from sqlite_utils.migrations import Migrations

    steps = Migrations(f"guard-{kind}")

    def tables(statements: tuple[str, ...], name: str) -> None:
        def create(db: Database) -> None:
            for statement in statements:
                db.execute(statement)

        steps(name=name)(create)

    wanted = {
        "catalogue": (_CATALOGUE_TABLES, _SERVICE_TABLES, _ESSENCE, _DAMAGED),
        "ledger": (_LEDGER_TABLES, _WARNING_TABLES),
    }
    for statements, step in zip(wanted[kind], STEPS[kind], strict=True):
        tables(statements, step)
    steps.apply(Database(connection, execute_plugins=False))  # looking for any costs more than to make the tables
