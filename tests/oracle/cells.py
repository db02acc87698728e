"""What the cells of an arm say: ages, alarms, the chance of a loss, spares."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta

from tests.oracle.charge import HOUR, chance, charge_at, first_moment, mains, needed
from tests.oracle.setting import YEAR, Cell
from tests.oracle.standing import Found, Standing

REPLACES = {"memory-swap": ("memory",), "position-swap": ("position",), "service-visit": ("memory", "position")}
"""Design 3: one visit may do both."""
SWAPS = ("memory-swap", "position-swap")


def installed(standing: Standing, cell: Cell) -> datetime | None:
    """When a cell was put in: as a person told of its change, else as configured; a day begins at 00:00 UTC."""
    told = standing.memory.cell_changed(standing.arm.id, cell.type)
    day = told.at.astimezone(standing.setting.zone).date() if told else cell.installed
    return datetime(day.year, day.month, day.day, tzinfo=UTC) if day else None


def has_come(standing: Standing, since: datetime) -> bool:
    """Whether the day on which a cell was put in has begun, wherever it was written down: days begin up to 14 h early."""
    return since - timedelta(hours=14) <= standing.now


def made(date_code: str) -> datetime:
    """From when on a cell ages: of the month that its date code names, the first day is the careful reading."""
    return datetime(int(date_code[:4]), int(date_code[5:]), 1, tzinfo=UTC)


def lay_for(standing: Standing, cell: Cell) -> timedelta:
    """How long a cell lay on a shelf before it was put in, where that was told."""
    told, since = standing.memory.cell_changed(standing.arm.id, cell.type), installed(standing, cell)
    return max(since - made(told.date_code), timedelta()) if told and told.date_code and since else timedelta()


def about_cells(standing: Standing, action: str, at: datetime, off: timedelta) -> Iterable[Found]:
    """All findings about the cells of an arm."""
    arm = standing.arm
    if not arm.cells:
        yield Found("cell-age-unknown", "caution", "")
    for cell in arm.cells:
        replaced = cell.kind in REPLACES.get(action, ())
        carries = timedelta() if replaced or action == "position-swap" else off  # nobody changes it meanwhile
        yield from _about_age(standing, cell, at, carries, replaced=replaced)
        if cell.shelf_life and lay_for(standing, cell) > cell.shelf_life:
            yield Found("old-when-put-in", "caution", cell.type)
        if action != "position-swap":  # for which the mains stay on (design 3)
            yield from _about_charge(standing, cell, at, off, replaced=replaced)
    yield from _about_alarms(standing, action)
    if action in SWAPS:
        yield from _about_spares(standing, at, REPLACES[action][0])


def _about_charge(standing: Standing, cell: Cell, at: datetime, off: timedelta, *, replaced: bool) -> Iterable[Found]:
    """Design 7; only where figures are known."""
    for code, crossed in crossings(standing, cell, off).items():
        level = next((one for one in ("hold", "caution") if crossed[one] and at >= crossed[one]), None)
        if level:
            yield Found(code, "caution" if replaced else level, f"{cell.type} {installed(standing, cell)} for {off}")


def crossings(standing: Standing, cell: Cell, off: timedelta) -> dict[str, dict[str, datetime | None]]:
    """From when on an event is charge-short and loss-likely, by level."""
    key, memory = (cell.type, off), standing.memory
    if key not in standing.crossings:
        standing.crossings[key] = _crossings(standing, cell, off)
    return {
        code: {
            level: memory.exact((standing.arm.id, *key, code, level), rough, standing.now)
            for level, rough in levels.items()
        }
        for code, levels in standing.crossings[key].items()
    }


def _crossings(standing: Standing, cell: Cell, off: timedelta) -> dict[str, dict[str, datetime | None]]:
    since, arm, failures = installed(standing, cell), standing.arm, standing.setting.failures_per_year
    if cell.figures is None or since is None or not has_come(standing, since):
        return {}
    figures = cell.figures._replace(shelf_years=lay_for(standing, cell) / YEAR)
    survived, setting = _survived(standing, since), standing.setting
    marks = standing.marks("powered-on", "powered-off")
    start = standing.now - HOUR  # the tool was asked a little earlier

    def share_needed(at: datetime) -> float:
        left = charge_at(figures, arm, mains(marks, 1 - arm.powered, since, at))
        return needed(figures, arm, off) / left if left > 0 else math.inf

    def chance_of_loss(at: datetime) -> float:
        failed = 1 - math.exp(-failures * max((at + off - survived) / YEAR, 0))
        short = chance(figures, arm, mains(marks, 1 - arm.powered, since, at), off)
        return short + failed * (1 - short)

    told = {"charge-short": (share_needed, setting.short)}
    if cell.kind == "memory":  # explain: "the chance that the cell does not carry the memory"
        told["loss-likely"] = (chance_of_loss, setting.likely)
    return {
        code: {level: first_moment(rising, limit, start) for level, limit in limits.items()}
        for code, (rising, limits) in told.items()
    }


def _survived(standing: Standing, since: datetime) -> datetime:
    """Since when the cell can have failed unnoticed: what came through a power-down had not failed until then."""
    back = [mark.at for mark in standing.marks("powered-on")]
    off = [mark.at for mark in standing.marks("powered-off")]
    return max([since, *(min(on for on in back if on > at) for at in off if any(on > at for on in back))])


def _about_spares(standing: Standing, at: datetime, kind: str) -> Iterable[Found]:
    """A spare of each type that the arm lists; where it lists none, of any type of that kind."""
    types = {cell.type: cell for one in standing.setting.arms for cell in one.cells if cell.kind == kind}
    listed = [[cell.type] for cell in standing.arm.cells if cell.kind == kind]
    anything = [*types, f"{kind}-cell"]  # the type that is there without being configured
    for serving in listed or [anything]:
        worth = {worth for each in serving for worth in _worth(standing, types.get(each), each, at)}
        if "good" not in worth:
            yield Found("spare-missing", "caution" if "unknown" in worth else "hold", kind)


def _worth(standing: Standing, cell: Cell | None, name: str, at: datetime) -> Iterable[str]:
    """What is known of the spares of a type: good, unknown, or nothing where none is left that may be put in."""
    lots = standing.memory.stock.get(name)
    if lots is None:
        yield "unknown"  # nobody counted them
    for date_code, count in (lots or {}).items():
        if count > 0 and cell and cell.shelf_life:
            if not date_code:
                yield "unknown"
            elif not standing.after(at, made(date_code) + cell.shelf_life):
                yield "good"
        elif count > 0:
            yield "good"


def _about_age(standing: Standing, cell: Cell, at: datetime, off: timedelta, *, replaced: bool) -> Iterable[Found]:
    since = installed(standing, cell)
    if since is None or not has_come(standing, since):
        yield Found("cell-age-unknown", "caution" if replaced else "unknown", cell.type)
    elif at - since > cell.interval:
        yield Found("cell-overdue", "caution" if replaced else "hold", f"{cell.type} {since}")
    elif at - since >= cell.interval * 0.9 or at + off - since > cell.interval:
        yield Found("cell-due-soon", "caution", cell.type)


def _about_alarms(standing: Standing, action: str) -> Iterable[Found]:
    """Alarms with no later change of that cell, listed or not; one of no named cell is about all that the arm has."""
    kinds = {cell.type: cell.kind for one in standing.setting.arms for cell in one.cells}
    for alarm in standing.marks("cell-alarm"):
        meant = [alarm.cell] if alarm.cell else [cell.type for cell in standing.arm.cells] or [""]
        later = {mark.cell for mark in standing.marks("cell-changed") if mark.at > alarm.at}
        if not later.issuperset(meant):
            replaced = all(kinds.get(cell) in REPLACES.get(action, ()) for cell in meant)
            yield Found("cell-alarm", "caution" if replaced else "hold", f"{alarm.cell} {alarm.at}")


def moments(standing: Standing, off: timedelta) -> set[datetime]:
    """Every moment at which one of the findings may change by itself."""
    found: set[datetime] = set()
    for cell in standing.arm.cells:
        if since := installed(standing, cell):
            found |= {since + cell.interval, since + cell.interval * 0.9, since + cell.interval - off}
        for crossed in crossings(standing, cell, off).values():
            found |= {moment for moment in crossed.values() if moment}
    return found
