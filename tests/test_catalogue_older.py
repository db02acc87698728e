"""A catalogue that is an older copy while the ledger stands: what was found since must not be forgotten."""

from __future__ import annotations

import os
from datetime import timedelta

import pytest

from tests.plant import Plant
from tests.test_ledger_lost import backed_up, prepared, restore

__all__ = ["backed_up", "prepared"]

HOUR = timedelta(hours=1)


@pytest.fixture
def older(backed_up: Plant) -> Plant:
    """The set rotted and that was found; then an older copy of the catalogue was put back, which knows nothing of it."""
    (only,) = backed_up.sets()
    where = backed_up.share / only["path"] / "memory.bin"
    about = where.stat()
    where.write_bytes(bytes(reversed(where.read_bytes())))
    os.utime(where, ns=(about.st_atime_ns, about.st_mtime_ns))
    assert "damaged" in backed_up.run("prove", only["path"]).out
    restore(backed_up, "catalogue.db")
    return backed_up


def refused(plant: Plant, *words: str) -> None:
    """That an answer, or whatever the words ask for, is refused with the remedy."""
    asked = plant.run(*words) if words else plant.ask()
    assert (asked.code, asked.out) == (1, "")
    assert "catalogue.db is damaged: it is older than the ledger, which tells its change " in asked.err
    assert "guard look --rebuild" in asked.err


def test_damage_is_not_forgotten(older: Plant) -> None:
    for words in ((), ("fleet",), ("sets",), ("swap", "begin", "arm-07", "--yes")):
        refused(older, *words)


def test_what_it_does_from_then_on_does_not_hide_it(older: Plant) -> None:
    """A new change would take the number of one that the ledger tells, and would never be told itself."""
    for n in range(4):
        older.save("arm-07", (n + 1) * HOUR / 4)
        assert older.run("look").code == 1
        refused(older)
    assert older.run("ledger", "check").code == 0


def test_it_is_built_again_with_the_damage(older: Plant) -> None:
    newer = older.save("arm-07", HOUR)
    assert older.run("look", "--rebuild", "--yes").code == 0
    assert [each["proof"] for each in older.sets()] == ["damaged", "complete"]
    assert newer in older.run("ledger", "show", "--last", "0").out


def test_both_from_one_backup_are_taken_as_they_are(older: Plant) -> None:
    """Nothing can tell that they are old."""
    restore(older)
    assert older.ask().code == 0
