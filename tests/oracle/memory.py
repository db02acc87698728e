"""What the tool must remember, kept by the oracle itself from the commands that were given and from the share."""

from __future__ import annotations

from collections.abc import Hashable
from datetime import UTC, datetime, timedelta
from itertools import chain
from pathlib import Path
from typing import NamedTuple

from tests.oracle.reading import Seen, Share, read_share
from tests.oracle.recipe import problems
from tests.oracle.setting import Setting

BELIEVED_SINCE = datetime(2001, 1, 1, tzinfo=UTC)
"""A clock that lost its power starts again at 1970, 1980 or 2000 (common practice, no source)."""
SHARE_CLOCK = timedelta(hours=3)  # README step 3: what was written within the last hours must be seen unchanged

CLOSE = timedelta(seconds=10)
"""So close the oracle's arithmetic comes to a moment at which a charge no longer does."""

NEARLY_EVERYTHING = 0.9
"""Contract, `share-doubt`: "nearly everything vanished at once"."""


class Mark(NamedTuple):
    """A fact that a person recorded; of which cell and when that was made, or of which set by its fingerprint."""

    kind: str
    arm: str
    at: datetime
    cell: str = ""
    print_of: str = ""
    date_code: str = ""


class Event(NamedTuple):
    """Something that is planned; its end is outside."""

    kind: str
    arms: frozenset[str]
    start: datetime
    end: datetime


class Swap(NamedTuple):
    """A memory cell that was taken out, and put in again or not yet; ``before`` is the set that the answer rested on."""

    arm: str
    began: datetime
    ended: datetime | None
    before: Seen | None
    limit: timedelta


class SignOff(NamedTuple):
    """Somebody answers for a finding, as it was, until a moment."""

    arm: str
    code: str
    subjects: frozenset[tuple[str, str]]  # level and what it was about
    until: datetime


class Known:
    """What is known of one set."""

    def __init__(self, seen: Seen, at: datetime) -> None:
        self.path, self.arm, self.first, self.first_seen = seen.path, seen.arm, seen, at
        self.listed = seen.look  # when it was read last
        self.waiting, self.waiting_since = seen.look, at  # to settle
        self.sealed: Seen | None = None
        self.versions: list[Seen] = []  # as it was whenever it was sealed
        self.read_at: datetime | None = None
        self.damage = ""
        self.gone = False

    def __repr__(self) -> str:
        return f"<{self.path} read {self.read_at} {self.damage} {'gone' if self.gone else ''}>"


class Lapse(NamedTuple):
    """When the power went and came back (None where nobody said so), and what was in the memory before."""

    kind: str
    began: datetime
    ended: datetime | None
    before: Seen | None

    @property
    def name(self) -> tuple[str, datetime]:
        """Which one of the arm's it is."""
        return self.kind, self.began


class Memory:
    """Everything known; each method stands for one command that was given between ``start`` and ``end``."""

    def __init__(self, root: Path, setting: Setting) -> None:
        self.root, self.setting = root, setting
        self.known: dict[str, Known] = {}
        self.copies: dict[str, dict[str, Known]] = {place: {} for place in setting.copies}
        self.marks: list[Mark] = []
        self.events: list[Event] = []
        self.swaps: list[Swap] = []
        self.settled: dict[tuple[str, str, datetime], datetime] = {}  # which lapse of which arm, and when that ended
        self.differed: dict[tuple[str, str, datetime], Lapse] = {}
        self.sign_offs: list[SignOff] = []
        self.stock: dict[str, dict[str, int]] = {}  # by type and date code, which is empty where it was not told
        self.looked: datetime | None = None
        self.vanished: tuple[str, ...] = ()  # which sets, where nearly everything did
        self.in_doubt: dict[str, bool] = {}  # by place, whether nearly everything there vanished
        self.copies_there: dict[str, Share] = {}
        self.rough: dict[Hashable, datetime] = {}
        self.told_exactly: dict[Hashable, datetime] = {}

    def exact(self, name: Hashable, rough: datetime | None, now: datetime) -> datetime | None:
        """The moment that the tool told, where there is one so close to what was reckoned here and is to come."""
        if rough is None or rough <= now:
            return rough
        self.rough[name] = rough
        told = self.told_exactly.get(name)
        return told if told and abs(told - rough) <= CLOSE else rough

    def take_over(self, told: datetime) -> None:
        """Take a moment of the tool's for every one that was reckoned so close to it."""
        for name, rough in self.rough.items():
            if abs(told - rough) <= CLOSE:
                self.told_exactly[name] = told

    def read(self, place: str = "share") -> Share:
        """The share, or a further place, as it is now."""
        setting = self.setting
        return read_share(self.root / place, list(setting.layouts), [arm.id for arm in setting.arms], setting.zone)

    def look(self, at: datetime, wait: timedelta, arm: str = "", *, accept: bool = False) -> None:
        """`guard look --wait`: every set that settled is read; what changed since it was read is damaged.

        A look at one arm says nothing of the share as a whole, nor takes it for granted that nearly everything of the
        arm is gone.
        """
        if accept:  # what is not there is gone
            self._forget("share", self.known)
            for place, known in self.copies.items():
                self._forget(place, known)
        vanished = self._pass("share", self.known, at, wait, arm)
        if not arm:
            self.looked, self.vanished = at, vanished
        for place, known in self.copies.items():
            self._pass(place, known, at, wait, arm)

    def _forget(self, place: str, known: dict[str, Known]) -> None:
        there = self.read(place).sets
        for path, each in known.items():
            each.gone = each.gone or path not in there

    def _pass(self, place: str, known: dict[str, Known], at: datetime, wait: timedelta, arm: str) -> tuple[str, ...]:
        """One pass over a place; where nearly everything vanished, what did, and then nothing seen is believed."""
        there = self.read(place).sets
        before = [path for path, each in known.items() if not each.gone and arm in ("", each.arm)]
        missing = [path for path in before if path not in there]
        nearly_all = bool(missing) and len(missing) >= NEARLY_EVERYTHING * len(before)
        if not arm:
            self.in_doubt[place] = nearly_all
            if nearly_all:
                return tuple(missing)
        gone = set() if nearly_all or (arm and self.in_doubt.get(place)) else set(missing)
        sets = {path: seen for path, seen in there.items() if arm in ("", seen.arm)}
        closely = self._newest(sets, known, carrying=False) | self._newest(sets, known, carrying=True)
        for path, seen in sets.items():
            each = known.setdefault(path, Known(seen, at))
            each.gone = False
            if each.sealed is None:
                self._settle(each, seen, at, wait)
            elif seen.look != each.listed and (path in closely or not _in_place(each, seen)):
                self._compare(each, seen, at, wait)
        for path in gone:
            known[path].gone = True
        return ()

    def see_copies(self) -> None:
        """What lies in the further places now."""
        self.copies_there = {place: self.read(place) for place in self.setting.copies}

    def held(self, known: Known) -> int:
        """How many further places hold an identical set, by what was read there last.

        README: what "is overwritten in place is noticed [...] sooner only in the set that an answer rests on and its
        copies, where size or time changed".
        """
        whole = [(place, one) for place, one in self.copies_of(known) if self.is_whole(one)]
        there = [(place, one, self.copies_there[place].sets.get(one.path)) for place, one in whole]
        return len({place for place, one, seen in there if seen and seen.look == one.listed})

    def copies_of(self, known: Known) -> list[tuple[str, Known]]:
        """The sets in further places that were identical when they were read first, each with its place."""
        assert known.sealed
        print_of = known.sealed.fingerprint
        return [
            (place, one)
            for place, sets in self.copies.items()
            for one in sets.values()
            if one.arm == known.arm and not one.gone and one.sealed and one.sealed.fingerprint == print_of
        ]

    def _newest(self, sets: dict[str, Seen], known: dict[str, Known], *, carrying: bool) -> set[str]:
        """Each arm's newest set by its name, or of those that may carry an answer: the ones that are looked at closely.

        Design 9: a quiet pass grows "with the number of set folders, not of files".
        """
        newest: dict[str, tuple[datetime, str]] = {}
        for path, seen in sets.items():
            each = known.get(path)
            if not carrying or (each and each.read_at and self.is_whole(each)):
                first_seen = each.first_seen if each else datetime.max.replace(tzinfo=UTC)
                one = (seen.stamp or first_seen, path)
                newest[seen.arm] = max(newest.get(seen.arm, one), one)
        return {path for _, path in newest.values()}

    def is_whole(self, known: Known) -> bool:
        """Whether a set was read, is there, complete and not damaged."""
        sealed = known.sealed
        return bool(sealed and not known.gone and not known.damage and not problems(sealed, self.setting))

    def _settle(self, known: Known, seen: Seen, at: datetime, wait: timedelta) -> None:
        """Design 5, `settled`; times of the last hours are no proof, only having seen it unchanged is, which takes two looks.

        Where nothing need settle, only a time that is yet to come is no proof.
        """
        if seen.look != known.waiting:
            known.waiting, known.waiting_since = seen.look, at
        settle = self.setting.settle
        written_long_ago = at - seen.written >= (max(SHARE_CLOCK, settle) if settle else settle)
        stayed = max(wait, at - known.waiting_since)
        if written_long_ago or (stayed and stayed >= settle):
            known.sealed, known.listed = seen, seen.look
            known.versions.append(seen)

    def _compare(self, known: Known, seen: Seen, at: datetime, wait: timedelta) -> None:
        """Design 5, `damaged`: a digest that once was right no longer is. Files that are new settle anew."""
        sealed = known.sealed
        assert sealed
        lost = _lost(sealed, seen)
        if lost and self._was_never_right(known):
            known.sealed = known.read_at = None
            self._settle(known, seen, at, wait)
            return
        known.damage = known.damage or lost
        if known.damage or seen.files.keys() == sealed.files.keys():
            known.listed = seen.look
            if not known.damage:
                known.sealed = seen  # its times may be others now; what it claimed first stands in its versions
            return
        known.sealed = None
        self._settle(known, seen, at, wait)
        if known.sealed:
            known.read_at = None
        else:
            known.sealed = sealed

    def prove(self, known: Known, at: datetime, place: str = "share") -> None:
        """`guard prove` of one set: read again, every digest compared."""
        seen = self.read(place).sets.get(known.path)
        if known.sealed is None or seen is None:
            return
        lost = _lost(known.sealed, seen)
        if lost and self._was_never_right(known):
            known.sealed = known.read_at = None
            return
        known.damage = lost if place != "share" else known.damage or lost  # explain: a copy that was replaced counts
        if not known.damage and seen.files.keys() == known.sealed.files.keys():  # files that are new settle first
            known.read_at, known.listed = at, seen.look

    def _was_never_right(self, known: Known) -> bool:
        """Design 5: what is no longer what "once was right" is damaged; what never was complete is arriving anew."""
        assert known.sealed
        return not known.damage and bool(problems(known.sealed, self.setting))

    def cell_changed(self, arm: str, cell: str) -> Mark | None:
        """What a person said last of a change of the cell."""
        told = [mark for mark in self.marks if (mark.arm, mark.kind, mark.cell) == (arm, "cell-changed", cell)]
        return max(told, key=lambda mark: mark.at, default=None)


def _in_place(known: Known, seen: Seen) -> bool:
    """Whether only files of a folder were written to, which its folders do not show."""
    names = [name for name, _, _ in seen.look]
    return names != [""] and names == [name for name, _, _ in known.listed]


def _lost(sealed: Seen, seen: Seen) -> str:
    """Which file is no longer what it was; empty where all are."""
    gone = (f"{name} is missing" for name in sealed.files if name not in seen.files)
    both = sealed.files.keys() & seen.files.keys()
    other = (f"{name} differs" for name in both if sealed.files[name].digest != seen.files[name].digest)
    return next(chain(gone, other), "")
