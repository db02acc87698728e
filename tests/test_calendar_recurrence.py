"""When an entry takes place: RFC 5545's own examples, both sides of a change of clocks, and a second opinion."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from dateutil.rrule import rrulestr
from hypothesis import given
from hypothesis import strategies as st

from guard.times import readings
from tests.calendars import BERLIN, BERLIN_DESCRIBED, calendar, entry, reading, starts, whys

NEW_YORK = ZoneInfo("America/New_York")


def in_new_york(begin: str, rule: str, *more: str, count: int | None = None) -> list[str]:
    """The days, in New York at 09:00, on which an entry takes place."""
    found = reading(
        entry(f"DTSTART;TZID=America/New_York:{begin}", "DURATION:PT1H", f"RRULE:{rule}", *more),
        now=datetime(1997, 1, 1, tzinfo=UTC),
        horizon=datetime(2001, 1, 1, tzinfo=UTC),
    )
    local = [event.start.astimezone(NEW_YORK) for event in found.events]
    assert {each.strftime("%H:%M") for each in local} == {"09:00"}
    return [f"{each:%Y-%m-%d}" for each in local][:count]


def days(text: str) -> list[str]:
    """Days written as in checks.md: ``1997: 09-02 09-09 1998: 01-01``."""
    found, year = [], ""
    for word in text.split():
        if word.endswith(":"):
            year = word[:-1]
        else:
            found.append(f"{year}-{word}")
    return found


@pytest.mark.parametrize(
    ("begin", "rule", "expected"),
    [
        (
            "19970902T090000",
            "FREQ=WEEKLY;COUNT=10",
            "1997: 09-02 09-09 09-16 09-23 09-30 10-07 10-14 10-21 10-28 11-04",
        ),
        (
            "19970901T090000",
            "FREQ=WEEKLY;INTERVAL=2;UNTIL=19971224T000000Z;WKST=SU;BYDAY=MO,WE,FR",
            (
                "1997: 09-01 09-03 09-05 09-15 09-17 09-19 09-29 10-01 10-03 10-13 10-15 10-17 10-27 10-29 10-31"
                " 11-10 11-12 11-14 11-24 11-26 11-28 12-08 12-10 12-12 12-22"
            ),
        ),
        (
            "19970905T090000",
            "FREQ=MONTHLY;COUNT=10;BYDAY=1FR",
            "1997: 09-05 10-03 11-07 12-05 1998: 01-02 02-06 03-06 04-03 05-01 06-05",
        ),
        ("19970922T090000", "FREQ=MONTHLY;COUNT=6;BYDAY=-2MO", "1997: 09-22 10-20 11-17 12-22 1998: 01-19 02-16"),
        ("19970928T090000", "FREQ=MONTHLY;BYMONTHDAY=-3", "1997: 09-28 10-29 11-28 12-29 1998: 01-29 02-26"),
        ("19970904T090000", "FREQ=MONTHLY;COUNT=3;BYDAY=TU,WE,TH;BYSETPOS=3", "1997: 09-04 10-07 11-06"),
        ("19970805T090000", "FREQ=WEEKLY;INTERVAL=2;COUNT=4;BYDAY=TU,SU;WKST=MO", "1997: 08-05 08-10 08-19 08-24"),
    ],
)
def test_examples_of_the_standard(begin: str, rule: str, expected: str) -> None:
    """RFC 5545, section 3.8.5.3; read there."""
    wanted = days(expected)
    assert (
        in_new_york(begin, rule, count=len(wanted) if "COUNT" not in rule and "UNTIL" not in rule else None) == wanted
    )


def test_a_day_that_a_month_lacks_is_left_out() -> None:
    """RFC 5545, section 3.8.5.3: BYMONTHDAY=15,30;COUNT=5 from 2007-01-15; read there."""
    found = reading(
        entry(
            "DTSTART;TZID=America/New_York:20070115T090000",
            "DURATION:PT1H",
            "RRULE:FREQ=MONTHLY;BYMONTHDAY=15,30;COUNT=5",
        ),
        now=datetime(2007, 1, 1, tzinfo=UTC),
        horizon=datetime(2008, 1, 1, tzinfo=UTC),
    )
    assert [each[:10] for each in starts(found)] == days("2007: 01-15 01-30 02-15 03-15 03-30")


def test_every_friday_the_13th() -> None:
    """RFC 5545, section 3.8.5.3, with the start itself left out by EXDATE; read there."""
    found = in_new_york(
        "19970902T090000",
        "FREQ=MONTHLY;BYDAY=FR;BYMONTHDAY=13",
        "EXDATE;TZID=America/New_York:19970902T090000",
        count=5,
    )
    assert found == days("1998: 02-13 03-13 11-13 1999: 08-13 2000: 10-13")


def test_daily_until_christmas_on_both_sides_of_the_change_of_clocks() -> None:
    """RFC 5545, section 3.8.5.3: 113 times, at 13:00Z to Oct 25 and at 14:00Z from Oct 26 on; read there."""
    found = starts(
        reading(
            entry(
                "DTSTART;TZID=America/New_York:19970902T090000",
                "DURATION:PT1H",
                "RRULE:FREQ=DAILY;UNTIL=19971224T000000Z",
            ),
            now=datetime(1997, 1, 1, tzinfo=UTC),
            horizon=datetime(1998, 1, 1, tzinfo=UTC),
        )
    )
    assert (len(found), found[0], found[-1]) == (113, "1997-09-02T13:00Z", "1997-12-23T14:00Z")
    assert [each[:10] for each in found if each.endswith("13:00Z")][-1] == "1997-10-25"
    assert next(each[:10] for each in found if each.endswith("14:00Z")) == "1997-10-26"


# Changes of clocks in Europe/Berlin: 2026-03-29 and 2026-10-25 (IANA)


@pytest.mark.parametrize(
    "zoned",
    [
        pytest.param(("", "DTSTART;TZID=Europe/Berlin"), id="known-to-the-system"),
        pytest.param(
            (BERLIN_DESCRIBED.format(name="Plant Time"), "DTSTART;TZID=Plant Time"), id="described-by-the-file"
        ),
        pytest.param((BERLIN_DESCRIBED.format(name="Plant Time"), 'DTSTART;TZID="Plant Time"'), id="quoted"),
        pytest.param(("", "DTSTART"), id="floating-in-the-plants-zone"),
        pytest.param(("", "DTSTART;TZID=W. Europe Standard Time"), id="a-name-of-another-system"),
    ],
)
def test_work_at_six_stays_at_six_when_the_clocks_change(zoned: tuple[str, str]) -> None:
    described, name = zoned
    spring = reading(described, entry(f"{name}:20260328T060000", "DURATION:PT2H", "RRULE:FREQ=DAILY;COUNT=3"))
    autumn = reading(described, entry(f"{name}:20261024T060000", "DURATION:PT2H", "RRULE:FREQ=DAILY;COUNT=3"))
    assert starts(spring) == ["2026-03-28T05:00Z", "2026-03-29T04:00Z", "2026-03-30T04:00Z"]
    assert starts(autumn) == ["2026-10-24T04:00Z", "2026-10-25T05:00Z", "2026-10-26T05:00Z"]
    assert whys(spring) == whys(autumn) == []


@pytest.mark.parametrize(
    ("described", "name"),
    [
        pytest.param("", "Europe/Berlin", id="known-to-the-system"),
        pytest.param(BERLIN_DESCRIBED.format(name="Plant Time"), "Plant Time", id="described-by-the-file"),
    ],
)
def test_a_recurrence_that_the_clocks_skip_is_kept_with_a_doubt_and_not_counted(described: str, name: str) -> None:
    """Strictly it is left out and not counted: 28, 30, 31 March (RFC 5545, section 3.3.10). No power-down may vanish so.

    It is read with the offset from before (3.3.5), whoever tells of the zone.
    """
    found = reading(
        described, entry(f"DTSTART;TZID={name}:20260328T023000", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=3")
    )
    assert starts(found) == ["2026-03-28T01:30Z", "2026-03-29T01:30Z", "2026-03-30T00:30Z", "2026-03-31T00:30Z"]
    ((_, line, why),) = whys(found)
    assert (line - described.count("\n"), "2026-03-29 02:30" in why) == (4, True)


def test_a_start_that_exists_twice_is_read_as_the_first_of_the_two() -> None:
    """RFC 5545, section 3.3.5; from memory, reproduced by computation."""
    assert starts(reading(entry("DTSTART;TZID=Europe/Berlin:20261025T023000", "DURATION:PT1H"))) == [
        "2026-10-25T00:30Z"
    ]


@pytest.mark.parametrize(
    ("ending", "hours"),
    [
        pytest.param("DTEND;TZID=Europe/Berlin:20260328T000000", 24, id="dtend-is-exact"),
        pytest.param("DURATION:P1D", 23, id="a-duration-of-days-is-by-the-calendar"),
        pytest.param("DURATION:PT24H", 24, id="a-duration-of-hours-is-exact"),
    ],
)
def test_how_long_it_lasts_on_a_day_of_23_hours(ending: str, hours: int) -> None:
    """RFC 5545, section 3.8.5.3; read there."""
    found = reading(entry("DTSTART;TZID=Europe/Berlin:20260327T000000", ending, "RRULE:FREQ=DAILY;COUNT=3"))
    assert [event.off_for / timedelta(hours=1) for event in found.events] == [24, 24, hours]


@pytest.mark.parametrize(("day", "hours"), [("20260329", 23), ("20260330", 24), ("20261025", 25)])
def test_a_whole_day_is_the_plants_day(day: str, hours: int) -> None:
    (event,) = reading(entry(f"DTSTART;VALUE=DATE:{day}")).events
    assert event.start.astimezone(BERLIN).strftime("%Y%m%d %H:%M") == f"{day} 00:00"
    assert event.off_for == timedelta(hours=hours)


def test_the_end_of_several_days_is_the_first_day_after_them() -> None:
    (event,) = reading(entry("DTSTART;VALUE=DATE:20261221", "DTEND;VALUE=DATE:20270104")).events
    assert event.off_for == timedelta(days=14)


# What changes a series


SERIES = ("DTSTART;TZID=Europe/Berlin:20260601T060000", "DURATION:PT2H", "RRULE:FREQ=WEEKLY;COUNT=4")
WEEKS = ["2026-06-01T04:00Z", "2026-06-08T04:00Z", "2026-06-15T04:00Z", "2026-06-22T04:00Z"]


def test_further_times_are_added_and_others_left_out() -> None:
    found = reading(
        entry(
            *SERIES,
            "RDATE:20260603T080000Z,20260604T080000Z",
            "EXDATE;TZID=Europe/Berlin:20260608T060000,20260604T100000",
        )
    )
    assert starts(found) == [WEEKS[0], "2026-06-03T08:00Z", *WEEKS[2:]]


def test_a_further_period_has_a_length_of_its_own() -> None:
    found = reading(entry(*SERIES, "RDATE;VALUE=PERIOD:20260603T080000Z/PT5H,20260604T080000Z/20260604T093000Z"))
    assert [event.off_for / timedelta(hours=1) for event in found.events] == [2, 5, 1.5, 2, 2, 2]


def test_one_recurrence_is_moved_and_another_cancelled() -> None:
    found = reading(
        entry(*SERIES),
        entry(
            "RECURRENCE-ID;TZID=Europe/Berlin:20260608T060000", "DTSTART:20260609T100000Z", "DTEND:20260609T130000Z",
            summary="power-down arm-09",
        ),
        entry("RECURRENCE-ID:20260615T040000Z", "DTSTART:20260615T040000Z", "DURATION:PT1H", "STATUS:CANCELLED"),
    )  # fmt: skip
    assert starts(found) == [WEEKS[0], "2026-06-09T10:00Z", WEEKS[3]]
    assert [event.arms for event in found.events] == [("arm-07",), ("arm-09",), ("arm-07",)]
    assert [event.recurrence for event in found.events] == [
        "2026-06-01T06:00:00",
        "2026-06-08T06:00:00",
        "2026-06-22T06:00:00",
    ]


def test_a_recurrence_and_all_later_ones_are_moved() -> None:
    found = reading(
        entry(*SERIES),
        entry(
            "RECURRENCE-ID;RANGE=THISANDFUTURE;TZID=Europe/Berlin:20260615T060000",
            "DTSTART;TZID=Europe/Berlin:20260615T080000", "DURATION:PT3H",
        ),
    )  # fmt: skip
    assert starts(found) == [*WEEKS[:2], "2026-06-15T06:00Z", "2026-06-22T06:00Z"]
    assert [event.off_for / timedelta(hours=1) for event in found.events] == [2, 2, 3, 3]
    assert found.events[3].recurrence == "2026-06-22T06:00:00"


def test_the_highest_sequence_counts_whatever_the_order() -> None:
    old = entry("DTSTART:20260601T060000Z", "DURATION:PT2H", "SEQUENCE:1")
    new = entry("DTSTART:20260602T060000Z", "DURATION:PT2H", "SEQUENCE:2")
    assert starts(reading(old, new)) == starts(reading(new, old)) == ["2026-06-02T06:00Z"]


def test_two_entries_of_one_uid_are_both_planned_and_told() -> None:
    """By RFC 5545 a UID is an entry's own; where a program gives it twice, no power-down may vanish by that."""
    first = entry("DTSTART:20260601T060000Z", "DURATION:PT2H")
    other = entry("DTSTART:20260701T060000Z", "DURATION:PT2H", summary="power-down arm-09")
    found = reading(first, other, first)
    assert starts(found) == ["2026-06-01T06:00Z", "2026-07-01T06:00Z"]
    assert len({(event.uid, event.recurrence) for event in found.events}) == 2
    assert [(line, "same UID" in why) for _, line, why in whys(found)] == [(10, True)]


@pytest.mark.parametrize(
    "left_out", ["EXDATE;VALUE=DATE:20260608", "EXDATE:20260608T040000Z", "EXDATE:20260608T060000"]
)
def test_a_time_is_left_out_however_it_is_written(left_out: str) -> None:
    assert starts(reading(entry(*SERIES, left_out))) == [WEEKS[0], *WEEKS[2:]]


@pytest.mark.parametrize("cancelled", [("STATUS:CANCELLED", "SEQUENCE:1"), ("STATUS:cancelled", "SEQUENCE:0")])
def test_a_cancelled_entry_plans_nothing(cancelled: tuple[str, str]) -> None:
    assert reading(entry(*SERIES), entry(*SERIES, *cancelled)).events == ()


def test_a_calendar_that_cancels_plans_nothing() -> None:
    from guard.ical.read import Bounds, read
    from guard.plan.calendar import Reader

    raw = calendar(entry("DTSTART:20260601T060000Z", "DURATION:PT2H")).replace(
        b"VERSION:2.0", b"METHOD:CANCEL\r\nVERSION:2.0"
    )
    bounds = Bounds(datetime(2027, 1, 1, tzinfo=UTC), 10)
    found = read("x", raw, Reader({"arm-07": ""}, ()), BERLIN, datetime(2026, 1, 1, tzinfo=UTC), bounds)
    assert (found.events, found.left) == ((), ())


# Bounds


def test_an_endless_recurrence_is_followed_up_to_the_horizon_and_that_is_told() -> None:
    horizon = datetime(2026, 7, 1, tzinfo=UTC)
    endless = reading(entry("DTSTART:19700101T060000Z", "DURATION:PT1H", "RRULE:FREQ=DAILY"), horizon=horizon)
    assert (len(endless.events), endless.until) == (181, horizon)
    ended = reading(entry("DTSTART:20260101T060000Z", "DURATION:PT1H", "RRULE:FREQ=DAILY;COUNT=9"), horizon=horizon)
    assert (len(ended.events), ended.until) == (9, None)


def test_a_single_entry_beyond_the_horizon_is_planned_all_the_same() -> None:
    assert starts(reading(entry("DTSTART:20400101T060000Z", "DURATION:PT1H"))) == ["2040-01-01T06:00Z"]


@pytest.mark.parametrize(
    "rule",
    [
        pytest.param("FREQ=SECONDLY", id="every-second"),
        pytest.param("FREQ=MINUTELY;INTERVAL=30", id="every-half-hour"),
        pytest.param("FREQ=HOURLY", id="hourly-for-many-years"),
        pytest.param("FREQ=DAILY;BYHOUR=0,6,12,18;BYMINUTE=0,10,20", id="many-times-a-day"),
        pytest.param("FREQ=DAILY;COUNT=0", id="no-time"),
        pytest.param("FREQ=DAILY;INTERVAL=0", id="no-interval"),
        pytest.param("FREQ=DAILY;COUNT=2;UNTIL=20270101T000000Z", id="two-ends"),
        pytest.param("FREQ=DAILY;UNTIL=soon", id="an-end-that-is-no-time"),
        pytest.param("FREQ=DAILY;BYDAY=XX", id="a-day-that-there-is-not"),
        pytest.param("FREQ=DAILY;BYHOUR=99", id="an-hour-that-there-is-not"),
        pytest.param("FREQ=FORTNIGHTLY", id="a-frequency-that-there-is-not"),
        pytest.param("DAILY", id="no-frequency"),
    ],
)
def test_a_rule_that_cannot_be_followed_costs_its_entry_and_is_told(rule: str) -> None:
    other = entry("DTSTART:20260601T060000Z", "DURATION:PT1H", uid="2@plant")
    found = reading(entry("DTSTART:20100101T060000Z", "DURATION:PT1H", f"RRULE:{rule}"), other)
    assert [event.uid for event in found.events] == ["2@plant"]
    assert ([left.uid for left in found.left], found.doubtful) == (["1@plant"], {"1@plant"})


@pytest.mark.parametrize("rule", ["FREQ=DAILY;BYMONTH=2;BYMONTHDAY=30", "FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=30;COUNT=5"])
def test_a_rule_that_never_comes_true_is_soon_done(rule: str) -> None:
    assert len(reading(entry("DTSTART:20260101T060000Z", "DURATION:PT1H", f"RRULE:{rule}")).events) == 1  # its start


# A second opinion: python-dateutil over the clocks of the zone


rules = st.builds(
    lambda freq, interval, by, end: f"FREQ={freq};INTERVAL={interval}{by}{end}",
    st.sampled_from(["DAILY", "WEEKLY", "MONTHLY", "YEARLY"]),
    st.integers(1, 5),
    st.sampled_from(["", ";BYDAY=MO,WE", ";BYMONTHDAY=1,15,31", ";BYMONTH=3,10", ";BYDAY=SU;BYMONTH=3,10"]),
    st.sampled_from(["", ";COUNT=7", ";UNTIL=20270201T120000Z"]),
)


@given(
    rules,
    st.datetimes(datetime(2025, 1, 1), datetime(2027, 1, 1)),
    st.sampled_from([BERLIN, NEW_YORK, ZoneInfo("UTC")]),
)
def test_a_second_opinion_on_the_times_of_a_rule(rule: str, begin: datetime, zone: ZoneInfo) -> None:
    begin = begin.replace(microsecond=0)
    now, horizon = datetime(2025, 6, 1, tzinfo=UTC), datetime(2027, 6, 1, tzinfo=UTC)
    until = datetime(2027, 2, 1, 12, tzinfo=UTC).astimezone(zone).replace(tzinfo=None)
    naive = rrulestr(rule.replace("20270201T120000Z", f"{until:%Y%m%dT%H%M%S}"), dtstart=begin)
    local = list(naive.between(begin, horizon.astimezone(zone).replace(tzinfo=None), inc=True))
    if begin not in local and not ("UNTIL" in rule and begin > until):
        local.insert(0, begin)
    if any(not readings(each, zone) for each in local):
        return  # dateutil counts what the clocks skip; the rule for that has its own test
    expected = [min(readings(each, zone)) for each in local]
    found = reading(
        entry(f"DTSTART;TZID={zone.key}:{begin:%Y%m%dT%H%M%S}", "DURATION:PT1H", f"RRULE:{rule}"),
        now=now,
        horizon=horizon,
    )
    wanted = sorted(each for each in expected if now - timedelta(hours=1) < each < horizon)
    assert [event.start for event in found.events] == wanted
