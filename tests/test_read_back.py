"""A read-back reads the disk, and not what the system still remembers of the first read; at night it gives way."""

from __future__ import annotations

import os
import resource
import shutil
import sqlite3
import threading
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from guard.clock import now
from guard.desk import Desk
from guard.load import load
from guard.service.hand import Hand
from guard.service.nightly import Nightly
from guard.share.look import Silent
from tests.faults.daemon import rows
from tests.plant import Plant, content

IMAGE_BYTES = 4 << 20
BLOCK_BYTES = 512
"""The unit of ru_inblock (getrusage(2), as Linux counts it)."""


def read_from_disk(who: int) -> int:
    """How many bytes this process, or those that it waited for, have had read from a disk."""
    return resource.getrusage(who).ru_inblock * BLOCK_BYTES


@pytest.fixture
def on_disk(tmp_path: Path) -> None:
    """Skips where files lie in memory alone, or where the system does not forget or does not count."""
    probe = tmp_path / "probe"
    probe.write_bytes(os.urandom(IMAGE_BYTES))
    with probe.open("rb") as file:
        os.fsync(file.fileno())
        os.posix_fadvise(file.fileno(), 0, 0, os.POSIX_FADV_DONTNEED)
        before = read_from_disk(resource.RUSAGE_SELF)
        file.read()
    if read_from_disk(resource.RUSAGE_SELF) - before < IMAGE_BYTES:
        pytest.skip("the files of this test lie on no disk")


@pytest.mark.usefixtures("on_disk")
@pytest.mark.parametrize(
    ("form", "suffix"),
    [
        pytest.param("", "", id="folder"),
        pytest.param("zip", ".zip", id="zip"),
        pytest.param("tar", ".tar", id="tar"),
        pytest.param("gztar", ".tar.gz", id="tar.gz"),
    ],
)
def test_it_reads_the_disk(plant: Plant, form: str, suffix: str) -> None:
    path = plant.save("arm-07", files={**content("arm-07"), "memory.bin": os.urandom(IMAGE_BYTES)})
    if form:
        shutil.make_archive(str(plant.share / path), form, plant.share / path)
        shutil.rmtree(plant.share / path)
    plant.init()
    plant.look()
    os.sync()  # what is not on the disk yet cannot be forgotten

    before = read_from_disk(resource.RUSAGE_CHILDREN)
    proved = plant.run("prove", path + suffix)

    assert (proved.code, "every digest equal" in proved.out) == (0, True)
    assert read_from_disk(resource.RUSAGE_CHILDREN) - before >= IMAGE_BYTES


def test_damage_that_another_found_meanwhile_is_not_taken_back(plant: Plant) -> None:
    """One read-back has read all of a set as it was, and writes that down after another one found that it rots."""
    path = plant.save("arm-07")
    plant.ready()
    rotting = plant.share / path / "memory.bin"
    times = 0

    def rots() -> datetime:
        nonlocal times
        times += 1
        if times == 3:  # the time of the read-back, which it takes when it has read
            about = rotting.stat()
            rotting.write_bytes(bytes(reversed(rotting.read_bytes())))
            os.utime(rotting, ns=(about.st_atime_ns, about.st_mtime_ns))
            assert "damaged" in plant.run("prove", path).out
        return now()

    desk = Desk(load(str(plant.config)), rots)
    (proved,) = desk.prove([desk.resolve(path)], Silent())
    assert (proved.outcome, times >= 3) == ("unreadable", True)
    assert [each["proof"] for each in plant.sets()] == ["damaged"]
    assert "damaged-set" in plant.ask().codes


def test_a_set_that_is_gone_is_called_so_where_no_file_of_it_can_be_named(plant: Plant) -> None:
    path = plant.save("arm-07")
    plant.ready()
    shutil.rmtree(plant.share / path)
    assert f"{path}: the set changed or vanished while it was read" in plant.run("prove", path).out


def night(plant: Plant, share_is_written: Callable[[], bool]) -> float | None:
    """One wake of the hand that has the nights; returns after how many seconds it wants to be woken again."""
    hand = Hand("nightly", load(str(plant.config)), lambda _: lambda: None, threading.Event())
    return Nightly(hand, lambda: True, share_is_written, lambda: None)()


def test_at_night_it_waits_while_the_share_is_being_written(plant: Plant) -> None:
    for age in (1, 2):
        plant.save("arm-07", timedelta(days=age))
    plant.ready()
    long_ago = (now() - timedelta(days=29)).strftime("%Y-%m-%dT%H:%M:%S.000000Z")
    with sqlite3.connect(plant.root / "state" / "catalogue.db") as db:
        db.execute("UPDATE sets SET last_read_at=?", (long_ago,))
    db.close()

    def due() -> int:
        return len(rows(plant, f"SELECT 1 FROM sets WHERE last_read_at='{long_ago}'"))

    assert night(plant, lambda: True) is not None
    assert (due(), rows(plant, "SELECT slot FROM runs WHERE job='read-back'")) == (2, [])

    # Somebody begins to write in the middle of it.
    assert night(plant, lambda: due() < 2) is not None
    assert (due(), rows(plant, "SELECT slot FROM runs WHERE job='read-back'")) == (1, [])

    assert night(plant, lambda: False) is None
    assert (due(), len(rows(plant, "SELECT slot FROM runs WHERE job='read-back'"))) == (0, 1)
