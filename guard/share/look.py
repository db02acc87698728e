"""One pass over a place: finds its sets, seals what has settled, and notes what came, changed and went.

Only this module and `prove` carry facts from the share to the store. An absence counts only after
the place has proved its identity, and what is unreadable is neither there nor gone.
"""

from __future__ import annotations

import os
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import partial
from typing import Protocol

from guard.errors import ShareDoubtful, ShareUnreadable
from guard.record import Record
from guard.share.ahead import ahead
from guard.share.find import Found, Odd, Unreadable, find
from guard.share.ground import Ground, judged_by, stamp_of
from guard.share.listing import SetChanged, SetUnreadable
from guard.share.marker import WAY_OUT, WHY_IN_DOUBT, marker_state, read_marker
from guard.share.outside import Appearance, appearance, difference, looks_unchanged
from guard.share.read import read_set
from guard.share.sealing import Sealed
from guard.store.catalogue import Catalogue
from guard.store.known import Arrival, Known, Place, Seal

NEARLY_EVERYTHING = 0.9
"""From this share of the known sets on, missing at once is a doubt about the place and no loss of sets."""

SKEW = timedelta(hours=3)
"""How wrong the clock of a file server may be against ours, an hour of summer time and another included (common
practice, no source). A change that its times put less long ago may be going on now: then only what we saw counts."""

Clock = Callable[[], datetime]


class Progress(Protocol):
    """Who wants to be told how far a long read has come."""

    def reading(self, path: str) -> None:
        """A set is about to be read."""

    def read(self, count: int) -> None:
        """So many more bytes were read."""


class Silent:
    """Progress that nobody is told of."""

    def reading(self, path: str) -> None:
        """Nothing is told."""

    def read(self, count: int) -> None:
        """Nothing is told."""


class Trouble(Record):
    """A set and what is the matter with it, in words."""

    path: str
    arm: str
    what: str


class Report(Record):
    """What one pass over one place found. ``settles_at`` is when the last arriving set may settle."""

    root: str
    sets: int
    sealed: list[str]
    incomplete: list[Trouble]
    damaged: list[Trouble]
    arriving: list[Trouble]
    gone: list[str]
    odd: list[Odd]
    unreadable: list[Unreadable]
    settles_at: list[datetime]
    missing: list[str]
    """Sets that a look at one arm did not see, and that only a look at everything may believe to be gone."""


class PlaceReport(Record):
    """What a look at one place gave: a report, or why there is none."""

    root: str
    report: Report | None
    refusal: ShareUnreadable | ShareDoubtful | None


def look(
    ground: Ground,
    number: int,
    catalogue: Catalogue,
    clock: Clock,
    steady: Clock,
    progress: Progress,
    only: str | None = None,
    *,
    accept_vanished: bool = False,
) -> Report:
    """Make one pass over a place, or over one arm's sets in it.

    By the ``steady`` clock, which nobody sets forward, it is told whether a set has settled.

    Raises ShareUnreadable where the place cannot be read, ShareDoubtful where it is not the
    place it was; what was learnt earlier stays.
    """
    place = identified(ground.root, number, catalogue, clock())
    entries = list(find(ground.root, ground.layouts, ground.arms, only))
    if number > 0 and place.identity is None and catalogue.root_of(number) not in (None, ground.root):
        # A further copy without a marker is known by where it is: this is another one, and nothing of it was read.
        catalogue.depart(catalogue.known(number).values(), clock())
        catalogue.note_place(number, ground.root, place)
    identified(ground.root, number, catalogue, clock())  # what went away while it was listed showed less than there is
    report = Report(ground.root, 0, [], [], [], [], [], [], [], [], [])
    report.odd.extend(entry for entry in entries if isinstance(entry, Odd))
    report.unreadable.extend(entry for entry in entries if isinstance(entry, Unreadable))
    found = {entry.path: entry for entry in entries if isinstance(entry, Found)}
    known = catalogue.known(number, only)
    if only is not None:  # another arm's set may stand where this one's stands by the layouts of today
        others = (catalogue.known_at(number, path) for path in found if path not in known)
        known |= {each.path: each for each in others if each is not None}
    # What retention moved away since it was listed is neither new nor missing.
    found = {path: each for path, each in found.items() if path in known or os.path.lexists(f"{ground.root}/{path}")}
    missing = [k for k in known.values() if _is_missing(k, found, report.unreadable)]
    nearly_all = len(missing) >= NEARLY_EVERYTHING * max(len(known), 1)
    if only is not None and (nearly_all or place.vanished):
        report.missing.extend(k.path for k in missing if k.path not in found)
        missing = [k for k in missing if k.path in found]
    vanished = len(missing) if only is None and nearly_all else 0
    if vanished and not accept_vanished:
        catalogue.note_place(number, ground.root, place._replace(vanished=vanished))
        raise ShareDoubtful(
            ground.root,
            f"{vanished} of {len(known)} sets that were there are not seen",
            "Check that the right share is mounted. If the loss is real: guard look --accept-vanished",
        )
    if number == 0 and catalogue.reading() not in (None, ground.reading):
        catalogue.note_reading(None)  # from now on some names have been read otherwise than others
    catalogue.depart(missing, clock())
    report.gone.extend(k.path for k in missing)
    gone = {k.path for k in missing}
    new = [f for f in found.values() if f.path not in known or f.path in gone]
    catalogue.arrive(_arrival(number, f, ground, clock()) for f in new)
    told = [(k, stamp_of(found[path], ground)) for path, k in known.items() if path in found and path not in gone]
    if otherwise := [(k, stamp) for k, stamp in told if stamp != k.stamp]:
        catalogue.restamp(otherwise)
    if number == 0 and only is None and not report.unreadable and catalogue.reading() is None:
        catalogue.note_reading(ground.reading)
    if only is None:  # one arm's sets say nothing about the rest of the place
        catalogue.note_place(number, ground.root, place._replace(vanished=0))
    known = catalogue.known(number, only) if new or missing else known
    found = {path: each for path, each in found.items() if path in known}  # what another pass took away is left to it
    _Pass(ground, catalogue, (clock, steady), progress, report).over(found, known)
    return report._replace(sets=len(found))


def identified(root: str, number: int, catalogue: Catalogue, now: datetime) -> Place:
    """The place as it is now, once it has proved to be the one it was.

    Raises ShareUnreadable, after writing it down, or ShareDoubtful.
    """
    before = catalogue.place(number)
    noted_root = (
        catalogue.root_of(number) or root
    )  # where it was looked at: what stands elsewhere now may be another one
    try:
        identity = read_marker(root)
    except ShareUnreadable as error:
        catalogue.note_place(number, noted_root, before._replace(unreadable=error.reason))
        raise
    state = marker_state(before.identity, identity)
    if state == "right" and before.identity is None:
        place = Place(identity, now, None, before.vanished)
        catalogue.note_place(number, root, place, "identified")
        return place
    if state in ("gone", "other"):
        raise ShareDoubtful(root, WHY_IN_DOUBT[state], WAY_OUT)
    if before.unreadable is not None:  # a look at one arm that could not read it wrote that down too
        catalogue.note_place(number, noted_root, before._replace(unreadable=None))
    return Place(before.identity, now, None, before.vanished)


def _is_missing(known: Known, found: dict[str, Found], unreadable: list[Unreadable]) -> bool:
    there = found.get(known.path)
    if there is not None:
        return (there.arm, there.form) != (known.arm, known.form)
    return not any(u.path == "" or known.path.startswith(f"{u.path}/") for u in unreadable)


def _arrival(number: int, found: Found, ground: Ground, now: datetime) -> Arrival:
    return Arrival(number, found.arm, found.path, found.form, now, stamp_of(found, ground))


class _FirstRead(Record):
    looks: Appearance
    sealed: Sealed | None
    untold_bytes: int = 0


class _Pass:
    def __init__(
        self, ground: Ground, catalogue: Catalogue, clocks: tuple[Clock, Clock], progress: Progress, report: Report
    ) -> None:
        self.ground, self.catalogue, self.progress = ground, catalogue, progress
        self.clock, self.steady = clocks
        self.report = report

    def over(self, found: dict[str, Found], known: dict[str, Known]) -> None:
        weighty = _newest_of_each_arm(found, known) | _newest_of_each_arm(found, known, _may_carry)
        there = [known[path] for path in found]
        for each in there:
            if each.damage is not None:
                self.report.damaged.append(Trouble(each.path, each.arm, each.damage or "it differs from what was read"))
        unsealed = [each for each in there if each.damage is None and each.complete is None]
        here = partial(self._first_read, self.progress)
        for each, first_read in zip(unsealed, ahead(self._first_read_elsewhere, unsealed, here), strict=True):
            self._dealt_with(each, partial(self._seal_if_settled, each, first_read))
        for each in there:
            if each.damage is None and each.complete is not None:
                self._dealt_with(each, partial(self._look_again, each, closely=each.path in weighty))

    def _dealt_with(self, known: Known, deal: Callable[[], None]) -> None:
        try:
            deal()
        except SetChanged:
            self._keep_waiting(known, "changed while it was read")
        except SetUnreadable as error:
            if known.complete is not None:
                self.catalogue.hinder(known, str(error))
            self._keep_waiting(known, str(error))

    def _look_again(self, known: Known, *, closely: bool) -> None:
        if self._needs_reading(known, closely=closely):
            self._read_again(known)

    def _needs_reading(self, known: Known, *, closely: bool) -> bool:
        if known.recipe != judged_by(self.ground, known.arm, known.path):
            return True
        where = f"{self.ground.root}/{known.path}"
        if not looks_unchanged(where, known.form, known.shape):
            return True
        # The set that an answer rests on, or soon will, is worth a look at each of its files.
        return closely and bool(difference(where, known.form, known.shape, self.catalogue.manifest(known.id)))

    def _first_read(self, progress: Progress, known: Known) -> _FirstRead:
        """How a set looks, and what is in it where it has settled. Writes nothing down, so any process can do it."""
        looks = self._appearance(known)
        return _FirstRead(looks, self._read(known, looks, progress) if self._is_settled(known, looks) else None)

    def _first_read_elsewhere(self, known: Known) -> _FirstRead:
        found = self._first_read(Silent(), known)
        return found._replace(untold_bytes=sum(file.size for file in found.sealed.files) if found.sealed else 0)

    def _seal_if_settled(self, known: Known, first_read: Callable[[], _FirstRead]) -> None:
        self.progress.reading(known.path)
        looks, sealed, untold_bytes = first_read()
        self.progress.read(untold_bytes)
        if sealed is None:
            self._wait(known, looks)
        else:
            self._seal(known, sealed, looks.shape)

    def _appearance(self, known: Known) -> Appearance:
        return appearance(f"{self.ground.root}/{known.path}", known.form)

    def _is_settled(self, known: Known, looks: Appearance) -> bool:
        """Takes as proof that nothing changed for the settle time, by the set's own times or as we saw it."""
        now, settle = self.steady(), self.ground.settle
        change, long_ago = looks.last_change, max(settle, SKEW) if settle else settle
        if change is not None and change <= now and now - change >= long_ago:
            return True
        since = known.quiet_since if known.signature == looks.signature() else None
        return since is not None and timedelta() <= now - since >= settle

    def _wait(self, known: Known, looks: Appearance) -> None:
        now, signature = self.steady(), looks.signature()
        same = known.signature == signature and known.quiet_since is not None and known.quiet_since <= now
        since = known.quiet_since if same and known.quiet_since is not None else now
        grows = None if known.complete is None else "new files are arriving in it"
        self.catalogue.wait(known, signature, since, grows)
        self.report.settles_at.append(self.clock() + (since + self.ground.settle - now))
        self.report.arriving.append(Trouble(known.path, known.arm, grows or "counts once it has stayed as it is"))

    def _read(self, known: Known, looks: Appearance, progress: Progress) -> Sealed:
        progress.reading(known.path)
        recipe = self.ground.recipe_of(known.arm)
        return read_set(self.ground, known.path, known.form, recipe, looks, self.clock(), progress.read)

    def _seal(self, known: Known, sealed: Sealed, shape: str) -> None:
        if known.fingerprint is not None and known.fingerprint != sealed.fingerprint:
            self._damage(known, "it differs from what the ledger tells of it")
            return
        if (original := self._once_otherwise(known, sealed)) is not None:
            self._damage(known, f"it has the names, sizes and times of all files of {original}, and another content")
            return
        self.catalogue.seal(known, self._facts(known, sealed, shape))
        self._told(known, sealed)

    def _once_otherwise(self, known: Known, sealed: Sealed) -> str | None:
        """The path of a set of this arm of which this one is a copy or the new name, and differs; None where there is none.

        Two saves differ in their times, so where all are the same, what was read first is what was saved. Where the
        times cannot be believed they tell nothing.
        """
        if known.sealed_at is not None or sealed.fingerprint is None or sealed.newest_member is None:
            return None
        return self.catalogue.alike(known, sealed.files, sealed.newest_member, sealed.fingerprint)

    def _told(self, known: Known, sealed: Sealed) -> None:
        self.report.sealed.append(known.path)
        faults = [problem.message for problem in sealed.problems if problem.code == "incomplete-set"]
        if faults:
            self.report.incomplete.append(Trouble(known.path, known.arm, "; ".join(faults)))

    def _read_again(self, known: Known) -> None:
        """A sealed set looks different, or is judged by a new recipe: is its content what it was?"""
        before = {file.path: file.sha256 for file in self.catalogue.manifest(known.id)}
        looks = self._appearance(known)
        sealed, shape = self._read(known, looks, self.progress), looks.shape
        after = {file.path: file.sha256 for file in sealed.files}
        what = content_difference(before, after, sealed)
        if what is None and before.keys() == after.keys():
            self.catalogue.rejudge(known, self._facts(known, sealed, shape))
        elif what is None and not self._is_settled(known, looks):
            self._wait(known, looks)
        elif what is None:
            self._seal(known._replace(fingerprint=None), sealed, shape)
        elif known.complete:
            self._damage(known, what)
        else:
            self.catalogue.unseal(known, self.clock())
            arriving = known._replace(complete=None, fingerprint=None, sealed_at=None)
            self._seal_if_settled(arriving, partial(self._first_read, self.progress, arriving))

    def _damage(self, known: Known, what: str) -> None:
        self.catalogue.damage(known, self.clock(), what)
        self.report.damaged.append(Trouble(known.path, known.arm, what))

    def _keep_waiting(self, known: Known, why: str) -> None:
        if known.complete is None:
            self.catalogue.wait(known, None, self.steady(), why)
        self.report.arriving.append(Trouble(known.path, known.arm, why))

    def _facts(self, known: Known, sealed: Sealed, shape: str) -> Seal:
        return seal_facts(judged_by(self.ground, known.arm, known.path), sealed, shape, self.clock())


def seal_facts(recipe: str, sealed: Sealed, shape: str, now: datetime) -> Seal:
    """What the catalogue writes down of a set that was read whole."""
    return Seal(
        sealed_at=now,
        recipe=recipe,
        shape=shape,
        fingerprint=sealed.fingerprint,
        newest_member=sealed.newest_member,
        complete=sealed.complete,
        problems=sealed.problems,
        identity=sealed.identity,
        parts=sealed.parts,
        files=sealed.files,
        essence=sealed.essence,
    )


def content_difference(before: dict[str, bytes], after: dict[str, bytes], sealed: Sealed) -> str | None:
    """Which file that was read before is missing or differs, in words. Files that are new do not count."""
    if sealed.fingerprint is None:
        return sealed.problems[0].message
    lost = [f"{path} is missing" for path in before if path not in after]
    differing = [f"the content of {path} differs" for path in before if path in after and after[path] != before[path]]
    found = lost + differing
    if not found:
        return None
    return found[0] + (f", and {len(found) - 1} more files" if len(found) > 1 else "")


def _may_carry(known: Known) -> bool:
    return known.complete is True and known.was_read_back and not known.damaged


def _newest_of_each_arm(
    found: dict[str, Found], known: dict[str, Known], counts: Callable[[Known], bool] = lambda _: True
) -> set[str]:
    newest: dict[str, tuple[str, str]] = {}
    for path, entry in found.items():
        if not counts(known[path]):
            continue
        stamp = entry.stamp or known[path].first_seen
        newest[entry.arm] = max(newest.get(entry.arm, ("", "")), (stamp.isoformat(), path))
    return {path for _, path in newest.values()}
