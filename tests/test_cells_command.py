"""`guard cells`, the spares in stock, and marks that were wrong: the real command line and a real ledger."""

from __future__ import annotations

import json
import re
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from guard.clock import now
from guard.model import Mark
from guard.rules.refusals import NotCorrectable
from guard.store.cells import Count, Spare, in_stock
from guard.store.ledger import Ledger
from guard.units import in_words
from tests.plant import Plant

DAY = timedelta(days=1)
START = datetime(2026, 11, 25, 8, tzinfo=UTC)


def ago(days: int) -> date:
    """The day so many days ago."""
    return now().date() - days * DAY


@pytest.fixture
def old(plant: Plant) -> Plant:
    """arm-07 and arm-09 have a memory cell whose interval ends in 60 days, and a position cell of unknown age."""
    memory = ago(1461 - 60)
    plant.cells = f'[ {{ type = "memory-cell", installed = {memory} }}, {{ type = "position-cell" }} ]'
    plant.configure()
    return plant


def cells(plant: Plant, *words: str) -> dict[str, Any]:
    """What `guard cells --json` tells."""
    done = plant.run("cells", *words, "--json")
    assert (done.code, done.err) == (0, "")
    told: dict[str, Any] = done.json
    return told


class TestList:
    def test_every_cell_with_the_keys_of_the_contract(self, old: Plant) -> None:
        told = cells(old)
        assert told["schema"] == 1
        assert [(cell["arm"], cell["type"]) for cell in told["cells"]] == [
            ("arm-07", "position-cell"),
            ("arm-09", "position-cell"),
            ("arm-07", "memory-cell"),
            ("arm-09", "memory-cell"),
        ]
        for cell in told["cells"]:
            assert {
                *("arm", "type", "kind", "installed", "age_s", "interval_left_s"),
                *("charge_left_mah", "charge_left_sigma_mah", "empty_at"),
            } <= cell.keys()
        unknown, memory = told["cells"][0], told["cells"][2]
        assert (unknown["kind"], unknown["installed"], unknown["age_s"], unknown["interval_left_s"]) == (
            *("position", None),
            *(None, None),
        )
        assert (memory["kind"], memory["installed"]) == ("memory", str(ago(1401)))
        assert memory["age_s"] + memory["interval_left_s"] == pytest.approx(1461 * 86400)
        assert 59 * 86400 < memory["interval_left_s"] <= 60 * 86400

    @pytest.mark.parametrize(
        ("within", "due"),
        [
            pytest.param("58d", {"position-cell": 2}, id="before-the-interval-ends"),
            pytest.param("61d", {"memory-cell": 2, "position-cell": 2}, id="after-it-ends"),
        ],
    )
    def test_what_is_due_and_what_to_buy(self, old: Plant, within: str, due: dict[str, int]) -> None:
        told = cells(old, "--due-within", within)
        assert {each["type"]: each["due"] for each in told["to_buy"]} == due
        assert len(told["cells"]) == sum(due.values())
        assert {each["to_buy"] for each in told["to_buy"]} == {2}

    def test_a_screen_says_the_same_without_colour(self, old: Plant) -> None:
        old.run("mark", "cell-alarm", "arm-09", "--cell", "memory-cell")
        done = old.run("cells", "--due-within", "90d")
        assert done.code == 0
        assert "Cells that are due within 90d: 4" in done.out
        assert "AGE UNKNOWN: nobody recorded when it was installed" in done.out
        alarm = next(line for line in done.out.splitlines() if "ALARM" in line)
        assert alarm.startswith(" arm-09  memory-cell ")
        assert "[###################.]" in alarm
        assert "2 x position-cell (2 due, stock never counted)" in done.out
        assert "lockout/tagout" in done.out

    def test_a_change_that_was_marked_counts_from_its_day(self, old: Plant) -> None:
        day = f"{ago(2)} 06:00"
        words = ("--cell", "position-cell", "--at", day, "--date-code", "2026-01", "--by", "Ana")
        assert old.run("mark", "cell-changed", "arm-07", *words).code == 0
        (cell,) = [each for each in cells(old)["cells"] if (each["arm"], each["kind"]) == ("arm-07", "position")]
        assert (cell["installed"], cell["date_code"], cell["due"]) == (str(ago(2)), "2026-01", False)

    def test_an_overdue_cell(self, plant: Plant) -> None:
        plant.cells = f'[ {{ type = "position-cell", installed = {ago(400)} }} ]'
        plant.configure()
        assert cells(plant)["cells"][0]["interval_left_s"] < -34 * 86400
        assert re.search(r"OVERDUE by 3[45] d( \d+ h)? of 1 y", plant.run("cells").out)

    def test_no_cells_at_all(self, plant: Plant) -> None:
        plant.cells = "[]"
        plant.configure()
        assert cells(plant)["cells"] == []
        assert "No cells are listed for arm-07, arm-09" in plant.run("cells").out

    def test_a_name_that_steers_a_terminal_is_shown_as_text(self, plant: Plant) -> None:
        plant.cells = f'[ {{ type = "\\u202eevil", installed = {ago(1)} }} ]'
        plant.configure(extra='\n[cell-types."\\u202eevil"]\nkind = "memory"\ninterval = "1y"\n')
        assert "\u202e" not in plant.run("cells").out
        assert cells(plant)["cells"][0]["type"] == "\u202eevil"

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            (("--due-within", "soon"), "the duration 'soon'"),
            (("stock", "memory-cel", "1"), "the cell type 'memory-cel'"),
            (("stock", "memory-cell", "-1"), "the count -1"),
            (("stock", "memory-cell", "1", "--date-code", "2026-13"), "the date code '2026-13'"),
            (("stock", "memory-cell", "1", "--date-code", "2199-01"), "the date code '2199-01'"),
        ],
    )
    def test_what_is_refused(self, plant: Plant, words: tuple[str, ...], told: str) -> None:
        done = plant.run("cells", *words)
        assert (done.code, done.out) == (2, "")
        assert told in done.err


class TestCharge:
    """What is left of a cell, when it is empty, and what is at stake in the next event."""

    def test_charge_left_and_the_next_event(self, plant: Plant) -> None:
        plant.cells = f'[ {{ type = "memory-cell", installed = {ago(1000)} }}, {{ type = "position-cell" }} ]'
        plant.configure()
        plan = ("event", "add", "--kind", "power-down", "--start", "in 9d", "--for", "2w", "--arm", "arm-07")
        assert plant.run(*plan).code == 0
        told = {(cell["arm"], cell["kind"]): cell for cell in cells(plant)["cells"]}
        memory, other = told["arm-07", "memory"], told["arm-09", "memory"]
        # 850 mAh usable, 1 % a year by themselves, and 0.02 mA for 15 % of the time.
        assert memory["charge_left_mah"] == pytest.approx(850 * 0.99 ** (1000 / 365.25) - 0.003 * 24000, abs=2)
        assert 40 < memory["charge_left_sigma_mah"] < 50
        assert datetime.fromisoformat(memory["empty_at"]) > now() + 20 * 365 * DAY
        assert memory["next_event"]["id"].startswith("ev-")
        assert memory["next_event"]["loss_probability"] == pytest.approx(0.002 * 1023 / 365.25, rel=0.01)
        assert (other["next_event"], told["arm-07", "position"]["charge_left_mah"]) == (None, None)
        sure = in_words(timedelta(seconds=memory["empty_sigma_s"]))
        screen = plant.run("cells").out
        assert re.search(rf"\[=+~+\.+\]  about 7\d\d mAh left \(±4\d\), empty about .* d, ±{sure}\)", screen)
        assert "chance of a loss 0.56 %" in screen

    def test_a_cell_that_will_be_empty_is_to_be_bought_before_its_interval_ends(self, plant: Plant) -> None:
        plant.configure(
            extra='\n[cell-types.memory-cell]\nkind = "memory"\ninterval = "9y"\ncapacity-mah = 4\nstandby-ua = 20\n'
        )
        # 3.4 mAh are usable, and 0.003 mA are drawn on average: 47 days, of which 30 are over.
        assert [each["type"] for each in cells(plant, "--due-within", "10d")["to_buy"]] == []
        assert [each["type"] for each in cells(plant, "--due-within", "20d")["to_buy"]] == ["memory-cell"]
        assert cells(plant)["cells"][0]["kind"] == "memory"

    def test_an_answer_says_what_is_at_stake(self, plant: Plant) -> None:
        plant.save("arm-07")
        plant.ready()
        loss = plant.ask("arm-07", "power-down", "--off-for", "2w").answer["loss"]
        assert loss["probability"] == pytest.approx(0.002 * 44 / 365.25, rel=0.05)
        assert loss["expected_hours"] == pytest.approx(2 * loss["probability"])
        assert plant.ask("arm-09").answer["loss"]["expected_hours"] > 30 * loss["expected_hours"] * 8 / 336

    def test_a_shutdown_that_no_cell_survives(self, plant: Plant) -> None:
        plant.save("arm-07")
        plant.ready()
        done = plant.ask("arm-07", "power-down", "--off-for", "5y")
        levels = {each["code"]: each["level"] for each in done.answer["findings"]}
        assert (done.code, levels) == (20, {"charge-short": "hold", "loss-likely": "hold", "cell-due-soon": "caution"})
        swap = plant.ask("arm-07", "memory-swap", "--off-for", "5y").answer["findings"]
        assert {each["level"] for each in swap if each["code"] in levels} == {"caution"}

    def test_figures_that_are_not_configured_give_no_charge(self, plant: Plant) -> None:
        plant.configure(extra='\n[cell-types.memory-cell]\nkind = "memory"\ninterval = "4y"\n')
        plant.save("arm-07")
        plant.ready()
        assert plant.ask().answer["loss"] is None
        plan = ("event", "add", "--kind", "power-down", "--start", "in 9d", "--for", "2w", "--arm", "arm-07")
        assert plant.run(*plan).code == 0
        told = cells(plant)["cells"]
        assert {cell["charge_left_mah"] for cell in told} == {None}
        coming = {cell["next_event"] and cell["next_event"]["loss_probability"] for cell in told}
        assert coming == {None}
        assert {cell["arm"] for cell in told if cell["next_event"] is not None} == {"arm-07"}
        screen = plant.run("cells").out
        assert re.search(r"next power-down ev-\d+, .*: chance of a loss not known, for want of its figures", screen)


class TestSpares:
    def test_a_spare_that_spoils_before_a_cell_is_due_serves_none(self, plant: Plant) -> None:
        table = '\n[cell-types.memory-cell]\nkind = "memory"\ninterval = "1000d"\nshelf-life = "1y"\n'
        plant.cells = f'[ {{ type = "memory-cell", installed = {ago(700)} }} ]'
        plant.configure(extra=table)
        made = (now() - 200 * DAY).strftime(
            "%Y-%m"
        )  # past its shelf life in less than 200 days; both cells are due in 300
        plant.run("cells", "stock", "memory-cell", "2", "--date-code", made)
        (want,) = cells(plant, "--due-within", "400d")["to_buy"]
        assert (want["due"], want["in_stock"], want["past_shelf_life"], want["to_buy"]) == (2, 2, 0, 2)
        screen = plant.run("cells", "--due-within", "400d").out
        assert "2 x memory-cell (2 due, 2 in stock, 2 of them past shelf life when a cell is due)" in screen
        plant.run("mark", "cell-alarm", "arm-07", "--cell", "memory-cell")
        (want,) = cells(plant, "--due-within", "400d")["to_buy"]
        assert (want["in_stock"], want["to_buy"]) == (2, 1), "what is due now takes one"


class TestAnswers:
    """What a plant is told before it changes a cell."""

    def codes(self, plant: Plant, action: str) -> dict[str, str]:
        found = plant.ask("arm-07", action).answer["findings"]
        return {each["code"]: each["level"] for each in found if each["code"].startswith(("cell-", "spare-"))}

    def test_spares_from_never_counted_to_used_up(self, plant: Plant) -> None:
        plant.save("arm-07")
        plant.ready()
        assert self.codes(plant, "power-down") == {}
        assert self.codes(plant, "memory-swap") == {"spare-missing": "caution"}
        done = plant.run("cells", "stock", "memory-cell", "1", "--date-code", "2026-08", "--by", "Ana")
        assert done.out.startswith("Recorded: 1 x memory-cell, made 2026-08; in stock now: 1 (ledger entry ")
        assert self.codes(plant, "memory-swap") == {}
        assert self.codes(plant, "position-swap") == {"spare-missing": "caution"}
        assert plant.run("swap", "begin", "arm-07", "--yes", "--by", "Ana").code == 0
        assert "spare-missing" not in self.codes(plant, "memory-swap")
        plant.run("swap", "end", "arm-07", "--by", "Ana", "--date-code", "2026-08")
        assert self.codes(plant, "memory-swap") == {"spare-missing": "hold"}
        assert plant.run("ledger", "check").code == 0

    def test_a_spare_past_its_shelf_life_is_none(self, plant: Plant) -> None:
        table = '\n[cell-types.memory-cell]\nkind = "memory"\ninterval = "9y"\nshelf-life = "5y"\n'
        plant.cells = f'[ {{ type = "memory-cell", installed = {ago(3300)} }} ]'
        plant.configure(extra=table)
        plant.save("arm-07")
        plant.ready()
        done = plant.run("cells", "stock", "memory-cell", "2", "--date-code", "2019-01")
        assert "in stock now: 2, of which 2 past the shelf life and no spare (ledger entry " in done.out
        assert self.codes(plant, "memory-swap") == {"spare-missing": "hold", "cell-overdue": "caution"}
        told = cells(plant)
        (want,), (lot,) = told["to_buy"], told["stock"]
        assert (want["due"], want["in_stock"], want["past_shelf_life"], want["to_buy"]) == (2, 0, 2, 2)
        assert (lot["past_shelf_life"], lot["past_shelf_life_from"]) == (True, "2024-01-01T06:00:00.000001Z")
        screen = plant.run("cells").out
        assert "2 x memory-cell (2 due, 0 in stock, 2 more past shelf life)" in screen
        assert re.search(
            r"2 x memory-cell, made 2019-01 \(\d+ months on the shelf\): PAST its shelf life of 5 y", screen
        )
        done = plant.run("mark", "cell-changed", "arm-07", "--cell", "memory-cell", "--date-code", "2019-01")
        assert "That cell was made 2019-01 and is past the shelf life of its type" in done.out
        assert plant.ask("arm-07").codes == {"old-when-put-in", "awaiting-proof"}
        assert "made 2019-01, PAST its shelf life when it was put in" in plant.run("cells").out

    def test_an_alarm_holds_until_the_change(self, plant: Plant) -> None:
        plant.save("arm-07")
        plant.ready()
        plant.run("mark", "cell-alarm", "arm-07", "--cell", "position-cell")
        assert self.codes(plant, "power-down") == {"cell-alarm": "hold"}
        plant.run("mark", "cell-changed", "arm-07", "--cell", "memory-cell")
        assert self.codes(plant, "power-down") == {"cell-alarm": "hold"}
        plant.run("mark", "cell-changed", "arm-07", "--cell", "position-cell")
        assert self.codes(plant, "power-down") == {}
        assert plant.ask().codes == {"awaiting-proof"}, "of the memory, whose cell was changed"


def count(hours: int, held: int, date_code: str | None = None, kind: str = "memory-cell") -> Count:
    return Count(START + timedelta(hours=hours), kind, date_code, held)


def change(hours: int, date_code: str | None = None, cell: str = "memory-cell") -> Mark:
    at = START + timedelta(hours=hours)
    return Mark("cell-changed", "arm-07", at, cell=cell, installed=at.date(), date_code=date_code)


class TestStock:
    """A count says what lies there; each later change uses one up, of its date code or of the oldest making."""

    @pytest.mark.parametrize(
        ("steps", "expected"),
        [
            pytest.param([count(0, 3)], {"": 3}, id="counted"),
            pytest.param([count(0, 3), count(1, 2)], {"": 2}, id="counted-again"),
            pytest.param([count(0, 3, "2026-01"), count(1, 2, "2026-08")], {"2026-01": 3, "2026-08": 2}, id="by-code"),
            pytest.param([count(0, 3, "2026-01"), count(1, 4)], {"": 4}, id="all-of-the-type"),
            pytest.param([count(0, 3), count(1, 3, "2026-01")], {"": 0, "2026-01": 3}, id="the-making-told-later"),
            pytest.param([count(0, 3), count(1, 2, "2026-01")], {"": 1, "2026-01": 2}, id="of-some-told-later"),
            pytest.param([count(0, 3), count(1, 5, "2026-01")], {"": 0, "2026-01": 5}, id="more-than-were-counted"),
            pytest.param(
                [count(0, 3), *(count(n, 2, "2026-01") for n in (1, 2))], {"": 1, "2026-01": 2}, id="told-again"
            ),
            pytest.param([count(0, 3), change(1)], {"": 2}, id="used"),
            pytest.param([count(0, 3), change(-1)], {"": 3}, id="used-before-it-was-counted"),
            pytest.param([count(0, 3), change(1, cell="position-cell")], {"": 3}, id="another-type"),
            pytest.param([count(0, 3), change(1, cell="")], {"": 3}, id="no-type"),
            pytest.param(
                [count(0, 1, "2026-01"), count(0, 1, "2026-08"), change(1)],
                {"2026-01": 0, "2026-08": 1},
                id="the-oldest-first",
            ),
            pytest.param(
                [count(0, 1, "2026-01"), count(0, 1, "2026-08"), change(1, "2026-08")],
                {"2026-01": 1, "2026-08": 0},
                id="the-one-that-was-put-in",
            ),
            pytest.param(
                [count(0, 1, "2026-01"), count(0, 1, "2026-08"), *(change(n, "2026-08") for n in (1, 2, 3))],
                {"2026-01": 0, "2026-08": 0},
                id="never-below-nothing",
            ),
        ],
    )
    def test_what_is_left(self, steps: list[Count | Mark], expected: dict[str, int]) -> None:
        counted = [each for each in steps if isinstance(each, Count)]
        marks = tuple(each for each in steps if isinstance(each, Mark))
        assert in_stock(counted, marks, {}) == {
            "memory-cell": tuple(Spare("memory-cell", made, held) for made, held in sorted(expected.items()))
        }


class TestCorrections:
    """A correction is a new entry and stands in the place of the wrong one, which stays as it was written."""

    @pytest.fixture
    def ledger(self, tmp_path: Path) -> Any:
        made = Ledger(str(tmp_path / "ledger.db"))
        yield made
        made.close()

    def test_what_stands(self, ledger: Ledger) -> None:
        body: dict[str, object] = {"kind": "edit", "at": START.isoformat(), "by": "Ana", "note": ""}
        number = ledger.append(START, "mark", "arm-07", body)
        other = ledger.append(START, "mark", "arm-09", body)
        earlier = {**body, "at": (START - DAY).isoformat()}
        corrected = ledger.correct(START, number, earlier)
        assert ledger.marks("arm-07") == (Mark("edit", "arm-07", START - DAY, "Ana"),)
        assert ledger.mark(corrected) == Mark("edit", "arm-07", START - DAY, "Ana")
        with pytest.raises(NotCorrectable) as refused:
            ledger.correct(START, number, body)
        assert str(refused.value) == (
            f"Entry {number} of the ledger was corrected already, by entry {corrected}. Correct that one: guard mark"
            f" --correct {corrected}, if it is a mark that still stands"
        )
        gone = ledger.correct(START, corrected, {**earlier, "withdrawn": True})
        assert ledger.marks("arm-07") == ()
        assert ledger.marks() == (Mark("edit", "arm-09", START, "Ana"),)
        for number_of_none in (gone, corrected, 99, 0, -1):
            with pytest.raises(NotCorrectable):
                ledger.correct(START, number_of_none, body)
        assert ledger.mark(other).arm == "arm-09"
        assert ledger.check().first_bad is None
        assert len(ledger.entries()) == 4

    def test_an_edit_that_never_happened(self, plant: Plant) -> None:
        plant.save("arm-07")
        plant.ready()
        done = plant.run("mark", "edit", "arm-07", "--by", "Ana")
        number = done.out.rpartition("ledger entry ")[2].rstrip(").\n")
        assert plant.ask().codes == {"edited-since"}
        told = plant.run("mark", "--correct", number, "--never-happened", "--by", "Ben", "--note", "it was arm-09")
        assert f"entry {number} (edit on arm-07, " in told.out
        assert plant.ask().codes == set()
        bodies = [json.loads(each["body"]) for each in plant.run("ledger", "show", "--json").json["entries"]]
        written = [body for body in bodies if body.get("kind") == "edit"]
        assert [(body["by"], body.get("corrects")) for body in written] == [("Ana", None), ("Ben", int(number))]
        assert plant.run("ledger", "check").code == 0

    def test_a_cell_that_was_not_named(self, plant: Plant) -> None:
        done = plant.run("mark", "cell-changed", "arm-07", "--at", "2026-03-01 06:00", "--by", "Ana")
        number = done.out.split("ledger entry ")[1].split(")")[0]
        assert f"Tell it: guard mark --correct {number} --cell TYPE" in done.out
        told = plant.run("mark", "--correct", number, "--cell", "memory-cell")
        assert told.code == 0
        assert "cell-changed (memory-cell) on arm-07, Sun 2026-03-01 06:00, in place of entry" in told.out
        assert {each["installed"] for each in cells(plant)["cells"] if each["arm"] == "arm-07"} == {
            "2026-03-01",
            str(ago(30)),
        }

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            ((), "a mark without a kind and an arm"),
            (("edit",), "a mark without a kind and an arm"),
            (("--never-happened",), "--never-happened alone"),
            (("edit", "arm-09", "--correct", "1"), "entry 1 on another arm than arm-07"),
            (("--correct", "1", "--never-happened", "--at", "now"), "--never-happened with what happened"),
            (("--correct", "1", "--at", "in 1h"), "a mark in the future"),
            (("--correct", "2"), "Entry 2 of the ledger is no mark"),
            (("edit", "arm-07", "--cell", "memory-cell"), "--cell or --date-code with edit"),
            (("cell-alarm", "arm-07", "--cell", "x"), "the cell type 'x'"),
            (("cell-changed", "arm-07", "--date-code", "2026-01"), "--date-code without a new cell"),
        ],
    )
    def test_what_is_refused(self, plant: Plant, words: tuple[str, ...], told: str) -> None:
        assert plant.run("mark", "edit", "arm-07").code == 0
        done = plant.run("mark", *words)
        assert (done.code, done.out) == (2, "")
        assert told in done.err
