"""The marker: a small file on the share by which it is known again, so that another one in its place shows."""

from __future__ import annotations

import json
import os

from guard.errors import ShareUnreadable
from guard.files import without_waiting, write_whole
from guard.model import Marker
from guard.share.find import OUR_PREFIX

MARKER_NAME = f"{OUR_PREFIX}-share.json"

NO_IDENTITY = "unreadable"
"""Stands for the identity in a marker that cannot be understood: it equals no share's."""

WHY_IN_DOUBT = {"gone": "its marker is gone", "other": "its marker is another share's"}
"""What is wrong with a place that does not prove to be the one it was, in words."""

WAY_OUT = "Mount the right one. If this is the right one: guard init --share PATH --adopt"
"""What to do about it."""


def read_marker(root: str) -> str | None:
    """The identity of the share at ``root``; None where it has no marker.

    Raises ShareUnreadable where the share itself, or the marker on it, cannot be read.
    """
    try:
        with open(os.path.join(root, MARKER_NAME), "rb", opener=without_waiting) as file:
            text = file.read(4096)
    except FileNotFoundError as error:
        if not os.path.isdir(root):
            raise ShareUnreadable(root, "it is not there") from error
        return None
    except OSError as error:
        raise ShareUnreadable(root, error.strerror or str(error)) from error
    try:
        identity = json.loads(text)["identity"]
    except (ValueError, KeyError, TypeError, RecursionError):
        return NO_IDENTITY
    return identity if isinstance(identity, str) else NO_IDENTITY


def write_marker(root: str, identity: str | None = None) -> str:
    """Give the share an identity, a new one unless it is named, and return it.

    Raises OSError where the share cannot be written.
    """
    identity = identity or os.urandom(16).hex()
    about = "By this file the backup monitor knows this share again. Leave it here."
    text = json.dumps({"schema": 1, "identity": identity, "about": about}, indent=1)
    write_whole(os.path.join(root, MARKER_NAME), text.encode())
    return identity


def marker_state(recorded: str | None, found: str | None) -> Marker:
    """What the marker found says of the share whose identity was recorded."""
    if found is None:
        return "never" if recorded is None else "gone"
    return "right" if recorded in (None, found) and found != NO_IDENTITY else "other"
