"""What the cells of an arm say: ages, alarms, the chance of a loss, spares."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from tests.oracle.memory import Memory
from tests.oracle.setting import YEAR, Arm, Cell
from tests.oracle.standing import Found

REPLACES = {"memory-swap": ("memory",), "position-swap": ("position",), "service-visit": ("memory", "position")}
"""Design 3: one visit may do both."""
SWAPS = ("memory-swap", "position-swap")
LIKELY = {"caution": 0.01, "hold": 0.1}
LEAST_MAH = 100
"""Plants have cells that hold more than they need by far, or that were spent long ago: `plants.AMPLE`, `SPENT`."""


def installed(memory: Memory, arm: Arm, cell: Cell) -> datetime | None:
    """When a cell was put in: as a person told of its change, else as configured; a day begins at 00:00 UTC."""
    day = memory.cell_changed(arm.id, "cell-changed", cell.type) or cell.installed
    return datetime(day.year, day.month, day.day, tzinfo=UTC) if day else None


def about_cells(memory: Memory, arm: Arm, action: str, at: datetime, off: timedelta) -> Iterable[Found]:
    """All findings about the cells of an arm."""
    if not arm.cells:
        yield Found("cell-age-unknown", "caution", "")
    for cell in arm.cells:
        replaced = cell.kind in REPLACES.get(action, ())
        yield from _about_age(memory, arm, cell, at, replaced=replaced)
        if _alarmed(memory, arm, cell):
            yield Found("cell-alarm", "caution" if replaced else "hold", cell.type)
        if cell.kind == "memory" and action != "position-swap":
            for said in _about_charge(memory, arm, cell, at + off, replaced=replaced):
                yield said._replace(subject=f"{cell.type} for {off}")
    if action in SWAPS:
        yield from _about_spares(memory, arm, REPLACES[action][0])


def _about_charge(memory: Memory, arm: Arm, cell: Cell, end: datetime, *, replaced: bool) -> Iterable[Found]:
    """Design 7; only where figures are known, and not where the mains stay on (design 3)."""
    since = installed(memory, arm, cell)
    if cell.capacity_mah is None or since is None:
        return
    if cell.capacity_mah < LEAST_MAH:
        yield Found("charge-short", "caution" if replaced else "hold", cell.type)
        yield Found("loss-likely", "caution" if replaced else "hold", cell.type)
        return
    since = _survived(memory, arm, since)
    chance = 1 - math.exp(-memory.setting.failures_per_year * ((end - since) / YEAR))
    level = next((one for one in ("hold", "caution") if chance >= LIKELY[one]), None)
    if level:
        yield Found("loss-likely", "caution" if replaced else level, cell.type)


def _survived(memory: Memory, arm: Arm, since: datetime) -> datetime:
    """Since when the cell can have failed unnoticed: what came through a power-down had not failed until then."""
    back = [mark.at for mark in memory.marks if (mark.arm, mark.kind) == (arm.id, "powered-on")]
    off = [mark.at for mark in memory.marks if (mark.arm, mark.kind) == (arm.id, "powered-off")]
    return max([since, *(min(on for on in back if on > at) for at in off if any(on > at for on in back))])


def _about_spares(memory: Memory, arm: Arm, kind: str) -> Iterable[Found]:
    """A spare of each type that the arm lists; where it lists none, of any type of that kind."""
    types = [cell.type for cell in arm.cells if cell.kind == kind]
    counts = [memory.stock.get(each) for each in types]
    if not types:
        any_type = {cell.type for one in memory.setting.arms for cell in one.cells if cell.kind == kind}
        any_type.add(f"{kind}-cell")  # the type that is there without being configured
        told = [memory.stock.get(each) for each in any_type]
        counts = [next((one for one in told if one), 0 if told and None not in told else None)]
    for count in counts:
        if count is None or count <= 0:
            yield Found("spare-missing", "caution" if count is None else "hold", kind)


def _about_age(memory: Memory, arm: Arm, cell: Cell, at: datetime, *, replaced: bool) -> Iterable[Found]:
    since = installed(memory, arm, cell)
    if since is None:
        yield Found("cell-age-unknown", "caution" if replaced else "unknown", cell.type)
    elif at - since > cell.interval:
        yield Found("cell-overdue", "caution" if replaced else "hold", cell.type)
    elif at - since >= cell.interval * 0.9:
        yield Found("cell-due-soon", "caution", cell.type)


def _alarmed(memory: Memory, arm: Arm, cell: Cell) -> bool:
    """A cell-alarm mark with no later cell-changed mark of that cell; an alarm of no named cell is about any."""
    alarms = [mark for mark in memory.marks if (mark.arm, mark.kind) == (arm.id, "cell-alarm")]
    changes = [
        mark.at for mark in memory.marks if (mark.arm, mark.kind, mark.cell) == (arm.id, "cell-changed", cell.type)
    ]
    return any(mark.cell in ("", cell.type) and not any(at > mark.at for at in changes) for mark in alarms)


def moments(memory: Memory, arm: Arm, off: timedelta) -> set[datetime]:
    """Every moment at which one of the findings may change by itself."""
    found = set()
    for cell in arm.cells:
        if since := installed(memory, arm, cell):
            found |= {since + cell.interval, since + cell.interval * 0.9}
            if memory.setting.failures_per_year and cell.capacity_mah:
                for chance in LIKELY.values():
                    found.add(
                        _survived(memory, arm, since)
                        - off
                        + YEAR * (-math.log(1 - chance) / memory.setting.failures_per_year)
                    )
    return found
