"""A ledger that lost entries while the catalogue stands: restored from an older backup, deleted, or begun anew."""

from __future__ import annotations

import shutil
import sqlite3
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest

from guard.clock import now
from guard.store.ledger import Ledger
from tests.plant import Plant

Lose = Callable[[Plant], None]

HOUR = timedelta(hours=1)


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant whose arm is clear, with a backup of its ledger beside it."""
    plant = Plant(tmp_path_factory.mktemp("prepared") / "plant")
    plant.save("arm-07")
    plant.ready()
    assert plant.ask().code == 0
    shutil.copytree(plant.root / "state", plant.root / "backup")
    return plant


@pytest.fixture
def backed_up(prepared: Plant, tmp_path: Path) -> Plant:
    """That plant, for one test."""
    return prepared.copy(tmp_path / "plant")


def restore(plant: Plant, only: str = "ledger.db", backup: str = "backup") -> None:
    """Put back what was backed up: the ledger alone, or all of the state."""
    delete(plant, only)
    for file in (plant.root / backup).glob(f"{only}*"):
        shutil.copy2(file, plant.root / "state" / file.name)


def delete(plant: Plant, only: str = "ledger.db") -> None:
    for file in (plant.root / "state").glob(f"{only}*"):
        file.unlink()


def append(plant: Plant) -> None:
    """An entry that a monitor which still had the ledger open might write."""
    ledger = Ledger(str(plant.root / "state" / "ledger.db"))
    ledger.append(now(), "warning", "arm-07", {})
    ledger.close()


def done(plant: Plant, *words: str) -> int:
    """Run a command that records something; returns the number of the last entry in the ledger then."""
    result = plant.run(*words)
    assert result.code in (0, 10), result
    number: int = plant.run("ledger", "check", "--json").json["entries"]
    return number


def mark(plant: Plant) -> int:
    return done(plant, "mark", "edit", "arm-07", "--by", "Ana")


def correct(plant: Plant) -> int:
    return done(plant, "mark", "cell-alarm", "arm-07", "--correct", str(mark(plant)), "--by", "Ana")


def begin_swap(plant: Plant) -> int:
    return done(plant, "swap", "begin", "arm-07", "--by", "Ana", "--yes")


def end_swap(plant: Plant) -> int:
    begin_swap(plant)
    return done(plant, "swap", "end", "arm-07", "--by", "Ana")


def sign_off(plant: Plant) -> int:
    words = ("--by", "Ana", "--why", "one is here", "--until", "in 2h", "--action", "memory-swap")
    return done(plant, "sign-off", "arm-07", "--finding", "spare-missing", *words)


EVENT = ("event", "add", "--kind", "power-down", "--start", "in 24h", "--for", "8h", "--arm", "arm-07")


def plan(plant: Plant) -> int:
    return done(plant, *EVENT)


def drop(plant: Plant) -> int:
    plan(plant)
    (event,) = plant.run("event", "list", "--json").json["events"]
    return done(plant, "event", "drop", event["id"])


def pin(plant: Plant) -> int:
    (only,) = plant.sets()
    return done(plant, "keep", "pin", only["path"], "--by", "Ana", "--why", "before the rebuild")


def count(plant: Plant) -> int:
    return done(plant, "cells", "stock", "memory-cell", "3", "--by", "Ana")


def look(plant: Plant) -> int:
    plant.save("arm-07", HOUR)
    return done(plant, "look")


RECORDS = (mark, correct, begin_swap, end_swap, sign_off, plan, drop, pin, count, look)


def refused(plant: Plant, number: int, *words: str) -> str:
    """What is told in place of an answer, or of whatever the words ask for."""
    asked = plant.run(*words) if words else plant.ask()
    assert (asked.code, asked.out) == (1, "")
    assert f"ledger.db is damaged: it lacks entry {number} that was there before." in asked.err
    assert "restore the newest backup of the state folder" in asked.err
    assert "guard look --rebuild" in asked.err
    return asked.err


@pytest.mark.parametrize("record", RECORDS, ids=lambda record: record.__name__)
def test_no_answer_without_what_was_recorded(backed_up: Plant, record: Callable[[Plant], int]) -> None:
    number = record(backed_up)
    restore(backed_up)
    refused(backed_up, number)


@pytest.mark.parametrize("lose", [restore, delete], ids=["restored-from-an-older-backup", "deleted"])
class TestLost:
    def test_nothing_that_rests_on_it_is_told_or_recorded(self, backed_up: Plant, lose: Lose) -> None:
        number = begin_swap(backed_up)
        lose(backed_up)
        for words in (
            ("fleet",),
            ("sets",),
            ("cells",),
            ("swap", "show"),
            ("swap", "show", "arm-07"),
            ("swap", "begin", "arm-07", "--yes"),
            ("swap", "end", "arm-07"),
            ("event", "list"),
            ("mark", "powered-on", "arm-07"),
            EVENT,
        ):
            refused(backed_up, number, *words)

    def test_what_is_appended_since_does_not_hide_it(self, backed_up: Plant, lose: Lose) -> None:
        """A look hands its changes over once the ledger is whole again, and nothing of them is lost."""
        number = mark(backed_up)
        shutil.copytree(backed_up.root / "state", backed_up.root / "newer")
        lose(backed_up)
        newer = backed_up.save("arm-07", HOUR)
        for _ in range(2):
            assert backed_up.run("look").code == 1
        assert backed_up.run("ledger", "check").code == 0
        refused(backed_up, number)
        restore(backed_up, backup="newer")
        backed_up.look()
        assert newer in backed_up.run("ledger", "show", "--last", "0").out

    def test_a_longer_chain_in_its_place_is_not_taken_for_it(self, backed_up: Plant, lose: Lose) -> None:
        number = mark(backed_up)
        lose(backed_up)
        for _ in range(number + 1):  # the monitor's own entries, which no answer rests on
            append(backed_up)
        refused(backed_up, number)

    def test_the_loss_can_be_accepted(self, backed_up: Plant, lose: Lose) -> None:
        number = mark(backed_up)
        lose(backed_up)
        refused(backed_up, number)
        assert backed_up.run("look", "--rebuild", "--yes").code == 0
        backed_up.prove()
        assert backed_up.ask().code == 0
        mark(backed_up)
        assert backed_up.ask().codes == {"edited-since"}

    def test_what_was_accepted_is_remembered_anew(self, backed_up: Plant, lose: Lose) -> None:
        mark(backed_up)
        lose(backed_up)
        assert backed_up.run("look", "--rebuild", "--yes").code == 0
        number: int = backed_up.run("ledger", "check", "--json").json["entries"]
        delete(backed_up)
        refused(backed_up, number)


def test_the_newest_backup_answers_as_it_did(backed_up: Plant) -> None:
    mark(backed_up)
    restore(backed_up, "")
    assert backed_up.ask().code == 0


def test_a_catalogue_older_than_the_ledger_knows_of_no_loss(backed_up: Plant) -> None:
    mark(backed_up)
    restore(backed_up, "catalogue.db")
    assert backed_up.ask().codes == {"edited-since"}


def test_a_catalogue_of_an_older_version_remembers_from_the_next_fact_on(backed_up: Plant) -> None:
    with sqlite3.connect(backed_up.root / "state" / "catalogue.db") as db:
        db.execute("DELETE FROM about WHERE key='ledger'")
    db.close()
    assert backed_up.ask().code == 0
    number = mark(backed_up)
    restore(backed_up)
    refused(backed_up, number)


def test_answers_alone_are_no_loss(backed_up: Plant) -> None:
    backed_up.ask()
    restore(backed_up)
    assert backed_up.ask().code == 0


def test_a_swap_ends_whatever_became_of_the_catalogue(backed_up: Plant) -> None:
    """What is remembered then is older than the ledger, which does no harm."""
    begin_swap(backed_up)
    shutil.copytree(backed_up.root / "state", backed_up.root / "newer")
    delete(backed_up, "catalogue.db")
    (backed_up.root / "state" / "catalogue.db").write_bytes(b"spoiled" * 1000)
    ended = backed_up.run("swap", "end", "arm-07", "--by", "Ana")
    assert (ended.code, "catalogue.db is damaged" in ended.err) == (1, True)
    assert "Recorded: the memory cell of arm-07" in ended.out
    restore(backed_up, "catalogue.db", "newer")
    assert "awaiting-proof" in backed_up.ask().codes
