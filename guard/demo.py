"""Sets up the demo: a copy of the sample plant with every date moved so that it lies relative to now.

The content of the sample's files is never touched, so a set keeps its fingerprint; only
names, file times and the dates in the configuration move, all by one constant.
"""

from __future__ import annotations

import os
import re
import shutil
import tarfile
import tomllib
import zipfile
from collections.abc import Iterator
from datetime import date, datetime, timedelta, tzinfo
from functools import cached_property
from importlib.resources import files

from guard.load import load
from guard.record import Record
from guard.settings import Settings
from guard.share.layout import stem
from guard.share.recipe import matches
from guard.times import earliest_reading
from guard.units import span

_STAMP = re.compile(r"\d{4}-\d{2}-\d{2}_\d{4}")
_STAMP_FORM = "%Y-%m-%d_%H%M"
_DAY = re.compile(rb"\b\d{4}-\d{2}-\d{2}\b")


class Damage(Record):
    """The file that goes bad."""

    arm: str
    set: str
    file: str


class Note(Record):
    """A mark that people recorded ``at`` this long before the reference."""

    kind: str
    arm: str
    at: timedelta
    by: str
    note: str
    set: str | None


class Scenario(Record):
    """What git cannot hold of the sample, and what happens in the demo. Paths are the sample's own."""

    reference: datetime
    late: tuple[str, ...]
    turns: str
    only_once: tuple[str, ...]
    odd_names: tuple[str, ...]
    damage: Damage
    times: dict[str, dict[str, timedelta]]
    marks: tuple[Note, ...]
    shows: dict[str, list[str]]
    shows_at_the_end: dict[str, list[str]]


def sample_folder() -> str:
    """Where the sample lies: in the installed package, or at the top of a checkout."""
    package = str(files("guard"))
    for folder in (package, os.path.dirname(package)):
        place = os.path.join(folder, "sample_backups")
        if os.path.isfile(os.path.join(place, "scenario.toml")):
            return place
    raise FileNotFoundError(f"the sample_backups that belong to the tool are not in {package}; install it anew")


def read_scenario(sample: str) -> Scenario:
    """The scenario that stands beside the sample's sets."""
    with open(os.path.join(sample, "scenario.toml"), "rb") as file:
        raw = tomllib.load(file)
    return Scenario(
        reference=raw["reference"],
        late=tuple(raw["late"]),
        turns=raw["turns"],
        only_once=tuple(raw["only-once"]),
        odd_names=tuple(raw["odd-names"]),
        damage=Damage(**raw["damage"]),
        times={path: {glob: _signed(text) for glob, text in by.items()} for path, by in raw["times"].items()},
        marks=tuple(
            Note(
                mark["kind"], mark["arm"], _signed(mark["at"]), mark["by"], mark.get("note", ""), mark.get("set")
            )
            for mark in raw["marks"]
        ),
        shows=raw["shows"],
        shows_at_the_end=raw["shows-at-the-end"],
    )  # fmt: skip


def _signed(text: str) -> timedelta:
    return -span(text[1:]) if text.startswith("-") else span(text)


class DemoPlant:
    """A copy of the sample in a folder, as if the reference moment were now."""

    def __init__(self, folder: str, now: datetime) -> None:
        self.folder, self.now = folder, now
        self.sample = sample_folder()
        self.scenario = read_scenario(self.sample)
        self.config = os.path.join(folder, "guard.toml")
        self._shift = now.replace(second=0, microsecond=0) - self.scenario.reference

    @cached_property
    def settings(self) -> Settings:
        """The settings of the plant's configuration."""
        return load(self.config)

    def build(self) -> None:
        """Lay out the configuration and all sets that are not late."""
        with open(os.path.join(self.sample, "demo.toml"), "rb") as file:
            text = file.read()
        with open(self.config, "wb") as file:
            file.write(_DAY.sub(self._moved_day, text))
        for path in self._entries():
            if path not in self.scenario.late:
                self._deliver(path)
        for name in self.scenario.odd_names:
            self._odd_entry(name)

    def deliver_late(self) -> list[str]:
        """Deliver the sets that were held back, as a controller or a person would; returns their paths."""
        for path in self.scenario.late:
            self._deliver(path)
        return [self.moved(path) for path in self.scenario.late]

    def flip_a_bit(self) -> str:
        """Change one bit of a file as a bad disk would, its size and time left as they are; returns its path."""
        damage = self.scenario.damage
        path = f"{self.moved(damage.set)}/{damage.file}"
        where = os.path.join(self.settings.share, path)
        about = os.stat(where)
        with open(where, "r+b") as file:
            file.seek(about.st_size // 2)
            (byte,) = file.read(1)
            file.seek(-1, os.SEEK_CUR)
            file.write(bytes([byte ^ 1]))
        os.utime(where, ns=(about.st_atime_ns, about.st_mtime_ns))
        return path

    def moved(self, path: str) -> str:
        """The path that an entry of the sample has in this plant."""
        arm, _, name = path.partition("/")
        return f"{arm}/{self._moved_name(name)}"

    # Dates

    def _moved_day(self, found: re.Match[bytes]) -> bytes:
        return str(date.fromisoformat(found[0].decode()) + timedelta(days=self._shift.days)).encode()

    def _moment(self, name: str) -> datetime | None:
        """The moment, moved, that the stamp of a name stands for; None where it has none."""
        match = _STAMP.match(name)
        try:
            local = datetime.strptime(match[0], _STAMP_FORM) if match else None  # noqa: DTZ007
        except ValueError:
            return None
        return local and earliest_reading(local, self.settings.zone()) + self._shift

    def _moved_name(self, name: str) -> str:
        moment = self._moment(name)
        if moment is None:
            return name
        return moment.astimezone(self.settings.zone()).strftime(_STAMP_FORM) + _STAMP.sub("", name, count=1)

    def _times(self, path: str) -> _Times:
        start = self._moment(path.partition("/")[2]) or self.now - timedelta(days=1)
        return _Times(start, self.scenario.times.get(path, {}))

    # Copies

    def _entries(self) -> Iterator[str]:
        for arm in sorted(os.listdir(self.sample)):
            folder = os.path.join(self.sample, arm)
            if os.path.isdir(folder):
                yield from (f"{arm}/{name}" for name in sorted(os.listdir(folder)))

    def _deliver(self, path: str) -> None:
        """Copy one entry of the sample to the share, and to the further places unless it stands only once."""
        source, target = os.path.join(self.sample, path), os.path.join(self.settings.share, self.moved(path))
        os.makedirs(os.path.dirname(target), exist_ok=True)
        times = self._times(path)
        if os.path.isdir(source):
            _copy_folder(source, target, times)
        elif path.endswith(".zip"):
            _copy_zip(source, target, times, self.settings.zone())
        elif path.endswith(".tar.gz"):
            _copy_tar(source, target, times)
        else:
            _copy_file(source, target, times.of(path))
        if path.partition("/")[0] not in self.scenario.only_once:
            for place in self.settings.copies:
                _copy_again(target, os.path.join(place, self.moved(path)))

    def _odd_entry(self, name: str) -> None:
        try:
            os.makedirs(os.path.join(self.settings.share, name))
        except OSError:
            return  # this file system has no such names, so none can trouble anyone on it


class _Times:
    """When the files of one set were written: a second after the other, but for the scenario's exceptions."""

    def __init__(self, start: datetime, exceptions: dict[str, timedelta]) -> None:
        self._start, self._exceptions = start, exceptions
        self._count = 0
        self.newest = datetime.min.replace(tzinfo=start.tzinfo)

    def of(self, file: str) -> datetime:
        """The time of the next file."""
        self._count += 1
        offset = next((by for glob, by in self._exceptions.items() if matches((glob,), file)), timedelta())
        time = self._start + offset + timedelta(seconds=min(self._count, 59))
        self.newest = max(self.newest, time)
        return time


def _set_time(where: str, time: datetime) -> None:
    os.utime(where, (time.timestamp(), time.timestamp()))


def _copy_file(source: str, target: str, time: datetime) -> None:
    shutil.copyfile(source, target)
    _set_time(target, time)


def _copy_folder(source: str, target: str, times: _Times) -> None:
    copied = []
    for folder, inner, names in os.walk(source):
        inner.sort()
        below = os.path.relpath(folder, source)
        here = os.path.normpath(os.path.join(target, below))
        os.makedirs(here)
        copied.append(here)
        for name in sorted(names):
            file = os.path.normpath(os.path.join(below, name)).replace(os.sep, "/")
            _copy_file(os.path.join(folder, name), os.path.join(here, name), times.of(file))
    for here in copied:
        _set_time(here, times.newest)


def _member_name(name: str, source: str, target: str) -> str:
    """A member's new name: where the archive wraps all it holds in a folder of its own name, that moves too."""
    old, new = stem(os.path.basename(source)), stem(os.path.basename(target))
    return f"{new}/{name.removeprefix(f'{old}/')}" if name.startswith(f"{old}/") else name


def _copy_zip(source: str, target: str, times: _Times, zone: tzinfo) -> None:
    with zipfile.ZipFile(source) as old, zipfile.ZipFile(target, "w", zipfile.ZIP_DEFLATED) as new:
        for member in old.infolist():
            time = times.of(member.filename).astimezone(zone)
            moved = zipfile.ZipInfo(_member_name(member.filename, source, target), time.timetuple()[:6])
            moved.compress_type = zipfile.ZIP_DEFLATED
            new.writestr(moved, old.read(member))
    _set_time(target, times.newest)


def _copy_tar(source: str, target: str, times: _Times) -> None:
    with tarfile.open(source) as old, tarfile.open(target, "w:gz") as new:
        for member in old:
            content = old.extractfile(member)
            moved = tarfile.TarInfo(_member_name(member.name, source, target))
            moved.size, moved.mtime = member.size, int(times.of(member.name).timestamp())
            new.addfile(moved, content)
    _set_time(target, times.newest)


def _copy_again(source: str, target: str) -> None:
    os.makedirs(os.path.dirname(target), exist_ok=True)
    if os.path.isdir(source):
        shutil.copytree(source, target)
    else:
        shutil.copy2(source, target)
