"""Looks into a few sets of an unknown share: names, sizes, and small heads of few files."""

from __future__ import annotations

import gzip
import os
import tarfile
import zipfile
import zlib
from collections import defaultdict
from collections.abc import Iterable
from typing import IO

from guard.share.archive import zip_path
from guard.share.layout import stem
from guard.survey.arrangement import ArmSet
from guard.survey.sample import LEFT_BY_SYSTEMS, spread

ARMS_SAMPLED = 8
SETS_OF_ONE_ARM = 5
SETS_AT_LEAST = 16
"""So many sets are looked into even where each arm has but one."""

FILES_OF_ONE_SET = 2000
HEAD_BYTES = 4096
ARCHIVE_LIST_BYTES = 16 << 20
"""An archive whose list of members, or whose content up to there, is longer is not looked into further."""

_ZIP_END = b"PK\x05\x06"
_ZIP_END_BYTES = 22
_ZIP_COMMENT_BYTES = 65535


class Content:
    """What one set holds. ``whole`` says whether all its names were read."""

    def __init__(self, root: str, seen: ArmSet) -> None:
        self.path, self.arm = seen.path, seen.arm
        self.where = os.path.join(root, seen.path)
        self.is_folder = seen.is_folder
        self.files: dict[str, int] = {}
        self.whole = True
        self._heads: dict[str, bytes] = {}
        self._inside: dict[str, str] = {}
        try:
            self._list()
        except (OSError, EOFError, zlib.error, zipfile.BadZipFile, tarfile.TarError):
            self.whole = False
        except (NotImplementedError, RuntimeError, ValueError, KeyError, UnicodeError):
            self.whole = False

    def head(self, path: str) -> bytes | None:
        """The first bytes of a file; None where they cannot be read."""
        if path not in self._heads:
            try:
                self._heads[path] = self._read_head(path)
            except (OSError, EOFError, zlib.error, zipfile.BadZipFile, NotImplementedError, RuntimeError, KeyError):
                return None
        return self._heads[path]

    def _list(self) -> None:
        if self.is_folder:
            self._list_folder()
            return
        about = os.stat(self.where, follow_symlinks=False)
        with open(self.where, "rb") as file:
            if self.where.lower().endswith(".zip"):
                self._list_zip(file, about.st_size)
            else:
                self._list_tar(file)
        self._unwrap()

    def _list_folder(self) -> None:
        waiting = [""]
        while waiting:
            folder = waiting.pop()
            with os.scandir(os.path.join(self.where, folder)) as entries:
                for entry in entries:
                    path = f"{folder}/{entry.name}" if folder else entry.name
                    if len(self.files) + len(waiting) >= FILES_OF_ONE_SET:
                        self.whole = False
                        return
                    if entry.is_dir(follow_symlinks=False):
                        waiting.append(path)
                    elif entry.is_file(follow_symlinks=False) and entry.name not in LEFT_BY_SYSTEMS:
                        self.files[path] = entry.stat(follow_symlinks=False).st_size

    def _list_zip(self, file: IO[bytes], size: int) -> None:
        file.seek(max(size - _ZIP_END_BYTES - _ZIP_COMMENT_BYTES, 0))
        tail = file.read()
        end = tail.rfind(_ZIP_END)
        if end < 0 or int.from_bytes(tail[end + 12 : end + 16], "little") > ARCHIVE_LIST_BYTES:
            self.whole = False
            return
        with zipfile.ZipFile(file) as archive:
            for info in archive.infolist()[:FILES_OF_ONE_SET]:
                if not info.is_dir():
                    path = zip_path(info)
                    self.files[path] = info.file_size
                    self._inside[path] = info.filename
            self.whole = len(archive.infolist()) <= FILES_OF_ONE_SET

    def _list_tar(self, file: IO[bytes]) -> None:
        packed = self.where.lower().endswith("gz")
        stream = _Bounded(gzip.GzipFile(fileobj=file) if packed else file)
        mode = "r|" if packed else "r:"
        with tarfile.open(fileobj=stream, mode=mode, errors="surrogateescape") as archive:  # type: ignore[call-overload]
            for info in archive:
                if len(self.files) >= FILES_OF_ONE_SET:
                    self.whole = False
                    return
                if info.isreg():
                    path = info.name.removeprefix("./")
                    content = archive.extractfile(info)
                    self._heads[path] = content.read(HEAD_BYTES) if content else b""
                    self.files[path] = info.size

    def _unwrap(self) -> None:
        """Take off the one folder of the archive's own name, as a look does."""
        own = (stem(os.path.basename(self.where)) or "") + "/"
        if self.files and all(path.startswith(own) for path in self.files):
            self._inside = {path[len(own) :]: self._inside.get(path, path) for path in self.files}
            self._heads = {path.removeprefix(own): head for path, head in self._heads.items()}
            self.files = {path[len(own) :]: size for path, size in self.files.items()}

    def _read_head(self, path: str) -> bytes:
        if self.is_folder:
            handle = os.open(os.path.join(self.where, path), os.O_RDONLY | _NO_TRANSLATION | _NO_LINK)
            try:
                return os.read(handle, HEAD_BYTES)
            finally:
                os.close(handle)
        with zipfile.ZipFile(self.where) as archive, archive.open(self._inside[path]) as content:
            return content.read(HEAD_BYTES)


_NO_TRANSLATION = getattr(os, "O_BINARY", 0)
_NO_LINK = getattr(os, "O_NOFOLLOW", 0)


class _Bounded:
    """A file that gives so many bytes and then refuses; skipping costs nothing."""

    def __init__(self, file: IO[bytes] | gzip.GzipFile) -> None:
        self._file, self._left = file, ARCHIVE_LIST_BYTES

    def read(self, count: int) -> bytes:
        if count > self._left:
            raise OSError("enough was read")
        data = self._file.read(count)
        self._left -= len(data)
        return data

    def seek(self, place: int) -> int:
        return self._file.seek(place)

    def tell(self) -> int:
        return self._file.tell()


def sampled(root: str, sets: Iterable[ArmSet]) -> list[Content]:
    """The content of some sets: of some arms, evenly spread, the newest by name of each."""
    by_arm: dict[str, list[ArmSet]] = defaultdict(list)
    for seen in sorted(sets, key=lambda each: each.path):
        by_arm[seen.arm].append(seen)
    arms = spread(sorted(by_arm), ARMS_SAMPLED)
    chosen = [seen for arm in arms for seen in by_arm[arm][-SETS_OF_ONE_ARM:]]
    if len(chosen) < SETS_AT_LEAST:
        chosen = [seen for arm in spread(sorted(by_arm), SETS_AT_LEAST) for seen in by_arm[arm][-SETS_OF_ONE_ARM:]]
    return [Content(root, seen) for seen in chosen]
