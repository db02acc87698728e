"""Databases and kept settings of the state folder in which bytes were changed, lost or put in."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.fuzz.bounds import Guard, fuzzed
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
)


@pytest.fixture(scope="module")
def backup(plant: Plant) -> Path:
    """The state folder as it was, each database in one file."""
    kept = plant.root / "backup"
    shutil.copytree(plant.root / "state", kept)
    return kept


@fuzzed(50)
@given(
    st.sampled_from(["ledger.db", "catalogue.db", "settings.kept"]),
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
    shutil.copytree(backup, state)
    where = state / name
    data = bytearray(where.read_bytes())
    for place, piece in edits:
        at = int(place * len(data))
        data[at : at + len(piece)] = piece
    where.write_bytes(data[: int(edits[0][0] * len(data))] if cut else data)
    guard(*words)
