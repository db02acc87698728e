"""How old the cells of an arm are and what the controller told of them: each limit from both sides."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from typing import Any

import pytest

from guard.model import ACTIONS, Action, FittedCell, Level
from guard.plant import Cell
from guard.rules.cells import fitted, installed_at
from tests.facts import (
    DAY,
    HOUR,
    MEMORY_CELL,
    MICROSECOND,
    NOW,
    POSITION_CELL,
    YOUNG_CELLS,
    Given,
    given,
    mark,
    proven,
    window,
)

TYPES = {each.name: each for each in (MEMORY_CELL, POSITION_CELL, MEMORY_CELL._replace(name="large-cell"))}
IN = date(2026, 11, 20)
START = datetime(2026, 11, 20, tzinfo=UTC)
ENDLESS = {"fresh": tuple((action, 999 * DAY) for action in ACTIONS), "read_back_within": 999 * DAY}


def aged(kind: str, action: Action = "power-down", at: datetime = NOW, **changes: Any) -> Given:
    """An arm whose one cell of that kind was installed on 20 November and has an interval of 100 days."""
    cell = FittedCell(TYPES[f"{kind}-cell"]._replace(interval=100 * DAY), IN)
    return given(proven(), at=at, action=action, limits=ENDLESS, **{"cells": (cell,), **changes})


def told(of: Given) -> list[tuple[str, Level]]:
    """Code and level of every finding about cells."""
    return [(found.code, found.level) for found in of.verdict.findings if found.code.startswith("cell-")]


class TestAge:
    """Caution from 90 % of the interval on, the 90 % included; hold past the interval, which is itself inside."""

    @pytest.mark.parametrize(
        ("age", "expected", "turns"),
        [
            pytest.param(90 * DAY - MICROSECOND, [], None, id="a-microsecond-before-90-percent"),
            pytest.param(90 * DAY, [("cell-due-soon", "caution")], 100 * DAY + MICROSECOND, id="at-90-percent"),
            pytest.param(100 * DAY, [("cell-due-soon", "caution")], 100 * DAY + MICROSECOND, id="at-the-interval"),
            pytest.param(100 * DAY + MICROSECOND, [("cell-overdue", "hold")], None, id="a-microsecond-past-it"),
        ],
    )
    def test_both_sides_of_each_limit(
        self, age: timedelta, expected: list[tuple[str, Level]], turns: timedelta | None
    ) -> None:
        of = aged("memory", at=START + age)
        assert told(of) == expected
        assert [found.turns_at for found in of.verdict.findings] == [turns and START + turns] * len(expected)
        assert of.verdict.level == (expected[0][1] if expected else "clear")

    @pytest.mark.parametrize(
        ("kind", "action", "expected"),
        [
            ("memory", "power-down", [("cell-due-soon", "caution")]),
            ("position", "power-down", [("cell-due-soon", "caution")]),
            ("position", "memory-swap", [("cell-due-soon", "caution")]),
            ("memory", "memory-swap", []),
            ("memory", "position-swap", []),
            ("memory", "service-visit", []),
        ],
    )
    def test_an_interval_that_ends_while_the_mains_are_off(
        self, kind: str, action: Action, expected: list[tuple[str, Level]]
    ) -> None:
        for beyond, found in ((timedelta(), []), (MICROSECOND, expected)):
            of = aged(kind, action, at=START + 50 * DAY)
            of = Given(of.facts, of.question._replace(off_for=50 * DAY + beyond))
            assert told(of) == found
        for each in of.findings("cell-due-soon"):
            assert each.message.endswith("its interval of 100 d ends in 50 d, within the 50 d without mains.")

    @pytest.mark.parametrize("off_for", [120 * DAY, timedelta.max])
    def test_a_time_off_longer_than_the_interval_is_a_caution_from_the_first_moment(self, off_for: timedelta) -> None:
        of = aged("memory", at=START)
        answer = Given(of.facts._replace(as_of=START), of.question._replace(off_for=off_for)).verdict
        assert "cell-due-soon" in {each.code for each in answer.findings}

    def test_the_answer_holds_until_the_very_instant(self) -> None:
        young = aged("memory").verdict
        assert (young.holds_until, young.then) == (START + 90 * DAY, "caution")
        due = aged("memory", at=START + 95 * DAY).verdict
        assert (due.holds_until, due.then) == (START + 100 * DAY + MICROSECOND, "hold")

    @pytest.mark.parametrize(
        ("of", "expected"),
        [
            pytest.param(
                aged("memory", at=START + 99 * DAY),
                "Change the memory-cell first. Ask whether it may be done: guard ask --arm arm-07 --action memory-swap."
                " Do it between guard swap begin arm-07 and guard swap end arm-07. Then save a new backup, since none"
                " from before the change counts: guard look, and: guard prove --arm arm-07",
                id="memory-and-then-a-backup",
            ),
            pytest.param(
                aged("position", at=START + 99 * DAY),
                "Change the position-cell first. Ask whether it may be done: guard ask --arm arm-07 --action"
                " position-swap. Record it afterwards: guard mark cell-changed arm-07 --cell position-cell",
                id="position",
            ),
            pytest.param(
                aged("memory", "memory-swap", at=START + 99 * DAY),
                "The change of the memory-cell settles this, once it is recorded: guard swap begin arm-07, then guard"
                " swap end arm-07",
                id="where-the-action-replaces-it",
            ),
            pytest.param(
                aged("memory", at=START + 99 * DAY, window=window(HOUR)),
                "The change that is under way settles this, once the new cell is in: guard swap end arm-07 --by NAME",
                id="where-it-is-out-already",
            ),
        ],
    )
    def test_what_to_do(self, of: Given, expected: str) -> None:
        assert of.findings("cell-due-soon")[0].remedy == expected

    @pytest.mark.parametrize(
        ("interval", "soon"),
        [(1, 1), (2, 2), (9, 9), (10, 9), (11, 10)],
        ids=lambda microseconds: f"{microseconds}us",
    )
    def test_90_percent_of_an_interval_of_microseconds_is_reached_and_not_passed_by(
        self, interval: int, soon: int
    ) -> None:
        cell = FittedCell(MEMORY_CELL._replace(interval=interval * MICROSECOND), IN)
        for microseconds in range(interval + 1):
            at = START + microseconds * MICROSECOND
            found = given(proven(), at=at, as_of=START, action="service-visit", cells=(cell,)).findings("cell-due-soon")
            assert bool(found) == (microseconds >= soon)

    @pytest.mark.parametrize(
        ("kind", "action", "level"),
        [
            ("memory", "power-down", "hold"),
            ("memory", "memory-swap", "caution"),
            ("memory", "position-swap", "hold"),
            ("memory", "service-visit", "caution"),
            ("position", "power-down", "hold"),
            ("position", "memory-swap", "hold"),
            ("position", "position-swap", "caution"),
            ("position", "service-visit", "caution"),
        ],
    )
    def test_the_cure_is_never_blocked_by_the_disease(self, kind: str, action: Action, level: Level) -> None:
        at = START + 200 * DAY
        assert told(aged(kind, action, at)) == [("cell-overdue", level)]
        alarm = mark("cell-alarm", NOW, cell=f"{kind}-cell")
        assert told(aged(kind, action, at, marks=(alarm,)))[:1] == [("cell-alarm", level)]
        unknown = FittedCell(TYPES[f"{kind}-cell"], None)
        expected = "unknown" if level == "hold" else "caution"
        assert told(aged(kind, action, at, cells=(unknown,))) == [("cell-age-unknown", expected)]

    def test_each_cell_is_told_by_itself(self) -> None:
        cells = tuple(FittedCell(POSITION_CELL, day) for day in (date(2025, 1, 1), date(2025, 12, 24), None))
        of = given(proven(), cells=cells)
        assert told(of) == [
            ("cell-overdue", "hold"),
            ("cell-age-unknown", "unknown"),
            ("cell-due-soon", "caution"),
        ]
        assert [found.evidence["cell"] for found in of.verdict.findings] == ["position-cell"] * 3


class TestAgeUnknown:
    """A listed cell without a day that can be is unknown; an arm that lists no cells gives a caution."""

    @pytest.mark.parametrize(
        ("installed", "expected"),
        [
            pytest.param(None, [("cell-age-unknown", "unknown")], id="nobody-recorded-it"),
            pytest.param(date(2062, 1, 1), [("cell-age-unknown", "unknown")], id="a-day-to-come"),
            pytest.param(date(2026, 11, 26), [("cell-age-unknown", "unknown")], id="tomorrow-everywhere"),
            pytest.param(date(2026, 11, 25), [], id="today"),
        ],
    )
    def test_the_day(self, installed: date | None, expected: list[tuple[str, Level]]) -> None:
        assert told(given(proven(), cells=(FittedCell(MEMORY_CELL, installed),))) == expected

    def test_a_day_that_has_begun_anywhere_has_come(self) -> None:
        cell = FittedCell(MEMORY_CELL, date(2026, 11, 26))
        begun = datetime(2026, 11, 25, 10, tzinfo=UTC)
        assert installed_at(cell, begun) == datetime(2026, 11, 26, tzinfo=UTC)
        assert installed_at(cell, begun - MICROSECOND) is None

    def test_no_cells(self) -> None:
        of = given(proven(), cells=())
        assert told(of) == [("cell-age-unknown", "caution")]
        assert of.verdict.holds_until is not None


ALARM = mark("cell-alarm", NOW - DAY)


class TestAlarm:
    """An alarm holds until a later change of the cell that it is about; one that names no cell, until all were changed."""

    @pytest.mark.parametrize(
        ("alarm", "change", "stands"),
        [
            pytest.param("", None, True, id="no-change"),
            pytest.param("", ("", MICROSECOND), True, id="some-change-later"),
            pytest.param("", ("memory-cell", HOUR), True, id="a-change-of-the-memory-cell-alone"),
            pytest.param("", ("position-cell", HOUR), True, id="a-change-of-position-cells-alone"),
            pytest.param("memory-cell", ("memory-cell", MICROSECOND), False, id="a-change-of-that-cell"),
            pytest.param("memory-cell", ("memory-cell", timedelta()), True, id="a-change-at-the-same-moment"),
            pytest.param("memory-cell", ("memory-cell", -HOUR), True, id="a-change-before"),
            pytest.param("memory-cell", ("memory-cell", DAY - MICROSECOND), False, id="a-change-just-now"),
            pytest.param(
                "memory-cell", ("memory-cell", DAY + MICROSECOND), True, id="a-change-by-a-clock-that-was-ahead"
            ),
            pytest.param("memory-cell", ("position-cell", HOUR), True, id="a-change-of-another-cell"),
            pytest.param("memory-cell", ("", HOUR), True, id="a-change-that-names-no-cell"),
            pytest.param("gone-from-the-configuration", ("memory-cell", HOUR), True, id="an-alarm-of-a-type-unknown"),
        ],
    )
    def test_what_ends_it(self, alarm: str, change: tuple[str, timedelta] | None, stands: bool) -> None:  # noqa: FBT001
        marks = [ALARM._replace(cell=alarm)]
        if change is not None:
            marks.append(mark("cell-changed", ALARM.at + change[1], cell=change[0]))
        assert told(given(proven(), marks=tuple(marks))) == ([("cell-alarm", "hold")] if stands else [])

    @pytest.mark.parametrize(
        ("changed", "stands"),
        [
            pytest.param(("memory-cell", "position-cell"), False, id="all"),
            pytest.param(("memory-cell", "memory-cell"), True, id="one-of-them-twice"),
            pytest.param(("memory-cell", ""), True, id="one-of-them-and-nobody-told-which"),
        ],
    )
    def test_one_that_names_no_cell_ends_once_all_were_changed(self, changed: tuple[str, ...], stands: bool) -> None:  # noqa: FBT001
        marks = (ALARM, *(mark("cell-changed", ALARM.at + n * HOUR, cell=cell) for n, cell in enumerate(changed, 1)))
        assert ("cell-alarm" in dict(told(given(proven(), marks=marks)))) == stands

    def test_a_new_cell_of_another_type_of_the_same_kind_ends_it(self) -> None:
        cells = (FittedCell(TYPES["large-cell"], IN), *YOUNG_CELLS)
        marks = (ALARM._replace(cell="memory-cell"), mark("cell-changed", NOW, cell="large-cell"))
        assert told(given(proven(), marks=marks, cells=cells)) == []

    @pytest.mark.parametrize(
        ("action", "level"),
        [
            ("power-down", "hold"),
            ("memory-swap", "hold"),
            ("position-swap", "hold"),
            ("service-visit", "caution"),
        ],
    )
    def test_one_that_names_no_cell_is_cured_only_by_changing_all(self, action: Action, level: Level) -> None:
        of = given(proven(), action=action, marks=(ALARM,))
        assert told(of) == [("cell-alarm", level)]
        assert "Find out which cell it is" in of.findings("cell-alarm")[0].remedy

    @pytest.mark.parametrize(
        ("name", "cells"), [("", ()), ("of-old", ()), ("of-old", YOUNG_CELLS)], ids=["none", "of-none", "of-another"]
    )
    def test_a_visit_changes_no_cell_that_is_not_listed(self, name: str, cells: tuple[FittedCell, ...]) -> None:
        of = given(proven(), action="service-visit", marks=(ALARM._replace(cell=name),), cells=cells)
        assert ("cell-alarm", "hold") in told(of)

    def test_one_that_names_no_cell_is_about_the_only_one(self) -> None:
        memory = tuple(cell for cell in YOUNG_CELLS if cell.type.kind == "memory")
        assert told(given(proven(), action="memory-swap", marks=(ALARM,), cells=memory)) == [("cell-alarm", "caution")]

    @pytest.mark.parametrize("name", ["", "memory-cell"])
    def test_while_the_cell_is_out_nobody_is_told_to_leave_the_power_on(self, name: str) -> None:
        of = given(proven(), marks=(ALARM._replace(cell=name),), window=window(HOUR))
        (remedy,) = (found.remedy for found in of.findings("cell-alarm"))
        assert remedy.startswith("The change that is under way settles this, once the new cell is in: guard swap end")

    def test_the_newest_alarm_of_each_cell_is_told(self) -> None:
        marks = tuple(
            mark("cell-alarm", NOW - hours * HOUR, by=by, cell=cell)
            for hours, by, cell in ((9, "Ana", "memory-cell"), (8, "Ben", "memory-cell"), (7, "Eva", "position-cell"))
        )
        found = given(proven(), marks=marks).findings("cell-alarm")
        assert [(each.evidence["cell"], each.evidence["by"]) for each in found] == [
            ("memory-cell", "Ben"),
            ("position-cell", "Eva"),
        ]


class TestFitted:
    """For each type of cell the newest change wins over the configuration; of several the oldest is new by it."""

    @pytest.mark.parametrize(
        ("installed", "changes", "expected"),
        [
            pytest.param((1, 1), 1, (20, 20), id="equally-old-are-changed-together"),
            pytest.param((1, 2), 1, (20, 2), id="one-change-renews-the-oldest"),
            pytest.param((2, 1), 1, (2, 20), id="wherever-it-is-listed"),
            pytest.param((2, None), 1, (2, 20), id="one-of-unknown-age-is-the-oldest"),
            pytest.param((None, None), 1, (20, 20), id="all-of-unknown-age"),
            pytest.param((1, 2), 2, (20, 21), id="two-changes-renew-two"),
            pytest.param((1, 2), 3, (22, 21), id="and-a-third-the-first-again"),
        ],
    )
    def test_several_of_one_type(
        self, installed: tuple[int | None, ...], changes: int, expected: tuple[int, ...]
    ) -> None:
        listed = [Cell("position-cell", None if day is None else date(2026, 10, day)) for day in installed]
        marks = [
            mark("cell-changed", NOW - (9 - n) * DAY, cell="position-cell", installed=date(2026, 10, 20 + n))
            for n in range(changes)
        ]
        found = fitted(listed, TYPES, marks[::-1])
        assert tuple(cell.installed.day for cell in found if cell.installed) == expected

    LISTED = (Cell("memory-cell", IN), Cell("position-cell"))

    def days(self, *marks: Any, listed: tuple[Cell, ...] = LISTED) -> dict[str, date | None]:
        return {cell.type.name: cell.installed for cell in fitted(listed, TYPES, marks)}

    def test_without_marks_it_is_what_the_configuration_lists(self) -> None:
        assert self.days() == {"memory-cell": IN, "position-cell": None}

    def test_a_change_of_a_cell(self) -> None:
        changed = mark("cell-changed", NOW, cell="position-cell", installed=date(2026, 11, 24), date_code="2026-08")
        assert self.days(changed) == {"memory-cell": IN, "position-cell": date(2026, 11, 24)}
        assert fitted(self.LISTED, TYPES, (changed,))[1].date_code == "2026-08"

    def test_without_an_installed_day_it_is_the_day_of_the_mark(self) -> None:
        assert self.days(mark("cell-changed", NOW, cell="position-cell"))["position-cell"] == NOW.date()

    def test_the_newest_change_wins_in_whatever_order_they_were_recorded(self) -> None:
        old, new = (mark("cell-changed", NOW - n * DAY, cell="memory-cell") for n in (9, 2))
        assert self.days(old, new) == self.days(new, old)
        assert self.days(old, new)["memory-cell"] == (NOW - 2 * DAY).date()

    @pytest.mark.parametrize("cell", ["", "gone-from-the-configuration"])
    def test_a_change_of_no_cell_in_particular_makes_none_young(self, cell: str) -> None:
        assert self.days(mark("cell-changed", NOW, cell=cell)) == self.days()

    def test_a_memory_cell_of_another_type_takes_the_place_of_the_listed_one(self) -> None:
        changed = mark("cell-changed", NOW, cell="large-cell")
        assert self.days(changed) == {"large-cell": NOW.date(), "position-cell": None}

    def test_a_change_makes_known_what_no_configuration_lists(self) -> None:
        changed = mark("cell-changed", NOW, cell="position-cell")
        assert self.days(changed, listed=()) == {"position-cell": NOW.date()}
