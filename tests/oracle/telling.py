"""One plant and its command line: what is configured, what is remembered, and what was given so far."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path
from random import Random

from tests.oracle import clock, comparing
from tests.oracle.calling import Caller, Given
from tests.oracle.clock import now
from tests.oracle.comparing import Difference
from tests.oracle.judging import Judge
from tests.oracle.memory import Known, Mark, Memory
from tests.oracle.plants import make_setting
from tests.oracle.reading import Share
from tests.oracle.setting import Arm
from tests.oracle.tally import Tally


class Telling:
    """One plant; ``lines`` tells again what happened to it."""

    def __init__(self, seed: int, root: Path, caller: Caller) -> None:
        self.seed, self.root, self.caller = seed, root, caller
        self.dice = Random(seed)
        clock.set_right()
        self.start = now().replace(microsecond=0)
        self.calm = self.dice.random() < 0.3  # all is well there, or nearly so
        self.setting = make_setting(self.dice, self.start, calm=self.calm)
        self.memory = Memory(root, self.setting)
        self.config = root / "guard.toml"
        self.marker = "right" if self.setting.marker else "never"
        self.offline = False
        self.axis = {arm.id: 0 for arm in self.setting.arms}
        self.taught = {arm.id: 0 for arm in self.setting.arms}
        self.lines: list[str] = []
        self.found: list[Difference] = []
        self.tally = Tally()
        self.numbers: dict[int, Mark] = {}  # of the ledger's entries
        self.share: Share | None = None

    def note(self, line: str) -> None:
        """Write down what happened."""
        self.lines.append(line)

    def guard(self, *words: str) -> Given:
        """Give a command that the tool must be able to do."""
        given = self.order(*words)
        assert given.code in comparing.EXITS.values(), f"exit {given.code}: {' '.join(words)}\n{given.err}{given.out}"
        return given

    def order(self, *words: str) -> Given:
        """Give a command that the tool may refuse."""
        self.note("guard " + " ".join(words))
        given = self.caller.call(self.config, *words)
        assert "Traceback" not in given.err, given.err
        return given

    def reads(self) -> bool:
        """Whether the share is there and believed, so that looking at it teaches anything."""
        return not self.offline and self.marker in ("right", "never")

    def arm(self) -> Arm:
        """Any arm."""
        return self.dice.choice(self.setting.arms)

    def pass_by(self, span: timedelta) -> None:
        """Time passes; what people tell of from now on is told against the new time."""
        clock.pass_by(span)
        self.start = now().replace(microsecond=0)
        self.note(f"{span} later")

    def judge(self, arm: Arm, now: datetime) -> Judge:
        """The oracle, as things stand."""
        self.memory.see_copies()
        return Judge(self.memory, None if self.offline else self.memory.read(), self.marker, arm.id, now)

    def judge_of(self, known: Known) -> Judge:
        """The oracle on the arm of a set, as things stand."""
        return self.judge(self.setting.arm(known.arm), now())
