"""kill -9 in the middle of anything; the next start takes up where it ended."""

from __future__ import annotations

import json
from collections import Counter
from datetime import timedelta

import pytest

from tests.faults.daemon import Daemon, Witness, answers, nothing_lost_or_doubled, rows, until
from tests.faults.faulty import Faulty
from tests.plant import Plant

HOUR = timedelta(hours=1)
SETS = 12


@pytest.mark.parametrize(
    "done",
    [
        pytest.param("complete IS NOT NULL", id="during-a-pass"),
        pytest.param("last_read_at IS NOT NULL", id="during-a-read-back"),
    ],
)
def test_between_the_first_set_and_the_last(plant: Plant, faults: Faulty, done: str) -> None:
    paths = [plant.save("arm-07", timedelta(hours=6, minutes=n)) for n in range(SETS)]
    faults.fail("arm-07", "list", "0.02")
    daemon = Daemon(plant)
    with daemon, Witness(plant) as witness:
        for share in (0.2, 0.5):
            until("it is in the middle", lambda share=share: count(plant, done) >= SETS * share)
            daemon.kill()
            assert count(plant, done) < SETS
            daemon.start()
        faults.clear()
        until("all is done", lambda: count(plant, "last_read_at IS NOT NULL") == SETS)
        until("it is clear", answers(plant, "clear", path=paths[0]))
    assert all(answer.set == paths[0] for answer in witness.answers if answer.verdict == "clear")
    nothing_lost_or_doubled(plant, *paths)


def count(plant: Plant, condition: str) -> int:
    """How many sets are catalogued so."""
    return sum(number for (number,) in rows(plant, f"SELECT count(*) FROM sets WHERE {condition}"))


def test_during_a_report(plant: Plant) -> None:
    """The report of the day is there once, whole, and told once."""
    path = plant.save("arm-07")
    reports = plant.root / "state" / "reports"
    daemon = Daemon(plant)
    with daemon:
        until("a report is being written", lambda: reports.exists() and any(reports.iterdir()), every=0.001)
        daemon.kill()
        daemon.start()
        until("it is noted as written", lambda: rows(plant, "SELECT slot FROM runs WHERE job='report'"))
        until("it is clear", answers(plant, "clear"))
    ((day,),) = rows(plant, "SELECT slot FROM runs WHERE job='report'")
    assert sorted(each.name for each in reports.iterdir()) == [f"{day}.{form}" for form in ("html", "json", "txt")]
    assert json.loads((reports / f"{day}.json").read_bytes())["schema"] == 1
    assert (reports / f"{day}.html").read_text().rstrip().endswith("</html>")
    told = Counter(rows(plant, "SELECT key, channel FROM letters", "ledger.db"))
    assert set(told.values()) == {1}
    nothing_lost_or_doubled(plant, path)


def test_with_an_open_swap_window(plant: Plant) -> None:
    """The clock of a window runs on, whoever is killed."""
    path = plant.save("arm-07")
    daemon = Daemon(plant)
    with daemon:
        until("it is clear", answers(plant, "clear"))
        assert plant.run("mark", "powered-on", "arm-07", "--at", "2026-01-01 00:00").code == 0
        assert plant.run("swap", "begin", "arm-07", "--yes").code == 0
        before = plant.run("swap", "show", "arm-07", "--json").json
        daemon.kill()
        between = plant.run("swap", "show", "arm-07", "--json").json
        daemon.start()
        after = plant.run("swap", "show", "arm-07", "--json").json
        assert before["state"] == between["state"] == after["state"] == "open"
        assert before["elapsed_s"] <= between["elapsed_s"] <= after["elapsed_s"]
        assert plant.run("swap", "begin", "arm-07", "--yes").code != 0
        assert plant.run("swap", "end", "arm-07").code == 0
    nothing_lost_or_doubled(plant, path)
