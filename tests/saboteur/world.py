"""The plant that is spoiled, and what the saboteur knows of it: the plain truth that answers are held against."""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable
from contextlib import ExitStack
from datetime import datetime, timedelta
from pathlib import Path
from random import Random
from typing import NamedTuple

import pytest

from guard.clock import now
from tests.faults.daemon import QUICK, Daemon
from tests.faults.machine import Mount, may_mount
from tests.faults.skewed import Skewed
from tests.plant import Plant, Result, as_ordinary_user

ARMS = ("arm-03", "arm-07", "arm-09")
SETTLE_S = 2.0
MINUTE = timedelta(minutes=1)
FRESH = timedelta(days=7)
"""The default limit of a power-down."""

OLDEST = timedelta(hours=60)
"""How old the first set is. Each further one is minutes younger, so that there is room for a thousand of an arm."""


class Saved:
    """A set as the saboteur left it."""

    def __init__(self, arm: str, path: str, taken: datetime, form: str) -> None:
        self.arm, self.path, self.taken, self.form = arm, path, taken, form
        self.flaw = "it is still being copied"
        """Why no answer may rest on it; empty where it is whole."""
        self.least_told = 1
        self.told_times = 1
        """How often the ledger may tell that it is complete: once, and once more for each catalogue that forgot it."""

    def __repr__(self) -> str:
        return f"{self.path} ({self.flaw or 'whole'})"


class Trouble:
    """A fault that lasts until it is undone.

    ``why`` no answer about ``arms`` (all, where none is named) may be clear, and whether it ``blocks``: hides all
    that could carry one. ``refuses`` are words of the refusals that it may cause instead of answers.
    """

    def __init__(
        self,
        undo: Callable[[], object],
        *,
        arms: tuple[str, ...] = ARMS,
        why: str = "",
        blocks: bool = True,
        refuses: tuple[str, ...] = (),
    ) -> None:
        self.undo, self.arms, self.why, self.blocks, self.refuses = undo, arms, why, blocks, refuses


class Act(NamedTuple):
    """Something that can be done: how often it is chosen, when it is possible, and what it does and tells."""

    name: str
    weight: int
    possible: Callable[[World], bool]
    do: Callable[[World], str]


class World:
    """One plant, its monitor, all that was done to it, and what is in force."""

    def __init__(self, root: Path, seed: int, rest: ExitStack) -> None:
        self.rng, self.rest = Random(seed), rest  # noqa: S311 - chance, no secret
        self.can_mount, self.before = _possible(may_mount) is None, _ordinary()
        self.plant = _plant(root / "plant")
        self.can_skew = isinstance(self.plant, Skewed)
        self.lower = self.plant.share
        self.mount: Mount | None = None
        self.offset = timedelta()
        """How wrong the clock of the plant's computer is."""
        self.latest_clock = now()
        """The latest time that this clock ever showed: what is over by then may be told as over."""
        self.events: dict[str, datetime] = {}
        """When each planned event ends."""
        self.dropped: set[str] = set()
        self.sets: dict[str, Saved] = {}
        self.edits: dict[str, datetime] = {}
        """The last edit of each arm that is surely recorded."""
        self.last_taken = {arm: now() - OLDEST for arm in ARMS}
        self.troubles: dict[str, Trouble] = {}
        self.marks: set[str] = set()
        """Names by which marks were recorded for sure."""
        self.prepare(root)
        self.daemon = Daemon(self.plant, before=self.before, env=getattr(self.plant, "env", {}))

    def prepare(self, root: Path) -> None:
        """Mount what can be mounted, and give the share its marker."""
        if self.can_mount:
            self.lower = root / "lower"
            self.lower.mkdir()
            self.mount = Mount("--bind", self.lower, at=self.plant.share)
            self.rest.callback(lambda: self.mount and self.mount.is_there and self.mount.unmount())
            state = Mount("-t", "tmpfs", "-o", "size=64M", "tmpfs", at=self.plant.root / "state")
            self.rest.callback(state.unmount)
        self.plant.init()
        (self.plant.root / "kept").mkdir()

    @property
    def state(self) -> Path:
        """The state folder."""
        return self.plant.root / "state"

    def guard(self, *words: str) -> Result:
        """Call the real command line, as a user to whom the modes of files apply."""
        return self.plant.run(*words, before=self.before)

    def set_clock(self, offset: timedelta) -> None:
        """Set the clock of the plant's computer, by an offset to the right time."""
        assert isinstance(self.plant, Skewed)
        self.plant.set_clock(f"{offset.total_seconds():+.0f}")
        self.offset = offset
        self.latest_clock = max(self.latest_clock, now() + offset + timedelta(hours=1))

    def next_taken(self, arm: str) -> datetime:
        """When the next set of an arm is saved: later than all before, each in a minute of its own."""
        self.last_taken[arm] += self.rng.randint(2, 3) * MINUTE
        return self.last_taken[arm]

    def newest(self, arm: str) -> Saved | None:
        """The newest set of an arm that stands on the share, whole or not."""
        return max((each for each in self.sets.values() if each.arm == arm), key=lambda each: each.taken, default=None)

    def whole(self) -> list[Saved]:
        """The sets that are whole."""
        return [each for each in self.sets.values() if not each.flaw]

    def share_is_there(self) -> bool:
        """Whether nothing troubles the share as a whole, so that sets can be put there and spoiled there."""
        return not any(trouble.why for trouble in self.troubles.values())

    def state_is_there(self) -> bool:
        """Whether nothing troubles the state folder, the configuration or the clock."""
        return not any(trouble.refuses for trouble in self.troubles.values()) and not self.offset

    # The judgement

    def not_clear(self, arm: str) -> str:
        """Why no answer about the arm may be clear, whatever it rests on; empty where nothing is known against it."""
        for name, trouble in self.troubles.items():
            if trouble.why and arm in trouble.arms:
                return f"{name}: {trouble.why}"
        newest = self.newest(arm)
        if newest is None:
            return "there is no set"
        if newest.flaw:
            return f"the newest set {newest.path}: {newest.flaw}"
        if arm in self.edits and self.edits[arm] > newest.taken:
            return f"it was edited after {newest.path} was saved"
        age = now() + self.offset - newest.taken
        if age > FRESH:
            return f"{newest.path} is {age} old"
        return ""

    def must_block(self, arm: str) -> bool:
        """Whether an answer must be hold or unknown: nothing can carry it, or nothing can be seen."""
        if any(each.why and each.blocks and arm in each.arms for each in self.troubles.values()):
            return True
        sound = [each for each in self.whole() if each.arm == arm]
        edited = self.edits.get(arm)
        return all(edited is not None and edited > each.taken for each in sound)

    def may_refuse(self, message: str) -> bool:
        """Whether a refusal is one that a trouble in force may cause."""
        return any(word in message for trouble in self.troubles.values() for word in trouble.refuses)


def database(path: Path, *, only_read: bool = True) -> sqlite3.Connection:
    """A database of the state folder, opened beside the tool."""
    mode = "ro" if only_read else "rw"
    return sqlite3.connect(f"file:{path}?mode={mode}", uri=True, timeout=5, isolation_level=None)


def bodies(world: World, kind: str) -> list[tuple[int, str, dict[str, object]]]:
    """Number, arm and body of every entry of a kind in the ledger, oldest first."""
    db = database(world.state / "ledger.db")
    try:
        found = db.execute("SELECT seq, arm, body FROM entries WHERE kind=? ORDER BY seq", (kind,)).fetchall()
    finally:
        db.close()
    return [(seq, arm, json.loads(body)) for seq, arm, body in found]


def _plant(root: Path) -> Plant:
    made: list[Plant] = []
    why = _possible(lambda: made.append(Skewed(root, ARMS, QUICK)))
    plant = made[0] if why is None else Plant(root, ARMS, QUICK)
    text = plant.config.read_text().replace('settle = "0s"', f'settle = "{SETTLE_S:.0f}s"')
    plant.config.write_text(text)
    return plant


def _ordinary() -> tuple[str, ...]:
    found: list[tuple[str, ...]] = []
    _possible(lambda: found.append(as_ordinary_user()))
    return found[0] if found else ()


def _possible(attempt: Callable[[], None]) -> str | None:
    """Why something cannot be had on this machine; None where it can."""
    try:
        attempt()
    except pytest.skip.Exception as skipped:
        return str(skipped)
    return None


def can_lose_permission(world: World) -> bool:
    """Whether the tool runs as somebody whom the modes of files keep out."""
    return bool(world.before) or os.geteuid() != 0
