"""The drawings of a report: what they say in words, and that they are well-formed and in their frame whatever is drawn."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

import pytest

from guard.model import Level
from guard.tell.charts import BAR, LIMIT_AT, MOST_LANES, WIDE, age_bar, time_line
from guard.tell.told import Coming, Plan

DAY, HOUR = timedelta(days=1), timedelta(hours=1)
NOW = datetime(2026, 11, 25, 4, 30, tzinfo=UTC)
ZONE = ZoneInfo("Europe/Berlin")


def coming(
    start: datetime, length: timedelta = 8 * HOUR, level: Level = "clear", title: str = "", number: int = 1
) -> Coming:
    """A planned event of one arm."""
    early = ("arm-07",) if level == "hold" else ()
    return Coming(
        f"ev-{number}", "power-down", title, start, start + length, level, ((level, ("arm-07",)),), early, None
    )


def plan(*events: Coming) -> Plan:
    """The plan of the next four weeks."""
    return Plan(NOW + 28 * DAY, events, 0, None)


def parsed(drawing: str) -> ET.Element:
    """The drawing as a program reads it; what is not well-formed is refused."""
    return ET.fromstring(drawing)  # noqa: S314 - our own drawing


def numbers(drawing: str, name: str) -> list[float]:
    """The values of one attribute."""
    return [float(found) for found in re.findall(rf'\b{name}="([-\d.]+)"', drawing)]


class TestAgeBar:
    """Filled up to the age, a line at the limit; beyond it another colour and an arrow."""

    @pytest.mark.parametrize(
        ("age", "words", "classes"),
        [
            pytest.param(timedelta(), "0 s of 7 d", ["in", "limit"], id="new"),
            pytest.param(7 * DAY, "7 d of 7 d", ["in", "limit"], id="at-the-limit-is-inside"),
            pytest.param(7 * DAY + HOUR, "7 d 1 h of 7 d: too old", ["in", "over", "limit"], id="just-over"),
            pytest.param(900 * DAY, "2 y 169 d of 7 d: too old", ["in", "over", "over", "limit"], id="far-over"),
            pytest.param(-DAY, "1 d of 7 d", ["in", "limit"], id="from-the-future-draws-nothing"),
            pytest.param(None, "no age known", ["none", "limit"], id="not-known"),
        ],
    )
    def test_it_shows(self, age: timedelta | None, words: str, classes: list[str]) -> None:
        drawn = parsed(age_bar(age, 7 * DAY))
        assert drawn.findtext("title") == words
        assert [path.get("class") for path in drawn.findall("path")] == classes

    def test_the_fill_grows_with_the_age_and_stays_inside(self) -> None:
        ends = [max(map(float, re.findall(r"H([\d.]+)", age_bar(day * DAY, 7 * DAY)))) for day in range(40)]
        assert ends == sorted(ends)
        assert (ends[0], ends[7], ends[-1] <= BAR) == (0, LIMIT_AT, True)

    def test_a_limit_of_nothing(self) -> None:
        assert "too old" in age_bar(HOUR, timedelta())


class TestTimeLine:
    """Each event in a lane of its own, from start to end, with the verdict in a word."""

    def test_nothing_planned_draws_nothing(self) -> None:
        assert time_line(plan(), NOW, ZONE) == ""

    def test_events_stand_in_the_order_of_their_starts(self) -> None:
        drawn = time_line(plan(*(coming(NOW + day * DAY) for day in (1, 3, 9))), NOW, ZONE)
        lefts = [float(rect.get("x", "")) for rect in parsed(drawn).iter("rect")]
        assert lefts == sorted(lefts)
        assert len(set(numbers(drawn, "y"))) > 3

    @pytest.mark.parametrize(
        "event",
        [
            pytest.param(coming(NOW - 40 * DAY, 80 * DAY), id="runs-since-long-and-for-long"),
            pytest.param(coming(NOW), id="now"),
            pytest.param(coming(NOW + 28 * DAY, 14 * DAY), id="at-the-end"),
            pytest.param(coming(NOW + 3 * DAY, timedelta(seconds=1)), id="a-second"),
            pytest.param(coming(NOW + HOUR, 3000 * DAY), id="for-years"),
        ],
    )
    def test_every_bar_is_in_the_frame(self, event: Coming) -> None:
        drawn = time_line(plan(event), NOW, ZONE)
        for rect in parsed(drawn).iter("rect"):
            left, width = float(rect.get("x", "")), float(rect.get("width", ""))
            assert 0 <= left <= WIDE
            assert 6 <= width <= WIDE - left + 6

    def test_what_waits_for_its_backup_is_hollow_and_says_so(self) -> None:
        drawn = time_line(plan(coming(NOW + 20 * DAY, level="hold")), NOW, ZONE)
        assert 'class="bar waits"' in drawn
        assert "HOLD</tspan> power-down, 1 arm, too early for its backup" in drawn

    def test_days_are_the_plants_through_a_change_of_the_clocks(self) -> None:
        before = datetime(2026, 10, 23, 10, tzinfo=UTC)
        drawn = time_line(plan(coming(before + 6 * DAY))._replace(until=before + 28 * DAY), before, ZONE)
        assert re.findall(r'class="date"[^>]*>([^<]+)<', drawn) == [
            "Sat 24 Oct", "Sun 25 Oct", "Mon 26 Oct", "Tue 27 Oct", "Wed 28 Oct", "Thu 29 Oct"
        ]  # fmt: skip
        gaps = [float(x) for x in re.findall(r'class="day" d="M([\d.]+) ', drawn)]
        widths = [b - a for a, b in pairwise(gaps)]
        assert widths[1] / widths[0] == pytest.approx(25 / 24, abs=0.01)

    def test_more_events_than_lanes(self) -> None:
        events = [coming(NOW + number * HOUR, number=number) for number in range(MOST_LANES + 5)]
        drawn = time_line(plan(*events), NOW, ZONE)
        assert len(list(parsed(drawn).iter("rect"))) == MOST_LANES
        assert f"the first {MOST_LANES} of {MOST_LANES + 5}" in drawn

    def test_a_hostile_title_is_only_a_title(self) -> None:
        drawn = time_line(plan(coming(NOW + DAY, title='</title><script>x</script>"\u202e\n')), NOW, ZONE)
        assert list(parsed(drawn).iter("script")) == []
        assert "\u202e" not in drawn

    def test_a_long_title_is_cut(self) -> None:
        drawn = time_line(plan(coming(NOW + DAY, title="x" * 500)), NOW, ZONE)
        assert f"{'x' * 47}…," in drawn
