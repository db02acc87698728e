"""Is an arm's memory what it was, after a change of its memory cell or a power-down that was marked? Pure.

What was in the memory before is told by a set from before; what is in it now, by sets that were
saved after the power came back. A lapse is settled by one of these, and by nothing else:

* **retained**: the first proven set from after it, or the newest one, equals the set from before in
  all but its volatile files, of which at least one is another. A memory that was lost and restored is
  retained by the set that was saved after the restoring.
* **checked**: a person marked `memory-checked` of a proven set that came after the lapse, and so says
  that its content is right. Where the axis zero references differ, that does not do alone: a
  `re-zeroed` mark must tell that the arm was re-zeroed since the set from before.
* **first-of-all**: no set from before a power-down, or from before a change of the cell that was only marked, was
  ever there, not even one that is not complete; nothing was known of that memory, and a set from after it is the
  first that tells.

An `edit` mark settles nothing: an edit before the power went, or one after it came back, would else
hide what was lost in between. A sign-off settles nothing either: it only lasts for a while.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import islice, zip_longest

from guard.lapses import Compared, Kind, Lapse, Proofs
from guard.model import ArmFacts, Mark, SwapWindow
from guard.plant import AXIS_ZERO
from guard.record import Record
from guard.rules.capture import Dated, believable
from guard.rules.cells import is_of_memory_cell
from guard.rules.standing import Standing, can_carry, is_another_arms, is_complete, once_each, standing
from guard.rules.window import State, ticking

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Literal

    How = Literal["awaits", "differs", "retained", "checked", "first-of-all"]
else:
    How = str


class Account(Record):
    """What is known of the memory after a lapse, and the set from after it that tells so."""

    lapse: Lapse
    how: How
    after: Dated | None = None
    compared: Compared | None = None
    checked_by: str = ""


# Lapses


def may_have_lapsed(window: SwapWindow | None, marks: Iterable[Mark], proofs: Proofs) -> bool:
    """Whether anything was ever recorded over which a memory may have been lost."""
    told = any(mark.kind in ("powered-off", "cell-changed") for mark in marks)
    return window is not None or bool(proofs.differed) or told


def lapses(at: Standing) -> tuple[Lapse, ...]:
    """The lapses that the ledger does not tell to be settled, the oldest first. None of them while a cell is out."""
    facts = at.facts
    found = list(_differed(facts))
    if facts.window is None or facts.window.ended_at is not None:
        found += [*_power_downs(at), *_swap(facts), *_marked_changes(at)]
    settled = _settled(facts)
    once = {(each.kind, each.began_at): each for each in found}
    open_still = [each for key, each in once.items() if not _is_over(settled.get(key), each.ended_at)]
    return tuple(sorted(open_still, key=lambda each: (each.began_at, each.kind)))


def _settled(facts: ArmFacts) -> dict[tuple[Kind, datetime], datetime]:
    """When the lapses had ended of which the ledger tells that they are settled."""
    return {(each.kind, each.began_at): each.ended_at for each in facts.proofs.settled}


def _is_over(proven: datetime | None, ended: datetime | None) -> bool:
    """Whether what was proven of a lapse still is: where its end is told to be later now, or by nobody any more, it is not."""
    return proven is not None and ended is not None and ended <= proven


def _answered_since(began: datetime, facts: ArmFacts) -> bool:
    """Whether its controller has answered since, which tells as well as a mark that the power was back."""
    return any(each.answers and each.start > began for each in facts.answers)


def _swap(facts: ArmFacts) -> Iterator[Lapse]:
    window = facts.window
    if window is not None and window.ended_at is not None:
        yield Lapse("memory-swap", window.began_at, window.ended_at, window.rests_on, window.fingerprint)


def _marked_changes(at: Standing) -> Iterator[Lapse]:
    """Changes of the memory cell that people marked, since the last one that had a window: its own mark tells of that.

    How long such a cell was out nobody knows, so it is taken to have been in again when the change was marked for.
    """
    facts = at.facts
    last = facts.window and facts.window.ended_at
    for mark in facts.marks:
        if not is_of_memory_cell(mark, facts) or (last is not None and mark.at <= last):
            continue
        if not believable(mark.at, facts.as_of):
            yield Lapse("memory-swap", mark.at, None)
            continue
        before = _before(at, mark.at)
        yield Lapse("memory-swap", mark.at, mark.at, *((before.set.path, before.set.fingerprint) if before else ()))


def _differed(facts: ArmFacts) -> Iterator[Lapse]:
    """Lapses that are not the last ones any more, after which the memory differed; of marks that were corrected, none."""
    marked = {("power-down" if mark.kind == "powered-off" else mark.kind, mark.at) for mark in facts.marks}
    for each in facts.proofs.differed:
        kind = "cell-changed" if each.kind == "memory-swap" else each.kind
        if not each.is_marked or (kind, each.began_at) in marked:
            yield each


def _power_downs(at: Standing) -> Iterator[Lapse]:
    facts = at.facts
    told = sorted((mark.at, mark.kind == "powered-off") for mark in facts.marks if _tells_of_power(mark, facts.as_of))
    found: list[tuple[datetime, datetime | None]] = []
    for moment, goes_off in told:
        is_off = bool(found) and found[-1][1] is None
        if goes_off and is_off and _before(at, moment) is not _before(at, found[-1][0]):
            found[-1] = found[-1][0], moment  # what was saved in between was on then, though nobody marked since when
            is_off = False
        if goes_off and not is_off:
            found.append((moment, None))
        elif is_off and not goes_off:
            found[-1] = found[-1][0], moment
    settled = _settled(facts)
    for (began, ended), following in zip_longest(found, found[1:]):
        proven = settled.get(("power-down", began))
        if _is_over(proven, ended) or (proven is not None and ended is None and _answered_since(began, facts)):
            continue
        before = _before(at, began)
        if following is not None and before is _before(at, following[1] or facts.as_of):
            continue  # nothing was saved until the next one was over: what proves the memory after it proves it after both
        answers = facts.powered.since if facts.powered.on else None
        back = answers if ended is None and answers is not None and answers > began else ended
        yield Lapse("power-down", began, back, *((before.set.path, before.set.fingerprint) if before else ()))
    # When it really was nobody knows, and so neither what came after it; a mark in its place tells.
    yield from (Lapse("power-down", mark.at, None) for mark in facts.marks if _is_off_at_no_time(mark, facts.as_of))


def _is_off_at_no_time(mark: Mark, as_of: datetime) -> bool:
    return mark.kind == "powered-off" and not believable(mark.at, as_of)


def _tells_of_power(mark: Mark, as_of: datetime) -> bool:
    return mark.kind in ("powered-on", "powered-off") and believable(mark.at, as_of)


def _before(at: Standing, began: datetime) -> Dated | None:
    """The newest complete set from before; one that was damaged or went since still tells what it held.

    One that was seen by then certainly is from before. Of those that were seen only later it is
    taken where there is no other: the earliest of its times, which counts, may be earlier than the save.
    """
    found = [
        item for item in at.history if item.captured_at is not None and item.captured_at <= began and _tells(item, at)
    ]
    return next((item for item in reversed(found) if item.set.first_seen <= began), found[-1] if found else None)


def _was_there_before(at: Standing, lapse: Lapse) -> bool:
    """Whether any set may be from before a lapse: what cannot be compared, or not any more, is not nothing."""
    return lapse.fingerprint is not None or any(
        (item.captured_at is None or item.captured_at <= lapse.began_at)
        and (item.set.fingerprint is not None or not item.set.gone)
        and not is_another_arms(item.set, at.facts)
        for item in at.history
    )


# What is known after them


def _tells(item: Dated, at: Standing) -> bool:
    return is_complete(item.set) and not is_another_arms(item.set, at.facts)


def came_after(item: Dated, lapse: Lapse, at: Standing) -> bool:
    """Takes as proof of a later save that no time of the set is earlier, that none is in doubt, and that it is another.

    A set with the fingerprint of the one from before is that one, where every save differs in volatile files.
    """
    captured, ended = item.captured_at, lapse.ended_at
    if captured is None or ended is None or captured <= ended or item.clock_doubt is not None:
        return False
    is_same = item.set.fingerprint == lapse.fingerprint and bool(at.facts.recipe.volatile)
    return item.set.path != lapse.before and not (lapse.fingerprint is not None and is_same)


def _proven_after(at: Standing, lapse: Lapse) -> list[Dated]:
    """The first and the newest set that can carry an answer and was saved after a lapse."""

    def proves(item: Dated) -> bool:
        return came_after(item, lapse, at) and not item.set.gone and can_carry(item.set, at.facts)

    first = next(filter(proves, at.history), None)
    newest = next(filter(proves, reversed(at.history)), None)
    return [item for item in (first, newest if newest is not first else None) if item is not None]


def _told_after(at: Standing, lapse: Lapse) -> list[Dated]:
    """The newest sets from after a lapse whose content is known, be they proven or not."""
    newest = (item for item in reversed(at.history) if came_after(item, lapse, at) and _tells(item, at))
    return [*islice(newest, 2)][::-1]


def _checked(at: Standing, lapse: Lapse) -> Iterator[tuple[Mark, Dated]]:
    """Marks by which a person answers for the content of a proven set that came after the lapse.

    When it was saved that person says, so here it is enough that it was first seen after the lapse.
    """
    checks = [mark for mark in at.facts.marks if mark.kind == "memory-checked"]
    if lapse.ended_at is None or not checks:
        return
    for item in at.history:
        came = lapse.ended_at < item.set.first_seen <= at.facts.as_of and item.set.path != lapse.before
        if not came or item.set.gone or item.refiled_from is not None or not can_carry(item.set, at.facts):
            continue
        for mark in checks:
            if (
                mark.fingerprint == item.set.fingerprint
                and believable(mark.at, at.facts.as_of)
                and mark.at > lapse.ended_at
            ):
                yield mark, item


def to_compare(at: Standing) -> set[tuple[str, str]]:
    """The fingerprints of the pairs of sets, from before and after, whose content has to be compared."""
    found = set()
    for lapse in lapses(at):
        of_marks = [item for _, item in _checked(at, lapse)]
        for item in (*_proven_after(at, lapse), *_told_after(at, lapse), *of_marks):
            if lapse.fingerprint and item.set.fingerprint and lapse.fingerprint != item.set.fingerprint:
                found.add((lapse.fingerprint, item.set.fingerprint))
    return found


def _compared(at: Standing, lapse: Lapse, item: Dated) -> Compared | None:
    """How a set from after a lapse differs from the one before; None where that is not known."""
    before, after = lapse.fingerprint, item.set.fingerprint
    if before is None or after is None:
        return None
    if before == after:
        return Compared(before, after, ())
    return next((each for each in at.facts.compared if (each.before, each.after) == (before, after)), None)


@once_each
def accounts(at: Standing) -> tuple[Account, ...]:
    """What is known of the memory after each lapse that is not settled in the ledger."""
    return tuple(_account(at, lapse) for lapse in lapses(at))


def _account(at: Standing, lapse: Lapse) -> Account:
    proven = _proven_after(at, lapse)
    if proven and lapse.is_marked and not _was_there_before(at, lapse):
        return Account(lapse, "first-of-all", proven[0])
    copy = None
    for item in proven:
        found = _compared(at, lapse, item)
        if found is not None and not found.parts:
            copy = Account(lapse, "awaits", item, found)
            if found.is_new:
                return Account(lapse, "retained", item, found)
    for mark, item in sorted(_checked(at, lapse), key=lambda each: (each[0].at, each[0].by, each[1].set.path)):
        found = _compared(at, lapse, item)
        if mark.by and (found is None or _axis_zero_is_explained(at, lapse, found, item)):
            return Account(lapse, "checked", item, found, mark.by)
    for item in reversed(_told_after(at, lapse)):
        found = _compared(at, lapse, item)
        if found is not None and found.parts:
            return Account(lapse, "differs", item, found)
    return copy or Account(lapse, "awaits", proven[-1] if proven else None)


def _axis_zero_is_explained(at: Standing, lapse: Lapse, found: Compared, item: Dated) -> bool:
    """Takes as an explanation that the arm was re-zeroed after the set from before was saved and before this one came."""
    if all(each.part != AXIS_ZERO for each in found.parts):
        return True
    saved = [each.captured_at for each in at.history if each.set.fingerprint == lapse.fingerprint]
    since = max((moment for moment in saved if moment is not None), default=lapse.began_at)
    return any(mark.kind == "re-zeroed" and since < mark.at <= item.set.first_seen for mark in at.facts.marks)


def state(facts: ArmFacts) -> State:
    """How far the change of the arm's memory cell has come; none where no memory of it has to be proven."""
    window = facts.window
    if window is not None and window.ended_at is None:
        return ticking(window, facts.limits.closing_permille)[0]
    return "awaiting-proof" if any(each.how in OPEN for each in accounts(standing(facts))) else "none"


OPEN: tuple[How, ...] = ("awaits", "differs")
"""What leaves it open whether the memory is whole."""


def window_in_question(facts: ArmFacts) -> SwapWindow | None:
    """The last change of the memory cell, as long as it is under way or the memory has to be proven after it."""
    window = facts.window
    if window is None or window.ended_at is None:
        return window
    of = [each.lapse for each in accounts(standing(facts)) if each.how in OPEN]
    return window if any(each.kind == "memory-swap" and each.began_at == window.began_at for each in of) else None
