"""Archives that end too early or contradict themselves: none is complete, and each says why."""

from __future__ import annotations

import gzip
import struct
import zipfile
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.plant import Recipe
from tests.archives import BLOCK, FILES, NOISE, WHOLE, put, tarred, zipped
from tests.reading import faults, sealed

pytestmark = pytest.mark.usefixtures("nothing_written")

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

    @settings(max_examples=150)
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
