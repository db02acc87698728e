"""When a set was saved, as far as that can be believed: from stamps, members and the first sight of it."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.model import BackupSet
from guard.rules.capture import EARLIEST_PLAUSIBLE, Dated, believable, claimed_time, clock_doubt, dated
from guard.share.layout import stamp_moment, stamp_time
from tests.facts import DAY, HOUR, MICROSECOND, NOW, RECIPE

SEEN = NOW - HOUR
STAMPED = NOW - 5 * HOUR
WRITTEN = NOW - 4 * HOUR
AHEAD = NOW + HOUR
LOST_POWER = tuple(datetime(year, 1, 1, tzinfo=UTC) for year in (1970, 1980, 2000))
BERLIN = ZoneInfo("Europe/Berlin")

MOMENTS = st.one_of(
    st.builds(lambda hours: NOW + hours * HOUR, st.integers(-99, 9)),
    st.datetimes(timezones=st.just(UTC)),
    st.sampled_from((EARLIEST_PLAUSIBLE, NOW, *LOST_POWER)),
)


def backup(
    path: str = "arm-07/1",
    stamp: datetime | None = None,
    newest_member: datetime | None = None,
    first_seen: datetime = SEEN,
    **changes: object,
) -> BackupSet:
    return BackupSet(path, "folder", first_seen, stamp, newest_member)._replace(**changes)


def by_path(*sets: BackupSet, volatile: tuple[str, ...] = ("history/**",)) -> dict[str, Dated]:
    found = dated(sets, RECIPE._replace(volatile=volatile), NOW)
    return {item.set.path: item for item in found}


class TestClaimedTime:
    """The capture time is the earliest plausible of stamp, newest member time and first sight."""

    @pytest.mark.parametrize(
        ("of", "wanted"),
        [
            pytest.param(backup(), SEEN, id="first-sight-alone"),
            pytest.param(backup(stamp=STAMPED), STAMPED, id="stamp"),
            pytest.param(backup(newest_member=WRITTEN), WRITTEN, id="members"),
            pytest.param(backup(stamp=STAMPED, newest_member=WRITTEN), STAMPED, id="stamp-before-members"),
            pytest.param(backup(stamp=WRITTEN, newest_member=STAMPED), STAMPED, id="members-before-stamp"),
            pytest.param(backup(stamp=SEEN + HOUR), SEEN, id="stamp-after-first-sight"),
            pytest.param(backup(stamp=AHEAD), SEEN, id="stamp-in-the-future"),
            pytest.param(backup(stamp=AHEAD, newest_member=AHEAD), SEEN, id="stamp-and-members-in-the-future"),
            *(pytest.param(backup(newest_member=lost), SEEN, id=f"members-of-{lost:%Y}") for lost in LOST_POWER),
            *(
                pytest.param(backup(stamp=lost, newest_member=WRITTEN), WRITTEN, id=f"stamp-of-{lost:%Y}")
                for lost in LOST_POWER
            ),
            pytest.param(backup(stamp=EARLIEST_PLAUSIBLE), EARLIEST_PLAUSIBLE, id="stamp-at-the-earliest-plausible"),
            pytest.param(backup(stamp=EARLIEST_PLAUSIBLE - MICROSECOND), SEEN, id="stamp-a-microsecond-before-that"),
            pytest.param(backup(first_seen=NOW), NOW, id="seen-at-this-moment"),
            pytest.param(backup(first_seen=NOW + MICROSECOND), None, id="clock-set-back-and-nothing-else-known"),
            pytest.param(backup(first_seen=AHEAD, stamp=STAMPED), STAMPED, id="clock-set-back-and-a-stamp"),
            pytest.param(backup(first_seen=AHEAD, stamp=AHEAD, newest_member=AHEAD), None, id="all-in-the-future"),
            pytest.param(backup(first_seen=LOST_POWER[0], newest_member=LOST_POWER[1]), None, id="all-long-ago"),
        ],
    )
    def test_it_is_the_earliest_that_can_be_believed(self, of: BackupSet, wanted: datetime | None) -> None:
        assert claimed_time(of, NOW) == wanted

    @settings(max_examples=200)
    @given(MOMENTS, st.one_of(st.none(), MOMENTS), st.one_of(st.none(), MOMENTS), MOMENTS)
    def test_one_more_candidate_never_makes_a_set_younger(
        self, seen: datetime, stamp: datetime | None, newest: datetime | None, as_of: datetime
    ) -> None:
        without = claimed_time(backup(first_seen=seen, newest_member=newest), as_of)
        claimed = claimed_time(backup(first_seen=seen, newest_member=newest, stamp=stamp), as_of)
        assert without is None or (claimed is not None and claimed <= without)
        assert claimed is None or (believable(claimed, as_of) and claimed in (seen, stamp, newest))


class TestBelievable:
    """Takes as proof that the moment lies between the earliest plausible time and the present."""

    @pytest.mark.parametrize(
        ("moment", "wanted"),
        [
            pytest.param(None, False, id="none"),
            pytest.param(EARLIEST_PLAUSIBLE - MICROSECOND, False, id="a-microsecond-too-early"),
            pytest.param(EARLIEST_PLAUSIBLE, True, id="earliest"),
            pytest.param(NOW, True, id="present"),
            pytest.param(NOW + MICROSECOND, False, id="a-microsecond-ahead"),
            pytest.param(datetime.min.replace(tzinfo=UTC), False, id="first-of-the-calendar"),
            pytest.param(datetime.max.replace(tzinfo=UTC), False, id="last-of-the-calendar"),
        ],
    )
    def test_it(self, moment: datetime | None, wanted: bool) -> None:  # noqa: FBT001
        assert believable(moment, NOW) is wanted


class TestClockDoubt:
    """A stamp in the future is not believed (`clock-doubt`)."""

    FUTURE = "the stamp in its name lies after the moment at which it was first seen"
    LOST = "the stamp in its name is that of a clock that lost its power"
    SET_BACK = "this computer's clock was set back since the set was first seen"

    @pytest.mark.parametrize(
        ("of", "wanted"),
        [
            pytest.param(backup(), None, id="no-stamp"),
            pytest.param(backup(stamp=STAMPED), None, id="stamp-before-first-sight"),
            pytest.param(backup(stamp=SEEN), None, id="stamp-at-first-sight"),
            pytest.param(backup(stamp=SEEN + MICROSECOND), FUTURE, id="stamp-a-microsecond-after-it"),
            pytest.param(backup(stamp=AHEAD), FUTURE, id="stamp-in-the-future"),
            pytest.param(backup(stamp=LOST_POWER[0]), LOST, id="stamp-of-1970"),
            pytest.param(backup(stamp=EARLIEST_PLAUSIBLE - MICROSECOND), LOST, id="stamp-a-microsecond-too-early"),
            pytest.param(backup(stamp=EARLIEST_PLAUSIBLE), None, id="stamp-at-the-earliest-plausible"),
            pytest.param(backup(newest_member=LOST_POWER[1]), None, id="members-of-1980-are-how-archives-say-unknown"),
            pytest.param(backup(first_seen=AHEAD, stamp=STAMPED), SET_BACK, id="clock-set-back"),
            pytest.param(backup(first_seen=AHEAD), SET_BACK, id="clock-set-back-without-a-stamp"),
        ],
    )
    def test_it(self, of: BackupSet, wanted: str | None) -> None:
        assert clock_doubt(of, NOW) == wanted


class TestRefiled:
    """A set whose every byte equals an older set of the same arm is that old backup filed again: it inherits its time."""

    FIRST = backup("arm-07/first", stamp=NOW - 9 * DAY, first_seen=NOW - 9 * DAY, fingerprint="f", checked=True)
    AGAIN = backup("arm-07/again", stamp=STAMPED, fingerprint="f", checked=True)

    def test_it_inherits_the_old_time_and_keeps_its_claim(self) -> None:
        again = by_path(self.FIRST, self.AGAIN)["arm-07/again"]
        assert (again.captured_at, again.claimed_at, again.refiled_from) == (NOW - 9 * DAY, STAMPED, "arm-07/first")

    @pytest.mark.parametrize(
        "original",
        [
            pytest.param({"gone": True}, id="gone"),
            pytest.param({"damaged_at": NOW}, id="damaged"),
            pytest.param({"checked": False}, id="incomplete"),
            pytest.param({"checked": None}, id="known-from-the-ledger-alone"),
        ],
    )
    def test_it_inherits_whatever_became_of_the_original(self, original: dict[str, object]) -> None:
        again = by_path(self.FIRST._replace(**original), self.AGAIN)["arm-07/again"]
        assert (again.captured_at, again.refiled_from) == (NOW - 9 * DAY, "arm-07/first")

    def test_the_original_is_as_old_as_it_was(self) -> None:
        first = by_path(self.FIRST, self.AGAIN)["arm-07/first"]
        assert (first.captured_at, first.refiled_from) == (NOW - 9 * DAY, None)

    def test_copies_of_copies_all_inherit_the_first(self) -> None:
        third = self.AGAIN._replace(path="arm-07/third", stamp=NOW - 2 * HOUR)
        found = by_path(third, self.AGAIN, self.FIRST)
        assert {path: item.refiled_from for path, item in found.items()} == {
            "arm-07/first": None,
            "arm-07/again": "arm-07/first",
            "arm-07/third": "arm-07/first",
        }
        assert {item.captured_at for item in found.values()} == {NOW - 9 * DAY}

    def test_without_a_volatile_part_it_says_nothing(self) -> None:
        again = by_path(self.FIRST, self.AGAIN, volatile=())["arm-07/again"]
        assert (again.captured_at, again.refiled_from) == (STAMPED, None)

    def test_sets_that_were_not_read_are_not_equal(self) -> None:
        unread = {"fingerprint": None, "checked": None}
        again = by_path(self.FIRST._replace(**unread), self.AGAIN._replace(**unread))["arm-07/again"]
        assert (again.captured_at, again.refiled_from) == (STAMPED, None)

    def test_one_backup_kept_as_folder_and_archive_is_not_filed_again(self) -> None:
        archive = self.FIRST._replace(path="arm-07/first.zip", form="archive", first_seen=NOW)
        assert {item.refiled_from for item in by_path(self.FIRST, archive).values()} == {None}

    def test_a_copy_that_keeps_its_members_times_is_given_away_by_its_stamp(self) -> None:
        saved = NOW - 9 * DAY - timedelta(seconds=20)
        first = self.FIRST._replace(newest_member=saved)
        again = by_path(first, self.AGAIN._replace(newest_member=saved))["arm-07/again"]
        assert (again.captured_at, again.claimed_at, again.refiled_from) == (saved, saved, "arm-07/first")

    def test_a_copy_without_a_stamp_does_not_put_the_blame_on_the_original(self) -> None:
        saved = NOW - 9 * DAY - timedelta(seconds=20)
        first, latest = self.FIRST._replace(newest_member=saved), self.AGAIN._replace(newest_member=saved, stamp=None)
        assert {item.refiled_from for item in by_path(first, latest).values()} == {None}

    @pytest.mark.parametrize(
        ("first", "again"),
        [
            pytest.param({}, {"fingerprint": "g", "essence": "f"}, id="left-in-the-copy"),
            pytest.param({"fingerprint": "g", "essence": "f"}, {}, id="left-in-the-original"),
            pytest.param({"fingerprint": "g", "essence": "f"}, {"fingerprint": "h", "essence": "f"}, id="in-both"),
            pytest.param(
                {"fingerprint": "g"}, {"fingerprint": "g", "essence": "f"}, id="original-read-before-essences-were"
            ),
        ],
    )
    def test_what_a_file_browser_left_makes_no_new_backup(
        self, first: dict[str, object], again: dict[str, object]
    ) -> None:
        found = by_path(self.FIRST._replace(**first), self.AGAIN._replace(**again))["arm-07/again"]
        assert (found.captured_at, found.refiled_from) == (NOW - 9 * DAY, "arm-07/first")

    def test_a_set_whose_essence_was_never_told_is_known_by_one_equal_to_it(self) -> None:
        old = self.FIRST._replace(fingerprint="g")
        equal = self.AGAIN._replace(path="arm-07/equal", fingerprint="g", essence="f")
        assert by_path(old, equal, self.AGAIN)["arm-07/again"].captured_at == NOW - 9 * DAY

    def test_other_saved_content_is_another_backup(self) -> None:
        first, again = (
            each._replace(fingerprint=name, essence=f"of {name}")
            for each, name in ((self.FIRST, "g"), (self.AGAIN, "h"))
        )
        assert by_path(first, again)["arm-07/again"].refiled_from is None

    def test_where_no_time_of_the_copy_can_be_believed_it_has_none(self) -> None:
        again = by_path(self.FIRST, self.AGAIN._replace(stamp=AHEAD, first_seen=AHEAD))["arm-07/again"]
        assert (again.captured_at, again.refiled_from) == (None, None)


class TestOrder:
    """The sets of one arm, oldest first; undatable ones stand first."""

    def test_oldest_first(self) -> None:
        sets = (
            backup("arm-07/new", stamp=STAMPED),
            backup("arm-07/old", stamp=EARLIEST_PLAUSIBLE),
            backup("arm-07/undatable", first_seen=AHEAD),
        )
        assert list(by_path(*sets)) == ["arm-07/undatable", "arm-07/old", "arm-07/new"]

    def test_where_times_are_equal_the_one_seen_later_is_newer(self) -> None:
        sets = (backup("arm-07/a", stamp=STAMPED, first_seen=NOW), backup("arm-07/b", stamp=STAMPED))
        assert list(by_path(*sets)) == ["arm-07/b", "arm-07/a"]


def stamp(**digits: str) -> tuple[tuple[str, str], ...]:
    return tuple(digits.items())


class TestStamp:
    """A stamp is a local time of the plant; where a clock shows it twice, the earlier one makes the set older."""

    @pytest.mark.parametrize(
        ("local", "wanted"),
        [
            pytest.param(datetime(2026, 11, 25, 9), NOW, id="winter"),
            pytest.param(datetime(2026, 7, 1, 10), datetime(2026, 7, 1, 8, tzinfo=UTC), id="summer"),
            pytest.param(
                datetime(2026, 10, 25, 1, 59), datetime(2026, 10, 24, 23, 59, tzinfo=UTC), id="before-overlap"
            ),
            pytest.param(datetime(2026, 10, 25, 2, 0), datetime(2026, 10, 25, 0, 0, tzinfo=UTC), id="overlap-begins"),
            pytest.param(datetime(2026, 10, 25, 2, 59), datetime(2026, 10, 25, 0, 59, tzinfo=UTC), id="overlap-ends"),
            pytest.param(datetime(2026, 10, 25, 3, 0), datetime(2026, 10, 25, 2, 0, tzinfo=UTC), id="after-overlap"),
            pytest.param(datetime(2026, 3, 29, 2, 30), datetime(2026, 3, 29, 0, 30, tzinfo=UTC), id="never-shown"),
            pytest.param(datetime(2026, 3, 29, 3, 0), datetime(2026, 3, 29, 1, 0, tzinfo=UTC), id="after-the-gap"),
            pytest.param(datetime(1, 1, 1), None, id="before-the-calendar-in-utc"),
            pytest.param(
                datetime(2026, 10, 25, 2, 30, tzinfo=timezone(HOUR)),
                datetime(2026, 10, 25, 1, 30, tzinfo=UTC),
                id="offset-given-in-the-overlap",
            ),
        ],
    )
    def test_the_instant_of_a_local_time(self, local: datetime, wanted: datetime | None) -> None:
        assert stamp_moment(local, BERLIN) == wanted

    @settings(max_examples=200)
    @given(st.datetimes(datetime(2001, 1, 1), datetime(2037, 12, 31), timezones=st.just(UTC)))
    def test_no_save_is_dated_later_than_it_was(self, saved: datetime) -> None:
        named = stamp_moment(saved.astimezone(BERLIN).replace(tzinfo=None, fold=0), BERLIN)
        assert named is not None
        assert saved - HOUR <= named <= saved

    @pytest.mark.parametrize(
        ("digits", "wanted"),
        [
            pytest.param(stamp(Y="2026", m="11", d="25", H="08", M="30"), datetime(2026, 11, 25, 8, 30), id="minute"),
            pytest.param(stamp(y="26", m="11", d="25"), datetime(2026, 11, 25), id="day-of-a-short-year"),
            pytest.param(stamp(Y="2024", j="366"), datetime(2024, 12, 31), id="day-of-the-year"),
            pytest.param(
                stamp(Y="2026", m="11", d="25", H="08", z="-0230"),
                datetime(2026, 11, 25, 8, tzinfo=timezone(-2.5 * HOUR)),
                id="offset",
            ),
            pytest.param(stamp(Y="2026", m="11", d="25", z="Z"), datetime(2026, 11, 25, tzinfo=UTC), id="utc"),
            pytest.param(stamp(Y="2026", m="11"), None, id="no-day"),
            pytest.param(stamp(m="11", d="25"), None, id="no-year"),
            pytest.param((), None, id="nothing"),
        ],
    )
    def test_the_time_that_the_digits_stand_for(
        self, digits: tuple[tuple[str, str], ...], wanted: datetime | None
    ) -> None:
        assert stamp_time(digits) == wanted

    @pytest.mark.parametrize(
        "digits",
        [
            pytest.param(stamp(Y="2026", m="13", d="01"), id="month"),
            pytest.param(stamp(Y="2026", m="02", d="29"), id="day"),
            pytest.param(stamp(Y="2026", j="366"), id="day-of-the-year"),
            pytest.param(stamp(Y="2026", j="000"), id="day-before-the-first"),
            pytest.param(stamp(Y="2026", m="11", d="25", H="24"), id="hour"),
            pytest.param(stamp(Y="2026", m="11", d="25", z="+9900"), id="offset"),
        ],
    )
    def test_there_is_no_such_time(self, digits: tuple[tuple[str, str], ...]) -> None:
        with pytest.raises(ValueError):  # noqa: PT011
            stamp_time(digits)
