"""Writes the files of a bag so that each is on the medium, whole and right, before it has its name."""

from __future__ import annotations

import hashlib
import os
import stat
from collections.abc import Callable, Mapping

from guard.model import FileFacts
from guard.share.cargo import SourceDiffers
from guard.share.checksums import PAYLOAD
from guard.share.fingerprint import Feed
from guard.share.refusals import BagDiffers, MediumFailed

PART_NAME = "guard-part"
"""In a bag that is being written: the file that is being written."""

_NEW = os.O_WRONLY | os.O_CREAT | os.O_EXCL | getattr(os, "O_BINARY", 0) | getattr(os, "O_NOFOLLOW", 0)


def new_part(folder: str) -> int:
    """A new file to write to. Raises OSError."""
    return os.open(os.path.join(folder, PART_NAME), _NEW, 0o644)


def write_all(handle: int, content: memoryview) -> None:
    """Write all of it; a medium that takes a part only fails at the next part."""
    while content:
        content = content[os.write(handle, content) :]


def settle(folder: str, path: str, handle: int, mtime_ns: int | None) -> None:
    """Force to the medium what was written, and give it its path. Raises OSError and BagDiffers."""
    try:
        os.fsync(handle)
    finally:
        os.close(handle)
    part = os.path.join(folder, PART_NAME)
    if mtime_ns is not None:
        _date(part, mtime_ns)
    where = _made_way(folder, path)
    if os.path.lexists(where):
        raise BagDiffers(folder, f"{path} appeared while it was written")
    os.rename(part, where)


def _date(part: str, mtime_ns: int) -> None:
    try:
        os.utime(part, ns=(mtime_ns, mtime_ns))
    except (PermissionError, OverflowError):
        return  # not every file system lets itself be dated; the set's times stand in the catalogue too


def _made_way(folder: str, path: str) -> str:
    """Make the folders on the way, one by one: where the medium is gone there is none to make them in."""
    *names, last = path.split("/")
    for name in names:
        folder = os.path.join(folder, name)
        try:
            os.mkdir(folder)
        except FileExistsError:
            if not stat.S_ISDIR(os.lstat(folder).st_mode):
                raise
    return os.path.join(folder, last)


class Writer:
    """Writes the files that a reader feeds, each under its path once its digest is right.

    ``paths`` says which path a file of the source has in the bag; one that it does not hold is
    passed over.
    """

    def __init__(
        self,
        folder: str,
        paths: Callable[[str], str | None],
        wanted: Mapping[str, FileFacts],
        failed: Callable[[OSError], MediumFailed],
        done: Callable[[FileFacts], None],
    ) -> None:
        self.folder, self.paths, self.wanted, self.failed, self.done = folder, paths, wanted, failed, done
        self.handle, self.sha = -1, hashlib.sha256()
        self.file: FileFacts | None = None
        self.failure: Exception | None = None
        """What stopped the copy: a reader of archives may have taken it for a fault of the archive."""

    def begun(self, path: str) -> Feed:
        """A file begins; whoever reads it feeds it to what this returns."""
        name = self.paths(path)
        self.file = None if name is None else self.wanted.get(name)
        if self.file is None:
            return lambda _: None
        self.sha = hashlib.sha256()
        try:
            self.handle = new_part(self.folder)
        except OSError as error:
            raise self._noted(self.failed(error)) from error
        return self._write

    def _write(self, chunk: memoryview) -> None:
        self.sha.update(chunk)
        try:
            write_all(self.handle, chunk)
        except OSError as error:
            raise self._noted(self.failed(error)) from error

    def ended(self, _: int) -> None:
        """The file was read to its end."""
        file, handle = self.file, self.handle
        if file is None:
            return
        if self.sha.digest() != file.sha256:
            raise self._noted(SourceDiffers(f"the content of {file.path} differs"))
        self.file, self.handle = None, -1
        try:
            settle(self.folder, PAYLOAD + file.path, handle, file.mtime_ns)
        except OSError as error:
            raise self._noted(self.failed(error)) from error
        except BagDiffers as refusal:
            raise self._noted(refusal) from None
        self.done(file)

    def _noted(self, failure: Exception) -> Exception:
        self.failure = failure
        return failure

    def close(self) -> None:
        """Let go of a file that was not ended."""
        if self.handle >= 0:
            os.close(self.handle)
            self.handle = -1
