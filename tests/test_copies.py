"""Further places: how many of them hold the set that an answer rests on."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

from tests.plant import Plant

PATH = "arm-07/2026-11-20_0600"


@pytest.fixture
def second(plant: Plant) -> Path:
    """A further place with a copy of the one set of arm-07; nothing was looked at yet."""
    plant.configure(share='copies = ["second"]\ncopies-needed = 1', extra='[fresh]\npower-down = "99y"\n')
    plant.save("arm-07", name=Path(PATH).name)
    shutil.copytree(plant.share / PATH, plant.root / "second" / PATH)
    plant.init()
    return plant.root / "second"


def too_few(plant: Plant) -> bool:
    """Whether the answer about arm-07 lacks copies; nothing else is wrong with it."""
    asked = plant.ask()
    assert asked.codes <= {"too-few-copies"}, asked
    assert asked.answer["set"]["proof"] == ("read-back" if asked.codes else "copied")
    return bool(asked.codes)


class TestAfterALook:
    """A copy counts once it was read, be it by a look at that one arm."""

    @pytest.mark.parametrize("words", [(), ("--arm", "arm-07")], ids=["at-all", "at-the-arm"])
    def test_a_copy_counts(self, plant: Plant, second: Path, words: tuple[str, ...]) -> None:
        plant.look(*words)
        plant.prove()
        assert not too_few(plant)
        shutil.rmtree(second / PATH)
        assert too_few(plant)

    @pytest.mark.parametrize("words", [(), ("--arm", "arm-07")], ids=["at-all", "at-the-arm"])
    def test_another_content_does_not(self, plant: Plant, second: Path, words: tuple[str, ...]) -> None:
        (second / PATH / "programs/main.txt").write_bytes(b"move to rest\n")
        plant.look(*words)
        plant.prove()
        assert too_few(plant)

    def test_a_place_that_cannot_be_read_does_not(self, plant: Plant, second: Path) -> None:
        plant.look("--arm", "arm-07")
        plant.prove()
        second.rename(second.with_name("away"))
        plant.look("--arm", "arm-07")
        assert too_few(plant)
        second.with_name("away").rename(second)
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


def test_another_copy_in_the_place_of_one_has_to_be_read(plant: Plant, second: Path) -> None:
    """The copies moved to another disk, on which one file is not what it was, though it looks the same."""
    plant.look()
    plant.prove()
    assert not too_few(plant)
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
