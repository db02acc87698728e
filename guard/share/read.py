"""Reads one set whole and makes sure that it did not change meanwhile."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Callable, Collection
from datetime import datetime, timedelta, tzinfo
from typing import NamedTuple

from guard.model import FileFacts, Form, Recipe
from guard.share.archive import ArchiveLimits, read_archive
from guard.share.checksums import further_algorithms
from guard.share.layout import Layout, stem
from guard.share.recipe import Inspection, views
from guard.share.sealing import Sealed, from_ns, keeps_content, seal
from guard.share.source import (
    Listing,
    Reading,
    SetChanged,
    SetUnreadable,
    Wanted,
    archive_state,
    differences,
    folders_unchanged,
    list_folder,
    read_folder,
)


class Ground(NamedTuple):
    """Where to look and by what: one place with its layouts, and the recipe of every arm."""

    root: str
    layouts: tuple[Layout, ...]
    zone: Callable[[], tzinfo]
    settle: timedelta
    arms: Collection[str]
    recipe_of: Callable[[str], Recipe]
    archives: ArchiveLimits


class Appearance(NamedTuple):
    """How a set looks from outside, without its content.

    ``shape`` is what a quiet look compares, ``signature`` what tells whether a set is
    still arriving, ``last_change`` the newest time at which anything in it changed, None
    where that is no moment a calendar has.
    """

    shape: str
    signature: str
    last_change: datetime | None
    listing: Listing | None


def appearance(where: str, form: Form) -> Appearance:
    """Look at a set from outside. Raises SetChanged and SetUnreadable."""
    if form == "archive":
        size, mtime_ns, changed_ns = archive_state(where)
        shape = json.dumps([["", mtime_ns, size]])
        return Appearance(shape, shape, from_ns(changed_ns), None)
    listing = list_folder(where)
    signature = hashlib.sha256(repr((listing.files, listing.folders, listing.odd)).encode("utf-8", "surrogateescape"))
    shape = json.dumps(listing.folders)
    return Appearance(shape, signature.hexdigest(), from_ns(listing.last_change_ns), listing)


def looks_unchanged(where: str, form: Form, shape: str | None) -> bool:
    """Whether a set has the shape it was sealed with; quick, and blind to files written in place."""
    if shape is None:
        return False
    if form == "archive":
        try:
            return appearance(where, form).shape == shape
        except (SetChanged, SetUnreadable):
            return False
    return folders_unchanged(where, [(name, mtime) for name, mtime in json.loads(shape)])


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


def read_set(
    ground: Ground,
    path: str,
    form: Form,
    recipe: Recipe,
    as_of: datetime,
    progress: Callable[[int], None],
    *,
    from_disk: bool = False,
) -> tuple[Sealed, str]:
    """Read a set whole and judge it by the recipe. Returns it with the shape that it had throughout.

    Raises SetChanged where it changed meanwhile, SetUnreadable where it cannot be read.
    """
    where = f"{ground.root}/{path}"
    before = appearance(where, form)
    inspection = Inspection(recipe)
    reading, further = _read(ground, where, before, inspection, (), progress, from_disk=from_disk)
    also = further_algorithms({file.path: file for file in reading.files})
    if also:
        _, further = _read(ground, where, before, inspection, also, lambda _: None, from_disk=False)
        further = {(name[len(reading.taken_off) :], kind): d for (name, kind), d in further.items()}
    if appearance(where, form).signature != before.signature:
        raise SetChanged(path)
    return seal(reading, inspection, further, as_of), before.shape


def _read(
    ground: Ground,
    where: str,
    before: Appearance,
    inspection: Inspection,
    also: tuple[str, ...],
    progress: Callable[[int], None],
    *,
    from_disk: bool,
) -> tuple[Reading, dict[tuple[str, str], str]]:
    def keeps(path: str) -> bool:
        return any(keeps_content(view, inspection.recipe) for view in views(path))

    wanted = Wanted(inspection, keeps, progress, also, {})
    if before.listing is None:
        name = stem(os.path.basename(where)) or ""
        reading = read_archive(where, name, ground.zone(), ground.archives, wanted)
    else:
        reading = read_folder(where, before.listing, wanted, from_disk=from_disk)
    return reading, wanted.further
