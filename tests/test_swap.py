"""`guard swap`: the real command line, on real terminals, killed for real."""

from __future__ import annotations

import os
import re
import signal
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path
from threading import Event
from typing import Any

import pytest

from tests.plant import ZONE, Plant
from tests.terminal import ESCAPES, ON_POSIX, Terminal

CELLS = """
[cell-types.memory-cell]
kind = "memory"
interval = "4y"
[cell-types.position-cell]
kind = "position"
interval = "1y"
"""


def short(limit: str, closing: float = 0.5) -> str:
    """A window of that limit."""
    return f'{CELLS}\n[window]\nlimit = "{limit}"\nclosing = {closing}\n'


def plant_of(root: Path, extra: str = CELLS) -> Plant:
    """A plant whose backup of arm-07 is fresh and proven, and that of arm-09 is too old."""
    plant = Plant(root, extra=extra)
    plant.save("arm-07")
    plant.save("arm-09", timedelta(days=3))
    plant.ready()
    return plant


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """That plant, to be copied."""
    return plant_of(tmp_path_factory.mktemp("template") / "plant")


@pytest.fixture
def ready(template: Plant, tmp_path: Path) -> Plant:
    """That plant, for one test."""
    return template.copy(tmp_path / "plant")


def begin(plant: Plant, *words: str, by: str = "Ana") -> Any:
    return plant.run("swap", "begin", "arm-07", "--yes", "--by", by, *words)


def end(plant: Plant, *words: str) -> Any:
    return plant.run("swap", "end", "arm-07", "--by", "Ben", *words)


def show(plant: Plant, arm: str = "arm-07") -> Any:
    return plant.run("swap", "show", arm, "--json")


def bodies(plant: Plant, kind: str) -> list[str]:
    """The bodies of the ledger's entries of a kind."""
    entries = plant.run("ledger", "show", "--last", "0", "--json").json["entries"]
    return [entry["body"] for entry in entries if entry["kind"] == kind]


class TestBegin:
    def test_it_refuses_while_the_verdict_is_a_hold_and_shows_what_lifts_it(self, ready: Plant) -> None:
        done = ready.run("swap", "begin", "arm-09", "--yes")
        assert done.code == 20
        assert "HOLD: do not change the memory cell of arm-09. What lifts it: save a fresh backup" in done.out
        assert "lockout/tagout" in done.out
        assert done.err == "Nothing was begun: leave the cell of arm-09 in. What lifts it stands above.\n"
        assert show(ready, "arm-09").json["state"] == "none"

    def test_it_refuses_while_the_verdict_is_unknown(self, ready: Plant) -> None:
        (ready.share / "arm-07").rename(ready.root / "elsewhere")
        (ready.share / "arm-07").write_text("no folder")
        ready.share.rename(ready.root / "gone")
        done = begin(ready)
        assert done.code == 30, done
        assert "UNKNOWN: treat it as a hold" in done.out

    def test_a_sign_off_over_the_hold_lets_it_begin(self, ready: Plant) -> None:
        words = ("--by", "Ana", "--why", "spare arm stands by", "--until", "in 1d", "--action", "memory-swap")
        assert ready.run("sign-off", "arm-09", "--finding", "stale-backup", *words).code == 0
        done = ready.run("swap", "begin", "arm-09", "--yes")
        assert done.code == 0, done
        assert "Signed off by Ana" in done.out
        assert '"findings":["not-powered-long-enough","stale-backup","spare-missing"]' in bodies(ready, "swap")[0]

    def test_without_a_terminal_it_needs_yes(self, ready: Plant) -> None:
        done = ready.run("swap", "begin", "arm-07")
        assert done.code == 2
        assert done.err.endswith("Without a terminal to ask on, say so with --yes.\n")
        assert show(ready).json["state"] == "none"

    def test_it_looks_freshly(self, ready: Plant) -> None:
        path = ready.sets()[0]["path"]
        (ready.share / path / "memory.bin").unlink()
        done = begin(ready)
        assert done.code == 20
        assert "memory.bin" in done.out

    def test_it_starts_the_clock_and_shows_the_cautions(self, ready: Plant) -> None:
        done = begin(ready)
        assert (done.code, done.err) == (0, "")
        assert "not-powered-long-enough" in done.out
        assert "lockout/tagout" in done.out
        assert "The clock of arm-07 runs since " in done.out
        assert "guard swap end arm-07 --by NAME" in done.out
        now = show(ready)
        assert now.code == 20
        path, fingerprint = (ready.sets()[0][key] for key in ("path", "fingerprint"))
        assert now.json["set"] == {"path": path, "fingerprint": fingerprint}
        assert (now.json["state"], now.json["limit_s"], now.json["by"]) == ("open", 1800, "Ana")
        assert now.json["elapsed_s"] + now.json["left_s"] == pytest.approx(1800)
        assert ready.ask().codes == {"window-open"}

    def test_a_second_person_is_told_who_and_when(self, ready: Plant) -> None:
        begin(ready)
        done = begin(ready, by="Ben")
        assert done.code == 20
        assert re.match(
            r"The swap window of arm-07 is open already: begun by Ana, \w{3} \d{4}-\d\d-\d\d \d\d:\d\d:\d\d CES?T\. ",
            done.err,
        )
        assert "OPEN: " in done.out
        assert len(bodies(ready, "swap")) == 1

    def test_of_two_at_once_exactly_one_opens_it(self, ready: Plant) -> None:
        command = [sys.executable, "-m", "guard", "swap", "begin", "arm-07", "--yes", "--by"]
        env = {**os.environ, "GUARD_CONFIG": str(ready.config)}
        people = [
            subprocess.Popen(
                [*command, by], stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ready.root, env=env, text=True
            )
            for by in ("Ana", "Ben")
        ]
        told = [process.communicate(timeout=60) for process in people]
        assert sorted(process.returncode for process in people) == [0, 20], told
        loser = next(err for process, (_, err) in zip(people, told, strict=True) if process.returncode)
        winner = "Ben" if people[0].returncode else "Ana"
        assert f"begun by {winner}" in loser
        assert len(bodies(ready, "swap")) == 1


class TestShow:
    def test_the_contract(self, ready: Plant) -> None:
        none = show(ready)
        assert none.code == 0
        wanted = {"schema": 1, "arm": "arm-07", "state": "none", "began_at": None, "elapsed_s": None, "left_s": None}
        assert {key: none.json[key] for key in wanted} == wanted
        assert none.json["limit_s"] == 1800
        assert ready.run("swap", "show").out == "No memory cell is out.\n"
        assert ready.run("swap", "show", "--json").json == {"schema": 1, "windows": [], "not_configured": []}

    def test_all_that_are_open(self, ready: Plant) -> None:
        begin(ready)
        every = ready.run("swap", "show", "--json")
        assert (every.code, [each["arm"] for each in every.json["windows"]]) == (20, ["arm-07"])
        assert "OPEN: " in ready.run("swap", "show").out

    def test_from_open_over_closing_to_over(self, tmp_path: Path) -> None:
        plant = plant_of(tmp_path / "plant", short("6s"))
        begin(plant)
        seen, screens = [], {}
        deadline = time.monotonic() + 30
        while not seen or seen[-1][0] != "over":
            now = show(plant).json
            seen.append((now["state"], now["elapsed_s"], now["left_s"]))
            if now["state"] not in screens:
                screens[now["state"]] = plant.run("swap", "show", "arm-07").out
            assert time.monotonic() < deadline
            Event().wait(0.1)
        assert list(dict.fromkeys(state for state, _, _ in seen)) == ["open", "closing", "over"]
        assert [out for _, out, _ in seen] == sorted(out for _, out, _ in seen)
        assert [left for _, _, left in seen] == sorted((left for _, _, left in seen), reverse=True)
        assert seen[-1][2] == 0
        assert "CLOSING: " in screens["closing"]
        backup = plant.sets()[0]
        assert f"restore {backup['path']} (fingerprint {backup['fingerprint']})" in screens["over"]
        assert "take the memory for lost" in screens["over"]
        assert plant.ask().codes == {"window-over"}
        done = end(plant)
        assert re.search(r"was out for \d+ s, \d+ s over the limit of 6 s\.", done.out)
        assert f"restore {backup['path']} (fingerprint {backup['fingerprint']})" in done.out


class TestEnd:
    def test_until_a_later_set_is_proven_the_memory_awaits_proof(self, ready: Plant) -> None:
        begin(ready)
        done = end(ready, "--cell", "memory-cell", "--date-code", "2026-08", "--installed", "2026-01-02")
        assert (done.code, done.err) == (0, "")
        assert done.out.startswith("Recorded: the memory cell of arm-07 was out for ")
        assert "AWAITING PROOF" in done.out
        assert "lockout/tagout" in done.out
        now = show(ready)
        assert (now.code, now.json["state"], now.json["left_s"]) == (20, "awaiting-proof", None)
        assert ready.ask().codes == {"awaiting-proof"}
        assert ready.ask("arm-07", "service-visit").json["verdict"] == "caution"
        old = ready.sets()[0]["path"]
        assert f"guard compare {old} SET" in done.out
        (mark,) = bodies(ready, "mark")
        for told in (
            '"kind":"cell-changed"',
            '"cell":"memory-cell"',
            '"date_code":"2026-08"',
            '"installed":"2026-01-02"',
        ):
            assert told in mark
        ready.save("arm-07", timedelta(), name="after-the-change")
        ready.configure(CELLS, share='layout = ["{arm}/{any}"]')
        ready.look()
        assert ready.ask().codes == {"awaiting-proof", "unsettled-newer"}
        ready.prove()
        assert show(ready).json["state"] == "none"
        assert ready.ask().json["verdict"] == "clear"

    def test_the_arms_one_memory_cell_and_today_are_taken_where_nobody_tells(self, ready: Plant) -> None:
        from zoneinfo import ZoneInfo

        from guard.clock import now

        begin(ready)
        end(ready)
        (mark,) = bodies(ready, "mark")
        assert '"cell":"memory-cell"' in mark
        assert f'"installed":"{now().astimezone(ZoneInfo(ZONE)).date()}"' in mark

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            pytest.param(["--cell", "position-cell"], "The types of memory cell are: memory-cell.", id="other-cell"),
            pytest.param(["--date-code", "08/26"], "Write year and month of making", id="date-code"),
            pytest.param(["--date-code", "2026-13"], "Write year and month of making", id="month-13"),
            pytest.param(["--date-code", "2999-01"], "Write year and month of making", id="made-in-the-future"),
            pytest.param(["--installed", "yesterday"], "Write a day that has come", id="installed"),
            pytest.param(["--installed", "2026-02-30"], "Write a day that has come", id="no-such-day"),
            pytest.param(["--installed", "2999-01-01"], "Write a day that has come", id="installed-in-the-future"),
        ],
    )
    def test_what_cannot_be_is_refused_and_the_clock_runs_on(self, opened: Plant, words: list[str], told: str) -> None:
        done = end(opened, *words)
        assert (done.code, done.out) == (2, "")
        assert told in done.err
        assert show(opened).json["state"] == "open"

    def test_without_a_window_it_says_so(self, ready: Plant) -> None:
        done = end(ready)
        assert (done.code, done.out) == (2, "")
        assert done.err.startswith("No swap window of arm-07 is open")


@pytest.fixture(scope="module")
def opened(template: Plant, tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant with an open window, for all tests that leave it open."""
    plant = template.copy(tmp_path_factory.mktemp("opened") / "plant")
    assert begin(plant).code == 0
    return plant


# On a terminal

PROMPT = "Type arm-07 to confirm and begin: "


@ON_POSIX
class TestOnATerminal:
    @pytest.mark.parametrize("columns", [80, 120])
    def test_it_asks_counts_down_and_is_left_with_ctrl_c(self, ready: Plant, columns: int) -> None:
        with Terminal(ready, "swap", "begin", "arm-07", "--by", "Ana", columns=columns) as terminal:
            asked = terminal.until(PROMPT)
            assert "lockout/tagout" in asked
            assert "Power is OFF, the disconnect locked out and tagged" in asked
            terminal.type("arm-07\n")
            first = terminal.until("Ctrl-C leaves this screen; the clock runs on.")
            for told in ("OPEN: 29 min ", "Out for", "Left", "of 30 min", "lockout/tagout"):
                assert told in first
            terminal.until(r"Out for   ([2-9]|\d\d) s")
            lines = re.split(r"[\r\n]", ESCAPES.sub("", terminal.text))
            assert max(map(len, lines)) <= columns
            terminal.type("\x03")
            terminal.until("The countdown is left; the clock runs on.")
            assert terminal.wait() == 0
        assert show(ready).json["state"] == "open"

    @pytest.mark.parametrize("typed", ["arm-09\n", "yes\n", "\n", "\x04"], ids=["other", "yes", "nothing", "ctrl-d"])
    def test_whoever_does_not_type_the_arm_begins_nothing(self, ready: Plant, typed: str) -> None:
        with Terminal(ready, "swap", "begin", "arm-07") as terminal:
            terminal.until(PROMPT)
            terminal.type(typed)
            terminal.until("Nothing was begun, since arm-07 was not typed")
            assert terminal.wait() == 2
        assert show(ready).json["state"] == "none"

    def test_it_ends_when_the_window_is_ended_elsewhere(self, ready: Plant) -> None:
        with Terminal(ready, "swap", "begin", "arm-07", "--yes") as terminal:
            terminal.until("Ctrl-C leaves")
            assert end(ready).code == 0
            terminal.until("The change was ended elsewhere")
            assert terminal.wait() == 0

    def test_a_kill_stops_no_clock(self, ready: Plant) -> None:
        with Terminal(ready, "swap", "begin", "arm-07", "--yes", "--by", "Ana") as terminal:
            terminal.until(r"Out for   ([1-9]|\d\d) s")
            terminal.process.send_signal(signal.SIGKILL)
            terminal.process.wait()
        now = show(ready).json
        assert (now["state"], now["by"]) == ("open", "Ana")
        assert now["elapsed_s"] >= 1
        assert ready.run("ledger", "check").code == 0
        assert end(ready).code == 0

    def test_without_the_countdown_it_returns(self, ready: Plant) -> None:
        with Terminal(ready, "swap", "begin", "arm-07", "--yes", "--no-countdown") as terminal:
            terminal.until("When the new cell is seated: guard swap end arm-07 --by NAME")
            assert terminal.wait() == 0
        assert "Ctrl-C leaves" not in terminal.plain()

    def test_past_the_limit_it_says_what_to_do_now(self, tmp_path: Path) -> None:
        plant = plant_of(tmp_path / "plant", short("2s"))
        backup = plant.sets()[0]
        with Terminal(plant, "swap", "begin", "arm-07", "--yes", columns=120) as terminal:
            terminal.until("CLOSING: ")
            over = terminal.until(r"OVER by \d+ s: seat the new memory cell of arm-07 now(.|\n)*Ctrl-C leaves")
            assert backup["path"] in over
            assert backup["fingerprint"] in over
