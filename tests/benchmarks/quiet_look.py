"""A quiet `guard look`, in which nothing changed, against `find -type f -printf '%s %T@ %p'` over the same tree."""

from __future__ import annotations

import subprocess
from datetime import datetime, timedelta
from pathlib import Path

from tests.benchmarks.measure import PLAIN_RECIPE, guard_command, report, seconds, workplace, write_configuration

ARMS, SETS_EACH, FILES_EACH = 100, 100, 100
ROUNDS = 5


def main() -> None:
    """Write a million files, look once, then time looks that find nothing new."""
    with workplace(__doc__ or "") as folder:
        arms = [f"arm-{n:03}" for n in range(ARMS)]
        for arm in arms:
            _save(folder / "share" / arm)
        write_configuration(folder, arms, PLAIN_RECIPE)
        guard = [*guard_command(), "--config", str(folder / "guard.toml")]
        for words in (["init", str(folder), "--share", str(folder / "share"), "--yes"], ["look"]):
            subprocess.run([*guard, *words], check=True, stdout=subprocess.DEVNULL)
        find = ["find", str(folder / "share"), "-type", "f", "-printf", "%s %T@ %p\\n"]
        ours, theirs = [], []
        for _ in range(ROUNDS):
            theirs.append(seconds(find, folder))
            ours.append(seconds([*guard, "look"], folder))
        count = ARMS * SETS_EACH * FILES_EACH
        report(f"quiet look, {count} files in {ARMS * SETS_EACH} sets", ours, theirs, "find -printf", 0.5)


def _save(folder: Path) -> None:
    first = datetime(2026, 1, 1, 5, 10)
    for number in range(SETS_EACH):
        programs = folder / f"{first + timedelta(days=number):%Y-%m-%d_%H%M}" / "programs"
        programs.mkdir(parents=True)
        for file in range(FILES_EACH):
            (programs / f"p{file:03}").write_bytes(b"%d %d\n" % (number, file))


if __name__ == "__main__":
    main()
