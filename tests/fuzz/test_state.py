"""Databases and kept settings of the state folder in which bytes were changed, lost or put in."""

from __future__ import annotations

import json
import shutil
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.faults.daemon import Daemon, rows, until
from tests.fuzz.bounds import Guard, Long, fuzzed
from tests.plant import Plant

ASKED = (
    ("ask", "--all", "--action", "power-down", "--json"),
    ("ledger", "check", "--json"),
    ("ledger", "show", "--last", "0"),
    ("fleet",),
    ("sets",),
    ("event", "list"),
    ("swap", "show"),
    ("cells",),
    ("keep", "plan"),
    ("report",),
    ("look", "--wait", "0s"),
    ("mark", "edit", "arm-07"),
    ("visit", "arm-07"),
    ("prove", "--due"),
)


@pytest.fixture(scope="module")
def backup(plant: Plant) -> Path:
    """The state folder as it is after most of what is written down there, each database in one file."""
    for words in (
        ("event", "add", "--kind", "power-down", "--start", "in 3h", "--for", "8h", "--arm", "arm-09"),
        ("sign-off", "arm-09", "--finding", "no-backup", "--by", "Kim", "--why", "no programs yet", "--until", "in 6d"),
        ("cells", "stock", "memory-cell", "3"),
        ("swap", "begin", "arm-07", "--yes", "--no-countdown"),
    ):
        assert plant.run(*words).code in (0, 10), words
    with Daemon(plant):
        until("it has warned", lambda: rows(plant, "SELECT 1 FROM letters", "ledger.db"))
    shutil.copytree(plant.root / "state", plant.root / "killed")
    for name in ("ledger.db", "catalogue.db"):
        with closing(sqlite3.connect(plant.root / "state" / name)) as db:
            db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    kept = plant.root / "backup"
    shutil.copytree(plant.root / "state", kept)
    return kept


@pytest.fixture(autouse=True)
def as_it_was(plant: Plant, backup: Path) -> Iterator[None]:
    """The state folder is sound again for the next test."""
    yield
    shutil.rmtree(plant.root / "state")
    shutil.copytree(backup, plant.root / "state")


@fuzzed(300)
@given(
    st.sampled_from(["ledger.db", "catalogue.db", "settings.kept", "ledger.db-wal", "catalogue.db-wal"]),
    st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.binary(min_size=1, max_size=40)), min_size=1, max_size=5),
    st.booleans(),
    st.sampled_from(ASKED),
)
def test_changed_bytes(
    guard: Guard,
    plant: Plant,
    backup: Path,
    name: str,
    edits: list[tuple[float, bytes]],
    cut: bool,  # noqa: FBT001
    words: tuple[str, ...],
) -> None:
    state = plant.root / "state"
    shutil.rmtree(state)
    shutil.copytree(plant.root / "killed" if name.endswith("-wal") else backup, state)
    where = state / name
    data = bytearray(where.read_bytes())
    for place, piece in edits:
        at = int(place * len(data))
        data[at : at + len(piece)] = piece
    where.write_bytes(data[: int(edits[0][0] * len(data))] if cut else data)
    guard(*words)


VALUES = st.sampled_from(
    [
        None,
        "",
        "\x1b[2J",
        "\u202e",
        "0001-01-01T00:00:00Z",
        "9999-12-31T23:59:59Z",
        "2026-13-45",
        "[" * 3000,
        "null",
        "{}",
        "[1]",
        '{"a": NaN}',
        Long("9" * 5000),
        Long("a" * 300_000),
        -1,
        2**62,
        b"",
        b"\xff\x00\x1b",
        bytes(64),
    ]
) | st.text(max_size=8)


@fuzzed(300)
@given(
    st.sampled_from(["ledger.db", "catalogue.db"]),
    st.lists(st.tuples(st.integers(0, 999), st.integers(0, 999), st.integers(0, 99), VALUES), min_size=1, max_size=3),
    st.booleans(),
    st.sampled_from(ASKED),
)
def test_changed_values(
    guard: Guard,
    plant: Plant,
    backup: Path,
    name: str,
    edits: list[tuple[int, int, int, object]],
    within: bool,  # noqa: FBT001
    words: tuple[str, ...],
) -> None:
    """As somebody changes them who knows what a database is: it is sound, and says something else."""
    state = plant.root / "state"
    shutil.rmtree(state)
    shutil.copytree(backup, state)
    with closing(sqlite3.connect(state / name)) as db, db:
        for table, column, row, value in edits:
            try:
                _change(db, table, column, row, value, within=within)
            except sqlite3.IntegrityError:  # a value that the column does not take
                continue
    guard(*words)


def _change(db: sqlite3.Connection, table: int, column: int, row: int, value: object, *, within: bool) -> None:
    """Put a value into a field, or into one of what the field's JSON names."""
    tables = [name for (name,) in db.execute("SELECT name FROM sqlite_master WHERE type = 'table' ORDER BY name")]
    tables = [each for each in tables if db.execute(f"SELECT 1 FROM {each}").fetchone()]
    chosen = tables[table % len(tables)]
    columns = [each[1] for each in db.execute(f"PRAGMA table_info({chosen})")]
    key, named = columns[0], columns[column % len(columns)]
    where, before = db.execute(
        f"SELECT {key}, {named} FROM {chosen} LIMIT 1 OFFSET ? % (SELECT count(*) FROM {chosen})", (row,)
    ).fetchone()
    if within and str(before).startswith('{"') and not isinstance(value, bytes):
        said = json.loads(before)
        name = sorted(said)[column % len(said)]
        value = json.dumps({**said, name: value})
    db.execute(f"UPDATE {chosen} SET {named} = ? WHERE {key} IS ?", (value, where))


MANIFESTS = st.sampled_from(
    [
        b"",
        b"null",
        b"[" * 5000,
        b'{"sets": 1}',
        b'{"sets": [1]}',
        b'{"sets": ' + b"[" * 3000,
        b'{"sets": [{}]}',
    ]
) | st.dictionaries(
    st.sampled_from(["id", "arm", "path", "held_as", "at", "reasons", "fingerprint", "bytes", "place"]),
    st.sampled_from(["../../out", "/etc", "arm-07/x", "\x1b[2J", "", None, 1, ["x"], "2026-11-01T00:00:00Z"]),
).map(lambda entry: json.dumps({"schema": 1, "sets": [entry]}).encode())


@fuzzed(100)
@given(
    MANIFESTS,
    st.sampled_from([("held",), ("undo", "--yes"), ("purge", "--yes"), ("apply", "--yes"), ("plan", "--json")]),
)
def test_holding_folders(guard: Guard, plant: Plant, manifest: bytes, words: tuple[str, ...]) -> None:
    folder = plant.share / ".guard-holding"
    folder.mkdir(exist_ok=True)
    guard.may_write.append(str(folder.resolve()))
    try:
        (folder / ".guard-manifest.json").write_bytes(manifest)
        guard("keep", *words)
    finally:
        guard.may_write.pop()
        shutil.rmtree(folder)
