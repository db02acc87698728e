"""Sets as people and scripts are shown them, and which of them a restore test was of."""

from __future__ import annotations

from datetime import datetime

from guard.desk import Desk
from guard.errors import NotUnderstood
from guard.model import BackupSet, Proof
from guard.record import Record
from guard.rules.capture import dated
from guard.rules.standing import proof, standing
from guard.store.retained import pins, same_set


class SetView(Record):
    """One set as people and scripts are shown it."""

    arm: str
    set: BackupSet
    captured_at: datetime | None
    proof: Proof
    pinned: bool


def views(desk: Desk, arms: list[str]) -> list[SetView]:
    """The sets that are there, of some arms, oldest first in each."""
    pinned = pins(desk.records)
    return [
        SetView(
            facts.arm.id,
            item.set,
            item.captured_at,
            proof(item.set, facts),
            any(same_set(pin, item.set.path, item.set.fingerprint) for pin in pinned.get(facts.arm.id, ())),
        )
        for facts in desk.facts(arms)
        for item in dated(facts.sets, facts.recipe, facts.as_of)
        if not item.set.gone
    ]


def restored(desk: Desk, arm: str, text: str | None, at: datetime) -> tuple[str | None, str | None]:
    """Path and fingerprint of the set that a restore test was of.

    The one that is named, else the one that answers rest on, if it was saved by then. Raises NotUnderstood where
    the named one is another arm's, or was saved later: nobody can have restored it on that arm by then.
    """
    place = standing(desk.facts([arm])[0])
    if text is not None:
        known, _ = desk.resolve(text)
        if known.arm != arm:
            raise NotUnderstood(
                "", f"a restore test of {arm} with {text!r}, a set of {known.arm}", f"See: guard sets {arm}"
            )
        saved = [item.captured_at for item in place.history if item.set.fingerprint == known.fingerprint]
        if min((moment for moment in saved if moment is not None), default=at) > at:
            instead = "Name the set that was restored, or say when: --at WHEN"
            raise NotUnderstood("", f"a restore test of {text!r}, which was saved after that", instead)
        return known.path, known.fingerprint
    resting = place.resting
    if resting is None or resting.captured_at is None or resting.captured_at > at:
        return None, None
    return resting.set.path, resting.set.fingerprint
