"""What a restore medium can hold: its room, and the names and sizes that its file system takes."""

from __future__ import annotations

import errno
import os
import shutil
import sys
from collections.abc import Iterable, Iterator, Mapping

from guard.model import FileFacts
from guard.record import Record
from guard.share.mounts import mount_of
from guard.share.refusals import Unfit

AS_WINDOWS = frozenset("cifs exfat fuse.exfat fuse.fusefat fuseblk msdos ntfs ntfs3 smb3 umsdos vfat".split())
"""Types whose names must be such as Windows takes; fuseblk is how a disk's exFAT and NTFS in user space are called.

What NTFS itself could hold beyond that, no Windows would open.
"""

FAT = frozenset("fuse.fusefat msdos umsdos vfat".split())
LARGEST_ON_FAT = 2**32 - 1
"""A file's size stands in 32 bits there (Microsoft, FAT32 File System Specification, 1.03)."""

RESERVED_SIGNS = frozenset('"*:<>?\\|') | {chr(code) for code in range(32)}
"""What no name may hold on exFAT (Microsoft, exFAT specification, section 7.7.3), nor on FAT with long names."""

RESERVED_NAMES = frozenset(
    ["CON", "PRN", "AUX", "NUL", *(f"{port}{number}" for port in ("COM", "LPT") for number in range(1, 10))]
)
"""Names of devices, with any ending (Microsoft, Naming Files, Paths, and Namespaces)."""

LONGEST_NAME = 255
"""UTF-16 units there, bytes elsewhere (NAME_MAX of Linux)."""

PLAIN = frozenset("abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789-_.")
"""Names of these signs alone need no probe."""

CLUSTER_BYTES = 32 << 10
"""The usual allocation unit of FAT and exFAT, where the system does not tell (common practice, no source)."""

CANNOT_HOLD = frozenset((errno.EINVAL, errno.ENAMETOOLONG, errno.EILSEQ, errno.ENOENT, errno.EPERM, errno.EEXIST))
"""How file systems say that they do not take a name, in a folder that was just made."""


class Medium(Record):
    """The file system of a medium. ``free_bytes`` and ``free_files`` are None where the system does not tell."""

    type: str
    point: str
    source: str
    device: int
    free_bytes: int | None
    free_files: int | None
    cluster_bytes: int


def medium_of(folder: str) -> Medium:
    """What a folder lies on. Raises OSError."""
    mount = mount_of(folder)
    device, free = os.stat(folder).st_dev, shutil.disk_usage(folder)
    cluster, files = CLUSTER_BYTES, None
    if hasattr(os, "statvfs"):
        about = os.statvfs(folder)
        cluster = about.f_frsize or about.f_bsize or CLUSTER_BYTES
        files = about.f_favail if about.f_files else None
    free_bytes = free.free if free.total else None
    if mount is None:
        return Medium("", "", "", device, free_bytes, files, cluster)
    return Medium(mount.type, mount.point, mount.source, device, free_bytes, files, cluster)


def room_for(sizes: Iterable[int], cluster_bytes: int) -> int:
    """The bytes that files of these sizes take up, each in whole clusters."""
    return sum(-(-size // cluster_bytes) * cluster_bytes for size in sizes)


def folders_of(paths: Iterable[str]) -> set[str]:
    """Every folder on the way to files."""
    found: set[str] = set()
    for path in paths:
        folder = path.rpartition("/")[0]
        while folder and folder not in found:
            found.add(folder)
            folder = folder.rpartition("/")[0]
    return found


# By what is known of the type


def unfit(files: Iterable[FileFacts], kind: str) -> list[Unfit]:
    """What a file system of that type is known not to hold, and what no bag can name, by the files' paths."""
    there = {file.path: file.size for file in files}
    found = [Unfit(path, "is no UTF-8, in which a bag names its files") for path in there if not _is_text(path)]
    strict = kind in AS_WINDOWS or sys.platform == "win32"
    found += _unfit_names(there, strict=strict)
    if strict:
        found += same_but_for_case(there)
    if kind in FAT:
        found += [Unfit(path, TOO_LARGE) for path, size in there.items() if size > LARGEST_ON_FAT]
    return found


TOO_LARGE = "is larger than one file may be there (4 GiB less one byte)"


def _is_text(path: str) -> bool:
    try:
        path.encode()
    except UnicodeEncodeError:
        return False
    return True


def _unfit_names(paths: Iterable[str], *, strict: bool) -> Iterator[Unfit]:
    for path in sorted({*paths, *folders_of(paths)}):
        why = _why_unfit(path.rpartition("/")[2], strict=strict)
        if why is not None:
            yield Unfit(path, why)


def _why_unfit(name: str, *, strict: bool) -> str | None:
    if not strict:
        too_long = len(name.encode("utf-8", "surrogateescape")) > LONGEST_NAME
        return f"has a name of more than {LONGEST_NAME} bytes" if too_long else None
    reserved = sorted(RESERVED_SIGNS & set(name))
    if reserved:
        return f"holds the reserved sign {reserved[0]!r}"
    if name.endswith((".", " ")):
        return "ends in a point or a space"
    if name.partition(".")[0].rstrip().upper() in RESERVED_NAMES:
        return "is the name of a device"
    if len(name.encode("utf-16-le", "surrogatepass")) // 2 > LONGEST_NAME:
        return f"has a name of more than {LONGEST_NAME} signs"
    return None


def same_but_for_case(paths: Iterable[str]) -> list[Unfit]:
    """Files and folders that would be one where small and capital letters are the same."""
    by_key: dict[str, list[str]] = {}
    for path in sorted({*paths, *folders_of(paths)}):
        by_key.setdefault("".join(map(_upper, path)), []).append(path)
    return [
        Unfit(other, f"differs from {first!r} only in small and capital letters")
        for first, *others in by_key.values()
        for other in others
    ]


def _upper(sign: str) -> str:
    """The capital letter of one sign; such tables map one sign to one."""
    upper = sign.upper()
    return upper if len(upper) == 1 else sign


# By trying it


def probed(folder: str, sizes: Mapping[str, int]) -> list[Unfit]:
    """What the file system refuses, by making such names and sizes in an empty folder of ours. Raises OSError."""
    names: dict[str, str] = {}
    for path in sorted({*sizes, *folders_of(sizes)}):
        name = path.rpartition("/")[2]
        if not PLAIN.issuperset(name) or len(name) > LONGEST_NAME // 2 or name.endswith("."):
            names.setdefault(name, path)
    found = [
        Unfit(path, "has a name that it does not take") for name, path in names.items() if not _takes(folder, name)
    ]
    alike = same_but_for_case(sizes)
    if alike and _is_blind_to_case(folder):
        found += alike
    largest = max(sizes, key=lambda path: sizes[path], default=None)
    if largest is not None and sizes[largest] > LARGEST_ON_FAT and not _takes_size(folder, sizes[largest]):
        found.append(Unfit(largest, "is larger than one file may be there"))
    return found


def _takes(folder: str, name: str) -> bool:
    """Whether a file of that name can be made, and then has just this name."""
    where = os.path.join(folder, name)
    try:
        os.close(os.open(where, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644))
    except OSError as error:
        if error.errno in CANNOT_HOLD:
            return False
        raise
    except ValueError:  # a name with a zero byte
        return False
    taken = name in os.listdir(folder)
    os.unlink(where)
    return taken


def _is_blind_to_case(folder: str) -> bool:
    small = os.path.join(folder, "probe")
    os.close(os.open(small, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o644))
    blind = os.path.lexists(os.path.join(folder, "PROBE"))
    os.unlink(small)
    return blind


def _takes_size(folder: str, size: int) -> bool:
    """Whether a file may be so large; what else hinders it is no matter of its size."""
    where = os.path.join(folder, "probe")
    try:
        with open(where, "xb") as file:
            file.truncate(size)
    except OSError as error:
        return error.errno not in (errno.EFBIG, errno.EINVAL)
    finally:
        if os.path.lexists(where):
            os.unlink(where)
    return True
