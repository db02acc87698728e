"""A real `guard serve` on an invented plant: started, waited for, asked beside, ended or killed."""

from __future__ import annotations

import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from threading import Event, Thread
from types import TracebackType
from typing import Any, Self

from tests.plant import Plant

QUICK = '\n[service]\nreconcile = "2s"\npoll = "1s"\n'
"""Intervals that a test can wait for."""

PATIENCE = 30.0
"""Seconds after which a condition is given up; far more than any takes on a quiet machine."""


def until(what: str, condition: Callable[[], object], seconds: float = PATIENCE) -> None:
    """Wait until a condition holds; ``what`` is said where it never does."""
    end = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < end, f"after {seconds} s still not so: {what}"
        Event().wait(0.05)


class Daemon:
    """One `guard serve` process of a plant. Leaving it ends the process and makes sure that it left cleanly."""

    def __init__(self, plant: Plant, *, before: tuple[str, ...] = (), env: dict[str, str] | None = None) -> None:
        self.plant, self.before, self.env = plant, before, env or {}
        self.process: subprocess.Popen[bytes] | None = None
        self.printed = plant.root / "printed.txt"

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        if self.process is None:
            return
        if error is None:
            self.stop()
        else:
            self.kill()
            print(
                self.log[-6000:], self.printed.read_text(errors="replace")[-3000:]
            )  # pytest shows it with the failure

    def start(self) -> None:
        """Start it, and wait until it has begun its work."""
        beats = self.beats()
        with self.printed.open("ab") as printed:
            self.process = subprocess.Popen(
                (*self.before, sys.executable, "-m", "guard", "serve"),
                cwd=self.plant.root,
                env={**os.environ, "GUARD_CONFIG": str(self.plant.config), **self.env},
                stdin=subprocess.DEVNULL,
                stdout=printed,
                stderr=printed,
                start_new_session=True,
            )
        until("the monitor works", lambda: self.beats() != beats or not self.runs())
        assert self.runs(), self.printed.read_text()

    def runs(self) -> bool:
        """Whether the process lives."""
        return self.process is not None and self.process.poll() is None

    def stop(self) -> None:
        """Ask it to end: within 5 s, with exit code 0 and nothing said to anyone but the log."""
        process, self.process = self.process, None
        assert process is not None
        process.send_signal(signal.SIGTERM)
        try:
            code = process.wait(5)
        except subprocess.TimeoutExpired:
            os.killpg(process.pid, signal.SIGKILL)
            raise
        assert (code, self.printed.read_text()) == (0, "")
        assert "Traceback" not in self.log

    def kill(self) -> None:
        """End it at once, as a power button does, with all that it has started."""
        process, self.process = self.process, None
        assert process is not None
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()

    @property
    def log(self) -> str:
        """What it has logged so far."""
        path = self.plant.root / "state" / "guard.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def beats(self) -> dict[str, str]:
        """The heartbeats in the catalogue: when each part last showed life."""
        return dict(rows(self.plant, "SELECT part, at FROM heartbeats"))

    def passes(self, count: int = 2) -> None:
        """Wait until it has looked at the share so many times more."""
        for _ in range(count):
            before = self.beats()
            until("another look was taken", lambda before=before: self.beats() != before)


def rows(plant: Plant, query: str, database: str = "catalogue.db") -> list[tuple[Any, ...]]:
    """What a query of a database of the state folder gives; nothing while there is none that answers."""
    path = plant.root / "state" / database
    try:
        db = sqlite3.connect(f"file:{path}?mode=ro", uri=True, timeout=1)
    except sqlite3.OperationalError:
        return []
    try:
        return db.execute(query).fetchall()
    except sqlite3.OperationalError:
        return []
    finally:
        db.close()


class Answer:
    """One answer of `guard ask`, and in which phase of the test it was given from beginning to end."""

    def __init__(self, plant: Plant, arm: str, phase: Callable[[], str]) -> None:
        before = phase()
        done = plant.ask(arm)
        self.phase = before if before == phase() else "between"
        self.code = done.code
        told = done.answer if done.raw else {"verdict": "no answer", "findings": [], "set": None}
        self.verdict: str = told["verdict"]
        self.codes = {found["code"] for found in told["findings"]}
        self.set: str | None = told["set"] and told["set"]["path"]

    def __repr__(self) -> str:
        return f"{self.phase}: {self.verdict} {sorted(self.codes)} {self.set}"


class Witness:
    """Asks about one arm over and over while faults come and go, and keeps every answer."""

    def __init__(self, plant: Plant, arm: str = "arm-07") -> None:
        self.plant, self.arm = plant, arm
        self.answers: list[Answer] = []
        self._phase, self._end = "", Event()
        self._trouble: list[BaseException] = []
        self._thread = Thread(target=self._ask)

    def __enter__(self) -> Self:
        self._thread.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._end.set()
        self._thread.join()
        if error is not None:
            print(*self.answers, sep="\n")  # pytest shows it with the failure
        elif self._trouble:
            raise self._trouble[0]

    def _ask(self) -> None:
        try:
            while not self._end.wait(0.05):
                self.answers.append(Answer(self.plant, self.arm, lambda: self._phase))
        except BaseException as error:  # noqa: BLE001 - told when the witness is dismissed
            self._trouble.append(error)

    @contextmanager
    def during(self, phase: str) -> Iterator[None]:
        """A phase of the test; it does not end before three answers were given in it."""
        self._phase = phase
        yield
        until(f"answers are given while {phase}", lambda: self._trouble or len(self.given(phase)) >= 3)
        self._phase = ""

    def given(self, phase: str) -> list[Answer]:
        """The answers that were asked for and given in one phase."""
        return [answer for answer in self.answers if answer.phase == phase]

    def verdicts(self, phase: str) -> set[str]:
        """The verdicts given in one phase."""
        return {answer.verdict for answer in self.given(phase)}


def told(plant: Plant) -> Counter[tuple[str, str]]:
    """How often the ledger tells each (set, state)."""
    bodies = [json.loads(body) for (body,) in rows(plant, "SELECT body FROM entries WHERE kind='set'", "ledger.db")]
    return Counter((body["set"], body["state"]) for body in bodies)


def nothing_lost_or_doubled(plant: Plant, *paths: str) -> None:
    """Each of the sets is catalogued once and told once as complete and as read back, and the ledger is intact."""
    catalogued = Counter(path.decode() for (path,) in rows(plant, "SELECT path FROM sets WHERE gone_at IS NULL"))
    assert catalogued == Counter(paths)
    expected = {(path, state): 1 for path in paths for state in ("complete", "read-back")}
    assert told(plant) == expected
    assert plant.run("ledger", "check", "--json").json["intact"]


def answers(plant: Plant, verdict: str, arm: str = "arm-07", path: str | None = None) -> Callable[[], bool]:
    """The condition that `guard ask` gives that verdict, resting on that set where one is named."""

    def holds() -> bool:
        answer = Answer(plant, arm, str)
        return answer.verdict == verdict and path in (None, answer.set)

    return holds


def has_logged(daemon: Daemon, text: str) -> Callable[[], bool]:
    """The condition that the log tells something."""
    return lambda: text in daemon.log


def files(folder: Path) -> list[Path]:
    """All files below a folder."""
    return [path for path in folder.rglob("*") if path.is_file()]
