"""Digests of files and of whole sets: SHA-256 for the record, BLAKE3 for speed, one read for both."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable

from blake3 import blake3

from guard.model import FileFacts
from guard.names import name_bytes
from guard.record import Record

CHUNK_BYTES = 1 << 20
"""Large enough that a chunk costs more than handing it over, small enough to stay in the cache."""

TWO_THREADS_FROM_BYTES = 8 << 20
"""From here on SHA-256 runs beside BLAKE3 in a second thread; below, starting one costs more."""


class Digests(Record):
    """Both digests of one file's content, and how many bytes were read."""

    sha256: bytes
    blake3: bytes
    size: int


Feed = Callable[[memoryview], None]
ReadInto = Callable[[bytearray], int]


def digest_bytes(content: bytes) -> Digests:
    """Digests of content that is in memory."""
    return Digests(hashlib.sha256(content).digest(), blake3(content).digest(), len(content))


def digest_stream(read_into: ReadInto, expected_bytes: int, feeds: Iterable[Feed] = ()) -> Digests:
    """Digests of a stream read once, in chunks; every chunk is also shown to the feeds.

    ``read_into`` fills a buffer and returns how many bytes it put there, 0 at the end.
    """
    if expected_bytes >= TWO_THREADS_FROM_BYTES:
        return _digest_beside(read_into, tuple(feeds))
    feeds = tuple(feeds)
    sha, blake, size = hashlib.sha256(), blake3(), 0
    buffer = bytearray(CHUNK_BYTES)
    while count := read_into(buffer):
        chunk = memoryview(buffer)[:count]
        sha.update(chunk)
        blake.update(chunk)
        for feed in feeds:
            feed(chunk)
        size += count
    return Digests(sha.digest(), blake.digest(), size)


def _digest_beside(read_into: ReadInto, feeds: tuple[Feed, ...]) -> Digests:
    from queue import SimpleQueue
    from threading import Thread

    sha, blake, size = hashlib.sha256(), blake3(), 0
    free: SimpleQueue[bytearray] = SimpleQueue()
    filled: SimpleQueue[tuple[bytearray, int] | None] = SimpleQueue()
    for _ in range(3):
        free.put(bytearray(CHUNK_BYTES))

    def digest_filled() -> None:
        while (item := filled.get()) is not None:
            sha.update(memoryview(item[0])[: item[1]])
            free.put(item[0])

    helper = Thread(target=digest_filled, name="sha256")
    helper.start()
    try:
        while count := read_into(buffer := free.get()):
            filled.put((buffer, count))
            chunk = memoryview(buffer)[:count]
            blake.update(chunk)
            for feed in feeds:
                feed(chunk)
            size += count
    finally:
        filled.put(None)
        helper.join()
    return Digests(sha.digest(), blake.digest(), size)


def sums_text(sums: Iterable[tuple[bytes, str]]) -> bytes:
    """What GNU coreutils' ``sha256sum`` prints for (digest, path) pairs, in the order given.

    A path with a backslash, newline or carriage return is escaped, and its line begins with
    a backslash. ``b3sum`` prints its digests in the same form.
    """
    return name_bytes("".join([_sums_line(digest.hex(), path) for digest, path in sums]))


def _sums_line(digest: str, path: str) -> str:
    if "\\" in path or "\n" in path or "\r" in path:
        escaped = path.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
        return f"\\{digest}  {escaped}\n"
    return f"{digest}  {path}\n"


def in_path_order(files: Iterable[FileFacts]) -> list[FileFacts]:
    """Files sorted by the bytes of their paths, the order of the fingerprint."""
    return sorted(files, key=lambda file: name_bytes(file.path))


def fingerprint(files: Iterable[FileFacts]) -> str:
    """The fingerprint of a set: SHA-256, in hex, of its sums text in path order."""
    return digest_in_order(in_path_order(files))


def digest_in_order(files: Iterable[FileFacts]) -> str:
    """The fingerprint of a set whose files are in path order already."""
    return hashlib.sha256(sums_text((file.sha256, file.path) for file in files)).hexdigest()
