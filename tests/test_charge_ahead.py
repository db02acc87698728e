"""The charge over the time to come: what is followed, how far, and the chart of it in characters."""

from __future__ import annotations

import re
from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st

from guard.cli.charge_chart import MOST_CELLS, chart, columns_for
from guard.model import Action, FittedCell, PlannedEvent
from guard.plan.charge_ahead import LETTERS, LONGEST, SHORTEST, Ahead, Held, ahead
from guard.rules.outlook import outlook
from tests.facts import ARM, DAY, HOUR, NOW
from tests.plant import Plant
from tests.test_charge import PLAIN

ZONE = ZoneInfo("Europe/Berlin")


def held(arm: str = "arm-07", *, mah: float = 1000.0, off: float = 0.0, kind: str = "memory") -> Held:
    """A cell of 100 microamperes that loses nothing by itself, new this morning, in an arm that is off so much."""
    cell = FittedCell(PLAIN._replace(capacity_mah=mah, kind=kind), date(2026, 11, 25))
    of = outlook(cell, ARM._replace(powered_fraction=1 - off), (), NOW)
    assert of is not None
    return Held(arm, cell, of)


def event(
    days: float, off: timedelta, kind: Action = "power-down", number: int = 1, arm: str = "arm-07"
) -> PlannedEvent:
    return PlannedEvent(f"ev-{number}", kind, NOW + days * DAY, off, (arm,), "stop")


class TestWays:
    """1,000 mAh at 0.1 mA: what an event takes is its hours by a ten-thousandth."""

    def test_an_event_takes_its_hours_and_nothing_else_does(self) -> None:
        (way,) = ahead([held()], [event(30, 1000 * HOUR)], NOW, 9, 13).ways
        parts = {point.at: point.part for point in way.points}
        start, over = NOW + 30 * DAY, NOW + 30 * DAY + 1000 * HOUR
        assert parts[NOW] == parts[start] == 1.0
        assert parts[over] == way.points[-1].part == pytest.approx(0.9)
        assert (way.events, way.changed_at, way.empty_at) == ((event(30, 1000 * HOUR),), None, None)

    def test_a_running_event_counts_from_now_on(self) -> None:
        (way,) = ahead([held()], [event(-10, 10 * DAY + 1000 * HOUR)], NOW, 9, 3).ways
        assert way.points[-1].part == pytest.approx(0.9)

    def test_events_that_overlap_take_their_time_once(self) -> None:
        planned = [event(30, 1000 * HOUR), event(30, 500 * HOUR, "service-visit", 2)]
        assert ahead([held()], planned, NOW, 9, 3).ways[0].points[-1].part == pytest.approx(0.9)

    @pytest.mark.parametrize(
        ("planned", "left"),
        [
            pytest.param(event(30, 1000 * HOUR, "position-swap"), 1.0, id="the-mains-stay-on"),
            pytest.param(event(30, 1000 * HOUR, arm="arm-09"), 1.0, id="another-arm"),
            pytest.param(event(30, 1000 * HOUR, "service-visit"), 0.9, id="a-visit"),
        ],
    )
    def test_whose_mains_go_off(self, planned: PlannedEvent, left: float) -> None:
        assert ahead([held()], [planned], NOW, 9, 3).ways[0].points[-1].part == pytest.approx(left)

    def test_it_ends_with_the_planned_change_of_this_cell(self) -> None:
        planned = [event(20, HOUR, "memory-swap"), event(40, 1000 * HOUR, number=2)]
        memory, position = ahead([held(), held(kind="position")], planned, NOW, 9, 3).ways
        if position.changed_at is not None:
            memory, position = position, memory
        assert (memory.changed_at, memory.points[-1].at) == (NOW + 20 * DAY, NOW + 20 * DAY)
        assert [each.id for each in memory.events] == ["ev-1"]
        assert (position.changed_at, [each.id for each in position.events]) == (None, ["ev-1", "ev-2"])

    def test_when_it_is_empty_counts_the_events(self) -> None:
        (way,) = ahead([held(mah=100.0)], [event(30, 2000 * HOUR)], NOW, 9, 3).ways
        assert way.empty_at is not None
        assert abs(way.empty_at - (NOW + 30 * DAY + 1000 * HOUR)) < timedelta(seconds=1)
        changed = ahead([held(mah=100.0)], [event(30, 2000 * HOUR), event(31, HOUR, "memory-swap", 2)], NOW, 9, 3)
        assert changed.ways[0].empty_at is None

    def test_the_worst_are_followed_and_the_others_counted(self) -> None:
        cells = [held(f"arm-{n}", mah=1000.0 + 100 * n, off=0.05) for n in range(5)]
        found = ahead(cells[::-1], [], NOW, 2, 3)
        assert [way.arm for way in found.ways] == ["arm-0", "arm-1"]
        year_mah = SHORTEST / HOUR * 0.05 * 0.1
        assert (found.others, found.least_other) == (3, pytest.approx(1 - (year_mah + 8 * 0.05 * 0.1) / 1200))

    @pytest.mark.parametrize(
        ("cells", "planned", "until"),
        [
            pytest.param([held()], [], SHORTEST, id="a-year-at-least"),
            pytest.param([held()], [event(500, 10 * DAY)], 510 * DAY, id="all-events"),
            pytest.param([held()], [event(9000, DAY)], LONGEST, id="ten-years-at-most"),
            pytest.param([held(mah=100.8, off=0.05)], [], 1.1 * 20144 * HOUR, id="until-the-first-is-empty"),
            pytest.param([held(off=0.05)], [], SHORTEST, id="not-for-what-is-empty-in-decades"),
            pytest.param([], [], SHORTEST, id="nothing"),
        ],
    )
    def test_how_far(self, cells: list[Held], planned: list[PlannedEvent], until: timedelta) -> None:
        assert abs(ahead(cells, planned, NOW, 9, 3).until - NOW - until) < 12 * HOUR


def lines(found: Ahead, cells: int = 1, width: int = 80) -> list[str]:
    """The chart as it is printed where there is no terminal."""
    return [
        " " * line.indent + f"{line.label:<{line.label_width}}{line.text}"
        for line in chart(found, cells, NOW, ZONE, width)
    ]


EVENTS = st.lists(
    st.builds(
        event,
        st.floats(-5, 4000),
        st.integers(1, 5000).map(lambda hours: hours * HOUR),
        st.sampled_from(("power-down", "memory-swap", "position-swap", "service-visit")),
        st.integers(1, 99),
        st.sampled_from(("arm-07", "arm-09")),
    ),
    max_size=40,
)


class TestChart:
    def test_digits_letters_and_what_they_mean(self) -> None:
        found = ahead([held(off=0.5, mah=600.0)], [event(100, 14 * DAY)], NOW, MOST_CELLS, columns_for(80) + 1)
        told = lines(found)
        (row,) = [line for line in told if line.startswith(" arm-07  ")]
        drawn_row = row.split()[-1]
        assert re.fullmatch(r"9+8+A7+6+5+4+3+2+1+0+_+", drawn_row), drawn_row
        assert len(drawn_row) == columns_for(80)
        (events,) = [line for line in told if line.startswith(" events")]
        assert events.index("A") == row.index("A", 10)
        assert " A  power-down (stop), Fri 2027-03-05 09:00, for 14 d (1 arm)" in told

    def test_what_is_empty_and_what_is_changed(self) -> None:
        empty = lines(ahead([held(off=1.0, mah=100.0)], [], NOW, 9, 60))
        assert re.search(r" 864310_+$", next(line for line in empty if line.startswith(" arm-07  ")))
        assert " arm-07 memory-cell is expected to be empty about Tue 2027-01-05 (in 41 d 8 h)." in empty
        changed = lines(ahead([held()], [event(100, HOUR, "memory-swap")], NOW, 9, 60))
        assert re.search(r" 9+A\.+$", next(line for line in changed if line.startswith(" arm-07  ")))

    def test_nothing_to_show(self) -> None:
        assert lines(ahead([], [], NOW, 9, 60))[1].startswith(" No cell's charge can be told: write capacity-mah")

    def test_what_is_left_out_is_said(self) -> None:
        told = lines(ahead([held(f"arm-{n}") for n in range(4)], [], NOW, 2, 60), cells=7)
        assert "the 2 cells with the least charge left" in told[-2]
        assert "2 other cells have each at least 100 % then." in told[-2]
        assert told[-1] == " Not shown for want of an installed date or the figures of the type: 3"

    @settings(max_examples=60)
    @drawn(EVENTS, st.sampled_from((40, 80, 120, 300)), st.floats(0, 1), st.floats(0.001, 2000))
    def test_it_fits_and_every_letter_is_explained(
        self, planned: list[PlannedEvent], width: int, off: float, mah: float
    ) -> None:
        found = ahead([held(off=off, mah=mah), held("a" * 90, mah=mah)], planned, NOW, 9, columns_for(width) + 1)
        told = lines(found, 2, width)
        rows = [line for line in told if line.startswith((" arm-07  memory-cell  ", " aaa"))]
        assert all(len(line) <= max(width, 40) for line in rows)
        letters = {character for line in rows for character in line[-columns_for(width) :] if character in LETTERS}
        assert letters <= {line[1] for line in told if re.match(r" [A-Z]  ", line)}


class TestCommand:
    def test_the_chart_of_a_plant(self, plant: Plant) -> None:
        plan = ("event", "add", "--kind", "power-down", "--start", "in 60d", "--for", "2w", "--arm", "arm-07")
        assert plant.run(*plan).code == 0
        done = plant.run("cells", "--chart")
        assert (done.code, done.err) == (0, "")
        rows = {line.split()[0]: line.split()[-1] for line in done.out.splitlines() if line.startswith(" arm-")}
        assert re.fullmatch(r"9+A9+", rows["arm-07"])
        assert re.fullmatch(r"9+", rows["arm-09"])
        assert "Not shown for want of an installed date or the figures of the type: 2" in done.out
        assert "lockout/tagout" in done.out
        assert max(map(len, done.out.splitlines()[3:8])) <= 80

    def test_a_chart_is_no_json(self, plant: Plant) -> None:
        assert plant.run("cells", "--chart", "--json").code == 2


def test_the_months_stand_where_they_begin() -> None:
    told = lines(ahead([held()], [], datetime(2026, 11, 25, 8, tzinfo=UTC), 9, 60))
    (row,) = [line for line in told if "|2026-12" in line]
    column = row.index("|2026-12") - 27
    step = SHORTEST / columns_for(80)
    assert NOW + column * step <= datetime(2026, 11, 30, 23, tzinfo=UTC) < NOW + (column + 1) * step
