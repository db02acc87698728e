"""Reads the members of an archive set in memory, within limits, and never unpacks anything.

A member's name is data, not a place: nothing is written, and a name that would leave the
set is told and left out.
"""

from __future__ import annotations

import gzip
import os
import re
import tarfile
import zipfile
import zlib
from collections.abc import Iterator
from datetime import datetime, tzinfo
from typing import IO, NamedTuple

from guard.model import ArchiveLimits, FileFacts
from guard.share.source import OddMember, Reading, SetUnreadable, Wanted, take
from guard.times import earliest_reading
from guard.units import bytes_in_words

HEADER_BYTES = 1 << 20
"""A longer extended header than this is no name but an attack on memory."""

EXPANSION_COUNTS_FROM_BYTES = 1 << 20
"""Below this much content the ratio to the packed size says nothing."""


class _Broken(Exception):
    """The archive cannot be read to its end, or must not be."""


class _Budget:
    """Counts what an archive expands to and refuses once it is too much."""

    def __init__(self, limits: ArchiveLimits, packed_bytes: int) -> None:
        self.limits, self.packed_bytes = limits, max(packed_bytes, 1)
        self.members = self.content = 0

    def member(self) -> None:
        self.members += 1
        if self.members > self.limits.members:
            raise _Broken(f"it has more than {self.limits.members} members (limits.archive-members)")

    def spend(self, count: int) -> None:
        self.content += count
        if self.content > self.limits.content_bytes:
            most = bytes_in_words(self.limits.content_bytes)
            raise _Broken(f"it expands to more than {most} (limits.archive-content)")
        ratio = self.limits.expansion
        if self.content > max(EXPANSION_COUNTS_FROM_BYTES, ratio * self.packed_bytes):
            raise _Broken(f"it expands more than {ratio} times (limits.archive-expansion)")


def read_archive(where: str, stem: str, zone: tzinfo, limits: ArchiveLimits, wanted: Wanted) -> Reading:
    """Read every member of an archive set. Raises SetUnreadable where the file itself cannot be read.

    Members' paths are those of the folder that was packed: where all of them lie in one
    folder of the archive's own name (or in a bag's folder), that name is taken off, so
    that a folder and its archive have one fingerprint.
    """
    try:
        with open(where, "rb") as file:
            budget = _Budget(limits, os.fstat(file.fileno()).st_size)
            is_zip = where.lower().endswith(".zip")
            members = _zip_members(file, zone) if is_zip else _tar_members(file, where, budget)
            return _read_members(members, stem, budget, wanted)
    except OSError as error:
        raise SetUnreadable(f"the archive cannot be read: {error.strerror or error}") from error


class _Member(NamedTuple):
    path: str
    size: int
    mtime_ns: int | None
    content: IO[bytes] | None
    same_as: str | None = None
    odd: str | None = None


def _read_members(members: Iterator[_Member], stem: str, budget: _Budget, wanted: Wanted) -> Reading:
    files: dict[str, FileFacts] = {}
    odd: list[OddMember] = []
    kept: dict[str, bytes] = {}
    wrapped = _Wrapper(stem)
    broken = None
    try:
        for member in members:
            budget.member()
            path = _clean(member.path)
            if member.odd or path is None:
                odd.append(OddMember(member.path, member.odd or "is a name that leaves the set"))
                continue
            _refuse_second(path, files)
            wrapped.see(path)
            files[path] = _read_member(path, member, files, budget, wanted, kept)
    except (_Broken, EOFError, zlib.error, zipfile.BadZipFile, tarfile.TarError, gzip.BadGzipFile) as error:
        broken = str(error) or "it ends too soon"
    except (NotImplementedError, RuntimeError, ValueError, KeyError, UnicodeError) as error:
        broken = f"it cannot be understood: {error}"
    strip = wrapped.prefix()
    return Reading(
        tuple(file._replace(path=file.path[len(strip) :]) for file in files.values()),
        tuple(odd),
        {path[len(strip) :]: content for path, content in kept.items() if path.startswith(strip)},
        strip,
        broken,
    )


def _refuse_second(path: str, files: dict[str, FileFacts]) -> None:
    if path in files:
        raise _Broken(f"it names {path} twice")


def _read_member(
    path: str,
    member: _Member,
    files: dict[str, FileFacts],
    budget: _Budget,
    wanted: Wanted,
    kept: dict[str, bytes],
) -> FileFacts:
    if member.same_as is not None:
        original = files.get(_clean(member.same_as) or "")
        if original is None:
            raise _Broken(f"{path} repeats {member.same_as}, which does not stand before it")
        return original._replace(path=path)
    content = member.content
    if content is None:
        raise _Broken(f"{path} has no content")

    def read_into(buffer: bytearray) -> int:
        count = content.readinto(buffer)  # type: ignore[attr-defined]
        budget.spend(count)
        return int(count)

    def read_all() -> bytes:
        data = content.read(member.size + 1)
        budget.spend(len(data))
        return data

    digests = take(path, member.size, read_into, read_all, wanted, kept)
    if digests.size != member.size:
        raise _Broken(f"{path} has {digests.size} bytes where its header says {member.size}")
    wanted.progress(digests.size)
    return FileFacts(path, digests.size, member.mtime_ns, digests.sha256, digests.blake3)


class _Wrapper:
    """The one folder that all members lie in, if it is the packed set's own."""

    def __init__(self, stem: str) -> None:
        self._stem = stem
        self._tops: set[str] = set()
        self._is_bag = False

    def see(self, path: str) -> None:
        top, slash, rest = path.partition("/")
        self._tops.add(top if slash else "")
        self._is_bag = self._is_bag or rest == "bagit.txt"

    def prefix(self) -> str:
        """What to take off every path; settled only once all members were seen."""
        if len(self._tops) != 1:
            return ""
        (top,) = self._tops
        return f"{top}/" if top and (top == self._stem or self._is_bag) else ""


def _clean(path: str) -> str | None:
    """The path below the set; None where it would leave it."""
    while path.startswith("./"):
        path = path[2:]
    names = path.split("/")
    leaves = any(name in ("", ".", "..") for name in names) or re.match(r"[A-Za-z]:", path)
    return None if leaves or "\0" in path else path


def _zip_members(file: IO[bytes], zone: tzinfo) -> Iterator[_Member]:
    with zipfile.ZipFile(file) as archive:
        for info in archive.infolist():
            if info.is_dir():
                continue
            path = info.filename if info.flag_bits & 0x800 else _unflagged_name(info)
            kind = (info.external_attr >> 16) & 0o170000
            if info.flag_bits & 0x1:
                raise _Broken(f"{path} is encrypted")
            if kind not in (0, 0o100000):
                yield _Member(path, 0, None, None, odd="is a link, which is not followed")
                continue
            with archive.open(info) as content:
                yield _Member(path, info.file_size, _zip_time(info, zone), content)


def _unflagged_name(info: zipfile.ZipInfo) -> str:
    """The name's own bytes where the archive does not say what they mean."""
    try:
        return os.fsdecode(info.filename.encode("cp437"))
    except UnicodeEncodeError:
        return info.filename


def _zip_time(info: zipfile.ZipInfo, zone: tzinfo) -> int | None:
    """A member's time: the UTC one where it is recorded, else the local one of two seconds' grain."""
    extra = info.extra
    while len(extra) >= 4:
        kind, length = int.from_bytes(extra[:2], "little"), int.from_bytes(extra[2:4], "little")
        if kind == 0x5455 and length >= 5 and extra[4] & 1:
            return int.from_bytes(extra[5:9], "little", signed=True) * 10**9
        extra = extra[4 + length :]
    try:
        local = datetime(*info.date_time)  # noqa: DTZ001
    except ValueError:
        return None
    return int(earliest_reading(local, zone).timestamp()) * 10**9


class _StrictTarInfo(tarfile.TarInfo):
    """Notes the end mark of the archive, and refuses headers that would fill the memory."""

    @classmethod
    def fromtarfile(cls, archive: tarfile.TarFile) -> _StrictTarInfo:
        try:
            return super().fromtarfile(archive)
        except tarfile.EOFHeaderError:  # type: ignore[attr-defined]
            archive.saw_end_mark = True  # type: ignore[attr-defined]
            raise

    @classmethod
    def frombuf(cls, buf: bytes | bytearray, encoding: str, errors: str) -> _StrictTarInfo:
        info = super().frombuf(buf, encoding, errors)
        if info.type in (tarfile.XHDTYPE, tarfile.XGLTYPE, b"X", b"L", b"K") and info.size > HEADER_BYTES:
            raise _Broken("it has a header too long to be one")
        return info


def _tar_members(file: IO[bytes], where: str, budget: _Budget) -> Iterator[_Member]:
    packed = where.lower().endswith(("gz",))
    stream = gzip.GzipFile(fileobj=file) if packed else file
    with tarfile.open(fileobj=stream, mode="r|", tarinfo=_StrictTarInfo, errors="surrogateescape") as archive:
        while (info := archive.next()) is not None:
            archive.members = []  # type: ignore[attr-defined]  # else it keeps every header ever read
            if info.isdir():
                continue
            time = int(info.mtime * 10**9)
            if info.islnk():
                yield _Member(info.name, info.size, time, None, same_as=info.linkname)
            elif info.isreg():
                yield _Member(info.name, info.size, time, archive.extractfile(info))
            else:
                odd = "is a link, which is not followed" if info.issym() else "is a device"
                yield _Member(info.name, 0, None, None, odd=odd)
        if not getattr(archive, "saw_end_mark", False):
            raise _Broken("it ends too soon: the end mark of the archive is missing")
    while rest := stream.read(1 << 20):
        budget.spend(len(rest))
