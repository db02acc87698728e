"""Reads the content of one backup set, a folder or an archive, once and whole."""

from __future__ import annotations

import hashlib
import io
import os
import stat
from collections.abc import Callable

from guard.model import FileFacts
from guard.record import Record
from guard.share.fingerprint import Digests, Feed, ReadInto, digest_bytes, digest_stream
from guard.share.listing import Listing, OddMember, SetChanged, SetUnreadable
from guard.share.recipe import Inspection, Inspector

IN_ONE_READ_BYTES = 64 << 10
"""Files up to this size are read and digested in one call, which is what most programs are."""

KEPT_BYTES = 16 << 20
"""Checksum lists and identities up to this size, all those of a set together, are kept in memory for their checks."""


class Reading(Record):
    """What one read of a set gave.

    ``kept`` holds the content of checksum lists and of the identity's file. ``taken_off`` is
    the folder within an archive that was taken off every path. ``broken`` says why an
    archive cannot be read to its end; what was read before is then no evidence.
    """

    files: tuple[FileFacts, ...]
    odd: tuple[OddMember, ...]
    kept: dict[str, bytes]
    taken_off: str = ""
    broken: str | None = None


class Wanted(Record):
    """What a reader wants besides the two digests.

    ``keeps`` says whose content to keep, ``also`` which further digests to take into
    ``further`` by (path, algorithm), and ``progress`` is told the bytes of every file.
    """

    inspection: Inspection
    keeps: Callable[[str], bool]
    progress: Callable[[int], None]
    also: tuple[str, ...]
    further: dict[tuple[str, str], str]


def read_folder(root: str, listing: Listing, wanted: Wanted, *, from_disk: bool = False) -> Reading:
    """Read every file of a listed folder set. Raises SetChanged and SetUnreadable.

    ``from_disk`` asks the system to forget what it has of each file in memory first, where
    it can, so that a read-back reads the disk.
    """
    kept: dict[str, bytes] = {}
    files = []
    for path, size, mtime_ns in listing.files:
        digests = _read_file(f"{root}/{path}", path, size, mtime_ns, wanted, kept, from_disk=from_disk)
        files.append(FileFacts(path, digests.size, mtime_ns, digests.sha256, digests.blake3))
        wanted.progress(digests.size)
    return Reading(tuple(files), listing.odd, kept)


def _read_file(
    where: str, path: str, size: int, mtime_ns: int, wanted: Wanted, kept: dict[str, bytes], *, from_disk: bool
) -> Digests:
    try:
        handle = os.open(where, os.O_RDONLY | _NO_TRANSLATION | _NO_LINK)
        try:
            if from_disk and hasattr(os, "posix_fadvise"):
                os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
            # Unlike os.readv, which Windows lacks, this reads into a buffer everywhere.
            stream = io.FileIO(handle, closefd=False)
            digests = take(path, size, stream.readinto, lambda: _read_up_to(stream, size + 1), wanted, kept)
            about = os.fstat(handle)
        finally:
            os.close(handle)
    except FileNotFoundError as error:
        raise SetChanged(path) from error
    except OSError as error:
        raise SetUnreadable(f"{path} cannot be read: {error.strerror}") from error
    if (about.st_size, about.st_mtime_ns) != (size, mtime_ns) or digests.size != size:
        raise SetChanged(path)
    if not stat.S_ISREG(about.st_mode):
        raise SetChanged(path)
    return digests


def _read_up_to(stream: io.FileIO, size: int) -> bytes:
    """The bytes of a small file; a network share may hand them out in pieces."""
    content = stream.read(size)
    while len(content) < size and (more := stream.read(size - len(content))):
        content += more
    return content


_NO_TRANSLATION = getattr(os, "O_BINARY", 0)
_NO_LINK = getattr(os, "O_NOFOLLOW", 0)


def take(
    path: str,
    size: int,
    read_into: ReadInto,
    read_all: Callable[[], bytes],
    wanted: Wanted,
    kept: dict[str, bytes],
) -> Digests:
    """Digest one file's content, inspect it, and keep it where it is wanted; all in one read."""
    inspectors = wanted.inspection.inspectors(path)
    hashers = [hashlib.new(name, usedforsecurity=False) for name in wanted.also]
    keep = wanted.keeps(path) and size + sum(map(len, kept.values())) <= KEPT_BYTES
    if size <= IN_ONE_READ_BYTES:
        content = read_all()
        digests = digest_bytes(content)
        for feed in _feeds(inspectors, hashers):
            feed(memoryview(content))
        if keep:
            kept[path] = content
    else:
        pieces: list[bytes] = []
        feeds = _feeds(inspectors, hashers)
        if keep:
            feeds.append(lambda chunk: pieces.append(bytes(chunk)))
        digests = digest_stream(read_into, size, feeds)
        if keep:
            kept[path] = b"".join(pieces)
    if inspectors:
        wanted.inspection.record(path, digests.size, inspectors)
    for name, hasher in zip(wanted.also, hashers, strict=True):
        wanted.further[path, name] = hasher.hexdigest()
    return digests


def _feeds(inspectors: list[tuple[str, Inspector]], hashers: list[hashlib._Hash]) -> list[Feed]:
    return [inspector.feed for _, inspector in inspectors] + [hasher.update for hasher in hashers]
