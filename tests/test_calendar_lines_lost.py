"""Calendars of which lines are missing or broken: whatever is lost of an entry, what it planned stays planned, and is told."""

from __future__ import annotations

from datetime import UTC, datetime

import pytest

from guard.ical.read import Bounds, read
from guard.ical.refusals import CalendarRefused
from guard.plan.calendar import Changes, Reader, changes
from tests.calendars import AREAS, BERLIN, BERLIN_DESCRIBED, calendar, entry, reading, starts, whys

NOW = datetime(2026, 1, 1, tzinfo=UTC)
BOUNDS = Bounds(datetime(2027, 1, 1, tzinfo=UTC), 100)

FIRST = entry("DTSTART:20260601T060000Z", "DURATION:PT2H", uid="1@plant")
LUNCH = entry("DTSTART:20260602T060000Z", "DURATION:PT1H", uid="lunch@plant", summary="Lunch")
SECOND = entry(
    "DTSTART;TZID=Here:20260701T060000", "DURATION:PT2H",
    "BEGIN:VALARM", "TRIGGER:-P1D", "ACTION:DISPLAY", "END:VALARM",
    uid="2@plant", summary="power-down arm-09",
)  # fmt: skip
WHOLE = calendar(FIRST, LUNCH, BERLIN_DESCRIBED.format(name="Here"), SECOND)
BORDERS = [number for number, line in enumerate(WHOLE.split(b"\r\n")) if line.startswith((b"BEGIN:", b"END:"))]


def taken(raw: bytes) -> Changes:
    """What a new reading changes where all of the whole calendar was planned."""
    reader = Reader(AREAS, ())
    before = read("plan.ics", WHOLE, reader, BERLIN, NOW, BOUNDS)
    assert len(before.events) == 2
    found = read("plan.ics", raw, reader, BERLIN, NOW, BOUNDS)
    return changes([event._replace(id=f"ev-{each}") for each, event in enumerate(before.events)], [], found, NOW)


@pytest.mark.parametrize("broken", [b"", b"BEGIN:X-OTHER", b"=20"], ids=["missing", "another", "garbled"])
@pytest.mark.parametrize("number", BORDERS)
def test_no_line_that_is_lost_drops_an_event(number: int, broken: bytes) -> None:
    lines = WHOLE.split(b"\r\n")
    lines[number] = broken
    try:
        found = taken(b"\r\n".join(lines))
    except CalendarRefused:
        return
    assert found.removed == ()


@pytest.mark.parametrize("first", range(0, len(WHOLE.split(b"\r\n")), 3))
@pytest.mark.parametrize("lost", [2, 5, 9])
def test_nor_do_lines_that_are_lost_between_two_entries(first: int, lost: int) -> None:
    """A whole entry less, begin and end with it, is what a deletion looks like; any other loss is none."""
    lines = WHOLE.split(b"\r\n")
    cut_out = lines[first : first + lost]
    if cut_out.count(b"UID:1@plant") or cut_out.count(b"UID:2@plant"):
        return  # by its UID alone an entry is known again
    try:
        found = taken(b"\r\n".join(lines[:first] + lines[first + lost :]))
    except CalendarRefused:
        return
    assert found.removed == ()


def test_an_entry_that_is_not_there_any_more_is_dropped() -> None:
    found = taken(WHOLE.replace(FIRST.replace("\n", "\r\n").encode(), b""))
    assert [event.uid for event in found.removed] == ["1@plant"]


def test_a_description_of_a_zone_without_an_end_swallows_no_entry() -> None:
    found = reading("BEGIN:VTIMEZONE\nTZID:Nowhere\n", FIRST)
    assert starts(found) == ["2026-06-01T06:00Z"]


@pytest.mark.parametrize(
    "raw",
    [
        pytest.param(
            calendar(FIRST)[: calendar(FIRST).index(b"END:VCALENDAR")] + calendar(), id="the-first-is-cut-off"
        ),
        pytest.param(calendar(FIRST) + b"END:VCALENDAR\r\n", id="one-end-too-many"),
        pytest.param(calendar(FIRST) + b"BEGIN:VCALENDAR\r\n", id="another-begins"),
    ],
)
def test_of_several_calendars_in_a_file_each_must_be_whole(raw: bytes) -> None:
    with pytest.raises(CalendarRefused, match="END:VCALENDAR"):
        taken(raw)


def test_several_whole_calendars_in_a_file_are_taken_in() -> None:
    assert taken(calendar(FIRST) + calendar(SECOND.replace(";TZID=Here", ""))).removed == ()


def test_a_calendar_that_cancels_cancels_no_entry_of_another_one_in_the_file() -> None:
    cancels = calendar(FIRST).replace(b"VERSION:2.0", b"METHOD:CANCEL\r\nVERSION:2.0")
    others = calendar(BERLIN_DESCRIBED.format(name="Here"), SECOND)
    for raw in (cancels + others, others + cancels):
        assert [event.uid for event in taken(raw).removed] == ["1@plant"]


def test_one_of_two_entries_of_one_uid_is_cancelled_and_the_other_stays() -> None:
    gone = entry("DTSTART:20260605T060000Z", "DURATION:PT2H", "STATUS:CANCELLED")
    for parts in ((FIRST, gone), (gone, FIRST)):
        found = reading(*parts)
        assert starts(found) == ["2026-06-01T06:00Z"]
    assert reading(FIRST, FIRST.replace("END:VEVENT", "STATUS:CANCELLED\nEND:VEVENT")).events == ()
    assert reading(FIRST, gone.replace("END:VEVENT", "SEQUENCE:1\nEND:VEVENT")).events == ()


def test_one_time_of_a_series_without_the_series_drops_none_of_the_others() -> None:
    series = entry("DTSTART:20260601T060000Z", "DURATION:PT2H", "RRULE:FREQ=WEEKLY;COUNT=3")
    moved = entry("RECURRENCE-ID:20260608T060000Z", "DTSTART:20260609T060000Z", "DURATION:PT2H")
    planned = [event._replace(id=f"ev-{each}") for each, event in enumerate(reading(series).events)]
    alone = reading(moved)
    found = changes(planned, [], alone, NOW)
    assert (len(found.changed), len(found.kept), found.removed) == (1, 2, ())
    assert ["does not hold" in why for _, _, why in whys(alone)] == [True]
    both = changes(planned, [], reading(series, moved), NOW)
    assert (len(both.changed), both.kept, both.removed) == (1, (), ())
    fewer = changes(planned, [], reading(series.replace("COUNT=3", "COUNT=2"), moved), NOW)
    assert (len(fewer.changed), fewer.kept, len(fewer.removed)) == (1, (), 1)


@pytest.mark.parametrize("dash", "-\u2010\u2011\u2013\u2212")
def test_a_hyphen_of_a_word_processor_is_a_hyphen(dash: str) -> None:
    found = reading(entry("DTSTART:20260601T060000Z", "DURATION:PT2H", summary=f"power{dash}down arm{dash}07"))
    assert [(event.kind, event.arms) for event in found.events] == [("power-down", ("arm-07",))]
    assert found.left == ()
