"""`guard ask` with 1,000 arms and 100,000 sealed sets in the catalogue, against `python -c pass`."""

from __future__ import annotations

import os
import pty
import subprocess
import sys
import time
from datetime import datetime, timedelta
from pathlib import Path

from guard.clock import now
from guard.load import load
from guard.model import FileFacts, Part
from guard.share.ground import recipe_digest
from guard.store.catalogue import Catalogue
from guard.store.known import Arrival, Seal
from tests.benchmarks.measure import PLAIN_RECIPE, guard_command, report, seconds, workplace, write_configuration

ARMS, SETS_EACH, ROUNDS = 1000, 100, 30
ASKED = "arm-0500"


def main() -> None:
    """Fill a catalogue, then ask."""
    with workplace(__doc__ or "") as folder:
        arms = [f"arm-{n:04}" for n in range(ARMS)]
        write_configuration(folder, arms, PLAIN_RECIPE)
        stamps = [now() - timedelta(days=n, hours=1) for n in range(SETS_EACH)]
        _save(folder, stamps)
        guard = [*guard_command(), "--config", str(folder / "guard.toml")]
        for words in (["init", str(folder), "--share", str(folder / "share"), "--yes"], ["look"], ["prove", "--due"]):
            subprocess.run([*guard, *words], check=True, stdout=subprocess.DEVNULL)
        _fill(folder, [arm for arm in arms if arm != ASKED], stamps)
        ask = [*guard, "ask", "--arm", ASKED, "--action", "power-down"]
        checked = subprocess.run([*ask, "--json"], capture_output=True, text=True, check=False)
        print(f"{ASKED}: exit {checked.returncode}; {ARMS} arms, {ARMS * SETS_EACH} sets")
        passes, json_times, rich_times = [], [], []
        for _ in range(ROUNDS):
            passes.append(seconds([sys.executable, "-c", "pass"], folder))
            json_times.append(seconds([*ask, "--json"], folder))
            rich_times.append(_on_terminal(ask))
        report("ask --json", json_times, passes, "python -c pass", 4.0)
        report("ask on a terminal", rich_times, passes, "python -c pass", 8.0)


def _on_terminal(command: list[str]) -> float:
    start = time.perf_counter()
    main_end, terminal = pty.openpty()
    with subprocess.Popen(command, stdout=terminal, stderr=terminal, stdin=terminal) as process:
        os.close(terminal)
        while True:
            try:
                if not os.read(main_end, 65536):
                    break
            except OSError:
                break
        process.wait()
    os.close(main_end)
    return time.perf_counter() - start


def _save(folder: Path, stamps: list[datetime]) -> None:
    for number, stamp in enumerate(stamps):
        programs = folder / "share" / ASKED / f"{stamp:%Y-%m-%d_%H%M}" / "programs"
        programs.mkdir(parents=True)
        for file in range(10):
            (programs / f"p{file}.txt").write_text(f"move {number} {file}\n", encoding="utf-8")


def _fill(folder: Path, arms: list[str], stamps: list[datetime]) -> None:
    """Catalogue sets of the other arms without writing their files."""
    settings = load(str(folder / "guard.toml"))
    catalogue = Catalogue(str(Path(settings.state) / "catalogue.db"))
    digest = recipe_digest(settings.recipes["standard"])
    catalogue.store.connection.execute("PRAGMA synchronous=OFF")
    for arm in arms:
        catalogue.arrive(Arrival(0, arm, f"{arm}/{stamp:%Y-%m-%d_%H%M}", "folder", stamp, stamp) for stamp in stamps)
        for n, known in enumerate(catalogue.known(0, arm).values()):
            files = tuple(FileFacts(f"programs/p{f}.txt", 12, 1, os.urandom(32), os.urandom(32)) for f in range(10))
            part = Part("programs", 10, 120, ok=True, digest=files[0].sha256.hex(), newest=stamps[n])
            seal = Seal(now(), digest, "[]", files[1].sha256.hex(), stamps[n], True, (), None, (part,), files)  # noqa: FBT003
            catalogue.seal(known, seal)
    catalogue.store.connection.execute("DELETE FROM changes")
    catalogue.close()


if __name__ == "__main__":
    main()
