"""What an entry means, and what is told where that cannot be known: words, zones, broken and hostile entries."""

from __future__ import annotations

import time
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.ical.refusals import CalendarRefused
from guard.model import USUAL_OFF
from guard.plan.calendar import Reader, Texts
from guard.plant import CalendarRule
from tests.calendars import AREAS, calendar, entry, reading, starts, whys

AT = ("DTSTART:20260601T060000Z", "DURATION:PT2H")


def meant(*rules: CalendarRule, **texts: str) -> Any:
    """The kind and the arms of an entry that says this."""
    found = Reader(AREAS, rules).meaning(Texts(**texts))
    return found and (found.kind, found.arms)


@pytest.mark.parametrize(
    ("texts", "expected"),
    [
        pytest.param({"categories": "power-down", "location": "arm-07"}, ("power-down", ("arm-07",)), id="plain"),
        pytest.param(
            {"categories": "HOLIDAY, Memory-Swap", "summary": "power-down arm-07"}, ("memory-swap", ("arm-07",)),
            id="categories-before-summary",
        ),
        pytest.param(
            {"summary": "service-visit, then power-down: arm-07"}, ("service-visit", ("arm-07",)), id="the-first-named"
        ),
        pytest.param({"summary": "Power down of arm-09"}, ("power-down", ("arm-09",)), id="as-people-write-it"),
        pytest.param(
            {"summary": "power-down arm-07", "location": "arm-09"}, ("power-down", ("arm-09",)), id="location-first"
        ),
        pytest.param(
            {"summary": "power-down arm-07", "location": "Hall 3"}, ("power-down", ("arm-07",)), id="else-the-summary"
        ),
        pytest.param({"summary": "power-down FINISHING"}, ("power-down", ("arm-07", "arm-09")), id="an-area"),
        pytest.param({"summary": "power-down paint shop"}, ("power-down", ("arm-1",)), id="the-longer-name"),
        pytest.param({"summary": "power-down arm-1.2"}, ("power-down", ("arm-1.2",)), id="an-id-with-a-stop"),
        pytest.param({"summary": "power-down arm-1."}, ("power-down", ("arm-1",)), id="at-the-end-of-a-sentence"),
        pytest.param({"summary": "power-down arm-10"}, ("power-down", ()), id="a-longer-number"),
        pytest.param({"summary": "power-down arm-07-spare"}, ("power-down", ()), id="a-longer-id"),
        pytest.param({"summary": "power-downs of arm-07"}, (None, ("arm-07",)), id="no-kind-but-an-arm"),
        pytest.param({"summary": "Canteen closed", "location": "finishing"}, None, id="none-of-ours"),
    ],
)  # fmt: skip
def test_what_an_entry_means_by_default(texts: dict[str, str], expected: object) -> None:
    assert meant(**texts) == expected


@pytest.mark.parametrize("end", ["DTEND:20260601T060000Z", "DURATION:PT0S", "DURATION:P0D", "X-NONE:x"])
def test_no_time_at_all_is_no_end(end: str) -> None:
    """A power-down of no length would be judged as one that takes no charge."""
    found = reading(entry("DTSTART:20260601T060000Z", end))
    assert [event.off_for for event in found.events] == [USUAL_OFF["power-down"]]
    assert ["it has no end" in why for _, _, why in whys(found)] == [True]


def test_rules_come_first_and_the_first_that_matches_counts() -> None:
    rules = (
        CalendarRule(categories="private", kind="none"),
        CalendarRule(summary="works? holiday", kind="power-down", arms=("*",)),
        CalendarRule(summary="grease", location="hall 3", kind="service-visit", arms=("finishing", "arm-1")),
        CalendarRule(location="hall 4", arms=("arm-1.2",)),
    )
    assert meant(*rules, categories="PRIVATE", summary="power-down arm-07") is None
    assert meant(*rules, summary="Work Holiday, arm-07") == ("power-down", tuple(AREAS))
    assert meant(*rules, summary="Grease", location="Hall 3") == ("service-visit", ("arm-07", "arm-09", "arm-1"))
    assert meant(*rules, summary="Grease", location="Hall 5") is None
    assert meant(*rules, summary="power-down", location="Hall 4") == ("power-down", ("arm-1.2",))


@pytest.mark.parametrize(
    ("summary", "why"),
    [
        ("power-down of the old line", "it looks like a power-down and names no arm or area that is known"),
        (
            "power-down arm-77",
            "it looks like a power-down and names no arm or area that is known; no arm is called arm-77",
        ),
        (
            "new gripper for arm-07",
            "it names arm-07 and no kind of event (power-down, memory-swap, position-swap, service-visit)",
        ),
    ],
)
def test_what_looks_like_ours_and_cannot_be_planned_is_listed(summary: str, why: str) -> None:
    found = reading(entry(*AT, summary=summary))
    assert (found.events, whys(found), found.doubtful) == ((), [("1@plant", 4, why)], {"1@plant"})


def test_an_arm_that_there_is_not_beside_one_that_there_is_is_told() -> None:
    found = reading(entry(*AT, summary="power-down arm-07 and arm-77"))
    assert [event.arms for event in found.events] == [("arm-07",)]
    assert whys(found) == [("1@plant", 4, "no arm is called arm-77")]


def test_what_is_over_is_neither_planned_nor_listed() -> None:
    assert reading(entry("DTSTART:20200601T060000Z", "DURATION:PT2H", summary="power-down arm-77")).left == ()


def test_an_entry_without_an_end_is_taken_to_last_as_usual_and_that_is_told() -> None:
    found = reading(entry("DTSTART:20260601T060000Z"))
    assert [event.off_for.total_seconds() / 3600 for event in found.events] == [8]
    assert whys(found) == [("1@plant", 4, "it has no end: taken to last 8 h")]


# Broken entries


BROKEN = [
    pytest.param(["DTSTART:2026-06-01"], 7, id="a-start-in-another-form"),
    pytest.param(["DTSTART:20260631T060000Z"], 7, id="a-day-that-there-is-not"),
    pytest.param(["DTSTART;TZID=Plant Time:20260601T060000"], 7, id="a-zone-nobody-knows"),
    pytest.param(["DTSTART;TZID=../etc/passwd:20260601T060000"], 7, id="a-zone-that-is-a-path"),
    pytest.param(["DTSTART:20260601T060000Z", "DTSTART:20260602T060000Z"], 8, id="two-starts"),
    pytest.param(["DTSTART:20260601T060000Z", "DTEND:20260531T060000Z"], 8, id="ends-before-it-begins"),
    pytest.param(["DTSTART:20260601T060000Z", "DTEND;VALUE=DATE:20260602"], 8, id="ends-on-a-day"),
    pytest.param(["DTSTART:20260601T060000Z", "DURATION:-PT2H"], 8, id="a-length-below-nothing"),
    pytest.param(["DTSTART:20260601T060000Z", "DURATION:P"], 8, id="a-length-of-nothing"),
    pytest.param(["DTSTART:20260601T060000Z", "DURATION:P99999999999D"], 8, id="longer-than-any-calendar"),
    pytest.param(["DTSTART:20260601T060000Z", "SEQUENCE:first"], 8, id="a-sequence-in-words"),
    pytest.param(["DTSTART:20260601T060000Z", "EXRULE:FREQ=DAILY"], 8, id="a-rule-of-old"),
    pytest.param(["DTSTART:20260601T060000Z", "EXDATE:tomorrow"], 8, id="an-exception-in-words"),
    pytest.param(["DURATION:PT2H"], 4, id="no-start"),
    pytest.param(["DTSTART:00010101", "DURATION:P9999999D"], 4, id="ends-after-the-calendar"),
]


@pytest.mark.parametrize(("lines", "line"), BROKEN)
def test_a_broken_entry_costs_only_itself_and_is_told_with_uid_and_line(lines: list[str], line: int) -> None:
    found = reading(entry(*lines), entry(*AT, uid="2@plant"))
    assert [event.uid for event in found.events] == ["2@plant"]
    assert found.doubtful == {"1@plant"}
    assert [(uid, at) for uid, at, _ in whys(found)] == [("1@plant", line)]
    assert not found.all_doubtful


def test_an_entry_at_the_end_of_the_calendar_is_planned() -> None:
    assert starts(reading(entry("DTSTART:99991231T225959Z"))) == ["9999-12-31T22:59Z"]


def test_an_entry_without_uid_or_end_leaves_in_doubt_what_it_was() -> None:
    assert reading(entry(*AT).replace("UID:1@plant\n", "")).all_doubtful
    unended = entry(*AT).replace("END:VEVENT\n", "")
    found = reading(unended, entry(*AT, uid="2@plant"))
    assert ([event.uid for event in found.events], found.doubtful) == (["2@plant"], {"1@plant"})


def test_words_that_fell_out_of_their_property_are_not_passed_over() -> None:
    found = reading(entry(*AT).replace("SUMMARY:", "SUMMARY "))
    assert (found.events, [uid for uid, _, _ in whys(found)]) == ((), ["1@plant"])


@pytest.mark.parametrize(
    "description",
    ["BEGIN:VTIMEZONE\nTZID:Plant Time\nEND:VTIMEZONE\n", "BEGIN:VTIMEZONE\nTZID:Plant Time\nBEGIN:STANDARD\nDTSTART:x\nEND:STANDARD\nEND:VTIMEZONE\n"],
)  # fmt: skip
def test_a_zone_whose_description_cannot_be_read_is_told(description: str) -> None:
    found = reading(description, entry("DTSTART;TZID=Plant Time:20260601T060000"), entry(*AT, uid="2@plant"))
    assert [event.uid for event in found.events] == ["2@plant"]
    assert "description of the zone 'Plant Time'" in whys(found)[0][2]


def test_two_files_may_describe_zones_of_one_name_each_in_its_own_way() -> None:
    """A store of zones that outlives a file would read the second one by the first."""
    fixed = "BEGIN:VTIMEZONE\nTZID:Plant Time\nBEGIN:STANDARD\nDTSTART:19700101T000000\nTZOFFSETFROM:{0}\nTZOFFSETTO:{0}\nEND:STANDARD\nEND:VTIMEZONE\n"
    here = entry("DTSTART;TZID=Plant Time:20260601T060000", "DURATION:PT1H")
    assert starts(reading(fixed.format("+0300"), here)) == ["2026-06-01T03:00Z"]
    assert starts(reading(fixed.format("-0500"), here)) == ["2026-06-01T11:00Z"]


def test_folded_lines_escapes_and_inner_components_are_read_as_they_are_meant() -> None:
    text = entry(
        *AT, "BEGIN:VALARM", "SUMMARY:memory-swap arm-09", "END:VALARM", summary="Power\n -down\\, finish\n\ting"
    )
    (event,) = reading(text).events
    assert (event.kind, event.arms, event.title) == ("power-down", ("arm-07", "arm-09"), "Power-down, finishing")


def test_what_is_no_utf_8_is_carried_along() -> None:
    (event,) = reading(entry(*AT, summary="power-down arm-07 \udcfcber")).events
    assert event.title == "power-down arm-07 \udcfcber"


def test_a_very_long_summary_is_cut() -> None:
    (event,) = reading(entry(*AT, summary=f"power-down arm-07 {'x' * 100_000}")).events
    assert len(event.title) == 200


def test_a_task_that_looks_like_ours_is_listed_unless_it_is_done() -> None:
    task = entry("DUE:20260601T060000Z", uid="9@plant").replace("VEVENT", "VTODO")
    done = task.replace("DUE:", "STATUS:COMPLETED\nDUE:")
    found = reading(task, done, entry(*AT))
    assert [event.uid for event in found.events] == ["1@plant"]
    assert whys(found) == [("9@plant", 4, "it is a task (VTODO); only events (VEVENT) are planned")]


def test_our_own_export_is_not_taken_in_again() -> None:
    assert reading(entry(*AT, uid="ev-1.0123@swap-guard.invalid")).events == ()


# Files that are refused as a whole


@pytest.mark.parametrize(
    ("raw", "why"),
    [
        pytest.param(b"", "no BEGIN:VCALENDAR", id="empty"),
        pytest.param(b"\x89PNG\r\n\x1a\n", "no BEGIN:VCALENDAR", id="a-picture"),
        pytest.param(calendar(entry(*AT))[:-20], "END:VCALENDAR", id="cut-off"),
        pytest.param(calendar(entry(*AT)) + b"BEGIN:VEVENT\r\n", "END:VCALENDAR", id="something-after-the-end"),
    ],
)
def test_a_file_that_cannot_be_trusted_as_a_whole_is_refused(raw: bytes, why: str) -> None:
    from guard.ical.read import Bounds, read
    from tests.calendars import BERLIN

    now = datetime(2026, 1, 1, tzinfo=UTC)
    with pytest.raises(CalendarRefused, match=why):
        read("plan.ics", raw, Reader(AREAS, ()), BERLIN, now, Bounds(now, 10))


def test_more_events_than_allowed_are_refused_with_the_limit() -> None:
    with pytest.raises(CalendarRefused, match=r"more than 3 events \(calendar.most\)"):
        reading(entry("DTSTART:20260601T060000Z", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=4"), most=3)


@given(
    st.lists(
        st.sampled_from(
            [
                *entry(*AT).splitlines(),
                "RRULE:FREQ=DAILY;COUNT=2",
                "BEGIN:VCALENDAR",
                "END:VCALENDAR",
                " x",
                ":",
                "\x00",
            ]
        ),
        max_size=14,
    )
)
def test_whatever_the_lines_nothing_is_raised_but_a_refusal(lines: list[str]) -> None:
    try:
        found = reading("".join(f"{line}\n" for line in lines))
    except CalendarRefused:
        return
    assert all(event.arms for event in found.events)


def test_a_large_calendar_of_other_peoples_entries_is_soon_read() -> None:
    """A fiftieth of 50 MB, so that the whole stays within seconds."""
    others = "".join(
        entry(*AT, f"DESCRIPTION:{'lunch ' * 20}", uid=f"{n}@other", summary="Lunch") for n in range(4_000)
    )
    begun = time.monotonic()
    found = reading(others, entry(*AT))
    assert (len(found.events), time.monotonic() - begun < 5) == (1, True)
