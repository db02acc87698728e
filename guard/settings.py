"""The settings of one plant as frozen types."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta, tzinfo

from guard.model import ArchiveLimits, Arm, Limits, Recipe
from guard.record import Record


class CellType(Record):
    """A type of lithium cell: what it is for, how long it serves, and its figures."""

    name: str
    kind: str
    interval: timedelta
    capacity_mah: float | None = None
    usable: float = 0.85
    self_discharge_per_year: float = 0.01
    standby_ua: float | None = None
    spread_capacity: float = 0.05
    spread_standby: float = 0.15


class Window(Record):
    """How long a controller may wait for its new memory cell."""

    limit: timedelta
    closing: float
    powered_before: timedelta


class Keep(Record):
    """Which sets retention keeps."""

    all_for: timedelta
    daily: int
    weekly: int
    monthly: int
    yearly: int
    at_least: int
    grace: timedelta


class Settings(Record):
    """Everything that the configuration says. Paths are absolute."""

    file: str
    plant: str
    timezone: str
    state: str
    share: str
    layouts: tuple[str, ...]
    settle: timedelta
    watch: str
    copies: tuple[str, ...]
    limits: Limits
    archives: ArchiveLimits
    window: Window
    keep: Keep
    recipes: Mapping[str, Recipe]
    cell_types: Mapping[str, CellType]
    arms: Mapping[str, Arm]

    def zone(self) -> tzinfo:
        """The plant's zone."""
        from zoneinfo import ZoneInfo

        return ZoneInfo(self.timezone)

    def recipe_of(self, arm: str) -> Recipe:
        """The recipe of an arm's sets."""
        return self.recipes[self.arms[arm].recipe]
