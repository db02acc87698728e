"""Hostile and broken archives: what cannot be read to a verified end is never complete, and nothing is ever unpacked."""

from __future__ import annotations

import gzip
import io
import os
import struct
import tarfile
import zipfile
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.plant import ArchiveLimits, Checks, PartRule, Recipe
from guard.share.archive import HEADER_BYTES
from tests.plant import Plant, content, touch
from tests.reading import AS_OF, LIMITS, faults, odd, paths, sealed

BLOCK = 512
"""Tar is made of blocks of this size: a header, content filled up with zeros, two blocks of zeros at the end."""

FILES = {"programs/main.txt": b"move to rest\n" * 60, "axis-zero.csv": b"1,10452\n", "empty": b""}
NOISE = os.urandom(5000)
"""Content that does not shrink, so that packed bytes are content and not tables."""


def tarred(*members: tarfile.TarInfo | tuple[str, bytes], form: int = tarfile.PAX_FORMAT) -> bytes:
    """A tar of these members; a TarInfo brings no content."""
    made = io.BytesIO()
    with tarfile.open(fileobj=made, mode="w", format=form) as archive:
        for member in members:
            if isinstance(member, tarfile.TarInfo):
                archive.addfile(member)
            else:
                archive.addfile(tar_header(member[0], len(member[1])), io.BytesIO(member[1]))
    return made.getvalue()


def tar_header(name: str, size: int = 0, kind: bytes = tarfile.REGTYPE, target: str = "") -> tarfile.TarInfo:
    """A header of a member, written on the plant's day."""
    info = tarfile.TarInfo(name)
    info.size, info.type, info.linkname, info.mtime = size, kind, target, int(AS_OF.timestamp()) - 3600
    return info


def zipped(*members: tuple[str | zipfile.ZipInfo, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """A zip of these members."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", method) as archive:
        for name, data in members:
            archive.writestr(name, data, method)
    return made.getvalue()


WHOLE = {
    ".tar": tarred(*FILES.items()),
    ".tgz": gzip.compress(tarred(*FILES.items()), mtime=0),
    ".zip": zipped(*FILES.items()),
}


def put(place: Path, suffix: str, data: bytes) -> Path:
    """An archive with these bytes."""
    where = place / f"set{suffix}"
    where.write_bytes(data)
    return where


@pytest.fixture(autouse=True)
def nothing_written(tmp_path: Path) -> Iterator[None]:
    """Reading an archive writes nothing beside it or above it."""
    before = sorted(os.listdir(tmp_path.parent))
    yield
    assert sorted(os.listdir(tmp_path.parent)) == before
    assert {where.name for where in tmp_path.iterdir()} <= {"set.tar", "set.tgz", "set.zip", "plant"}


@pytest.mark.parametrize("suffix", WHOLE)
def test_a_whole_archive_is_complete(suffix: str, tmp_path: Path) -> None:
    found = sealed(put(tmp_path, suffix, WHOLE[suffix]))

    assert (found.complete, {file.path: file.size for file in found.files}) == (
        True,
        {path: len(data) for path, data in FILES.items()},
    )


END_OF_TAR = WHOLE[".tar"].rindex(FILES["axis-zero.csv"]) // BLOCK * BLOCK + 2 * BLOCK
"""Where the last member ends: its content, then the header of the empty file."""


class TestTruncated:
    """What was cut off is not complete, wherever it was cut. Only filling after the end mark may be missing."""

    @pytest.mark.parametrize(
        ("suffix", "keep"),
        [
            pytest.param(".tar", 0, id="tar-nothing-left"),
            pytest.param(".tar", 1, id="tar-one-byte"),
            pytest.param(".tar", BLOCK - 1, id="tar-within-the-first-header"),
            pytest.param(".tar", BLOCK, id="tar-after-the-first-header"),
            pytest.param(".tar", BLOCK + 100, id="tar-within-content"),
            pytest.param(".tar", BLOCK + len(FILES["programs/main.txt"]), id="tar-within-the-filling-of-a-member"),
            pytest.param(".tar", 3 * BLOCK, id="tar-exactly-between-two-members"),
            pytest.param(".tar", 3 * BLOCK + 257, id="tar-within-the-second-header"),
            pytest.param(".tar", 5 * BLOCK, id="tar-exactly-before-the-last-member"),
            pytest.param(".tar", END_OF_TAR, id="tar-exactly-before-the-end-mark"),
            pytest.param(".tar", END_OF_TAR + BLOCK - 1, id="tar-within-the-end-mark"),
            pytest.param(".tgz", 0, id="tgz-nothing-left"),
            pytest.param(".tgz", 5, id="tgz-within-the-gzip-header"),
            pytest.param(".tgz", 10, id="tgz-after-the-gzip-header"),
            pytest.param(".tgz", len(WHOLE[".tgz"]) // 2, id="tgz-in-the-middle"),
            pytest.param(".tgz", len(WHOLE[".tgz"]) - 8, id="tgz-without-checksum-and-size"),
            pytest.param(".tgz", len(WHOLE[".tgz"]) - 4, id="tgz-without-size"),
            pytest.param(".tgz", len(WHOLE[".tgz"]) - 1, id="tgz-one-byte-short"),
            pytest.param(".zip", 0, id="zip-nothing-left"),
            pytest.param(".zip", 30, id="zip-after-the-first-header"),
            pytest.param(".zip", len(WHOLE[".zip"]) // 2, id="zip-in-the-middle"),
            pytest.param(".zip", WHOLE[".zip"].index(b"PK\1\2"), id="zip-without-its-directory"),
            pytest.param(".zip", WHOLE[".zip"].index(b"PK\5\6"), id="zip-without-its-end-record"),
            pytest.param(".zip", len(WHOLE[".zip"]) - 1, id="zip-one-byte-short"),
        ],
    )
    def test_here(self, suffix: str, keep: int, tmp_path: Path) -> None:
        found = sealed(put(tmp_path, suffix, WHOLE[suffix][:keep]))

        assert (found.complete, found.fingerprint, found.files, len(faults(found))) == (False, None, (), 1)

    def test_the_places_are_where_they_should_be(self) -> None:
        tar = WHOLE[".tar"]
        assert [tar[at : at + 5] for at in (0, 3 * BLOCK, 5 * BLOCK)] == [b"progr", b"axis-", b"empty"]
        assert END_OF_TAR == 6 * BLOCK
        assert not any(tar[END_OF_TAR:])

    @pytest.mark.parametrize("suffix", WHOLE)
    def test_anywhere(self, suffix: str, tmp_path: Path) -> None:
        """Every length that is left: complete only from the end mark on, and then with every file."""
        whole = sealed(put(tmp_path, suffix, WHOLE[suffix])).fingerprint
        ends = {".tar": END_OF_TAR + BLOCK}.get(suffix, len(WHOLE[suffix]))
        for keep in range(0, len(WHOLE[suffix]), 61 if suffix == ".tar" else 7):
            found = sealed(put(tmp_path, suffix, WHOLE[suffix][:keep])).fingerprint

            assert found == (whole if keep >= ends else None), keep

    def test_a_gzip_that_ends_with_a_member_of_its_own(self, tmp_path: Path) -> None:
        """Gzip files may follow one another. Each is whole, and the tar within is not."""
        tar = WHOLE[".tar"]
        pieces = [gzip.compress(tar[: 3 * BLOCK]), gzip.compress(tar[3 * BLOCK :])]

        assert sealed(put(tmp_path, ".tgz", b"".join(pieces))).complete
        assert not sealed(put(tmp_path, ".tgz", pieces[0])).complete

    def test_a_zip_whose_rest_ends_with_a_zip_that_lay_in_it(self, tmp_path: Path) -> None:
        """The end record of an older backup within a backup is not the end of the backup."""
        older = zipped(*FILES.items())
        data = zipped(("notes.txt", NOISE), ("older.zip", older), ("memory.bin", NOISE), method=zipfile.ZIP_STORED)
        end = data.index(older) + len(older)

        found = sealed(put(tmp_path, ".zip", data[:end]))

        assert sealed(put(tmp_path, ".zip", data)).complete
        assert faults(found) == ["the archive cannot be read: it does not begin with its first member"]


def changed(data: bytes, at: int, to: bytes) -> bytes:
    """The bytes with some of them replaced."""
    return data[:at] + to + data[at + len(to) :]


def flipped(data: bytes, at: int) -> bytes:
    """The bytes with one bit flipped."""
    return changed(data, at, bytes([data[at] ^ 1]))


def with_checksum(tar: bytes, at: int = 0) -> bytes:
    """A tar whose header there has a right checksum again."""
    header = changed(tar[at : at + BLOCK], 148, b" " * 8)
    return changed(tar, at + 148, b"%06o\0 " % sum(header))


STORED = zipped(("memory.bin", NOISE), method=zipfile.ZIP_STORED)
DIRECTORY = STORED.index(b"PK\1\2")
TAR = tarred(("memory.bin", NOISE), ("axis-zero.csv", b"1,2\n"))
SECOND = BLOCK + 10 * BLOCK


def lying_zip(size: int, local: int) -> bytes:
    """A stored zip whose directory tells another size of the member, before and after packing."""
    told = struct.pack("<II", local, size)
    return changed(STORED, DIRECTORY + 20, told)


def deflated_and_larger() -> bytes:
    """A zip whose member unpacks to its end, with the right checksum, and is shorter than told."""
    data = zipped(("memory.bin", NOISE))
    return changed(data, data.index(b"PK\1\2") + 24, struct.pack("<I", len(NOISE) + 1))


def lying_tar(field: bytes) -> bytes:
    """A tar whose first header tells another size."""
    return with_checksum(changed(TAR, 124, field))


def nameless(data: bytes) -> bytes:
    """A zip of one empty member with a name of one letter, without that name."""
    at = data.index(b"PK\1\2")
    local, directory, end = data[:at], data[at : data.index(b"PK\5\6")], data[data.index(b"PK\5\6") :]
    local = changed(local, 26, b"\0")[:30] + local[31:]
    directory = changed(directory, 28, b"\0")[:46] + directory[47:]
    return local + directory + changed(end, 12, struct.pack("<II", len(directory), len(local)))


BROKEN = [
    pytest.param(".zip", flipped(STORED, 1000), id="zip-content-differs-from-its-crc"),
    pytest.param(".zip", flipped(STORED, DIRECTORY + 16), id="zip-crc-differs"),
    pytest.param(".zip", lying_zip(5000, 4999), id="zip-packed-size-too-small"),
    pytest.param(".zip", lying_zip(4999, 5000), id="zip-size-one-too-small"),
    pytest.param(".zip", lying_zip(5001, 5001), id="zip-size-one-too-large"),
    pytest.param(".zip", lying_zip(0, 0), id="zip-size-zero"),
    pytest.param(".zip", lying_zip(0xFFFFFFFE, 0xFFFFFFFE), id="zip-size-of-4-gib"),
    pytest.param(".zip", deflated_and_larger(), id="zip-size-larger-than-what-unpacks-with-a-right-crc"),
    pytest.param(".zip", changed(STORED, DIRECTORY + 8, b"\1"), id="zip-encrypted"),
    pytest.param(".zip", changed(STORED, DIRECTORY + 8, b"\x41"), id="zip-strongly-encrypted"),
    pytest.param(".zip", changed(STORED, DIRECTORY + 10, b"\x63"), id="zip-packed-in-an-unknown-way"),
    pytest.param(".zip", changed(STORED, DIRECTORY + 6, b"\xff"), id="zip-of-a-version-to-come"),
    pytest.param(".zip", changed(STORED, 30, b"M"), id="zip-name-in-directory-and-header-differ"),
    pytest.param(".zip", changed(STORED, DIRECTORY + 42, b"\xff\xff\xff\x7f"), id="zip-member-past-the-end"),
    pytest.param(".zip", changed(STORED, len(STORED) - 6, b"\xff\xff\xff\x7f"), id="zip-directory-past-the-end"),
    pytest.param(".zip", changed(STORED, len(STORED) - 12, b"\2"), id="zip-counts-more-members-than-it-lists"),
    pytest.param(".zip", changed(STORED, len(STORED) - 2, b"\5"), id="zip-comment-shorter-than-told"),
    pytest.param(".zip", STORED + b"more", id="zip-followed-by-something"),
    pytest.param(".zip", b"before" + STORED, id="zip-preceded-by-something"),
    pytest.param(".zip", STORED + STORED, id="zip-after-another"),
    pytest.param(".zip", nameless(zipped(("x", b""))), id="zip-member-without-a-name"),
    pytest.param(".zip", changed(zipped(("\u00fc", b"x")), 30, b"\xff\xff"), id="zip-name-is-no-utf-8"),
    *[
        pytest.param(".zip", changed(packed, 60, bytes(40)), id=f"zip-{name}-stream-broken")
        for name, method in (
            ("deflate", zipfile.ZIP_DEFLATED),
            ("bzip2", zipfile.ZIP_BZIP2),
            ("lzma", zipfile.ZIP_LZMA),
        )
        for packed in [zipped(("memory.bin", NOISE), method=method)]
    ],
    pytest.param(".tar", flipped(TAR, 10), id="tar-header-differs-from-its-checksum"),
    pytest.param(".tar", flipped(TAR, SECOND + 10), id="tar-later-header-differs-from-its-checksum"),
    pytest.param(".tar", changed(TAR, SECOND, bytes(BLOCK)), id="tar-later-header-is-all-zeros"),
    pytest.param(".tar", lying_tar(b"%011o\0" % (len(NOISE) - BLOCK)), id="tar-size-a-block-too-small"),
    pytest.param(".tar", lying_tar(b"%011o\0" % (len(NOISE) + BLOCK)), id="tar-size-a-block-too-large"),
    pytest.param(".tar", lying_tar(b"77777777777\0"), id="tar-size-of-8-gib"),
    pytest.param(".tar", lying_tar(b"\xff" * 12), id="tar-size-minus-one"),
    pytest.param(".tar", lying_tar(b"\xff" * 11 + b"\xfe"), id="tar-size-minus-two"),
    pytest.param(".tar", lying_tar(b"\xff" * 10 + b"\xfe\x00"), id="tar-size-minus-a-block"),
    pytest.param(".tar", lying_tar(b"\x80" + b"\xff" * 11), id="tar-size-of-88-bits"),
    pytest.param(".tar", TAR + b"x", id="tar-followed-by-something"),
    pytest.param(".tar", TAR + TAR, id="tar-after-another"),
    pytest.param(".tar", gzip.compress(TAR), id="tar-that-is-packed"),
    pytest.param(".tgz", TAR, id="tgz-that-is-not-packed"),
    pytest.param(".tgz", flipped(gzip.compress(TAR), -8), id="tgz-crc-differs"),
    pytest.param(".tgz", flipped(gzip.compress(TAR), -4), id="tgz-size-differs"),
    pytest.param(".tgz", flipped(gzip.compress(TAR), 2000), id="tgz-content-differs"),
    pytest.param(".tgz", gzip.compress(TAR) + b"more", id="tgz-followed-by-something"),
    pytest.param(".tgz", gzip.compress(TAR) + gzip.compress(b"x"), id="tgz-followed-by-another"),
    *[
        pytest.param(suffix, data, id=f"{suffix[1:]}-{name}")
        for suffix in WHOLE
        for name, data in (
            ("empty-file", b""),
            ("only-text", b"this is no archive\n" * 1000),
            ("only-noise", NOISE),
            ("only-one-byte", b"P"),
        )
    ],
]


class TestBroken:
    """A broken archive is told in one sentence, and is not complete; no part of it counts."""

    def test_an_encrypted_member_is_told_by_name(self, tmp_path: Path) -> None:
        found = sealed(put(tmp_path, ".zip", changed(STORED, DIRECTORY + 8, b"\1")))

        assert faults(found) == ["the archive cannot be read: memory.bin is encrypted"]

    @pytest.mark.parametrize(("suffix", "data"), BROKEN)
    def test_it_is_not_complete(self, suffix: str, data: bytes, tmp_path: Path) -> None:
        found = sealed(put(tmp_path, suffix, data))

        assert (found.complete, found.files, len(faults(found))) == (False, (), 1)
        assert "Traceback" not in faults(found)[0]

    @pytest.mark.parametrize(
        ("suffix", "data"),
        [(".tar", tarred()), (".tgz", gzip.compress(tarred())), (".zip", zipped())],
        ids=["tar", "tgz", "zip"],  # what is packed tells the time
    )
    def test_one_without_any_member_is_whole_and_not_complete(self, suffix: str, data: bytes, tmp_path: Path) -> None:
        found = sealed(put(tmp_path, suffix, data), Recipe("nothing", ()))

        assert (found.complete, faults(found)) == (False, ["it holds no file"])

    @settings(max_examples=150, deadline=None)
    @given(
        suffix=st.sampled_from(sorted(WHOLE)),
        method=st.sampled_from([zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA]),
        edits=st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.binary(max_size=4)), min_size=1, max_size=3),
        cut=st.integers(0, 600),
    )
    def test_whatever_is_done_to_it_nothing_is_raised(
        self,
        suffix: str,
        method: int,
        edits: list[tuple[float, bytes]],
        cut: int,
    ) -> None:
        """And where it still counts as complete, every file that is left is one that was packed."""
        data = zipped(*FILES.items(), method=method) if suffix == ".zip" else WHOLE[suffix]
        for where, piece in edits:
            at = int(where * len(data))
            data = data[:at] + piece + data[at + (len(piece) or cut) :]

        with TemporaryDirectory() as place:
            found = sealed(put(Path(place), suffix, data))

        assert not found.complete or {file.size for file in found.files} <= {len(data) for data in FILES.values()}


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
        members = [(f"file {number}", b"") for number in range(count)]
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
