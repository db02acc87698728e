"""The headline of a verdict: what is blocked, and the first thing to do about it, short enough to be read at a glance."""

from __future__ import annotations

import pytest

from guard.model import Finding, Question, Verdict
from guard.tell.words import LONGEST, headline
from tests.facts import HOUR, NOW
from tests.test_memory import AFTER, PROGRAMS, ZERO, compared, swapped

ASKED = Question("power-down", NOW, 8 * HOUR)


def held(*remedies: str) -> Verdict:
    """A verdict of hold with findings of these remedies."""
    found = tuple(Finding("stale-backup", "hold", "It is old.", each, {}, None) for each in remedies)
    return Verdict("arm-07", ASKED, "hold", None, None, None, found, None)


LONG = f"Do this first: look. {'Then do that. ' * 20}"
"""Many sentences, of which a headline has room for one."""


@pytest.mark.parametrize(
    ("remedies", "told"),
    [
        pytest.param(("Save it, then run: guard look",), ": save it, then run: guard look.", id="one"),
        pytest.param(("Save it.", "Save it."), ": save it.", id="one-for-two"),
        pytest.param(("Save it", "Wait", "Look"), ", first of 3 steps: save it.", id="three"),
        pytest.param((LONG,), ", first of all: do this first: look.", id="long"),
        pytest.param((LONG, "Wait"), ", first of all: do this first: look.", id="long-of-two"),
        pytest.param((f"Run: guard prove 'a. B'. {LONG}",), ", first of all: run: guard prove 'a. B'.", id="quoted-name"),
        pytest.param(("x" * (LONGEST + 1),), f": {'x' * (LONGEST + 1)}.", id="one-long-sentence"),
        pytest.param(("Save it. Then look. " + "x" * (LONGEST - 20),), f": save it. Then look. {'x' * (LONGEST - 20)}.", id="as-long-as-may-be"),
        pytest.param((), ": nothing known.", id="none"),
    ],
)  # fmt: skip
def test_what_lifts_it(remedies: tuple[str, ...], told: str) -> None:
    assert headline(held(*remedies)) == f"HOLD: do not power down arm-07. What lifts it{told}"


def test_of_a_memory_that_differs_it_says_what_comes_first() -> None:
    assert headline(swapped(AFTER, told=(compared(AFTER, PROGRAMS, ZERO),)).verdict) == (
        "HOLD: do not power down arm-07. What lifts it, first of all: let nobody move arm-07 before this is settled:"
        " check programs, settings and axis positions at the machine."
    )
