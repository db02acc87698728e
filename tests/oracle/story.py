"""What happens to one plant, from its seed: saves, commands, faults, and questions in between."""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from random import Random

from tests.oracle import comparing, faults
from tests.oracle.calling import Caller, Given, cold
from tests.oracle.clock import now
from tests.oracle.comparing import Difference
from tests.oracle.judging import NOBODY_ANSWERS_FOR, Judge
from tests.oracle.memory import Known, Mark, Memory, SignOff, Swap
from tests.oracle.plants import FORMS, HOUR, Content, make_content, make_setting, write
from tests.oracle.reading import Share
from tests.oracle.setting import ACTIONS, DAY, Arm
from tests.oracle.tally import Tally

MARKS = ("edit", "re-zeroed", "restore-test", "powered-on", "powered-off", "cell-alarm", "cell-changed")
OFF = {"power-down": "8h", "memory-swap": "30m", "position-swap": "30m", "service-visit": "4h"}
OFF_H = {"power-down": 8, "memory-swap": 0.5, "position-swap": 0.5, "service-visit": 4}
"""How long an action takes where nobody says."""


class Story:
    """One plant and all that happens to it; ``lines`` tells it again."""

    def __init__(self, seed: int, root: Path, caller: Caller) -> None:
        self.seed, self.root, self.caller = seed, root, caller
        self.dice = Random(seed)
        self.start = now().replace(microsecond=0)
        self.setting = make_setting(self.dice, self.start)
        self.memory = Memory(root, self.setting)
        self.config = root / "guard.toml"
        self.marker = "right" if self.setting.marker else "never"
        self.offline = False
        self.axis = {arm.id: 0 for arm in self.setting.arms}
        self.lines: list[str] = []
        self.found: list[Difference] = []
        self.tally = Tally()
        self.share: Share | None = None

    # --- telling ------------------------------------------------------------------------------------------

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

    def run(self) -> list[Difference]:
        """The whole story; what differed."""
        for place in ("share", *self.setting.copies):
            (self.root / place).mkdir(parents=True)
        self.config.write_text(self.setting.toml())
        for arm in self.setting.arms:
            for age in sorted((self.age() for _ in range(self.dice.choice((0, 1, 2, 3, 3)))), reverse=True):
                self.save(arm, age)
        if self.setting.marker:
            self.guard("init", str(self.root), "--share", str(self.root / "share"), "--yes")
        if self.dice.random() < 0.95:
            self.look()
        if self.dice.random() < 0.9:
            self.prove_due()
        if self.setting.settle and self.dice.random() < 0.5:
            self.look()
        self.happen(self.dice.choice((0, 1, 2, 3)), QUIET)
        self.ask()
        for _ in range(self.dice.choice((1, 2, 3))):
            self.happen(self.dice.choice((1, 2)), LOUD)
            self.ask()
        if self.dice.random() < 0.2:
            self.ask_cold()
        return self.found

    def happen(self, times: int, what: tuple[Callable[[Story], None], ...]) -> None:
        """Let things happen."""
        for _ in range(times):
            self.dice.choice(what)(self)

    # --- sets ---------------------------------------------------------------------------------------------

    def age(self) -> timedelta:
        """How old a set is."""
        return self.dice.choice(
            (HOUR, 5 * HOUR, 20 * HOUR, 3 * DAY, 6.9 * DAY, 12 * DAY, 40 * DAY)
        ) * self.dice.uniform(0.8, 1.2)

    def arm(self) -> Arm:
        """Any arm."""
        return self.dice.choice(self.setting.arms)

    def path(self, arm: Arm, stamp: datetime, form: str) -> str:
        """Where a set of that stamp lies."""
        layout = self.dice.choice(self.setting.layouts)
        code = layout[layout.index("%") : layout.index("}", layout.index("%"))]
        local = stamp.astimezone(self.setting.zone).strftime(code)
        text = layout.replace("{arm}", arm.id).replace("{any}", self.dice.choice(("hall", "x y")))
        return text.replace(f"{{taken:{code}}}", local) + form

    def save(self, arm: Arm, age: timedelta) -> None:
        """Save an arm, perhaps with something wrong with the set."""
        taken = now().replace(microsecond=0) - age
        if self.dice.random() < 0.08:
            self.axis[arm.id] += 1
        content = make_content(self.dice, arm, taken, self.axis[arm.id])
        stamp, form, told = taken, self.dice.choice(FORMS), ""
        if self.dice.random() < 0.3:
            stamp, content, told = faults.at_save(self.dice, arm, self.others(arm), taken, content)
        if self.dice.random() < 0.1:
            content, told = self.refiled(arm, content), told + " refiled"
        path = self.path(arm, stamp, form)
        name = path.rsplit("/", 1)[-1].removesuffix(form)
        if any(f"{arm.id}/{name}" in other for other in self.memory.read().sets):
            return  # of two sets of one stamp no rule says which is the newer one
        self.put("share", path, content, form, told)
        for place in self.setting.copies:
            if self.dice.random() < 0.85:
                self.put(place, path, content, form, "")

    def put(self, place: str, path: str, content: Content, form: str, told: str) -> None:
        """Write a set in a place."""
        write(self.root / place / path, content, form, self.setting.zone)
        self.note(f"saved {place}/{path} {told}")

    def others(self, arm: Arm) -> list[Content]:
        """What other arms' sets hold."""
        return [self.content(seen.path) for seen in self.memory.read().sets.values() if seen.arm != arm.id]

    def content(self, path: str) -> Content:
        """What a set on the share holds."""
        seen = self.memory.read().sets[path]
        return Content({name: (file.data, file.changed) for name, file in seen.files.items()})

    def refiled(self, arm: Arm, content: Content) -> Content:
        """An older set's bytes, with today's times."""
        mine = [seen.path for seen in self.memory.read().sets.values() if seen.arm == arm.id and seen.files]
        if not mine:
            return content
        times = max(changed for _, changed in content.files.values())
        return Content({name: (data, times) for name, (data, _) in self.content(self.dice.choice(mine)).files.items()})

    def new_set(self) -> None:
        """One more set, perhaps looked at and read back."""
        if self.offline:
            return
        self.save(self.arm(), self.dice.choice((HOUR / 4, HOUR, 4 * HOUR)) * self.dice.uniform(0.9, 1.1))
        if self.dice.random() < 0.6:
            self.look()
            if self.dice.random() < 0.7:
                self.prove_due()

    # --- commands -----------------------------------------------------------------------------------------

    def look(self) -> None:
        """One pass."""
        at = now()
        wait = 5 if timedelta(0) < self.setting.settle < HOUR else 0
        self.order("look", "--wait", f"{wait}s")
        if self.reads():
            self.memory.look(at, timedelta(seconds=wait))

    def prove_due(self) -> None:
        """Read back what never was."""
        at = now()
        self.order("prove", "--due")
        for known in self.memory.known.values():
            if known.read_at is None:
                self._proved(known, at)

    def prove_all(self) -> None:
        """Read back every set by name."""
        for known in self.memory.known.values():
            if known.sealed:
                at = now()
                self.order("prove", known.path)
                self._proved(known, at)

    def _proved(self, known: Known, at: datetime) -> None:
        if self.reads():  # that much vanished keeps no set from being read
            self.memory.prove(known, at)

    def mark(self) -> None:
        """A person records something."""
        arm, kind = self.arm(), self.dice.choice(MARKS)
        at = self.start - self.dice.choice((HOUR / 4, HOUR / 2, 2 * HOUR, 30 * HOUR, 9 * DAY, 500 * DAY))
        cell = ""
        words = ["mark", kind, arm.id, "--at", at.isoformat()]
        if kind.startswith("powered-") and not self.may_mark(arm, kind, at):
            return
        if kind.startswith("cell-"):
            if not arm.cells:
                return
            cell = self.dice.choice(arm.cells).type
            if cell == "spent-cell" and kind == "cell-changed":
                return
            words += ["--cell", cell]
        self.guard(*words)
        self.memory.marks.append(Mark(kind, arm.id, at, cell))

    def may_mark(self, arm: Arm, kind: str, at: datetime) -> bool:
        """Power goes off once at most, and what `power_cycle` tells stands alone: no set comes after the power is back."""
        told = [mark for mark in self.memory.marks if mark.arm == arm.id and mark.kind.startswith("powered-")]
        off = [mark.at for mark in told if mark.kind == "powered-off"]
        return not off and (kind == "powered-on" or all(mark.at < at for mark in told))

    def power_cycle(self) -> None:
        """An arm was without power, and came back a short while ago."""
        arm = self.arm()
        if any(mark.arm == arm.id and mark.kind.startswith("powered-") for mark in self.memory.marks):
            return
        for kind, ago in (("powered-off", 2 * HOUR), ("powered-on", HOUR / 12)):
            at = self.start - ago
            self.guard("mark", kind, arm.id, "--at", at.isoformat())
            self.memory.marks.append(Mark(kind, arm.id, at))

    def stock(self) -> None:
        """Spares are counted."""
        types = sorted({cell.type for arm in self.setting.arms for cell in arm.cells})
        if types:
            kind, count = self.dice.choice(types), self.dice.choice((0, 1, 3))
            self.guard("cells", "stock", kind, str(count))
            self.memory.stock[kind] = count

    def swap(self) -> None:
        """A memory cell is changed, if that is allowed; the permit is the verdict's."""
        arm = self.arm()
        if not any(cell.kind == "memory" and cell.type != "spent-cell" for cell in arm.cells):
            return  # what such a swap puts in has no type, or figures that no longer tell at once how it stands
        at = now()
        if self.reads() and not self.judge(arm, at).is_out():
            self.memory.look(at, timedelta(0), arm.id)  # which comes before every swap
        judge = self.judge(arm, now())
        told = judge.told("memory-swap", now(), timedelta(minutes=30))
        at = now()
        given = self.order("swap", "begin", arm.id, "--yes", "--no-countdown", "--by", "Kim")
        if (given.code == 0) != (told.level in ("clear", "caution")):
            self.found.append(Difference("swap", f"begin: exit {given.code}, oracle {told.level} {told.codes}"))
        if given.code != 0:
            return
        self.memory.swaps.append(Swap(arm.id, at, None))
        if self.dice.random() < 0.7:
            at = now()
            self.guard("swap", "end", arm.id, "--by", "Kim")
            self.memory.swaps[-1] = self.memory.swaps[-1]._replace(ended=at)
            for cell in arm.cells:
                if cell.kind == "memory":
                    self.memory.marks.append(Mark("cell-changed", arm.id, at, cell.type))
                    if cell.type in self.memory.stock:
                        self.memory.stock[cell.type] -= 1

    def sign_off(self) -> None:
        """Somebody answers for one of the findings as it is now."""
        arm, action, at = self.arm(), self.dice.choice(ACTIONS), now()
        found = self.judge(arm, at).found(action, at, timedelta(hours=OFF_H[action]))
        if not found:
            return
        code = self.dice.choice(sorted({one.code for one in found}))
        until = self.start + self.dice.choice((HOUR, 5 * DAY))
        words = ("--finding", code, "--by", "Kim", "--why", "known", "--until", until.isoformat(), "--action", action)
        given = self.order("sign-off", arm.id, *words)
        nobody = code in NOBODY_ANSWERS_FOR[action]
        if (given.code != 0) != nobody:
            told = "nobody answers for it" if nobody else str(found)
            self.found.append(Difference("sign-off", f"exit {given.code}: {given.err}; oracle {told}"))
        if given.code:
            return
        subjects = frozenset((one.level, one.subject) for one in found if one.code == code)
        self.memory.sign_offs.append(SignOff(arm.id, code, subjects, until))

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

    # --- questions ----------------------------------------------------------------------------------------

    def judge(self, arm: Arm, now: datetime) -> Judge:
        """The oracle, as things stand."""
        return Judge(self.memory, None if self.offline else self.memory.read(), self.marker, arm.id, now)

    def ask(self) -> None:
        """Two actions about every arm, one of them now and later, one at either; then at the horizons."""
        self.share = None if self.offline else self.memory.read()
        arms = [word for arm in self.setting.arms for word in ("--arm", arm.id)]
        for number, action in enumerate(self.dice.sample(ACTIONS, 2)):
            later = self.start + self.dice.choice((HOUR, 26 * HOUR, 6 * DAY, 31 * DAY, 300 * DAY)) * self.dice.random()
            for when in (None, later) if number == 0 else (self.dice.choice((None, later)),):
                off = self.dice.choice((OFF[action], "2w"))
                words = ["--action", action, "--off-for", off, *(["--at", when.isoformat()] if when else [])]
                given = self.guard("ask", *arms, *words, "--json")
                self.found += comparing.compare_exit(given)
                ends = [self.check(answer) for answer in given.json["answers"]]
                if (end := next((end for end in ends if end), None)) and self.dice.random() < 0.4:
                    self.at_the_horizon(arms, action, off, end)

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


QUIET = (*(Story.mark,) * 6, Story.power_cycle, Story.stock, Story.stock, Story.sign_off)
LOUD = (
    *(Story.fault,) * 4,
    *(Story.new_set,) * 2,
    *(Story.look,) * 3,
    Story.prove_due,
    *(Story.prove_all,) * 2,
    Story.mark,
    Story.stock,
    Story.swap,
    Story.sign_off,
    Story.go_offline,
    Story.change_marker,
)
