"""Fixtures that all tests share."""

from __future__ import annotations

import gc
import os
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, is_hypothesis_test, settings

from tests.outbox import Outbox
from tests.plant import Plant
from tests.servers import Endpoint, Mailbox

# Where nobody keeps what was compiled, each of the thousands of processes below would compile the tool anew.
os.environ.pop("PYTHONDONTWRITEBYTECODE", None)
sys.dont_write_bytecode = False

# How long a machine takes that has other work says nothing about a law.
settings.register_profile("untimed", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("untimed")


def pytest_xdist_auto_num_workers() -> int:
    """Half as many more than cores: a third of the time tests wait, for monitors, windows and disks."""
    cores = os.cpu_count() or 1
    return cores + cores // 2


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Leave the laws out of what coverage measures: it doubles their time, and examples tell what is covered.

    Property tests of a whole plant (`tests/fuzz/`) are measured, since they alone run commands within this process.
    """
    for item in items:
        if isinstance(item, pytest.Function) and is_hypothesis_test(item.obj) and "plant" not in item.fixturenames:
            item.add_marker(pytest.mark.no_cover)


def pytest_collection_finish() -> None:
    """Leave what was collected, which stays, out of what every later collection of garbage looks through."""
    gc.freeze()


@pytest.fixture
def nothing_written(tmp_path: Path) -> Iterator[None]:
    """Reading an archive, or asking about a plant, writes nothing beside it or above it."""
    before = sorted(os.listdir(tmp_path.parent))
    yield
    assert sorted(os.listdir(tmp_path.parent)) == before
    assert {where.name for where in tmp_path.iterdir()} <= {"set.tar", "set.tgz", "set.zip", "plant"}


@pytest.fixture
def plant(tmp_path: Path) -> Plant:
    """A plant with two arms and an empty share."""
    return Plant(tmp_path / "plant")


@pytest.fixture
def outbox(plant: Plant) -> Iterator[Outbox]:
    """The outbox of that plant, where nothing is configured yet but what is on this computer."""
    made = Outbox(plant)
    yield made
    made.close()


@pytest.fixture
def mailbox() -> Iterator[Mailbox]:
    """A mail server that takes everything."""
    made = Mailbox().start()
    yield made
    made.stop()


@pytest.fixture
def endpoint() -> Iterator[Endpoint]:
    """A web server that takes everything."""
    made = Endpoint().start()
    yield made
    made.stop()
