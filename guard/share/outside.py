"""How a set looks from outside: names, sizes and times, without a byte of its content."""

from __future__ import annotations

import json
from datetime import datetime

from guard.digest import text_digest
from guard.model import FileFacts, Form
from guard.record import Record
from guard.share.listing import (
    Listing,
    SetChanged,
    SetUnreadable,
    archive_state,
    differences,
    folders_unchanged,
    list_folder,
)
from guard.times import from_ns


class Appearance(Record):
    """How a set looks from outside, without its content.

    ``shape`` is what a quiet look compares, ``last_change`` the newest time at which
    anything in it changed, None where that is no moment a calendar has. ``listing`` is None
    for an archive.
    """

    shape: str
    last_change: datetime | None
    listing: Listing | None

    def signature(self) -> str:
        """What tells whether a set is still arriving: names, sizes and times in one digest."""
        return self.shape if self.listing is None else text_digest(repr(self.listing))


def appearance(where: str, form: Form) -> Appearance:
    """Look at a set from outside. Raises SetChanged and SetUnreadable."""
    if form == "archive":
        size, mtime_ns, changed_ns = archive_state(where)
        return Appearance(json.dumps([["", mtime_ns, size]]), from_ns(changed_ns), None)
    listing = list_folder(where)
    return Appearance(json.dumps(listing.folders), from_ns(listing.last_change_ns), listing)


def looks_unchanged(where: str, form: Form, shape: str | None) -> bool:
    """Whether a set has the shape it was sealed with; quick, and blind to files written in place."""
    if shape is None:
        return False
    if form == "archive":
        try:
            return appearance(where, form).shape == shape
        except (SetChanged, SetUnreadable):
            return False
    try:
        folders = [(name, mtime) for name, mtime in json.loads(shape)]
        return bool(folders) and folders_unchanged(where, folders)
    except (ValueError, TypeError, RecursionError):
        return False  # somebody changed what was kept; the set tells anew


def difference(where: str, form: Form, shape: str | None, files: tuple[FileFacts, ...]) -> str | None:
    """How a set differs from what was read, by names, sizes and times; None where it does not.

    Raises SetUnreadable where that cannot be told.
    """
    try:
        now = appearance(where, form)
    except SetChanged as error:
        return f"{error} is missing" if str(error) else "it is missing"
    if now.listing is None:
        return None if now.shape == shape else "the archive was written since it was read"
    found = differences(((file.path, file.size, file.mtime_ns) for file in files), now.listing)
    if not found:
        return None
    return found[0] + (f", and {len(found) - 1} more" if len(found) > 1 else "")
