"""What the cells of an arm say: ages, alarms, the chance of a loss, spares."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import UTC, date, datetime, timedelta
from typing import NamedTuple

from tests.oracle.memory import Memory
from tests.oracle.setting import YEAR, Arm, Cell

REPLACES = {"memory-swap": ("memory",), "position-swap": ("position",), "service-visit": ("memory", "position")}
"""Design 3: one visit may do both."""
SWAPS = ("memory-swap", "position-swap")
LIKELY = {"caution": 0.01, "hold": 0.1}


class Said(NamedTuple):
    """One finding about a cell."""

    code: str
    level: str
    subject: str


def installed(memory: Memory, arm: Arm, cell: Cell) -> datetime | None:
    """When a cell was put in: the later of what is configured and what was told; from that day's beginning."""
    days = [day for day in (cell.installed, memory.cell_changed(arm.id, "cell-changed", cell.type)) if day]
    return _midnight(memory, max(days)) if days else None


def _midnight(memory: Memory, day: date) -> datetime:
    return datetime(day.year, day.month, day.day, tzinfo=memory.setting.zone).astimezone(UTC)


def about_cells(memory: Memory, arm: Arm, action: str, at: datetime, off: timedelta) -> Iterable[Said]:
    """All findings about the cells of an arm; where position cells are changed, the mains stay on (design 3)."""
    kinds = {cell.kind for cell in arm.cells}
    if action in SWAPS and not kinds & set(REPLACES[action]):
        yield Said("spare-missing", "caution", "")  # no type is known whose spares could have been recorded
    if not arm.cells:
        yield Said("cell-age-unknown", "caution", "")
    for cell in arm.cells:
        replaced = cell.kind in REPLACES.get(action, ())
        yield from _about_age(memory, arm, cell, replaced, at)
        if _alarmed(memory, arm, cell):
            yield Said("cell-alarm", "caution" if replaced else "hold", cell.type)
        if cell.kind == "memory" and action != "position-swap" and (since := installed(memory, arm, cell)):
            chance = 1 - math.exp(-memory.setting.failures_per_year * ((at + off - since) / YEAR))
            level = next((one for one in ("hold", "caution") if chance >= LIKELY[one]), None)
            if level:
                yield Said("loss-likely", "caution" if replaced else level, cell.type)
        if replaced and action in SWAPS:
            left = memory.stock.get(cell.type)
            if left is None or left <= 0:
                yield Said("spare-missing", "caution" if left is None else "hold", cell.type)


def _about_age(memory: Memory, arm: Arm, cell: Cell, replaced: bool, at: datetime) -> Iterable[Said]:
    since = installed(memory, arm, cell)
    if since is None:
        yield Said("cell-age-unknown", "caution" if replaced else "unknown", cell.type)
    elif at - since > cell.interval:
        yield Said("cell-overdue", "caution" if replaced else "hold", cell.type)
    elif at - since >= cell.interval * 0.9:
        yield Said("cell-due-soon", "caution", cell.type)


def _alarmed(memory: Memory, arm: Arm, cell: Cell) -> bool:
    """A cell-alarm mark with no later cell-changed mark of that cell; an alarm of no named cell is about any."""
    alarms = [mark for mark in memory.marks if (mark.arm, mark.kind) == (arm.id, "cell-alarm")]
    changes = [mark.at for mark in memory.marks if (mark.arm, mark.kind, mark.cell) == (arm.id, "cell-changed", cell.type)]
    return any(mark.cell in ("", cell.type) and not any(at > mark.at for at in changes) for mark in alarms)


def moments(memory: Memory, arm: Arm, off: timedelta) -> set[datetime]:
    """Every moment at which one of the findings may change by itself."""
    found = set()
    for cell in arm.cells:
        if since := installed(memory, arm, cell):
            found |= {since + cell.interval, since + cell.interval * 0.9}
            if memory.setting.failures_per_year and cell.kind == "memory":
                for chance in LIKELY.values():
                    found.add(since - off + YEAR * (-math.log(1 - chance) / memory.setting.failures_per_year))
    return found
