"""The state folder in trouble: locked, read-only, newer, damaged, tampered with, killed in the middle."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from threading import Event

import pytest

from guard.clock import now
from guard.store.ledger import Ledger
from tests.plant import Plant, as_ordinary_user


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant with a mark in its ledger, whose arm is clear."""
    plant = Plant(tmp_path_factory.mktemp("prepared") / "plant")
    plant.save("arm-07")
    plant.ready()
    assert plant.run("mark", "re-zeroed", "arm-07", "--by", "M. Okafor").code == 0
    return plant


@pytest.fixture
def ready(prepared: Plant, tmp_path: Path) -> Plant:
    """That plant, for one test."""
    return prepared.copy(tmp_path / "plant")


def state(plant: Plant, name: str) -> Path:
    return plant.root / "state" / name


def settle_down(path: Path) -> None:
    """Bring everything into the main file, as closing the last connection does."""
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    db.close()


def overwrite(path: Path) -> None:
    """Write zeros over all pages but the first."""
    size = path.stat().st_size
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\0" * (size - 4096))


class TestCatalogue:
    def test_locked_says_so_and_changes_nothing(self, ready: Plant) -> None:
        ready.save("arm-09")
        db = sqlite3.connect(state(ready, "catalogue.db"), isolation_level=None)
        db.execute("BEGIN IMMEDIATE")
        looked = ready.run("look")
        db.execute("ROLLBACK")
        db.close()
        assert (looked.code, "is locked by another process" in looked.err) == (1, True)
        assert ready.look().code == 0

    def test_a_locked_catalogue_still_answers(self, ready: Plant) -> None:
        db = sqlite3.connect(state(ready, "catalogue.db"), isolation_level=None)
        db.execute("BEGIN IMMEDIATE")
        asked = ready.ask("arm-07")
        db.close()
        assert asked.code == 0

    def test_read_only_says_so(self, ready: Plant) -> None:
        user = as_ordinary_user()
        for file in (ready.root / "state").iterdir():
            settle_down(file) if file.suffix == ".db" else None
        for file in (ready.root / "state").iterdir():
            file.chmod(0o444)
        (ready.root / "state").chmod(0o555)
        ready.save("arm-09")
        for words in (("look",), ("ask", "--arm", "arm-07"), ("mark", "edit", "arm-07")):
            done = ready.run(*words, before=user)
            assert (done.code, done.out) == (1, ""), words
            assert "cannot be used" in done.err
            assert "Make it writable for this user" in done.err
        (ready.root / "state").chmod(0o755)

    @pytest.mark.parametrize("name", ["catalogue.db", "ledger.db"])
    def test_newer_is_left_alone(self, ready: Plant, name: str) -> None:
        path = state(ready, name)
        with sqlite3.connect(path) as db:
            db.execute(
                "INSERT INTO _sqlite_migrations(migration_set, name, applied_at) VALUES(?, 'x999_future', 'then')",
                (f"guard-{path.stem}",),
            )
        db.close()
        asked = ready.ask("arm-07")
        assert (asked.code, asked.out) == (1, "")
        assert "was written by a newer version" in asked.err
        assert "x999_future" in asked.err

    @pytest.mark.parametrize(
        "spoil",
        [
            pytest.param(lambda p: p.write_bytes(b"this is no database" * 100), id="not-a-database"),
            pytest.param(lambda p: p.write_bytes(p.read_bytes()[: 4096 * 2]), id="truncated"),
            pytest.param(overwrite, id="pages-overwritten"),
        ],
    )
    def test_damaged_is_said_and_rebuilt_on_request_only(self, ready: Plant, spoil: object) -> None:
        path = state(ready, "catalogue.db")
        settle_down(path)
        for suffix in ("-wal", "-shm"):
            path.with_name(path.name + suffix).unlink(missing_ok=True)
        spoil(path)  # type: ignore[operator]
        spoiled = path.read_bytes()
        asked = ready.ask("arm-07")
        assert (asked.code, asked.out) == (1, "")
        assert "is damaged" in asked.err
        assert "guard look --rebuild" in asked.err
        assert path.read_bytes() == spoiled

        assert ready.run("look", "--rebuild").code == 2  # nobody was asked
        rebuilt = ready.run("look", "--rebuild", "--yes")
        assert rebuilt.code == 0, rebuilt
        (aside,) = [p for p in path.parent.iterdir() if p.name.startswith("catalogue.db.2") and p.name.endswith("Z")]
        assert aside.read_bytes() == spoiled

    def test_a_rebuild_keeps_marks_ledger_and_identity_and_proof_begins_anew(self, ready: Plant) -> None:
        before = ready.run("ledger", "check", "--json").json["entries"]
        state(ready, "catalogue.db").write_bytes(b"spoiled")
        assert ready.run("look", "--rebuild", "--yes").code == 0
        check = ready.run("ledger", "check", "--json").json
        assert check["intact"]
        assert check["entries"] > before
        assert "re-zeroed" in ready.run("ledger", "show", "--last", "0").out
        assert ready.ask("arm-07").codes == {"not-read-back"}
        ready.prove()
        assert ready.ask("arm-07").code == 0
        (ready.share / ".guard-share.json").unlink()
        assert ready.ask("arm-07").codes == {"share-doubt"}

    def test_a_rebuild_takes_no_changed_set_for_a_good_one(self, ready: Plant) -> None:
        path = ready.ask("arm-07").answer["set"]["path"]
        state(ready, "catalogue.db").write_bytes(b"spoiled")
        (ready.share / path / "programs/main.txt").write_bytes(b"changed meanwhile")
        assert ready.run("look", "--rebuild", "--yes").code == 0
        assert [s["proof"] for s in ready.sets()] == ["damaged"]
        assert "damaged-set" in ready.ask("arm-07").codes

    def test_a_rebuild_forgets_no_damage(self, ready: Plant) -> None:
        path = ready.ask("arm-07").answer["set"]["path"]
        program = ready.share / path / "programs/main.txt"
        right = program.read_bytes()
        program.write_bytes(b"wrong")
        ready.look()
        program.write_bytes(right)
        state(ready, "catalogue.db").write_bytes(b"spoiled")
        assert ready.run("look", "--rebuild", "--yes").code == 0
        assert [s["proof"] for s in ready.sets()] == ["damaged"]

    def test_a_rebuild_makes_no_old_set_new(self, plant: Plant) -> None:
        """A refiled copy is known as one even where its original went before the rebuild."""
        old = plant.save("arm-07", timedelta(days=20), name="2026-01-01_0000")
        plant.ready()
        newer = plant.save("arm-07", timedelta(hours=3))
        for file in (plant.share / old).rglob("*"):
            if file.is_file():
                (plant.share / newer / file.relative_to(plant.share / old)).write_bytes(file.read_bytes())
        plant.look()
        captured = {s["path"]: s["captured_at"] for s in plant.sets()}
        state(plant, "catalogue.db").write_bytes(b"spoiled")
        assert plant.run("look", "--rebuild", "--yes").code == 0
        assert {s["path"]: s["captured_at"] for s in plant.sets()} == captured

    def test_a_folder_in_its_place(self, ready: Plant) -> None:
        path = state(ready, "catalogue.db")
        path.unlink()
        path.mkdir()
        asked = ready.ask("arm-07")
        assert (asked.code, "cannot be used" in asked.err) == (1, True)

    def test_a_file_in_place_of_the_state_folder(self, plant: Plant) -> None:
        (plant.root / "state").write_text("no folder")
        asked = plant.ask("arm-07")
        assert (asked.code, "cannot be used" in asked.err) == (1, True)


class TestLedger:
    """Check finds any altered, removed or reordered entry and names the first."""

    def tampered(self, plant: Plant, *statements: str) -> tuple[int, object, bool]:
        with sqlite3.connect(state(plant, "ledger.db")) as db:
            for statement in statements:
                db.execute(statement)
        db.close()
        checked = plant.run("ledger", "check", "--json")
        return checked.code, checked.json["first_bad"], checked.json["intact"]

    @pytest.fixture
    def long(self, ready: Plant) -> Plant:
        """A ledger of at least six entries."""
        for _ in range(4):
            ready.ask("arm-07")
        return ready

    def test_an_honest_one_is_intact(self, long: Plant) -> None:
        checked = long.run("ledger", "check", "--json")
        assert (checked.code, checked.json["intact"], checked.json["first_bad"]) == (0, True, None)
        assert checked.json["entries"] == len(long.run("ledger", "show", "--last", "0", "--json").json["entries"])

    @pytest.mark.parametrize(
        ("statement", "first_bad"),
        [
            pytest.param("UPDATE entries SET body=replace(body, 'M. Okafor', 'Nobody')", 4, id="altered-body"),
            pytest.param("UPDATE entries SET at='2020-01-01T00:00:00.000000Z' WHERE seq=3", 3, id="altered-time"),
            pytest.param("UPDATE entries SET arm='arm-09' WHERE seq=5", 5, id="altered-arm"),
            pytest.param("UPDATE entries SET kind='note' WHERE seq=5", 5, id="altered-kind"),
            pytest.param("UPDATE entries SET body=body||' ' WHERE seq=2", 2, id="altered-blank"),
            pytest.param("DELETE FROM entries WHERE seq=1", 1, id="removed-first"),
            pytest.param("DELETE FROM entries WHERE seq=3", 3, id="removed-middle"),
            pytest.param("DELETE FROM entries WHERE seq=(SELECT max(seq) FROM entries)", 8, id="removed-last"),
            pytest.param("DELETE FROM entries", 1, id="removed-all"),
        ],
    )
    def test_a_change_is_found(self, long: Plant, statement: str, first_bad: int) -> None:
        assert self.tampered(long, statement) == (20, first_bad, False)

    def test_an_entry_that_is_made_meanwhile_is_no_missing_one(self, long: Plant) -> None:
        ledger, monitor = (Ledger(str(state(long, "ledger.db"))) for _ in range(2))
        ledger.store.connection.set_trace_callback(lambda _: monitor.append(now(), "note", "arm-07", {}) and None)
        found = ledger.check()
        assert (found.first_bad, found.why) == (None, None)
        ledger.close()
        monitor.close()

    def test_two_entries_that_changed_places_are_found(self, long: Plant) -> None:
        swap = (
            "UPDATE entries SET seq=-4 WHERE seq=4",
            "UPDATE entries SET seq=4 WHERE seq=5",
            "UPDATE entries SET seq=5 WHERE seq=-4",
        )
        assert self.tampered(long, *swap) == (20, 4, False)

    def test_a_body_that_is_no_json_is_found(self, long: Plant) -> None:
        assert self.tampered(long, "UPDATE entries SET body='{' WHERE seq=2") == (20, 2, False)

    def test_a_damaged_one_is_said_and_never_rebuilt(self, ready: Plant) -> None:
        path = state(ready, "ledger.db")
        settle_down(path)
        path.write_bytes(b"spoiled" * 1000)
        asked = ready.ask("arm-07")
        assert (asked.code, asked.out, "which nothing can rebuild" in asked.err) == (1, "", True)
        assert ready.run("look", "--rebuild", "--yes").code == 1
        assert path.read_bytes() == b"spoiled" * 1000

    def test_every_verdict_mark_and_change_of_a_set_is_an_entry(self, ready: Plant) -> None:
        ready.ask("arm-07")
        entries = ready.run("ledger", "show", "--last", "0", "--json").json["entries"]
        assert [e["kind"] for e in entries] == ["share", "set", "set", "mark", "verdict"]


class TestKill:
    """A kill at any point loses nothing and doubles nothing."""

    def test_looks_killed_at_random_end_in_the_same_catalogue(self, tmp_path: Path) -> None:
        arms = tuple(f"arm-{n:02}" for n in range(1, 9))
        plant = Plant(tmp_path / "killed", arms)
        for arm in arms:
            for days in range(3):
                plant.save(arm, timedelta(days=days, hours=1))
        plant.init()
        command = [sys.executable, "-m", "guard", "--config", str(plant.config), "look"]
        for tenth in range(12):
            with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
                Event().wait(0.12 + tenth * 0.02)
                process.send_signal(signal.SIGKILL)
        plant.look()
        sets = plant.run("sets", "--json").json["sets"]
        assert len(sets) == len({s["path"] for s in sets}) == 24
        assert {s["proof"] for s in sets} == {"complete"}
        assert plant.run("ledger", "check").code == 0
        entries = plant.run("ledger", "show", "--last", "0", "--json").json["entries"]
        sealed = [e["body"] for e in entries if e["kind"] == "set"]
        assert len(sealed) == len(set(sealed)) == 24


def test_two_looks_at_once_do_not_double_anything(tmp_path: Path) -> None:
    plant = Plant(tmp_path / "twice")
    for days in range(6):
        plant.save("arm-07", timedelta(days=days, hours=1))
    plant.init()
    command = [sys.executable, "-m", "guard", "--config", str(plant.config), "look"]
    both = [subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.PIPE) for _ in range(2)]
    for process in both:
        _, err = process.communicate(timeout=60)
        assert process.returncode == 0, err
    assert len(plant.sets()) == 6
    entries = plant.run("ledger", "show", "--last", "0", "--json").json["entries"]
    assert plant.run("ledger", "check").code == 0
    assert [e["kind"] for e in entries].count("share") == 1


def test_asking_while_a_look_runs(tmp_path: Path) -> None:
    plant = Plant(tmp_path / "busy")
    for days in range(8):
        plant.save("arm-07", timedelta(days=days, hours=1))
    plant.init()
    command = [sys.executable, "-m", "guard", "--config", str(plant.config), "look"]
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        while process.poll() is None:
            assert plant.ask("arm-07").code in (10, 20)
    assert os.path.exists(plant.root / "state")
