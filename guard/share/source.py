"""Reads the content of one backup set, a folder or an archive, once and whole."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Callable, Iterator
from typing import NamedTuple

from guard.model import FileFacts
from guard.share.fingerprint import Digests, Feed, ReadInto, digest_bytes, digest_stream
from guard.share.recipe import Inspection, Inspector

IN_ONE_READ_BYTES = 64 << 10
"""Files up to this size are read and digested in one call, which is what most programs are."""

KEPT_BYTES = 16 << 20
"""Checksum lists and identities up to this size are kept in memory for their checks."""


class SetChanged(Exception):
    """A set changed, or something in it vanished, while it was read."""


class SetUnreadable(Exception):
    """A file or folder of a set cannot be read; the message says which and why."""


class OddMember(NamedTuple):
    """Something in a set that is no regular file below it."""

    path: str
    why: str


class Listing(NamedTuple):
    """The names of a folder set with sizes and times, without a byte of content.

    ``files`` are (path, size, mtime_ns), ``folders`` (path, mtime_ns) with "" for the set
    itself. ``last_change_ns`` is the newest time at which anything in it changed.
    """

    files: tuple[tuple[str, int, int], ...]
    folders: tuple[tuple[str, int], ...]
    odd: tuple[OddMember, ...]
    last_change_ns: int


class Reading(NamedTuple):
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


class Wanted(NamedTuple):
    """What a reader wants besides the two digests.

    ``keeps`` says whose content to keep, ``also`` which further digests to take into
    ``further`` by (path, algorithm), and ``progress`` is told the bytes of every file.
    """

    inspection: Inspection
    keeps: Callable[[str], bool]
    progress: Callable[[int], None]
    also: tuple[str, ...]
    further: dict[tuple[str, str], str]


def list_folder(root: str) -> Listing:
    """List a folder set. Raises SetUnreadable; a folder that vanishes meanwhile is SetChanged."""
    files: list[tuple[str, int, int]] = []
    folders: list[tuple[str, int]] = []
    odd: list[OddMember] = []
    newest = 0
    waiting = [""]
    while waiting:
        folder = waiting.pop()
        where = os.path.join(root, folder) if folder else root
        prefix = f"{folder}/" if folder else ""
        try:
            about = os.stat(where, follow_symlinks=False)
            folders.append((folder, about.st_mtime_ns))
            newest = max(newest, about.st_mtime_ns, about.st_ctime_ns)
            with os.scandir(where) as entries:
                for entry in entries:
                    path = prefix + entry.name
                    if entry.is_dir(follow_symlinks=False):
                        waiting.append(path)
                    elif entry.is_file(follow_symlinks=False):
                        about = entry.stat(follow_symlinks=False)
                        files.append((path, about.st_size, about.st_mtime_ns))
                        newest = max(newest, about.st_mtime_ns, about.st_ctime_ns)
                    else:
                        odd.append(
                            OddMember(
                                path,
                                "is a link, which is not followed" if entry.is_symlink() else "is a device or a socket",
                            )
                        )
        except FileNotFoundError as error:
            raise SetChanged(folder) from error
        except OSError as error:
            raise SetUnreadable(f"{folder or 'the folder'} cannot be listed: {error.strerror}") from error
    return Listing(tuple(sorted(files)), tuple(sorted(folders)), tuple(sorted(odd)), newest)


def folders_unchanged(root: str, folders: list[tuple[str, int]]) -> bool:
    """Whether every folder of a set still has the modification time it had.

    A folder's time changes when a name in it comes, goes or is renamed, so this costs one
    look a folder however many files there are. It does not see a file written in place.
    """
    try:
        return all(
            os.stat(f"{root}/{name}" if name else root, follow_symlinks=False).st_mtime_ns == mtime
            for name, mtime in folders
        )
    except OSError:
        return False


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
            digests = take(
                path, size, lambda buffer: os.readv(handle, [buffer]), lambda: os.read(handle, size + 1), wanted, kept
            )
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
    keep = size <= KEPT_BYTES and wanted.keeps(path)
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


def archive_state(where: str) -> tuple[int, int, int]:
    """Size, modification time and last change of an archive file; the times in ns.

    Raises SetChanged where it is gone, SetUnreadable where it cannot be looked at.
    """
    try:
        about = os.stat(where, follow_symlinks=False)
    except FileNotFoundError as error:
        raise SetChanged(where) from error
    except OSError as error:
        raise SetUnreadable(f"the archive cannot be looked at: {error.strerror}") from error
    return about.st_size, about.st_mtime_ns, max(about.st_mtime_ns, about.st_ctime_ns)


def differences(files: Iterator[tuple[str, int, int | None]], listing: Listing) -> list[str]:
    """How a folder set differs from what was read: names, sizes and times, in words."""
    there = {path: (size, mtime) for path, size, mtime in listing.files}
    found = []
    for path, size, mtime_ns in files:
        now = there.pop(path, None)
        if now is None:
            found.append(f"{path} is missing")
        elif now[0] != size:
            found.append(f"{path} has {now[0]} bytes instead of {size}")
        elif now[1] != mtime_ns:
            found.append(f"{path} was written since")
    found += [f"{path} is new" for path in there]
    return found
