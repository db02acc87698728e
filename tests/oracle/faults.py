"""What goes wrong: with a set as it is saved, and with sets that lie on the share."""

from __future__ import annotations

import hashlib
import os
import shutil
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from random import Random
from zoneinfo import ZoneInfo

from tests.oracle.clock import now
from tests.oracle.memory import Memory
from tests.oracle.plants import FIFO, Content, set_time, write
from tests.oracle.reading import Seen
from tests.oracle.setting import DAY, Arm, Setting

LOST_ITS_POWER = datetime(1980, 1, 2, tzinfo=UTC)
"""From such a day on a clock runs that had no power (common practice, no source)."""


def with_sums(content: Content) -> Content:
    """A set with a list of its checksums."""
    files = {name: file for name, file in content.files.items() if name != "SHA256SUMS"}
    lines = [f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, (data, _) in files.items()]
    latest = max(changed for _, changed in files.values())
    return Content({**files, "SHA256SUMS": ("".join(lines).encode(), latest)}, content.links)


class Save:
    """A set that is about to be saved, for a fault to change."""

    def __init__(self, dice: Random, arm: Arm, others: list[Content], taken: datetime, content: Content) -> None:
        self.dice, self.arm, self.others, self.taken = dice, arm, others, taken
        self.stamp, self.files, self.links = taken, dict(content.files), dict(content.links)

    def put(self, name: str, data: bytes) -> None:
        """Let a file hold something else."""
        self.files[name] = (data, self.taken)

    def lose(self, start: str, least: int = 0) -> None:
        """Let files be missing."""
        for name in sorted(name for name in self.files if name.startswith(start))[least:]:
            del self.files[name]

    def borrow(self, name: str) -> None:
        """Let a file be another arm's."""
        self.put(name, next((one.files[name] for one in self.others if name in one.files), self.files[name])[0])

    def date(self, when: Callable[[datetime], datetime]) -> None:
        """Let all files have other times."""
        self.files = {name: (data, when(changed)) for name, (data, changed) in self.files.items()}

    def sums(self, *, wrong: bool) -> None:
        """Let the set hold a checksum list."""
        data, _ = with_sums(Content(self.files)).files["SHA256SUMS"]
        self.put("SHA256SUMS", data.replace(b"a", b"b") if wrong else data)

    def mix(self) -> None:
        """Let one part be older than the others."""
        data, _ = self.files["axis-zero.csv"]
        self.files["axis-zero.csv"] = (data, self.taken - self.dice.choice((0.9, 1.1, 5)) * DAY)

    def stamp_as(self, stamp: datetime) -> None:
        """Let the name tell another time."""
        self.stamp = stamp

    def empty(self) -> None:
        """Let all programs be empty."""
        self.files |= {name: (b"", self.taken) for name in self.files if name.startswith("programs/")}

    def turn(self, zone: ZoneInfo) -> None:
        """Let the name tell an hour that the plant's clocks skipped or had twice, where they ever do."""
        noons = [(self.taken - number * DAY).astimezone(zone).replace(hour=12) for number in range(300)]
        turns = [late for late, early in pairwise(noons) if late.utcoffset() != early.utcoffset()]
        if turns:
            hour, minute = self.dice.choice(((0, 0), (1, 30), (2, 30)))
            self.stamp = self.dice.choice(turns).replace(hour=hour, minute=minute, second=0, tzinfo=None)

    def link(self) -> None:
        """Let the set hold a link."""
        self.links = {"programs/link": self.dice.choice(("/etc/hostname", FIFO))}


AT_SAVE: dict[str, Callable[[Save], None]] = {
    "no-image": lambda save: save.lose("memory.bin"),
    "no-axis": lambda save: save.lose("axis-zero.csv"),
    "no-programs": lambda save: save.lose("programs/"),
    "few-programs": lambda save: save.lose("programs/", save.dice.choice((2, 3))),
    "blank-image": lambda save: save.put("memory.bin", bytes(4096)),
    "empty-axis": lambda save: save.put("axis-zero.csv", b""),
    "empty-image": lambda save: save.put("memory.bin", b""),
    "empty-programs": Save.empty,
    "short-axis": lambda save: save.put("axis-zero.csv", b"axis " + save.arm.id[-2:].encode()),
    "binary-axis": lambda save: save.put("axis-zero.csv", b"\xff\xfe" + bytes(range(100)) + save.arm.id.encode()),
    "wrong-serial": lambda save: save.put("settings.toml", b'serial = "RC-0000"\n'),
    "other-axis": lambda save: save.borrow("axis-zero.csv"),
    "other-image": lambda save: save.borrow("memory.bin"),
    "mixed": Save.mix,
    "link": Save.link,
    "sums": lambda save: save.sums(wrong=False),
    "bad-sums": lambda save: save.sums(wrong=True),
    "future-stamp": lambda save: save.stamp_as(now() + save.dice.choice((2, 40)) * DAY),
    "old-stamp": lambda save: save.stamp_as(LOST_ITS_POWER + save.dice.randrange(2000) * DAY),
    "future-times": lambda save: save.date(lambda changed: changed + 500 * DAY),
    "old-times": lambda save: save.date(lambda _: LOST_ITS_POWER),
    "times-before": lambda save: save.date(lambda changed: changed - 3 * DAY),
    "times-after": lambda save: save.date(lambda changed: min(changed + DAY, now())),
    "unfinished": lambda save: save.put("programs/p9.txt.part", b"half of"),
    "leaves": lambda save: save.put("../elsewhere.txt", b"not of it"),
    "odd-name": lambda save: save.put("programs/a\\b \u00e4\n.txt", b"move\n" + save.arm.id.encode()),
}


def at_save(
    dice: Random, zone: ZoneInfo, arm: Arm, others: list[Content], taken: datetime, content: Content
) -> tuple[datetime, Content, str]:
    """The stamp (a naive one by the plant's clocks) and the content of a set with one thing wrong, and which."""
    kind, save = dice.choice([*sorted(AT_SAVE), "clocks-turned"]), Save(dice, arm, others, taken, content)
    if kind == "clocks-turned":
        save.turn(zone)
    else:
        AT_SAVE[kind](save)
    return save.stamp, Content(save.files, save.links), kind


def on_share(dice: Random, root: Path, memory: Memory) -> str:
    """Let something happen to what lies on the share; what it was."""
    sets = sorted(memory.read().sets)
    kind = dice.choice(("odd-entry", "delete-set", "copy", "twin", "add", *(sorted(TO_A_FILE)) * 2))
    if kind == "odd-entry":
        return _odd_entry(dice, root, dice.choice(memory.setting.arms).id, sets)
    if not sets:
        return ""
    path = dice.choice(sets)
    place = root / "share" / path
    if kind == "delete-set":
        shutil.rmtree(place) if place.is_dir() else place.unlink()
        return f"{path} deleted"
    if kind == "add":
        return _add(place, path)
    if kind == "twin":
        return _twin(memory.read().sets[path], place, memory.setting)
    if kind == "copy":
        copies = [root / each / path for each in memory.setting.copies if (root / each / path).exists()]
        if copies and dice.random() < 0.4:
            return _copy_again(place, copies[0])
        return _to_a_file(dice, copies[0], dice.choice(sorted(TO_A_FILE))) if copies else ""
    return _to_a_file(dice, place, kind)


def _copy_again(place: Path, copy: Path) -> str:
    """Somebody replaces a further copy by what lies on the share."""
    shutil.rmtree(copy) if copy.is_dir() else copy.unlink()
    shutil.copytree(place, copy, symlinks=True) if place.is_dir() else shutil.copy2(place, copy)
    return f"{copy} copied again"


def _twin(seen: Seen, place: Path, setting: Setting) -> str:
    """Somebody packs a set into an archive beside it."""
    other = place.with_name(place.name + ".tar")
    if not place.is_dir() or not seen.files or other.exists():
        return ""
    write(other, Content({name: (file.data, file.changed) for name, file in seen.files.items()}), ".tar", setting.zone)
    return f"{other} packed"


def _rot(dice: Random, file: Path) -> None:
    """Change one byte in place; size and time stay."""
    status = file.stat()
    _change(dice, file)
    os.utime(file, ns=(status.st_atime_ns, status.st_mtime_ns))


def _change(dice: Random, file: Path) -> None:
    data = bytearray(file.read_bytes())
    if data:
        data[dice.randrange(len(data))] ^= 1 + dice.randrange(255)
        file.write_bytes(data)


def _truncate(_: Random, file: Path) -> None:
    data = file.read_bytes()
    file.write_bytes(data[: len(data) // 2])


TO_A_FILE: dict[str, Callable[[Random, Path], None]] = {
    "rot": _rot,
    "change": _change,
    "truncate": _truncate,
    "delete-file": lambda _, file: file.unlink(),
    "touch": lambda _, file: set_time(file, now() - timedelta(minutes=5)),
}


def _to_a_file(dice: Random, place: Path, kind: str) -> str:
    there = place.rglob("*") if place.is_dir() else [place]
    files = sorted(one for one in there if one.is_file() and not one.is_symlink())
    if not files:
        return ""
    file = dice.choice(files)
    TO_A_FILE[kind](dice, file)
    return f"{kind} {file}"


def _add(place: Path, path: str) -> str:
    if not place.is_dir():
        return ""
    new = place / "programs" / "late.txt"
    new.parent.mkdir(exist_ok=True)
    new.write_bytes(b"half of")
    return f"{path}: programs/late.txt added"


def _odd_entry(dice: Random, root: Path, arm: str, sets: list[str]) -> str:
    mine = [path for path in sets if f"{arm}/" in path]
    folder = (root / "share" / mine[0]).parent if mine else root / "share" / arm
    folder.mkdir(parents=True, exist_ok=True)
    name = dice.choice(("2026-13-45_0000", "Neuer Ordner", "notes.txt", "backup.zip.part"))
    if name.endswith(("txt", "part")):
        (folder / name).write_bytes(b"x")
    else:
        (folder / name).mkdir(exist_ok=True)
    return f"odd entry {folder / name}"
