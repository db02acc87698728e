"""Times as people write them: each stands for one instant or is refused with what would be right."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.cli.refusals import NoSuchTime, TimeTwice
from guard.cli.when import day_or_when, duration, parse_when
from guard.errors import CallError, NotUnderstood
from guard.times import earliest_reading, readings, shown
from tests.plant import Plant

BERLIN, NEW_YORK = ZoneInfo("Europe/Berlin"), ZoneInfo("America/New_York")
NOW = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
"""A Wednesday, 09:00 in Berlin."""


def read(text: str, now: datetime = NOW, zone: ZoneInfo = BERLIN) -> datetime:
    return parse_when(text, now, zone)


def utc(text: str) -> datetime:
    return datetime.fromisoformat(f"{text}+00:00")


class TestRfc3339:
    @pytest.mark.parametrize(
        ("text", "epoch_s"),
        [
            # RFC 3339 section 5.8; the seconds computed from its examples
            pytest.param("1985-04-12T23:20:50.52Z", 482_196_050.52, id="fraction"),
            pytest.param("1996-12-19T16:39:57-08:00", 851_042_397, id="offset"),
            pytest.param("1996-12-20T00:39:57Z", 851_042_397, id="the-same-in-utc"),
            pytest.param("1990-12-31T23:59:60Z", 662_688_000, id="leap-second"),
            pytest.param("1990-12-31T15:59:60-08:00", 662_688_000, id="leap-second-elsewhere"),
            pytest.param("1937-01-01T12:00:27.87+00:20", -1_041_337_172.13, id="odd-offset"),
            # Section 5.6: t, z and a space may stand for T, Z and T
            pytest.param("1996-12-19t16:39:57-08:00", 851_042_397, id="small-t"),
            pytest.param("1996-12-20 00:39:57z", 851_042_397, id="space-and-small-z"),
            # Section 4.3: the time in UTC is known, the offset of the place is not
            pytest.param("1996-12-20T00:39:57-00:00", 851_042_397, id="offset-unknown"),
            pytest.param("1985-04-12T23:20:50.570000999Z", 482_196_050.57, id="more-digits-than-kept"),
        ],
    )
    def test_instants(self, text: str, epoch_s: float) -> None:
        assert read(text) == datetime(1970, 1, 1, tzinfo=UTC) + timedelta(microseconds=round(epoch_s * 1_000_000))

    @pytest.mark.parametrize(
        "text",
        [
            pytest.param("1985-04-12T24:00:00Z", id="hour-24"),  # section 5.7
            pytest.param("1985-04-12T23:60:00Z", id="minute-60"),
            pytest.param("1990-12-31T23:59:61Z", id="second-61"),
            pytest.param("1990-12-31T22:59:60Z", id="leap-second-within-a-day"),
            pytest.param("1990-12-30T23:59:60Z", id="leap-second-within-a-month"),
            pytest.param("1985-02-29T00:00:00Z", id="no-leap-year"),
            pytest.param("1985-13-01T00:00:00Z", id="month-13"),
            pytest.param("0000-01-01T00:00:00Z", id="year-0"),
            pytest.param("1985-04-12T23:20:50+24:00", id="offset-of-a-day"),
            pytest.param("1985-04-12T23:20:50+01:60", id="offset-minute-60"),
            pytest.param("9999-12-31T23:59:59-00:01", id="past-the-calendar"),
            pytest.param("0001-01-01T00:00:00+00:01", id="before-the-calendar"),
            pytest.param("9999-12-31T23:59:60Z", id="leap-second-past-the-calendar"),
        ],
    )
    def test_what_no_calendar_has(self, text: str) -> None:
        with pytest.raises(NotUnderstood, match=r"^Not understood: the time '.*', which no calendar has\. Write "):
            read(text)

    @pytest.mark.parametrize(
        "text",
        [
            "1985-04-12T23:20:50+0100", "1985-04-12T23:20:50 Z", "1985-04-12T23:20:50,5Z", "19850412T232050Z",
            "1985-4-12T23:20:50Z", "1985-04-12T23:20Z-", "1985-04-12", "1985-W15-5T23:20:50Z", "1985-04-12T٢٣:20:50Z",
            "12.04.1985 23:20", "04/12/1985 23:20", "23:20", "1985-04-12T23:20:50.Z", "1985-04-12T23:20:50−01:00",
        ],
    )  # fmt: skip
    def test_what_is_none(self, text: str) -> None:
        with pytest.raises(NotUnderstood, match=re.escape(f"the time {text!r}.")):
            read(text)


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        ("now", "2026-11-25T08:00"),
        ("2026-12-03 06:00", "2026-12-03T05:00"),
        ("2026-12-03T06:00", "2026-12-03T05:00"),
        ("2026-12-03 6:00", "2026-12-03T05:00"),
        ("2026-12-03 06:00:30", "2026-12-03T05:00:30"),
        ("2026-07-03 06:00", "2026-07-03T04:00"),
        ("2026-12-03 06:00Z", "2026-12-03T06:00"),
        ("2026-12-03 06:00+05:45", "2026-12-03T00:15"),
        ("tomorrow 06:00", "2026-11-26T05:00"),
        ("Tomorrow  6:00 ", "2026-11-26T05:00"),
        ("tomorrow at 06:00", "2026-11-26T05:00"),
        ("today 23:00", "2026-11-25T22:00"),
        ("friday 6:00", "2026-11-27T05:00"),
        ("on Friday at 06:00", "2026-11-27T05:00"),
        ("in 36h", "2026-11-26T20:00"),
        ("in 90s", "2026-11-25T08:01:30"),
        ("in 2 w", "2026-12-09T08:00"),
        ("in 1.5h", "2026-11-25T09:30"),
        ("in 0h", "2026-11-25T08:00"),
        ("in 3 hours", "2026-11-25T11:00"),
        ("in 2 weeks", "2026-12-09T08:00"),
        ("in 90 min", "2026-11-25T09:30"),
        ("2h ago", "2026-11-25T06:00"),
        ("20 minutes ago", "2026-11-25T07:40"),
        ("1 day ago", "2026-11-24T08:00"),
        ("yesterday 08:00", "2026-11-24T07:00"),
        ("Yesterday at 6:00", "2026-11-24T05:00"),
    ],
)
def test_forms(text: str, instant: str) -> None:
    assert read(text) == utc(instant)


@pytest.mark.parametrize(
    ("text", "instant"),
    [
        pytest.param("wednesday 09:01", "2026-11-25T08:01", id="today-one-minute-ahead"),
        pytest.param("wednesday 09:00", "2026-12-02T08:00", id="today-this-very-minute"),
        pytest.param("wednesday 08:59", "2026-12-02T07:59", id="today-one-minute-past"),
        pytest.param("tuesday 09:00", "2026-12-01T08:00", id="yesterdays-weekday"),
        pytest.param("thursday 00:00", "2026-11-25T23:00", id="tomorrows-weekday"),
        pytest.param("sunday 23:59", "2026-11-29T22:59", id="sunday"),
    ],
)
def test_a_weekday_is_the_next_one_that_is_not_past(text: str, instant: str) -> None:
    assert read(text) == utc(instant)


@given(st.sampled_from(["monday", "wednesday", "sunday"]), st.integers(0, 23), st.integers(0, 60 * 24 * 400))
def test_a_weekday_lies_within_the_next_week(day: str, hour: int, minutes: int) -> None:
    now = utc("2026-01-01T00:00") + timedelta(minutes=minutes)
    try:
        found = read(f"{day} {hour}:30", now)
    except (NoSuchTime, TimeTwice):
        return

    local = found.astimezone(BERLIN)
    assert f"{local:%A %H:%M}".lower() == f"{day} {hour:02}:30"
    assert timedelta(hours=-1) <= found - now <= timedelta(days=7, hours=1)


class TestDaysAcrossChanges:
    @pytest.mark.parametrize(
        ("text", "now", "zone", "instant"),
        [
            pytest.param("tomorrow 06:00", "2026-03-28T12:00", BERLIN, "2026-03-29T04:00", id="into-summer"),
            pytest.param("tomorrow 06:00", "2026-10-24T12:00", BERLIN, "2026-10-25T05:00", id="out-of-summer"),
            pytest.param("sunday 06:00", "2026-10-24T12:00", BERLIN, "2026-10-25T05:00", id="weekday-out-of-summer"),
            pytest.param("monday 06:00", "2027-03-26T12:00", BERLIN, "2027-03-29T04:00", id="weekday-into-summer"),
            pytest.param("tomorrow 06:00", "2026-03-07T12:00", NEW_YORK, "2026-03-08T10:00", id="new-york-into-summer"),
            pytest.param("sunday 06:00", "2026-10-31T12:00", NEW_YORK, "2026-11-01T11:00", id="new-york-out-of-summer"),
            pytest.param("tomorrow 06:00", "2026-12-31T12:00", BERLIN, "2027-01-01T05:00", id="year-end"),
            pytest.param("friday 06:00", "2026-12-31T12:00", BERLIN, "2027-01-01T05:00", id="weekday-over-year-end"),
            pytest.param("sunday 06:00", "2026-12-28T12:00", BERLIN, "2027-01-03T05:00", id="end-of-week-53"),
            pytest.param("tomorrow 06:00", "2028-02-28T12:00", BERLIN, "2028-02-29T05:00", id="leap-day"),
            pytest.param("tomorrow 00:30", "2026-11-24T23:30", BERLIN, "2026-11-25T23:30", id="the-plants-day-counts"),
            pytest.param("today 23:00", "2026-11-25T02:00", NEW_YORK, "2026-11-25T04:00", id="the-plants-day-behind"),
            pytest.param("yesterday 06:00", "2026-03-29T12:00", BERLIN, "2026-03-28T05:00", id="back-over-the-change"),
            pytest.param("yesterday 06:00", "2026-11-25T02:00", NEW_YORK, "2026-11-23T11:00", id="yesterday-behind"),
            pytest.param("in 24h", "2026-10-24T12:00", BERLIN, "2026-10-25T12:00", id="hours-are-hours"),
        ],
    )
    def test_days(self, text: str, now: str, zone: ZoneInfo, instant: str) -> None:
        assert read(text, utc(now), zone) == utc(instant)


class TestTimesThatAreNoneOrTwo:
    """A time that does not exist or exists twice is refused with both readings, unless an offset is given."""

    @pytest.mark.parametrize(
        ("text", "zone", "refusal", "offsets"),
        [
            ("2026-03-29 02:30", BERLIN, NoSuchTime, ("+01:00", "+02:00")),
            ("2027-03-28 02:00", BERLIN, NoSuchTime, ("+01:00", "+02:00")),
            ("2026-03-08 02:30", NEW_YORK, NoSuchTime, ("-05:00", "-04:00")),
            ("2027-03-14 02:59", NEW_YORK, NoSuchTime, ("-05:00", "-04:00")),
            ("2026-10-25 02:30", BERLIN, TimeTwice, ("+02:00", "+01:00")),
            ("2027-10-31 02:00", BERLIN, TimeTwice, ("+02:00", "+01:00")),
            ("2026-11-01 01:30", NEW_YORK, TimeTwice, ("-04:00", "-05:00")),
        ],
    )
    def test_refused_with_both_readings(
        self, text: str, zone: ZoneInfo, refusal: type[CallError], offsets: tuple[str, str]
    ) -> None:
        both = [text.replace(" ", "T") + offset for offset in offsets]

        with pytest.raises(refusal, match=rf"{re.escape(' or '.join(both))}$"):
            read(text, zone=zone)

        first, second = (read(reading, zone=zone) for reading in both)
        assert abs(first - second) == timedelta(hours=1)

    @pytest.mark.parametrize(
        ("text", "instant"),
        [
            ("2026-03-29 01:59", "2026-03-29T00:59"),
            ("2026-03-29 03:00", "2026-03-29T01:00"),
            ("2026-10-25 01:59", "2026-10-24T23:59"),
            ("2026-10-25 03:00", "2026-10-25T02:00"),
            ("2026-10-25 02:30+02:00", "2026-10-25T00:30"),
            ("2026-10-25 02:30+01:00", "2026-10-25T01:30"),
            ("2026-10-25T02:30:00+01:00", "2026-10-25T01:30"),
        ],
    )
    def test_the_minutes_beside_and_offsets(self, text: str, instant: str) -> None:
        assert read(text) == utc(instant)

    def test_days_in_words_are_refused_as_well(self) -> None:
        with pytest.raises(NoSuchTime):
            read("tomorrow 02:30", utc("2026-03-28T12:00"))
        with pytest.raises(TimeTwice):
            read("sunday 02:30", utc("2026-10-24T12:00"))

    def test_on_the_command_line(self, plant: Plant) -> None:
        done = plant.run("ask", "--arm", "arm-07", "--at", "2026-10-25 02:30")

        assert (done.code, done.out) == (2, "")
        assert done.err == (
            "'2026-10-25 02:30' exists twice in Europe/Berlin: the clocks go back over it."
            " Give an offset: 2026-10-25T02:30+02:00 or 2026-10-25T02:30+01:00\n"
        )


@pytest.mark.parametrize(
    "text",
    [
        "", " ", "tomorrow", "friday", "6:00", "06:00 tomorrow", "tomorrow 6", "tomorrow 6pm", "friday 06:00:00", "noon",
        "next friday 06:00", "fri 06:00", "in h", "in -3h", "in 3", "ago", "h ago", "-2h ago", "2h", "2 hours", "in 2h ago",
            "two hours ago", "2 months ago", "yesterday", "on the day before yesterday 06:00", "last friday 06:00", "3h", "in 3h 30m",
        "in ٣h", "friday ٦:00", "friday ６:00", "today tomorrow 06:00", "now now", "2026-12-03 06:00 friday", "0", "-1",
        "1796277600", "2026-12-03 06:00 Europe/Berlin", "friday 06:00\x00",
    ],
)  # fmt: skip
def test_what_is_not_understood(text: str) -> None:
    with pytest.raises(NotUnderstood) as refusal:
        read(text)

    assert refusal.value.instead.startswith("Write 2026-12-03 06:00, tomorrow 06:00, friday 6:00, in 36h, now, or")


@pytest.mark.parametrize(
    "text", ["tomorrow 24:00", "friday 12:60", "today 99:00", "2026-02-30 06:00", "in 9999y", f"in {'9' * 400}y"]
)
def test_what_no_calendar_has(text: str) -> None:
    with pytest.raises(NotUnderstood, match="which no calendar has"):
        read(text)


WORDS = st.lists(
    st.sampled_from(
        "now in at on today tomorrow friday 6:00 25:00 2026-12-03 2026-02-30T06:00 02:30 36h 9999999y T Z +01:00 -00:00 2026-03-29".split()
    ),
    max_size=5,
).map(" ".join)


@given(st.text() | WORDS | st.from_regex(r"\d{4}-\d\d-\d\d[T ]\d\d:\d\d(:\d\d)?(Z|[+-]\d\d:\d\d)?", fullmatch=True))
def test_any_text_is_an_instant_or_refused(text: str) -> None:
    try:
        found = read(text)
    except CallError:
        return
    assert found.tzinfo is UTC


class TestLocalTimes:
    @given(
        st.datetimes(datetime(1950, 1, 1), datetime(2090, 1, 1)), st.sampled_from([BERLIN, NEW_YORK, ZoneInfo("UTC")])
    )
    def test_each_reading_shows_that_time(self, local: datetime, zone: ZoneInfo) -> None:
        found = readings(local, zone)

        assert all(moment.astimezone(zone).replace(tzinfo=None) == local for moment in found)
        assert list(found) == sorted(set(found))
        assert earliest_reading(local, zone) <= min(found, default=datetime.max.replace(tzinfo=UTC))

    @given(st.datetimes(datetime(1950, 1, 1), datetime(2090, 1, 1), timezones=st.just(UTC)))
    def test_each_instant_is_a_reading_of_the_time_it_shows(self, moment: datetime) -> None:
        assert moment in readings(moment.astimezone(BERLIN).replace(tzinfo=None), BERLIN)

    def test_the_ends_of_the_calendar_can_be_shown(self) -> None:
        assert shown(datetime.max.replace(tzinfo=UTC), BERLIN) == "Fri 9999-12-31 23:59 UTC"
        assert shown(NOW, BERLIN) == "Wed 2026-11-25 09:00"


@pytest.mark.parametrize(
    ("text", "zone", "instant"),
    [
        pytest.param("2026-11-01", BERLIN, "2026-10-31T23:00", id="the-plants-midnight"),
        pytest.param("2026-07-01", NEW_YORK, "2026-07-01T04:00", id="in-summer"),
        pytest.param("2018-11-04", ZoneInfo("America/Sao_Paulo"), "2018-11-04T02:00", id="a-day-without-midnight"),
        pytest.param("2026-11-01 06:00", BERLIN, "2026-11-01T05:00", id="with-an-hour"),
        pytest.param("2h ago", BERLIN, "2026-11-25T06:00", id="any-other-time"),
    ],
)
def test_a_day_begins_at_its_first_instant(text: str, zone: ZoneInfo, instant: str) -> None:
    assert day_or_when(text, NOW, zone) == utc(instant)


@pytest.mark.parametrize(
    "text", ["2026-02-30", "2026-13-01", "2026-1-1", "٢٠٢٦-11-01", "november", "0001-01-01x", "0000-01-01"]
)
def test_what_is_no_day(text: str) -> None:
    with pytest.raises(NotUnderstood):
        day_or_when(text, NOW, BERLIN)


@pytest.mark.parametrize(
    ("text", "hours"),
    [
        ("8h", 8),
        ("2w", 336),
        ("2 weeks", 336),
        ("1 week", 168),
        ("90 min", 1.5),
        ("1.5 hours", 1.5),
        ("30 Minutes", 0.5),
    ],
)
def test_durations(text: str, hours: float) -> None:
    assert duration(text) == timedelta(hours=hours)


@pytest.mark.parametrize(
    "text", ["", "2", "weeks", "two weeks", "2 months", "-2 weeks", "2weeksx", "1,5 hours", "2 weeks 3 days", "1e3h"]
)
def test_what_is_no_duration(text: str) -> None:
    with pytest.raises(ValueError, match=f"^{re.escape(text)}$"):
        duration(text)


def test_a_mark_may_be_made_of_yesterday_in_words(plant: Plant) -> None:
    done = plant.run("mark", "edit", "arm-07", "--at", "yesterday 08:00")
    ahead = plant.run("mark", "edit", "arm-07", "--at", "in 2 hours")

    assert (done.code, "Recorded: edit on arm-07, " in done.out, ahead.code) == (0, True, 2)
    assert ahead.err == "Not understood: a mark in the future (in 2 hours). A mark tells what has happened.\n"


def test_an_event_may_last_two_weeks_in_words(plant: Plant) -> None:
    done = plant.run("event", "add", "--kind", "power-down", "--start", "in 3 days", "--for", "2 weeks", "--all")

    assert (done.code, "for 14 d." in done.out) == (0, True)
