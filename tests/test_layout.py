"""Layouts over names: which arm and which time a path stands for, and what is refused rather than guessed."""

from __future__ import annotations

import os
import re
import sys
import tempfile
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta, timezone
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import HealthCheck, example, given
from hypothesis import settings as runs
from hypothesis import strategies as st

from guard.errors import ShareUnreadable
from guard.share.find import Entry, Found, Odd, Unreadable, find
from guard.share.layout import Layout, LayoutFault, stamp_moment, stamp_time, stem
from tests.plant import Plant

BERLIN = ZoneInfo("Europe/Berlin")
NOBODY = 65534
"""The user without rights, by custom."""
ARMS = ("arm-07", "arm-7", "arm-09", "A", "A-B", "zelle.3", "Süd_2")


def place(root: Path, path: str) -> None:
    """Put a set there: an archive where the name says so, else a folder."""
    where = root / path
    if stem(path.rpartition("/")[2]) is None:
        where.mkdir(parents=True)
    else:
        where.parent.mkdir(parents=True, exist_ok=True)
        where.touch()


def entries(root: Path, *layouts: str, arms: tuple[str, ...] = ARMS, only: str | None = None) -> list[Entry]:
    return list(find(str(root), tuple(map(Layout, layouts)), arms, only))


AT_0510 = datetime(2026, 11, 1, 5, 10)
MIDNIGHT = datetime(2026, 11, 1)


@pytest.mark.parametrize(
    ("layout", "path", "expected"),
    [
        ("{arm}/{taken:%Y-%m-%d_%H%M}", "arm-07/2026-11-01_0510", ("arm-07", AT_0510)),
        ("{arm}/{taken:%Y-%m-%d_%H%M}", "arm-07/2026-11-01_0510.zip", ("arm-07", AT_0510)),
        ("{arm}/{taken:%Y-%m-%d_%H%M}", "arm-07/2026-11-01_0510.TAR.GZ", ("arm-07", AT_0510)),
        ("{arm}/{taken:%Y-%m-%d_%H%M}", "arm-07/2026-11-01_0510.rar", None),
        ("{arm}/{taken:%Y-%m-%d_%H%M}", "arm-07/2026-11-01_0510_copy", None),
        ("{arm}/{taken:%Y-%m-%d_%H%M}", "arm-07/2026-11-01_510", None),
        ("{arm}/{taken:%Y-%m-%d_%H%M}", "arm-07/٢٠٢٦-11-01_0510", None),
        ("{arm}/{taken:%Y-%m-%d_%H%M}", "ARM-07/2026-11-01_0510", None),
        ("{arm}/{taken:%Y-%m-%d_%H%M}", "arm-08/2026-11-01_0510", None),
        ("{arm}/{any}", "Süd_2/last week", ("Süd_2", None)),
        ("{arm}", "zelle.3", ("zelle.3", None)),
        ("{arm}", "zelle.3.zip", ("zelle.3", None)),
        ("{arm}", "zelleX3", None),
        ("{taken:%Y%m%d}/{arm}", "20261101/arm-7.tgz", ("arm-7", MIDNIGHT)),
        ("{taken:%Y%m%d}/{arm}", "20261101/arm-7", ("arm-7", MIDNIGHT)),
        ("{taken:%Y}/{taken:%m-%d}/{arm}", "2026/11-01/arm-09", ("arm-09", MIDNIGHT)),
        ("{area}/{arm}/{taken:%y%m%d}", "finishing/A/261101", ("A", MIDNIGHT)),
        ("{area}/{arm}/{taken:%y%m%d}", "A/A-B/261101", ("A-B", MIDNIGHT)),
        ("backups/{arm}_{taken:%d.%m.%Y}", "backups/A_01.11.2026", ("A", MIDNIGHT)),
        ("backups/{arm}_{taken:%d.%m.%Y}", "backup/A_01.11.2026", None),
        ("{arm}{taken:%Y%m%d}", "arm-0720261101", ("arm-07", MIDNIGHT)),
        ("{arm}_{taken:%Y-%j}", "A_2026-305", ("A", MIDNIGHT)),
        ("{arm}/{arm}_{taken:%Y%m%d}", "A/A_20261101", ("A", MIDNIGHT)),
        ("{arm}/{arm}_{taken:%Y%m%d}", "A/A-B_20261101", None),
        ("{arm}/{arm}-{any}", "A/A-B-full", ("A", None)),
        ("{arm}+{arm}", "arm-07+arm-07", ("arm-07", None)),
        ("{arm}+{arm}", "arm-07+arm-09", None),
        ("{arm}/{taken:%Y-%m-%dT%H%M%S%z}", "A/2026-11-01T051000+0100", ("A", AT_0510.replace(tzinfo=timezone(timedelta(hours=1))))),
        ("{arm}/{taken:%Y-%m-%dT%H%M%S%z}", "A/2026-11-01T051000Z", ("A", AT_0510.replace(tzinfo=UTC))),
        ("{arm}/{taken:%Y-%m-%dT%H%M%S%z}", "A/2026-11-01T051000-0330", ("A", AT_0510.replace(tzinfo=timezone(timedelta(hours=-3.5))))),
        ("{arm}/{taken:%Y}", "A/2026", ("A", None)),
        ("{arm}/{taken:%H%M}", "A/0510", ("A", None)),
        ("[{arm}] (x.y)/{any}", "[A] (x.y)/1", ("A", None)),
        ("[{arm}] (x.y)/{any}", "[A] (xzy)/1", None),
    ],
)  # fmt: skip
def test_what_a_path_stands_for(
    tmp_path: Path, layout: str, path: str, expected: tuple[str, datetime | None] | None
) -> None:
    place(tmp_path, path)

    found = entries(tmp_path, layout)

    sets = [(entry.path, entry.arm, entry.stamp) for entry in found if isinstance(entry, Found)]
    assert sets == ([] if expected is None else [(path, *expected)])
    if expected is None:
        assert [type(entry) for entry in found] == [Odd]


@pytest.mark.parametrize(
    ("layout", "path"),
    [
        pytest.param("{arm}/{taken:%Y-%m-%d}", "A/2026-02-29", id="no-leap-year"),
        pytest.param("{arm}/{taken:%Y-%m-%d}", "A/2026-13-01", id="month-13"),
        pytest.param("{arm}/{taken:%Y-%m-%d}", "A/0000-01-01", id="year-0"),
        pytest.param("{arm}/{taken:%Y-%m-%d_%H%M}", "A/2026-11-01_2400", id="hour-24"),
        pytest.param("{arm}/{taken:%Y%m%d%H%M%S}", "A/20261101051060", id="second-60"),
        pytest.param("{arm}/{taken:%Y-%j}", "A/2026-366", id="day-366"),
        pytest.param("{arm}/{taken:%Y-%j}", "A/2026-000", id="day-0"),
        pytest.param("{arm}/{taken:%Y-%m-%d%z}", "A/2026-11-01+2400", id="offset-of-a-day"),
        pytest.param("{arm}/{taken:%Y}/{taken:%Y-%m-%d}", "A/2025/2026-11-01", id="two-years-at-once"),
    ],
)
def test_a_date_that_does_not_exist_is_odd(tmp_path: Path, layout: str, path: str) -> None:
    place(tmp_path, path)

    assert entries(tmp_path, layout) == [Odd(path, "A", "the date in its name does not exist")]


@pytest.mark.parametrize(
    "layouts",
    [
        ("{arm}_{any}", "{any}_{arm}"),
        ("{any}_{arm}", "{arm}_{any}"),
    ],
)
def test_a_set_that_two_layouts_give_to_two_arms_is_none_s(tmp_path: Path, layouts: tuple[str, ...]) -> None:
    place(tmp_path, "arm-07_arm-09")
    place(tmp_path, "arm-07_monday")
    untold = "its name does not tell which arm it belongs to"
    assert entries(tmp_path, *layouts) == [
        Odd("arm-07_arm-09", None, untold),
        Found("arm-07_monday", "arm-07", "folder", None),
    ]
    assert entries(tmp_path, *layouts, only="arm-09") == []


@pytest.mark.parametrize("order", [1, -1])
@pytest.mark.parametrize(
    ("name", "stamp"),
    [("030426", datetime(2003, 4, 26)), ("261103", datetime(2003, 11, 26)), ("311226", datetime(2026, 12, 31))],
)
def test_of_two_readings_of_a_date_the_earlier_one_counts(
    tmp_path: Path, order: int, name: str, stamp: datetime
) -> None:
    """As where names once began with the day and now begin with the year."""
    place(tmp_path, f"A/{name}")
    layouts = ("{arm}/{taken:%y%m%d}", "{arm}/{taken:%d%m%y}", "{arm}/{any}")
    assert entries(tmp_path, *layouts[::order]) == [Found(f"A/{name}", "A", "folder", stamp)]


@pytest.mark.parametrize(
    ("layout", "wrong"),
    [
        pytest.param("", "'' is no path of names", id="empty"),
        pytest.param("/{arm}", "'/{arm}' is no path of names", id="from-the-root"),
        pytest.param("{arm}//{any}", "'{arm}//{any}' is no path of names", id="empty-name"),
        pytest.param("../{arm}", "'../{arm}' is no path of names", id="leaves-the-share"),
        pytest.param("{arm}\\{any}", "'{arm}\\\\{any}' is no path of names", id="backslash"),
        pytest.param("{taken:%Y%m%d}", "'{taken:%Y%m%d}' cannot tell arms apart", id="without-arm"),
        pytest.param("{area}/{any}", "'{area}/{any}' cannot tell arms apart", id="area-alone"),
        pytest.param("{arm}{any}", "{arm}{any} in '{arm}{any}' cannot tell arms apart", id="arm-against-any"),
        pytest.param("{area}{arm}/x", "{area}{arm} in '{area}{arm}/x' cannot tell arms apart", id="area-against-arm"),
        pytest.param("{arm}/{robot}", "'{arm}/{robot}' has the unknown field {robot}", id="unknown-field"),
        pytest.param("{arm}/{any", "'{arm}/{any' has a brace that belongs to no field", id="open-brace"),
        pytest.param("{arm}/{}", "'{arm}/{}' has a brace that belongs to no field", id="empty-brace"),
        pytest.param("{arm:x}/{any}", "{arm:x} in '{arm:x}/{any}' takes no format", id="format-of-arm"),
        pytest.param("{arm}/{taken}", "{taken:} in '{arm}/{taken}' is no stamp this tool can read", id="no-format"),
        pytest.param("{arm}/{taken:%B}", "{taken:%B} in '{arm}/{taken:%B}' is no stamp this tool can read", id="month-name"),
        pytest.param("{arm}/{taken:x}", "{taken:x} in '{arm}/{taken:x}' is no stamp this tool can read", id="no-directive"),
        pytest.param("{arm}/{taken:%Y%}", "{taken:%Y%} in '{arm}/{taken:%Y%}' is no stamp this tool can read", id="percent-alone"),
        pytest.param("{arm}/{taken:%Y/%m/%d}", "{taken:%Y/%m/%d} in '{arm}/{taken:%Y/%m/%d}' goes over several folders", id="stamp-over-folders"),
    ],
)  # fmt: skip
def test_layouts_that_cannot_serve(layout: str, wrong: str) -> None:
    with pytest.raises(LayoutFault, match=f"^{re.escape(wrong)}$") as refusal:
        Layout(layout)

    assert refusal.value.right


class TestStampMoments:
    """A stamp is local time in the plant's zone; where that can be two instants it is the earlier one."""

    @pytest.mark.parametrize(
        ("local", "zone", "instant"),
        [
            pytest.param("2026-11-25 08:00", "Europe/Berlin", "2026-11-25T07:00", id="plain"),
            pytest.param("2026-03-29 01:59", "Europe/Berlin", "2026-03-29T00:59", id="before-the-gap"),
            pytest.param("2026-03-29 02:30", "Europe/Berlin", "2026-03-29T00:30", id="in-the-gap"),
            pytest.param("2026-03-29 03:00", "Europe/Berlin", "2026-03-29T01:00", id="after-the-gap"),
            pytest.param("2026-10-25 02:30", "Europe/Berlin", "2026-10-25T00:30", id="in-the-overlap"),
            pytest.param("2026-10-25 03:00", "Europe/Berlin", "2026-10-25T02:00", id="after-the-overlap"),
            pytest.param("2026-03-08 02:30", "America/New_York", "2026-03-08T06:30", id="in-the-gap-new-york"),
            pytest.param("2026-11-01 01:30", "America/New_York", "2026-11-01T05:30", id="in-the-overlap-new-york"),
            pytest.param("2026-11-01 05:10", "Asia/Kathmandu", "2026-10-31T23:25", id="quarter-hours"),
        ],
    )
    def test_local_ones(self, local: str, zone: str, instant: str) -> None:
        moment = stamp_moment(datetime.fromisoformat(local), ZoneInfo(zone))

        assert moment == datetime.fromisoformat(f"{instant}+00:00")

    def test_an_offset_in_the_name_outweighs_the_zone(self) -> None:
        digits = (("Y", "2026"), ("m", "10"), ("d", "25"), ("H", "02"), ("M", "30"), ("z", "+0100"))
        time = stamp_time(digits)

        assert time is not None
        assert stamp_moment(time, BERLIN) == datetime(2026, 10, 25, 1, 30, tzinfo=UTC)

    @pytest.mark.parametrize("local", [datetime(1, 1, 1), datetime(9999, 12, 31, 23, 59)])
    def test_the_ends_of_the_calendar(self, local: datetime) -> None:
        for hours in (-12, 12):
            moment = stamp_moment(local, timezone(timedelta(hours=hours)))
            assert moment is None or abs(moment.replace(tzinfo=None) - local) == timedelta(hours=12)

    @given(st.lists(st.tuples(st.sampled_from("YymdjHMSz"), st.integers(0, 9999)), max_size=8))
    def test_any_digits_are_a_time_none_or_refused(self, digits: list[tuple[str, int]]) -> None:
        widths = {"Y": 4, "j": 3}
        stamp = tuple((d, "+0130" if d == "z" else f"{n:04}"[-widths.get(d, 2) :]) for d, n in digits)
        try:
            time = stamp_time(stamp)
        except ValueError:
            return
        assert time is None or time.year >= 1


class TestIdsBesideOtherFields:
    """Where several ids fit one name, none is believed; an answer about the wrong arm is worse than none."""

    @pytest.mark.parametrize(
        ("layout", "name", "arms", "found"),
        [
            pytest.param("{arm}-{any}", "arm-07-full", ("arm-07", "arm-09"), "arm-07", id="one-fits"),
            pytest.param("{arm}-{any}", "A-B-full", ("A", "A-B"), None, id="two-fit"),
            pytest.param("{arm}-{any}", "A-B-C", ("A", "A-B", "A-B-C"), None, id="two-fit-and-a-third-is-the-name"),
            pytest.param("{arm}-{any}", "A-B", ("A-B", "C"), None, id="the-name-is-an-id-and-does-not-fit"),
            pytest.param("{arm}-{any}", "x-full", ("A", "B"), None, id="none-fits"),
            pytest.param("{any}_{arm}", "old_A_B", ("B", "A_B"), None, id="from-the-right"),
            pytest.param("{any}_{arm}", "old_B", ("B", "A_B"), "B", id="one-from-the-right"),
            pytest.param("{area} {arm} {any}", "hall A B", ("A", "B"), "A", id="between-two"),
            pytest.param("{area} {arm} {any}", "a A B C", ("A", "B"), None, id="between-two-either"),
        ],
    )
    def test_flat_names(self, tmp_path: Path, layout: str, name: str, arms: tuple[str, ...], found: str | None) -> None:
        place(tmp_path, f"{name}.zip")
        place(tmp_path, f"{name}.tar")

        told = entries(tmp_path, layout, arms=arms)

        if found is None:
            assert {(type(entry), entry.arm) for entry in told} == {(Odd, None)}
        else:
            assert {(type(entry), entry.arm) for entry in told} == {(Found, found)}
        assert len(told) == 2

    def test_the_reason_is_told(self, tmp_path: Path) -> None:
        place(tmp_path, "A-B-full")

        assert entries(tmp_path, "{arm}-{any}") == [
            Odd("A-B-full", None, "its name does not tell which arm it belongs to")
        ]

    def test_a_thousand_arms_take_no_longer_than_their_names(self, tmp_path: Path) -> None:
        arms = tuple(f"arm-{number:04}" for number in range(1000))
        for arm in arms:
            place(tmp_path, f"{arm}-full.zip")

        assert [entry.arm for entry in entries(tmp_path, "{arm}-{any}", arms=arms)] == list(arms)


class TestOnDisk:
    LAYOUT = "{arm}/{taken:%Y-%m-%d_%H%M}"

    def test_order_and_form(self, tmp_path: Path) -> None:
        for path in ("arm-09/2026-11-01_0510.zip", "arm-07/2026-11-02_0510", "arm-07/2026-11-01_0510"):
            place(tmp_path, path)

        assert entries(tmp_path, self.LAYOUT) == [
            Found("arm-07/2026-11-01_0510", "arm-07", "folder", AT_0510),
            Found("arm-07/2026-11-02_0510", "arm-07", "folder", AT_0510 + timedelta(days=1)),
            Found("arm-09/2026-11-01_0510.zip", "arm-09", "archive", AT_0510),
        ]

    def test_links_are_not_followed(self, tmp_path: Path) -> None:
        root, outside = tmp_path / "share", tmp_path / "outside"
        place(outside, "2026-11-01_0510")
        place(root, "arm-07/2026-11-02_0510")
        (root / "arm-09").symlink_to(outside, target_is_directory=True)
        (root / "arm-07" / "2026-11-01_0510").symlink_to(outside / "2026-11-01_0510", target_is_directory=True)
        (root / "arm-07" / "2026-11-03_0510.zip").symlink_to("nowhere")
        why = "this is a link or a device, which is not followed"

        assert entries(root, self.LAYOUT) == [
            Odd("arm-07/2026-11-01_0510", "arm-07", why),
            Found("arm-07/2026-11-02_0510", "arm-07", "folder", AT_0510 + timedelta(days=1)),
            Odd("arm-07/2026-11-03_0510.zip", "arm-07", why),
            Odd("arm-09", None, why),
        ]

    @pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="this system has no named pipes")
    def test_devices_are_not_opened(self, tmp_path: Path) -> None:
        (tmp_path / "arm-07").mkdir()
        os.mkfifo(tmp_path / "arm-07" / "2026-11-01_0510.zip")

        assert entries(tmp_path, self.LAYOUT) == [
            Odd("arm-07/2026-11-01_0510.zip", "arm-07", "this is a link or a device, which is not followed")
        ]

    def test_odd_entries_and_what_is_no_entry(self, tmp_path: Path) -> None:
        for path in (
            "arm-08/2026-11-01_0510", "arm-07/old", "arm-07/notes.txt", "arm-07/Thumbs.db", "loose.zip", ".DS_Store",
            ".guard-share", ".guard", "arm-09",
        ):  # fmt: skip
            where = tmp_path / path
            if where.suffix or path == ".DS_Store":
                where.parent.mkdir(parents=True, exist_ok=True)
                where.touch()
            else:
                where.mkdir(parents=True)
        (tmp_path / "arm-7").touch()

        assert entries(tmp_path, self.LAYOUT) == [
            Odd("arm-07/notes.txt", "arm-07", "this file fits no layout"),
            Odd("arm-07/old", "arm-07", "this folder fits no layout"),
            Odd("arm-08", None, "no arm called arm-08 is configured"),
            Odd("arm-7", None, "this file fits no layout"),
            Odd("loose.zip", None, "this file fits no layout"),
        ]

    def test_what_is_odd_in_an_arm_s_folder_is_told_of_that_arm_whatever_another_layout_allows(
        self, tmp_path: Path
    ) -> None:
        """`guard ask` looks for one arm's entries alone: what is told of no arm is not seen there."""
        layouts = ["{arm}/{taken:%Y-%m-%d_%H%M}", "{any}/{arm}/{taken:%Y%m%d}"]
        for path in ("arm-07/notes.txt", "hall/notes.txt"):
            (tmp_path / path).parent.mkdir()
            (tmp_path / path).touch()
        theirs = Odd("arm-07/notes.txt", "arm-07", "this file fits no layout")
        nobodys = Odd("hall/notes.txt", None, "this file fits no layout")

        assert entries(tmp_path, *layouts) == [theirs, nobodys]
        assert entries(tmp_path, *layouts, only="arm-07") == [theirs]

    def test_our_own_prefix_counts_at_the_top_alone(self, tmp_path: Path) -> None:
        place(tmp_path, "arm-07/.guard-odd")

        assert entries(tmp_path, self.LAYOUT) == [Odd("arm-07/.guard-odd", "arm-07", "this folder fits no layout")]

    @pytest.mark.skipif(sys.platform != "linux", reason="only there may a name hold any byte")
    def test_names_of_any_bytes(self, tmp_path: Path) -> None:
        os.makedirs(os.path.join(os.fsencode(tmp_path), b"arm-07", b"\xff\n"))

        assert entries(tmp_path, "{arm}/{any}") == [Found("arm-07/\udcff\n", "arm-07", "folder", None)]

    def test_a_share_that_is_not_there(self, tmp_path: Path) -> None:
        with pytest.raises(ShareUnreadable):
            entries(tmp_path / "nowhere", self.LAYOUT)

    def test_a_share_that_is_a_file(self, tmp_path: Path) -> None:
        (tmp_path / "share").touch()

        with pytest.raises(ShareUnreadable):
            entries(tmp_path / "share", self.LAYOUT)

    @pytest.mark.parametrize("order", [1, -1])
    def test_a_time_that_any_layout_reads_counts(self, tmp_path: Path, order: int) -> None:
        place(tmp_path, "arm-07/20261101")

        layouts = ("{arm}/{taken:%Y%m%d}", "{arm}/{any}")
        assert entries(tmp_path, *layouts[::order]) == [Found("arm-07/20261101", "arm-07", "folder", MIDNIGHT)]

    def test_the_first_layout_that_fits_decides_how_deep_it_goes(self, tmp_path: Path) -> None:
        place(tmp_path, "arm-07/arm-09/x")

        assert entries(tmp_path, "{area}/{arm}/{any}", "{arm}/{any}") == [
            Found("arm-07/arm-09/x", "arm-09", "folder", None)
        ]
        assert entries(tmp_path, "{arm}/{any}", "{area}/{arm}/{any}") == [
            Found("arm-07/arm-09", "arm-07", "folder", None)
        ]


class TestUnreadable:
    """A folder that cannot be listed is neither there nor gone."""

    @pytest.fixture
    def share(self) -> Iterator[Path]:
        """A share in which arm-07's folder may not be read, seen by a user who is not the superuser."""
        if not hasattr(os, "seteuid"):
            pytest.skip("this system has no user ids")
        with tempfile.TemporaryDirectory() as folder:
            root = Path(folder)
            place(root, "arm-07/2026-11-01")
            place(root, "arm-09/2026-11-01")
            root.chmod(0o755)
            (root / "arm-07").chmod(0)
            before = os.geteuid()
            os.seteuid(before or NOBODY)
            try:
                yield root
            finally:
                os.seteuid(before)
                (root / "arm-07").chmod(0o755)

    def test_one_arms_folder(self, share: Path) -> None:
        layout = "{arm}/{taken:%Y-%m-%d}"
        unreadable = Unreadable("arm-07", "arm-07", "Permission denied")
        there = Found("arm-09/2026-11-01", "arm-09", "folder", MIDNIGHT)

        assert entries(share, layout) == [unreadable, there]
        assert entries(share, layout, only="arm-07") == [unreadable]
        assert entries(share, layout, only="arm-09") == [there]

    @pytest.mark.parametrize("only", [None, "arm-07", "A"])
    def test_a_folder_of_several_arms_counts_for_each(self, share: Path, only: str | None) -> None:
        """Here arm-07 is the name of an area, and any arm may be in it."""
        assert Unreadable("arm-07", None, "Permission denied") in entries(share, "{area}/{arm}/{any}", only=only)

    def test_the_share_itself(self, share: Path) -> None:
        with pytest.raises(ShareUnreadable, match="cannot be read: Permission denied"):
            entries(share / "arm-07", "{arm}")


NAMES = st.sampled_from(
    [
        "arm-07",
        "A",
        "A-B",
        "A-B-C",
        "A_20261101",
        "A-B_20261101",
        "A-full",
        "A-B-full",
        "20261101",
        "20261301",
        "x",
        "old",
    ]
)
LEAVES = st.sampled_from(["", ".zip", ".tar.gz", ".txt"])
TREES = st.lists(st.tuples(st.lists(NAMES, min_size=1, max_size=3), LEAVES), max_size=12)
LAYOUTS = [
    pytest.param(["{arm}/{taken:%Y%m%d}"], id="arm-first"),
    pytest.param(["{taken:%Y%m%d}/{arm}"], id="date-first"),
    pytest.param(["{area}/{arm}/{any}"], id="area-level"),
    pytest.param(["{arm}_{taken:%Y%m%d}"], id="flat-archives"),
    pytest.param(["{arm}-{any}"], id="flat-and-ambiguous"),
    pytest.param(["{arm}/{arm}_{taken:%Y%m%d}"], id="arm-twice"),
    pytest.param(["{arm}/{arm}-{any}"], id="arm-twice-beside-any"),
    pytest.param(["{arm}/{any}", "{area}/{arm}/{any}"], id="two-depths"),
    pytest.param(["{area}/{arm}/{any}", "{arm}/{any}"], id="two-depths-turned"),
    pytest.param(["{arm}", "{arm}/{taken:%Y%m%d}", "{any}/{arm}"], id="three"),
]


@pytest.mark.parametrize("layouts", LAYOUTS)
@runs(max_examples=30, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(tree=TREES, arm=st.sampled_from(["arm-07", "A", "A-B", "A-B-C"]))
@example(tree=[(["A", "A-B", "x"], ""), (["A-B", "A", "old"], ".zip")], arm="A-B")
def test_a_look_for_one_arm_finds_just_what_a_full_look_finds_of_it(
    tmp_path_factory: pytest.TempPathFactory, layouts: list[str], tree: list[tuple[list[str], str]], arm: str
) -> None:
    root = tmp_path_factory.mktemp("share")
    for names, suffix in tree:
        where = root.joinpath(*names[:-1], names[-1] + suffix)
        if all(not parent.is_file() for parent in where.parents) and not where.exists():
            place(root, str(where.relative_to(root)))
            if suffix == ".txt":
                where.rmdir()
                where.touch()
    arms = ("arm-07", "A", "A-B", "A-B-C")

    full = entries(root, *layouts, arms=arms)

    assert entries(root, *layouts, arms=arms, only=arm) == [entry for entry in full if entry.arm == arm]
    assert len({entry.path for entry in full}) == len(full)


def test_a_look_at_one_arm_takes_over_what_was_another_s_by_the_layouts_before(plant: Plant) -> None:
    plant.configure(share='layout = ["{arm}_{any}"]')
    (plant.share / plant.save("arm-07", name="x")).rename(plant.share / "arm-07_arm-09")
    plant.ready()
    plant.configure(share='layout = ["{any}_{arm}"]')
    assert "1 newly sealed" in plant.look("--arm", "arm-09").out
    assert plant.ask("arm-07").codes >= {"no-backup"}
    assert [each["path"] for each in plant.sets("arm-09")] == ["arm-07_arm-09"]
    assert plant.sets("arm-07") == []
