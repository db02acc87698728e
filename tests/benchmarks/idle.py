"""What an idle `guard serve` costs, over 1,000 arms and 100,000 files; and how its memory grows over 1,000 arrivals.

There is no public tool to hold it against, so the limits are absolute: under 1 % of a core and
under 100 MiB resident. The growth is shown beside what the interpreter and its libraries take.
"""

from __future__ import annotations

import os
import shutil
import signal
import sqlite3
import subprocess
import time
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from threading import Event

from tests.benchmarks.measure import PLAIN_RECIPE, guard_command, workplace, write_configuration

ARMS, SETS_EACH, FILES_EACH = 1000, 10, 10
IDLE_S = 180
ARRIVALS = 1000
TICKS = os.sysconf("SC_CLK_TCK")


def main() -> None:
    """Start the monitor, let it look at and prove everything, measure it idle, and then let sets arrive."""
    with workplace(__doc__ or "") as folder:
        share = folder / "share"
        arms = [f"arm-{n:04}" for n in range(ARMS)]
        for arm in arms:
            for number in range(SETS_EACH):
                save(share / arm, number)
        write_configuration(folder, arms, PLAIN_RECIPE)
        guard = [*guard_command(), "--config", str(folder / "guard.toml")]
        init = [*guard, "init", str(folder), "--share", str(share), "--yes"]
        subprocess.run(init, check=True, stdout=subprocess.DEVNULL)
        began = time.perf_counter()
        monitor = subprocess.Popen([*guard, "serve"], stdout=subprocess.DEVNULL)
        try:
            until(lambda: proven(folder) == ARMS * SETS_EACH)
            print(f"first look and read-back of {ARMS * SETS_EACH} sets: {time.perf_counter() - began:.0f} s")
            until((folder / "state" / "reports").exists)
            Event().wait(45)
            before = cpu_s(monitor.pid)
            Event().wait(IDLE_S)
            share_of_core = (cpu_s(monitor.pid) - before) / IDLE_S
            tell("idle", f"{share_of_core:.2%} of a core", within=share_of_core < 0.01, limit="1 %")
            idle_mib = resident_mib(monitor.pid)
            tell("resident", f"{idle_mib:.0f} MiB", within=idle_mib < 100, limit="100 MiB")
            arrivals(folder, share, arms, monitor.pid)
        finally:
            monitor.send_signal(signal.SIGTERM)
            monitor.wait(10)


def arrivals(folder: Path, share: Path, arms: list[str], pid: int) -> None:
    """Let sets arrive in ten lots, and tell the memory after each."""
    sizes = []
    for lot in range(10):
        for n in range(ARRIVALS // 10):
            arm = arms[(lot * ARRIVALS // 10 + n) % len(arms)]
            shutil.rmtree(share / arm / stamp(0), ignore_errors=True)
            save(share / arm, SETS_EACH + lot)
        wanted = ARMS * SETS_EACH + (lot + 1) * ARRIVALS // 10
        until(lambda wanted=wanted: proven(folder) >= wanted)
        sizes.append(resident_mib(pid))
    told = " ".join(f"{size:.0f}" for size in sizes)
    growth = sizes[-1] - sizes[1]
    tell(f"resident over {ARRIVALS} arrivals, MiB", told, within=growth < 5, limit="flat, 5 MiB after the second lot")


def save(folder: Path, number: int) -> None:
    """One set, written under another name and moved in place."""
    programs = folder / stamp(number) / "programs"
    programs.mkdir(parents=True)
    for file in range(FILES_EACH):
        (programs / f"p{file:03}").write_bytes(b"%d %d %a\n" % (number, file, folder.name))


def stamp(number: int) -> str:
    """The name of a set."""
    return f"{datetime(2026, 1, 1, 5, 10) + timedelta(days=number):%Y-%m-%d_%H%M}"


def until(condition: Callable[[], bool], seconds: float = 1200) -> None:
    """Wait until a condition holds."""
    end = time.monotonic() + seconds
    while not condition():
        if time.monotonic() > end:
            raise SystemExit("the monitor did not get there in time")
        Event().wait(0.5)


def proven(folder: Path) -> int:
    """How many sets were read back so far, those that are gone included."""
    try:
        db = sqlite3.connect(f"file:{folder / 'state' / 'catalogue.db'}?mode=ro", uri=True)
        count = int(db.execute("SELECT count(*) FROM sets WHERE last_read_at IS NOT NULL").fetchone()[0])
        db.close()
    except sqlite3.OperationalError:
        return 0
    return count


def cpu_s(pid: int) -> float:
    """Seconds of a processor that a process has used."""
    fields = Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()
    return (int(fields[11]) + int(fields[12])) / TICKS


def resident_mib(pid: int) -> float:
    """Memory of a process that is in the computer's memory now."""
    return int(Path(f"/proc/{pid}/statm").read_text().split()[1]) * os.sysconf("SC_PAGE_SIZE") / (1 << 20)


def tell(title: str, measured: str, *, within: bool, limit: str) -> None:
    """Print a figure beside its limit."""
    print(f"{title}: {measured} ({'within' if within else 'OVER'} {limit})", flush=True)


if __name__ == "__main__":
    main()
