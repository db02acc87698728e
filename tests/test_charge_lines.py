"""The drawing of the charge in the nightly report: well-formed and in its frame whatever is drawn, and told in words."""

from __future__ import annotations

import json
import re
from xml.etree import ElementTree as ET
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given as drawn
from hypothesis import settings
from hypothesis import strategies as st

from guard.model import PlannedEvent
from guard.plan.charge_ahead import ahead
from guard.tell.charge_lines import BOTTOM, DASHES, HIGH, TOP, WIDE, charge_lines
from guard.tell.charge_words import percent, told, which
from guard.tell.told import Charge
from tests.facts import DAY, HOUR, NOW
from tests.plant import Plant
from tests.test_charge_ahead import EVENTS, event, held

ZONE = ZoneInfo("Europe/Berlin")
EVIL = '<script>alert("x")</script>\u202e&amp;\n'


def drawing(text: str) -> ET.Element:
    """The drawing as a program reads it; what is not well-formed is refused."""
    return ET.fromstring(text)  # noqa: S314 - our own drawing


class TestDrawing:
    def test_a_line_for_each_cell_with_its_own_dashes_and_name(self) -> None:
        cells = [held(f"arm-{n}", mah=1000.0 - n, off=0.1) for n in range(8)]
        made = charge_lines(ahead(cells, [event(30, 14 * DAY, arm="arm-3")], NOW, 8, 13), ZONE)
        ways = re.findall(r'<path class="way" d="[^"]+"(?: stroke-dasharray="([^"]+)")?/>', made)
        assert sorted(ways) == sorted(DASHES)
        assert [made.count(f">arm-{n} memory-cell ") for n in range(8)] == [1] * 8
        assert "A: power-down (stop), Fri 2026-12-25 09:00, for 14 d (1 arm)" in made

    def test_a_ring_where_the_cell_is_changed(self) -> None:
        made = charge_lines(ahead([held()], [event(30, HOUR, "memory-swap")], NOW, 8, 13), ZONE)
        assert made.count("<circle") == 1
        assert "arm-07 memory-cell changed" in made

    def test_nothing_without_figures(self) -> None:
        assert charge_lines(ahead([], [], NOW, 8, 13), ZONE) == ""

    def test_names_are_no_markup(self) -> None:
        evil = event(30, HOUR, arm=EVIL)._replace(title=EVIL)
        made = charge_lines(ahead([held(EVIL)], [evil], NOW, 8, 13), ZONE)
        drawing(made)
        assert "<script" not in made
        assert "\u202e" not in made

    @settings(max_examples=60)
    @drawn(EVENTS, st.lists(st.tuples(st.floats(0, 1), st.floats(0.001, 2000)), min_size=1, max_size=9))
    def test_it_stays_in_its_frame(self, planned: list[PlannedEvent], cells: list[tuple[float, float]]) -> None:
        of = ahead(
            [held(f"arm-{n:02}", off=off, mah=mah) for n, (off, mah) in enumerate(cells, 7)], planned, NOW, 9, 13
        )
        made = charge_lines(of, ZONE)
        root = drawing(made)
        high = TOP + HIGH + BOTTOM
        names = [float(text.attrib["y"]) for text in root.iter("text") if text.text and text.text.startswith("arm-")]
        assert len(names) == len(of.ways)
        assert all(0 < y <= high + 1 for y in names)
        assert all(later - before >= 18.9 for before, later in zip(sorted(names), sorted(names)[1:], strict=False))
        for numbers in re.findall(r'd="M([\d. L]+)"', made):
            for pair in numbers.split("L"):
                x, y = map(float, pair.split())
                assert 0 <= x <= WIDE
                assert 0 <= y <= high


class TestWords:
    @pytest.mark.parametrize(
        ("part", "words"),
        [(0.0, "0 %"), (0.0001, "less than 1 %"), (0.01, "1 %"), (0.999, "99 %"), (1.0, "100 %")],
    )
    def test_parts(self, part: float, words: str) -> None:
        assert percent(part) == words

    def test_ways(self) -> None:
        def words(*planned: PlannedEvent, mah: float = 1000.0, off: float = 0.0) -> str:
            return told(ahead([held(mah=mah, off=off)], planned, NOW, 8, 2).ways[0], ZONE)

        year = "Thu 2027-11-25 15:00"
        assert words() == f"arm-07 memory-cell: 100 % left now, 100 % at {year}; never empty by the standby current."
        assert words(mah=100.0, off=1.0).endswith("; empty about Tue 2027-01-05.")
        assert words(mah=0.1, off=1.0) == f"arm-07 memory-cell: 0 % left now, 0 % at {year}; empty by its figures."
        swap = event(30, HOUR, "memory-swap")
        assert words(swap).endswith("left now, 100 % at Fri 2026-12-25 09:00, when it is planned to be changed.")

    def test_which_are_followed(self) -> None:
        cells = [held(f"arm-{n}") for n in range(3)]
        assert which(Charge(ahead(cells, [], NOW, 2, 2), 5), ZONE) == (
            "These 2 have the least left at Thu 2027-11-25 15:00; the one other has 100 % or more then. Not told for want"
            " of an installed date or the figures of the type: 2."
        )
        assert which(Charge(ahead(cells, [], NOW, 3, 2), 3), ZONE) == "These are all cells whose charge can be told."
        assert which(Charge(ahead([], [], NOW, 3, 2), 0), ZONE) == "No cells are listed."


def test_the_report_tells_of_the_charge_on_every_face(plant: Plant) -> None:
    plan = ("event", "add", "--kind", "power-down", "--start", "in 60d", "--for", "2w", "--arm", "arm-07")
    assert plant.run(*plan).code == 0
    made = plant.run("report", "--out", str(plant.root / "out"))
    page, text, document = (
        next((plant.root / "out").glob(f"*.{kind}")).read_text("utf-8") for kind in ("html", "txt", "json")
    )
    assert made.code == 0
    charge = json.loads(document)["charge"]
    assert [(cell["arm"], cell["type"]) for cell in charge["cells"]] == [
        ("arm-07", "memory-cell"),
        ("arm-09", "memory-cell"),
    ]
    assert (charge["others"], charge["least_other_part"], charge["untold"]) == (0, None, 2)
    with_event, without = (len(cell["points"]) for cell in charge["cells"])
    assert (with_event, without) == (15, 13)
    assert '<svg class="charge"' in page
    assert "<b>A</b> power-down, " in page
    assert "- arm-07 memory-cell: 99 % left now, " in text
