"""Opens folders and the files of a set, each file relative to its folder where the system can do so."""

from __future__ import annotations

import os
from collections.abc import Iterator

TYPE_CHECKING = False

if TYPE_CHECKING:
    from types import TracebackType
    from typing import Self

_FILE = os.O_RDONLY | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)
_RELATIVE = os.open in os.supports_dir_fd and os.scandir in os.supports_fd and hasattr(os, "O_DIRECTORY")


def _open_folder(where: str) -> int:
    return os.open(where, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)


def entries_of(where: str) -> _Entries:
    """The entries of a folder that is no link. Looking at one of them then costs one name. Raises OSError."""
    return _Entries(where)


class _Entries:
    def __init__(self, where: str) -> None:
        self._where = where
        self._handle = -1

    def __enter__(self) -> Iterator[os.DirEntry[str]]:
        if _RELATIVE:
            self._handle = _open_folder(self._where)
        try:
            self._entries = os.scandir(self._handle if _RELATIVE else self._where)
        except OSError:
            self._close()
            raise
        return self._entries

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._entries.close()
        self._close()

    def _close(self) -> None:
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1


class Opener:
    """Opens files of one folder set, asked for in path order.

    The folder of the last file stays open: the system then walks one name instead of the whole
    path, and a folder that is swapped for a link meanwhile leads nowhere else.
    """

    def __init__(self, root: str) -> None:
        self._root = root
        self._folder = ""
        self._handle = -1

    def open(self, path: str) -> int:
        """A handle for reading a file, which is no link. Raises OSError."""
        if not _RELATIVE:
            return os.open(f"{self._root}/{path}", _FILE)
        folder, _, name = path.rpartition("/")
        if folder != self._folder or self._handle < 0:
            self._enter(folder)
        return os.open(name, _FILE, dir_fd=self._handle)

    def _enter(self, folder: str) -> None:
        self._leave()
        self._handle = _open_folder(f"{self._root}/{folder}")
        self._folder = folder

    def _leave(self) -> None:
        if self._handle >= 0:
            os.close(self._handle)
            self._handle = -1

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._leave()
