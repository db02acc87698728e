"""Databases of the state folder in which somebody changed values, or bytes of the tables' names: told, never a fault of the tool."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from datetime import timedelta

import pytest

from tests.plant import Plant

WARNING = (
    "INSERT INTO warnings(event, arm, level, headline, raised_at, told_at, codes)"
    " VALUES('ev-1', 'arm-07', 'hold', '', '2026-11-01T00:00:00Z', '2026-11-01T00:00:00Z',"
)
SWAP = "UPDATE entries SET body = replace(body, '\"limit_s\":1800', '\"limit_s\":{}') WHERE kind = 'swap'"


@pytest.fixture
def kept(plant: Plant) -> Plant:
    plant.save("arm-07", timedelta(hours=2))
    plant.ready()
    plant.run("mark", "edit", "arm-09", "--by", "Kim")
    plant.run("swap", "begin", "arm-07", "--yes", "--no-countdown")
    return plant


@pytest.mark.parametrize(
    ("database", "change", "words"),
    [
        pytest.param("catalogue", "UPDATE sets SET stamp = '2026-13-45'", ("sets",), id="time"),
        pytest.param("catalogue", "UPDATE sets SET first_seen = '2026-11-01T00:00:00'", ("sets",), id="no-offset"),
        pytest.param("catalogue", "UPDATE parts SET newest = ''", ("ask", "--all"), id="time-of-a-part"),
        pytest.param("catalogue", "UPDATE places SET seen_at = '[1]'", ("ask", "--all"), id="time-of-a-look"),
        pytest.param("catalogue", "UPDATE sets SET problems = '[1]'", ("sets",), id="problems"),
        pytest.param("catalogue", "UPDATE manifests SET sha256 = x''", ("ask", "--all"), id="files-without-digests"),
        pytest.param("ledger", f"{WARNING} '')", ("report",), id="codes"),
        pytest.param("ledger", f"{WARNING} '[1')", ("fleet",), id="codes-cut"),
        pytest.param("ledger", "UPDATE clocks SET uptime_s = 9e999", ("ask", "--all"), id="clock-without-end"),
        pytest.param("ledger", "UPDATE clocks SET elapsed_s = 9e999", ("fleet",), id="span-without-end"),
        pytest.param("ledger", SWAP.format("NaN"), ("swap", "show"), id="no-number"),
        pytest.param("ledger", SWAP.format('""'), ("ask", "--all"), id="limit-a-text"),
        pytest.param("ledger", f"UPDATE sqlite_sequence SET seq = {2**63 - 1}", ("ask", "--all"), id="no-number-left"),
        pytest.param("ledger", "UPDATE entries SET body = '{}' WHERE kind = 'swap'", ("ask", "--all"), id="body-empty"),
        pytest.param("catalogue", "UPDATE about SET value = 'x' WHERE key = 'ledger'", ("report",), id="remembered"),
        pytest.param("catalogue", "DELETE FROM about WHERE key = 'id'", ("keep", "plan"), id="name"),
        pytest.param("ledger", "UPDATE entries SET body = '[' WHERE kind = 'mark'", ("ask", "--all"), id="body"),
        pytest.param("ledger", "UPDATE entries SET body = '[1]' WHERE kind = 'mark'", ("fleet",), id="body-a-list"),
    ],
)
def test_a_value_that_was_never_written(kept: Plant, database: str, change: str, words: tuple[str, ...]) -> None:
    with closing(sqlite3.connect(kept.root / "state" / f"{database}.db")) as db, db:
        db.execute(change)

    told = kept.run(*words)

    assert (told.code, told.out) == (1, "")
    assert told.err.startswith("A database of the state folder holds ")


def test_an_entry_of_which_a_part_is_lost(kept: Plant) -> None:
    """As where bytes of a page are: what the table does not allow stands there."""
    with closing(sqlite3.connect(kept.root / "state" / "ledger.db")) as db:
        db.executescript(
            "PRAGMA writable_schema=ON; UPDATE sqlite_schema SET sql=replace(sql, 'kind TEXT NOT NULL', 'kind TEXT');"
        )
    with closing(sqlite3.connect(kept.root / "state" / "ledger.db")) as db, db:
        db.execute("UPDATE entries SET kind = NULL WHERE seq = 2")

    told = kept.run("ledger", "show")

    assert (told.code, told.out) == (1, "")
    assert told.err.startswith("A database of the state folder holds ")


def test_a_count_of_entries_that_is_gone(kept: Plant) -> None:
    with closing(sqlite3.connect(kept.root / "state" / "ledger.db")) as db, db:
        db.execute("UPDATE sqlite_sequence SET seq = NULL")

    told = kept.run("ledger", "check", "--json")

    assert (told.code, told.json["intact"]) == (20, False)


@pytest.mark.parametrize("shape", ["", "[]", "[1]", '[["\\u0000", 1]]', "null", "[" * 3000])
def test_a_look_kept_that_nobody_wrote_has_the_set_read_again(kept: Plant, shape: str) -> None:
    with closing(sqlite3.connect(kept.root / "state" / "catalogue.db")) as db, db:
        (before,) = db.execute("SELECT shape FROM sets").fetchone()
        db.execute("UPDATE sets SET shape = ?", (shape,))

    told = kept.look()

    assert told.err == ""
    with closing(sqlite3.connect(kept.root / "state" / "catalogue.db")) as db:
        assert db.execute("SELECT shape FROM sets").fetchone() == (before,)


@pytest.mark.parametrize("database", ["catalogue", "ledger"])
def test_tables_whose_names_are_no_text(kept: Plant, database: str) -> None:
    """SQLite quotes them in what it says, as they are."""
    where = kept.root / "state" / f"{database}.db"
    with closing(sqlite3.connect(where)) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    table = b"CREATE TABLE sets(" if database == "catalogue" else b"CREATE TABLE entries("
    where.write_bytes(where.read_bytes().replace(table, b"CREATE \x80\x80BLE " + table[13:]))

    told = kept.run("keep", "plan")

    assert told.code == 1
    assert f"{database}.db is damaged: " in told.err
