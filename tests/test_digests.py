"""Digests against published examples, in every way in which content reaches them."""

from __future__ import annotations

import hashlib
import os
import subprocess
import sys
from pathlib import Path

import pytest
from blake3 import blake3

from guard.share.fingerprint import CHUNK_BYTES, TWO_THREADS_FROM_BYTES, Digests, digest_bytes, digest_stream
from guard.share.source import IN_ONE_READ_BYTES
from tests.reading import sealed

# NIST, "Secure Hash Standard" examples for FIPS 180-4 (SHA256.pdf and SHA2_Additional.pdf);
# also RFC 6234 section 8.5.
SHA256_EXAMPLES = [
    pytest.param(b"", "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855", id="empty"),
    pytest.param(b"abc", "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad", id="one-block"),
    pytest.param(
        b"abcdbcdecdefdefgefghfghighijhijkijkljklmklmnlmnomnopnopq",
        "248d6a61d20638b8e5c026930c3e6039a33ce45964ff2167f6ecedd419db06c1",
        id="two-blocks",
    ),
    pytest.param(
        b"a" * 1_000_000, "cdc76e5c9914fb9281a1c7e284d73e67f1809a48a497200e046d39ccc7112cd0", id="one-million-a"
    ),
]

# BLAKE3-team/BLAKE3, test_vectors/test_vectors.json: byte i of the input is i mod 251; the
# first 32 bytes of "hash".
BLAKE3_EXAMPLES = [
    pytest.param(0, "af1349b9f5f9a1a6a0404dea36dcc9499bcb25c9adc112b7cc9a93cae41f3262", id="0"),
    pytest.param(1, "2d3adedff11b61f14c886e35afa036736dcd87a74d27b5c1510225d0f592e213", id="1"),
    pytest.param(64, "4eed7141ea4a5cd4b788606bd23f46e212af9cacebacdc7d1f4c6dc7f2511b98", id="64"),
    pytest.param(1024, "42214739f095a406f3fc83deb889744ac00df831c10daa55189b5d121c855af7", id="1024"),
    pytest.param(1025, "d00278ae47eb27b34faecf67b4fe263f82d5412916c1ffd97c8cb7fb814b8444", id="1025"),
    pytest.param(2048, "e776b6028c7cd22a4d0ba182a8bf62205d2ef576467e838ed6f2529b85fba24a", id="2048"),
    pytest.param(102_400, "bc3e3d41a1146b069abffad3c0d44860cf664390afce4d9661f7902e7943e085", id="102400"),
]

EXPECTED_BYTES = [
    pytest.param(0, id="one-thread"),
    pytest.param(TWO_THREADS_FROM_BYTES, id="two-threads"),
]
"""What a caller says beforehand decides how the work is shared, and must not decide the digest."""

SIZES = [
    pytest.param(size + step, id=f"{name}{step:+d}" if step else name)
    for name, size in (
        ("one-read", IN_ONE_READ_BYTES),
        ("one-chunk", CHUNK_BYTES),
        ("three-chunks", 3 * CHUNK_BYTES),
        ("two-threads", TWO_THREADS_FROM_BYTES),
    )
    for step in (-1, 0, 1)
]
"""Around every size at which the way of reading changes."""


def counting(size: int) -> bytes:
    """The input of the BLAKE3 project's vectors."""
    return (bytes(range(251)) * (size // 251 + 1))[:size]


def streamed(content: bytes, expected_bytes: int, most: int = CHUNK_BYTES) -> Digests:
    """Digests of content that comes in pieces of at most that size."""
    at = 0

    def read_into(buffer: bytearray) -> int:
        nonlocal at
        piece = content[at : at + min(most, len(buffer))]
        buffer[: len(piece)] = piece
        at += len(piece)
        return len(piece)

    return digest_stream(read_into, expected_bytes)


class TestPublishedExamples:
    """The digests are those of FIPS 180-4 and of the BLAKE3 project, whichever way the content came."""

    @pytest.mark.parametrize(("content", "digest"), SHA256_EXAMPLES)
    def test_sha256_of_bytes(self, content: bytes, digest: str) -> None:
        assert digest_bytes(content).sha256.hex() == digest

    @pytest.mark.parametrize("expected_bytes", EXPECTED_BYTES)
    @pytest.mark.parametrize(("content", "digest"), SHA256_EXAMPLES)
    def test_sha256_of_a_stream(self, content: bytes, digest: str, expected_bytes: int) -> None:
        assert streamed(content, expected_bytes, most=1000).sha256.hex() == digest

    @pytest.mark.parametrize(("size", "digest"), BLAKE3_EXAMPLES)
    def test_blake3_of_bytes(self, size: int, digest: str) -> None:
        assert digest_bytes(counting(size)).blake3.hex() == digest

    @pytest.mark.parametrize("expected_bytes", EXPECTED_BYTES)
    @pytest.mark.parametrize(("size", "digest"), BLAKE3_EXAMPLES)
    def test_blake3_of_a_stream(self, size: int, digest: str, expected_bytes: int) -> None:
        assert streamed(counting(size), expected_bytes, most=1000).blake3.hex() == digest


class TestWaysOfReading:
    """Where the way of reading changes with the size, the digests are those of the content all the same."""

    @pytest.mark.parametrize("size", SIZES)
    def test_a_stream_has_the_digests_of_its_content(self, size: int) -> None:
        content = counting(size)

        found = streamed(content, size)

        assert found == Digests(hashlib.sha256(content).digest(), blake3(content).digest(), size)

    @pytest.mark.parametrize("size", SIZES)
    def test_a_file_of_a_set_has_the_digests_that_the_programs_tell(self, size: int, tmp_path: Path) -> None:
        (tmp_path / "set").mkdir()
        where = tmp_path / "set" / "memory.bin"
        where.write_bytes(counting(size))

        (file,) = sealed(tmp_path / "set").files

        told = subprocess.run(["sha256sum", str(where)], capture_output=True, text=True, check=True).stdout.split()[0]
        assert (file.size, file.sha256.hex(), file.blake3) == (size, told, blake3(counting(size)).digest())

    @pytest.mark.parametrize("expected_bytes", EXPECTED_BYTES)
    def test_every_byte_is_shown_to_every_feed_once(self, expected_bytes: int) -> None:
        content = counting(3 * CHUNK_BYTES + 1)
        seen, seen_too = hashlib.sha256(), hashlib.sha256()
        source = memoryview(content)
        at = 0

        def read_into(buffer: bytearray) -> int:
            nonlocal at
            piece = source[at : at + len(buffer)]
            buffer[: len(piece)] = piece
            at += len(piece)
            return len(piece)

        found = digest_stream(read_into, expected_bytes, (seen.update, seen_too.update))

        assert seen.digest() == seen_too.digest() == found.sha256

    @pytest.mark.parametrize("expected_bytes", EXPECTED_BYTES)
    def test_what_a_reader_raises_reaches_the_caller(self, expected_bytes: int) -> None:
        def read_into(buffer: bytearray) -> int:
            raise OSError(5, "Input/output error", str(len(buffer)))

        with pytest.raises(OSError, match="Input/output error"):
            digest_stream(read_into, expected_bytes)


HELD_BYTES = 40 << 20
"""Far below the file's size, far above three chunks."""

MEASURE = """
import sys, tracemalloc
from pathlib import Path
from tests.reading import sealed

sealed(Path(sys.argv[1]))
small = len(sealed(Path(sys.argv[1])).files)
tracemalloc.start()
(file,) = sealed(Path(sys.argv[2])).files
print(small, file.size, tracemalloc.get_traced_memory()[1])
"""


def test_memory_does_not_grow_with_the_size_of_a_file(tmp_path: Path) -> None:
    for name, size in (("small", 1), ("large", 300 << 20)):
        (tmp_path / name).mkdir()
        with (tmp_path / name / "memory.bin").open("wb") as file:
            file.truncate(size)

    told = subprocess.run(
        [sys.executable, "-c", MEASURE, str(tmp_path / "small"), str(tmp_path / "large")],
        capture_output=True,
        check=True,
        cwd=Path(__file__).parents[1],
        env=os.environ,
        timeout=60,
    ).stdout.split()

    assert (int(told[0]), int(told[1])) == (1, 300 << 20)
    assert int(told[2]) < HELD_BYTES
