"""Hostile and broken archives: what cannot be read to a verified end is never complete, and nothing is ever unpacked."""

from __future__ import annotations

import gzip
import io
import os
import struct
import tarfile
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime
from pathlib import Path

import pytest

from guard.plant import ArchiveLimits, Checks, PartRule, Recipe
from guard.share.archive import HEADER_BYTES
from tests.archives import BLOCK, FILES, NOISE, WHOLE, put, tar_header, tarred, zipped
from tests.plant import Plant, content, touch
from tests.reading import LIMITS, faults, odd, paths, sealed
from tests.test_archives_broken import DIRECTORY, STORED, TAR, changed

pytestmark = pytest.mark.usefixtures("nothing_written")


@pytest.mark.parametrize("suffix", WHOLE)
def test_a_whole_archive_is_complete(suffix: str, tmp_path: Path) -> None:
    found = sealed(put(tmp_path, suffix, WHOLE[suffix]))

    assert (found.complete, {file.path: file.size for file in found.files}) == (
        True,
        {path: len(data) for path, data in FILES.items()},
    )


def with_pax(**headers: str) -> bytes:
    """A tar of one member with extended headers of these keys."""
    info = tar_header("memory.bin", 3)
    info.pax_headers = headers
    made = io.BytesIO()
    with tarfile.open(fileobj=made, mode="w", format=tarfile.PAX_FORMAT) as archive:
        archive.addfile(info, io.BytesIO(b"abc"))
    return made.getvalue()


class TestNames:
    """A name is data. One that would leave the set is told and left out; of two alike neither is believed."""

    @pytest.mark.parametrize("suffix", [".tar", ".zip"])
    @pytest.mark.parametrize(
        "name",
        [
            pytest.param("../evil.txt", id="above"),
            pytest.param("programs/../../evil.txt", id="above-on-a-detour"),
            pytest.param("programs/..", id="ends-above"),
            pytest.param("./../evil.txt", id="above-after-here"),
            pytest.param("/etc/evil.txt", id="absolute"),
            pytest.param(".//etc/evil.txt", id="absolute-after-here"),
            pytest.param("C:/evil.txt", id="drive-letter"),
            pytest.param("c:evil.txt", id="drive-letter-alone"),
            pytest.param("programs//evil.txt", id="empty-name"),
            pytest.param("programs/./evil.txt", id="here-within"),
        ],
    )
    def test_a_name_that_leaves_the_set(self, name: str, suffix: str, tmp_path: Path) -> None:
        members = [*FILES.items(), (name, b"evil")]
        data = tarred(*members) if suffix == ".tar" else zipped(*members)

        found = sealed(put(tmp_path, suffix, data))

        assert (paths(found), odd(found)) == (sorted(FILES), [f"{name} is a name that leaves the set"])
        assert found.fingerprint == sealed(put(tmp_path, suffix, WHOLE[suffix])).fingerprint

    @pytest.mark.parametrize(
        ("suffix", "data"),
        [
            pytest.param(".tar", tarred(("a", b"1"), ("b", b""), ("a", b"2")), id="tar"),
            pytest.param(".tar", tarred(("a", b"1"), ("./a", b"1")), id="tar-spelled-otherwise"),
            pytest.param(".tar", tarred(("a", b"1"), tar_header("a", 0, tarfile.SYMTYPE, "b")), id="tar-file-and-link"),
            pytest.param(".tar", tarred(tar_header("a", 0, tarfile.SYMTYPE, "b"), ("a", b"1")), id="tar-link-and-file"),
            pytest.param(
                ".tar", tarred(("a", b"1"), tar_header("a", 0, tarfile.LNKTYPE, "a")), id="tar-link-to-itself"
            ),
            pytest.param(".zip", zipped(("a", b"1"), ("./a", b"1")), id="zip-spelled-otherwise"),
            pytest.param(".zip", zipped(("a", b"1"), ("b", b"2")).replace(b"b", b"a"), id="zip"),
        ],
    )
    def test_a_name_that_stands_twice(self, suffix: str, data: bytes, tmp_path: Path) -> None:
        found = sealed(put(tmp_path, suffix, data))

        assert faults(found) == ["the archive cannot be read: it names a twice"]

    @pytest.mark.parametrize(
        ("kind", "why"),
        [
            pytest.param(tarfile.SYMTYPE, "is a link, which is not followed", id="symbolic-link"),
            pytest.param(tarfile.CHRTYPE, "is a device", id="character-device"),
            pytest.param(tarfile.BLKTYPE, "is a device", id="block-device"),
            pytest.param(tarfile.FIFOTYPE, "is a device", id="pipe"),
            pytest.param(b"Z", "is a device", id="kind-that-nobody-knows"),
        ],
    )
    def test_a_member_that_is_no_file(self, kind: bytes, why: str, tmp_path: Path) -> None:
        members = [*FILES.items(), tar_header("memory.bin", 0, kind, "axis-zero.csv")]

        found = sealed(put(tmp_path, ".tar", tarred(*members)))

        assert (paths(found), odd(found)) == (sorted(FILES), [f"memory.bin {why}"])

    def test_a_link_in_a_zip(self, tmp_path: Path) -> None:
        link = zipfile.ZipInfo("memory.bin")
        link.external_attr = 0o120777 << 16

        found = sealed(put(tmp_path, ".zip", zipped(*FILES.items(), (link, b"axis-zero.csv"))))

        assert (paths(found), odd(found)) == (sorted(FILES), ["memory.bin is a link, which is not followed"])

    def test_a_hard_link_is_the_file_it_repeats(self, tmp_path: Path) -> None:
        link = tar_header("copy.csv", 0, tarfile.LNKTYPE, "./axis-zero.csv")

        found = sealed(put(tmp_path, ".tar", tarred(*FILES.items(), link)))

        content_of = {file.path: (file.size, file.sha256, file.blake3) for file in found.files}
        assert (found.complete, content_of["copy.csv"]) == (True, content_of["axis-zero.csv"])

    @pytest.mark.parametrize(
        ("name", "found"),
        [
            pytest.param("axis-zero.csv", [], id="seen-by-the-same-checks"),
            pytest.param(
                "memory.bin",
                ["image: memory.bin repeats axis-zero-1.csv, which the checks of this part did not see"],
                id="not-seen-by-them",
            ),
        ],
    )
    def test_a_hard_link_is_as_sound_as_the_file(self, name: str, found: list[str], tmp_path: Path) -> None:
        parts = (
            PartRule("axis-zero", ("axis-zero*.csv",), 1, Checks(min_bytes=3)),
            PartRule("image", ("memory.bin",), 0, Checks(min_bytes=3)),
        )
        recipe = Recipe("checked", parts)
        link = tar_header(name, 0, tarfile.LNKTYPE, "axis-zero-1.csv")

        assert faults(sealed(put(tmp_path, ".tar", tarred(("axis-zero-1.csv", b"1,10452"), link)), recipe)) == found

    @pytest.mark.parametrize(
        "target",
        [
            pytest.param("later.csv", id="that-comes-later"),
            pytest.param("nowhere.csv", id="that-is-not-there"),
            pytest.param("../axis-zero.csv", id="above"),
            pytest.param("/etc/passwd", id="outside"),
        ],
    )
    def test_a_hard_link_to_a_file(self, target: str, tmp_path: Path) -> None:
        link = tar_header("copy.csv", 0, tarfile.LNKTYPE, target)

        found = sealed(put(tmp_path, ".tar", tarred(*FILES.items(), link, ("later.csv", b""))))

        assert faults(found) == [
            f"the archive cannot be read: copy.csv repeats {target}, which does not stand before it"
        ]

    def test_a_name_that_is_no_utf_8_keeps_its_bytes(self, tmp_path: Path) -> None:
        """Where a zip does not say that a name is UTF-8, its bytes are what they are."""
        data = zipped(("gr__e.txt", b"x")).replace(b"gr__e", b"gr\xfc\xdfe")

        (path,) = paths(sealed(put(tmp_path, ".zip", data)))

        assert os.fsencode(path) == b"gr\xfc\xdfe.txt"


class TestBombs:
    """An archive is refused once it turns out too much: too many members, too much content, too much of it from too little."""

    @pytest.mark.parametrize("suffix", [".zip", ".tgz"])
    def test_one_that_expands_a_thousandfold(self, suffix: str, tmp_path: Path) -> None:
        zeros = ("memory.bin", bytes(8 << 20))
        data = zipped(zeros) if suffix == ".zip" else gzip.compress(tarred(zeros))

        found = sealed(put(tmp_path, suffix, data))

        assert faults(found) == [
            "the archive cannot be read: it expands more than 200 times (limits.archive-expansion)"
        ]

    def test_one_that_hides_its_size_in_a_hole(self, tmp_path: Path) -> None:
        """A sparse member may claim any size without a byte of content."""
        info = with_pax(**{"GNU.sparse.size": str(1 << 50), "GNU.sparse.map": f"{1 << 49},3"})

        found = sealed(put(tmp_path, ".tar", info))

        assert len(faults(found)) == 1
        assert "expands" in faults(found)[0]

    def test_one_that_hides_behind_a_name_that_is_left_out(self, tmp_path: Path) -> None:
        odd_one = tarred(("../evil.txt", bytes(8 << 20)))

        found = sealed(put(tmp_path, ".tgz", gzip.compress(odd_one)))

        assert len(faults(found)) == 1

    def test_one_that_expands_after_its_end_mark(self, tmp_path: Path) -> None:
        found = sealed(put(tmp_path, ".tgz", gzip.compress(TAR + bytes(8 << 20))))

        assert len(faults(found)) == 1

    @pytest.mark.parametrize("suffix", [".zip", ".tar"])
    @pytest.mark.parametrize(("count", "complete"), [(9, True), (10, True), (11, False)])
    def test_too_many_members(self, suffix: str, count: int, complete: bool, tmp_path: Path) -> None:  # noqa: FBT001
        members = [(f"file {number}", b"x") for number in range(count)]
        data = zipped(*members) if suffix == ".zip" else tarred(*members)

        found = sealed(put(tmp_path, suffix, data), limits=LIMITS._replace(members=10))

        assert (found.complete, len(faults(found))) == (complete, not complete)

    @pytest.mark.parametrize(("most", "complete"), [(5003, False), (20_480, True)])
    def test_too_much_content(self, most: int, complete: bool, tmp_path: Path) -> None:  # noqa: FBT001
        assert len(TAR) == 20 * BLOCK

        found = sealed(put(tmp_path, ".tar", TAR), limits=ArchiveLimits(10, most, 200))

        assert found.complete == complete

    @pytest.mark.parametrize(
        "data",
        [
            pytest.param(with_pax(comment="x" * (HEADER_BYTES + 1)), id="pax-header"),
            pytest.param(tarred(("n" * (HEADER_BYTES + 1), b""), form=tarfile.GNU_FORMAT), id="gnu-name"),
            pytest.param(
                tarred(tar_header("l", 0, tarfile.SYMTYPE, "t" * (HEADER_BYTES + 1)), form=tarfile.GNU_FORMAT),
                id="gnu-link-target",
            ),
            pytest.param(
                with_pax(**{"GNU.sparse.major": "1", "GNU.sparse.minor": "0", "size": str(4 << 20)}).replace(
                    b"abc" + bytes(BLOCK - 3), b"%d\n" % (1 << 30) + b"0\n" * (2 << 20)
                ),
                id="sparse-map",
            ),
            pytest.param(
                b"".join(tarred(tar_header("x", 0, b"x"))[:BLOCK] for _ in range(3000)) + TAR, id="header-after-header"
            ),
        ],
    )
    def test_a_header_that_would_fill_the_memory(self, data: bytes, tmp_path: Path) -> None:
        found = sealed(put(tmp_path, ".tar", data))

        assert len(faults(found)) == 1
        assert found.files == ()


def extended_time(seconds: int) -> bytes:
    """The extra field of a zip member that tells its modification time in UTC (APPNOTE 4.5, field 0x5455)."""
    return struct.pack("<HHBi", 0x5455, 5, 1, seconds)


MOMENT = datetime(2026, 11, 25, 4, 10, 30, tzinfo=UTC)


class TestTimes:
    """A member's time is what the archive records; one that is no time counts as none, and hinders nothing."""

    @pytest.mark.parametrize(
        ("local", "extra", "newest"),
        [
            pytest.param((2026, 11, 25, 4, 10, 30), b"", MOMENT, id="local-time"),
            pytest.param((1980, 1, 1, 0, 0, 0), b"", None, id="1980-is-no-time"),
            pytest.param((1980, 1, 1, 0, 0, 0), extended_time(int(MOMENT.timestamp())), MOMENT, id="extended-time"),
            pytest.param(
                (2026, 11, 25, 5, 0, 0),
                b"\x01\x99\2\0zz" + extended_time(int(MOMENT.timestamp())),
                MOMENT,
                id="extended-time-after-another-field",
            ),
            pytest.param((2026, 11, 25, 4, 10, 30), b"\x55\x54\5\0\0" + bytes(4), MOMENT, id="extended-without-time"),
            pytest.param((2026, 11, 25, 4, 10, 30), b"\x55\x54\1\0\1", MOMENT, id="extended-too-short"),
            pytest.param((1980, 1, 1, 0, 0, 0), extended_time(-1), None, id="extended-before-1970"),
        ],
    )
    def test_zip(
        self, local: tuple[int, int, int, int, int, int], extra: bytes, newest: datetime | None, tmp_path: Path
    ) -> None:
        info = zipfile.ZipInfo("memory.bin", local)
        info.extra = extra

        found = sealed(put(tmp_path, ".zip", zipped((info, b"x"))))

        assert (found.complete, found.newest_member) == (True, newest)

    @pytest.mark.parametrize(
        "date",
        [
            pytest.param(b"\0\0\0\0", id="month-and-day-zero"),
            pytest.param(b"\xff\xff\xff\xff", id="month-15-hour-31"),
            pytest.param(struct.pack("<HH", 0, (46 << 9) | (2 << 5) | 30), id="30-february"),
            pytest.param(struct.pack("<HH", 31, (46 << 9) | (1 << 5) | 1), id="second-62"),
        ],
    )
    def test_zip_with_a_date_that_does_not_exist(self, date: bytes, tmp_path: Path) -> None:
        found = sealed(put(tmp_path, ".zip", changed(STORED, DIRECTORY + 12, date)))

        assert (found.complete, found.newest_member, [file.mtime_ns for file in found.files]) == (True, None, [None])

    @pytest.mark.parametrize(
        ("mtime", "newest"),
        [
            pytest.param(str(int(MOMENT.timestamp())), MOMENT, id="seconds"),
            pytest.param(f"{int(MOMENT.timestamp())}.5", MOMENT.replace(microsecond=500_000), id="fraction"),
            pytest.param("inf", None, id="infinite"),
            pytest.param("-inf", None, id="minus-infinite"),
            pytest.param("nan", None, id="not-a-number"),
            pytest.param("1e300", None, id="beyond-any-calendar"),
            pytest.param("99999999999999", None, id="beyond-64-bits"),
            pytest.param("-1", None, id="before-1970"),
        ],
    )
    def test_tar(self, mtime: str, newest: datetime | None, tmp_path: Path) -> None:
        found = sealed(put(tmp_path, ".tar", with_pax(mtime=mtime)))

        assert (found.complete, found.newest_member) == (True, newest)
        assert all(file.mtime_ns is None or abs(file.mtime_ns) < 1 << 63 for file in found.files)


def with_set(make: Callable[[dict[str, bytes]], bytes], suffix: str, plant: Plant) -> str:
    """A plant whose one set is such an archive, looked at and read back; returns the set's path."""
    place = plant.share / "arm-07"
    place.mkdir()
    path = f"arm-07/2026-11-20_0510{suffix}"
    (plant.share / path).write_bytes(make(content("arm-07", "x")))
    touch(place, datetime(2026, 11, 20, 4, 10, tzinfo=UTC))
    plant.init()
    plant.look()
    plant.prove()
    return path


HOSTILE_SETS = [
    pytest.param(lambda _: b"", ".zip", id="empty-zip"),
    pytest.param(lambda _: b"", ".tar", id="empty-tar"),
    pytest.param(lambda _: b"\x1f\x8b", ".tgz", id="two-bytes-of-gzip"),
    pytest.param(lambda files: zipped(*files.items())[:-1], ".zip", id="truncated-zip"),
    pytest.param(lambda files: gzip.compress(tarred(*files.items()))[:-1], ".tar.gz", id="truncated-tar-gz"),
    pytest.param(lambda files: tarred(*files.items()).rstrip(b"\0") + bytes(400), ".tar", id="tar-without-end-mark"),
    pytest.param(lambda files: tarred(*files.items(), ("axis-zero.csv", b"0,0\n" * 9)), ".tar", id="name-twice"),
    pytest.param(
        lambda files: gzip.compress(tarred(*files.items(), ("history/zeros", bytes(64 << 20)))), ".tgz", id="bomb"
    ),
    pytest.param(lambda files: tarred(*files.items()) + tarred(("history/more", b"")), ".tar", id="tar-after-another"),
    pytest.param(lambda files: tarred(*files.items(), form=tarfile.PAX_FORMAT) + NOISE, ".tar", id="noise-behind"),
    pytest.param(
        lambda files: zipped(*files.items(), method=zipfile.ZIP_LZMA).replace(b"\x14\x05", b"\x14\x04", 3)[:-30],
        ".zip",
        id="lzma",
    ),
]


class TestCommandLine:
    """Through the real command line: a hostile set is no backup, is told as such, and stops nothing else."""

    @pytest.mark.parametrize(("make", "suffix"), HOSTILE_SETS)
    def test_a_hostile_set_is_no_backup(
        self, make: Callable[[dict[str, bytes]], bytes], suffix: str, plant: Plant
    ) -> None:
        path = with_set(make, suffix, plant)

        asked = plant.ask()

        (told,) = plant.sets()
        assert (asked.code, asked.answer["verdict"], asked.answer["set"]) == (20, "hold", None)
        assert (told["path"], told["proof"], told["fingerprint"]) == (path, "settled", None)
        assert [problem["code"] for problem in told["problems"]] == ["incomplete-set"]
        assert sorted(where.name for where in plant.share.rglob("*") if where.is_file()) == sorted(
            [Path(path).name, *(where.name for where in plant.share.iterdir() if where.is_file())]
        )

    def test_odd_members_and_odd_times_are_told_and_harmless(self, plant: Plant) -> None:
        def make(files: dict[str, bytes]) -> bytes:
            late = tar_header("history/late", 0)
            late.pax_headers = {"mtime": "inf"}
            return tarred(*files.items(), ("../evil.txt", b"evil"), late)

        with_set(make, ".tar", plant)

        (told,) = plant.sets()
        assert (told["proof"], told["problems"]) == (
            "read-back",
            [{"code": "odd-entry", "message": "../evil.txt is a name that leaves the set"}],
        )
        assert not list(plant.root.rglob("evil.txt"))
