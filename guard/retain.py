"""The use cases of retention: what may go, moving it into the holding folder, and what never goes.

Each set is moved by one rename and then written down as one fact, so a crash leaves it where it
was or whole in the holding folder.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from datetime import datetime

from guard.desk import Desk
from guard.held import MOVED_AWAY, Left, Moved, claims, note_manifest, proved_right, schedule, settle
from guard.record import Record
from guard.rules.capture import Dated
from guard.rules.retention import Decision, decisions, identity
from guard.rules.share import doubt
from guard.rules.standing import standing
from guard.share import holding
from guard.share.listing import SetUnreadable
from guard.share.outside import difference
from guard.share.refusals import HoldingRefused, PlanDiffers
from guard.store import retained
from guard.store.known import Known
from guard.store.retained import HeldSet, Pin

TYPE_CHECKING = False

if TYPE_CHECKING:
    from guard.share.look import Progress


class Plan(Record):
    """What becomes of every set, and what tells this plan from another."""

    identity: str
    decisions: tuple[Decision, ...]

    @property
    def released(self) -> tuple[Decision, ...]:
        """The sets that may go."""
        return tuple(each for each in self.decisions if not each.keep)


# Planning


def plan(desk: Desk) -> Plan:
    """What becomes of every set, by a look at the share as it is now. Changes nothing."""
    settings, claimed = desk.settings, claims(desk)
    found = tuple(
        each
        for facts in desk.facts_in_turn(list(settings.arms), desk.now())
        for each in decisions(facts, schedule(desk), settings.zone(), claimed.get(facts.arm.id, ()))
    )
    return Plan(identity(found), found)


# Applying


def apply(desk: Desk, wanted: str, progress: Progress) -> Moved:
    """Look at everything again, and move what the plan releases if the plan is still the wanted one.

    Raises PlanDiffers, ShareUnreadable, ShareDoubtful and HoldingRefused; nothing was moved then.
    """
    reports = desk.look(progress)
    if reports[0].refusal is not None:
        raise reports[0].refusal
    proved_right(desk, 0)
    settle(desk)
    present = plan(desk)
    if present.identity != wanted:
        raise PlanDiffers(wanted, present.identity)
    done, left = _hold_released(desk, 0, [(each, wanted) for each in present.released])
    gone = _gone(desk, present)
    for number in _alike(desk):
        if (refusal := reports[number].refusal) is not None:
            left.append(Left(reports[number].root, str(refusal)))
            continue
        more, stays = _hold_released(desk, number, gone)
        done, left = done + more, left + stays
    return Moved(tuple(done), tuple(left))


def behind(desk: Desk, present: Plan) -> list[Decision]:
    """What stands in further copies that are to be treated likewise, and went from the share by an earlier plan."""
    known = [desk.catalogue.known(number) for number in _alike(desk)]
    return [
        each
        for there in known
        for each, _ in _gone(desk, present)
        if each.path in there and there[each.path].fingerprint == each.fingerprint
    ]


def _alike(desk: Desk) -> range:
    """The numbers of the further copies that are to be treated as the share is."""
    return range(1, len(desk.settings.copies) + 1 if desk.settings.keep.copies == "same" else 1)


def _gone(desk: Desk, present: Plan) -> list[tuple[Decision, str]]:
    """What is held of the share and wanted by nobody, each set with the plan that let it go.

    That is what goes from a further copy too, also where an earlier run was killed before it came to that, or
    the copy was away.
    """
    claimed, kept = claims(desk), {each.fingerprint for each in present.decisions if each.keep}
    return [
        (
            Decision(
                each.arm, each.path, each.form, each.fingerprint, each.captured_at, each.bytes, keep=False,
                reasons=(each.rule,),
            ),
            each.plan,
        )
        for each in retained.held_sets(desk.records).values()
        if each.place == 0
        and each.fingerprint not in kept
        and not any(
            claim.path == each.path or claim.fingerprint == each.fingerprint for claim in claimed.get(each.arm, ())
        )
    ]  # fmt: skip


def _hold_released(
    desk: Desk, number: int, released: Iterable[tuple[Decision, str]]
) -> tuple[list[HeldSet], list[Left]]:
    """Move the released sets of one place, each let go by the plan beside it."""
    root, known = desk.ground(number).root, desk.catalogue.known(number)
    now, taken = desk.now(), set[str]()
    chosen: list[tuple[HeldSet, Known]] = []
    left: list[Left] = []
    for each, by in released:
        there = known.get(each.path)
        if there is None or there.fingerprint != each.fingerprint or each.fingerprint is None:
            if number == 0:
                left.append(Left(each.path, "it is not what it was when it was read"))
            continue
        name = holding.free_name(root, each.path, taken)
        taken.add(name)
        chosen.append((_held(each, there, number, name, by, now), there))
    if not chosen:
        return [], left
    note_manifest(desk, number, [each for each, _ in chosen])
    done: list[HeldSet] = []
    carrying: dict[str, Dated | None] = {}
    for held, there in chosen:
        try:
            if held.arm not in carrying:
                carrying[held.arm] = _carrying(desk, held.arm)
            if not _is_newer(carrying[held.arm], held):
                left.append(Left(held.path, "no newer proven set of its arm stands any more"))
                continue
            _hold(desk, root, held, there)
            done.append(held)
        except (HoldingRefused, SetUnreadable) as refusal:
            left.append(Left(held.path, str(refusal)))
    note_manifest(desk, number)
    return done, left


def _held(each: Decision, there: Known, number: int, name: str, plan_identity: str, now: datetime) -> HeldSet:
    return HeldSet(
        id=os.urandom(8).hex(),
        place=number,
        arm=each.arm,
        path=each.path,
        form=there.form,
        fingerprint=each.fingerprint or "",
        held_as=name,
        bytes=each.bytes,
        captured_at=each.captured_at or there.first_seen,
        held_at=now,
        plan=plan_identity,
        rule="; ".join(each.reasons),
    )


def _hold(desk: Desk, root: str, held: HeldSet, there: Known) -> None:
    changed = difference(f"{root}/{held.path}", there.form, there.shape, desk.catalogue.manifest(there.id))
    if changed is not None:
        raise HoldingRefused(f"{root}/{held.path}", f"it changed since it was read ({changed})")
    holding.hold(root, held.path, held.held_as)
    desk.catalogue.hold(there, held.held_at, MOVED_AWAY, retained.body(held, "held"))
    desk.hand_over()


def _carrying(desk: Desk, arm: str) -> Dated | None:
    """The set on which answers about an arm rest at this moment; None where the share is in doubt."""
    (facts,) = desk.facts([arm])
    place = standing(facts)
    return None if doubt(place) is not None else place.resting


def _is_newer(carrying: Dated | None, held: HeldSet) -> bool:
    """Takes as proof that another set, which is no older than this one, carries answers."""
    if carrying is None or carrying.captured_at is None:
        return False
    return carrying.captured_at >= held.captured_at and carrying.set.path != held.path


# Pinning


def pin(desk: Desk, text: str, by: str, why: str, *, keep: bool) -> Pin:
    """Pin a set, so that it is never released, or take that back. Raises UnknownSet and AmbiguousSet."""
    known, _ = desk.resolve(text)
    pinned = Pin(known.arm, known.path, known.fingerprint, by, why, desk.now())
    with desk.recording() as ledger:
        retained.pin(ledger, pinned, keep=keep)
    return pinned
