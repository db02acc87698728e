"""How two sets differ, told from what was read of their files: by part, and volatile files aside."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from guard.lapses import NO_PART, PartDifference
from guard.model import FileFacts
from guard.plant import Recipe
from guard.share.checksums import is_bag, is_checksum_list, payload
from guard.share.find import is_left_by_a_file_browser
from guard.share.recipe import matches

NAMED = 3
"""So many files of a part are named; the others are counted."""


def saved(files: Iterable[FileFacts]) -> dict[str, FileFacts]:
    """The files that were saved, by the paths they were saved under: no checksum lists, nothing beside a bag's payload."""
    by_path = {file.path: file for file in files}
    in_bag = is_bag(by_path)
    return {
        path: file
        for path, file in payload(by_path).items()
        if (in_bag or not is_checksum_list(path)) and not is_left_by_a_file_browser(path.rpartition("/")[2])
    }


def part_of(path: str, recipe: Recipe) -> str:
    """The first part of the recipe that a file belongs to; NO_PART where it belongs to none."""
    return next((part.name for part in recipe.parts if matches(part.files, path)), NO_PART)


def differences(
    before: Mapping[str, FileFacts], after: Mapping[str, FileFacts], recipe: Recipe
) -> tuple[PartDifference, ...]:
    """How the files of two sets differ, by part in the recipe's order; nothing where only volatile files do."""
    touched: dict[str, list[tuple[str, str]]] = {}
    for path in sorted(before.keys() | after.keys()):
        old, new = before.get(path), after.get(path)
        if old is not None and new is not None and old.sha256 == new.sha256:
            continue
        if not matches(recipe.volatile, path):
            what = "added" if old is None else "removed" if new is None else "changed"
            touched.setdefault(part_of(path, recipe), []).append((what, path))
    names = [*(part.name for part in recipe.parts), NO_PART]
    return tuple(_difference(name, touched[name]) for name in names if name in touched)


def is_another_save(before: Mapping[str, FileFacts], after: Mapping[str, FileFacts], recipe: Recipe) -> bool:
    """Takes as proof of another save a volatile file that the set before does not hold just so.

    Where that one holds no volatile files, they tell nothing, and another save is assumed.
    """
    if not any(matches(recipe.volatile, path) for path in before):
        return True
    return any(
        matches(recipe.volatile, path) and (path not in before or before[path].sha256 != file.sha256)
        for path, file in after.items()
    )


def _difference(part: str, touched: list[tuple[str, str]]) -> PartDifference:
    counts = {what: sum(each == what for each, _ in touched) for what in ("added", "removed", "changed")}
    # What is missing was lost, what is new was not: it is named last.
    ranked = sorted(touched, key=lambda each: (("removed", "changed", "added").index(each[0]), each[1]))
    return PartDifference(
        part, counts["added"], counts["removed"], counts["changed"], tuple(path for _, path in ranked[:NAMED])
    )
