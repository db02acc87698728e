"""Lists an unknown share in samples: so many folders, so many names in each, and what was left out is known."""

from __future__ import annotations

import os
from collections.abc import Sequence
from typing import TypeVar

from guard.errors import ShareUnreadable
from guard.record import Record
from guard.share.checksums import is_checksum_list
from guard.share.find import LEFT_BY_FILE_BROWSERS
from guard.share.layout import stem

NAMES_IN_ONE_LEVEL = 20_000
"""What is listed of one level of folders; listing so many takes well below a second on a disk."""

LEAST_NAMES_IN_ONE_FOLDER = 40

FOLDERS_IN_ONE_LEVEL = 400
"""How many folders of one level are opened. On a slow share one takes some milliseconds."""

FOLDERS_IN_ALL = 4000

LEFT_BY_SYSTEMS = LEFT_BY_FILE_BROWSERS | {"lost+found", "System Volume Information", "$RECYCLE.BIN"}

T = TypeVar("T")


class Entry(Record):
    """A folder or an archive: what may be a set or lead to one. ``bare`` is its name without an archive's suffix."""

    name: str
    bare: str
    is_folder: bool


class Folder(Record):
    """What a folder holds, as far as it was listed."""

    inner: tuple[Entry, ...]
    plain: tuple[str, ...]


EMPTY = Folder((), ())


class Sampler:
    """Lists folders of one share, each once. Opens no file and follows no link."""

    def __init__(self, root: str) -> None:
        self.root = root
        self.opened: dict[str, Folder] = {}
        self.unreadable: list[str] = []
        self._cut_at: dict[str, int] = {}
        self.left_unopened = 0
        self.links: list[str] = []
        try:
            with os.scandir(root):
                pass
        except OSError as error:
            raise ShareUnreadable(root, error.strerror or str(error)) from error

    @property
    def cut(self) -> list[str]:
        """The folders of which only a part of the names was read."""
        return sorted(self._cut_at)

    def folder(self, path: str, at_most: int = LEAST_NAMES_IN_ONE_FOLDER) -> Folder:
        """What a folder holds; nothing where it cannot be listed or enough folders were."""
        if path in self._cut_at and at_most > self._cut_at[path]:
            del self.opened[path], self._cut_at[path]
        if path not in self.opened:
            if len(self.opened) >= FOLDERS_IN_ALL:
                self.left_unopened += 1
                return EMPTY
            self.opened[path] = self._listed(path, at_most)
        return self.opened[path]

    def _listed(self, path: str, at_most: int) -> Folder:
        inner: list[Entry] = []
        plain: list[str] = []
        try:
            with os.scandir(os.path.join(self.root, path)) as entries:
                for number, entry in enumerate(entries):
                    if number >= at_most:
                        self._cut_at[path] = at_most
                        break
                    self._sort_in(path, entry, inner, plain)
        except OSError:
            self.unreadable.append(path)
        return Folder(tuple(sorted(inner)), tuple(sorted(plain)))

    def _sort_in(self, path: str, entry: os.DirEntry[str], inner: list[Entry], plain: list[str]) -> None:
        name = entry.name
        if name.startswith(".") or name in LEFT_BY_SYSTEMS:
            return
        if entry.is_dir(follow_symlinks=False):
            inner.append(Entry(name, name, is_folder=True))
        elif not entry.is_file(follow_symlinks=False):
            self.links.append(joined(path, name))
        elif (bare := stem(name)) is not None:
            inner.append(Entry(name, bare, is_folder=False))
        elif not is_checksum_list(name) and not name.lower().startswith("readme"):
            plain.append(name)


def joined(folder: str, name: str) -> str:
    """A path below the share."""
    return f"{folder}/{name}" if folder else name


def spread(items: Sequence[T], count: int) -> list[T]:
    """At most so many of the items, evenly spread, with the first and the last of them."""
    if len(items) <= count:
        return list(items)
    if count == 1:
        return [items[-1]]
    last = len(items) - 1
    return [items[round(n * last / (count - 1))] for n in range(count)]
