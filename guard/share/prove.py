"""Reads a sealed set a second time and compares every digest: the read-back that proves a backup."""

from __future__ import annotations

import os
from datetime import datetime
from typing import Literal

from guard.errors import ShareUnreadable
from guard.record import Record
from guard.share.ground import Ground, judged_by
from guard.share.listing import SetChanged, SetUnreadable
from guard.share.look import Clock, Progress, content_difference, seal_facts
from guard.share.marker import WHY_IN_DOUBT, marker_state, read_marker
from guard.share.outside import appearance
from guard.share.read import read_set
from guard.share.sealing import Sealed
from guard.store.catalogue import Catalogue
from guard.store.known import Known

Outcome = Literal["read-back", "damaged", "incomplete", "arriving", "unreadable"]


class Proved(Record):
    """What a read-back gave: the outcome, and in words what was found where it is not the wanted one."""

    path: str
    arm: str
    outcome: Outcome
    what: str = ""
    was_damaged: bool = False
    place: int = 0


def prove(ground: Ground, number: int, catalogue: Catalogue, known: Known, clock: Clock, progress: Progress) -> Proved:
    """Read a set back, from the disk itself where the system can be asked to, and write down the outcome."""
    before = {file.path: file.sha256 for file in catalogue.manifest(known.id)}
    hindrance = _doubt(ground.root, number, catalogue, known) or _hindrance(ground, known, before)
    if hindrance is not None:
        return hindrance
    recipe = ground.recipe_of(known.arm)
    progress.reading(known.path)
    try:
        looks = appearance(f"{ground.root}/{known.path}", known.form)
        sealed = read_set(ground, known.path, known.form, recipe, looks, clock(), progress.read, from_disk=True)
    except SetChanged as error:
        return Proved(
            known.path, known.arm, "unreadable", f"{str(error) or 'the set'} changed or vanished while it was read"
        )
    except SetUnreadable as error:
        catalogue.hinder(known, str(error))
        return Proved(known.path, known.arm, "unreadable", str(error))
    after = {file.path: file.sha256 for file in sealed.files}
    what = content_difference(before, after, sealed)
    if what is not None and not known.complete and not known.damaged:  # nothing of it was ever right
        catalogue.unseal(known, clock())
        return Proved(known.path, known.arm, "arriving", f"it has changed since it was read ({what}); run: guard look")
    if what is not None:
        catalogue.damage(known, clock(), what)
        return Proved(known.path, known.arm, "damaged", what)
    if before.keys() != after.keys():
        new = ", ".join(sorted(after.keys() - before.keys())[:3])
        why = f"it has new files ({new}), which count once they have settled; run: guard look"
        return Proved(known.path, known.arm, "arriving", why)
    if known.recipe != (judgement := judged_by(ground, known.arm, known.path)):
        catalogue.rejudge(known, seal_facts(judgement, sealed, looks.shape, clock()))
    return _read_back(catalogue, known, sealed, looks.shape, clock())


def _read_back(catalogue: Catalogue, known: Known, sealed: Sealed, shape: str, now: datetime) -> Proved:
    if not sealed.complete:
        return Proved(known.path, known.arm, "incomplete", sealed.problems[0].message)
    if catalogue.read_back(known, now, shape, sealed.files, sealed.essence):
        return Proved(known.path, known.arm, "read-back", was_damaged=known.damaged)
    return Proved(known.path, known.arm, "unreadable", "something else was found of it meanwhile; run it again")


def _doubt(root: str, number: int, catalogue: Catalogue, known: Known) -> Proved | None:
    """Why reading here would say nothing of the set: what stands in its place is, or may be, on another share."""
    try:
        state = marker_state(catalogue.place(number).identity, read_marker(root))
    except ShareUnreadable as error:
        return Proved(known.path, known.arm, "unreadable", f"the share cannot be read: {error.reason}")
    if state not in ("gone", "other"):
        return None
    return Proved(known.path, known.arm, "unreadable", f"the share is in doubt: {WHY_IN_DOUBT[state]}")


def _hindrance(ground: Ground, known: Known, before: dict[str, bytes]) -> Proved | None:
    """Why the set cannot be read back at all; None where it can."""
    if known.complete is None and not known.damaged:
        return Proved(known.path, known.arm, "arriving", "it is still arriving; run: guard look")
    if not before:
        return Proved(known.path, known.arm, "incomplete", "nothing of it could be read when it was sealed")
    where = os.path.join(os.path.realpath(ground.root), known.path)
    if os.path.realpath(where) != where:
        return Proved(known.path, known.arm, "unreadable", "a folder on the way to it is a link, which is not followed")
    return None
