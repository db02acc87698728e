"""The hold sheet: what stands on it, that it is safe to open, and where on the share it hangs."""

from __future__ import annotations

import re
from datetime import timedelta
from html.parser import HTMLParser
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from guard.model import LEVELS, PlannedEvent, Problem, Question
from guard.plan.warnings import Raised
from guard.rules.verdict import verdict
from guard.share.layout import Layout
from guard.tell.cautions import CAUTIONS
from guard.tell.placing import arm_folder, place_on_share
from guard.tell.sheet import HEAD, MOST, Blocked, Sheet, drawn, state_of
from guard.tell.words import headline
from tests.facts import ARM, DAY, HOUR, NOW, Given, mark, proven, sign_off
from tests.facts import given as facts_of

ZONE = ZoneInfo("Europe/Berlin")
SHUTDOWN = PlannedEvent("ev-12", "power-down", NOW + 2 * DAY, 14 * DAY, ("arm-07",), "Summer shutdown")
SWAP = PlannedEvent("ev-14", "memory-swap", NOW + DAY, timedelta(minutes=30), ("arm-07",))
OLD = proven(9 * DAY)
TROUBLED = facts_of(
    OLD,
    proven(2 * DAY, "arm-07/2026-11-23_0800", checked=False, problems=(Problem("incomplete-set", "part image"),)),
    marks=(mark("edit", NOW - DAY, by="R. Osei"),),
)


def blocked(given: Given, event: PlannedEvent, number: int = 1) -> Blocked:
    answer = verdict(given.facts, Question(event.kind, event.start, event.off_for))
    assert answer.level in ("hold", "unknown")
    warning = Raised(number, event.id, ARM.id, answer.level, headline(answer), (), NOW - DAY, NOW - HOUR)
    return Blocked(warning, event, answer)


def sheet(*each: Blocked, **changes: Any) -> Sheet:
    return Sheet("Ridgemoor Castings", ARM, each, NOW)._replace(**changes)


class Page(HTMLParser):
    """A page as people read it: its text in order, and every element with its attributes."""

    def __init__(self, html: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.elements: list[tuple[str, dict[str, str | None]]] = []
        self._open: list[str] = []
        self.feed(html)
        self.text = " ".join(" ".join(self.words).split())

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append((tag, dict(attrs)))
        self._open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        while self._open and self._open.pop() != tag:
            pass

    def handle_data(self, data: str) -> None:
        if "style" not in self._open:
            self.words.append(data)


def page(*each: Blocked, **changes: Any) -> Page:
    return Page(drawn(sheet(*each, **changes), ZONE))


def test_the_sheet_tells_what_is_blocked_what_lifts_it_and_why() -> None:
    text = page(blocked(TROUBLED, SHUTDOWN)).text
    assert text.startswith("HOLD: arm-07 HOLD arm-07: Fettling cell, left Ridgemoor Castings, finishing")
    told = (
        "power-down (ev-12): Summer shutdown Fri 2026-11-27 09:00 (in 2 d) 14 d Tue 2026-11-24 09:00",
        "Save a fresh backup of arm-07, then run: guard look, and: guard prove --arm arm-07",
        "Save a backup of arm-07 that holds the edit, then run: guard look, and: guard prove --arm arm-07",
        "NOTICE Until this is lifted, powering this arm down can cost its taught positions, programs and settings.",
        "stale-backup",
        "The newest proven set arm-07/2026-11-16_0800 will then be 11 d old; 7 d is allowed before a power-down.",
        f"Backup set arm-07/2026-11-16_0800 Fingerprint {OLD.fingerprint} Saved Mon 2026-11-16 09:00 (9 d ago)",
        "Holds until one of the steps above is done: nothing here changes by itself",
        "Written Wed 2026-11-25 09:00 (Europe/Berlin).",
    )
    places = [text.find(each) for each in told]
    assert -1 not in places, told[places.index(-1)]
    assert places == sorted(places)


def test_the_cautions_stand_on_every_sheet() -> None:
    for each in (blocked(TROUBLED, SHUTDOWN), blocked(facts_of(share={"unreadable": "Host is down"}), SWAP)):
        assert all(caution in page(each).text for caution in CAUTIONS)


def test_lost_data_is_a_notice_and_never_a_signal_word_for_harm_to_people() -> None:
    html = drawn(sheet(blocked(TROUBLED, SHUTDOWN)), ZONE)
    assert not re.search(r"\b(DANGER|WARNING)\b", html)
    assert not {"\N{WARNING SIGN}", "\N{HIGH VOLTAGE SIGN}"} & set(html)


def test_what_only_cautions_is_a_reason_but_nothing_to_lift() -> None:
    text = page(blocked(TROUBLED, SHUTDOWN)).text
    lifts, why = text[text.index("What lifts it") : text.index("NOTICE")], text[text.index("Why") :]
    assert ("again with all parts" in lifts, "incomplete-set" in why) == (False, True)


def test_what_a_person_answers_for_is_told_with_the_name_and_nothing_to_lift() -> None:
    each = blocked(TROUBLED, SHUTDOWN)
    assert each.verdict is not None
    signed = tuple(
        found._replace(signed_off=sign_off("edited-since", by="R. Osei", why="known"))
        if found.code == "edited-since"
        else found
        for found in each.verdict.findings
    )
    text = page(each._replace(verdict=each.verdict._replace(findings=signed))).text
    assert "Signed off by R. Osei until Thu 2026-11-26 09:00: known." in text
    assert "that holds the edit" not in text


def test_a_backup_that_would_be_too_old_again_is_told_from_when_on_it_counts() -> None:
    later = SWAP._replace(start=NOW + 3 * DAY)
    text = page(blocked(facts_of(OLD), later)).text
    assert "For ev-14 a backup counts that is saved from Fri 2026-11-27 09:00 on." in text
    assert "a backup counts" not in page(blocked(facts_of(OLD), SWAP)).text


def test_several_events_share_a_sheet_and_each_step_stands_once() -> None:
    text = page(blocked(TROUBLED, SWAP, 2), blocked(TROUBLED, SHUTDOWN)).text
    assert text.count("Save a fresh backup of arm-07, then run: guard look, and: guard prove --arm arm-07") == 1
    assert text.index("memory-swap (ev-14)") < text.index("power-down (ev-12)")
    assert "Until this is lifted, power-down or work on this arm's cells can cost" in text


def test_more_than_fits_on_a_page_is_counted() -> None:
    many = [blocked(TROUBLED, SHUTDOWN._replace(id=f"ev-{n}"), n) for n in range(MOST + 3)]
    assert "And 3 more: guard event list" in page(*many).text


def test_without_a_verdict_the_warning_itself_is_told() -> None:
    raised = Raised(1, "swap", ARM.id, "hold", "HOLD: seat the new memory cell", ("window-over",), NOW, NOW)
    text = page(Blocked(raised, None, None)).text
    assert "HOLD: seat the new memory cell" in text
    assert "change of the memory cell, now under way" in text
    assert "Backup set none that is proven" in text


def test_unknown_says_that_it_is_to_be_treated_as_a_hold() -> None:
    each = blocked(facts_of(proven(), share={"unreadable": "Host is down"}), SHUTDOWN)
    assert "finishing. Treat it as a hold" in page(each).text


HOSTILE = "\u202e<script>alert(1)</script>'\"&\udce9\x1b]0;"


def test_names_on_a_sheet_can_do_no_harm_and_stay_legible() -> None:
    made = sheet(
        blocked(facts_of(proven(9 * DAY)._replace(path=f"arm-07/{HOSTILE}")), SHUTDOWN._replace(title=HOSTILE)),
        arm=ARM._replace(name=HOSTILE, area=HOSTILE),
        plant=HOSTILE,
    )
    html = drawn(made, ZONE)
    html.encode()
    assert {"script", "img", "link", "iframe"} & {tag for tag, _ in Page(html).elements} == set()
    assert not {"\u202e", "\x1b"} & set(html)
    assert r"\u202e<script>alert(1)</script>" in Page(html).text


def test_a_sheet_loads_nothing_from_anywhere() -> None:
    for tag, attributes in page(blocked(TROUBLED, SHUTDOWN)).elements:
        assert tag != "script"
        assert not {"src", "href", "onload", "style"} & set(attributes), (tag, attributes)
    html = drawn(sheet(blocked(TROUBLED, SHUTDOWN)), ZONE)
    assert not re.search(r"url\(|@import|https?://", html)


def test_every_level_has_its_word_and_its_border_and_not_only_a_colour() -> None:
    html = drawn(sheet(blocked(TROUBLED, SHUTDOWN)), ZONE)
    printed = html[html.index("@media print") :]
    borders = [re.search(rf"\.{level} \{{ border: ([^;]+);", printed) for level in LEVELS]
    assert len({border[1] for border in borders if border}) == len(LEVELS)
    assert re.search(r'<span class="level hold">hold</span>', html)


@pytest.mark.parametrize(
    ("changes", "same"),
    [
        pytest.param({"written_at": NOW + 59 * timedelta(minutes=1)}, True, id="within-the-hour"),
        pytest.param({"written_at": NOW + HOUR}, False, id="the-next-hour"),
        pytest.param({"also_at": "arm-07/HOLD-arm-07.html"}, False, id="another-place"),
        pytest.param({"blocked": (blocked(TROUBLED, SHUTDOWN, 2),)}, False, id="another-warning"),
        pytest.param({"blocked": (blocked(facts_of(OLD), SHUTDOWN),)}, False, id="other-findings"),
        pytest.param({"blocked": (blocked(TROUBLED, SHUTDOWN._replace(title="x")),)}, False, id="another-title"),
        pytest.param({"arm": ARM._replace(name="x")}, False, id="another-name"),
    ],
)
def test_when_a_sheet_is_still_right(changes: dict[str, Any], same: bool) -> None:  # noqa: FBT001
    before = sheet(blocked(TROUBLED, SHUTDOWN))
    assert (state_of(before) == state_of(before._replace(**changes))) == same


def test_a_sheet_tells_its_state_and_its_place_early_in_the_file() -> None:
    made = sheet(blocked(TROUBLED, SHUTDOWN), also_at="Halle \udcfc/arm-07/HOLD-arm-07.html")
    found = HEAD.search(drawn(made, ZONE)[:4096])
    assert found is not None
    assert (found[1], found[2]) == (state_of(made), "Halle%20%FC/arm-07/HOLD-arm-07.html")


@pytest.mark.parametrize(
    ("layouts", "paths", "folder"),
    [
        pytest.param(["{arm}/{taken:%Y%m%d}"], ["arm-07/20261125"], "arm-07", id="a-folder-for-each-arm"),
        pytest.param(["{arm}/{taken:%Y%m%d}"], [], "arm-07", id="no-set-yet"),
        pytest.param(["{area}/{arm}/{taken:%Y%m%d}"], ["paint/arm-07/20261125"], "paint/arm-07", id="below-the-area"),
        pytest.param(["{area}/{arm}/{taken:%Y%m%d}"], [], "", id="no-set-and-the-area-unknown"),
        pytest.param(["robots/{arm}/{taken:%Y%m%d}"], [], "robots/arm-07", id="below-a-fixed-name"),
        pytest.param(["{arm}_{taken:%Y%m%d}"], ["arm-07_20261125"], "", id="sets-side-by-side"),
        pytest.param(["{taken:%Y}/{arm}/{taken:%m%d}"], ["2026/arm-07/1125"], "", id="below-the-year"),
        pytest.param(["{any}/{arm}/{taken:%Y%m%d}"], ["x/arm-07/20261125"], "", id="below-free-text"),
        pytest.param(["{arm}/{taken:%Y}/{taken:%m%d}"], ["arm-07/2026/1125"], "arm-07", id="years-below-the-arm"),
        pytest.param(
            ["{area}/{arm}/{taken:%Y%m%d}"], ["a/arm-07/20261125", "b/arm-07/20261124"], "", id="in-two-areas"
        ),
        pytest.param(
            ["{arm}/{taken:%Y%m%d}", "{arm}_{taken:%Y%m%d}"],
            ["arm-07/20261125", "arm-07_20261124"],
            "",
            id="by-two-layouts",
        ),
    ],
)
def test_the_folder_of_an_arm_follows_from_the_layout_and_its_sets(
    layouts: list[str], paths: list[str], folder: str
) -> None:
    made = tuple(map(Layout, layouts))
    assert arm_folder(made, "arm-07", paths) == folder
    assert place_on_share(made, "arm-07", paths) == f"{folder}/HOLD-arm-07.html".lstrip("/")
