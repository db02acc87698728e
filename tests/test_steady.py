"""The clock by which sets settle: whatever is done to the wall clock, it never runs faster than time does."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import timedelta

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.clock import Reading
from guard.store.database import Store
from guard.store.steady import SLACK, steady_now
from tests.facts import NOW

STEPS = st.lists(st.tuples(st.integers(0, 10**6), st.integers(-(10**6), 10**6)), min_size=1, max_size=12)


class Computer:
    """Its two clocks, of which one can be set."""

    def __init__(self) -> None:
        self.wall, self.uptime_s, self.boot = NOW, 500.0, os.urandom(4).hex()

    def __call__(self) -> Reading:
        return Reading(self.wall, self.boot, self.uptime_s)

    def wait(self, seconds: int) -> None:
        self.wall += timedelta(seconds=seconds)
        self.uptime_s += seconds


@pytest.fixture(scope="module")
def store(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Store]:
    """A catalogue."""
    made = Store(str(tmp_path_factory.mktemp("state") / "catalogue.db"), "catalogue")
    yield made
    made.close()


@settings(max_examples=50)
@given(STEPS)
def test_it_never_runs_faster_than_time_and_never_ahead_of_the_clock(
    store: Store, steps: list[tuple[int, int]]
) -> None:
    computer = Computer()
    before = steady_now(store, computer())
    for passed, set_by in steps:
        computer.wait(passed)
        computer.wall += timedelta(seconds=set_by)
        moment = steady_now(store, computer())
        assert moment <= computer.wall
        assert moment - before <= timedelta(seconds=passed) + SLACK
        before = moment


def test_a_start_of_the_computer_begins_anew(store: Store) -> None:
    computer = Computer()
    steady_now(store, computer())
    computer.wall += timedelta(days=1)  # set forward, so what is steady stays behind
    assert steady_now(store, computer()) == NOW
    computer.boot, computer.uptime_s = "the next", 3.0
    assert steady_now(store, computer()) == computer.wall


def test_where_starts_cannot_be_told_apart_the_wall_clock_counts(store: Store) -> None:
    computer = Computer()
    computer.boot = ""
    steady_now(store, computer())
    computer.wall += timedelta(days=1)
    assert steady_now(store, computer()) == computer.wall
