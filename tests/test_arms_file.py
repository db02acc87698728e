"""Arms from a table of their own: every way to write it, and every fault with its line."""

from __future__ import annotations

from datetime import date
from pathlib import Path

import pytest

from guard.errors import ConfigFaults
from guard.load import load
from guard.plant import Arm, Cell
from guard.settings import Settings
from tests.test_config import EXAMPLE, LEAST, parsed


class TestArmsFile:
    TOML = 'arms-file = "arms.csv"\n' + LEAST.partition("[[arms]]")[0]

    @pytest.fixture
    def folder(self, tmp_path: Path) -> Path:
        (tmp_path / "guard.toml").write_text(self.TOML)
        return tmp_path

    def load(self, folder: Path, content: str | bytes) -> Settings:
        (folder / "arms.csv").write_bytes(content if isinstance(content, bytes) else content.encode())
        return load(str(folder / "guard.toml"))

    def faults(self, folder: Path, content: str | bytes) -> list[tuple[str, int | None, str, str]]:
        with pytest.raises(ConfigFaults) as refusal:
            self.load(folder, content)
        return [
            (Path(fault.file).name, fault.line, fault.key, fault.wrong.replace(f"{folder}/", ""))
            for fault in refusal.value.faults
        ]

    def test_a_row_says_what_a_table_says(self, folder: Path) -> None:
        rows = (
            "id,name,area,serial,recipe,cells,powered-fraction,ambient-c\n"
            'arm-07,"Fettling cell, left",finishing,RC-4471,standard,'
            "memory-cell 2025-03-14; position-cell 2026-01-10,0.85,30\n"
        )

        assert self.load(folder, rows).arms == parsed(EXAMPLE).arms

    @pytest.mark.parametrize(
        "content",
        [
            pytest.param("id,area\narm-01,weld\narm-02,\n", id="plain"),
            pytest.param("\ufeffid,area\narm-01,weld\narm-02,\n", id="byte-order-mark"),
            pytest.param("id;area\narm-01;weld\narm-02;\n", id="semicolons"),
            pytest.param("\ufeffid;area\r\narm-01;weld\r\narm-02;\r\n", id="as-spreadsheets-save-it"),
            pytest.param("id,area\rarm-01,weld\rarm-02,\r", id="carriage-returns-alone"),
            pytest.param("area , id\n weld, arm-01 \n,arm-02", id="other-order-and-spaces"),
            pytest.param("id,area\n\narm-01,weld\n,\narm-02\n", id="empty-and-short-rows"),
        ],
    )
    def test_how_it_may_be_written(self, folder: Path, content: str) -> None:
        assert self.load(folder, content).arms == {
            "arm-01": Arm("arm-01", "arm-01", "weld"),
            "arm-02": Arm("arm-02", "arm-02"),
        }

    def test_cells_may_lack_their_day(self, folder: Path) -> None:
        arms = self.load(folder, "id;cells\narm-01;memory-cell|position-cell 2026-01-10\n").arms

        assert arms["arm-01"].cells == (Cell("memory-cell"), Cell("position-cell", date(2026, 1, 10)))

    def test_arms_of_both_places_are_there(self, folder: Path) -> None:
        (folder / "guard.toml").write_text('arms-file = "arms.csv"\n' + LEAST)

        assert list(self.load(folder, "id\narm-02\n").arms) == ["arm-01", "arm-02"]

    @pytest.mark.parametrize(
        ("content", "wrong"),
        [
            pytest.param("", "the header of arms.csv has no id", id="empty"),
            pytest.param("name,area\na,b\n", "the header of arms.csv has no id", id="header-without-id"),
            pytest.param("id,colour\na,b\n", "the header of arms.csv has 'colour'", id="unknown-name"),
            pytest.param("arm-01,weld\n", "the header of arms.csv has 'arm-01', 'weld'", id="no-header"),
            pytest.param("id,area,area\na,b,c\n", "the header of arms.csv has 'area' twice", id="name-twice"),
            pytest.param(b"id,area\narm-01,gie\xdferei\n", "arms.csv is no UTF-8 text", id="no-utf-8"),
            pytest.param(
                "id\n" + "x" * 200_000,
                "arms.csv is no CSV: field larger than field limit (131072) in line 2",
                id="no-csv",
            ),
        ],
    )
    def test_what_cannot_be_read_as_one(self, folder: Path, content: str | bytes, wrong: str) -> None:
        assert self.faults(folder, content) == [("guard.toml", 1, "arms-file", wrong)]

    def test_one_that_is_missing(self, folder: Path) -> None:
        with pytest.raises(ConfigFaults) as refusal:
            load(str(folder / "guard.toml"))

        (fault,) = refusal.value.faults
        assert (fault.line, fault.key) == (1, "arms-file")
        assert fault.wrong == f"{folder}/arms.csv cannot be read: No such file or directory"
        assert fault.right == "name the CSV file with the arms"

    @pytest.mark.parametrize(
        ("rows", "key", "wrong"),
        [
            pytest.param("arm-01,weld,\narm-01,,", "id", "'arm-01' is there twice", id="arm-twice"),
            pytest.param("arm-01,,\n,weld,", "id", "is missing", id="no-id"),
            pytest.param("arm-01,,\narm/02,,", "id", "'arm/02' cannot stand in a path", id="bad-id"),
            pytest.param("a1,,\na2,,memory-cell 2025-13-01", "cells[0].installed", "'2025-13-01' is no date", id="bad-day"),
            pytest.param("a1,,\na2,,memory-cel 2025-03-14", "cells[0].type", "'memory-cel' is not defined", id="bad-cell"),
            pytest.param("a1,,\na2,,,9", "", "'9' stands in no column of the header", id="more-cells-than-header"),
            pytest.param("a1,,\na2,Fettling, left,x", "", "'x' stands in no column of the header", id="comma-unquoted"),
            pytest.param('a1,,\n"a2","we\nld",', "area", "'we\\nld' is empty or holds control characters", id="line-break-in-cell"),
        ],
    )  # fmt: skip
    def test_a_bad_cell_is_told_with_its_own_file_and_line(self, folder: Path, rows: str, key: str, wrong: str) -> None:
        told = self.faults(folder, f"id,area,cells\n{rows}\n")

        line = 4 if "\n" in rows.partition("\n")[2] else 3
        assert ("arms.csv", line, key, wrong) in told
        assert {(file, place) for file, place, _, _ in told} == {("arms.csv", line)}

    @pytest.mark.parametrize(
        ("key", "value"), [("powered-fraction", "0,85"), ("ambient-c", "nan"), ("ambient-c", "hot")]
    )
    def test_a_number_that_is_none(self, folder: Path, key: str, value: str) -> None:
        shown = "nan" if value == "nan" else repr(value)

        assert self.faults(folder, f"id;{key}\narm-01;{value}\n") == [("arms.csv", 2, key, f"{shown} is no number")]
