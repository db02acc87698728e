"""What lies on a share: sets in folders and archives, read whole, with the standard library alone."""

from __future__ import annotations

import hashlib
import os
import re
import stat
import struct
import tarfile
import zipfile
import zlib
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import NamedTuple
from zoneinfo import ZoneInfo

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
BROKEN = (
    *(OSError, zipfile.BadZipFile, tarfile.TarError, zlib.error, EOFError, ValueError, NotImplementedError),
    struct.error,
)
ARCHIVES = (".zip", ".tar", ".tar.gz", ".tgz")
DIGITS = {"Y": r"\d{4}", "m": r"\d{2}", "d": r"\d{2}", "H": r"\d{2}", "M": r"\d{2}", "S": r"\d{2}"}


class File(NamedTuple):
    """One regular file of a set, and when it was changed last."""

    size: int
    changed: datetime
    data: bytes
    digest: str  # SHA-256, in hex


class Seen(NamedTuple):
    """A set as it lies there: its files, what in it is no plain file, and why it cannot be read (else empty)."""

    path: str
    arm: str
    stamp: datetime | None
    files: dict[str, File]
    odd: tuple[str, ...] = ()
    broken: str = ""
    look: tuple[tuple[str, int, int], ...] = ()  # what a listing shows: name, size, time in ns
    written: datetime = EPOCH  # the newest change that the share's times tell, by whatever of them

    @property
    def fingerprint(self) -> str:
        """Contract, "Fingerprint": SHA-256 of what sha256sum prints, sorted by the paths' bytes."""
        return _fingerprint(tuple((name, file.digest) for name, file in self.files.items()))


@lru_cache(maxsize=1000)
def _fingerprint(digests: tuple[tuple[str, str], ...]) -> str:
    lines = []
    for name, digest in sorted(digests, key=lambda each: os.fsencode(each[0])):
        plain = name.replace("\\", "\\\\").replace("\n", "\\n").replace("\r", "\\r")
        mark = "\\" if plain != name else ""
        lines.append(f"{mark}{digest}  {plain}\n")
    return hashlib.sha256("".join(lines).encode("utf-8", "surrogateescape")).hexdigest()


class Share(NamedTuple):
    """All that lies on a share: sets by path, and each arm's entries that fit no layout."""

    sets: dict[str, Seen]
    odd: dict[str, tuple[str, ...]]


def read_share(root: Path, layouts: list[str], arms: list[str], zone: ZoneInfo) -> Share:
    """Read everything below ``root``."""
    sets: dict[str, Seen] = {}
    odd: dict[str, list[str]] = {arm: [] for arm in arms}
    patterns = [_pattern(layout, arms) for layout in layouts]
    depths = {layout.count("/") for layout in layouts}
    for folder, names, files in os.walk(root):
        below = os.path.relpath(folder, root)
        here = "" if below == "." else below + "/"
        deeper = []
        for name in sorted(names + files):
            path = here + name
            if path.startswith("."):
                continue
            found = _fits(path, layouts, patterns, zone, Path(folder, name))
            if found:
                arm, taken = found
                sets[path] = read_set(root, path, arm, taken, zone)
            elif name in names and not Path(folder, name).is_symlink() and path.count("/") < max(depths):
                deeper.append(name)
            if not found and (owner := _owner(path, layouts, arms)):
                odd[owner].append(path)
        names[:] = deeper
    return Share(sets, {arm: tuple(paths) for arm, paths in odd.items()})


def _pattern(layout: str, arms: list[str]) -> re.Pattern[str]:
    text = re.escape(layout).replace(r"\{", "{").replace(r"\}", "}")
    text = text.replace("{arm}", f"(?P<arm>{'|'.join(map(re.escape, arms))})")
    text = text.replace("{area}", "[^/]+").replace("{any}", "[^/]+")

    def digits(found: re.Match[str]) -> str:
        return "(?P<taken>" + re.sub(r"%(.)", lambda one: DIGITS[one[1]], found[1].replace("\\", "")) + ")"

    return re.compile(re.sub(r"\{taken:([^}]*)\}", digits, text))


def _fits(
    path: str, layouts: list[str], patterns: list[re.Pattern[str]], zone: ZoneInfo, where: Path
) -> tuple[str, datetime | None] | None:
    """The arm and the stamp of a set, where a path is one."""
    if where.is_symlink():
        return None
    bare = path
    if where.is_file():
        ending = next((end for end in ARCHIVES if path.endswith(end)), "")
        if not ending:
            return None
        bare = path.removesuffix(ending)
    elif not where.is_dir():
        return None
    for layout, pattern in zip(layouts, patterns, strict=True):
        found = pattern.fullmatch(bare)
        if found is None:
            continue
        if "taken" not in found.groupdict():
            return found["arm"], None
        form = re.search(r"\{taken:([^}]*)\}", layout)
        assert form
        try:
            taken = datetime.strptime(found["taken"], form[1])  # noqa: DTZ007 - it has the plant's zone
        except ValueError:
            continue
        return found["arm"], earliest(taken, zone)
    return None


def _owner(path: str, layouts: list[str], arms: list[str]) -> str:
    """Whose folder an entry lies in, directly below it."""
    for layout in layouts:
        levels = layout.split("/")
        at = next((number for number, level in enumerate(levels) if level == "{arm}"), None)
        names = path.split("/")
        if at is not None and len(names) == at + 2 and names[at] in arms:
            return names[at]
    return ""


def read_set(root: Path, path: str, arm: str, taken: datetime | None, zone: ZoneInfo) -> Seen:
    """Read one set whole."""
    where = root / path
    if where.is_dir():
        return _folder(where, path, arm, taken)
    status = where.stat()
    look = (("", status.st_size, status.st_mtime_ns),)
    try:
        files, odd = _zip(where, zone) if path.endswith(".zip") else _tar(where)
    except BROKEN as error:
        return Seen(path, arm, taken, {}, (), str(error) or "broken", look, _written([status]))
    leaving = {name for name in files if ".." in name.split("/")}  # contract: a finding, and not below the set
    odd += (*sorted(leaving), *filter(_is_unfinished, files))
    files = {name: file for name, file in files.items() if name not in leaving}
    return Seen(path, arm, taken, _unwrapped(files, where.name), odd, "", look, _written([status]))


def _folder(where: Path, path: str, arm: str, taken: datetime | None) -> Seen:
    files, odd, look, statuses = {}, [], [], [where.stat()]
    for folder, names, others in os.walk(where):
        for name in names + others:
            one = Path(folder, name)
            inside = one.relative_to(where).as_posix()
            status = one.lstat()
            statuses.append(status)
            if stat.S_ISREG(status.st_mode):
                changed = EPOCH + timedelta(microseconds=status.st_mtime_ns // 1000)
                files[inside] = _file(changed, one.read_bytes())
                look.append((inside, status.st_size, status.st_mtime_ns))
                odd += filter(_is_unfinished, [name])
            elif not stat.S_ISDIR(status.st_mode):
                odd.append(inside)
    return Seen(path, arm, taken, files, tuple(sorted(odd)), "", tuple(sorted(look)), _written(statuses))


def _is_unfinished(name: str) -> bool:
    """Explain, `odd-entry`: "files named as a copy leaves them that did not finish"."""
    return name.endswith(".part")


def _written(statuses: list[os.stat_result]) -> datetime:
    return EPOCH + timedelta(seconds=max(max(status.st_mtime, status.st_ctime) for status in statuses))


def _file(changed: datetime, data: bytes) -> File:
    return File(len(data), changed, data, hashlib.sha256(data).hexdigest())


def _zip(where: Path, zone: ZoneInfo) -> tuple[dict[str, File], tuple[str, ...]]:
    """PKWARE APPNOTE 4.3.7 and 4.3.12: a member's checksum and sizes stand twice, before it and at the end."""
    files, data = {}, where.read_bytes()
    with zipfile.ZipFile(where) as archive:
        for member in archive.infolist():
            if (member.CRC, member.compress_size, member.file_size) != struct.unpack_from(
                "<3I", data, member.header_offset + 14
            ):
                raise zipfile.BadZipFile("its headers differ")
            if not member.is_dir():
                files[member.filename] = _file(earliest(datetime(*member.date_time), zone), archive.read(member))
    return files, ()


def earliest(local: datetime, zone: ZoneInfo) -> datetime:
    """Design 4: "the earliest plausible" one, of an hour that the plant's clocks skipped or had twice."""
    return min(local.replace(tzinfo=zone, fold=fold).astimezone(UTC) for fold in (0, 1))


def _tar(where: Path) -> tuple[dict[str, File], tuple[str, ...]]:
    """POSIX pax: blocks of zeros end an archive; whatever comes after them had a header once, or is not its own."""
    files, odd = {}, []
    with tarfile.open(where) as archive:
        for member in archive:
            if member.isreg():
                held = archive.extractfile(member)
                assert held
                files[member.name] = _file(EPOCH + timedelta(seconds=member.mtime), held.read())
            elif not member.isdir():
                odd.append(member.name)
        assert archive.fileobj
        archive.fileobj.seek(archive.offset)
        rest = archive.fileobj.read()
        if len(rest) < tarfile.BLOCKSIZE or any(rest):
            raise tarfile.ReadError("it ends too soon, or goes on after its end")
    return files, tuple(odd)


def _unwrapped(files: dict[str, File], name: str) -> dict[str, File]:
    """README: one folder of the archive's own name around all of it does not count."""
    around = next(name.removesuffix(end) for end in ARCHIVES if name.endswith(end)) + "/"
    if files and all(path.startswith(around) for path in files):
        return {path.removeprefix(around): file for path, file in files.items()}
    return files
