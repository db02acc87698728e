"""What people do: look, prove, mark, count, plan, change cells, answer for findings."""

from __future__ import annotations

import re
from datetime import datetime, timedelta

from tests.oracle import lapses, power
from tests.oracle.calling import Given
from tests.oracle.clock import now, wait_for_steady_second, wait_until
from tests.oracle.comparing import Difference
from tests.oracle.judging import NOBODY_ANSWERS_FOR
from tests.oracle.memory import Event, Known, Mark, SignOff, Swap
from tests.oracle.plants import HOUR
from tests.oracle.saving import Saving
from tests.oracle.setting import ACTIONS, DAY, YEAR, Arm

MARKS = ("edit", "re-zeroed", "restore-test", "powered-on", "powered-off", "cell-alarm", "cell-changed")
ABOUT_MEMORY = ("powered-on", "powered-off", "cell-changed", "re-zeroed", "memory-checked")
OFF_H = {"power-down": 8, "memory-swap": 0.5, "position-swap": 0.5, "service-visit": 4}
"""How long an action takes where nobody says."""


class Deeds(Saving):
    """A plant whose people give commands."""

    def look(self) -> None:
        """One pass."""
        at = now()
        wait = 5 if timedelta(0) < self.setting.settle < HOUR else 0
        self.order("look", "--wait", f"{wait}s")
        if self.reads():
            # Where nothing need settle it looks again at once.
            self.memory.look(at, timedelta(seconds=wait) or timedelta.resolution)

    def accept(self) -> None:
        """Somebody believes that what vanished is gone."""
        if self.memory.vanished and self.reads():
            at = now()
            self.order("look", "--wait", "0s", "--accept-vanished", "--yes")
            self.memory.look(at, timedelta.resolution, accept=True)

    def look_at_one(self) -> None:
        """One pass over the sets of one arm."""
        arm, at = self.arm(), now()
        self.order("look", "--wait", "0s", "--arm", arm.id)
        if self.reads():
            self.memory.look(at, timedelta(0), arm.id)

    def prove_due(self) -> None:
        """Read back each complete set that never was, or "not for half of proof.read-back-within" (guard prove --help)."""
        at, half = now(), self.setting.read_back_within / 2
        self.order("prove", "--due")
        whole = [one for one in self.memory.known.values() if self.memory.is_whole(one)]
        self._proved([one for one in whole if not one.read_at or at - one.read_at > half], at)

    def prove_all(self) -> None:
        """Read back every set by name, and its copies with it."""
        for known in self.memory.known.values():
            if known.sealed and not known.gone:
                at, copies = now(), self.memory.copies_of(known)
                self.order("prove", known.path)
                self._proved([known], at)
                for place, copy in copies:
                    self.memory.prove(copy, at, place)

    def _proved(self, sets: list[Known], at: datetime) -> None:
        """Sets were read back, and what that tells of memories is written down."""
        if not self.reads():  # that much vanished keeps no set from being read
            return
        for known in sets:
            self.memory.prove(known, at)
        for arm in {known.arm for known in sets if known.read_at == at}:
            self._settle(self.setting.arm(arm))

    def _settle(self, arm: Arm) -> None:
        """What is proven of a memory is written down, once and for all."""
        if self.reads() and not self.memory.vanished:
            lapses.settle(self.judge(arm, now()))

    def _tell(self, mark: Mark, *words: str) -> None:
        """Record a mark."""
        self._remember(mark, self.guard("mark", mark.kind, mark.arm, "--at", mark.at.isoformat(), *words))
        if mark.kind in ABOUT_MEMORY:
            self._settle(self.setting.arm(mark.arm))

    def mark(self) -> None:
        """A person records something."""
        arm, kind = self.arm(), self.dice.choice(MARKS)
        at = self.start - self.dice.choice((HOUR / 4, HOUR / 2, 2 * HOUR, 30 * HOUR, 9 * DAY, 500 * DAY))
        if not kind.startswith("cell-") or (kind == "cell-alarm" and self.dice.random() < 0.3):
            self._tell(Mark(kind, arm.id, at))  # an alarm of no named cell, too
        elif arm.cells:
            mark = Mark(kind, arm.id, at, self.dice.choice(arm.cells).type)
            if kind == "cell-changed" and self.dice.random() < 0.6:
                mark = mark._replace(date_code=self.date_code(at))
            if (mark.cell, at) not in {(one.cell, one.at) for one in self.memory.marks if one.arm == arm.id}:
                self._tell(mark, "--cell", mark.cell, *(("--date-code", mark.date_code) if mark.date_code else ()))

    def correct(self) -> None:
        """A mark was wrong: nothing stands in its place, or the same at another time."""
        numbers = [number for number, mark in self.numbers.items() if mark in self.memory.marks]
        if not numbers:
            return
        number, times = self.dice.choice(numbers), [mark.at for mark in self.memory.marks]
        mark = self.numbers.pop(number)
        self.memory.marks.remove(mark)
        if self.dice.random() < 0.5:
            self.guard("mark", "--correct", str(number), "--never-happened")
        else:
            other = mark._replace(at=min(mark.at + self.dice.choice((-2, -1, 1, 20)) * HOUR, self.start))
            if other.at in times:
                other = mark
            given = self.guard("mark", "--correct", str(number), "--at", other.at.isoformat())
            self._remember(other, given)
        self._settle(self.setting.arm(mark.arm))

    def _remember(self, mark: Mark, given: Given) -> None:
        """A mark was recorded, under a number."""
        self.memory.marks.append(mark)
        self.numbers[int(re.findall(r"ledger entry (\d+)", given.out + given.err)[-1])] = mark

    def date_code(self, at: datetime) -> str:
        """A month in which a cell can have been made that is put in, or in stock, at a moment."""
        return (at - self.dice.choice((0, 4.9, 5.1, 7)) * YEAR).strftime("%Y-%m")

    def check_memory(self) -> None:
        """A person has looked through what a set holds, and answers for it."""
        read = [known for known in self.memory.known.values() if known.sealed and not known.sealed.broken]
        sets = [known for known in read if not self.judge_of(known).gone(known)]
        if sets and not self.offline:
            known = self.dice.choice(sets)
            assert known.sealed
            mark = Mark("memory-checked", known.arm, self.start, print_of=known.sealed.fingerprint)
            self._tell(mark, "--set", known.path, "--by", "Kim", "--note", "all of it is right")

    def power_cycle(self) -> None:
        """An arm was without power: lately, or once between two of its sets."""
        arm = self.arm()
        saved = sorted(
            known.first.stamp for known in self.memory.known.values() if known.arm == arm.id and known.first.stamp
        )
        off, on = self.start - 2 * HOUR, self.start - HOUR / 12
        if len(saved) > 1 and self.dice.random() < 0.7:
            number = self.dice.randrange(1, len(saved))
            start, span = saved[number - 1], saved[number] - saved[number - 1]
            off, on = start + span * self.dice.choice((0, 0.3)), start + span * self.dice.choice((0.6, 1))
        for kind, at in (("powered-off", off), ("powered-on", on)):
            if not timedelta() < now() - at < 1000 * DAY:
                return
            self._tell(Mark(kind, arm.id, at))

    def new_set(self) -> None:
        """One more set, perhaps looked at and read back."""
        if self.offline:
            return
        self.save(self.arm(), self.dice.choice((HOUR / 4, HOUR, 4 * HOUR)) * self.dice.uniform(0.9, 1.1))
        if self.dice.random() < 0.6:
            self.look()
            if self.dice.random() < 0.7:
                self.prove_due()

    def save_at_once(self, arm: Arm) -> None:
        """An arm is saved as soon as its cell is in; names that tell only the minute let that set look older."""
        wait_until(now().replace(microsecond=0) + timedelta(seconds=2))  # a zip's times have even seconds only
        self.save(arm, timedelta())
        self.look()
        self.prove_due()

    def plan(self) -> None:
        """Something is planned for an arm or two."""
        arms = self.dice.sample(self.setting.arms, min(len(self.setting.arms), self.dice.choice((1, 2))))
        kind = self.dice.choice(ACTIONS)
        start = self.start + self.dice.choice((-HOUR, HOUR, 6 * HOUR, 3 * DAY, 20 * DAY)) * self.dice.uniform(0.5, 1)
        start = start.replace(microsecond=0)
        hours = self.dice.choice((1, 8, 100, 400))
        event = Event(kind, frozenset(arm.id for arm in arms), start, start + hours * HOUR)
        when = ("--start", start.isoformat(), "--for", f"{hours}h")
        self.guard("event", "add", "--kind", kind, *when, "--arm", *(arm.id for arm in arms))
        self.memory.events.append(event)

    def unplan(self) -> None:
        """Something is not done after all."""
        listed = self.guard("event", "list", "--json").json["events"]
        if listed:
            one = self.dice.choice(listed)
            self.guard("event", "drop", one["id"])
            start = datetime.fromisoformat(one["start"])
            same = [
                e
                for e in self.memory.events
                if (e.kind, e.start, e.arms) == (one["kind"], start, frozenset(one["arms"]))
            ]
            self.memory.events.remove(same[0])

    def stock(self) -> None:
        """Spares are counted."""
        types = sorted({cell.type for arm in self.setting.arms for cell in arm.cells})
        if types:
            kind, count, dated = self.dice.choice(types), self.dice.choice((0, 1, 3)), self.dice.random() < 0.6
            self.count(kind, count, self.date_code(self.start) if dated else "")

    def count(self, kind: str, count: int, date_code: str) -> None:
        """So many spares lie there: of one making, which were among those counted before, or whenever they were made."""
        self.guard("cells", "stock", kind, str(count), *(("--date-code", date_code) if date_code else ()))
        lots = self.memory.stock.setdefault(kind, {})
        if not date_code:
            lots.clear()
        elif "" in lots:
            lots[""] -= min(lots[""], max(count - lots.get(date_code, 0), 0))
        lots[date_code] = count

    def provide(self) -> None:
        """Every arm is on, and there are spares."""
        for arm in self.setting.arms:
            self._provide(arm, self.start - 60 * DAY)

    def _provide(self, arm: Arm, on: datetime) -> None:
        self._tell(Mark("powered-on", arm.id, on))
        for cell in arm.cells:
            self.count(cell.type, 3, "")
            self.count(cell.type, 3, self.start.strftime("%Y-%m"))

    def ready(self) -> None:
        """All is done so that a memory cell may be changed, and it is."""
        arm = self.arm()
        if self.offline:
            return
        self._provide(arm, self.start - HOUR)
        self.save(arm, HOUR / 6, sound=True)
        self.look()
        self.prove_due()
        self.change_cell(arm)

    def swap(self) -> None:
        """A memory cell is to be changed."""
        self.change_cell(self.arm())

    def change_cell(self, arm: Arm) -> None:
        """A memory cell is changed, if that is allowed; the permit is the verdict's."""
        if not any(cell.kind == "memory" for cell in arm.cells):
            return  # what such a swap puts in has no type
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
        counted = timedelta(seconds=self.guard("swap", "show", arm.id, "--json").json["limit_s"])
        before, limit = judge.carrier.sealed if judge.carrier else None, power.limit(judge, at)
        if abs(counted - limit) > timedelta(seconds=1):  # one of the tool's own may have passed meanwhile
            self.found.append(Difference("limit", f"{arm.id} has {counted}, oracle {limit}"))
        self.memory.swaps.append(Swap(arm.id, at, None, before, counted))
        if self.dice.random() < 0.7:
            self.end_swap(arm)

    def end_swaps(self) -> None:
        """The new cells are in, wherever one is out."""
        for arm in self.setting.arms:
            if self.judge(arm, now()).is_out():
                self.end_swap(arm)

    def end_swap(self, arm: Arm) -> None:
        """The new cell is in, and perhaps the arm is saved at once."""
        wait_for_steady_second()
        at = now()
        cell = next(cell.type for cell in arm.cells if cell.kind == "memory")
        lots = self.memory.stock.get(cell, {})
        taken = max((date_code for date_code, count in lots.items() if count), default="")
        self.guard("swap", "end", arm.id, "--by", "Kim", *(("--date-code", taken) if taken else ()))
        open_one = max(n for n, swap in enumerate(self.memory.swaps) if swap.arm == arm.id)
        self.memory.swaps[open_one] = self.memory.swaps[open_one]._replace(ended=at)
        self.memory.marks.append(Mark("cell-changed", arm.id, at, cell, date_code=taken))
        if lots.get(taken):
            lots[taken] -= 1
        if self.dice.random() < 0.7 and not self.offline:
            self.save_at_once(arm)

    def sign_off(self) -> None:
        """Somebody answers for one of the findings as it is now."""
        arm, action, at = self.arm(), self.dice.choice(ACTIONS), now()
        found = self.judge(arm, at).found(action, at, timedelta(hours=OFF_H[action]))
        grave = [one for one in found if one.level in ("hold", "unknown")]
        if not found:
            return
        code = self.dice.choice(sorted({one.code for one in grave or found}))
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
