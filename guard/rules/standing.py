"""Which set does an answer rest on, and how far is each set proven? Pure."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import datetime
from functools import lru_cache

from guard.model import ArmFacts, BackupSet, Mark, Proof
from guard.record import Record
from guard.rules.capture import Dated, believable, dated

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import TypeVar

    Of = TypeVar("Of")
    Result = TypeVar("Result")


class _This:
    """An object as a key: this one and no equal one, since comparing the facts of an arm takes longer than judging it."""

    def __init__(self, it: object) -> None:
        self.it = it

    def __eq__(self, other: object) -> bool:
        return isinstance(other, _This) and other.it is self.it

    def __hash__(self) -> int:
        return id(self.it)


def once_each(reckon: Callable[[Of], Result]) -> Callable[[Of], Result]:
    """The same function, reckoned once while several rules and moments are about the very same object."""

    @lru_cache(maxsize=4)
    def kept(this: _This) -> Result:
        return reckon(this.it)  # type: ignore[arg-type]

    def asked(of: Of) -> Result:
        return kept(_This(of))

    asked.__doc__ = reckon.__doc__
    return asked


def edits_since(facts: ArmFacts, captured: datetime | None) -> tuple[Mark, ...]:
    """The edits that a set saved then does not hold, the oldest first; all of them where it is not known when."""
    edits = [mark for mark in facts.marks if mark.kind == "edit" and (captured is None or mark.at > captured)]
    return tuple(sorted(edits, key=lambda mark: (mark.at, mark.by, mark.note)))


class Standing(Record):
    """The sets of one arm, in their places.

    ``resting`` is the newest complete set that was read back at least once and is neither
    damaged nor another arm's. ``others`` are the present sets that are not older than it
    (all of them where there is none): their troubles belong to the verdict too.
    ``history`` holds every dated set, those that are gone included, oldest first. ``judged``
    are the sets whose troubles belong to the verdict, newest first.
    """

    facts: ArmFacts
    resting: Dated | None
    others: tuple[Dated, ...]
    history: tuple[Dated, ...]
    judged: tuple[Dated, ...] = ()

    def compared(self, tells: Callable[[BackupSet], bool]) -> Iterator[tuple[Dated, Dated]]:
        """The sound judged sets, the newest first, each with the last set of this arm before it that tells something.

        A torn set in between tells nothing and hides nothing. A set that was damaged later still
        tells what it held when it was read, so damage to an old set hides nothing about the one after it.
        """
        judged = set(map(id, self.judged))
        waiting: list[Dated] = []
        for item in reversed(self.history):
            if not waiting and not judged:
                return
            is_judged = id(item) in judged
            judged.discard(id(item))
            if item.set.checked is None or is_another_arms(item.set, self.facts):
                continue
            if waiting and tells(item.set):
                yield from ((newer, item) for newer in waiting)
                waiting.clear()
            if is_judged and not is_damaged(item.set):
                waiting.append(item)


def standing(facts: ArmFacts) -> Standing:
    """Put the sets of an arm in their places."""
    history = dated(facts.sets, facts.recipe, facts.as_of)
    present = [item for item in history if not item.set.gone]
    resting = next((item for item in reversed(present) if can_carry(item.set, facts)), None)
    others = tuple(item for item in present if item is not resting and _not_older(item, resting))
    return Standing(facts, resting, others, history, (*reversed(others), *((resting,) if resting else ())))


def can_carry(backup: BackupSet, facts: ArmFacts) -> bool:
    """Takes as proof that the set is complete, was read back at least once, and is neither damaged nor another arm's."""
    return (
        is_complete(backup)
        and backup.last_read_at is not None
        and not is_damaged(backup)
        and not is_another_arms(backup, facts)
    )


def _not_older(item: Dated, resting: Dated | None) -> bool:
    if resting is None or item.captured_at is None or resting.captured_at is None:
        return True
    # A refiled copy is as old as its original, but it presents itself as newer.
    newest_claim = item.claimed_at if item.refiled_from else item.captured_at
    return newest_claim is None or newest_claim >= resting.captured_at


def is_complete(backup: BackupSet) -> bool:
    """Takes as proof that the recipe was met by at least one file, and that a fingerprint was kept of what was read.

    Without a fingerprint an old backup that was filed again would pass for a new one.
    """
    return backup.checked is True and backup.files > 0 and backup.fingerprint is not None


def is_damaged(backup: BackupSet) -> bool:
    """Something that once was right no longer is, or differs from what was read."""
    return backup.damaged_at is not None or backup.changed is not None


def identity_differs(backup: BackupSet, facts: ArmFacts) -> bool:
    """The set names a controller, and it is not this arm's."""
    wanted = identity_wanted(facts)
    return wanted is not None and backup.identity is not None and backup.identity != wanted


def identity_wanted(facts: ArmFacts) -> str | None:
    """What a set of this arm must name; None where nothing is configured to compare."""
    if facts.recipe.identity is None:
        return None
    arm = facts.arm
    return {"serial": arm.serial, "id": arm.id, "name": arm.name}[facts.recipe.identity.field] or None


def is_another_arms(backup: BackupSet, facts: ArmFacts) -> bool:
    """The set names another controller, or shares arm-specific content with another arm's set."""
    return bool(backup.twins) or identity_differs(backup, facts)


def proof(backup: BackupSet, facts: ArmFacts) -> Proof:
    """How far the set is proven now; each step stands on the one before, and a read-back ages."""
    if is_damaged(backup):
        return "damaged"
    if backup.checked is None:
        return "arriving"
    if not is_complete(backup):
        return "settled"
    if not _was_read_back_lately(backup, facts):
        return "complete"
    if was_restored(backup, facts):
        return "restored"
    if 0 < facts.limits.copies_needed <= backup.copies:
        return "copied"
    return "read-back"


def _was_read_back_lately(backup: BackupSet, facts: ArmFacts) -> bool:
    last = backup.last_read_at
    return last is not None and believable(last, facts.as_of) and facts.as_of - last <= facts.limits.read_back_within


def was_restored(backup: BackupSet, facts: ArmFacts) -> bool:
    """A person recorded a restore test of this very content."""
    return any(
        mark.kind == "restore-test" and mark.fingerprint == backup.fingerprint and believable(mark.at, facts.as_of)
        for mark in facts.marks
        if mark.fingerprint is not None
    )
