"""Which set would be restored, what keeps others from it, and what would be lost with it? Pure."""

from __future__ import annotations

from datetime import datetime

from guard.lapses import Lapse
from guard.model import ArmFacts, BackupSet, Mark, RestingSet
from guard.record import Record
from guard.rules.capture import Dated
from guard.rules.lapses import OPEN, Account, accounts
from guard.rules.share import doubt
from guard.rules.standing import (
    edits_since,
    identity_differs,
    identity_wanted,
    is_another_arms,
    is_complete,
    is_damaged,
    proof,
    standing,
)
from guard.units import quoted


class Hindrance(Record):
    """Why a set must not be restored: what is the matter with it, under which code, and what to do."""

    code: str
    what: str
    remedy: str


class Passed(Record):
    """A set that claims to be newer than the one that was chosen, and why it was not chosen."""

    path: str
    captured_at: datetime | None
    why: str


class Choice(Record):
    """The set that would be restored, and what goes with it.

    ``chosen`` is None where there is none; ``hindrance`` then says why the one that was named
    is not it. ``edits`` and ``newer`` would be lost with it; without a chosen set ``newer``
    holds all there are. ``differs`` is the lapse after which the memory is not what it was, so
    that only sets from before it were looked at; ``lapse`` one after which nobody knows what
    the memory holds, and since which the chosen set came. ``doubt`` says why what is on
    the share cannot be told.
    """

    arm: str
    before: datetime | None
    named: str | None
    chosen: RestingSet | None
    hindrance: Hindrance | None = None
    edits: tuple[Mark, ...] = ()
    newer: tuple[Passed, ...] = ()
    differs: Lapse | None = None
    lapse: Lapse | None = None
    doubt: str | None = None


def choose(facts: ArmFacts, before: datetime | None = None, named: str | None = None) -> Choice:
    """The newest set that may be restored: of all, of those saved before a moment, or the one that is named.

    Where the memory is known not to be what it was, a set from after that holds what was left of
    it: unless one is asked for, the newest from before is taken. Takes as proof that a set may be
    restored that it is on the share, complete, read back at least once, and neither damaged nor
    another arm's. Of a set whose age is not known nobody can say that it was saved before a moment.
    """
    at = standing(facts)
    history, open_lapses = at.history, [each for each in accounts(at) if each.how in OPEN]
    differs = None if before is not None or named is not None else _first_of(open_lapses, "differs")
    fitting = [item for item in history if _fits(item, before, named, differs)]
    chosen = next((item for item in reversed(fitting) if hindrance(item.set, facts) is None), None)
    newer = tuple(
        Passed(item.set.path, item.captured_at, _why_passed(item, facts, before, differs))
        for item in reversed(history)
        if _is_newer(item, chosen)
    )
    in_doubt = doubt(at)
    told = None if in_doubt is None else f"{in_doubt.message} {in_doubt.remedy}"
    choice = Choice(facts.arm.id, before, named, None, newer=newer, differs=differs, doubt=told)
    if chosen is None:
        return choice._replace(hindrance=_of_named(fitting, facts) if named is not None else None)
    return choice._replace(
        chosen=RestingSet(chosen.set, chosen.captured_at, proof(chosen.set, facts)),
        edits=edits_since(facts, chosen.captured_at),
        lapse=_first_of([each for each in open_lapses if _is_since(chosen, each.lapse)]),
    )


def hindrance(backup: BackupSet, facts: ArmFacts) -> Hindrance | None:
    """Why a set of the arm must not be restored; None where it may."""
    path = quoted(backup.path)
    if backup.gone:
        return Hindrance("gone", "it is no longer on the share", f"See: guard sets {facts.arm.id}")
    if is_damaged(backup):
        what = backup.changed or backup.damage or "it differs from what was read"
        return Hindrance(
            "damaged-set", f"it is damaged: {what}", f"Restore another set. What differs: guard prove {path}"
        )
    if is_another_arms(backup, facts):
        return Hindrance(
            "wrong-arm",
            _whose(backup, facts),
            "Another arm's data moves an arm elsewhere than taught. Restore another set",
        )
    if backup.checked is None:
        return Hindrance("arriving", "it is still arriving or was not looked at yet", "Run: guard look")
    if not is_complete(backup):
        fault = next(
            (each.message for each in backup.problems if each.code == "incomplete-set"), "no file of it was read"
        )
        return Hindrance("incomplete-set", f"it is not complete: {fault}", "Restore another set")
    if backup.last_read_at is None:
        return Hindrance("not-read-back", "it was never read back", f"Run: guard prove {path}")
    return None


def _whose(backup: BackupSet, facts: ArmFacts) -> str:
    if identity_differs(backup, facts):
        return f"it is another controller's: it names {backup.identity}, and {facts.arm.id} is {identity_wanted(facts)}"
    twin = backup.twins[0]
    return f"its {twin.part} is the same as in {twin.path}, a set of {twin.arm}"


def _first_of(found: list[Account], how: str = "") -> Lapse | None:
    return next((each.lapse for each in found if each.how == how or not how), None)


def _is_since(item: Dated, lapse: Lapse) -> bool:
    """Whether a set may hold what a lapse left: only what was seen, and saved, before it certainly does not.

    The name of a set often tells only the minute or the day, and an early time of its own proves nothing.
    """
    if item.set.fingerprint is not None and item.set.fingerprint == lapse.fingerprint:
        return False
    captured, began = item.captured_at, lapse.began_at
    return captured is None or captured > began or item.set.first_seen > began


def _fits(item: Dated, before: datetime | None, named: str | None, differs: Lapse | None) -> bool:
    if named is not None:
        return item.set.path == named
    if differs is not None and _is_since(item, differs):
        return False
    return before is None or (item.captured_at is not None and item.captured_at < before)


def _of_named(fitting: list[Dated], facts: ArmFacts) -> Hindrance | None:
    """What hinders the named set; of several that once stood there, the last one counts."""
    there = [item for item in fitting if not item.set.gone] or fitting
    return hindrance(there[-1].set, facts) if there else None


def _is_newer(item: Dated, chosen: Dated | None) -> bool:
    if chosen is None:
        return not item.set.gone
    if item is chosen or item.refiled_from is not None or item.set.fingerprint == chosen.set.fingerprint:
        return False
    if item.captured_at is None:
        return not item.set.gone
    return chosen.captured_at is None or item.captured_at > chosen.captured_at


def _why_passed(item: Dated, facts: ArmFacts, before: datetime | None, differs: Lapse | None) -> str:
    found = hindrance(item.set, facts)
    if found is not None:
        return found.what
    if differs is not None and _is_since(item, differs):
        return f"it came after {AFTER[differs.kind]}, and the memory was not what it had been"
    return "it was not saved before the time asked for" if before is not None else "another set was asked for"


AFTER = {"memory-swap": "a change of the memory cell", "power-down": "a power-down"}
