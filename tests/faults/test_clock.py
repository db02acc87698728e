"""The clock is set back an hour and forward a day while the monitor runs, and put right again."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from tests.faults.daemon import QUICK, Daemon, Witness, answers, nothing_lost_or_doubled, until
from tests.faults.machine import needs
from tests.plant import Plant, Result

HOUR = timedelta(hours=1)


class Skewed(Plant):
    """A plant whose computer has a clock that can be set."""

    def __init__(self, root: Path, library: Path) -> None:
        super().__init__(root, extra=QUICK + '\n[fresh]\npower-down = "20h"\n')
        self.clock = root / "clock"
        self.env = {
            "LD_PRELOAD": str(library),
            "FAKETIME_TIMESTAMP_FILE": str(self.clock),
            "FAKETIME_NO_CACHE": "1",
            "DONT_FAKE_MONOTONIC": "1",
            "NO_FAKE_STAT": "1",
        }
        self.set_clock("+0")

    def set_clock(self, offset: str) -> None:
        """Set the clock, by an offset to the right time."""
        new = self.clock.with_suffix(".new")
        new.write_text(offset)
        new.replace(self.clock)

    def program(self, *words: str, env: dict[str, str] | None = None, cwd: Path | None = None) -> Result:
        return super().program(*words, env={**self.env, **(env or {})}, cwd=cwd)


@pytest.fixture
def skewed(tmp_path: Path) -> Skewed:
    """A plant with a clock that can be set."""
    needs("faketime")
    found = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))
    if not found:
        pytest.skip("libfaketime is not where it is looked for")
    plant = Skewed(tmp_path / "plant", found[0])
    plant.init()
    return plant


def test_back_an_hour(skewed: Skewed) -> None:
    path = skewed.save("arm-07")
    with Daemon(skewed, env=skewed.env), Witness(skewed) as witness:
        until("it is clear", answers(skewed, "clear"))
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
        skewed.set_clock("+1d")
        with witness.during("a day on"):
            newer = skewed.save("arm-07", 3 * HOUR)
            until("the newer set is read back", lambda: skewed.sets()[-1]["proof"] == "read-back")
        skewed.set_clock("+0")
        last = skewed.save("arm-07", 2 * HOUR)
        until("it is clear again", answers(skewed, "clear", path=last))
    assert witness.verdicts("a day on") == {"hold"}
    nothing_lost_or_doubled(skewed, path, newer, last)
