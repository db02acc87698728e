"""Reads one set whole and makes sure that it did not change meanwhile."""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime

from guard.model import Form
from guard.plant import Recipe
from guard.share.checksums import SUMS_NAME, further_algorithms
from guard.share.ground import Ground
from guard.share.layout import stem
from guard.share.listing import SetChanged
from guard.share.outside import Appearance, appearance
from guard.share.recipe import Inspection, views
from guard.share.sealing import Sealed, keeps_content, seal
from guard.share.source import Reading, Wanted, read_folder


def read_set(
    ground: Ground,
    path: str,
    form: Form,
    recipe: Recipe,
    before: Appearance,
    as_of: datetime,
    progress: Callable[[int], None],
    *,
    from_disk: bool = False,
) -> Sealed:
    """Read a set whole, as it looked ``before``, and judge it by the recipe.

    Raises SetChanged where it does not look the same afterwards, by names, sizes, times and
    the time of the last change; SetUnreadable where it cannot be read.
    """
    where = f"{ground.root}/{path}"
    inspection = Inspection(recipe)
    reading, further = _read(ground, where, before, inspection, (), progress, from_disk=from_disk)
    also = further_algorithms({file.path: file for file in reading.files})
    if also:
        _, further = _read(ground, where, before, inspection, also, lambda _: None, from_disk=False)
        further = {(name[len(reading.taken_off) :], kind): d for (name, kind), d in further.items()}
    if appearance(where, form) != before:
        raise SetChanged(path)
    return seal(reading, inspection, further, as_of)


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
    identity = inspection.recipe.identity
    names = {SUMS_NAME, "bagit.txt", "fetch.txt", os.path.basename(identity.file) if identity else ""}

    def keeps(path: str) -> bool:
        name = path.rpartition("/")[2]
        if name not in names and "manifest-" not in name:
            return False  # as for nearly every file, and quicker than all its views
        return any(keeps_content(view, inspection.recipe) for view in views(path))

    wanted = Wanted(inspection, keeps, progress, also, {})
    if before.listing is None:
        from guard.share.archive import read_archive

        name = stem(os.path.basename(where)) or ""
        reading = read_archive(where, name, ground.zone(), ground.archives, wanted, from_disk=from_disk)
    else:
        reading = read_folder(where, before.listing, wanted, from_disk=from_disk)
    return reading, wanted.further
