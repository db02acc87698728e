"""Writes files so that a crash leaves either the old one or the new one, whole, and opens those that others wrote."""

from __future__ import annotations

import errno
import os

UNFINISHED = ".new"
"""Ends the name of a file while it is written."""


def without_waiting(path: str, flags: int) -> int:
    """Open a file, as the ``opener`` of `open`, and never wait for the other end of a pipe that stands in its place."""
    return os.open(path, flags | getattr(os, "O_NONBLOCK", 0))


def write_whole(path: str, content: bytes) -> None:
    """Write to a temporary name beside it, force it to the disk, and rename.

    Raises OSError; the file at ``path`` is then what it was.
    """
    temporary = path + UNFINISHED
    with open(temporary, "wb") as file:
        file.write(content)
        file.flush()
        os.fsync(file.fileno())
    os.replace(temporary, path)
    force_names(os.path.dirname(path) or ".")


def force_names(folder: str) -> None:
    """Force the names in a folder to the disk. Where a file system cannot do that for one folder, all is forced there.

    Raises OSError.
    """
    if not hasattr(os, "O_DIRECTORY"):
        return
    handle = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(handle)
    except OSError as error:
        if error.errno not in (errno.EINVAL, errno.ENOSYS, errno.ENOTSUP):
            raise
        os.sync()
    finally:
        os.close(handle)
