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
from collections.abc import Iterator, Mapping
from datetime import datetime, tzinfo
from typing import IO

from guard.model import FileFacts
from guard.names import name_text
from guard.plant import ArchiveLimits
from guard.record import Record
from guard.share.layout import is_zip
from guard.share.listing import LAST_NS, OddMember, SetUnreadable
from guard.share.source import IN_ONE_READ_BYTES, Reading, Wanted, forget, take_content, take_stream
from guard.share.unpacking import UNPACKED_HERE, Unpacked, unpacked
from guard.times import earliest_reading
from guard.units import bytes_in_words

HEADER_BYTES = 1 << 20
"""Longer headers than this before one member are no name but an attack on memory."""

MOST_GLOBAL_HEADERS = 100
"""What holds for all members that follow is the writer's remark, and a time or an owner at the most."""

LONGEST_PATH, LONGEST_NAME = 4096, 255
"""Of files on all systems that robots' backups come from, limits.h of POSIX and Linux; Windows has the same for a name."""

LONGEST_NUMBER = LONGEST_NAME
"""A longer run of digits is no part of a header; ``_refuse_slow`` tells why that matters."""

DIRECTORY_BYTES_A_MEMBER = 256
"""In a zip's directory, names and extra fields of all members taken together; most take half of it."""

ZIP_ENTRY, ZIP_END = b"PK\1\2", b"PK\5\6"
ZIP_END_BYTES = 22
"""The record at the end of a zip, without the comment that follows it."""

EXPANSION_COUNTS_FROM_BYTES = 1 << 20
"""Below this much content the ratio to the packed size says nothing."""


_DIGITS = re.compile(rb"[0-9]++")
_CHARSETS = re.compile(rb"[0-9] hdrcharset=")


class _Broken(Exception):
    """The archive cannot be read to its end, or must not be."""


class _Budget:
    """Counts what an archive expands to and refuses once it is too much."""

    def __init__(self, limits: ArchiveLimits, packed_bytes: int) -> None:
        self.limits, self.packed_bytes = limits, max(packed_bytes, 1)
        self.members = self.content = self.unpacked = 0

    def member(self) -> None:
        self.members += 1
        if self.members > self.limits.members:
            raise _Broken(f"it has more than {self.limits.members} members (limits.archive-members)")

    def spend(self, count: int) -> None:
        """Count bytes of members' content, holes in them included."""
        self.content += count
        self._refuse_above(self.content)

    def unpack(self, count: int) -> None:
        """Count bytes that come out of the packing, headers included."""
        self.unpacked += count
        self._refuse_above(self.unpacked)

    def _refuse_above(self, total: int) -> None:
        if total > self.limits.content_bytes:
            most = bytes_in_words(self.limits.content_bytes)
            raise _Broken(f"it expands to more than {most} (limits.archive-content)")
        ratio = self.limits.expansion
        if total > max(EXPANSION_COUNTS_FROM_BYTES, ratio * self.packed_bytes):
            raise _Broken(f"it expands more than {ratio} times (limits.archive-expansion)")


def read_archive(
    where: str, stem: str, zone: tzinfo, limits: ArchiveLimits, wanted: Wanted, *, from_disk: bool = False
) -> Reading:
    """Read every member of an archive set. Raises SetUnreadable where the file itself cannot be read.

    Members' paths are those of the folder that was packed: where all of them lie in one
    folder of the archive's own name (or in a bag's folder), that name is taken off, so
    that a folder and its archive have one fingerprint. ``from_disk`` is as for ``read_folder``.
    """
    try:
        with open(where, "rb") as file:
            if from_disk:
                forget(file.fileno())
            budget = _Budget(limits, os.fstat(file.fileno()).st_size)
            members = _zip_members(file, zone, limits) if is_zip(where) else _tar_members(file, where, budget)
            return _read_members(members, stem, budget, wanted)
    except OSError as error:
        raise SetUnreadable(f"the archive cannot be read: {error.strerror or error}") from error


class _Member(Record):
    path: str
    size: int
    mtime_ns: int | None
    content: IO[bytes] | Unpacked | None
    same_as: str | None = None
    odd: str | None = None


def _read_members(members: Iterator[_Member], stem: str, budget: _Budget, wanted: Wanted) -> Reading:
    files: dict[str, FileFacts] = {}
    odd: list[OddMember] = []
    kept: dict[str, bytes] = {}
    names: set[str] = set()
    wrapped = _Wrapper(stem)
    broken = None
    try:
        for member in members:
            budget.member()
            _refuse_endless(member.path)
            path = _clean(member.path)
            _refuse_second(path, names)
            if member.odd or path is None:
                odd.append(OddMember(member.path, member.odd or "is a name that leaves the set"))
                continue
            wrapped.see(path)
            files[path] = _read_member(path, member, files, budget, wanted, kept)
    except (_Broken, EOFError, zlib.error, zipfile.BadZipFile, tarfile.TarError, gzip.BadGzipFile) as error:
        broken = str(error) or "it ends too soon"
    except OSError as error:
        if error.errno is not None:
            raise  # the system could not read the file; else it is how bz2 calls what it cannot unpack
        broken = f"it cannot be understood: {error}"
    except Exception as error:  # noqa: BLE001
        # The parsers of the standard library raise whatever a broken archive leads them to.
        broken = f"it cannot be understood: {error}"
    strip = wrapped.prefix()
    if broken is not None and len(broken) > LONGEST_PATH:
        broken = f"{broken[:LONGEST_PATH]}…"
    return Reading(
        tuple(file._replace(path=file.path[len(strip) :]) for file in files.values()),
        tuple(odd),
        {path[len(strip) :]: content for path, content in kept.items() if path.startswith(strip)},
        strip,
        broken,
    )


def _refuse_endless(path: str) -> None:
    """A name that no system can make is an attack on whoever compares or shows it."""
    longest = max(map(len, path.split("/")))
    if len(path) > LONGEST_PATH or longest > LONGEST_NAME:
        raise _Broken(f"it has a path of {len(path)} characters, with a name of {longest}; no system makes such a file")


def _refuse_second(path: str | None, names: set[str]) -> None:
    """Of two members with one name nobody can say which of them unpacking would leave."""
    if path in names:
        raise _Broken(f"it names {path} twice")
    if path is not None:
        names.add(path)


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
        wanted.inspection.repeat(path, original.path)
        wanted.further.update({(path, name): wanted.further[original.path, name] for name in wanted.also})
        return original._replace(path=path)
    content = member.content
    if content is None:
        raise _Broken(f"{path} has no content")

    def read_into(buffer: bytearray) -> int:
        count = int(content.readinto(buffer))  # type: ignore[union-attr]  # which IO does not have, and all of these do
        budget.spend(count)
        return count

    if member.size <= IN_ONE_READ_BYTES:
        data = content.read(member.size + 1)
        budget.spend(len(data))
        digests = take_content(path, data, wanted, kept)
    else:
        digests = take_stream(path, member.size, read_into, wanted, kept)
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


class _Opened:
    """A zip's file as zipfile reads its directory, which it takes into memory whole, whatever its size."""

    def __init__(self, file: IO[bytes], limits: ArchiveLimits) -> None:
        self._file, self._most = file, limits.members
        self.seek, self.tell, self.seekable = file.seek, file.tell, file.seekable

    def read(self, size: int = -1) -> bytes:
        if size > max(self._most * DIRECTORY_BYTES_A_MEMBER, HEADER_BYTES):
            raise _Broken(f"its directory is too large for {self._most} members (limits.archive-members)")
        data = self._file.read(size)
        if data.count(ZIP_ENTRY) > self._most:
            raise _Broken(f"it has more than {self._most} members (limits.archive-members)")
        return data


def _zip_members(file: IO[bytes], zone: tzinfo, limits: ArchiveLimits) -> Iterator[_Member]:
    with zipfile.ZipFile(_Opened(file, limits)) as archive:
        _refuse_partial(file, archive)
        for info in archive.infolist():
            if not info.filename:
                raise _Broken("it has a member without a name")
            if info.is_dir():
                continue
            path = zip_path(info)
            kind = (info.external_attr >> 16) & 0o170000
            if info.flag_bits & 0x1:
                raise _Broken(f"{path} is encrypted")
            if kind not in (0, 0o100000):
                yield _Member(path, 0, None, None, odd="is a link, which is not followed")
                continue
            with unpacked(archive, info) if info.compress_type in UNPACKED_HERE else archive.open(info) as content:
                yield _Member(path, info.file_size, _zip_time(info, zone), content)


def _refuse_partial(file: IO[bytes], archive: zipfile.ZipFile) -> None:
    """Takes as proof of a whole zip that it begins with a member, ends with its end record, and counts right.

    What is left of a zip that was cut off may end with a zip that lay in it, and would be
    read as that one.
    """
    infos = archive.infolist()
    if min((info.header_offset for info in infos), default=archive.start_dir):
        raise _Broken("it does not begin with its first member")
    file.seek(0, os.SEEK_END)
    at = max(file.tell() - len(archive.comment) - ZIP_END_BYTES, 0)
    file.seek(at)
    end = file.read(ZIP_END_BYTES)
    comment_bytes, count = int.from_bytes(end[20:22], "little"), int.from_bytes(end[10:12], "little")
    if not end.startswith(ZIP_END) or comment_bytes != len(archive.comment):
        raise _Broken("it does not end with its own end mark")
    if count not in (0xFFFF, len(infos) & 0xFFFF):
        raise _Broken(f"it lists {len(infos)} members where its end mark counts {count}")


def zip_path(info: zipfile.ZipInfo) -> str:
    """A member's path; by its own bytes where the archive does not say what they mean."""
    if info.flag_bits & 0x800:
        return info.filename
    try:
        return name_text(info.filename.encode("cp437"))
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
    """Notes the end mark of the archive."""

    @classmethod
    def fromtarfile(cls, archive: tarfile.TarFile) -> _StrictTarInfo:
        try:
            return super().fromtarfile(archive)
        except tarfile.EOFHeaderError:  # type: ignore[attr-defined]
            archive.saw_end_mark = True  # type: ignore[attr-defined]
            raise


class _Forward:
    """A stream that is read once from beginning to end, as tarfile wants to see it.

    Extended headers and the maps of sparse members are read into memory whole, so what is
    read ``in_header`` is counted, and refused beyond HEADER_BYTES.
    """

    def __init__(self, stream: IO[bytes] | gzip.GzipFile, budget: _Budget) -> None:
        self._stream, self._budget = stream, budget
        self._at = self._header_bytes = 0
        self._in_header = True

    def in_header(self, *, begins: bool) -> None:
        self._in_header, self._header_bytes = begins, 0

    def read(self, size: int) -> bytes:
        if self._in_header:
            self._header_bytes += size
            if self._header_bytes > HEADER_BYTES:
                raise _Broken("it has a header too long to be one")
        data = self._stream.read(size)
        if self._in_header:
            _refuse_slow(data)
        self._at += len(data)
        self._budget.unpack(len(data))
        return data

    def tell(self) -> int:
        return self._at

    def seek(self, position: int) -> None:
        if position < self._at:
            raise _Broken("it points back into itself")
        while self._at < position and (data := self._stream.read(min(position - self._at, 1 << 20))):
            self._at += len(data)
            self._budget.unpack(len(data))


def _refuse_slow(header: bytes) -> None:
    """Refuse what tarfile takes time for by the square of its length, CVE-2024-6232, before Python 3.11.10 and 3.12.6."""
    longest = max(map(len, _DIGITS.findall(header)), default=0)
    if longest > LONGEST_NUMBER or len(_CHARSETS.findall(header)) > 1:
        raise _Broken("it has a header that no program writes")


def _refuse_globals(headers: Mapping[str, str]) -> None:
    """Refuse headers for all that follow which pile up: tarfile copies them for every member."""
    if len(headers) > MOST_GLOBAL_HEADERS or sum(map(len, headers.values())) > HEADER_BYTES:
        raise _Broken("it has more headers for all its members than any program writes")


def _tar_members(file: IO[bytes], where: str, budget: _Budget) -> Iterator[_Member]:
    packed = where.lower().endswith("gz")
    stream = _Forward(gzip.GzipFile(fileobj=file) if packed else file, budget)
    with tarfile.TarFile(
        fileobj=stream,  # type: ignore[arg-type]  # it asks for no more than _Forward has
        tarinfo=_StrictTarInfo,
        encoding="utf-8",
        errors="surrogateescape",
    ) as archive:
        while (info := archive.next()) is not None:
            stream.in_header(begins=False)
            archive.members = []  # type: ignore[attr-defined]  # else it keeps every header ever read
            _refuse_globals(archive.pax_headers)
            if not info.isdir():
                yield _tar_member(archive, info)
            stream.in_header(begins=True)
        stream.in_header(begins=False)
        if not getattr(archive, "saw_end_mark", False):
            raise _Broken("it ends too soon: the end mark of the archive is missing")
    while rest := stream.read(1 << 20):
        if rest.count(0) != len(rest):
            raise _Broken("it goes on after its end mark: a header in it was lost")


def _tar_member(archive: tarfile.TarFile, info: tarfile.TarInfo) -> _Member:
    time = _nanoseconds(info.mtime)
    if info.islnk():
        return _Member(info.name, info.size, time, None, same_as=info.linkname)
    if info.isreg():
        return _Member(info.name, info.size, time, archive.extractfile(info))
    odd = "is a link, which is not followed" if info.issym() else "is a device"
    return _Member(info.name, 0, None, None, odd=odd)


def _nanoseconds(seconds: float) -> int | None:
    """A member's time; None where it is no moment that 64 bits hold."""
    return int(seconds * 10**9) if abs(seconds) < LAST_NS / 10**9 else None
