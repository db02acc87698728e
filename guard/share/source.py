"""Reads the content of one backup set, a folder or an archive, once and whole."""

from __future__ import annotations

import hashlib
import io
import os
from collections.abc import Callable

from guard.model import FileFacts
from guard.record import Record
from guard.share.fingerprint import Digests, Feed, ReadInto, digest_bytes, digest_stream
from guard.share.listing import Listing, OddMember, SetChanged, SetUnreadable
from guard.share.opening import Opener
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
    ``further`` by (path, algorithm), and ``progress`` is told the bytes of every file once it
    was read. ``copy`` is asked, before a file is read, who is to be fed its content as well.
    """

    inspection: Inspection
    keeps: Callable[[str], bool]
    progress: Callable[[int], None]
    also: tuple[str, ...]
    further: dict[tuple[str, str], str]
    copy: Callable[[str], Feed] | None = None


def read_folder(root: str, listing: Listing, wanted: Wanted, *, from_disk: bool = False) -> Reading:
    """Read every file of a listed folder set. Raises SetChanged and SetUnreadable.

    Whoever calls lists the folder once more afterwards: only that tells whether any file
    changed while others were read.

    ``from_disk`` asks the system to forget what it has of each file in memory first, where
    it can, so that a read-back reads the disk.
    """
    kept: dict[str, bytes] = {}
    files = []
    with Opener(root) as opener:
        for path, size, mtime_ns in listing.files:
            digests = _read_file(opener, path, size, wanted, kept, from_disk=from_disk)
            files.append(FileFacts(path, digests.size, mtime_ns, digests.sha256, digests.blake3))
            wanted.progress(digests.size)
    return Reading(tuple(files), listing.odd, kept)


def _read_file(
    opener: Opener, path: str, size: int, wanted: Wanted, kept: dict[str, bytes], *, from_disk: bool
) -> Digests:
    try:
        handle = opener.open(path)
        try:
            if from_disk:
                forget(handle)
            if size <= IN_ONE_READ_BYTES:
                digests = take_content(path, _read_up_to(handle, size + 1), wanted, kept)
            else:
                # Unlike os.readv, which Windows lacks, this reads into a buffer everywhere.
                stream = io.FileIO(handle, closefd=False)
                digests = take_stream(path, size, stream.readinto, wanted, kept)
        finally:
            os.close(handle)
    except FileNotFoundError as error:
        raise SetChanged(path) from error
    except OSError as error:
        raise SetUnreadable(f"{path} cannot be read: {error.strerror}") from error
    if digests.size != size:
        raise SetChanged(path)
    return digests


def forget(handle: int) -> None:
    """Ask the system to forget what it has of an open file in memory, where it can be asked."""
    if hasattr(os, "posix_fadvise"):
        os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)


def _read_up_to(handle: int, size: int) -> bytes:
    """The bytes of a small file; a network share may hand them out in pieces."""
    content = os.read(handle, size)
    while 0 < len(content) < size - 1 and (more := os.read(handle, size - len(content))):
        content += more
    return content


def take_content(path: str, content: bytes, wanted: Wanted, kept: dict[str, bytes]) -> Digests:
    """Digest the content of a small file, inspect it, and keep it where it is wanted."""
    inspectors, hashers = _beside(path, wanted)
    if inspectors or hashers or wanted.copy is not None:
        for feed in _feeds(path, wanted, inspectors, hashers):
            feed(memoryview(content))
        _record(path, len(content), wanted, inspectors, hashers)
    if wanted.keeps(path) and _has_room(kept, len(content)):
        kept[path] = content
    return digest_bytes(content)


def take_stream(path: str, size: int, read_into: ReadInto, wanted: Wanted, kept: dict[str, bytes]) -> Digests:
    """The same for content of about ``size`` bytes that comes in pieces, in one read."""
    inspectors, hashers = _beside(path, wanted)
    feeds = _feeds(path, wanted, inspectors, hashers)
    pieces: list[bytes] = []
    keep = wanted.keeps(path) and _has_room(kept, size)
    if keep:
        feeds.append(lambda chunk: pieces.append(bytes(chunk)))
    digests = digest_stream(read_into, size, feeds)
    if keep:
        kept[path] = b"".join(pieces)
    _record(path, digests.size, wanted, inspectors, hashers)
    return digests


def _beside(path: str, wanted: Wanted) -> tuple[list[tuple[str, Inspector]], list[hashlib._Hash]]:
    return wanted.inspection.inspectors(path), [hashlib.new(name, usedforsecurity=False) for name in wanted.also]


def _has_room(kept: dict[str, bytes], size: int) -> bool:
    return size + sum(map(len, kept.values())) <= KEPT_BYTES


def _record(
    path: str, size: int, wanted: Wanted, inspectors: list[tuple[str, Inspector]], hashers: list[hashlib._Hash]
) -> None:
    wanted.inspection.record(path, size, inspectors)
    for name, hasher in zip(wanted.also, hashers, strict=True):
        wanted.further[path, name] = hasher.hexdigest()


def _feeds(
    path: str, wanted: Wanted, inspectors: list[tuple[str, Inspector]], hashers: list[hashlib._Hash]
) -> list[Feed]:
    copying = [] if wanted.copy is None else [wanted.copy(path)]
    return [inspector.feed for _, inspector in inspectors] + [hasher.update for hasher in hashers] + copying
