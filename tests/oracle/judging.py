"""What the verdict must be: the rules of design and contract once more, as plainly as they can be written."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import NamedTuple

from tests.oracle import cells, lapses, power
from tests.oracle.memory import BELIEVED_SINCE, Known, Memory
from tests.oracle.reading import Share
from tests.oracle.recipe import members, unsound
from tests.oracle.setting import ACTIONS
from tests.oracle.standing import Found, Standing, saved

RANK = ("clear", "caution", "unknown", "hold")
TEN_YEARS = timedelta(days=3652.5)
INSTANT = timedelta(microseconds=1)

NO_COMPLETE_SET = ("no-backup", "incomplete-set", "damaged-set")
CELL_IS_OUT = ("window-open", "window-closing", "window-over")
NOBODY_ANSWERS_FOR = {
    action: ("wrong-arm", *CELL_IS_OUT, *(NO_COMPLETE_SET if action == "memory-swap" else ())) for action in ACTIONS
}
"""No sign-off counts for another arm's data, while a cell is out, or for a memory swap with no complete set at all."""


class Told(NamedTuple):
    """The verdict about one arm."""

    level: str
    set: str | None
    found: frozenset[Found]

    @property
    def codes(self) -> set[tuple[str, str]]:
        """Codes and levels."""
        return {(one.code, one.level) for one in self.found}


class Judge(Standing):
    """Judges one arm as things stand; ``marker`` tells how that of the share is."""

    def __init__(self, memory: Memory, share: Share | None, marker: str, arm: str, now: datetime) -> None:
        super().__init__(memory, share, arm, now)
        self.marker = marker
        self.undecided: set[tuple[str, str]] = set()
        self.or_damaged: set[tuple[str, str]] = set()  # what is not told of a set that is told to be damaged

    def told(self, action: str, at: datetime, off: timedelta) -> Told:
        """The verdict for an action at a time; for one that has passed it is that of now."""
        at = max(at, self.now)
        signed = frozenset(self._signed(one, action, at) for one in self.found(action, at, off))
        level = max((one.level for one in signed), key=RANK.index, default="clear")
        return Told(level, self.carrier.path if self.carrier else None, signed)

    def found(self, action: str, at: datetime, off: timedelta) -> list[Found]:
        """What is found, whoever answers for it."""
        return [*self._about_share(), *self._about_sets(action, at), *self._about_arm(action, at, off)]

    def horizon(self, action: str, at: datetime, off: timedelta) -> tuple[datetime | None, str | None]:
        """Design 6: the first instant after ``at`` at which the level changes if no new fact arrives, and to which."""
        level = self.told(action, at, off).level
        self.moments |= {
            sign.until for sign in self.memory.sign_offs if sign.arm == self.arm.id
        }  # also of what is to come
        for moment in sorted(self.moments):
            for instant in (moment, moment + INSTANT):
                if at < instant <= at + TEN_YEARS and (then := self.told(action, instant, off).level) != level:
                    return instant, then
        return None, None

    def _signed(self, one: Found, action: str, at: datetime) -> Found:
        if one.code in NOBODY_ANSWERS_FOR[action]:
            return one
        for sign in self.memory.sign_offs:
            is_meant = (sign.arm, sign.code) == (self.arm.id, one.code) and (one.level, one.subject) in sign.subjects
            if is_meant and not self.after(at, sign.until) and one.level in ("hold", "unknown"):
                return one._replace(level="caution")
        return one

    def _about_share(self) -> Iterable[Found]:
        if self.share is None:
            yield Found("share-offline", "unknown")
        elif self.marker in ("other", "lost"):
            yield Found("share-doubt", "unknown", self.marker)
        elif self.memory.vanished:
            yield Found("share-doubt", "unknown", f"vanished {self.memory.vanished}")
        elif self.marker == "never":
            yield Found("share-doubt", "caution", self.marker)
        looked = self.memory.looked
        if self.share is None and (looked is None or self.now - looked > self.setting.unseen_after):
            yield Found("share-unseen", "unknown")  # one in doubt is looked at all the same, and `share-doubt` told

    def _about_sets(self, action: str, at: datetime) -> Iterable[Found]:
        settled = [known for known in self.sets if known.sealed and not self.gone(known)]
        if not settled:
            yield Found("no-backup", "hold")
        carrier = self.carrier
        newer = [one for one in settled if carrier is None or self._is_newer(one)]
        for one in newer:
            yield from self._about_newer(one)
        yield from self._about_unsettled()
        entries = self.share.odd[self.arm.id] if self.share else ()
        if entries or any(one.sealed and one.sealed.odd for one in [*newer, carrier] if one):
            yield Found("odd-entry", "caution")
        if carrier is None:
            complete = [one for one in settled if self.complete(one)]
            sound = [one for one in complete if not self.damaged(one) and not self.foreign(one)]
            if settled and not complete:
                yield Found("incomplete-set", "hold", self._newest_of(settled))
            elif sound:
                if all(map(self.changed, sound)):
                    self.or_damaged.add(("not-read-back", "hold"))
                yield Found("not-read-back", "hold", self._newest_of(sound))
            for one in settled:
                yield from self._doubts(one)
            return
        yield from self._about_carrier(carrier, action, at)
        for one in [carrier, *newer]:
            yield from self._doubts(one)

    def _newest_of(self, sets: list[Known]) -> str:
        """The path of the newest of them."""
        return max(sets, key=lambda one: (self.captured(one), one.path)).path

    def _about_unsettled(self) -> Iterable[Found]:
        """Sets that are there, or were when the share was last there, and were not sealed."""
        known = self.memory.known
        there = self.share.sets if self.share else {path: one.first for path, one in known.items() if not one.gone}
        for seen in there.values():
            if seen.arm != self.arm.id or (seen.path in known and known[seen.path].sealed):
                continue
            first_seen = known[seen.path].first_seen if seen.path in known else self.now
            believed = seen.stamp and BELIEVED_SINCE <= seen.stamp <= first_seen
            if self.carrier and seen.stamp and believed and seen.stamp < self.captured(self.carrier):
                continue
            yield Found("unsettled-newer", "caution")
            if seen.stamp and not believed:
                yield Found("clock-doubt", "caution", seen.path)

    def _is_newer(self, one: Known) -> bool:
        """Not older than the set that the answer rests on; a copy that was filed again counts as filed."""
        carrier = self.carrier
        assert carrier
        return one is not carrier and max(self.captured(one), self.own_capture(one)) >= self.captured(carrier)

    def _about_newer(self, one: Known) -> Iterable[Found]:
        if self.foreign(one):
            yield Found("wrong-arm", "hold", one.path)
        if self.changed(one):
            self.undecided.add(("damaged-set", "caution" if self.carrier else "hold"))
        if not self.complete(one):
            if self.carrier or any(self.complete(other) and not self.gone(other) for other in self.sets):
                yield Found("incomplete-set", "caution", one.path)
        elif self.damaged(one) if self.relied_on(one) and not self.foreign(one) else one.damage:
            yield Found("damaged-set", "caution" if self.carrier else "hold", one.path)
        elif not one.read_at and self.carrier:  # explain: "until then the answer rests on an older set"
            yield Found("unsettled-newer", "caution")

    def relied_on(self, one: Known) -> bool:
        """Design 6: `ask` re-checks the set that it relies on, and so each that would come before it."""
        return self.carrier is None or self.captured(one) > self.captured(self.carrier)

    def _about_carrier(self, carrier: Known, action: str, at: datetime) -> Iterable[Found]:
        captured = self.captured(carrier)
        if self.after(at, captured + self.setting.fresh[action]):
            yield Found("stale-backup", "hold", carrier.path)
        edits = [mark.at for mark in self.marks("edit") if mark.at > captured]
        if edits:
            yield Found("edited-since", "hold", f"{carrier.path} {sorted(edits)}")
        assert carrier.read_at
        if self.after(at, carrier.read_at + self.setting.read_back_within):
            yield Found("not-read-back", "hold", carrier.path)
        if self.memory.held(carrier) < self.setting.copies_needed:
            yield Found("too-few-copies", "caution", carrier.path)

    def _doubts(self, one: Known) -> Iterable[Found]:
        assert one.sealed
        if self.original(one) is not one:
            yield Found("refiled-copy", "caution", one.path)
        if self.clock_doubt(one):
            yield Found("clock-doubt", "caution", one.path)
        changed = {name: file.changed for name, file in one.sealed.files.items() if file.changed >= BELIEVED_SINCE}
        times = [
            max(known)
            for part in self.setting.parts.values()
            if (known := [changed[name] for name in members(one.sealed, part.files) if name in changed])
        ]
        if times and max(times) - min(times) > self.setting.parts_apart:
            yield Found("mixed-times", "caution", one.path)
        if self.foreign(one) or one.sealed.broken or one.damage:
            return
        older = [k for k in self.sets if k.sealed and not self.foreign(k) and self._comes_before(k, one)]
        older.sort(key=self.captured, reverse=True)
        found = [
            *self._moved(one, next((k for k in older if self._has_axis(k)), None)),
            *self._shrunk(one, next((k for k in older if self.complete(k)), None)),
        ]
        if self.changed(one):
            self.undecided |= {(each.code, each.level) for each in found}
        else:
            yield from found

    def _comes_before(self, other: Known, one: Known) -> bool:
        """Whether a set was saved before another one; before a copy that was filed again comes what it was copied from."""
        assert other.sealed
        assert one.sealed
        if self.original(one) is not one and other is not one and saved(other.sealed) == saved(one.sealed):
            return True
        return self.captured(other) < self.captured(one)

    def _has_axis(self, known: Known) -> bool:
        """Whether the set has sound axis zero references; a torn set in between tells nothing and hides nothing."""
        part = self.setting.parts.get("axis-zero")
        assert known.sealed
        return part is not None and bool(members(known.sealed, part.files)) and not unsound(known.sealed, part)

    def _moved(self, one: Known, before: Known | None) -> Iterable[Found]:
        if before is None or before.sealed is None or one.sealed is None:
            return
        was, now = (members(known, self.setting.parts["axis-zero"].files) for known in (before.sealed, one.sealed))
        told = any(self.captured(before) < mark.at <= self.captured(one) for mark in self.marks("re-zeroed"))
        if now and was != now and not told:
            yield Found("axis-zero-moved", "caution", one.path)

    def _shrunk(self, one: Known, before: Known | None) -> Iterable[Found]:
        if before is None or before.sealed is None or one.sealed is None:
            return
        patterns = self.setting.parts["programs"].files
        programs = [len(members(known, patterns)) for known in (before.sealed, one.sealed)]
        sizes = [sum(file.size for file in known.files.values()) for known in (before.sealed, one.sealed)]
        left = 1 - self.setting.shrink
        if programs[1] <= programs[0] * left or sizes[1] <= sizes[0] * left:
            yield Found("shrunk-set", "caution", one.path)

    def _about_arm(self, action: str, at: datetime, off: timedelta) -> Iterable[Found]:
        if (within := self.setting.restore_test_within) is not None:
            last = max((mark.at for mark in self.marks("restore-test")), default=None)
            if last is None or self.after(at, last + within):
                yield Found("restore-test-due", "caution")
        yield from power.about_window(self, at)
        yield from lapses.about_memory(self, action)
        yield from power.about_power(self, action, at, off)
        for one in cells.about_cells(self, action, at, off):
            if one.code == "spare-missing" and self.is_out():
                continue  # what is needed before a swap begins
            yield one
        self.moments |= cells.moments(self, off)
