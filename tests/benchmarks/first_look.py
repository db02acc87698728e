"""A first `guard look`, catalogue and both digests included, against `openssl dgst -sha256`, `sha256sum` and `b3sum`."""

from __future__ import annotations

import os
import shutil
import subprocess
from pathlib import Path

from tests.benchmarks.measure import (
    PLAIN_RECIPE,
    guard_command,
    machine,
    report,
    seconds,
    workplace,
    write_configuration,
    write_down,
)

MIB = 1 << 20
LARGE_FILES, LARGE_MIB = 4, 128
SMALL_SETS, SMALL_FILES, SMALL_BYTES = 100, 200, 4096
ROUNDS = 7

ALL_FILES = "find share -type f -print0 | xargs -0"


def main() -> None:
    """Large files first, then many small ones; what was measured goes into README.md beside this file."""
    told = [machine()]
    with workplace(__doc__ or "") as folder:
        large = _plant(folder / "large", 1, LARGE_FILES, LARGE_MIB * MIB)
        title = f"first look, {LARGE_FILES} files of {LARGE_MIB} MiB"
        ours, theirs = _in_turns(large, f"{ALL_FILES} openssl dgst -sha256")
        told.append(report(title, ours, theirs, "openssl dgst -sha256", 1.2))
        told += _against_b3sum(large, title)
        shutil.rmtree(large)
        small = _plant(folder / "small", SMALL_SETS, SMALL_FILES, SMALL_BYTES)
        title = f"first look, {SMALL_SETS * SMALL_FILES} files of {SMALL_BYTES} bytes"
        ours, theirs = _in_turns(small, f"{ALL_FILES} sha256sum")
        told.append(report(title, ours, theirs, "sha256sum", 1.3))
        told += _against_b3sum(small, title)
    write_down(__file__, [f"- {line}" for line in told])


def _against_b3sum(folder: Path, title: str) -> list[str]:
    """Its own digest alone and on every core; no limit is set, since ours are two digests."""
    if not shutil.which("b3sum"):
        return []
    ours, theirs = _in_turns(folder, f"{ALL_FILES} b3sum")
    return [report(title, ours, theirs, "b3sum", None)]


def _plant(folder: Path, sets: int, files: int, size: int) -> Path:
    for number in range(sets):
        programs = folder / "share" / f"arm-{number % 10:02}" / f"2026-11-{1 + number // 10:02}_0510" / "programs"
        programs.mkdir(parents=True)
        for file in range(files):
            (programs / f"p{file:04}.bin").write_bytes(os.urandom(size))
    write_configuration(folder, [f"arm-{n:02}" for n in range(10)], PLAIN_RECIPE)
    subprocess.run(
        [*guard_command(), "init", str(folder), "--share", str(folder / "share"), "--yes"],
        check=True,
        stdout=subprocess.DEVNULL,
    )
    shutil.copytree(folder / "state", folder / "state-after-init")
    return folder


def _in_turns(folder: Path, command: str) -> tuple[list[float], list[float]]:
    ours, theirs = [], []
    look = [*guard_command(), "--config", str(folder / "guard.toml"), "look"]
    for _ in range(ROUNDS):
        theirs.append(seconds(command, folder))
        shutil.rmtree(folder / "state")
        shutil.copytree(folder / "state-after-init", folder / "state")
        ours.append(seconds(look, folder))
    return ours, theirs


if __name__ == "__main__":
    main()
