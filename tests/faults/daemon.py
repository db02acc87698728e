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
from itertools import groupby
from pathlib import Path
from threading import Event, Thread
from types import TracebackType
from typing import Any, Self

from tests.plant import Plant

QUICK = '\n[service]\nreconcile = "1s"\npoll = "1s"\n'
"""Intervals that a test can wait for."""

PATIENCE = 30.0
"""Seconds after which a condition is given up; far more than any takes on a quiet machine."""


def until(what: str, condition: Callable[[], object], *, every: float = 0.05) -> None:
    """Wait until a condition holds; ``what`` is said where it never does."""
    end = time.monotonic() + PATIENCE
    while not condition():
        assert time.monotonic() < end, f"after {PATIENCE} s still not so: {what}"
        Event().wait(every)


class Daemon:
    """One `guard serve` process of a plant. Leaving it ends the process and makes sure that it left cleanly."""

    def __init__(self, plant: Plant, *, before: tuple[str, ...] = (), env: dict[str, str] | None = None) -> None:
        self.plant, self.before, self.env = plant, before, env or {}
        self.process: subprocess.Popen[bytes] | None = None
        self.printed, self.alarms = plant.root / "printed.txt", plant.root / "alarms.txt"

    def __enter__(self) -> Self:
        self.start()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        try:
            if self.process is not None and error is None:
                self.stop()
        finally:
            if self.process is not None:
                self.kill()
            print(self.log[-6000:], self.alarms.read_text()[-6000:], sep="\n\n")  # pytest shows it with a failure

    def start(self) -> None:
        """Start it, and wait until it has begun its work."""
        beats = self.beats()
        with self.printed.open("ab") as printed, self.alarms.open("ab") as alarms:
            self.process = subprocess.Popen(
                (*self.before, sys.executable, "-m", "guard", "serve"),
                cwd=self.plant.root,
                env={**os.environ, "GUARD_CONFIG": str(self.plant.config), **self.env},
                stdin=subprocess.DEVNULL,
                stdout=printed,
                stderr=alarms,
                start_new_session=True,
            )
        until("the monitor works", lambda: self.beats() != beats or not self.runs())
        assert self.runs(), self.alarms.read_text()

    def runs(self) -> bool:
        """Whether the process lives."""
        return self.process is not None and self.process.poll() is None

    def stop(self) -> None:
        """Ask it to end: within the 10 s of service managers, with exit code 0, no word on standard output, no fault."""
        assert self.process is not None
        self.process.send_signal(signal.SIGTERM)
        code = self.process.wait(10)
        self.process = None
        assert (code, self.printed.read_text()) == (0, "")
        assert "Traceback" not in self.log + self.alarms.read_text()

    def kill(self) -> None:
        """End it at once with kill -9; what it had started has to go by itself."""
        process, self.process = self.process, None
        assert process is not None
        process.kill()
        process.wait()
        until("its children are gone", lambda: not _is_there(process.pid))

    @property
    def log(self) -> str:
        """What it has logged so far."""
        path = self.plant.root / "state" / "guard.log"
        return path.read_text(errors="replace") if path.exists() else ""

    def beats(self) -> dict[str, str]:
        """The heartbeats in the catalogue: when each part last showed life."""
        return dict(rows(self.plant, "SELECT part, at FROM heartbeats"))

    def passes(self, count: int = 2) -> None:
        """Wait until it has looked at the whole share so many times more."""
        for _ in range(count):
            before = seen(self.plant)
            until("another look was taken", lambda before=before: seen(self.plant) != before)


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


def _is_there(group: int) -> bool:
    try:
        os.killpg(group, 0)
    except ProcessLookupError:
        return False
    return True


def seen(plant: Plant) -> list[tuple[Any, ...]]:
    """When the share was last seen as a whole."""
    return rows(plant, "SELECT seen_at FROM places WHERE number=0")


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
        for answer, same in groupby(map(str, self.answers)):
            print(f"{len(list(same))} times {answer}")  # pytest shows it with a failure
        if error is None and self._trouble:
            raise self._trouble[0]

    def _ask(self) -> None:
        try:
            while not self._end.wait(0.1):
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


def nothing_lost_or_doubled(plant: Plant, *paths: str, besides: dict[tuple[str, str], int] | None = None) -> None:
    """Each set is catalogued once and told once as complete and as read back, and the ledger is intact.

    Nothing else is told of any set but what stands in ``besides``.
    """
    catalogued = Counter(path.decode() for (path,) in rows(plant, "SELECT path FROM sets WHERE gone_at IS NULL"))
    assert catalogued == Counter(paths)
    assert told(plant) == {(path, state): 1 for path in paths for state in ("complete", "read-back")} | (besides or {})
    assert plant.run("ledger", "check", "--json").json["intact"]


def move_share(plant: Plant, share: Path) -> None:
    """Let the plant's share be read elsewhere."""
    text = plant.config.read_text()
    plant.config.write_text(text.replace('path = "share"', f'path = "{share}"'))


def answers(plant: Plant, verdict: str, arm: str = "arm-07", path: str | None = None) -> Callable[[], bool]:
    """The condition that `guard ask` gives that verdict, resting on that set where one is named."""

    def holds() -> bool:
        answer = Answer(plant, arm, str)
        return answer.verdict == verdict and path in (None, answer.set)

    return holds


def has_logged(daemon: Daemon, text: str) -> Callable[[], bool]:
    """The condition that the log tells something."""
    return lambda: text in daemon.log
