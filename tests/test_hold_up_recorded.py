"""A capacitor's time with a swap window that is open, in the configuration, and at the command line."""

from __future__ import annotations

import json
import re
import sys
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from guard import swaps
from guard.clock import Reading, now
from guard.config import parse
from guard.desk import Desk
from guard.errors import ConfigFaults
from guard.load import load
from guard.model import Carried, Question, SwapWindow
from guard.plant import HoldUp
from guard.rules.permit import Permit
from guard.rules.refusals import RunDown
from guard.rules.window import LONGEST, TimeOut
from guard.settings import Settings
from guard.store.ledger import Ledger
from guard.store.windows import NewCell, begin, end, latest, open_windows, tick
from tests.facts import DAY, HOUR, NOW
from tests.plant import Plant
from tests.test_hold_up import MINUTE, SECOND
from tests.test_startup import LOADED
from tests.test_swap import ON_POSIX, Terminal, plant_of
from tests.test_time_out import swapping


@pytest.fixture
def ledger(tmp_path: Path) -> Ledger:
    return Ledger(str(tmp_path / "state" / "ledger.db"))


def clocks(after: timedelta = timedelta()) -> Callable[[], Reading]:
    return lambda: Reading(NOW + after, "first", 3600.0 + after.total_seconds())


CARRIED = Carried(580 * SECOND, 10 * MINUTE, "marked powered-on by Ana", MINUTE)
NEW_CELL = NewCell("memory-cell", None, NOW.date())


def opened(ledger: Ledger, held: Carried | None) -> SwapWindow:
    limit = 30 * MINUTE if held is None else min(held.lasts, 30 * MINUTE)
    return begin(ledger, Permit(swapping(None).verdict), "Ana", limit, clocks(), held)


class TestRecord:
    """Limit and hold-up stand in the entry with which the window begins, and in the one with which it ends."""

    @pytest.mark.parametrize(
        "held",
        [
            pytest.param(None, id="no-capacitor"),
            pytest.param(CARRIED, id="known"),
            pytest.param(CARRIED._replace(source=None), id="not-known"),
            pytest.param(CARRIED._replace(lasts=LONGEST), id="longer-than-the-limit"),
            pytest.param(CARRIED._replace(lasts=timedelta()), id="no-time"),
        ],
    )
    def test_there_and_back(self, ledger: Ledger, held: Carried | None) -> None:
        begun = opened(ledger, held)
        assert begun.hold_up == held
        later = clocks(MINUTE)
        assert tick(ledger, "arm-07", later) == begun._replace(elapsed=MINUTE)
        assert open_windows(ledger, later) == {"arm-07": begun._replace(elapsed=MINUTE)}
        last = end(ledger, "arm-07", "Ben", NEW_CELL, later)
        assert latest(ledger, "arm-07", later) == {"arm-07": last}
        assert (last.limit, last.hold_up) == (begun.limit, held)
        assert ledger.check().first_bad is None

    @pytest.mark.parametrize("over", [False, True], ids=["open", "ended"])
    def test_an_entry_of_an_older_program_has_the_limit_alone(self, ledger: Ledger, over: bool) -> None:  # noqa: FBT001
        opened(ledger, None)
        if over:
            end(ledger, "arm-07", "Ben", NEW_CELL, clocks(MINUTE))
        for seq, text in ledger.store.connection.execute("SELECT seq, body FROM entries WHERE kind='swap'").fetchall():
            body = json.loads(text)
            del body["hold_up"]
            ledger.store.connection.execute("UPDATE entries SET body=? WHERE seq=?", (json.dumps(body), seq))
        found = latest(ledger, "arm-07", clocks(MINUTE))["arm-07"]
        assert (found.limit, found.hold_up) == (30 * MINUTE, None)


# The configuration

PLANT = """[plant]
name = "Ridgemoor Castings"
timezone = "Europe/Berlin"
[share]
path = "share"
"""
FIGURES = {
    "capacitance-f": "0.022",
    "charged-v": "5.0",
    "least-v": "2",
    "time-constant-s": "120",
    "current-ua": "20.0",
    "leakage-ua": "0",
}


def hold_up(**changed: str | None) -> str:
    """A hold-up table; what is changed to None is left out."""
    figures = FIGURES | {key.replace("_", "-"): value for key, value in changed.items()}
    return "{ " + ", ".join(f"{key} = {value}" for key, value in figures.items() if value is not None) + " }"


def configured(arm: str = "", recipe: str = "") -> Settings:
    tables = f'[recipes.standard]\n{recipe}\n[recipes.standard.parts.programs]\nfiles = ["*"]\n'
    return parse("/plant/guard.toml", f'{PLANT}[[arms]]\nid = "arm-07"\n{arm}\n{tables}'.encode())[0]


OF_FIGURES = HoldUp(0.022, 5.0, 2.0, 120.0, 20.0, 0.0)


class TestConfiguration:
    """An optional table of the recipe or the arm, of which the arm's own counts."""

    def test_without_a_table_there_is_no_capacitor(self) -> None:
        settings = configured()
        assert (settings.arms["arm-07"].hold_up, settings.recipes["standard"].hold_up) == (None, None)

    def test_its_figures_and_their_defaults(self) -> None:
        settings = configured(recipe=f"hold-up = {hold_up()}")
        assert settings.recipes["standard"].hold_up == OF_FIGURES
        assert OF_FIGURES[6:] == (10.0, 0.0, 0.2, 0.3)

    def test_every_figure(self) -> None:
        more = {"doubles_every_c": "8", "series_resistance_ohm": "30", "tolerance": "0.1", "ageing": "0"}
        assert configured(arm=f"hold-up = {hold_up(**more)}").arms["arm-07"].hold_up == HoldUp(
            0.022, 5.0, 2.0, 120.0, 20.0, 0.0, 8.0, 30.0, 0.1, 0.0
        )

    def test_the_resistance_gives_the_time_constant(self) -> None:
        held = (
            configured(arm=f"hold-up = {hold_up(time_constant_s=None, resistance_ohm='4700')}").arms["arm-07"].hold_up
        )
        assert held is not None
        assert held.time_constant_s == pytest.approx(4700 * 0.022)

    @pytest.mark.parametrize(
        ("table", "key", "wrong"),
        [
            pytest.param("3", "", "3 is no table", id="no-table"),
            pytest.param("{}", ".capacitance-f", "is missing", id="empty"),
            pytest.param(hold_up(capacitance_f=None), ".capacitance-f", "is missing", id="no-capacitance"),
            pytest.param(hold_up(leakage_ua=None), ".leakage-ua", "is missing", id="no-leakage"),
            pytest.param(hold_up(time_constant_s=None), ".time-constant-s", "is missing", id="no-time-constant"),
            pytest.param(
                hold_up(resistance_ohm="1"), ".time-constant-s", "and resistance-ohm are both there", id="told-twice"
            ),
            pytest.param(hold_up(least_v="5"), ".least-v", "5.0 is not below charged-v", id="never-carried"),
            pytest.param(hold_up(current_ua="0"), ".current-ua", "0 is not above 0", id="no-current"),
            pytest.param(hold_up(leakage_ua="-1"), ".leakage-ua", "-1 is below 0", id="leakage-below-0"),
            pytest.param(hold_up(leakage_ua="nan"), ".leakage-ua", "nan is no number", id="leakage-nan"),
            pytest.param(hold_up(capacitance_f="inf"), ".capacitance-f", "inf is no number", id="capacitance-inf"),
            pytest.param(hold_up(tolerance="20"), ".tolerance", "20 is no fraction", id="tolerance-in-percent"),
            pytest.param(hold_up(leakage="1"), ".leakage", "is no key that is known", id="unknown-key"),
            pytest.param(
                hold_up(time_constant_s=None, resistance_ohm="1e308", capacitance_f="1e9"),
                ".resistance-ohm",
                "inf is no number",
                id="time-constant-beyond-all",
            ),
        ],
    )
    @pytest.mark.parametrize("where", ["recipe", "arm"])
    def test_one_fault(self, where: str, table: str, key: str, wrong: str) -> None:
        with pytest.raises(ConfigFaults) as refusal:
            configured(**{where: f"hold-up = {table}"})
        place = "arms[0]" if where == "arm" else "recipes.standard"
        first = refusal.value.faults[0]
        assert (first.key, first.wrong) == (f"{place}.hold-up{key}", wrong)
        assert first.line is not None

    def test_an_arms_file_has_no_column_for_it(self, tmp_path: Path) -> None:
        (tmp_path / "arms.csv").write_text("id,hold-up\narm-07,1\n")
        with pytest.raises(ConfigFaults) as refusal:
            parse(str(tmp_path / "guard.toml"), f'arms-file = "arms.csv"\n{PLANT}'.encode())
        (fault,) = refusal.value.faults
        assert "has 'hold-up'" in fault.wrong
        assert "hold-up" not in fault.right


# The command line

TABLE = """
[recipes.standard.hold-up]
capacitance-f = {capacitance}
charged-v = 5.0
least-v = 2.0
time-constant-s = 600
current-ua = 20
leakage-ua = 0
tolerance = 0
ageing = 0
"""
SHORT_TABLE, LONG_TABLE = TABLE.format(capacitance=0.01), TABLE.format(capacitance=1.0)
BY_HOLD_UP = r"22 min 5\d s \(hold-up of its capacitor\)"


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant whose standard recipe has a capacitor that carries for less than 30 min."""
    return plant_of(tmp_path_factory.mktemp("template") / "plant", SHORT_TABLE)


@pytest.fixture
def ready(template: Plant, tmp_path: Path) -> Plant:
    return template.copy(tmp_path / "plant")


def show(plant: Plant) -> Any:
    return plant.run("swap", "show", "arm-07", "--json").json


def times(plant: Plant) -> tuple[Any, Any, Any]:
    """For how long the cell may be out, what says so, and for how long the capacitor carries the memory."""
    shown = show(plant)
    return shown["limit_s"], shown["limited_by"], shown["hold_up_s"]


class TestCommandLine:
    def test_a_change_shows_the_shorter_time_and_why(self, ready: Plant) -> None:
        before = ready.run("swap", "show", "arm-07")
        assert "Begun now, a change of the memory cell would have 22 min 55 s (hold-up of its capacitor)." in before.out
        done = ready.run("swap", "begin", "arm-07", "--yes", "--by", "Ana")
        assert done.code == 0
        assert "Begun now, a change of the memory cell would have 22 min 55 s (hold-up of its capacitor)." in done.out
        assert "how long it was on before is not known" in " ".join(done.out.split())
        assert re.search(rf"runs since .*: {BY_HOLD_UP} until the new cell is in\.", " ".join(done.out.split()))
        assert times(ready) == (1375, "hold-up", 1375)
        screen = " ".join(ready.run("swap", "show", "arm-07").out.split())
        assert re.search(r"Left 22 min \d+ s of 22 min 55 s \(hold-up\); closing from", screen)
        assert "Why The capacitor carries the memory for 22 min 55 s at worst" in screen
        asked = ready.ask("arm-07", "memory-swap").answer["findings"]
        (found,) = [each for each in asked if each["code"] == "window-open"]
        assert "of 22 min 55 s (hold-up of its capacitor), begun by Ana." in found["message"]
        over = ready.run("swap", "end", "arm-07", "--by", "Ben")
        assert "within the limit of 22 min 55 s (hold-up of its capacitor)." in " ".join(over.out.split())

    @pytest.mark.parametrize("seconds", [0, 1])
    def test_nothing_is_begun_with_no_time_left_when_somebody_confirms(self, ready: Plant, seconds: int) -> None:
        desk = Desk(load(str(ready.config)))
        as_of = desk.now()
        (answer,) = desk.ask(["arm-07"], Question("memory-swap", as_of, HOUR), as_of)
        out = TimeOut(timedelta(seconds=seconds))
        if seconds:
            assert swaps.begin(desk, Permit(answer), "Ana", out).limit == out.limit
        else:
            with pytest.raises(RunDown, match="Nothing was begun"):
                swaps.begin(desk, Permit(answer), "Ana", out)
        assert (show(ready)["state"] == "none") == (not seconds)

    def test_power_that_is_known_to_be_on_for_long_lengthens_it(self, ready: Plant) -> None:
        since = (now() - 2 * DAY).isoformat(timespec="seconds")
        assert ready.run("mark", "powered-on", "arm-07", "--at", since, "--by", "Ana").code == 0
        assert times(ready) == (1500, "hold-up", 1500)
        told = " ".join(ready.run("swap", "show", "arm-07").out.split())
        assert "that it was on before (marked powered-on by Ana)." in told

    @pytest.mark.parametrize(
        ("table", "limit", "by", "held"),
        [
            pytest.param("", 1800, "limit", None, id="none"),
            pytest.param(LONG_TABLE, 1800, "limit", 137_553, id="longer"),
        ],
    )
    def test_a_configuration_that_is_changed_meanwhile_changes_no_open_window(
        self, ready: Plant, table: str, limit: int, by: str, held: int | None
    ) -> None:
        twin = ready.copy(ready.root.parent / "twin")
        twin.configure(table)
        assert times(twin) == (limit, by, held)
        ready.run("swap", "begin", "arm-07", "--yes", "--by", "Ana")
        ready.configure(table)
        assert times(ready) == (1375, "hold-up", 1375)

    def test_where_the_limit_is_shorter_it_is_named(self, ready: Plant) -> None:
        ready.configure(LONG_TABLE)
        done = ready.run("swap", "begin", "arm-07", "--yes", "--by", "Ana")
        told = " ".join(done.out.split())
        assert "would have 30 min (window.limit). The capacitor would carry the memory for 1 d 14 h at worst" in told

    def test_without_a_table_nothing_is_told_of_it(self, ready: Plant) -> None:
        ready.configure()
        done = ready.run("swap", "begin", "arm-07", "--yes", "--by", "Ana")
        assert not re.search(r"capacitor|hold-up|window\.limit|Why  ", done.out)
        assert not re.search(r"capacitor|hold-up|window\.limit|Why  ", ready.run("swap", "show", "arm-07").out)
        assert times(ready) == (1800, "limit", None)

    def test_a_question_loads_nothing_of_it_without_a_table(self, ready: Plant) -> None:
        words = ["--config", str(ready.config), "ask", "--arm", "arm-07", "--action", "memory-swap", "--json"]
        loaded = []
        for table in (SHORT_TABLE, ""):
            ready.configure(table)
            done = ready.program(sys.executable, "-c", LOADED, *words)
            loaded.append("guard.physics.hold_up" in done.err.split("\n"))
        assert loaded == [True, False]

    @ON_POSIX
    def test_the_countdown_says_which_it_is_within_80_columns(self, ready: Plant) -> None:
        with Terminal(ready, "swap", "begin", "arm-07", "--by", "Ana", columns=80) as terminal:
            asked = terminal.until("Type arm-07 to confirm and begin: ")
            assert "(hold-up of its capacitor)" in " ".join(asked.split())
            terminal.type("arm-07\n")
            first = " ".join(terminal.until("Ctrl-C leaves this screen").split())
            assert re.search(r"Left 22 min \d+ s of 22 min 55 s \(hold-up\); closing from 16 min 2 s on", first)
            assert "Why The capacitor carries the memory for 22 min 55 s at worst" in first
            assert max(map(len, re.split(r"[\r\n]", terminal.plain()))) <= 80
