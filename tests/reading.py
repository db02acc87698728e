"""Reads one set, folder or archive, by the tool's own reader: for tests of what it makes of the set."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

from guard.model import Form
from guard.plant import ArchiveLimits, Checks, PartRule, Recipe
from guard.share.ground import Ground
from guard.share.outside import appearance
from guard.share.read import read_set
from guard.share.sealing import Sealed

LIMITS = ArchiveLimits(members=1000, content_bytes=64 << 20, expansion=200)
AS_OF = datetime(2026, 11, 25, 8, tzinfo=UTC)

ANYTHING = Recipe("anything", (PartRule("programs", ("**",), 0, Checks()),))
"""A recipe that any file satisfies, so that only what is wrong with the set itself shows."""


def sealed(where: Path, recipe: Recipe = ANYTHING, limits: ArchiveLimits = LIMITS) -> Sealed:
    """The set that lies there, read whole and judged by the recipe."""
    ground = Ground(str(where.parent), (), lambda: UTC, timedelta(), ("arm-07",), lambda _: recipe, limits, "")
    form: Form = "folder" if where.is_dir() else "archive"
    return read_set(ground, where.name, form, recipe, appearance(str(where), form), AS_OF, lambda _: None)


def faults(found: Sealed) -> list[str]:
    """Why a set is not complete, in words."""
    return [problem.message for problem in found.problems if problem.code == "incomplete-set"]


def odd(found: Sealed) -> list[str]:
    """What in a set is no file of it, in words."""
    return [problem.message for problem in found.problems if problem.code == "odd-entry"]


def paths(found: Sealed) -> list[str]:
    """The paths of a set's files, in the order of the fingerprint."""
    return [file.path for file in found.files]


def write_folder(folder: Path, files: dict[str, bytes]) -> Path:
    """Write files, by their paths below a folder, and return the folder."""
    for path, content in files.items():
        where = folder / path
        where.parent.mkdir(parents=True, exist_ok=True)
        where.write_bytes(content)
    return folder
