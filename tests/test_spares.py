"""Spares within and past their shelf life, at both sides of its end, and cells that were too old when they were put in."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from guard.model import FittedCell, Level, Mark, SpareCells
from guard.rules.spares import past_shelf_life_at
from guard.store.cells import Count, Spare, in_stock
from tests.facts import DAY, LONG_ON, MEMORY_CELL, MICROSECOND, NOW, YOUNG_CELLS, Given, given, mark, proven

YEAR = timedelta(days=365.25)
KIND = YOUNG_CELLS[0].type._replace(shelf_life=5 * YEAR)
ENDS = datetime(2021, 12, 1, tzinfo=UTC) + 5 * YEAR + MICROSECOND
"""When a cell that was made in December 2021 is past its shelf life: five days from now."""


def swap(*lots: tuple[str, int], at: datetime = NOW, held: int | None = None, **changes: Any) -> Given:
    """A change of the memory cell, with these spares in stock and everything else in order."""
    spare = SpareCells(KIND, sum(count for _, count in lots) if held is None else held, lots)
    cells = (FittedCell(KIND, date(2026, 11, 1)), YOUNG_CELLS[1])
    facts = {"powered": LONG_ON, "cells": cells, "spares": (spare, SpareCells(YOUNG_CELLS[1].type, 5)), **changes}
    return given(
        proven(timedelta()),
        at=at,
        action="memory-swap",
        limits={"fresh": LONG_FRESH, "read_back_within": 4000 * DAY},
        **facts,
    )


LONG_FRESH = tuple((action, 4000 * DAY) for action in ("power-down", "memory-swap", "position-swap", "service-visit"))


UNTOLD = "When the spare memory-cell for arm-07 in stock was made was never recorded, and so not whether a shelf life is over."


def told(of: Given) -> list[tuple[Level, str]]:
    return [(found.level, found.message) for found in of.findings("spare-missing")]


class TestShelfLife:
    @pytest.mark.parametrize(
        ("lots", "expected"),
        [
            pytest.param([("2024-01", 1)], [], id="young"),
            pytest.param([("2021-12", 1)], [], id="nearly-past"),
            pytest.param([("2021-11", 1), ("2024-01", 1)], [], id="one-of-two-is-young"),
            pytest.param([("2021-11", 1), ("2024-01", 0)], ["hold"], id="the-young-ones-are-used-up"),
            pytest.param([("2021-11", 4)], ["hold"], id="all-past"),
            pytest.param([("", 2)], ["caution"], id="nobody-told-when-made"),
            pytest.param([("", 0)], ["hold"], id="none"),
            pytest.param([("2021-11", 4), ("", 1)], ["caution"], id="past-and-untold"),
            pytest.param([("no-code", 1)], ["caution"], id="a-code-that-is-none"),
        ],
    )
    def test_which_spares_count(self, lots: list[tuple[str, int]], expected: list[Level]) -> None:
        assert [level for level, _ in told(swap(*lots))] == expected

    def test_without_a_shelf_life_every_spare_counts(self) -> None:
        ages = KIND._replace(shelf_life=None)
        assert told(swap(("1999-01", 1), spares=(SpareCells(ages, 1, (("1999-01", 1),)),))) == []

    def test_what_is_said(self) -> None:
        assert told(swap(("2021-11", 4))) == [
            ("hold", "No usable spare memory-cell for arm-07 is left in stock. 4 in stock are past their shelf life.")
        ]
        assert told(swap(("2021-11", 1), ("", 1))) == [("caution", f"{UNTOLD} 1 in stock is past its shelf life.")]
        (found,) = swap(("2021-11", 4)).findings("spare-missing")
        assert (found.evidence["in_stock"], found.evidence["past_shelf_life"]) == (4, 4)

    def test_an_arm_that_lists_no_cells_is_served_by_what_is_usable(self) -> None:
        other = SpareCells(KIND._replace(name="other"), 1, (("2024-01", 1),))
        past = SpareCells(KIND, 1, (("2020-01", 1),))
        assert told(swap(cells=(), spares=(past, other))) == []
        assert [level for level, _ in told(swap(cells=(), spares=(past,)))] == ["hold"]

    def test_the_answer_holds_until_the_very_instant(self) -> None:
        of = swap(("2021-12", 1))
        assert of.verdict.level == "clear"
        assert (of.verdict.holds_until, of.verdict.then) == (ENDS, "hold")
        assert swap(("2021-12", 1), at=ENDS - MICROSECOND).verdict.level == "clear"
        assert swap(("2021-12", 1), at=ENDS).verdict.level == "hold"

    def test_the_last_of_several_lots_ends_it(self) -> None:
        assert swap(("2021-12", 1), ("2022-01", 1)).verdict.holds_until == past_shelf_life_at(KIND, "2022-01")


class TestPutInOld:
    @pytest.mark.parametrize(
        ("installed", "made", "old"),
        [
            pytest.param(date(2026, 12, 1), "2021-12", False, id="on-the-last-day"),
            pytest.param(date(2026, 12, 2), "2021-12", True, id="the-day-after"),
            pytest.param(date(2026, 12, 1), None, False, id="not-told"),
            pytest.param(None, "2001-12", False, id="no-day"),
        ],
    )
    def test_both_sides(self, installed: date | None, made: str | None, old: bool) -> None:  # noqa: FBT001
        of = swap(("2026-01", 1), cells=(FittedCell(KIND, installed, made),), as_of=NOW + 9 * DAY, at=NOW + 9 * DAY)
        assert [found.level for found in of.findings("old-when-put-in")] == ["caution"] * old

    def test_what_is_said(self) -> None:
        (found,) = swap(cells=(FittedCell(KIND, date(2026, 11, 1), "2020-02"),)).findings("old-when-put-in")
        assert found.message == (
            "The memory-cell of arm-07 was made 2020-02 and put in on 2026-11-01: past its shelf life of 5 y."
        )


def counted(date_code: str, held: int) -> Count:
    return Count(NOW - DAY, KIND.name, date_code, held)


class TestUsedUp:
    """A change that tells no date code leaves no more usable spares than there can be."""

    @pytest.mark.parametrize(
        ("lots", "expected"),
        [
            pytest.param({"2015-01": 1, "2024-01": 1}, {"2015-01": 1, "2024-01": 0}, id="not-the-one-past"),
            pytest.param({"2023-01": 1, "2024-01": 1}, {"2023-01": 0, "2024-01": 1}, id="the-oldest-that-may"),
            pytest.param({"2015-01": 1, "2016-01": 1}, {"2015-01": 0, "2016-01": 1}, id="all-past"),
        ],
    )
    def test_which_one_is_used(self, lots: dict[str, int], expected: dict[str, int]) -> None:
        used: Mark = mark("cell-changed", NOW, cell=MEMORY_CELL.name)
        left = in_stock([counted(*each) for each in lots.items()], (used,), {KIND.name: KIND})
        assert left == {KIND.name: tuple(Spare(KIND.name, *each) for each in sorted(expected.items()))}
