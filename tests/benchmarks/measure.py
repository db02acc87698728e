"""Times whole processes, in turns, so that a busy machine slows both sides alike."""

from __future__ import annotations

import argparse
import os
import platform
import shutil
import statistics
import subprocess
import sysconfig
import tempfile
import time
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path

from guard.clock import now


def guard_command() -> list[str]:
    """The installed command."""
    return [str(Path(sysconfig.get_path("scripts")) / "guard")]


def seconds(command: list[str] | str, cwd: Path, env: Mapping[str, str] | None = None) -> float:
    """How long one run of a command takes, start-up included."""
    start = time.perf_counter()
    subprocess.run(
        command,
        cwd=cwd,
        env=env,
        shell=isinstance(command, str),
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        stdin=subprocess.DEVNULL,
        check=False,
    )
    return time.perf_counter() - start


def report(title: str, ours: list[float], theirs: list[float], against: str, limit: float | None) -> str:
    """Print medians and their ratio, and whether that is within the limit where there is one; what was printed."""
    mine, other = statistics.median(ours), statistics.median(theirs)
    ratio = mine / other
    verdict = "" if limit is None else f" (within {limit})" if ratio <= limit else f" (OVER {limit})"
    told = f"{title}: {mine * 1000:.0f} ms; {against}: {other * 1000:.0f} ms; ratio {ratio:.2f}{verdict}"
    print(told, flush=True)
    return told


def write_down(benchmark: str, lines: list[str]) -> None:
    """Put what a benchmark (its file) measured between its two marks in README.md."""
    name = Path(benchmark).name
    begin, end = f"<!-- measured by {name} -->", f"<!-- end of what {name} measured -->"
    readme = Path(benchmark).with_name("README.md")
    head, _, rest = readme.read_text(encoding="utf-8").partition(begin)
    _, _, tail = rest.partition(end)
    readme.write_text("\n".join((f"{head}{begin}", *lines, f"{end}{tail}")), encoding="utf-8")


def machine() -> str:
    """Where and when something was measured."""
    cores, python = os.cpu_count(), platform.python_version()
    return f"{now():%Y-%m-%d}, {platform.machine()}, {cores} cores, Python {python}."


@contextmanager
def workplace(title: str) -> Iterator[Path]:
    """A folder for the data of one benchmark, removed afterwards."""
    parser = argparse.ArgumentParser(description=title)
    parser.add_argument("--at", help="where the files go")
    folder = Path(tempfile.mkdtemp(prefix="guard-benchmark-", dir=parser.parse_args().at))
    try:
        yield folder
    finally:
        shutil.rmtree(folder, ignore_errors=True)


def write_configuration(
    folder: Path, arms: list[str], recipe: str, layout: str = "{arm}/{taken:%Y-%m-%d_%H%M}"
) -> None:
    """A configuration in the form that most plants write it."""
    text = (
        '[plant]\nname = "Benchmark"\ntimezone = "Europe/Berlin"\n[share]\npath = "share"\nsettle = "0s"\n'
        f'layout = ["{layout}"]\n[proof]\nrestore-test-within = "off"\n{recipe}'
    )
    text += "".join(
        f'[[arms]]\nid = "{arm}"\nname = "Arm {arm}"\narea = "area-{n % 20}"\nserial = "RC-{n}"\n'
        'cells = [ { type = "memory-cell", installed = 2025-03-14 } ]\n'
        for n, arm in enumerate(arms)
    )
    (folder / "guard.toml").write_text(text, encoding="utf-8")


PLAIN_RECIPE = '[recipes.standard]\n[recipes.standard.parts.programs]\nfiles = ["programs/**"]\n'
