"""The facts about one invented arm, put together without a share or a catalogue: for tests of the pure rules."""

from __future__ import annotations

import hashlib
from datetime import UTC, date, datetime, timedelta
from typing import Any, NamedTuple

from guard.model import (
    Action,
    ArmFacts,
    BackupSet,
    Finding,
    FittedCell,
    Limits,
    Mark,
    Part,
    Powered,
    Question,
    ShareFacts,
    SignOff,
    SpareCells,
    SwapWindow,
    Verdict,
)
from guard.physics.cell_life import CellFigures
from guard.plant import Arm, CellType, Checks, Identity, PartRule, Recipe
from guard.rules.verdict import verdict

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)
MICROSECOND = timedelta(microseconds=1)
HOUR = timedelta(hours=1)
DAY = timedelta(days=1)

ARM = Arm("arm-07", name="Fettling cell, left", area="finishing", serial="RC-0771")
RECIPE = Recipe(
    "standard",
    tuple(PartRule(name, (name,), 1, Checks()) for name in ("programs", "axis-zero", "image")),
    volatile=("history/**",),
    identity=Identity("settings.toml", 'serial = "(?P<serial>[^"]+)"', "serial"),
)
LIMITS = Limits(
    fresh=(
        ("power-down", 7 * DAY),
        ("memory-swap", DAY),
        ("position-swap", 7 * DAY),
        ("service-visit", DAY),
    ),
    read_back_within=30 * DAY,
    restore_test_within=None,
    copies_needed=0,
    unseen_after=26 * HOUR,
    parts_apart=DAY,
    shrink_permille=300,
)


PLANT_CELL = CellFigures(
    capacity_mah=1000,
    standby_ua=20.0,
    usable=0.85,
    self_discharge_per_year=0.01,
    spread_capacity=0.05,
    spread_standby=0.15,
    spread_self_discharge=0.3,
    ageing_ev=1.0,
    standby_doubles_every_c=10.0,
)
MEMORY_CELL = CellType("memory-cell", "memory", timedelta(days=1461))
POSITION_CELL = CellType("position-cell", "position", timedelta(days=365))
YOUNG_CELLS = tuple(
    FittedCell(each._replace(interval=100 * each.interval), date(2026, 11, 1)) for each in (MEMORY_CELL, POSITION_CELL)
)
"""Cells that give no cause for a finding, now or within any horizon."""


def proven(age: timedelta = 6 * HOUR, path: str | None = None, **changes: Any) -> BackupSet:
    """A complete set that was read back soon after it was saved, ``age`` before now."""
    taken = NOW - age
    path = path or f"arm-07/{taken:%Y-%m-%d_%H%M}"
    backup = BackupSet(
        path,
        "folder",
        first_seen=min(taken + timedelta(minutes=5), NOW),
        stamp=taken,
        newest_member=taken,
        fingerprint=hashlib.sha256(path.encode()).hexdigest(),
        files=12,
        bytes=100_000,
        parts=(
            Part("programs", 10, 30_000, ok=True, digest="programs", newest=taken),
            Part("axis-zero", 1, 4_000, ok=True, digest="zero", newest=taken),
            Part("image", 1, 66_000, ok=True, digest="image", newest=taken),
        ),
        checked=True,
        identity=ARM.serial,
        last_read_at=min(taken + HOUR, NOW),
    )
    return backup._replace(**changes)


def part(backup: BackupSet, name: str, **changes: Any) -> BackupSet:
    """The set with one of its parts changed."""
    return backup._replace(
        parts=tuple(each._replace(**changes) if each.name == name else each for each in backup.parts)
    )


def mark(kind: str, at: datetime, **more: Any) -> Mark:
    """A mark on the arm."""
    return Mark(kind, ARM.id, at, **more)


LONG_ON = Powered(on=True, since=NOW - DAY, source="marked powered-on by Ana")
"""Powered for long enough that its memory cell may be changed."""


def window(out: timedelta, **changes: Any) -> SwapWindow:
    """A swap window of 30 minutes in which the cell has been out for so long by now."""
    begun = SwapWindow(NOW - out, out, timedelta(minutes=30), "Ana", rests_on="arm-07/x", fingerprint="f" * 64)
    return begun._replace(**changes)


def sign_off(code: str, **changes: Any) -> SignOff:
    """A sign-off made an hour ago for a day, about the arm as such."""
    return SignOff(code, "Ana", "spare arm stands by", NOW - HOUR, NOW + DAY)._replace(**changes)


class Given(NamedTuple):
    """Facts, and what is asked about them."""

    facts: ArmFacts
    question: Question

    @property
    def verdict(self) -> Verdict:
        return verdict(self.facts, self.question)

    def findings(self, code: str) -> list[Finding]:
        """The findings with that code in the verdict."""
        return [found for found in self.verdict.findings if found.code == code]


def given(
    *sets: BackupSet,
    at: datetime = NOW,
    action: Action = "power-down",
    marks: tuple[Mark, ...] = (),
    limits: dict[str, Any] | None = None,
    share: dict[str, Any] | None = None,
    **changes: Any,
) -> Given:
    """The arm with these sets on a share that was just looked at; ``limits`` and ``share`` change theirs."""
    facts = ArmFacts(
        arm=ARM,
        recipe=RECIPE,
        limits=LIMITS._replace(**(limits or {})),
        share=ShareFacts("right", NOW)._replace(**(share or {})),
        as_of=NOW,
        sets=sets,
        marks=marks,
        cells=YOUNG_CELLS,
        spares=tuple(SpareCells(cell.type, 5) for cell in YOUNG_CELLS),
    )
    return Given(facts._replace(**changes), Question(action, at, 8 * HOUR))
