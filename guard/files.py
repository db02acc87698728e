"""Writes files so that a crash leaves either the old one or the new one, whole."""

from __future__ import annotations

import os

UNFINISHED = ".new"
"""Ends the name of a file while it is written."""


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
    if hasattr(os, "O_DIRECTORY"):
        folder = os.open(os.path.dirname(path) or ".", os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(folder)
        finally:
            os.close(folder)
