"""Calendars of ours, read again by a library of its own: what is written stands there, whatever it holds."""

from __future__ import annotations

from datetime import timedelta

from hypothesis import example, given
from hypothesis import strategies as st
from icalendar import Calendar

from guard.ical.write import Written, as_calendar, uid_for
from guard.names import visible
from tests.facts import HOUR, NOW


def entry(summary: str = "Back up arm-07", **changes: str) -> Written:
    return Written(uid_for("ev-3", "arm-07"), NOW, NOW + HOUR, summary, **changes)  # type: ignore[arg-type]


@given(st.text(st.characters(), max_size=200))
@example("a,b;c\\d\nBEGIN:VEVENT\r\nSUMMARY:none")
@example("\x1b[2J\u202e\x00\udcff")
def test_whatever_a_text_holds_it_stays_one_text(text: str) -> None:
    raw = as_calendar([entry(text, location=text)._replace(lines=(text, text), categories=(text,))], NOW)
    (read,) = Calendar.from_ical(raw).walk("VEVENT")
    assert read["SUMMARY"] == visible(text)
    assert read["DESCRIPTION"] == f"{visible(text)}\n{visible(text)}"


def test_lines_are_folded_and_end_as_the_standard_says() -> None:
    """RFC 5545 section 3.1: lines end in CRLF and should not be longer than 75 octets, the line break left out."""
    lines = as_calendar([entry("ü" * 300)], NOW).split(b"\r\n")
    assert max(map(len, lines)) <= 75
    assert not any(b"\n" in line for line in lines)


def test_written_anew_an_entry_keeps_its_uid_and_counts_on() -> None:
    first, second = (
        Calendar.from_ical(as_calendar([entry()], at)).walk("VEVENT")[0] for at in (NOW, NOW + timedelta(minutes=1))
    )
    assert first["UID"] == second["UID"]
    assert first["SEQUENCE"] + 1 == second["SEQUENCE"]
    assert uid_for("ev-3", "arm-09") != first["UID"]


def test_a_calendar_without_entries_can_be_read() -> None:
    assert Calendar.from_ical(as_calendar([], NOW)).walk("VEVENT") == []
