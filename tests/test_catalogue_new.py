"""A catalogue that was begun anew while the ledger stands: what the ledger tells of sets must not be forgotten."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from guard.desk import Desk
from guard.load import load
from guard.store.catalogue import Catalogue
from tests.plant import Plant
from tests.test_ledger_lost import delete

Begin = Callable[[Path], object]


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant whose one set rotted, which was found."""
    plant = Plant(tmp_path_factory.mktemp("prepared") / "plant")
    path = plant.save("arm-07")
    plant.ready()
    where = plant.share / path / "memory.bin"
    about = where.stat()
    where.write_bytes(bytes(reversed(where.read_bytes())))
    os.utime(where, ns=(about.st_atime_ns, about.st_mtime_ns))
    assert "damaged" in plant.run("prove", path).out
    return plant


@pytest.fixture
def rotted(prepared: Plant, tmp_path: Path) -> Plant:
    """That plant, for one test."""
    return prepared.copy(tmp_path / "plant")


def refused(plant: Plant, *words: str) -> None:
    """That an answer, or whatever the words ask for, is refused with the remedy."""
    asked = plant.run(*words) if words else plant.ask()
    assert (asked.code, "guard look --rebuild" in asked.err) == (1, True), asked
    assert "catalogue.db is damaged: it was begun anew, while the ledger tells of sets" in asked.err


@pytest.mark.parametrize(
    "begin",
    [
        pytest.param(lambda _: None, id="deleted"),
        pytest.param(lambda path: path.write_bytes(b""), id="emptied"),
        pytest.param(lambda path: Catalogue(str(path)).close(), id="left-by-a-rebuild-that-was-killed"),
    ],
)
class TestBegunAnew:
    def test_damage_is_not_forgotten(self, rotted: Plant, begin: Begin) -> None:
        delete(rotted, "catalogue.db")
        begin(rotted.root / "state" / "catalogue.db")
        for words in ((), ("fleet",), ("sets",), ("swap", "begin", "arm-07", "--yes")):
            refused(rotted, *words)

    def test_what_it_does_from_then_on_does_not_hide_it(self, rotted: Plant, begin: Begin) -> None:
        delete(rotted, "catalogue.db")
        begin(rotted.root / "state" / "catalogue.db")
        for words in (("look",), ("prove", "--due"), ("look",)):
            refused(rotted, *words)
            refused(rotted)

    def test_it_is_built_again_with_the_damage(self, rotted: Plant, begin: Begin) -> None:
        delete(rotted, "catalogue.db")
        begin(rotted.root / "state" / "catalogue.db")
        newer = rotted.save("arm-07", timedelta(hours=1))
        assert rotted.run("look", "--rebuild", "--yes").code == 0
        assert [each["proof"] for each in rotted.sets()] == ["damaged", "complete"]
        rotted.prove()
        assert rotted.ask().answer["set"]["path"] == newer


def test_a_new_plant_begins_with_both_empty(plant: Plant) -> None:
    plant.save("arm-07")
    plant.ready()
    assert plant.ask().code == 0


def test_a_rebuild_that_is_killed_before_the_end_is_made_again(rotted: Plant) -> None:
    """Killed when the new catalogue knows the share already, and none of the sets."""
    desk = Desk(load(str(rotted.config)))
    place = desk.catalogue.place(0)
    desk.catalogue.close()
    delete(rotted, "catalogue.db")
    catalogue = Catalogue(str(rotted.root / "state" / "catalogue.db"))
    catalogue.note_place(0, str(rotted.share), place)
    catalogue.close()
    refused(rotted)
    assert rotted.run("look", "--rebuild", "--yes").code == 0
    assert [each["proof"] for each in rotted.sets()] == ["damaged"]
    assert "damaged-set" in rotted.ask().codes  # although it made no change of its own that the ledger could tell
