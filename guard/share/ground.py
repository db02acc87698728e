"""Where to look and by what: one place with its layouts, and the recipe of every arm."""

from __future__ import annotations

from collections.abc import Callable, Collection
from datetime import datetime, timedelta, tzinfo
from functools import lru_cache

from guard.digest import text_digest
from guard.plant import ArchiveLimits, Recipe
from guard.record import Record
from guard.share.find import Found
from guard.share.layout import Layout, is_zip, stamp_moment


class Ground(Record):
    """Where to look and by what: one place with its layouts, and the recipe of every arm."""

    root: str
    layouts: tuple[Layout, ...]
    zone: Callable[[], tzinfo]
    settle: timedelta
    arms: Collection[str]
    recipe_of: Callable[[str], Recipe]
    archives: ArchiveLimits
    reading: str
    """By what the names of sets are read: the zone and the layouts."""


def stamp_of(found: Found, ground: Ground) -> datetime | None:
    """The moment that a set's name claims for its capture."""
    return None if found.stamp is None else stamp_moment(found.stamp, ground.zone())


def judgements(recipe: Recipe, zone: str) -> tuple[str, str]:
    """By what sets are judged: by the recipe, and zips, in which times are local ones, by the recipe and the zone."""
    digest = recipe_digest(recipe)
    return digest, f"{digest} {zone}"


def judged_by(ground: Ground, arm: str, path: str) -> str:
    """Which of the two a set is judged by."""
    return judgements(ground.recipe_of(arm), str(ground.zone()))[is_zip(path)]


@lru_cache(maxsize=64)
def recipe_digest(recipe: Recipe) -> str:
    """What tells two recipes apart as far as completeness goes; volatile patterns do not count."""
    return text_digest(repr((recipe.parts, recipe.identity)))
