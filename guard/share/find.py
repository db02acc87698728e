"""Finds backup sets below a share by its layouts, and tells listed, unreadable and gone apart."""

from __future__ import annotations

import os
import stat
from collections.abc import Collection, Iterator
from datetime import datetime

from guard.errors import ShareUnreadable
from guard.files import UNFINISHED
from guard.model import Form
from guard.record import Record
from guard.share.layout import NOTHING_YET, UNTOLD_ARM, Layout, Match, stamp_time, stem


class Found(Record):
    """A set where the layout says that one may stand.

    ``path`` is relative to the share, with /. ``stamp`` is the time in its name: naive in
    the plant's zone, or aware where the name has an offset.
    """

    path: str
    arm: str
    form: Form
    stamp: datetime | None


class Odd(Record):
    """An entry that is no set; ``arm`` is known where it lies in one arm's folder."""

    path: str
    arm: str | None
    why: str


class Unreadable(Record):
    """A folder that could not be listed: what is in it is neither there nor gone."""

    path: str
    arm: str | None
    why: str


Entry = Found | Odd | Unreadable
_Alive = list[tuple[Layout, Match]]

OUR_PREFIX = ".guard"
"""Names of our own on a share begin so; they are never sets."""

LEFT_BY_FILE_BROWSERS = {"Thumbs.db", "desktop.ini", ".DS_Store"}
_LEFT = {name.lower() for name in LEFT_BY_FILE_BROWSERS}


def is_left_by_a_file_browser(name: str) -> bool:
    """Whether a file came with no save: somebody looked at the folder, or copied it with a system that leaves such.

    Beside each file that has more to it than its content, one that begins with ._ (common practice, no source).
    """
    return name.lower() in _LEFT or name.startswith("._")


_UNTOLD = "its name does not tell which arm it belongs to"

_SHEET = "HOLD-", ".html"


def sheet_name(arm: str) -> str:
    """The name of an arm's hold sheet on the share. As a file it is neither a set nor odd."""
    return arm.join(_SHEET)


class _Name(Record):
    name: str
    is_folder: bool
    is_file: bool


def find(root: str, layouts: tuple[Layout, ...], arms: Collection[str], only: str | None = None) -> Iterator[Entry]:
    """Every set, odd entry and unreadable folder below a share; with ``only``, those of one arm.

    Opens no file and follows no link. Raises ShareUnreadable where the share's own folder
    cannot be listed.
    """
    try:
        with os.scandir(root):
            pass
    except OSError as error:
        raise ShareUnreadable(root, error.strerror or str(error)) from error
    yield from _Search(root, arms, only).below("", 0, [(layout, NOTHING_YET) for layout in layouts])


class _Search:
    def __init__(self, root: str, arms: Collection[str], only: str | None) -> None:
        self.root, self.arms, self.only = root, arms, only

    def below(self, folder: str, depth: int, alive: _Alive) -> Iterator[Entry]:
        try:
            names = self._names(os.path.join(self.root, folder), depth, alive)
        except FileNotFoundError:
            return
        except OSError as error:
            yield Unreadable(folder, _common_arm(alive), error.strerror or str(error))
            return
        for name in names:
            if not (self._is_ours(name, depth) or is_left_by_a_file_browser(name.name)):
                yield from self._entry(f"{folder}/{name.name}" if folder else name.name, name, depth, alive)

    def _is_ours(self, name: _Name, depth: int) -> bool:
        if depth == 0 and name.name.startswith(OUR_PREFIX):
            return True
        sheet = name.name.removesuffix(UNFINISHED)
        arm = sheet.removeprefix(_SHEET[0]).removesuffix(_SHEET[1])
        return name.is_file and arm in self.arms and sheet == sheet_name(arm)

    def _names(self, where: str, depth: int, alive: _Alive) -> list[_Name]:
        segments = [layout.segments[depth] for layout, _ in alive]
        deeper = all(len(layout.segments) > depth + 1 for layout, _ in alive)
        if self.only is not None and deeper and all(segment.only_arm for segment in segments):
            return _those_of(where, sorted({segment.name_for(self.only) for segment in segments}))
        with os.scandir(where) as entries:
            return sorted(
                _Name(e.name, e.is_dir(follow_symlinks=False), e.is_file(follow_symlinks=False)) for e in entries
            )

    def _entry(self, path: str, name: _Name, depth: int, alive: _Alive) -> Iterator[Entry]:
        deeper: _Alive = []
        ending: list[Match] = []
        is_set = False
        foreign: str | None = None
        bare = name.name if name.is_folder else stem(name.name) if name.is_file else None
        for layout, known in alive:
            is_last = depth + 1 == len(layout.segments)
            text = bare if is_last else name.name if name.is_folder else None
            match = layout.segments[depth].match(text, known, self.arms) if text else None
            if match is None:
                continue
            if match.arm is not None and match.arm not in self.arms:
                foreign = match.arm
            elif not is_last:
                deeper.append((layout, match))
            else:
                is_set = is_set or not deeper  # the first layout that fits says whether a set stands here
                ending.append(match)
        if is_set:
            arms = {match.arm for match in ending if match.arm is not None}
            if len(arms) == 1:
                yield from self._set(path, arms.pop(), "folder" if name.is_folder else "archive", ending)
            elif self._wanted(_only_arm(alive)):
                yield Odd(path, _only_arm(alive), _UNTOLD)
        elif any(match.arm is None or self._wanted(match.arm) for _, match in deeper):
            # All layouts that fit go along, so that an entry is told as the same thing whoever asks.
            yield from self.below(path, depth + 1, deeper)
        elif not deeper and self._wanted(_only_arm(alive)):
            yield Odd(path, _only_arm(alive), _why_odd(name, foreign))

    def _wanted(self, arm: str | None) -> bool:
        return self.only is None or arm == self.only

    def _set(self, path: str, arm: str, form: Form, matches: list[Match]) -> Iterator[Entry]:
        if not self._wanted(arm):
            return
        try:
            stamp = _earliest(matches)
        except ValueError:
            yield Odd(path, arm, "the date in its name does not exist")
        else:
            yield Found(path, arm, form, stamp)


def _those_of(where: str, names: list[str]) -> list[_Name]:
    found = []
    for name in names:
        try:
            mode = os.lstat(os.path.join(where, name)).st_mode
        except FileNotFoundError:
            continue
        found.append(_Name(name, stat.S_ISDIR(mode), stat.S_ISREG(mode)))
    return found


def _earliest(matches: list[Match]) -> datetime | None:
    """The earliest time that a layout reads in a name. Raises ValueError where the only ones are no times that exist."""
    times, fault = [], None
    for match in matches:
        try:
            time = stamp_time(match.stamp)
        except ValueError as error:
            fault = error
        else:
            times += [time] if time is not None else []
    if fault is not None and not times:
        raise fault
    return min(times, key=lambda time: time.replace(tzinfo=None), default=None)


def _common_arm(alive: _Alive) -> str | None:
    """The arm that all layouts name for a folder: all that lies in it is that arm's."""
    arms = {match.arm for _, match in alive}
    return arms.pop() if len(arms) == 1 else None


def _only_arm(alive: _Alive) -> str | None:
    """The one arm whose folder this is by some layout: whatever another layout allows, what is odd in it concerns that arm."""
    arms = {match.arm for _, match in alive if match.arm is not None}
    return arms.pop() if len(arms) == 1 else None


def _why_odd(name: _Name, foreign: str | None) -> str:
    if foreign == UNTOLD_ARM:
        return _UNTOLD
    if foreign is not None:
        return f"no arm called {foreign} is configured"
    if name.is_folder:
        return "this folder fits no layout"
    if name.is_file:
        return "this file fits no layout"
    return "this is a link or a device, which is not followed"
