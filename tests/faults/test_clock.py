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


@pytest.mark.parametrize("when", [(), ("--at", "today 00:00")], ids=["now", "today"])
def test_nothing_that_happens_is_told_by_a_clock_that_is_a_day_back(skewed: Skewed, when: tuple[str, ...]) -> None:
    """Once it is right again, a set that was known before would count as saved after an edit or a power-down."""
    skewed.save("arm-07")
    skewed.look()
    skewed.prove()
    skewed.set_clock("-1d")
    for kind in ("edit", "powered-off"):
        refused = skewed.run("mark", kind, "arm-07", *when)
        assert (refused.code, refused.out) == (2, "")
        assert "this computer's clock was set back" in refused.err
        assert "--at 'YYYY-MM-DD HH:MM'" in refused.err
    skewed.set_clock("+0")
    assert skewed.run("mark", "edit", "arm-07").code == 0
    assert "edited-since" in skewed.ask().codes


def test_no_cell_is_pulled_by_a_clock_that_is_a_day_back(skewed: Skewed) -> None:
    skewed.set_clock("-1d")
    older = skewed.save("arm-07", 30 * HOUR)
    skewed.look()
    skewed.prove()
    skewed.set_clock("+0")
    newer = skewed.save("arm-07")
    skewed.look()
    skewed.prove()
    skewed.set_clock("-1d")
    skewed.look()
    asked = skewed.ask("arm-07", "memory-swap")
    assert (asked.json["verdict"], asked.answer["set"]["path"]) == ("caution", older)
    refused = skewed.run("swap", "begin", "arm-07", "--by", "Ana", "--yes")
    assert refused.code == 2, newer
    assert "this computer's clock was set back" in refused.err
    assert skewed.run("swap", "show", "arm-07", "--json").json["state"] == "none"


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
