"""Invented plants from a seed: how one is configured, and what the sets of its arms hold."""

from __future__ import annotations

import io
import os
import tarfile
import zipfile
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import NamedTuple
from zoneinfo import ZoneInfo

from tests.oracle.clock import now
from tests.oracle.setting import ACTIONS, DAY, YEAR, Arm, Cell, Figures, HoldUp, Part, Setting

ZONES = ("Europe/Berlin", "America/New_York", "Asia/Kolkata", "UTC", "America/Santiago", "Pacific/Auckland")
LAYOUTS = (
    ("{arm}/{taken:%Y-%m-%d_%H%M}",),
    ("{arm}/{taken:%Y-%m-%d_%H%M%S}",),
    ("{any}/{arm}/{taken:%Y-%m-%d %H.%M.%S}",),
    ("{arm}/{taken:%Y%m%d}",),
    ("{any}/{arm}/{taken:%Y%m%d-%H%M}",),
    ("{arm}/{taken:%Y-%m-%d_%H%M}", "{any}/{arm}/{taken:%Y%m%d}"),
)
FORMS = ("", "", "", ".zip", ".tar", ".tar.gz", ".tgz")
HOUR = timedelta(hours=1)
AMPLE, SPENT = 1000, 10
"""Capacities in mAh: with 20 uA for 15 % of the time, 26 mAh a year, one lasts for decades and one for a summer."""


FIGURES: tuple[Callable[[int], Figures], ...] = (
    Figures,
    Figures,
    lambda capacity: Figures(capacity, 12.0, 0.02, 0.9, 8.0, 0.7, (0.1, 0.0, 0.2)),
)
"""By the rest of the capacity, so that one type has one."""


FIFO = "fifo"
"""What a link leads to that is none, but a pipe."""


class Content(NamedTuple):
    """What is to be written as a set: files with their times, and links by name."""

    files: dict[str, tuple[bytes, datetime]]
    links: dict[str, str] = {}  # noqa: RUF012 - a tuple's default, never written to


def make_setting(dice: Random, now: datetime, *, calm: bool) -> Setting:
    """How a plant is configured."""
    parts = {"programs": Part(("programs/**",), dice.choice((1, 1, 2)))}
    if dice.random() < 0.9:
        parts["axis-zero"] = Part(("axis-zero.csv",), min_size=16, text=True, not_blank=True)
    if dice.random() < 0.8:
        starts = dice.choice((b"", b"mem"))
        parts["image"] = Part(("memory.bin",), min_size=dice.choice((512, 2048)), not_blank=True, starts_with=starts)
    if dice.random() < 0.3:
        parts["settings"] = Part(("settings.toml",), dice.choice((0, 1)), text=True)
    copies = ("second", "third")[: dice.choice((0, 0, 1, 2))]
    names = dice.sample(["arm-07", "arm-09", "a.1", "weld_3"], dice.choice((1, 2, 2, 3)))
    return Setting(
        zone=ZoneInfo(dice.choice(ZONES)),
        layouts=dice.choice(LAYOUTS),
        arms=tuple(_arm(dice, name, now, calm=calm) for name in names),
        parts=parts,
        volatile=("history/**",) if dice.random() < 0.8 else (),
        identity=dice.random() < 0.7,
        settle=timedelta(0)
        if calm
        else dice.choices((timedelta(0), timedelta(seconds=1), HOUR / 30, 2 * HOUR), (14, 2, 2, 2))[0],
        fresh={action: dice.choice((24 * HOUR, 7 * DAY, 60 * DAY)) for action in ACTIONS},
        read_back_within=dice.choice((30 * DAY if calm else 2 * HOUR, 30 * DAY, 30 * DAY)),
        restore_test_within=None if calm or dice.random() < 0.7 else 400 * DAY,
        copies=copies,
        copies_needed=dice.randint(0, len(copies)),
        unseen_after=dice.choice((26 * HOUR, 26 * HOUR, timedelta(0))),
        parts_apart=24 * HOUR,
        shrink=0.3,
        limit=30 * timedelta(minutes=1),
        closing=0.7,
        powered_before=30 * timedelta(minutes=1),
        failures_per_year=dice.choice((0.0, 0.0, 0.002, 0.02)),
        short=dice.choice(({"caution": 0.5, "hold": 0.8}, {"caution": 0.2, "hold": 0.3})),
        likely=dice.choice(({"caution": 0.01, "hold": 0.1}, {"caution": 0.002, "hold": 0.3})),
        marker=calm or dice.random() < 0.9,
    )


def _arm(dice: Random, name: str, now: datetime, *, calm: bool) -> Arm:
    ambient, powered = dice.choice((25, 25, 10, 40)), dice.choice((0.85, 0.85, 0.85, 0.3, 1.0))
    hold_up = _hold_up(dice) if dice.random() < 0.3 else None
    cells = _cells(dice, now, calm=calm)
    return Arm(name, f"RC-{name[-1]}4471", cells, ambient, powered, hold_up)


def _hold_up(dice: Random) -> HoldUp:
    """A capacitor; some take longer to charge than the time for which the mains must be on anyway."""
    farad, seconds = dice.choice((0.01, 0.022, 0.1)), dice.choice((60, 600, 600, 4000))
    return HoldUp(farad, 5.0, dice.choice((2.0, 3.0)), seconds, dice.choice((20.0, 40.0)), 2.0, 30.0, 0.2, 0.3)


def _cells(dice: Random, now: datetime, *, calm: bool) -> tuple[Cell, ...]:
    if not calm and dice.random() < 0.05:
        return ()
    found = []
    spoilt = 0.15 if calm else 1.0
    capacity, position = dice.choice((None, AMPLE, AMPLE, SPENT, dice.randrange(15, 90))), dice.choice((None, None, 30))
    for kind, interval, figure in (("memory", 4 * YEAR, capacity), ("position", YEAR, position)):
        if calm or dice.random() < 0.85:
            worn = (
                dice.choice((-0.005, 0.1, 0.3, 0.5, 0.895, 0.95, 0.995, 1.2)) if dice.random() < 0.4 * spoilt else 0.2
            )
            day = None if dice.random() < 0.05 * spoilt else (now - interval * worn).date()
            figures = FIGURES[figure % 3](figure) if figure else None
            shelf_life = 5 * YEAR if kind == "position" or figure else None
            found.append(Cell(f"{kind}-{figure}", kind, day, interval, figures, shelf_life))
    return tuple(found)


def make_content(dice: Random, arm: Arm, taken: datetime, axis: int, taught: int) -> Content:
    """The files of a sound set; ``axis`` counts how often the axis zero references moved, ``taught`` the edits."""
    own = arm.id.encode()
    files = {f"programs/p{number}.txt": b"move to seam %d\n" % number + own for number in range(4)}
    files["axis-zero.csv"] = b"axis,count\n1,%d\n2,-883\n" % (10452 + axis) + own + b"\n"
    files["memory.bin"] = b"mem" + Random(f"{arm.id} {axis} {taught}").randbytes(2048)
    files["settings.toml"] = f'serial = "{arm.serial}"\n'.encode()
    files["history/log.txt"] = f"saved {taken} {dice.random()}\n".encode()
    times = {name: taken - timedelta(seconds=dice.randrange(50)) for name in files} | {"history/log.txt": taken}
    return Content({name: (data, times[name]) for name, data in files.items()})


def write(where: Path, content: Content, form: str, zone: ZoneInfo) -> None:
    """Write a set as a folder or an archive; what it holds has the times that it is to have."""
    where.parent.mkdir(parents=True, exist_ok=True)
    if form == ".zip":
        _write_zip(where, content, zone)
    elif form:
        _write_tar(where, content, form)
    else:
        _write_folder(where, content)


def _write_folder(where: Path, content: Content) -> None:
    where.mkdir(parents=True, exist_ok=True)
    for name, (data, changed) in content.files.items():
        file = where / name
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_bytes(data)
        set_time(file, changed)
    for name, target in content.links.items():
        os.mkfifo(where / name) if target == FIFO else (where / name).symlink_to(target)
    latest = max((changed for _, changed in content.files.values()), default=None)
    for folder, names, _ in os.walk(where):
        for each in (folder, *(os.path.join(folder, name) for name in names)):
            if latest and not os.path.islink(each):
                set_time(Path(each), latest)


def _write_zip(where: Path, content: Content, zone: ZoneInfo) -> None:
    with zipfile.ZipFile(where, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, (data, changed) in content.files.items():
            local = max(changed.astimezone(zone), datetime(1980, 1, 1, tzinfo=zone))
            member = zipfile.ZipInfo(name, local.timetuple()[:6])
            archive.writestr(member, data)
    set_time(where, max((changed for _, changed in content.files.values()), default=now()))


def _write_tar(where: Path, content: Content, form: str) -> None:
    around = "" if len(content.files) % 2 else where.name.removesuffix(form) + "/"
    with tarfile.open(where, "w" if form == ".tar" else "w:gz") as archive:
        for name, (data, changed) in content.files.items():
            member = tarfile.TarInfo(around + name)
            member.size, member.mtime = len(data), int(changed.timestamp())
            archive.addfile(member, io.BytesIO(data))
        for name, target in content.links.items():
            link = tarfile.TarInfo(around + name)
            link.type, link.linkname = (tarfile.FIFOTYPE, "") if target == FIFO else (tarfile.SYMTYPE, target)
            archive.addfile(link)
    set_time(where, max((changed for _, changed in content.files.values()), default=now()))


def set_time(where: Path, moment: datetime) -> None:
    """Give a file or folder a time of modification."""
    os.utime(where, (moment.timestamp(), moment.timestamp()))
