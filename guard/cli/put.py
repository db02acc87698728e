"""Writes a file that a command was asked for, and never over one that none of ours made."""

from __future__ import annotations

import os

from guard.errors import StateUnusable, WouldOverwrite
from guard.files import write_whole


def put(path: str, content: bytes, mark: bytes) -> str:
    """Write a file whole; returns its path. ``mark`` is what early in a file shows that it is one of ours.

    Raises WouldOverwrite where something else stands there, be it a link to one of ours, and StateUnusable.
    """
    try:
        if os.path.lexists(path) and not _is_ours(path, mark):
            raise WouldOverwrite(path, "Name a file that is not there yet, or one that this command wrote before.")
        write_whole(path, content)
    except OSError as error:
        remedy = "Name a file in a folder that is there and that this user may write to, with room on its disk."
        raise StateUnusable(path, error.strerror or str(error), remedy) from error
    return path


def _is_ours(path: str, mark: bytes) -> bool:
    if os.path.islink(path) or not os.path.isfile(path):
        return False
    with open(path, "rb") as file:
        return mark in file.read(4096)
