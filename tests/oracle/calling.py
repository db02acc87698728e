"""Calling the command line: warm, or as a process that starts cold."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any, NamedTuple

from tests.oracle import clock

TOP = Path(__file__).parents[2]
IN_MEMORY = "/dev/shm" if os.path.isdir("/dev/shm") else None  # noqa: S108 - a folder of its own is made there
"""Where plants are quick: the tool lets every fact reach the disk. None for wherever else scratch files go."""


class Given(NamedTuple):
    """What one call gave."""

    code: int
    out: str
    err: str

    @property
    def json(self) -> Any:
        """Its standard output as JSON."""
        return json.loads(self.out)


class Caller:
    """A warm command line; to be closed."""

    def __init__(self) -> None:
        words = [sys.executable, "-m", "tests.oracle.warm"]
        self._warm = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, cwd=TOP)

    def call(self, config: Path, *words: str) -> Given:
        """Run one command."""
        assert self._warm.stdin
        assert self._warm.stdout
        self._warm.stdin.write(
            json.dumps({"words": words, "config": str(config), "ahead_s": clock.ahead_s()}).encode() + b"\n"
        )
        self._warm.stdin.flush()
        return Given(**json.loads(self._warm.stdout.readline()))

    def close(self) -> None:
        """End the process."""
        assert self._warm.stdin
        assert self._warm.stdout
        self._warm.stdin.close()
        self._warm.stdout.close()
        self._warm.wait(timeout=30)


def cold(config: Path, *words: str) -> Given:
    """Run one command as users do."""
    done = subprocess.run(
        [sys.executable, "-m", "guard", *words],
        capture_output=True,
        cwd=TOP,
        env={**os.environ, "GUARD_CONFIG": str(config)},
        stdin=subprocess.DEVNULL,
        timeout=120,
        check=False,
    )
    return Given(done.returncode, done.stdout.decode(), done.stderr.decode())
