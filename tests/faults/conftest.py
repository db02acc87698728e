"""Fixtures of the fault tests: plants whose monitor looks often."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.faults.daemon import QUICK, move_share
from tests.faults.faulty import Faulty, faulty
from tests.plant import Plant


@pytest.fixture
def bare(tmp_path: Path) -> Plant:
    """A plant with two arms, whose monitor looks every second, and whose share waits to be mounted."""
    return Plant(tmp_path / "plant", extra=QUICK)


@pytest.fixture(scope="session")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """The same with a share that has its marker."""
    made = Plant(tmp_path_factory.mktemp("begun") / "plant", extra=QUICK)
    made.init()
    return made


@pytest.fixture
def plant(begun: Plant, tmp_path: Path) -> Plant:
    """That plant, for one test."""
    return begun.copy(tmp_path / "plant")


@pytest.fixture
def faults(plant: Plant, tmp_path: Path) -> Iterator[Faulty]:
    """The plant's share is read through a file system that fails on demand."""
    with faulty(plant.share, tmp_path / "mnt", tmp_path / "control") as faults:
        move_share(plant, tmp_path / "mnt")
        yield faults
