"""What a path is mounted from, and by it whether the system tells of every change there."""

from __future__ import annotations

import os
import re
import sys

from guard.errors import StateUnusable
from guard.record import Record

TYPE_CHECKING = False

if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Literal

LOCAL = frozenset(
    "bcachefs btrfs exfat ext2 ext3 ext4 f2fs hfsplus jfs msdos nilfs2 ntfs ntfs3 overlay ramfs reiserfs tmpfs "
    "ubifs udf vfat xfs zfs fuse.fuse-overlayfs".split()
)
"""Types on which all changes go through this computer, so that the system tells of each.

The last one is how containers without rights stack their own file system.
"""

NETWORK = frozenset(
    "afs beegfs ceph cifs coda davfs fuse.sshfs fuse.davfs fuse.glusterfs gfs2 glusterfs gpfs lustre ncpfs nfs nfs4 "
    "ocfs2 orangefs smb3 smbfs sshfs".split()
)
"""Types on which other computers write too, and of that nothing is told."""

SHARED_BY_A_HOST = frozenset("9p drvfs prl_fs vboxsf virtiofs vmhgfs".split())
"""Types by which a virtual machine sees a folder of the computer that it runs on."""

_ENCRYPTING = frozenset(("fuse.encfs", "fuse.gocryptfs"))
_OCTAL = re.compile(rb"\\([0-7]{3})")

DRIVE_REMOTE = 4
_DRIVES_OF_THIS_COMPUTER = {2: "a removable drive", 3: "a fixed drive", 6: "a RAM disk"}
"""What GetDriveTypeW returns (Windows SDK, fileapi.h and winbase.h)."""


class Mount(Record):
    """What is mounted where: the mount point, the file system's type, and what it comes from."""

    point: str
    type: str
    source: str


class Way(Record):
    """How changes are noticed, ``events`` or ``poll``, and why so."""

    kind: Literal["events", "poll"]
    why: str


class _Line(Record):
    number: str
    parent: str
    mount: Mount


def way_to_watch(setting: str, path: str) -> Way:
    """How to notice changes below a path. What is not known to tell of every change is polled."""
    if setting == "poll":
        return Way("poll", "the configuration says so")
    way = _way_on_windows(path, _drive_type) if sys.platform == "win32" else way_on(mount_of(path))
    if setting == "events":
        return Way("events", "the configuration says so" + ("" if way.kind == "events" else f", although {way.why}"))
    return way


def refuse_network(state: str) -> None:
    """Raise StateUnusable where the state folder lies on a network mount."""
    if is_network(state):
        remedy = "Name a folder on a local disk as plant.state: databases on network mounts get damaged."
        raise StateUnusable(state, "it lies on a network mount", remedy)


def is_network(path: str) -> bool:
    """Whether a path lies on a network mount, where a database that several processes open is not safe.

    FUSE counts as network unless it is known to keep its files on this computer.
    """
    if sys.platform == "win32":
        return _is_unc(path) or _drive_type(path) == DRIVE_REMOTE
    mount = mount_of(path)
    return mount is not None and is_network_type(mount.type)


def is_network_type(kind: str) -> bool:
    """Whether a file system of that type lies on another computer.

    A container's or virtual machine's own files may come by 9p; those do not count here.
    """
    if kind in SHARED_BY_A_HOST or kind in LOCAL or kind in _ENCRYPTING:
        return False
    return kind in NETWORK or kind == "fuse" or kind.startswith("fuse.")


def mount_of(path: str) -> Mount | None:
    """The mount that a path lies on, links resolved; None where the system does not tell."""
    try:
        with open("/proc/self/mountinfo", "rb") as file:
            table = file.read()
    except OSError:
        return None
    return mount_in(table, os.path.realpath(path))


def mount_in(table: bytes, path: str) -> Mount | None:
    """The mount in a text such as /proc/self/mountinfo (proc_pid_mountinfo(5)) that an absolute path lies on.

    Goes the way that the system goes: from the top over each mount point in the path, so that
    a mount hidden below a later one is not taken for what is seen. Lines that cannot be
    understood are passed over.
    """
    lines = [line for line in map(_parsed, table.splitlines()) if line is not None and _covers(line.mount.point, path)]
    numbers = {line.number for line in lines}
    next_ones = [line for line in lines if line.parent not in numbers or line.parent == line.number]
    here: _Line | None = None
    while next_ones:
        # Of several that stand on one mount the path meets the shortest first, and of equals sees the last.
        here = min(reversed(next_ones), key=lambda line: len(line.mount.point))
        lines = [line for line in lines if line.number != here.number]
        next_ones = [line for line in lines if line.parent == here.number]
    return None if here is None else here.mount


def _parsed(line: bytes) -> _Line | None:
    before, dash, after = line.partition(b" - ")
    fields, rest = before.split(b" "), after.split(b" ")
    if not dash or len(fields) < 6 or len(rest) < 2:
        return None
    mount = Mount(_plain(fields[4]), _plain(rest[0]), _plain(rest[1]))
    return _Line(_plain(fields[0]), _plain(fields[1]), mount)


def _plain(field: bytes) -> str:
    return os.fsdecode(_OCTAL.sub(lambda digits: bytes([int(digits[1], 8) & 0xFF]), field))


def _covers(point: str, path: str) -> bool:
    return path == point or path.startswith(point.rstrip("/") + "/")


def way_on(mount: Mount | None) -> Way:
    """Whether the system tells of every change on a mount."""
    if mount is None:
        return Way("poll", "this system does not tell what the share is mounted from")
    if mount.type in LOCAL:
        return Way("events", f"the share is on this computer ({mount.type})")
    if mount.type in NETWORK:
        return Way("poll", f"{mount.type} is a network file system, and what other computers write there is not told")
    if mount.type in SHARED_BY_A_HOST:
        return Way("poll", f"{mount.type} is a folder of the host computer, and what the host writes there is not told")
    if mount.type.startswith("fuse"):
        return Way("poll", f"{mount.type} is a file system in user space, and what happens behind it is not told")
    return Way("poll", f"of a file system of type {mount.type} it is not known whether it tells of every change")


def _way_on_windows(path: str, drive_type: Callable[[str], int]) -> Way:
    """As ``way_on``, by how Windows names the path and what it says of the drive."""
    told = "and what other computers write there is not told reliably"
    if _is_unc(path):
        return Way("poll", f"the share is named by its network path, {told}")
    kind = drive_type(path)
    if kind == DRIVE_REMOTE:
        return Way("poll", f"the share is on a network drive, {told}")
    if kind in _DRIVES_OF_THIS_COMPUTER:
        return Way("events", f"the share is on {_DRIVES_OF_THIS_COMPUTER[kind]} of this computer")
    return Way("poll", "of the drive that the share is on it is not known whether it tells of every change")


def _is_unc(path: str) -> bool:
    r"""Whether a path is a network one: ``\\server\share`` or ``\\?\UNC\server\share``, also with ``/``."""
    plain = path.replace("/", "\\")
    if plain.startswith(("\\\\?\\", "\\\\.\\")):
        return plain[4:].upper().startswith("UNC\\")
    return plain.startswith("\\\\")


def _drive_type(path: str) -> int:
    """What Windows says of the drive that a path is on; 0, which is its own word for unknown, elsewhere."""
    if sys.platform != "win32":
        return 0
    import ctypes

    drive, _ = os.path.splitdrive(os.path.realpath(path))
    return int(ctypes.windll.kernel32.GetDriveTypeW(f"{drive}\\"))
