"""The use cases of retention: what may go, moving it into the holding folder, back, and deleting it there.

Each set is moved by one rename and then written down as one fact, so a crash leaves it where it
was or whole in the holding folder. What a crash left unwritten, the next command writes down.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from datetime import datetime

from guard.desk import Desk
from guard.errors import GuardError, HoldingRefused, NotHeld, PlanDiffers, ShareDoubtful, ShareUnreadable
from guard.record import Record
from guard.rules.capture import Dated
from guard.rules.evidence import utc
from guard.rules.retention import Claim, Decision, Schedule, decisions, doubt, identity
from guard.rules.standing import proof, standing
from guard.share import holding
from guard.share.listing import SetUnreadable
from guard.share.marker import marker_state, read_marker
from guard.share.outside import difference
from guard.store import retained
from guard.store.catalogue import Known
from guard.store.retained import HeldSet, Pin
from guard.units import in_words

TYPE_CHECKING = False

if TYPE_CHECKING:
    from guard.share.look import Progress
    from guard.store.retained import Act

MOVED_AWAY = "retention moved it into the holding folder"


class Plan(Record):
    """What becomes of every set, and what tells this plan from another."""

    identity: str
    decisions: tuple[Decision, ...]

    @property
    def released(self) -> tuple[Decision, ...]:
        """The sets that may go."""
        return tuple(each for each in self.decisions if not each.keep)


class Left(Record):
    """A set that stays as it is, and why."""

    path: str
    why: str


class Moved(Record):
    """What was moved or deleted, and what was left."""

    done: tuple[HeldSet, ...]
    left: tuple[Left, ...]


# Planning


def plan(desk: Desk) -> Plan:
    """What becomes of every set, by a look at the share as it is now. Changes nothing."""
    settings, keep = desk.settings, desk.settings.keep
    schedule = Schedule(keep.all_for, keep.daily, keep.weekly, keep.monthly, keep.yearly, keep.at_least)
    claims, zone = _claims(desk), settings.zone()
    found = tuple(
        each
        for facts in desk.facts_in_turn(list(settings.arms), desk.now())
        for each in decisions(facts, schedule, zone, claims.get(facts.arm.id, ()))
    )
    return Plan(identity(found), found)


def _claims(desk: Desk) -> dict[str, list[Claim]]:
    """What every change of a memory cell rested on, what each person who signed off relied on, and what is pinned."""
    found: dict[str, list[Claim]] = {}
    for arm, at, path, content in retained.swaps(desk.records):
        found.setdefault(arm, []).append(Claim(path, content, f"the memory swap of {utc(at)} rested on it"))
    for arm, at, path, content in retained.relied_on(desk.records):
        found.setdefault(arm, []).append(Claim(path, content, f"the sign-off of {utc(at)} rested on it"))
    for arm, pinned in retained.pins(desk.records).items():
        found.setdefault(arm, []).extend(Claim(each.path, each.fingerprint, _pinned(each)) for each in pinned)
    return found


def _pinned(each: Pin) -> str:
    by = f" by {each.by}" if each.by else ""
    return f"pinned{by}" + (f": {each.why}" if each.why else "")


# Applying


def apply(desk: Desk, wanted: str, progress: Progress) -> Moved:
    """Look at everything again, and move what the plan releases if the plan is still the wanted one.

    Raises PlanDiffers, ShareUnreadable, ShareDoubtful and HoldingRefused; nothing was moved then.
    """
    reports = desk.look(progress)
    if reports[0].refusal is not None:
        raise reports[0].refusal
    _proved_right(desk, 0)
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


def _proved_right(desk: Desk, number: int) -> None:
    """Raises ShareUnreadable, or ShareDoubtful where the place does not prove to be the one it was.

    A further copy may do without a marker: of it only sets are moved whose content is known.
    """
    root = desk.ground(number).root
    state = marker_state(desk.catalogue.place(number).identity, read_marker(root))
    if state == "right" or (state == "never" and number > 0):
        return
    if state == "never":
        raise ShareDoubtful(root, "it never had a marker, so it could be another one", "Run: guard init --share PATH")
    raise ShareDoubtful(root, f"its marker is {'gone' if state == 'gone' else 'another one'}", "Mount the right share.")


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
    claims, kept = _claims(desk), {each.fingerprint for each in present.decisions if each.keep}
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
            claim.path == each.path or claim.fingerprint == each.fingerprint for claim in claims.get(each.arm, ())
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
    _note(desk, number, [each for each, _ in chosen])
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
    _note(desk, number)
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


def _note(desk: Desk, number: int, more: Iterable[HeldSet] = ()) -> None:
    """Write the manifest of a place: what the ledger knows to be held there, and what is about to be moved."""
    there = [each for each in retained.held_sets(desk.records).values() if each.place == number]
    rows = [{"arm": each.arm, **retained.body(each, "held")} for each in (*there, *more)]
    holding.note(desk.ground(number).root, rows)


# Writing down what a crash left


def settle(desk: Desk) -> None:
    """Write down what was moved or deleted without being written down, as after a kill or a power cut."""
    desk.hand_over()
    for number in range(len(desk.settings.copies) + 1):
        try:
            _proved_right(desk, number)
        except (ShareUnreadable, ShareDoubtful):
            continue  # absence on a place in doubt says nothing
        if os.path.isdir(holding.holding_folder(desk.ground(number).root)):
            _settle_place(desk, number)
    desk.hand_over()


def _settle_place(desk: Desk, number: int) -> None:
    root, now = desk.ground(number).root, desk.now()
    known, told = desk.catalogue.known(number), retained.ids(desk.records)
    for row in holding.noted(root):
        held = _read_row(row, number)
        if held is None or held.id in told or not holding.is_held(root, held.held_as):
            continue
        if not desk.catalogue.ever_had(number, held.arm, held.path, held.fingerprint):
            continue  # nothing of ours
        held = held._replace(held_at=now)  # grace begins when it was written down
        there = known.get(held.path)
        if there is not None and there.fingerprint == held.fingerprint and not holding.stands(root, held.path):
            desk.catalogue.hold(there, now, MOVED_AWAY, retained.body(held, "held"))
        else:
            _record(desk, held, "held", now)
    leaving = set(holding.leaving(root))
    for held in retained.held_sets(desk.records).values():
        if held.place != number or holding.is_held(root, held.held_as):
            continue
        if held.id in leaving:
            _record(desk, held, "purged", now)
        elif holding.stands(root, held.path):
            _write_returned(desk, root, held, now)
    still = retained.held_sets(desk.records)
    for number_left in leaving & told - still.keys():
        holding.delete(root, number_left)


def _record(desk: Desk, each: HeldSet, act: Act, now: datetime) -> None:
    with desk.recording() as ledger:
        ledger.append(now, "keep", each.arm, retained.body(each, act))


def _read_row(row: dict[str, object], number: int) -> HeldSet | None:
    """A row of the manifest; None where it is none of ours."""
    try:
        held = retained.from_body(str(row["arm"]), row)
    except (KeyError, TypeError, ValueError):
        return None
    end = held.held_as.removeprefix(held.path)  # as free_name gives it
    is_ours = held.place == number and (not end or re.fullmatch("~[0-9]+", end) is not None)
    return held if is_ours else None


# Undoing


def held(desk: Desk, wanted: Iterable[str] = ()) -> tuple[HeldSet, ...]:
    """What lies in the holding folder: all of it, or what is wanted by path or start of a fingerprint. Raises NotHeld."""
    settle(desk)
    there = tuple(retained.held_sets(desk.records).values())
    chosen: dict[str, HeldSet] = {}
    for text in wanted:
        found = [each for each in there if _is_meant(each, text)]
        if not found:
            raise NotHeld(text)
        chosen.update((each.id, each) for each in found)
    return tuple(chosen.values()) if chosen else there


def _is_meant(each: HeldSet, text: str) -> bool:
    return each.path == text.rstrip("/") or (len(text) >= 8 and each.fingerprint.startswith(text.lower()))


def last_moved(desk: Desk) -> tuple[HeldSet, ...]:
    """What the last plan that was applied moved, as far as it is still held."""
    there = held(desk)
    return tuple(each for each in there if each.plan == there[-1].plan)


def undo(desk: Desk, wanted: Iterable[HeldSet]) -> Moved:
    """Move sets back to where they were, with all that was learnt of them."""
    done: list[HeldSet] = []
    left: list[Left] = []
    for each in wanted:
        try:
            _proved_right(desk, each.place)
            root = desk.ground(each.place).root
            holding.give_back(root, each.path, each.held_as)
            _write_returned(desk, root, each, desk.now())
            done.append(each)
        except (HoldingRefused, ShareUnreadable, ShareDoubtful) as refusal:
            left.append(Left(each.path, str(refusal)))
    _note_again(desk, done)
    return Moved(tuple(done), tuple(left))


def _write_returned(desk: Desk, root: str, each: HeldSet, now: datetime) -> None:
    """Write down that a set is back; where it is not what it was when it was read, it is damaged."""
    told = retained.body(each, "returned")
    desk.catalogue.give_back(each.place, each.arm, each.path, each.fingerprint, now, told)
    there = desk.catalogue.known_at(each.place, each.path)
    if there is not None and there.fingerprint == each.fingerprint and there.complete:
        try:
            changed = difference(f"{root}/{each.path}", there.form, there.shape, desk.catalogue.manifest(there.id))
        except SetUnreadable as error:
            desk.catalogue.hinder(there, str(error))
        else:
            if changed is not None:
                desk.catalogue.damage(there, now, changed)
    desk.hand_over()


def _note_again(desk: Desk, touched: Iterable[HeldSet]) -> None:
    for number in sorted({each.place for each in touched}):
        _note(desk, number)


# Deleting for good


def purgeable(desk: Desk) -> Moved:
    """What may be deleted from the holding folder now, and what may not yet and why."""
    now, grace = desk.now(), desk.settings.keep.grace
    done: list[HeldSet] = []
    left: list[Left] = []
    for each in held(desk):
        age = now - each.held_at
        if age <= grace:
            left.append(Left(each.path, f"it was moved {in_words(age)} ago; {in_words(grace)} must have passed"))
            continue
        why = next(_why_not_purged(desk, each), None)
        if why is None:
            done.append(each)
        else:
            left.append(Left(each.path, why))
    return Moved(tuple(done), tuple(left))


def _why_not_purged(desk: Desk, each: HeldSet) -> Iterator[str]:
    """Takes as proof that a newer set of its arm is there and whole now, and was read back lately."""
    if each.arm not in desk.settings.arms:
        yield f"no arm called {each.arm} is configured, so nothing newer of it is known"
        return
    try:
        _proved_right(desk, 0)
        _proved_right(desk, each.place)
    except GuardError as refusal:
        yield str(refusal)
        return
    (facts,) = desk.facts([each.arm])
    place = standing(facts)
    resting, in_doubt = place.resting, doubt(place)
    if in_doubt is not None:
        yield in_doubt
    elif resting is None or resting.captured_at is None or resting.captured_at < each.captured_at:
        yield "no newer proven set of its arm stands; run: guard prove --due"
    elif proof(resting.set, facts) not in ("read-back", "copied", "restored"):
        yield f"{resting.set.path}, which stands for it, was not read back lately; run: guard prove --due"
    for pinned in retained.pins(desk.records, each.arm).get(each.arm, ()):
        if retained.same_set(pinned, each.path, each.fingerprint):
            yield _pinned(pinned)


def purge(desk: Desk, wanted: Iterable[HeldSet]) -> Moved:
    """Delete sets from the holding folder, each after one more look at what stands for it."""
    done: list[HeldSet] = []
    left: list[Left] = []
    for each in wanted:
        why = next(_why_not_purged(desk, each), None)
        if why is not None:
            left.append(Left(each.path, why))
            continue
        root = desk.ground(each.place).root
        try:
            holding.take_away(root, each.held_as, each.id)
            _record(desk, each, "purged", desk.now())
            holding.delete(root, each.id)
            done.append(each)
        except HoldingRefused as refusal:
            left.append(Left(each.path, str(refusal)))
    _note_again(desk, done)
    return Moved(tuple(done), tuple(left))


# Pinning


def pin(desk: Desk, text: str, by: str, why: str, *, keep: bool) -> Pin:
    """Pin a set, so that it is never released, or take that back. Raises UnknownSet and AmbiguousSet."""
    known, _ = desk.resolve(text)
    pinned = Pin(known.arm, known.path, known.fingerprint, by, why, desk.now())
    with desk.recording() as ledger:
        retained.pin(ledger, pinned, keep=keep)
    return pinned
