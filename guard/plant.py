"""A plant's arms as they are configured: their cells, and how their backup sets and calendars are read. Pure.

Spans are timedeltas, sizes are bytes.
"""

from __future__ import annotations

from datetime import date, timedelta

from guard.record import Record

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Literal

AXIS_ZERO = "axis-zero"
"""The part with the axis zero references: where they differ, the arm moves elsewhere than taught."""

ARM_SPECIFIC_PARTS = (AXIS_ZERO, "image")
"""Parts whose content belongs to one arm alone: in another arm they move it elsewhere than taught."""

EVERY_ARM = "*"
"""Stands for all arms in a rule about calendars."""


class Checks(Record):
    """What makes each file of a part sound. ``None`` leaves a check out."""

    min_bytes: int | None = None
    max_bytes: int | None = None
    not_blank: bool = False
    starts_with: bytes | None = None
    text: str | None = None


class PartRule(Record):
    """One part of a recipe: which files belong to it and how they are checked."""

    name: str
    files: tuple[str, ...]
    at_least: int
    checks: Checks


class Identity(Record):
    """Where a set names the controller it was saved from; ``field`` is the arm's key to compare with."""

    file: str
    pattern: str
    field: Literal["serial", "id", "name"]


class HoldUp(Record):
    """The capacitor that carries a controller's memory while its cell is out. Currents are those at 25 °C.

    ``tolerance`` is by how much less than ``capacitance_f`` it may hold when new, ``ageing`` which
    fraction of that it may have lost since.
    """

    capacitance_f: float
    charged_v: float
    least_v: float
    time_constant_s: float
    current_ua: float
    leakage_ua: float
    doubles_every_c: float = 10.0
    series_resistance_ohm: float = 0.0
    tolerance: float = 0.2
    ageing: float = 0.3


class Recipe(Record):
    """Which parts a complete set has. ``volatile`` patterns differ in every real backup."""

    name: str
    parts: tuple[PartRule, ...]
    volatile: tuple[str, ...] = ()
    identity: Identity | None = None
    hold_up: HoldUp | None = None


class ArchiveLimits(Record):
    """How far an archive may expand before it is refused."""

    members: int
    content_bytes: int
    expansion: int


class Cell(Record):
    """A lithium cell in an arm; ``installed`` is None where nobody recorded it."""

    type: str
    installed: date | None = None


class CellType(Record):
    """A type of lithium cell: what it is for (memory or position), how long it serves, and its figures.

    Self-discharge and standby current are those at 25 °C; spreads are standard deviations as parts of
    the values. ``shelf_life`` is how old a new one may be when it is put in, None where that is not known.
    """

    name: str
    kind: str
    interval: timedelta
    capacity_mah: float | None = None
    usable: float = 0.85
    self_discharge_per_year: float = 0.01
    standby_ua: float | None = None
    spread_capacity: float = 0.05
    spread_standby: float = 0.15
    spread_self_discharge: float = 0.3
    ageing_ev: float = 1.0
    standby_doubles_every_c: float = 10.0
    shelf_life: timedelta | None = None


class Costs(Record):
    """Hours of work after a loss of the memory (common practice, no source).

    To restore a set with its image, to make one later edit again, to rebuild from a set without an
    image, and to teach everything again where there is no set.
    """

    restore_h: float = 2.0
    edit_h: float = 2.0
    rebuild_h: float = 16.0
    reteach_h: float = 80.0


class LossLimits(Record):
    """From which part of a cell's charge a need, and from which chance a loss, is a caution and a hold.

    ``failures_per_year`` is how often a cell fails at random. All are common practice, no source.
    """

    charge_caution: float = 0.5
    charge_hold: float = 0.8
    loss_caution: float = 0.01
    loss_hold: float = 0.1
    failures_per_year: float = 0.002


class Arm(Record):
    """One robot arm with its controller."""

    id: str
    name: str = ""
    area: str = ""
    serial: str = ""
    recipe: str = "standard"
    cells: tuple[Cell, ...] = ()
    powered_fraction: float = 0.85
    ambient_c: float = 25.0
    presence: str = ""
    """Address at which the controller answers while its mains are on, as tcp://host:port; empty where none is."""
    hold_up: HoldUp | None = None
    """Takes the place of the recipe's."""
    costs: Costs = Costs()


class CalendarRule(Record):
    """How entries of a calendar are read: those that match all the patterns that are there are of this kind, on these arms.

    ``kind`` is None where the entry itself names it, and none for entries that plan nothing; ``arms`` are
    ids, areas or ``*``, empty where the entry names them.
    """

    categories: str | None = None
    summary: str | None = None
    location: str | None = None
    kind: str | None = None
    arms: tuple[str, ...] = ()
