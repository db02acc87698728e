"""A plant whose computer has a clock that can be set, by libfaketime."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.faults.machine import needs
from tests.plant import Plant, Result


class Skewed(Plant):
    """A plant whose computer has a clock that can be set; the times of its files stay right."""

    def __init__(self, root: Path, arms: tuple[str, ...] = ("arm-07", "arm-09"), extra: str = "") -> None:
        library = _library()
        _sweep()
        super().__init__(root, arms, extra)
        self.clock = root / "clock"
        self.env = {
            "LD_PRELOAD": str(library),
            "FAKETIME_TIMESTAMP_FILE": str(self.clock),
            "FAKETIME_NO_CACHE": "1",
            "DONT_FAKE_MONOTONIC": "1",
            "NO_FAKE_STAT": "1",
        }
        self.set_clock("+0")

    def set_clock(self, offset: str) -> None:
        """Set the clock, by an offset to the right time."""
        new = self.clock.with_suffix(".new")
        new.write_text(offset)
        new.replace(self.clock)

    def program(self, *words: str, env: dict[str, str] | None = None, cwd: Path | None = None) -> Result:
        return super().program(*words, env={**self.env, **(env or {})}, cwd=cwd)


def _sweep() -> None:
    """Remove what libfaketime leaves in memory for processes that ended in haste, as ours do, and are no more."""
    for left in Path("/dev/shm").glob("*faketime_*"):  # noqa: S108 - by these names nobody else keeps anything
        if Path("/proc", left.name.rpartition("_")[2]).exists():
            continue
        try:
            left.unlink()
        except (FileNotFoundError, PermissionError):
            continue  # another test was quicker, or another person left it


def _library() -> Path:
    needs("faketime")
    found = sorted(Path("/usr/lib").glob("*/faketime/libfaketimeMT.so.1"))
    if not found:
        pytest.skip("libfaketime is not where it is looked for")
    return found[0]
