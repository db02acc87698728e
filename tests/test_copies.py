"""Further places: how many of them hold the set that an answer rests on."""

from __future__ import annotations

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
