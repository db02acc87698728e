"""Lists sets: names, sizes and times of a folder's files, or of an archive, without a byte of content."""

from __future__ import annotations

import os
from collections.abc import Iterable

from guard.record import Record
from guard.share.opening import entries_of

LAST_NS = 2**63 - 1
"""The last time in ns that the catalogue can hold, in the year 2262; some file systems have later ones."""


class SetChanged(Exception):
    """A set changed, or something in it vanished, while it was read: the message says what, nothing where all of it did."""


class SetUnreadable(Exception):
    """A file or folder of a set cannot be read; the message says which and why."""


class OddMember(Record):
    """Something in a set that is no regular file below it."""

    path: str
    why: str


class Listing(Record):
    """The names of a folder set with sizes and times, without a byte of content.

    ``files`` are (path, size, mtime_ns), ``folders`` (path, mtime_ns) with "" for the set
    itself. ``last_change_ns`` is the newest time at which anything in it changed.
    """

    files: tuple[tuple[str, int, int], ...]
    folders: tuple[tuple[str, int], ...]
    odd: tuple[OddMember, ...]
    last_change_ns: int


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
            with entries_of(where) as entries:
                for entry in entries:
                    path = prefix + entry.name
                    if entry.is_file(follow_symlinks=False):
                        about = entry.stat(follow_symlinks=False)
                        mtime_ns, ctime_ns = about.st_mtime_ns, about.st_ctime_ns
                        newest = max(newest, mtime_ns, ctime_ns)
                        files.append(
                            (path, about.st_size, mtime_ns if -LAST_NS <= mtime_ns <= LAST_NS else _bounded(mtime_ns))
                        )
                    elif entry.is_dir(follow_symlinks=False):
                        waiting.append(path)
                    else:
                        odd.append(OddMember(path, _why_odd(entry)))
        except FileNotFoundError as error:
            raise SetChanged(folder) from error
        except OSError as error:
            raise SetUnreadable(f"{folder or 'the folder'} cannot be listed: {error.strerror}") from error
    return Listing(tuple(sorted(files)), tuple(sorted(folders)), tuple(sorted(odd)), newest)


def _bounded(mtime_ns: int) -> int:
    return max(-LAST_NS, min(mtime_ns, LAST_NS))


def _why_odd(entry: os.DirEntry[str]) -> str:
    return "is a link, which is not followed" if entry.is_symlink() else "is a device or a socket"


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


def differences(files: Iterable[tuple[str, int, int | None]], listing: Listing) -> list[str]:
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
