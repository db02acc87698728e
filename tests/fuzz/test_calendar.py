"""Calendars that somebody else wrote: torn, endless, or made to do harm."""

from __future__ import annotations

from pathlib import Path

from hypothesis import given
from hypothesis import strategies as st

from tests.fuzz.bounds import Guard, fuzzed
from tests.plant import Plant

TIMES = st.sampled_from(
    "20261203T060000Z 20261203T060000 20261203 20261345T999999 00010101T000000Z 99991231T235959Z 20270328T023000 x".split()
) | st.text(max_size=10)
RULES = st.sampled_from(
    [
        *(
            "FREQ=DAILY",
            "FREQ=SECONDLY",
            "FREQ=MINUTELY;COUNT=999999999",
            "FREQ=YEARLY;INTERVAL=0",
            "FREQ=WEEKLY;UNTIL=x",
            "FREQ=DAILY;COUNT=-1",
        ),
        *(
            "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30",
            "FREQ=DAILY;INTERVAL=99999999999",
            "FREQ=MONTHLY;BYSETPOS=400",
            "FREQ=",
            ";" * 500,
        ),
    ]
)
WORDS = st.sampled_from(
    [
        "arm-07",
        "finishing",
        "power-down",
        "memory-swap",
        "\x1b[2J",
        "\\n\\,\\;",
        "\u202e",
        "a" * 9000,
        "PT8H",
        "-P1W",
        "P99999999999D",
    ]
) | st.text(max_size=12)
ZONES = st.sampled_from(
    ["", ";TZID=Europe/Berlin", ";TZID=Nowhere/Land", ";VALUE=DATE", ";TZID=../../etc/passwd", ';X="\x01"']
)
LINES = st.one_of(
    st.builds("DTSTART{}:{}".format, ZONES, TIMES),
    st.builds("DTEND{}:{}".format, ZONES, TIMES),
    st.builds("DURATION:{}".format, WORDS),
    st.builds("RRULE:{}".format, RULES),
    st.builds("RDATE{}:{}".format, ZONES, TIMES),
    st.builds("EXDATE{}:{}".format, ZONES, TIMES),
    st.builds("RECURRENCE-ID{}:{}".format, ZONES, TIMES),
    st.builds(
        "{}:{}".format, st.sampled_from(["UID", "SUMMARY", "LOCATION", "CATEGORIES", "STATUS", "SEQUENCE"]), WORDS
    ),
    st.sampled_from(["BEGIN:VEVENT", "END:VEVENT", "BEGIN:VTIMEZONE", "END:VCALENDAR", " folded", "", ":", "X"]),
)
SOUND = ["DTSTART:20270203T060000Z", "DURATION:PT8H", "CATEGORIES:power-down", "LOCATION:arm-07"]
"""Enough for an entry to be planned and shown."""

ENTRIES = st.builds(
    lambda sound, uid, title, lines: ["BEGIN:VEVENT", f"UID:{uid}", f"SUMMARY:{title}", *sound, *lines, "END:VEVENT"],
    st.sampled_from([SOUND, SOUND[1:], SOUND[:1], []]),
    WORDS,
    WORDS,
    st.lists(LINES, max_size=6),
)


@fuzzed(150)
@given(st.lists(ENTRIES, max_size=3), st.sampled_from(["\r\n", "\n", "\r"]), st.integers(0, 10**4))
def test_calendars(guard: Guard, plant: Plant, entries: list[list[str]], end: str, cut: int) -> None:
    lines = [
        "BEGIN:VCALENDAR",
        "VERSION:2.0",
        "PRODID:x",
        *[line for entry in entries for line in entry],
        "END:VCALENDAR",
    ]
    calendar: Path = plant.root / "plant.ics"
    calendar.write_bytes(end.join(lines).encode("utf-8", "surrogatepass")[: cut if cut < 300 else None])
    guard("event", "import", str(calendar))
    guard("event", "list", "--to", "2027-12-31 00:00")
