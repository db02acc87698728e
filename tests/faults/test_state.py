"""The state folder in trouble while the monitor runs: locked, full, without power, taken."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from guard.desk import Desk
from guard.errors import StateLocked, StateUnusable
from guard.load import load
from guard.share.look import Silent
from tests.faults.daemon import Daemon, Witness, answers, nothing_lost_or_doubled, told, until
from tests.faults.faulty import faulty
from tests.faults.machine import cut_power, disk, mounted
from tests.plant import Plant

HOUR = timedelta(hours=1)


def test_the_catalogue_is_locked_for_long(plant: Plant) -> None:
    """Longer than any wait for a lock: what could not be written down is written down afterwards."""
    path = plant.save("arm-07")
    with Daemon(plant) as daemon, Witness(plant) as witness:
        until("it is clear", answers(plant, "clear"))
        db = sqlite3.connect(plant.root / "state" / "catalogue.db", isolation_level=None)
        db.execute("BEGIN IMMEDIATE")
        newer = plant.save("arm-07", HOUR)
        with witness.during("locked"):
            Event().wait(11)
        db.execute("ROLLBACK")
        db.close()
        until("it is clear again", answers(plant, "clear", path=newer))
        assert "is locked by another process" in daemon.log
    assert "clear" not in witness.verdicts("locked")
    nothing_lost_or_doubled(plant, path, newer)


def test_the_state_folder_is_full(bare: Plant) -> None:
    state = bare.root / "state"
    with mounted("-t", "tmpfs", "-o", "size=16M", "tmpfs", at=state):
        bare.init()
        path = bare.save("arm-07")
        with Daemon(bare) as daemon, Witness(bare) as witness:
            until("it is clear", answers(bare, "clear"))
            ballast = state / "ballast.bin"
            with ballast.open("wb", buffering=0) as file:
                fill(file.fileno())
            newer = bare.save("arm-07", HOUR)
            with witness.during("full"):
                until("it is noticed", lambda: "disk is full" in daemon.log + daemon.alarms.read_text())
            ballast.unlink()
            until("it is clear again", answers(bare, "clear", path=newer))
        assert "clear" not in witness.verdicts("full")
        nothing_lost_or_doubled(bare, path, newer)


def fill(file: int) -> None:
    """Write until nothing more goes in."""
    for size in (1 << 20, 4096, 1):
        try:
            while True:
                os.write(file, bytes(size))
        except OSError:
            continue


def test_power_is_cut(bare: Plant, tmp_path: Path) -> None:
    """What was acknowledged before is there afterwards; what was not is found again."""
    state = bare.root / "state"
    beneath = mounted("-t", "tmpfs", "-o", "ro", "tmpfs", at=state)  # so that nobody begins anew while no disk is there
    with beneath, disk(tmp_path / "image", state) as mount:
        bare.init()
        path = bare.save("arm-07")
        daemon = Daemon(bare)
        with daemon, Witness(bare) as witness:
            until("it is clear", answers(bare, "clear"))
            newer = bare.save("arm-07", HOUR)
            assert bare.run("mark", "edit", "arm-09", "--by", "M. Okafor").code == 0
            cut_power(mount)
            with witness.during("dead"):
                last = bare.save("arm-07", HOUR / 2)
            daemon.kill()
            mount.unmount()
            mount.mount()
            daemon.start()
            until("it is clear again", answers(bare, "clear", path=last))
            until("the one before is read back too", lambda: told(bare)[newer, "read-back"])
        assert "clear" not in witness.verdicts("dead")
        assert "M. Okafor" in bare.run("ledger", "show", "--last", "0").out
        nothing_lost_or_doubled(bare, path, newer, last)


def test_power_is_cut_when_the_ledger_knows_and_the_catalogue_does_not_know_that_it_does(
    bare: Plant, tmp_path: Path
) -> None:
    """What the ledger was told of the sets stands on the catalogue's disk too: else it would pass for an older copy."""
    with disk(tmp_path / "image", bare.root / "state") as mount:
        bare.init()
        path = bare.save("arm-07")
        desk = Desk(load(str(bare.config)))
        desk.catalogue.store.connection.execute("PRAGMA busy_timeout=0")
        desk.records.store.connection.execute("PRAGMA busy_timeout=0")
        with locked(bare.root / "state" / "ledger.db"), pytest.raises(StateLocked):
            desk.look(Silent())
        with locked(bare.root / "state" / "catalogue.db"), pytest.raises(StateLocked):
            desk.hand_over()
        assert [body["set"] for body in bodies(bare.root / "state" / "ledger.db")] == [path]
        cut_power(mount)
        desk.catalogue.close()
        desk.ledger.store.close()
        mount.unmount()
        mount.mount()
        assert bare.ask().code != 1
        bare.prove()
        nothing_lost_or_doubled(bare, path)


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Another process holds a database."""
    db = sqlite3.connect(path, isolation_level=None)
    db.execute("BEGIN IMMEDIATE")
    yield
    db.execute("ROLLBACK")
    db.close()


def bodies(path: Path) -> list[dict[str, Any]]:
    """What the ledger tells of sets."""
    db = sqlite3.connect(path)
    told = [json.loads(body) for (body,) in db.execute("SELECT body FROM entries WHERE kind='set'")]
    db.close()
    return told


def test_two_monitors_on_one_state_folder(plant: Plant) -> None:
    path = plant.save("arm-07")
    with Daemon(plant) as daemon:
        assert daemon.process is not None
        second = plant.run("serve")
        assert (second.code, second.out, str(daemon.process.pid) in second.err) == (1, "", True)
        until("the first works on", answers(plant, "clear"))
        daemon.kill()
        daemon.start()  # the lock of one that was killed is no lock
    nothing_lost_or_doubled(plant, path)


def test_a_state_folder_on_a_network_mount_is_refused(plant: Plant, tmp_path: Path) -> None:
    """FUSE counts as one, since nobody can tell what is behind it."""
    (tmp_path / "far").mkdir()
    text = plant.config.read_text()
    plant.config.write_text(text.replace("[share]", f'state = "{tmp_path / "mnt"}"\n[share]'))
    with faulty(tmp_path / "far", tmp_path / "mnt", tmp_path / "control"):
        for words in (("look",), ("ask", "--arm", "arm-07"), ("serve",)):
            done = plant.run(*words)
            assert done.code == 1
            assert "it lies on a network mount. Name a folder on a local disk as plant.state" in done.err
        assert list((tmp_path / "far").iterdir()) == []


def test_the_catalogue_is_built_again_while_the_monitor_runs(plant: Plant) -> None:
    """What the monitor finds from then on stands where answers look for it."""
    path = plant.save("arm-07")
    torn = plant.share / path / "memory.bin"
    with Daemon(plant) as daemon:
        until("it is clear", answers(plant, "clear"))
        assert plant.run("look", "--rebuild", "--yes").code == 0
        until("the monitor has it anew", lambda: "state-replaced" in daemon.log)
        plant.prove()
        sound, about = torn.read_bytes(), torn.stat()
        torn.write_bytes(bytes(reversed(sound)))
        until("the monitor tells the damage", lambda: "set-damaged" in daemon.log)
        torn.write_bytes(sound)
        os.utime(torn, ns=(about.st_atime_ns, about.st_mtime_ns))
        assert "damaged-set" in plant.ask().codes


def test_nothing_is_written_to_a_catalogue_that_was_moved_aside(plant: Plant) -> None:
    """A command that was at work meanwhile fails, instead of finding damage that no answer knows of."""
    plant.save("arm-07")
    plant.ready()
    desk = Desk(load(str(plant.config)))
    (known,) = desk.catalogue.known(0, "arm-07").values()
    assert plant.run("look", "--rebuild", "--yes").code == 0
    with pytest.raises(StateUnusable, match="another file was put in its place"):
        desk.catalogue.damage(known, desk.now(), "it is torn")
    assert desk.is_left_behind()
