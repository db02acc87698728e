"""The use cases of the holding folder: what lies in it, moving it back, and deleting it there for good.

Each set is moved by one rename and then written down as one fact. What a crash left unwritten,
the next command writes down.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from datetime import datetime

from guard.desk import Desk
from guard.errors import GuardError, ShareDoubtful, ShareUnreadable
from guard.model import ArmFacts
from guard.record import Record
from guard.rules.retention import Claim, Schedule, decisions
from guard.rules.share import doubt
from guard.rules.standing import proof, standing
from guard.share import holding
from guard.share.listing import SetUnreadable
from guard.share.marker import WAY_OUT, WHY_IN_DOUBT, marker_state, read_marker
from guard.share.outside import difference
from guard.share.refusals import HoldingRefused, NotHeld
from guard.store import retained
from guard.store.retained import HeldSet, Pin
from guard.times import shown
from guard.units import in_words, quoted

TYPE_CHECKING = False

if TYPE_CHECKING:
    from guard.store.retained import Act

MOVED_AWAY = "retention moved it into the holding folder"


class Left(Record):
    """A set that stays as it is, and why."""

    path: str
    why: str


class Moved(Record):
    """What was moved or deleted, and what was left."""

    done: tuple[HeldSet, ...]
    left: tuple[Left, ...]


def pinned_words(each: Pin) -> str:
    """Who pinned a set and why, in words."""
    by = f" by {each.by}" if each.by else ""
    return f"pinned{by}" + (f": {each.why}" if each.why else "")


def schedule(desk: Desk) -> Schedule:
    """How many periods keep a set, as configured."""
    keep = desk.settings.keep
    return Schedule(keep.all_for, keep.daily, keep.weekly, keep.monthly, keep.yearly, keep.at_least)


def claims(desk: Desk, arm: str | None = None) -> dict[str, list[Claim]]:
    """By arm, of one or all: what changes of memory cells, people who signed off and visits under way rested on, and what is pinned."""
    found: dict[str, list[Claim]] = {}
    zone, ledger = desk.settings.zone(), desk.records
    for what, relied in (
        ("memory swap", retained.swaps(ledger, arm)),
        ("sign-off", retained.relied_on(ledger, arm)),
        ("visit under way, as stamped", retained.visits(ledger, arm)),
    ):
        for name, at, path, content in relied:
            found.setdefault(name, []).append(Claim(path, content, f"the {what} of {shown(at, zone)} rested on it"))
    for name, pinned in retained.pins(ledger, arm).items():
        found.setdefault(name, []).extend(Claim(each.path, each.fingerprint, pinned_words(each)) for each in pinned)
    return found


def proved_right(desk: Desk, number: int) -> None:
    """Raises ShareUnreadable, or ShareDoubtful where the place does not prove to be the one it was.

    A further copy may do without a marker: of it only sets are moved whose content is known.
    """
    root = desk.ground(number).root
    state = marker_state(desk.catalogue.place(number).identity, read_marker(root))
    if state == "right" or (state == "never" and number > 0):
        return
    if state == "never":
        raise ShareDoubtful(root, "it never had a marker, so it could be another one", "Run: guard init --share PATH")
    raise ShareDoubtful(root, WHY_IN_DOUBT[state], WAY_OUT)


def note_manifest(desk: Desk, number: int, more: Iterable[HeldSet] = ()) -> None:
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
            proved_right(desk, number)
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


# What is held, and moving it back


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
            proved_right(desk, each.place)
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
        note_manifest(desk, number)


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
        proved_right(desk, 0)
        proved_right(desk, each.place)
    except GuardError as refusal:
        yield str(refusal)
        return
    (facts,) = desk.facts([each.arm])
    place = standing(facts)
    resting, in_doubt = place.resting, doubt(place)
    if in_doubt is not None:
        yield in_doubt.message
    elif resting is None or resting.captured_at is None or resting.captured_at < each.captured_at:
        yield "no newer proven set of its arm stands; run: guard prove --due"
    elif proof(resting.set, facts) not in ("read-back", "copied", "restored"):
        yield f"{resting.set.path}, which stands for it, was not read back lately; run: guard prove --due"
    if not _is_known(each, facts):
        yield f"what is in it is not known since the catalogue was built again; have it read: guard keep undo {quoted(each.path)}"
    yield from _kept_now(desk, each, facts)


def _is_known(each: HeldSet, facts: ArmFacts) -> bool:
    """Whether it was read since the catalogue was begun: else nobody can tell for what it would be kept."""
    return any(
        (there.path, there.fingerprint) == (each.path, each.fingerprint) and bool(there.files or there.problems)
        for there in facts.sets
    )


def _kept_now(desk: Desk, each: HeldSet, facts: ArmFacts) -> Iterator[str]:
    """Why the set would be kept if all that was moved stood on the share: an edit or a power-down marked since, or a pin."""
    moved = {(one.path, one.fingerprint) for one in retained.held_sets(desk.records, each.arm).values()}
    as_if_there = tuple(
        there._replace(gone=False, trouble=None) if (there.path, there.fingerprint) in moved else there
        for there in facts.sets
    )
    claimed = claims(desk, each.arm).get(each.arm, ())
    for found in decisions(facts._replace(sets=as_if_there), schedule(desk), desk.settings.zone(), claimed):
        if found.keep and (found.path, found.fingerprint) == (each.path, each.fingerprint):
            yield from found.reasons


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
