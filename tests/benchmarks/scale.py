"""Every command over shares of three sizes, a decade apart: time, memory, growth, and ratios to public tools.

Writes what it measured into README.md beside it. The largest share takes some 5 GB of disk and twenty minutes.
"""

from __future__ import annotations

import math
import os
import subprocess
import sys
import time
from datetime import timedelta
from pathlib import Path
from typing import NamedTuple

from guard.clock import now
from tests.benchmarks.measure import PLAIN_RECIPE, guard_command, machine, workplace, write_configuration, write_down

SIZES = (10, 100, 1000)
"""Arms. Each has 100 sets of 10 files."""

SETS_EACH, FILES_EACH = 100, 10
ROUNDS = 3
LARGEST_EXPONENT = 1.05

WITH_SUMS = "find share -type f -name 'p*' -print0 | xargs -0"


class Taken(NamedTuple):
    """Wall time and the largest memory of one process."""

    seconds: float
    mib: float


class Task(NamedTuple):
    """A command to measure, and public ones over the same data; a command that changes something runs once."""

    name: str
    words: tuple[str, ...]
    against: tuple[str, ...]
    once: bool = False


OPENSSL, B3SUM = f"{WITH_SUMS} openssl dgst -sha256", f"{WITH_SUMS} b3sum"
FIND = "find share -type f -printf '%s %T@ %p\\n'"

TASKS = (
    Task("first look", ("look",), (OPENSSL, B3SUM), once=True),
    Task("quiet look", ("look",), (FIND,)),
    Task("read back", ("prove", "--due"), (OPENSSL, B3SUM), once=True),
    Task("ask", ("ask", "--arm", "arm-0005", "--action", "power-down", "--json"), (f"{sys.executable} -c pass",)),
    Task("fleet", ("fleet", "--json"), (FIND,)),
    Task("report", ("report",), (FIND,)),
    Task("retention", ("keep", "plan", "--json"), (FIND,)),
)


def main() -> None:
    """Measure all sizes, then write the table."""
    ours: dict[str, list[Taken]] = {task.name: [] for task in TASKS}
    theirs: dict[str, list[list[Taken]]] = {task.name: [] for task in TASKS}
    more_files: list[float] = []
    with workplace(__doc__ or "") as folder:
        for arms in SIZES:
            plant = generate(folder / f"{arms}", arms, SETS_EACH, FILES_EACH)
            for task in TASKS:
                mine, others = _measured(plant, task)
                ours[task.name].append(mine)
                theirs[task.name].append(others)
                print(f"{arms} arms, {task.name}: {mine.seconds:.2f} s, {mine.mib:.0f} MiB", flush=True)
            subprocess.run(["rm", "-rf", str(plant)], check=True)
        for files in (FILES_EACH, 10 * FILES_EACH):
            plant = generate(folder / f"files-{files}", SIZES[0], SETS_EACH, files)
            _run([*_guard(plant), "look"], plant)
            more_files.append(min(_run([*_guard(plant), "look"], plant).seconds for _ in range(ROUNDS)))
    write_down(__file__, _table(ours, theirs, more_files[1] / more_files[0]))


def generate(plant: Path, arms: int, sets_each: int, files_each: int) -> Path:
    """A configured plant whose share has that many arms, sets and files, each file with content of its own."""
    names = [f"arm-{number:04}" for number in range(arms)]
    newest = now()
    for arm in names:
        for age in range(sets_each):
            taken = newest - timedelta(days=age, hours=4)
            programs = plant / "share" / arm / f"{taken:%Y-%m-%d_%H%M}" / "programs"
            programs.mkdir(parents=True)
            for file in range(files_each):
                where = programs / f"p{file:03}"
                where.write_text(f"move {arm} {age} {file}\n", encoding="utf-8")
                os.utime(where, (taken.timestamp(), taken.timestamp()))
    write_configuration(plant, names, PLAIN_RECIPE)
    _run([*guard_command(), "init", str(plant), "--share", str(plant / "share"), "--yes"], plant)
    return plant


def _measured(plant: Path, task: Task) -> tuple[Taken, list[Taken]]:
    """The command and the public ones, in turns, so that a busy machine slows all alike."""
    mine: list[Taken] = []
    others: list[list[Taken]] = [[] for _ in task.against]
    for _ in range(1 if task.once else ROUNDS):
        for taken, public in zip(others, task.against, strict=True):
            taken.append(_run(["sh", "-c", public], plant))
        mine.append(_run([*_guard(plant), *task.words], plant))
    return min(mine), [min(taken) for taken in others]


def _guard(plant: Path) -> list[str]:
    return [*guard_command(), "--config", str(plant / "guard.toml")]


def _run(command: list[str], cwd: Path) -> Taken:
    start = time.perf_counter()
    with subprocess.Popen(command, cwd=cwd, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL) as process:
        _, status, used = os.wait4(process.pid, 0)
        process.returncode = os.waitstatus_to_exitcode(status)
    if process.returncode in (1, 2):
        raise SystemExit(f"{' '.join(command)} failed")
    return Taken(time.perf_counter() - start, used.ru_maxrss / 1024)


def exponent(seconds: list[float]) -> float:
    """The slope of the logarithms over one decade a step, by least squares."""
    logs = [math.log10(each) for each in seconds]
    middle = (len(logs) - 1) / 2
    return sum((n - middle) * log for n, log in enumerate(logs)) / sum((n - middle) ** 2 for n in range(len(logs)))


def _table(ours: dict[str, list[Taken]], theirs: dict[str, list[list[Taken]]], more_files: float) -> list[str]:
    sizes = [f"{arms:,} arms, {arms * SETS_EACH:,} sets, {arms * SETS_EACH * FILES_EACH:,} files" for arms in SIZES]
    lines = [
        machine(),
        f"Sizes: {'; '.join(sizes)}.",
        'Each cell: seconds, MiB at most; in a row that begins with "times": so many times as long as the public tool.',
        "",
        f"| command | {' | '.join(f'{arms:,} arms' for arms in SIZES)} | growth |",
        f"|---|{'---|' * len(SIZES)}---|",
    ]
    for task in TASKS:
        mine = ours[task.name]
        grown = exponent([taken.seconds for taken in mine])
        over = "" if grown <= LARGEST_EXPONENT else f" (over {LARGEST_EXPONENT})"
        cells = " | ".join(f"{taken.seconds:.2f} s, {taken.mib:.0f} MiB" for taken in mine)
        lines.append(f"| {task.name} | {cells} | {grown:.2f}{over} |")
        for number, public in enumerate(task.against):
            ratios = " | ".join(
                f"{taken.seconds / others[number].seconds:.2f} ×"
                for taken, others in zip(mine, theirs[task.name], strict=True)
            )
            lines.append(f"| times `{_short(public)}` | {ratios} | |")
    lines += ["", f"A quiet look over sets with ten times the files takes {more_files:.2f} times as long."]
    return lines


def _short(public: str) -> str:
    return public.removeprefix(f"{WITH_SUMS} ").replace(sys.executable, "python").replace("|", "\\|")


if __name__ == "__main__":
    main()
