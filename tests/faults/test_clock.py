"""The clock is set back an hour and forward a day while the monitor runs, and put right again."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from tests.faults.daemon import QUICK, Daemon, Witness, answers, nothing_lost_or_doubled, rows, until
from tests.faults.skewed import Skewed

HOUR = timedelta(hours=1)


@pytest.fixture
def skewed(tmp_path: Path) -> Skewed:
    """A plant with a clock that can be set."""
    plant = Skewed(tmp_path / "plant", extra=QUICK + '\n[fresh]\npower-down = "20h"\n')
    plant.init()
    return plant


def test_back_an_hour(skewed: Skewed) -> None:
    path = skewed.save("arm-07")
    with Daemon(skewed, env=skewed.env), Witness(skewed) as witness:
        until("it is clear", answers(skewed, "clear"))
        until("the night is made up for", lambda: rows(skewed, "SELECT 1 FROM runs WHERE job='read-back'"))
        skewed.set_clock("-1h")
        newer = skewed.save("arm-07", 3 * HOUR)
        with witness.during("an hour back"):
            until("the newer set is known", answers(skewed, "clear", path=newer))
        skewed.set_clock("+0")
        last = skewed.save("arm-07", 2 * HOUR)
        until("it is clear again", answers(skewed, "clear", path=last))
    nothing_lost_or_doubled(skewed, path, newer, last)


def test_forward_a_day(skewed: Skewed) -> None:
    path = skewed.save("arm-07")
    with Daemon(skewed, env=skewed.env), Witness(skewed) as witness:
        until("it is clear", answers(skewed, "clear"))
        until("the night is made up for", lambda: rows(skewed, "SELECT 1 FROM runs WHERE job='read-back'"))
        skewed.set_clock("+1d")
        with witness.during("a day on"):
            newer = skewed.save("arm-07", 3 * HOUR)
            until("the newer set is read back", lambda: skewed.sets()[-1]["proof"] == "read-back")
        skewed.set_clock("+0")
        last = skewed.save("arm-07", 2 * HOUR)
        until("it is clear again", answers(skewed, "clear", path=last))
    assert witness.verdicts("a day on") == {"hold"}
    nothing_lost_or_doubled(skewed, path, newer, last)
