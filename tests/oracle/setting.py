"""What a plant is configured to be, as the oracle and the configuration file both need it."""

from __future__ import annotations

from datetime import date, timedelta
from typing import NamedTuple
from zoneinfo import ZoneInfo

DAY = timedelta(days=1)
YEAR = timedelta(days=365.25)
ACTIONS = ("power-down", "memory-swap", "position-swap", "service-visit")


class Part(NamedTuple):
    """A part of a recipe: patterns of its files, how many there must be, and how each is checked."""

    files: tuple[str, ...]
    at_least: int = 1
    min_size: int = 0
    text: bool = False
    not_blank: bool = False
    starts_with: bytes = b""


class Figures(NamedTuple):
    """Of a cell and of what draws from it; ``discharge`` is per year at 25 degrees C, spreads are parts of the values."""

    capacity_mah: float
    standby_ua: float = 20.0
    discharge: float = 0.01
    usable: float = 0.85
    doubles_every_c: float = 10.0
    ageing_ev: float = 1.0
    spreads: tuple[float, float, float] = (0.05, 0.15, 0.3)  # of capacity, standby and self-discharge
    shelf_years: float = 0.0


class HoldUp(NamedTuple):
    """A capacitor that carries the memory while its cell is out, each figure for its worst case."""

    capacitance_f: float
    charged_v: float
    least_v: float
    time_constant_s: float
    current_ua: float
    leakage_ua: float
    series_ohm: float
    tolerance: float
    ageing: float


class Cell(NamedTuple):
    """A cell of an arm, as configured."""

    type: str
    kind: str
    installed: date | None
    interval: timedelta
    figures: Figures | None = None
    shelf_life: timedelta | None = None


class Arm(NamedTuple):
    """An arm, as configured."""

    id: str
    serial: str
    cells: tuple[Cell, ...]
    ambient_c: int = 25
    powered: float = 0.85
    hold_up: HoldUp | None = None


class Setting(NamedTuple):
    """The whole configuration, as far as verdicts depend on it."""

    zone: ZoneInfo
    layouts: tuple[str, ...]
    arms: tuple[Arm, ...]
    parts: dict[str, Part]
    volatile: tuple[str, ...]
    identity: bool
    settle: timedelta
    fresh: dict[str, timedelta]
    read_back_within: timedelta
    restore_test_within: timedelta | None
    copies: tuple[str, ...]
    copies_needed: int
    unseen_after: timedelta
    parts_apart: timedelta
    shrink: float
    limit: timedelta
    closing: float
    powered_before: timedelta
    failures_per_year: float
    short: dict[str, float]  # from which part of the charge left on an event takes too much of it, by level
    likely: dict[str, float]  # and from which chance of a loss on
    marker: bool

    def arm(self, name: str) -> Arm:
        """The arm of that id."""
        return next(arm for arm in self.arms if arm.id == name)

    def toml(self) -> str:
        """The configuration file."""
        kinds = {cell.type: cell for arm in self.arms for cell in arm.cells}
        fresh = "".join(f'{action} = "{_span(limit)}"\n' for action, limit in self.fresh.items())
        restore = "off" if self.restore_test_within is None else _span(self.restore_test_within)
        return "".join(
            [
                f'[plant]\nname = "Plant"\ntimezone = "{self.zone.key}"\n',
                f'[share]\npath = "share"\nlayout = {_list(self.layouts)}\nsettle = "{_span(self.settle)}"\n',
                f"copies = {_list(self.copies)}\ncopies-needed = {self.copies_needed}\n",
                f'unseen-after = "{_span(self.unseen_after)}"\n[fresh]\n{fresh}',
                f'[proof]\nread-back-within = "{_span(self.read_back_within)}"\nrestore-test-within = "{restore}"\n',
                f'[limits]\nparts-apart = "{_span(self.parts_apart)}"\nshrink = {self.shrink}\n',
                f'[window]\nlimit = "{_span(self.limit)}"\nclosing = {self.closing}\n',
                f'powered-before = "{_span(self.powered_before)}"\n',
                f"[loss]\nfailures-per-year = {self.failures_per_year}\n",
                "".join(f"charge-{level} = {limit}\n" for level, limit in self.short.items()),
                "".join(f"loss-{level} = {limit}\n" for level, limit in self.likely.items()),
                self._recipe(),
                *(
                    f'[cell-types.{name}]\nkind = "{cell.kind}"\ninterval = "{_span(cell.interval)}"\n' + _figures(cell)
                    for name, cell in kinds.items()
                ),
                *(self._arm(arm) for arm in self.arms),
            ]
        )

    def _recipe(self) -> str:
        lines = [f"[recipes.standard]\nvolatile = {_list(self.volatile)}\n"]
        if self.identity:
            lines.append('identity = { file = "settings.toml", pattern = \'serial = "(?P<serial>[^"]+)"\' }\n')
        for name, part in self.parts.items():
            checks = [f'min-size = "{part.min_size} B"'] if part.min_size else []
            checks += ['text = "utf-8"'] if part.text else []
            checks += ["not-blank = true"] if part.not_blank else []
            checks += [f'starts-with = "{part.starts_with.hex(" ")}"'] if part.starts_with else []
            lines.append(f"[recipes.standard.parts.{name}]\nfiles = {_list(part.files)}\n")
            lines.append(f"at-least = {part.at_least}\nchecks = {{ {', '.join(checks)} }}\n")
        return "".join(lines)

    @staticmethod
    def _arm(arm: Arm) -> str:
        cells = ", ".join(
            f'{{ type = "{cell.type}"' + (f", installed = {cell.installed}" if cell.installed else "") + " }"
            for cell in arm.cells
        )
        text = f'[[arms]]\nid = "{arm.id}"\nserial = "{arm.serial}"\narea = "hall"\nrecipe = "standard"\n'
        text += f"cells = [{cells}]\nambient-c = {arm.ambient_c}\npowered-fraction = {arm.powered}\n"
        return text + (_hold_up(arm.hold_up) if arm.hold_up else "")


def _hold_up(one: HoldUp) -> str:
    names = ("capacitance-f", "charged-v", "least-v", "time-constant-s", "current-ua", "leakage-ua")
    names += ("series-resistance-ohm", "tolerance", "ageing")
    return "hold-up = { " + ", ".join(f"{name} = {figure}" for name, figure in zip(names, one, strict=True)) + " }\n"


def _figures(cell: Cell) -> str:
    shelf = f'shelf-life = "{_span(cell.shelf_life)}"\n' if cell.shelf_life else ""
    if cell.figures is None:
        return shelf
    names = ("capacity-mah", "standby-ua", "self-discharge-per-year", "usable", "standby-doubles-every-c", "ageing-ev")
    told = "".join(f"{name} = {figure}\n" for name, figure in zip(names, cell.figures, strict=False))
    capacity, standby, discharge = cell.figures.spreads
    spread = f"capacity = {capacity}, standby = {standby}, self-discharge = {discharge}"
    return f"{shelf}{told}spread = {{ {spread} }}\n"


def _span(span: timedelta) -> str:
    return f"{round(span.total_seconds())}s"


def _list(texts: tuple[str, ...]) -> str:
    return "[" + ", ".join(f'"{text}"' for text in texts) + "]"
