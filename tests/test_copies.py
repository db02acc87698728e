"""Further places: how many of them hold the set that an answer rests on, and how their rot is found."""

from __future__ import annotations

import os
import shutil
import sqlite3
import threading
from datetime import timedelta
from pathlib import Path

import pytest

from guard.clock import now
from guard.load import load
from guard.service.hand import Hand
from guard.service.nightly import Nightly
from tests.faults.daemon import rows
from tests.plant import Plant

PATH = "arm-07/2026-11-20_0600"
FILE = f"{PATH}/memory.bin"
COPY = f"{PATH} in further copy 1"
WITHIN = timedelta(days=30)


def made(plant: Plant) -> Plant:
    """A plant with a further place that has a copy of the one set of arm-07; nothing was looked at yet."""
    configure(plant)
    plant.save("arm-07", name=Path(PATH).name)
    shutil.copytree(plant.share / PATH, further(plant) / PATH)
    plant.init()
    return plant


def further(plant: Plant) -> Path:
    """The further place."""
    return plant.root / "second"


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """The same once for all, looked at and read back."""
    plant = made(Plant(tmp_path_factory.mktemp("prepared") / "plant"))
    plant.look()
    plant.prove()
    return plant


@pytest.fixture
def copied(prepared: Plant, tmp_path: Path) -> Plant:
    """That plant, to do with as one likes."""
    plant = prepared.copy(tmp_path / "copied")
    plant.look()  # the further place lies elsewhere now, and what is there was not read yet
    return plant


@pytest.fixture
def second(plant: Plant) -> Path:
    """The further place of such a plant."""
    return further(made(plant))


def configure(plant: Plant, budget: str = "500 GiB") -> None:
    extra = f'[fresh]\npower-down = "99y"\n[service]\nread-back-budget = "{budget}"\n'
    plant.configure(share='copies = ["second"]\ncopies-needed = 1', extra=extra)


def too_few(plant: Plant) -> bool:
    """Whether the answer about arm-07 lacks copies; nothing else is wrong with it."""
    asked = plant.ask()
    assert asked.codes <= {"too-few-copies"}, asked
    assert asked.answer["set"]["proof"] == ("read-back" if asked.codes else "copied")
    return bool(asked.codes)


def rot(file: Path) -> None:
    """Turn one bit over; size and time stay as they were. Twice is none."""
    status, data = file.stat(), bytearray(file.read_bytes())
    data[100] ^= 1
    file.write_bytes(data)
    os.utime(file, ns=(status.st_atime_ns, status.st_mtime_ns))


def proven_ago(plant: Plant, share: timedelta, copy: timedelta) -> None:
    """Let the set and its copy have been proven so long ago: the one read back, the other read when it came."""
    times = [(now() - ago).strftime("%Y-%m-%dT%H:%M:%S.%fZ") for ago in (share, copy)]
    with sqlite3.connect(plant.root / "state" / "catalogue.db") as db:
        db.execute("UPDATE sets SET last_read_at=? WHERE place=0", times[:1])
        db.execute("UPDATE sets SET last_read_at=NULL, sealed_at=? WHERE place=1", times[1:])
    db.close()


class TestAfterALook:
    """A copy counts once it was read, be it by a look at that one arm."""

    @pytest.mark.parametrize("words", [(), ("--arm", "arm-07")], ids=["at-all", "at-the-arm"])
    def test_a_copy_counts(self, plant: Plant, words: tuple[str, ...]) -> None:
        made(plant).look(*words)
        plant.prove()
        assert not too_few(plant)
        shutil.rmtree(further(plant) / PATH)
        assert too_few(plant)

    @pytest.mark.parametrize("words", [(), ("--arm", "arm-07")], ids=["at-all", "at-the-arm"])
    def test_another_content_does_not(self, plant: Plant, words: tuple[str, ...]) -> None:
        (further(made(plant)) / PATH / "programs/main.txt").write_bytes(b"move to rest\n")
        plant.look(*words)
        plant.prove()
        assert too_few(plant)

    def test_in_a_place_that_cannot_be_read_it_does_not(self, plant: Plant) -> None:
        made(plant).look("--arm", "arm-07")
        plant.prove()
        away = further(plant).rename(plant.root / "away")
        plant.look("--arm", "arm-07")
        assert too_few(plant)
        away.rename(further(plant))
        plant.look("--arm", "arm-07")
        assert not too_few(plant)


class TestNoFurtherPlace:
    """What is configured as a further place and is none."""

    @pytest.mark.parametrize("way", ["share", "a-link", "second"])
    def test_the_same_files_by_another_way_are_counted_once(self, plant: Plant, second: Path, way: str) -> None:
        (plant.root / "a-link").symlink_to(second)
        needed = 1 if way == "share" else 2
        further = [way] if way == "share" else ["second", way]
        plant.configure(share=f"copies = {further}\ncopies-needed = {needed}", extra='[fresh]\npower-down = "99y"\n')
        plant.look()
        plant.prove()
        assert too_few(plant)

    def test_an_archive_that_is_the_same_file_is_none(self, plant: Plant, second: Path) -> None:
        shutil.make_archive(str(plant.share / PATH), "tar", plant.share / PATH)
        for root in (plant.share, second):
            shutil.rmtree(root / PATH)
        os.link(plant.share / f"{PATH}.tar", second / f"{PATH}.tar")
        plant.look()
        plant.prove()
        assert too_few(plant)


def test_a_damaged_copy_stands_for_no_sound_one(plant: Plant, second: Path) -> None:
    """Of two copies one rotted, which was found, and looks as it did; then the sound one went."""
    third = plant.root / "third"
    shutil.copytree(second, third)
    plant.configure(share='copies = ["second", "third"]\ncopies-needed = 1', extra='[fresh]\npower-down = "99y"\n')
    plant.look()
    plant.prove()
    rotted = second / PATH / "memory.bin"
    about = rotted.stat()
    rotted.write_bytes(bytes(reversed(rotted.read_bytes())))
    plant.look()
    os.utime(rotted, ns=(about.st_atime_ns, about.st_mtime_ns))
    assert not too_few(plant)
    shutil.rmtree(third / PATH)
    assert too_few(plant)


@pytest.mark.parametrize("away", [False, True], ids=["there", "away-for-a-look"])
def test_another_copy_in_the_place_of_one_has_to_be_read(plant: Plant, second: Path, away: bool) -> None:  # noqa: FBT001
    """The copies moved to another disk, on which one file is not what it was, though it looks the same."""
    plant.look()
    plant.prove()
    assert not too_few(plant)
    if away:
        second.rename(plant.root / "away")
        plant.look()
        (plant.root / "away").rename(second)
    third = plant.root / "third"
    shutil.copytree(second, third)
    torn = third / PATH / "memory.bin"
    about = torn.stat()
    torn.write_bytes(bytes(reversed(torn.read_bytes())))
    os.utime(torn, ns=(about.st_atime_ns, about.st_mtime_ns))
    plant.configure(share='copies = ["third"]\ncopies-needed = 1', extra='[fresh]\npower-down = "99y"\n')
    assert too_few(plant)
    plant.look("--arm", "arm-07")
    assert too_few(plant)
    plant.configure(share='copies = ["second"]\ncopies-needed = 1', extra='[fresh]\npower-down = "99y"\n')
    plant.look()
    assert not too_few(plant)


class TestReadBack:
    """What no listing shows is found where a copy is read back, and is not forgotten before it was read again."""

    def test_rot_is_found_with_the_set_itself(self, copied: Plant) -> None:
        rot(further(copied) / FILE)
        copied.look()
        assert not too_few(copied)  # as nobody has read it since

        proved = copied.run("prove", PATH)
        assert (proved.code, f"{COPY}: the content of memory.bin differs" in proved.out) == (10, True), proved
        assert too_few(copied)

        rot(further(copied) / FILE)
        copied.look()
        assert too_few(copied)
        proved = copied.run("prove", PATH)
        again = f"{COPY}: every digest equal, although it was noted as damaged before"
        assert (proved.code, again in proved.out) == (0, True), proved
        assert not too_few(copied)

    def test_damage_to_the_set_itself_outranks_that_of_its_copy(self, copied: Plant) -> None:
        rot(further(copied) / FILE)
        rot(copied.share / FILE)
        assert copied.run("prove", PATH).code == 20

    @pytest.mark.parametrize(
        ("ago", "is_due"),
        [
            pytest.param(WITHIN / 2 - timedelta(minutes=5), False, id="under-half-the-time"),
            pytest.param(WITHIN / 2 + timedelta(minutes=5), True, id="over"),
        ],
    )
    def test_it_is_due_as_long_after_it_came_as_a_set_after_its_read_back(
        self,
        copied: Plant,
        ago: timedelta,
        is_due: bool,  # noqa: FBT001
    ) -> None:
        rot(further(copied) / FILE)
        proven_ago(copied, timedelta(), ago)
        proved = copied.run("prove", "--due")
        assert (COPY in proved.out, proved.code) == (is_due, 10 if is_due else 0)
        assert too_few(copied) == is_due

    def test_a_place_that_is_away_holds_nobody_up(self, copied: Plant) -> None:
        proven_ago(copied, WITHIN, WITHIN)
        further(copied).rename(copied.root / "away")
        copied.look()
        proved = copied.run("prove", "--due")
        assert (proved.code, f"{PATH}: every digest equal" in proved.out, COPY in proved.out) == (0, True, False)

    @pytest.mark.parametrize(
        ("ago", "budget"),
        [
            pytest.param(WITHIN / 2, "1 B", id="whatever-is-left-of-the-budget"),
            pytest.param(timedelta(days=-1), "500 GiB", id="when-it-came-cannot-be-believed"),
        ],
    )
    def test_at_night(self, copied: Plant, ago: timedelta, budget: str) -> None:
        rot(further(copied) / FILE)
        proven_ago(copied, WITHIN / 2, ago)
        configure(copied, budget)
        hand = Hand("nightly", load(str(copied.config)), lambda _: lambda: None, threading.Event())
        begun = now()

        assert Nightly(hand, lambda: True, lambda: False, lambda: None)() is None

        assert len(rows(copied, f"SELECT 1 FROM sets WHERE place=0 AND last_read_at>='{begun:%Y-%m-%dT%H:%M:%S}'")) == 1
        assert too_few(copied)


@pytest.mark.parametrize("marker", ["gone", "another"])
def test_a_place_that_is_not_the_one_it_was_counts_once_a_person_says_so_and_it_was_read(
    copied: Plant, marker: str
) -> None:
    """A copy of the further place on another disk, on which one file rotted with its times."""
    init = ("init", str(copied.root), "--share", str(further(copied)), "--yes")
    assert copied.run(*init).code == 0
    copied.look()
    assert "too-few-copies" not in copied.ask().codes
    there = further(copied) / ".guard-share.json"
    there.unlink()
    if marker == "another":
        there.write_text('{"schema": 1, "identity": "another"}')
    torn = further(copied) / FILE
    about = torn.stat()
    torn.write_bytes(bytes(reversed(torn.read_bytes())))
    os.utime(torn, ns=(about.st_atime_ns, about.st_mtime_ns))
    assert "too-few-copies" in copied.ask().codes
    assert copied.run(*init).code == 2
    assert copied.run(*init, "--adopt").code == 0
    copied.look()
    assert "too-few-copies" in copied.ask().codes
    shutil.rmtree(further(copied) / PATH)
    copied.look("--accept-vanished")
    shutil.copytree(copied.share / PATH, further(copied) / PATH)
    copied.look()
    assert "too-few-copies" not in copied.ask().codes
