"""`guard visit --run`: walked on real terminals, left, killed and taken up again."""

from __future__ import annotations

import json
import re
import signal
from collections.abc import Iterable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from guard.clock import now
from guard.visit_file import shipped
from tests.plant import Plant
from tests.terminal import ESCAPES, ON_POSIX, Terminal

pytestmark = ON_POSIX

RUN_IN_S = 2
LAYOUT = 'layout = ["{arm}/{any}"]'
"""Sets without a stamp in their names, so that none is cut to its minute."""

TYPED_INTO = re.compile(" *(Since when|Date code|Is the new cell)|Not understood: ")
"""What a person types, and what is said of it, is wrapped by the terminal itself."""

CONFIG = """
[cell-types.memory-cell]
kind = "memory"
interval = "4y"
[cell-types.position-cell]
kind = "position"
interval = "1y"
[visit]
steps = "visit.toml"
"""


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant in which a visit of arm-07 may begin, with a run-in of seconds; the backup of arm-09 is too old."""
    plant = Plant(tmp_path_factory.mktemp("template") / "plant")
    plant.configure(CONFIG, share=LAYOUT)
    steps = Path(shipped()).read_text(encoding="utf-8")
    steps = steps.replace('at-least = "10m"', f'at-least = "{RUN_IN_S}s"').replace('at-most = "20m"', 'at-most = "5m"')
    (plant.root / "visit.toml").write_text(steps, encoding="utf-8")
    plant.save("arm-07")
    plant.save("arm-09", timedelta(days=3))
    plant.ready()
    return plant


@pytest.fixture
def ready(template: Plant, tmp_path: Path) -> Plant:
    return template.copy(tmp_path / "plant")


def walk(plant: Plant, arm: str = "arm-07", by: str = "Ana", columns: int = 80) -> Terminal:
    return Terminal(plant, "visit", arm, "--run", "--by", by, columns=columns)


Said = tuple[str, str]
"""What the screen asks, and what is typed then."""

BEGIN: list[Said] = [(r"Begin a visit of arm-07 as Ana\?", "y\n")]
BACKUP: list[Said] = [(r"Step 1 of 14(.|\n)*Type done or leave:", "done\n")]
POSITION: list[Said] = [("Position:", "0 0 90\n"), ("Type done or leave:", "done\n")]
LUBRICATION: list[Said] = [
    ("Grade:", "G2\n"),
    (r"Amount \(g\):", "lots\n"),
    (r"is no number(.|\n)*Amount \(g\):", "12,5\n"),
    ("What came out looks:", "\n"),
    ("Type done, skip or leave:", "done\n"),
]
RUN_IN: list[Said] = [
    (r"Step 4(.|\n)*Type begin, skip or leave:", "begin\n"),
    ("Since when are its mains on", "in 2h\n"),
    ("yet to come(.|\n)*Since when are its mains on", "SINCE\n"),
    ("RUN-IN: ", ""),
    ("long enough", "\n"),
]
POSITION_CELLS: list[Said] = [
    (r"Step 5(.|\n)*The gate is open(.|\n)*Type begin, skip or leave:", "begin\n"),
    (r"Date code of the new cell", "08/26\n"),
    (r"Write year and month(.|\n)*Date code of the new cell", "2026-08\n"),
    ("Type done, skip or leave:", "done\n"),
]
POWER_OFF: list[Said] = [
    (r"Step 6(.|\n)*Type ready, skip or leave:", "ready\n"),
    ("Its gate was open(.|\n)*Type arm-07, skip or leave:", "arm-07\n"),
]
LOCKOUT: list[Said] = [
    ("Lock and tag no.:", "LT-44\n"),
    ("Type arm-07 or leave:", "arm-09\n"),
    ("Type arm-07 or leave:", "arm-07\n"),
]
STORED: list[Said] = [(r"Voltage left \(V\):", "0.2\n"), ("Type arm-07 or leave:", "arm-07\n")]
OPEN: list[Said] = [
    ("Step 9(.|\n)*Type begin, skip or leave:", "begin\n"),
    ("Date code of the new cell", "2026-09\n"),
    ("Power is OFF, the disconnect locked out(.|\n)*Type arm-07 to confirm and begin:", "arm-07\n"),
    ("OPEN: 29 min (.|\n)*Enter when the new cell is seated", "\n"),
]
SEATED: list[Said] = [
    (r"Is the new cell seated\?", "\n"),
    ("Enter when the new cell is seated", "\n"),
    (r"Is the new cell seated\?", "arm-07\n"),
    ("AWAITING PROOF", ""),
]
POWER_ON: list[Said] = [("Step 10(.|\n)*Type arm-07 or leave:", "arm-07\n")]
LOOK: list[Said] = [("Alarms:", "none\n"), ("Type done or leave:", "done\n")]
SHUT_BEFORE_BACKUP: list[Said] = [
    (
        "Step 12(.|\n)*SHUT: No set of arm-07 that was saved after the work(.|\n)*Press Enter to look again, or type leave:",
        "",
    )
]
BACKUP_AFTER: list[Said] = [(r"Step 12(.|\n)*Type done or leave:", "done\n")]
COMPARISON: list[Said] = [("What differs, and why:", "nothing\n"), ("Type done or leave:", "done\n")]
SIGN: list[Said] = [("Type your name to sign for the whole visit, or leave:", "\n"), ("Type your name", "Ana Maria\n")]
UNTIL_POWER_OFF = [*BEGIN, *BACKUP, *POSITION, *LUBRICATION, *RUN_IN, *POSITION_CELLS, *POWER_OFF]
UNTIL_OPEN = [*UNTIL_POWER_OFF, *LOCKOUT, *STORED, *OPEN]


def say(terminal: Terminal, said: Iterable[Said]) -> None:
    since = (now() - timedelta(days=1)).isoformat(timespec="seconds")
    for asked, typed in said:
        terminal.until(asked)
        if typed:
            terminal.type(typed.replace("SINCE", since))


def entries(plant: Plant, kind: str) -> list[dict[str, Any]]:
    found = plant.run("ledger", "show", "--last", "0", "--json").json["entries"]
    return [json.loads(entry["body"]) for entry in found if entry["kind"] == kind]


def stamped(plant: Plant) -> list[tuple[str, str]]:
    return [
        (body["step"], body["verb"]) for body in entries(plant, "visit") if body["verb"] not in ("begin", "give-up")
    ]


def under_way(plant: Plant, arm: str = "arm-07") -> Any:
    return plant.run("visit", arm, "--json").json["under_way"]


def saved_after(plant: Plant) -> None:
    plant.save("arm-07", timedelta(), name="after-the-change")


class TestWhole:
    def test_from_the_first_step_to_the_signed_record(self, ready: Plant) -> None:
        with walk(ready) as terminal:
            say(terminal, [*UNTIL_OPEN, *SEATED, *POWER_ON, *LOOK, *SHUT_BEFORE_BACKUP])
            saved_after(ready)
            terminal.type("\n")
            say(terminal, [*BACKUP_AFTER])
            compared = terminal.until("What differs, and why:")
            assert "Nothing differs between arm-07/" in compared
            terminal.type("nothing\n")
            say(terminal, [*COMPARISON[1:], *SIGN])
            terminal.until("The visit of arm-07 is signed by Ana Maria(.|\n)*no safety function")
            assert terminal.wait() == 0
            lines = re.split(r"[\r\n]", ESCAPES.sub("", terminal.text))
            assert [line for line in lines if len(line) > 80 and not TYPED_INTO.match(line)] == []
        end = entries(ready, "visit")[-1]
        record = {(each["step"], each["what"]): each for each in end["record"]}
        assert (end["verb"], len(record)) == ("end", 14 + 3)
        assert record["lubrication", "done"]["readings"] == [["grade", "G2"], ["amount", "12,5"]]
        assert record["lockout", "done"]["readings"] == [["lock", "LT-44"]]
        assert record["sign", "done"]["by"] == "Ana Maria"
        assert [name for name, _ in record["memory-cell", "done"]["readings"]] == ["out-for", "limit"]
        assert record["power-off", "begun"]["at"] < record["power-off", "done"]["at"]

        marks = entries(ready, "mark")
        assert [(mark["kind"], mark.get("cell")) for mark in marks] == [
            ("powered-on", None), ("cell-changed", "position-cell"), ("cell-changed", "memory-cell"),
            ("powered-off", None), ("powered-on", None),
        ]  # fmt: skip
        assert [mark.get("date_code") for mark in marks[1:3]] == ["2026-08", "2026-09"]
        assert marks[3]["at"].replace("+00:00", "Z") == record["power-off", "done"]["at"]
        assert [body["verb"] for body in entries(ready, "swap")] == ["begin", "end"]
        assert under_way(ready) is None
        assert ready.run("swap", "show", "arm-07", "--json").json["state"] == "none"
        assert ready.run("ledger", "check").code == 0


class TestLeftAndTakenUp:
    @pytest.mark.parametrize(
        ("said", "waits", "after"),
        [
            pytest.param([*BEGIN, *BACKUP], "Position:", [("backup", "done")], id="between-stamps"),
            pytest.param(
                [*BEGIN, *BACKUP, *POSITION, *LUBRICATION, *RUN_IN[:3]], "RUN-IN: ",
                [("backup", "done"), ("position", "done"), ("lubrication", "done"), ("run-in", "begun")],
                id="during-the-run-in",
            ),
        ],
    )  # fmt: skip
    def test_a_kill_loses_no_stamp_and_the_same_step_is_next(
        self, ready: Plant, said: list[Said], waits: str, after: list[tuple[str, str]]
    ) -> None:
        with walk(ready) as terminal:
            say(terminal, said)
            terminal.until(waits)
            terminal.process.send_signal(signal.SIGKILL)
            terminal.process.wait()
        assert stamped(ready) == after
        with walk(ready, by="Ben") as terminal:
            again = terminal.until(waits)
            assert f"Taken up again: {len(dict(after)) - (after[-1][1] == 'begun')} of 14 steps passed" in again
            terminal.type("\x04" if waits == "Position:" else "\x03")
            terminal.until("Left; every stamp is kept. Take it up again: guard visit arm-07 --run")
            assert terminal.wait() == 0
        assert stamped(ready) == after

    def test_killed_while_the_cell_is_out_the_clock_runs_on_and_an_end_elsewhere_is_taken_over(
        self, ready: Plant
    ) -> None:
        with walk(ready) as terminal:
            say(terminal, UNTIL_OPEN[:-1])
            terminal.until("Enter when the new cell is seated")
            terminal.process.send_signal(signal.SIGKILL)
            terminal.process.wait()
        assert ready.run("swap", "show", "arm-07", "--json").json["state"] == "open"
        assert ready.run("visit", "arm-07", "--give-up", "--why", "killed").code == 20
        with walk(ready) as terminal:
            terminal.until("OPEN: 29 min (.|\n)*Enter when the new cell is seated")
            terminal.type("\x03")
            terminal.until("Is the new cell seated.*leave: ")
            terminal.type("leave\n")
            terminal.until("The memory cell of arm-07 is out, and its clock runs on")
            assert terminal.wait() == 20
        with walk(ready) as terminal:
            terminal.until("OPEN: 29 min (.|\n)*Enter when the new cell is seated")
            assert ready.run("swap", "end", "arm-07", "--by", "Ben").code == 0
            terminal.until("The window was opened and ended(.|\n)*Step 10")
        assert stamped(ready)[-1] == ("memory-cell", "done")
        assert [mark["kind"] for mark in entries(ready, "mark")][-2:] == ["cell-changed", "powered-off"]

    def test_of_two_who_walk_it_at_once_one_stamps_and_the_other_is_told(self, ready: Plant) -> None:
        with walk(ready) as ana, walk(ready, by="Ben") as ben:
            ben.until("Begin a visit of arm-07 as Ben")
            say(ana, BEGIN)
            ana.until("Step 1 of 14(.|\n)*Type done or leave:")
            ben.type("y\n")
            ben.until("somebody began or went on with the visit(.|\n)*Step 1 of 14(.|\n)*Type done or leave:")
            ben.type("done\n")
            ben.until("Step 2 of 14")
            ana.type("done\n")
            ana.until("somebody began or went on with the visit(.|\n)*Step 2 of 14")
        assert stamped(ready) == [("backup", "done")]


class TestShut:
    def test_a_stale_backup_keeps_the_first_step_shut_until_there_is_a_fresh_one(self, ready: Plant) -> None:
        with walk(ready, "arm-09") as terminal:
            terminal.until("Begin a visit of arm-09")
            terminal.type("y\n")
            shut = terminal.until("Press Enter to look again, or type leave:")
            assert "SHUT: The verdict for a service-visit is hold: The newest proven set" in shut
            assert "What opens it: Save a fresh backup of arm-09" in " ".join(shut.split())
            ready.save("arm-09", timedelta(minutes=1), name="fresh")
            terminal.type("\n")
            terminal.until("CLEAR(.|\n)*Type done or leave:")

    def test_left_before_a_shut_gate_the_code_is_the_verdicts(self, ready: Plant) -> None:
        with walk(ready, "arm-09") as terminal:
            terminal.until("Begin a visit of arm-09")
            terminal.type("y\n")
            terminal.until("Press Enter to look again, or type leave:")
            terminal.type("leave\n")
            terminal.until("Left; every stamp is kept")
            assert terminal.wait() == 20
        assert stamped(ready) == []

    def test_a_run_in_that_is_too_short_is_not_stamped(self, ready: Plant) -> None:
        steps = ready.root / "visit.toml"
        steps.write_text(steps.read_text(encoding="utf-8").replace(f'"{RUN_IN_S}s"', '"4m"'), encoding="utf-8")
        with walk(ready) as terminal:
            say(terminal, [*BEGIN, *BACKUP, *POSITION, *LUBRICATION, *RUN_IN[:3]])
            terminal.until(r"RUN-IN: \d+ s of 4 min")
            terminal.type("\n")
            terminal.until(r"Not stamped: the run-in has run for \d+ s of 4 min\. Go on for 3 min")
        assert stamped(ready)[-1] == ("run-in", "begun")

    def test_powered_for_too_short_a_time_power_stays_on(self, ready: Plant) -> None:
        since_now = [(asked, typed if typed != "SINCE\n" else "\n") for asked, typed in RUN_IN]
        with walk(ready) as terminal:
            say(terminal, [*BEGIN, *BACKUP, *POSITION, *LUBRICATION, *since_now, *POSITION_CELLS])
            shut = " ".join(terminal.until("Press Enter to look again, or type skip or leave:").split())
            assert re.search(r"SHUT: The verdict for a memory-swap is hold: arm-07 has been on for \d+ s", shut)
            assert re.search(r"By itself it opens \w{3} \S+ \d\d:\d\d \(in 29 min", shut)


class TestLeavingOut:
    def test_where_the_power_stays_on_the_visit_goes_on_with_the_look(self, ready: Plant) -> None:
        with walk(ready) as terminal:
            say(terminal, [*BEGIN, *BACKUP, *POSITION])
            for step in (
                "Grade",
                "Type begin, skip or leave",
                "Type begin, skip or leave",
                "Type ready, skip or leave",
            ):
                terminal.until(step)
                if step == "Grade":
                    terminal.type("\n\n\n")
                    terminal.until("Type done, skip or leave:")
                terminal.type("skip\n")
                terminal.until("Why is it left out")
                terminal.type("not due\n")
            terminal.until("Step 7 of 10: Look, before anything moves")
        assert [what for _, what in stamped(ready)] == ["done", "done", "skipped", "skipped", "skipped", "skipped"]
        assert entries(ready, "visit")[-1]["note"] == "not due"
        assert entries(ready, "mark") == []

    def test_without_a_reason_nothing_is_left_out(self, ready: Plant) -> None:
        with walk(ready) as terminal:
            say(terminal, [*BEGIN, *BACKUP, *POSITION])
            say(terminal, [("Grade", "\n\n\n"), ("Type done, skip or leave", "skip\n"), ("Why is it left out", "\n")])
            terminal.until("a step is left out with a reason only")
        assert stamped(ready)[-1] == ("position", "done")

    def test_it_can_be_left_where_a_reading_is_asked_for(self, ready: Plant) -> None:
        with walk(ready) as terminal:
            say(terminal, [*BEGIN, *BACKUP, *POSITION, ("Grade", "oil\n"), ("Amount", "leave\n")])
            terminal.until("every stamp is kept")
        assert stamped(ready)[-1] == ("position", "done")
        assert "leave" not in str(entries(ready, "visit"))


class TestOddInput:
    def test_bytes_that_are_no_text_are_asked_for_again(self, ready: Plant) -> None:
        with walk(ready) as terminal:
            say(terminal, [*BEGIN, *BACKUP])
            terminal.until("Position:")
            terminal.type_bytes(b"\xff\xfe\n")
            terminal.until("no text in the encoding of this terminal(.|\n)*Position:")
            terminal.type("\u202e\x1b[31m\n")
            terminal.until("Type done or leave:")
            terminal.type("done\n")
            terminal.until("Step 3")
        assert stamped(ready)[-1] == ("position", "done")

    def test_while_another_process_holds_the_ledger_it_asks_and_tries_again(self, ready: Plant) -> None:
        import sqlite3

        with walk(ready) as terminal:
            say(terminal, [*BEGIN, *BACKUP, POSITION[0]])
            terminal.until("Type done or leave:")
            other = sqlite3.connect(ready.root / "state" / "ledger.db", isolation_level=None)
            other.execute("BEGIN IMMEDIATE")
            terminal.type("done\n")
            terminal.until("is locked by another process(.|\n)*Press Enter to try again, or type leave:")
            other.execute("ROLLBACK")
            other.close()
            terminal.type("\n")
            say(terminal, POSITION)
            terminal.until("Step 3")
        assert stamped(ready)[-1] == ("position", "done")


class TestBeginning:
    @pytest.mark.parametrize("typed", ["n\n", "\n", "\x04"], ids=["no", "nothing", "ctrl-d"])
    def test_whoever_does_not_say_yes_begins_nothing(self, ready: Plant, typed: str) -> None:
        with walk(ready) as terminal:
            terminal.until("Begin a visit of arm-07")
            terminal.type(typed)
            assert terminal.wait() == 0
        assert under_way(ready) is None

    def test_somebody_on_another_visit_is_told(self, ready: Plant) -> None:
        with walk(ready) as terminal:
            say(terminal, BEGIN)
            terminal.until("Step 1")
        with walk(ready, "arm-09", by=" ana ") as terminal:
            told = terminal.until("Begin a visit of arm-09")
            assert "on a visit of arm-07 already, which has not ended" in " ".join(told.split())
            terminal.type("y\n")
            terminal.until("Step 1")
        assert entries(ready, "visit")[-1]["beside"] == ["arm-07"]
