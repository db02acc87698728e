"""Room on the share: the rate at which backups fill it, and when it will be full, as far as that can be told."""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from guard.model import ShareFacts
from guard.store.activity import due_for_read_back, growth, read_back
from guard.store.catalogue import Catalogue
from guard.store.encoding import time_text
from guard.tell.space import _full_at, _outlook, space
from tests.facts import DAY, HOUR, NOW

ZONE = ZoneInfo("Europe/Berlin")
RIGHT = ShareFacts("right", NOW)
MIB = 1 << 20


@pytest.fixture
def catalogue(tmp_path: Path) -> Iterator[Catalogue]:
    made = Catalogue(str(tmp_path / "catalogue.db"))
    yield made
    made.close()


def add(catalogue: Catalogue, seen: timedelta, size: int = MIB, **more: object) -> None:
    """A set that was first seen so long ago."""
    columns = {
        "place": 0, "arm": "arm-07", "path": os.urandom(8), "form": "folder",
        "first_seen": time_text(NOW - seen), "bytes": size, "complete": 1, **more,
    }  # fmt: skip
    names = ", ".join(columns)
    query = f"INSERT INTO sets({names}) VALUES({', '.join('?' * len(columns))})"
    catalogue.store.connection.execute(query, tuple(columns.values()))


class TestGrowth:
    """What came and went; what was there before the watching began made nothing grow."""

    def test_sets_count_by_when_they_were_first_seen(self, catalogue: Catalogue) -> None:
        for days in (1, 10, 30, 31, 200):
            add(catalogue, days * DAY)
        assert growth(catalogue.store, NOW - 30 * DAY) == (3 * MIB, 0, NOW - 200 * DAY)

    def test_a_set_seen_late_is_not_new(self, catalogue: Catalogue) -> None:
        add(catalogue, DAY, stamp=time_text(NOW - 90 * DAY))
        add(catalogue, DAY, stamp=time_text(NOW - 2 * DAY))
        assert growth(catalogue.store, NOW - 30 * DAY).arrived == MIB

    def test_what_went_is_told_beside(self, catalogue: Catalogue) -> None:
        add(catalogue, 200 * DAY, 5 * MIB, gone_at=time_text(NOW - DAY))
        add(catalogue, 200 * DAY, 7 * MIB, gone_at=time_text(NOW - 31 * DAY))
        add(catalogue, 2 * DAY)
        found = growth(catalogue.store, NOW - 30 * DAY)
        assert (found.arrived, found.gone) == (MIB, 5 * MIB)

    def test_further_copies_take_no_room_on_the_share(self, catalogue: Catalogue) -> None:
        add(catalogue, DAY, place=1)
        assert growth(catalogue.store, NOW - 30 * DAY) == (0, 0, None)


class TestOutlook:
    """A date where one can be told, else in words why not; never a negative or endless one."""

    def outlook(self, catalogue: Catalogue, tmp_path: Path, share: ShareFacts = RIGHT) -> str:
        return space(catalogue.store, str(tmp_path), share, NOW, ZONE).outlook

    @pytest.mark.parametrize("begun", [None, HOUR, 3 * DAY, 4 * DAY - HOUR])
    def test_too_short_a_time_tells_nothing(
        self, catalogue: Catalogue, tmp_path: Path, begun: timedelta | None
    ) -> None:
        if begun is not None:
            add(catalogue, begun)
        told = space(catalogue.store, str(tmp_path), RIGHT, NOW, ZONE)
        assert (told.per_day, told.full_at) == (None, None)
        why = "the monitor must have watched the share for 4 d."
        assert told.outlook == f"When it will be full cannot be told yet: {why}"

    def test_the_first_days_sets_are_no_growth(self, catalogue: Catalogue, tmp_path: Path) -> None:
        add(catalogue, 5 * DAY, 10**15)
        add(catalogue, 2 * DAY, 4 * MIB)
        assert space(catalogue.store, str(tmp_path), RIGHT, NOW, ZONE).per_day == MIB

    def test_less_than_before(self, catalogue: Catalogue, tmp_path: Path) -> None:
        add(catalogue, 200 * DAY, 5 * MIB, gone_at=time_text(NOW - DAY))
        told = space(catalogue.store, str(tmp_path), RIGHT, NOW, ZONE)
        assert (told.per_day, told.full_at) == (-round(5 * MIB / 30), None)
        assert told.outlook == "The backups take no more room than 30 d ago, so they do not fill it."

    def test_a_date(self, catalogue: Catalogue, tmp_path: Path) -> None:
        free = space(catalogue.store, str(tmp_path), RIGHT, NOW, ZONE).free
        assert free is not None
        add(catalogue, 200 * DAY)
        add(catalogue, DAY, free * 30 // 100)
        told = space(catalogue.store, str(tmp_path), RIGHT, NOW, ZONE)
        assert told.full_at is not None
        assert abs(told.full_at - (NOW + 100 * DAY)) < 10 * DAY

    def test_years_ahead(self, catalogue: Catalogue, tmp_path: Path) -> None:
        add(catalogue, 200 * DAY)
        add(catalogue, DAY, 30)
        assert (
            self.outlook(catalogue, tmp_path)
            == "It will not be full within ten years at the present rate of 1 B a day."
        )

    @pytest.mark.parametrize(
        ("free", "per_day", "words"),
        [
            pytest.param(0, 5, "It is full: no new backup fits on it.", id="full"),
            pytest.param(None, 5, "When it will be full cannot be told.", id="free-not-known"),
            pytest.param(10, 0, "The backups take no more room than 30 d ago, so they do not fill it.", id="no-growth"),
            pytest.param(
                10,
                10,
                "It will be full in about 1 d, on Thu 2026-11-26, at the present rate of 10 B a day.",
                id="tomorrow",
            ),
        ],
    )
    def test_in_words(self, free: int | None, per_day: int, words: str) -> None:
        assert _outlook(free, per_day, _full_at(free, per_day, NOW), 30 * DAY, NOW, ZONE) == words

    @pytest.mark.parametrize(
        ("share", "why"),
        [
            pytest.param(
                RIGHT._replace(unreadable="it is not there"), "it cannot be read: it is not there", id="offline"
            ),
            pytest.param(RIGHT._replace(marker="other"), "another share is mounted in its place", id="other"),
            pytest.param(RIGHT._replace(marker="gone"), "its marker is gone", id="gone"),
        ],
    )
    def test_a_share_in_doubt_is_not_measured(
        self, catalogue: Catalogue, tmp_path: Path, share: ShareFacts, why: str
    ) -> None:
        told = space(catalogue.store, str(tmp_path), share, NOW, ZONE)
        assert (told.unknown, told.total, told.used, told.free, told.full_at) == (why, None, None, None, None)
        assert self.outlook(catalogue, tmp_path, share) == "When it will be full cannot be told."

    def test_a_folder_that_is_gone_meanwhile(self, catalogue: Catalogue, tmp_path: Path) -> None:
        told = space(catalogue.store, str(tmp_path / "away"), RIGHT, NOW, ZONE)
        assert told.unknown == "it cannot be asked for its size: No such file or directory"


class TestProofs:
    """What was read back, and what waits."""

    def test_read_back_in_a_span(self, catalogue: Catalogue) -> None:
        for hours in (1, 23, 24, 25):
            add(catalogue, 9 * DAY, last_read_at=time_text(NOW - hours * HOUR))
        assert read_back(catalogue.store, NOW - DAY, NOW) == (2, 2 * MIB)

    def test_what_waits(self, catalogue: Catalogue) -> None:
        limit = NOW - 15 * DAY
        add(catalogue, 20 * DAY, last_read_at=time_text(NOW - 20 * DAY))
        add(catalogue, 20 * DAY, last_read_at=time_text(NOW - 16 * DAY))
        add(catalogue, 20 * DAY, last_read_at=time_text(limit))
        assert due_for_read_back(catalogue.store, {"arm-07"}, limit) == (2, 2 * MIB, NOW - 20 * DAY)
        add(catalogue, HOUR)
        assert due_for_read_back(catalogue.store, {"arm-07"}, limit) == (3, 3 * MIB, None)

    @pytest.mark.parametrize(
        "other",
        [
            pytest.param({"complete": 0}, id="not-complete"),
            pytest.param({"gone_at": "2026-01-01"}, id="gone"),
            pytest.param({"damaged_at": "2026-01-01"}, id="damaged"),
            pytest.param({"place": 1}, id="on-a-further-copy"),
            pytest.param({"arm": "arm-99"}, id="of-an-arm-that-is-not-configured"),
        ],
    )
    def test_what_does_not_wait(self, catalogue: Catalogue, other: dict[str, object]) -> None:
        add(catalogue, HOUR, **other)
        assert due_for_read_back(catalogue.store, {"arm-07"}, NOW) == (0, 0, None)
