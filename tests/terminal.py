"""A real terminal for tests: the command line as a person sees and types it."""

from __future__ import annotations

import os
import re
import struct
import subprocess
import sys
import time
from typing import Self

import pytest

from tests.plant import Plant

ON_POSIX = pytest.mark.skipif(os.name != "posix", reason="pseudo-terminals are POSIX")

ESCAPES = re.compile(r"\x1b\[[0-9;?]*[A-Za-z]")


class Terminal:
    """The command line on a real terminal: what is written to it, and what a person types."""

    def __init__(self, plant: Plant, *words: str, columns: int = 80) -> None:
        import fcntl
        import pty
        import termios

        self._ours, theirs = pty.openpty()
        fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
        env = {key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "COLUMNS", "LINES")}
        self.process = subprocess.Popen(
            [sys.executable, "-c", ON_ITS_TERMINAL, *words],
            stdin=theirs, stdout=theirs, stderr=theirs, cwd=plant.root, start_new_session=True,
            env={**env, "GUARD_CONFIG": str(plant.config), "TERM": "xterm-256color"},
        )  # fmt: skip
        os.close(theirs)
        self.text = ""

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._ours)

    def until(self, pattern: str) -> str:
        """Read until the pattern is written; returns what was read since the last call."""
        import select

        deadline, start = time.monotonic() + 30, len(self.text)
        while not re.search(pattern, self.plain(start)):
            assert time.monotonic() < deadline, self.text[start:]
            if select.select([self._ours], [], [], 1)[0]:
                self._read()
        return self.plain(start)

    def _read(self) -> None:
        try:
            chunk = os.read(self._ours, 65_536)
        except OSError:  # how Linux says that nobody is at the other end any more
            chunk = b""
        assert chunk, f"it ended early: {self.text}"
        self.text += chunk.decode("utf-8", "replace").replace("\r\n", "\n")

    def plain(self, start: int = 0) -> str:
        """What was written, without what steers the terminal."""
        return ESCAPES.sub("", self.text[start:]).replace("\r", "")

    def type(self, text: str) -> None:
        self.type_bytes(text.encode())

    def type_bytes(self, raw: bytes) -> None:
        os.write(self._ours, raw)

    def wait(self) -> int:
        return self.process.wait(timeout=30)


ON_ITS_TERMINAL = """
import fcntl, sys, termios
fcntl.ioctl(0, termios.TIOCSCTTY, 0)
from guard.cli.main import run
run()
"""
"""Makes the terminal the controlling one, so that Ctrl-C reaches the command."""
