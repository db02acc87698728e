"""The plants that are fed with hostile input."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import settings

from tests.fuzz.bounds import Guard
from tests.oracle.calling import IN_MEMORY
from tests.plant import Plant

settings.register_profile("long", max_examples=5000)


@pytest.fixture(scope="module")
def scratch() -> Iterator[Path]:
    """A folder that waits for no disk, so that no call stands still for what others do there."""
    with TemporaryDirectory(dir=IN_MEMORY) as made:
        yield Path(made)


@pytest.fixture(scope="module")
def plant(scratch: Path) -> Plant:
    """A plant with a set that was read back, an event, a mark and a raised question."""
    made = Plant(scratch / "plant")
    made.save("arm-07")
    made.save("arm-07", timedelta(days=2))
    made.ready()
    for words in (
        ("event", "add", "--kind", "power-down", "--start", "in 30h", "--for", "8h", "--arm", "arm-07"),
        ("mark", "edit", "arm-09", "--by", "M. Okafor"),
        ("ask", "--all", "--json"),
    ):
        assert made.run(*words).code in (0, 10, 20)
    return made


@pytest.fixture(scope="module")
def guard(plant: Plant) -> Iterator[Guard]:
    """The command line of that plant, within its bounds."""
    with Guard(plant) as made:
        yield made
