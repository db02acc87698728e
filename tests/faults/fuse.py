"""A read-only pass-through file system whose files and folders fail as a control file says.

    python fuse.py LOWER MOUNTPOINT CONTROL

Each line of the control file is ``PATH OPERATION WHAT``: the path below the mount (all below it is
meant too), ``stat``, ``list``, ``read`` or ``any``, and the name of an error or a delay in seconds.
Whoever is hit is told in CONTROL.hits, so that a test knows that its fault took place.
"""

from __future__ import annotations

import errno
import os
import sys
from threading import Event
from typing import Any


def strike(control: str, path: str, operation: str) -> None:
    """Let the operation fail or wait, where the control file says so."""
    with open(control, encoding="utf-8") as file:
        faults = [line.rsplit(" ", 2) for line in file.read().splitlines()]
    for where, which, what in faults:
        if which in (operation, "any") and (path == where or path.startswith(f"{where}/")):
            with open(f"{control}.hits", "a", encoding="utf-8") as hits:
                hits.write(f"{path} {operation}\n")
            if what.startswith("E"):
                raise OSError(getattr(errno, what), what)
            Event().wait(float(what))


def main(lower: str, mountpoint: str, control: str) -> None:
    """Serve the folder ``lower`` at ``mountpoint`` until it is unmounted."""
    from mfusepy import FUSE, Operations

    class PassThrough(Operations):
        use_ns = True

        def getattr(self, path: str, fh: int | None = None) -> dict[str, Any]:  # noqa: ARG002
            strike(control, path, "stat")
            about = os.lstat(lower + path)
            numbers = {key: getattr(about, key) for key in ("st_mode", "st_nlink", "st_size", "st_uid", "st_gid")}
            return numbers | {f"st_{key}time": getattr(about, f"st_{key}time_ns") for key in "amc"}

        def readdir(self, path: str, fh: int) -> list[str]:  # noqa: ARG002
            strike(control, path, "list")
            return [".", "..", *os.listdir(lower + path)]

        def open(self, path: str, flags: int) -> int:
            strike(control, path, "read")
            return os.open(lower + path, flags)

        def read(self, path: str, size: int, offset: int, fh: int) -> bytes:
            strike(control, path, "read")
            return os.pread(fh, size, offset)

        def release(self, path: str, fh: int) -> int:  # noqa: ARG002
            os.close(fh)
            return 0

    FUSE(PassThrough(), mountpoint, foreground=True, attr_timeout=0, entry_timeout=0, negative_timeout=0)


if __name__ == "__main__":
    main(*sys.argv[1:])
