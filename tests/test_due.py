"""When a job is due: once for each slot, whatever the clocks do."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.plan.due import is_due, is_slot_due, slot, slot_start

BERLIN = ZoneInfo("Europe/Berlin")
NEW_YORK = ZoneInfo("America/New_York")
MICROSECOND = timedelta(microseconds=1)
MINUTE = timedelta(minutes=1)
HALF_PAST_TWO = 150

MINUTES = st.integers(0, 24 * 60 - 1)
ZONES = st.sampled_from((BERLIN, NEW_YORK, ZoneInfo("UTC"), ZoneInfo("Australia/Lord_Howe"), ZoneInfo("Pacific/Apia")))
MOMENTS = st.datetimes(datetime(2020, 1, 1), datetime(2035, 1, 1), timezones=st.just(UTC))


class TestSlotStart:
    """The moments of the changes are those of the IANA time zone database, 2026 and 2027 (checked in its tables)."""

    @pytest.mark.parametrize(
        ("day", "minutes", "zone", "moment"),
        [
            pytest.param(date(2026, 11, 25), HALF_PAST_TWO, BERLIN, "2026-11-25T01:30Z", id="any-day"),
            pytest.param(
                date(2026, 3, 29), HALF_PAST_TWO, BERLIN, "2026-03-29T01:30Z", id="in-a-gap-the-offset-before-it"
            ),
            pytest.param(date(2026, 3, 29), 120, BERLIN, "2026-03-29T01:00Z", id="first-minute-of-a-gap"),
            pytest.param(date(2026, 3, 29), 119, BERLIN, "2026-03-29T00:59Z", id="last-minute-before-a-gap"),
            pytest.param(date(2026, 3, 29), 180, BERLIN, "2026-03-29T01:00Z", id="first-minute-after-a-gap"),
            pytest.param(date(2026, 10, 25), HALF_PAST_TWO, BERLIN, "2026-10-25T00:30Z", id="in-an-overlap-the-first"),
            pytest.param(date(2026, 10, 25), 180, BERLIN, "2026-10-25T02:00Z", id="after-an-overlap"),
            pytest.param(date(2027, 3, 14), HALF_PAST_TWO, NEW_YORK, "2027-03-14T07:30Z", id="gap-in-new-york"),
            pytest.param(date(2026, 11, 1), 90, NEW_YORK, "2026-11-01T05:30Z", id="overlap-in-new-york"),
        ],
    )
    def test_on_days_when_the_clocks_change(self, day: date, minutes: int, zone: ZoneInfo, moment: str) -> None:
        assert slot_start(day, minutes, zone) == datetime.fromisoformat(moment)


class TestSlot:
    """A slot belongs to the newest day whose job has begun."""

    @pytest.mark.parametrize(
        ("moment", "day"),
        [
            pytest.param("2026-11-25T01:30Z", date(2026, 11, 25), id="at-the-time"),
            pytest.param("2026-11-25T01:29:59.999999Z", date(2026, 11, 24), id="a-microsecond-before"),
            pytest.param("2026-11-25T23:30Z", date(2026, 11, 25), id="past-midnight-of-the-plant"),
            pytest.param("2026-10-25T00:30Z", date(2026, 10, 25), id="first-time-of-an-overlap"),
            pytest.param("2026-10-25T01:30Z", date(2026, 10, 25), id="second-time-of-an-overlap"),
        ],
    )
    def test_the_newest_that_has_begun(self, moment: str, day: date) -> None:
        assert slot(datetime.fromisoformat(moment), HALF_PAST_TWO, BERLIN) == day

    @given(MOMENTS, MINUTES, ZONES)
    def test_it_has_begun_and_the_next_has_not(self, moment: datetime, minutes: int, zone: ZoneInfo) -> None:
        day = slot(moment, minutes, zone)
        assert slot_start(day, minutes, zone) <= moment < slot_start(day + timedelta(days=1), minutes, zone)

    @given(st.dates(date(2026, 1, 1), date(2027, 12, 31)), MINUTES, ZONES)
    def test_every_day_has_one_and_only_one(self, day: date, minutes: int, zone: ZoneInfo) -> None:
        start = slot_start(day, minutes, zone)
        assert slot(start, minutes, zone) == day
        assert slot(start - MICROSECOND, minutes, zone) == day - timedelta(days=1)


@pytest.mark.parametrize(
    ("first", "days"),
    [
        pytest.param("2026-03-27T00:00Z", 4, id="over-a-gap"),
        pytest.param("2026-10-23T00:00Z", 4, id="over-an-overlap"),
    ],
)
def test_a_ticker_runs_the_job_once_a_day(first: str, days: int) -> None:
    now, done, runs = datetime.fromisoformat(first), {}, []
    for _ in range(days * 24 * 60):
        day = slot(now, HALF_PAST_TWO, BERLIN)
        if is_slot_due(now, day, done):
            runs.append(day)
            done[day.isoformat()] = now
        now += MINUTE
    assert len(runs) == len(set(runs))
    assert runs[1:] == [runs[0] + timedelta(days=n) for n in range(1, days + 1)]


def test_what_was_missed_in_a_sleep_of_many_days_runs_once() -> None:
    now = datetime(2026, 11, 25, 9, tzinfo=UTC)
    done = {"2026-11-18": now - timedelta(days=7)}
    day = slot(now, HALF_PAST_TWO, BERLIN)
    assert is_slot_due(now, day, done)
    done[day.isoformat()] = now
    assert not is_slot_due(now, slot(now, HALF_PAST_TWO, BERLIN), done)


class TestWrongClocks:
    """What was done at a time that is still to come was done by a clock that was wrong."""

    NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)

    def test_a_slot_done_now_is_done(self) -> None:
        assert not is_slot_due(self.NOW, self.NOW.date(), {"2026-11-25": self.NOW})

    def test_a_slot_done_in_the_future_is_due(self) -> None:
        assert is_slot_due(self.NOW, self.NOW.date(), {"2026-11-25": self.NOW + MICROSECOND})

    def test_a_clock_set_back_an_hour_repeats_nothing_for_good(self) -> None:
        done = {"2026-11-25": self.NOW}
        assert not is_slot_due(self.NOW + MINUTE, slot(self.NOW - timedelta(hours=1), 60, BERLIN), done)

    @pytest.mark.parametrize(
        ("last", "due"),
        [
            pytest.param(None, True, id="never"),
            pytest.param(-15 * MINUTE, True, id="just-as-long-ago"),
            pytest.param(-15 * MINUTE + MICROSECOND, False, id="not-yet"),
            pytest.param(timedelta(), False, id="now"),
            pytest.param(MICROSECOND, True, id="in-the-future"),
        ],
    )
    def test_what_recurs(self, last: timedelta | None, due: bool) -> None:  # noqa: FBT001
        assert is_due(self.NOW, 15 * MINUTE, None if last is None else self.NOW + last) is due
