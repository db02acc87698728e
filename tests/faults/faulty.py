"""A folder seen through a file system whose files and folders can be made to fail, see fuse.py."""

from __future__ import annotations

import importlib.util
import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.faults import fuse
from tests.faults.daemon import until
from tests.faults.machine import may_mount, needs, run


class Faulty:
    """A pass-through mount of a folder, and the faults in it."""

    def __init__(self, control: Path) -> None:
        self.control, self.told = control, control.with_name(f"{control.name}.hits")
        self.clear()

    def fail(self, path: str, operation: str, what: str) -> None:
        """Let an operation on a path below the mount fail, or wait, from now on."""
        self._write(f"/{path} {operation} {what}\n")

    def clear(self) -> None:
        """Let everything work again, and forget who was hit."""
        self._write("")
        self.told.write_text("")

    def hits(self) -> int:
        """How often somebody was hit."""
        return self.told.read_text().count("\n")

    def _write(self, text: str) -> None:
        new = self.control.with_suffix(".new")
        new.write_text(text)
        new.replace(self.control)


@contextmanager
def faulty(lower: Path, at: Path, control: Path) -> Iterator[Faulty]:
    """A folder seen through a file system whose files can be made to fail."""
    needs("fusermount3")
    may_mount()
    if importlib.util.find_spec("mfusepy") is None or not os.access("/dev/fuse", os.R_OK | os.W_OK):
        pytest.skip("no file systems in user space here")
    at.mkdir(parents=True, exist_ok=True)
    faults = Faulty(control)
    command = (sys.executable, fuse.__file__, str(lower), str(at), str(control))
    with subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        try:
            until("the pass-through is mounted", lambda: os.path.ismount(at))
            yield faults
        finally:
            faults.clear()
            run("umount", "--lazy", at)
            process.terminate()
