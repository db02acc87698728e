"""Gathers the facts about arms: what the ledger and the catalogue hold, put right by what the share shows at this moment.

An answer does not trust the catalogue's memory alone. The marker is read, the arm's folder
is listed, and every file of the set that the answer would rest on is looked at again.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Mapping
from datetime import datetime, timedelta

from guard.errors import ShareUnreadable
from guard.lapses import Compared, Proofs
from guard.model import AnswerTime, ArmFacts, BackupSet, Mark, PlannedEvent, ShareFacts, SignOff, SwapWindow
from guard.plan.events import by_arm, is_over
from guard.record import Record
from guard.rules.cells import fitted
from guard.rules.evidence import earlier
from guard.rules.lapses import may_have_lapsed, to_compare
from guard.rules.power import Presence, powered
from guard.rules.standing import standing
from guard.settings import Settings
from guard.share.find import Entry, Found, Odd, Unreadable, find
from guard.share.ground import Ground, judgements, stamp_of
from guard.share.listing import SetUnreadable
from guard.share.marker import marker_state, read_marker
from guard.share.outside import difference
from guard.share.patience import answered
from guard.store.catalogue import Catalogue
from guard.store.cells import Spare, as_spares
from guard.store.events import events as planned_events
from guard.store.facts import manifest_of, sets_of
from guard.store.known import Place
from guard.store.ledger import Ledger
from guard.store.presence import answers, presences
from guard.store.proofs import proofs
from guard.store.sign_offs import sign_offs
from guard.store.windows import Clocks, latest

CLOCK_TOLERANCE = timedelta(minutes=2)
"""A clock that is kept right by others is set back by seconds at most (common practice, no source)."""


CHARGING = timedelta(days=31)
"""No capacitor takes longer to charge (common practice, no source)."""


def still_to_come(ledger: Ledger, catalogue: Catalogue, arm: str, now: datetime) -> datetime | None:
    """The latest time for which something of an arm is known that is there, where that is still to come; else None.

    Then this computer's clock was set back, or was ahead before: a set that is taken in already would be taken for
    one from after what happens now, or a change for one from after an alarm that is told now.
    """
    seen = [known.first_seen for known in catalogue.known(0, arm).values()]
    latest = max([*seen, *(mark.at for mark in ledger.marks(arm))], default=now)
    return latest if latest - now > CLOCK_TOLERANCE else None


class Seen(Record):
    """What the share shows at this moment: the marker's state, and the entries in each arm's folder."""

    share: ShareFacts
    entries: dict[str, list[Entry]]


class Recorded(Record):
    """What is recorded about one arm.

    By people, its last swap window, how its controller answers, proofs of its memory, and what is planned.
    """

    marks: tuple[Mark, ...] = ()
    sign_offs: tuple[SignOff, ...] = ()
    window: SwapWindow | None = None
    presence: Presence | None = None
    proofs: Proofs = Proofs()
    answers: tuple[AnswerTime, ...] = ()
    events: tuple[PlannedEvent, ...] = ()


def recorded(
    settings: Settings,
    ledger: Ledger,
    catalogue: Catalogue,
    arms: list[str],
    clocks: Clocks,
    as_of: datetime,
    planned: Iterable[PlannedEvent] | None = None,
) -> dict[str, Recorded]:
    """What is recorded about some arms; of those of which nothing is, nothing.

    ``planned`` is all that is or was planned, where it is known already.
    """
    only = arms[0] if len(arms) == 1 else None
    marks: dict[str, list[Mark]] = {}
    for mark in ledger.marks(only):
        marks.setdefault(mark.arm, []).append(mark)
    answered_for = sign_offs(ledger, only)
    windows = latest(ledger, only, clocks)
    asked = [arm for arm in arms if settings.arms[arm].presence]
    answering = presences(catalogue.store, ledger.store, asked)
    told, times = proofs(ledger, only), answers(catalogue.store, ledger.store, asked)
    # A power-down counts, once it is over, until the arm was on for long enough.
    since = earlier(as_of, max(settings.limits.powered_before, CHARGING)) or as_of
    known = planned_events(ledger) if planned is None else planned
    planned_on = by_arm(event for event in known if not is_over(event, since))
    events = {arm: planned_on[arm] for arm in arms if arm in planned_on}
    return {
        arm: Recorded(
            tuple(marks.get(arm, ())),
            answered_for.get(arm, ()),
            windows.get(arm),
            answering.get(arm),
            told.get(arm, Proofs()),
            times.get(arm, ()),
            tuple(events.get(arm, ())),
        )
        for arm in {*marks, *answered_for, *windows, *answering, *told, *times, *events}
    }


def see(ground: Ground, place: Place, arms: list[str], as_of: datetime) -> Seen:
    """Look at the share's marker and at the folders of the arms, without reading a set."""
    entries: dict[str, list[Entry]] = {arm: [] for arm in arms}
    only = arms[0] if len(arms) == 1 else None
    try:
        identity, found = answered(
            ground.root,
            lambda: (read_marker(ground.root), list(find(ground.root, ground.layouts, ground.arms, only))),
        )
        for entry in found:
            for arm in _concerned(entry, entries):
                entries[arm].append(entry)
    except ShareUnreadable as error:
        share = ShareFacts("right", place.seen_at, unreadable=error.reason, vanished=place.vanished)
        return Seen(share, entries)
    marker = marker_state(place.identity, identity)
    # What was seen at a time still to come tells that this computer's clock was set back: no age can be believed.
    set_back = place.seen_at is not None and place.seen_at - as_of > CLOCK_TOLERANCE
    seen_at = place.seen_at if set_back else as_of
    return Seen(ShareFacts(marker, seen_at, None, place.vanished, identity if marker == "other" else None), entries)


def _concerned(entry: Entry, arms: Collection[str]) -> Iterable[str]:
    if isinstance(entry, Unreadable) and entry.arm is None:
        return arms
    return (entry.arm,) if entry.arm is not None and entry.arm in arms else ()


def gather(
    settings: Settings,
    ground: Ground,
    catalogue: Catalogue,
    seen: Seen,
    arm: str,
    recorded: Recorded,
    spares: Mapping[str, Iterable[Spare]],
    as_of: datetime,
) -> ArmFacts:
    """All facts about one arm, as of now."""
    entries = seen.entries[arm]
    recipe = settings.recipe_of(arm)
    share = seen.share
    blocked = next((entry for entry in entries if isinstance(entry, Unreadable)), None)
    if blocked is not None and share.unreadable is None:
        place = catalogue.place(0)
        where = blocked.path or "its folder"
        share = share._replace(unreadable=f"{where}: {blocked.why}", seen_at=place.seen_at)
    sets = sets_of(catalogue.store, arm, judgements(recipe, settings.timezone))
    if share.unreadable is None:
        sets = _as_seen(sets, entries, ground, catalogue, as_of)
    facts = ArmFacts(
        arm=settings.arms[arm],
        recipe=recipe,
        limits=settings.limits,
        share=share,
        as_of=as_of,
        sets=sets,
        marks=recorded.marks,
        events=recorded.events,
        odd_entries=tuple((entry.path, entry.why) for entry in entries if isinstance(entry, Odd)),
        sign_offs=recorded.sign_offs,
        window=recorded.window,
        powered=powered(recorded.presence, recorded.marks, as_of),
        answers=recorded.answers,
        cells=fitted(settings.arms[arm].cells, settings.cell_types, recorded.marks),
        spares=tuple(as_spares(kind, spares.get(name)) for name, kind in settings.cell_types.items()),
        proofs=recorded.proofs,
    )
    if share.unreadable is None:
        try:
            facts = _rechecked(facts, ground, catalogue, settings.copies)
            facts = _as_answered_for(facts, ground, catalogue)
        except ShareUnreadable as error:
            seen_at = catalogue.place(0).seen_at
            facts = facts._replace(share=share._replace(unreadable=error.reason, seen_at=seen_at))
    return _compared(facts, catalogue)


def _compared(facts: ArmFacts, catalogue: Catalogue) -> ArmFacts:
    """The facts with how sets from before and after a lapse of the memory differ, from what was read of them."""
    if not may_have_lapsed(facts.window, facts.marks, facts.proofs):
        return facts
    wanted = sorted(to_compare(standing(facts)))
    if not wanted:
        return facts
    from guard.share.differing import differences, is_another_save, saved

    files = {each: saved(manifest_of(catalogue.store, facts.arm.id, each)) for pair in wanted for each in pair}
    return facts._replace(
        compared=tuple(
            Compared(
                before,
                after,
                differences(files[before], files[after], facts.recipe),
                is_another_save(files[before], files[after], facts.recipe),
            )
            for before, after in wanted
            if files[before] and files[after]
        )
    )


def _as_seen(
    sets: tuple[BackupSet, ...], entries: list[Entry], ground: Ground, catalogue: Catalogue, as_of: datetime
) -> tuple[BackupSet, ...]:
    """The catalogued sets with what is not there now as gone, and the sets not catalogued yet.

    Where the zone or the layouts are others than at the last look, what their names tell is read anew.
    """
    anew = catalogue.reading() != ground.reading
    there = {(entry.path, entry.form): entry for entry in entries if isinstance(entry, Found)}
    known = []
    for backup in sets:
        found = None if backup.gone else there.get((backup.path, backup.form))
        stamp = stamp_of(found, ground) if anew and found is not None else backup.stamp
        known.append(backup._replace(gone=found is None, stamp=stamp))
    catalogued = {(backup.path, backup.form) for backup in known if not backup.gone}
    new = [
        BackupSet(found.path, found.form, first_seen=as_of, stamp=stamp_of(found, ground))
        for key, found in there.items()
        if key not in catalogued
    ]
    return (*known, *new)


def _rechecked(facts: ArmFacts, ground: Ground, catalogue: Catalogue, copies: tuple[str, ...]) -> ArmFacts:
    """Look at every file of the set that carries the answer; where it differs, at the next one that would.

    Raises ShareUnreadable where the share does not answer.
    """
    while (resting := standing(facts).resting) is not None:
        backup = resting.set
        changed = _changed(ground.root, backup, facts.arm.id, 0, catalogue)
        if changed is None:
            held = _copies_there(backup, facts.arm.id, catalogue, ground.root, copies)
            return _with_set(facts, backup, backup._replace(copies=held))
        facts = _with_set(facts, backup, backup._replace(changed=changed))
    return facts


def _as_answered_for(facts: ArmFacts, ground: Ground, catalogue: Catalogue) -> ArmFacts:
    """Look at the sets too whose content a person answers for: what is not there any more proves no memory."""
    prints = {mark.fingerprint for mark in facts.marks if mark.kind == "memory-checked"}
    for backup in facts.sets if prints else ():
        if backup.fingerprint in prints and not backup.gone and backup.changed is None:
            facts = look_again(facts, backup, ground, catalogue) or facts
    return facts


def look_again(facts: ArmFacts, backup: BackupSet, ground: Ground, catalogue: Catalogue) -> ArmFacts | None:
    """The facts with how a set differs on the share now from what was read of it; None where it does not."""
    changed = _changed(ground.root, backup, facts.arm.id, 0, catalogue)
    return None if changed is None else _with_set(facts, backup, backup._replace(changed=changed))


def _changed(root: str, backup: BackupSet, arm: str, number: int, catalogue: Catalogue) -> str | None:
    known = catalogue.known_at(number, backup.path)
    if known is None or known.arm != arm:
        return "it was replaced meanwhile"
    where, files = f"{root}/{backup.path}", catalogue.manifest(known.id)
    try:
        return answered(root, lambda: difference(where, backup.form, known.shape, files))
    except SetUnreadable as error:
        return str(error)


def _copies_there(backup: BackupSet, arm: str, catalogue: Catalogue, root: str, copies: tuple[str, ...]) -> int:
    """In how many further places the identical set still looks as it did when it was read."""
    if not backup.copies or backup.fingerprint is None:
        return 0
    first = next((file.path for file in manifest_of(catalogue.store, arm, backup.fingerprint)), "")
    there: dict[int, tuple[int, int] | None] = {}
    for number, known in catalogue.copies_of(arm, backup.fingerprint):
        if number <= len(copies) and not known.damaged and _is_the_place(catalogue, number, copies[number - 1]):
            copy = backup._replace(path=known.path, form=known.form)
            try:
                if _changed(copies[number - 1], copy, arm, number, catalogue) is None:
                    there[number] = _itself(copies[number - 1], copy, first)
            except ShareUnreadable:
                continue  # a place that does not answer holds nothing for now
    further = set(there.values()) - {_itself(root, backup, first), None}
    return min(len(further), backup.copies)


def _is_the_place(catalogue: Catalogue, number: int, root: str) -> bool:
    """Takes as proof that a further place is the one that was looked at: the same root, and the marker that it had."""
    if catalogue.root_of(number) not in (None, root):
        return False
    try:
        found = answered(root, lambda: read_marker(root))
        return marker_state(catalogue.place(number).identity, found) not in ("gone", "other")
    except ShareUnreadable:
        return False


def _itself(root: str, backup: BackupSet, first: str) -> tuple[int, int] | None:
    """By what a set's first file, or the archive, is known again: two ways to the same one are no two places.

    The second way may be a link, another mount, or a further copy that was configured twice. None where it is gone.
    """
    where = f"{root}/{backup.path}/{first}" if backup.form == "folder" else f"{root}/{backup.path}"
    try:
        about = answered(root, lambda: os.stat(where))
    except OSError:
        return None
    return about.st_dev, about.st_ino


def _with_set(facts: ArmFacts, old: BackupSet, new: BackupSet) -> ArmFacts:
    return facts._replace(sets=tuple(new if backup is old else backup for backup in facts.sets))
