"""What happens to one plant, from its seed: saves, commands, faults, and questions in between."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from datetime import timedelta

from tests.oracle import clock, comparing, faults
from tests.oracle.calling import cold
from tests.oracle.clock import now
from tests.oracle.comparing import Difference
from tests.oracle.deeds import Deeds
from tests.oracle.judging import Judge
from tests.oracle.plants import HOUR
from tests.oracle.setting import ACTIONS, DAY

OFF = {"power-down": "8h", "memory-swap": "30m", "position-swap": "30m", "service-visit": "4h"}


class Story(Deeds):
    """One plant and all that happens to it."""

    def run(self) -> list[Difference]:
        """The whole story; what differed."""
        self.begin()
        if self.calm:
            self.provide()
        self.happen(0 if self.calm else self.dice.choice((0, 1, 2, 3)), QUIET)
        self.ask()
        for _ in range(self.dice.choice((1, 2, 3))):
            self.happen(self.dice.choice((1, 2, 3, 4)), LOUD)
            self.ask()
        if not clock.ahead_s() and self.dice.random() < 0.3:
            self.ask_cold()
        return self.found

    def begin(self) -> None:
        """Sets are there, and most of them were read back."""
        for place in ("share", *self.setting.copies):
            (self.root / place).mkdir(parents=True)
        self.config.write_text(self.setting.toml())
        for arm in self.setting.arms:
            for age in sorted((self.age() for _ in range(self.dice.choice((0, 1, 2, 2, 3, 3)))), reverse=True):
                self.save(arm, age)
        if self.setting.marker:
            self.guard("init", str(self.root), "--share", str(self.root / "share"), "--yes")
        if self.dice.random() < 0.95:
            self.look()
        if self.dice.random() < 0.95:
            self.prove_due()
        if self.setting.settle and self.dice.random() < 0.8:
            self.pass_by(self.setting.settle)
            self.look()
            self.prove_due()

    def happen(self, times: int, what: tuple[Callable[[Story], None], ...]) -> None:
        """Let things happen."""
        for _ in range(times):
            self.dice.choice(what)(self)

    def wait(self) -> None:
        """Time passes."""
        minutes = self.dice.choice((3, 17, 31, 130, 26 * 60, 26 * 60, 4 * 1440, 9 * 1440, 35 * 1440))
        self.pass_by(timedelta(minutes=minutes * self.dice.uniform(0.9, 1.1)))

    # --- faults -------------------------------------------------------------------------------------------

    def fault(self) -> None:
        """Something happens to a set on the share."""
        if not self.offline and (told := faults.on_share(self.dice, self.root, self.memory)):
            self.note(told)

    def go_offline(self) -> None:
        """The share goes away, or comes back."""
        away, here = self.root / "away", self.root / "share"
        (away if self.offline else here).rename(here if self.offline else away)
        self.offline = not self.offline
        self.note(f"share {'gone' if self.offline else 'back'}")

    def change_marker(self) -> None:
        """The share's marker is lost or another's, or comes back."""
        if self.offline or not self.setting.marker:
            return
        marker, kept = self.root / "share" / ".guard-share.json", self.root / "kept-marker"
        if self.marker == "right":
            shutil.copy2(marker, kept)
            self.marker = self.dice.choice(("lost", "other"))
            if self.marker == "lost":
                marker.unlink()
            else:
                other = json.loads(marker.read_text())
                marker.write_text(json.dumps({**other, "identity": "0" * 32}))
        else:
            shutil.copy2(kept, marker)
            self.marker = "right"
        self.note(f"marker {self.marker}")

    # --- questions ---

    def ask(self) -> None:
        """Two actions about every arm, one of them now and later, one at either; then at the horizons."""
        self.share = None if self.offline else self.memory.read()
        self.memory.see_copies()
        arms = [word for arm in self.setting.arms for word in ("--arm", arm.id)]
        for number, action in enumerate(self.dice.sample(ACTIONS, 2)):
            later, length = self.start + self.dice.choice(self.spans()) * self.dice.random(), "2w"
            if self.memory.events and self.dice.random() < 0.3:
                event = self.dice.choice(self.memory.events)
                later = max(event.start + self.dice.choice((-2, 0, 0, 0.5)) * HOUR, self.start)
                length = f"{round((event.end - event.start).total_seconds())}s"
            for when in (None, later) if number == 0 else (self.dice.choice((None, later)),):
                off = self.dice.choice((OFF[action], length))
                words = ["--action", action, "--off-for", off, *(["--at", when.isoformat()] if when else [])]
                given = self.guard("ask", *arms, *words, "--json")
                self.found += comparing.compare_exit(given)
                ends = [self.check(answer) for answer in given.json["answers"]]
                if (end := next((end for end in ends if end), None)) and self.dice.random() < 0.4:
                    self.at_the_horizon(arms, action, off, end)

    def spans(self) -> tuple[timedelta, ...]:
        """How far ahead it is asked at most; while a cell is out, into its window and beyond."""
        if any(self.judge(arm, now()).is_out() for arm in self.setting.arms):
            return (self.setting.limit, self.setting.limit * 1.2)
        return (HOUR, 26 * HOUR, 6 * DAY, 31 * DAY, 300 * DAY)

    def check(self, answer: dict[str, object]) -> str:
        """Hold one answer against the oracle's; where they are one, until when it holds."""
        judge = Judge(self.memory, self.share, self.marker, str(answer["arm"]), now())
        found = comparing.compare(judge, self.memory, answer, self.tally)
        self.found += found
        return "" if found else str(answer["holds_until"] or "")

    def at_the_horizon(self, arms: list[str], action: str, off: str, end: str) -> None:
        """The instant before an answer's end, and the end itself."""
        last = comparing.moment(end) - timedelta(microseconds=1)
        for when in (last.isoformat(), end):
            given = self.guard("ask", *arms, "--action", action, "--off-for", off, "--at", when, "--json")
            for answer in given.json["answers"]:
                self.check(answer)

    def ask_cold(self) -> None:
        """The command line as users start it says what the warm one says."""
        words = ("ask", "--all", "--at", (self.start + HOUR).isoformat(), "--json")
        given = self.caller.call(self.config, *words), cold(self.config, *words)
        warm, fresh = (comparing.gist(each) for each in given)
        if warm != fresh:
            self.found.append(Difference("cold", f"{warm}, and {fresh} of a process that starts"))


QUIET = (
    *(Story.mark,) * 6,
    *(Story.power_cycle,) * 3,
    *(Story.stock,) * 2,
    Story.sign_off,
    *(Story.plan,) * 2,
    Story.wait,
    Story.correct,
)
LOUD = (
    *(Story.fault,) * 4,
    *(Story.new_set,) * 2,
    *(Story.look,) * 3,
    Story.look_at_one,
    *(Story.accept,) * 2,
    Story.prove_due,
    *(Story.prove_all,) * 2,
    Story.mark,
    Story.power_cycle,
    *(Story.check_memory,) * 2,
    Story.stock,
    *(Story.plan,) * 2,
    Story.unplan,
    *(Story.correct,) * 2,
    *(Story.swap,) * 2,
    *(Story.ready,) * 3,
    *(Story.sign_off,) * 3,
    Story.go_offline,
    *(Story.wait,) * 4,
    Story.end_swaps,
    Story.change_marker,
)
