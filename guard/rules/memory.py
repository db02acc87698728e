"""Is an arm's memory what it was, after a change of its memory cell or a power-down that was marked? Pure.

What was in the memory before is told by a set from before; what is in it now, by sets that were
saved after the power came back. A lapse is settled by one of these, and by nothing else:

* **retained**: the first proven set from after it, or the newest one, equals the set from before in
  all but its volatile files, of which at least one is another. A memory that was lost and restored is retained by the set that was
  saved after the restoring.
* **checked**: a person marked `memory-checked` of a proven set that came after the lapse, and so says
  that its content is right. Where the axis zero references differ, that does not do alone: a
  `re-zeroed` mark must tell that the arm was re-zeroed since the set from before.
* **first-of-all**: no set from before a power-down was ever there, not even one that is not complete; nothing
  was known of that memory, and a set from after it is the first that tells.

An `edit` mark settles nothing: an edit before the power went, or one after it came back, would else
hide what was lost in between. A sign-off settles nothing either: it only lasts for a while.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import islice, zip_longest

from guard.lapses import NO_PART, Compared, Lapse, PartDifference, Settled
from guard.model import ArmFacts, Finding, Level, Mark, Question, SwapWindow
from guard.record import Record
from guard.rules.capture import Dated, believable
from guard.rules.evidence import seconds, utc
from guard.rules.findings import Outcome, finding
from guard.rules.standing import Standing, can_carry, is_another_arms, is_complete, once_each, standing
from guard.rules.window import State, ticking, to_restore
from guard.units import in_words, quoted

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Literal

    How = Literal["awaits", "differs", "retained", "checked", "first-of-all"]
else:
    How = str

AXIS_ZERO = "axis-zero"


class Account(Record):
    """What is known of the memory after a lapse, and the set from after it that tells so."""

    lapse: Lapse
    how: How
    after: Dated | None = None
    compared: Compared | None = None
    checked_by: str = ""


# Lapses


def lapses(at: Standing) -> tuple[Lapse, ...]:
    """The lapses that the ledger does not tell to be settled, the oldest first. None of them while a cell is out."""
    facts = at.facts
    found = list(_differed(facts))
    if facts.window is None or facts.window.ended_at is not None:
        found += [*_power_downs(at), *_swap(facts)]
    settled = set(facts.proofs.settled)
    once = {(each.kind, each.began_at): each for each in found}
    open_still = [each for key, each in once.items() if Settled(*key) not in settled]
    return tuple(sorted(open_still, key=lambda each: (each.began_at, each.kind)))


def _swap(facts: ArmFacts) -> Iterator[Lapse]:
    window = facts.window
    if window is not None and window.ended_at is not None:
        yield Lapse("memory-swap", window.began_at, window.ended_at, window.rests_on, window.fingerprint)


def _differed(facts: ArmFacts) -> Iterator[Lapse]:
    """Lapses that are not the last ones any more, after which the memory differed; corrected power-downs are none."""
    off = {mark.at for mark in facts.marks if mark.kind == "powered-off"}
    yield from (each for each in facts.proofs.differed if each.kind != "power-down" or each.began_at in off)


def _power_downs(at: Standing) -> Iterator[Lapse]:
    facts = at.facts
    told = sorted((mark.at, mark.kind == "powered-off") for mark in facts.marks if _tells_of_power(mark, facts.as_of))
    found: list[tuple[datetime, datetime | None]] = []
    for moment, goes_off in told:
        is_off = bool(found) and found[-1][1] is None
        if goes_off and not is_off:
            found.append((moment, None))
        elif is_off and not goes_off:
            found[-1] = found[-1][0], moment
    settled = {each.began_at for each in facts.proofs.settled if each.kind == "power-down"}
    for (began, ended), following in zip_longest(found, found[1:]):
        if began in settled:
            continue
        before = _before(at, began)
        if following is not None and before is _before(at, following[0]):
            continue  # nothing was saved in between: what proves the memory after the next one proves it after both
        answers = facts.powered.since if facts.powered.on else None
        back = answers if ended is None and answers is not None and answers > began else ended
        yield Lapse("power-down", began, back, *((before.set.path, before.set.fingerprint) if before else ()))


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


def _came_after(item: Dated, lapse: Lapse, at: Standing) -> bool:
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
        return _came_after(item, lapse, at) and not item.set.gone and can_carry(item.set, at.facts)

    first = next(filter(proves, at.history), None)
    newest = next(filter(proves, reversed(at.history)), None)
    return [item for item in (first, newest if newest is not first else None) if item is not None]


def _told_after(at: Standing, lapse: Lapse) -> list[Dated]:
    """The newest sets from after a lapse whose content is known, be they proven or not."""
    newest = (item for item in reversed(at.history) if _came_after(item, lapse, at) and _tells(item, at))
    return [*islice(newest, 2)][::-1]


def _checked(at: Standing, lapse: Lapse) -> Iterator[tuple[Mark, Dated]]:
    """Marks by which a person answers for the content of a proven set that came after the lapse.

    When it was saved that person says, so here it is enough that it was first seen after the lapse.
    """
    checks = [mark for mark in at.facts.marks if mark.kind == "memory-checked"]
    if lapse.ended_at is None or not checks:
        return
    for item in at.history:
        came = item.set.first_seen > lapse.ended_at and item.set.path != lapse.before
        if not came or item.set.gone or item.refiled_from is not None or not can_carry(item.set, at.facts):
            continue
        for mark in checks:
            if mark.fingerprint == item.set.fingerprint and mark.at > lapse.ended_at:
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
    if proven and lapse.kind == "power-down" and not _was_there_before(at, lapse):
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


# Rules


def awaiting_proof(at: Standing, question: Question) -> Outcome:
    """After a lapse: hold or caution until a set that was saved later was compared with the one from before."""
    return Outcome(tuple(_awaiting(each, at, question) for each in accounts(at) if each.how == "awaits"))


def _awaiting(account: Account, at: Standing, question: Question) -> Finding:
    level: Level = "hold" if question.action in ("power-down", "memory-swap") else "caution"
    message, lifts = _waits_for(account, at)
    return finding("awaiting-proof", level, message, lifts, None, **_evidence(account.lapse, at))


def _evidence(lapse: Lapse, at: Standing) -> dict[str, object]:
    told: dict[str, object] = {
        "of": lapse.kind,
        "began_at": utc(lapse.began_at),
        "ended_at": utc(lapse.ended_at),
        "before": lapse.before,
        "fingerprint": lapse.fingerprint,
    }
    window = at.facts.window
    if lapse.kind == "memory-swap" and window is not None and window.began_at == lapse.began_at:
        told |= {"elapsed_s": seconds(window.elapsed), "limit_s": seconds(window.limit)}
    return told


def _waits_for(account: Account, at: Standing) -> tuple[str, str]:
    """What is awaited, and what to do about it."""
    arm, lapse, happened = at.facts.arm.id, account.lapse, _happened(account.lapse, at)
    save = f"look it through, save a backup of it, then run: guard look, and: guard prove --arm {arm}"
    if lapse.ended_at is None:
        return (
            f"{happened}, and nobody marked that its power is back: nobody knows yet whether its memory is whole.",
            f"Once {arm} is on, run: guard mark powered-on {arm} --at WHEN. Then {save}",
        )
    if account.after is not None and account.compared is not None:
        path = account.after.set.path
        message = (
            f"{happened}. The set {path} came after that and holds no log or other volatile file but those of"
            f" {lapse.before}: it may be a copy of that."
        )
        known = f"Or, where a person knows that it was saved since and finds all of it right: {_check(arm, path)}"
        return message, f"Power {arm} on, {save}. {known}"
    if account.after is not None:
        before = (
            "No complete set from before it is known" if lapse.before is None else f"Of {lapse.before} no list is left"
        )
        return (
            f"{happened}. {before}, so {account.after.set.path} cannot be compared with what was there.",
            f"Look {arm} through. Where a person finds all of it right: {_check(arm, account.after.set.path)}",
        )
    message = (
        f"{happened}, and no set saved since then carries the answer: nobody knows yet whether the memory is whole."
    )
    lifts = f"Power {arm} on, {save}"
    near = _near_miss(at, lapse)
    if near is None:
        return message, lifts
    return f"{message} {_why_earlier(near, lapse)}", (
        f"{lifts}. Where the names of sets tell only the day, a set counts as saved at midnight: save it under a name"
        f" that tells the time too. Or, where a person knows that {near.set.path} was saved after it and finds all of"
        f" it right: {_check(arm, near.set.path)}"
    )


def _check(arm: str, path: str) -> str:
    return f"guard mark memory-checked {arm} --set {quoted(path)} --by NAME --note WHY"


def _happened(lapse: Lapse, at: Standing) -> str:
    arm, window = at.facts.arm.id, at.facts.window
    if lapse.kind == "power-down":
        if lapse.ended_at is None:
            return f"{arm} was powered down {in_words(at.facts.as_of - lapse.began_at)} ago, as was marked"
        return f"{arm} was without power for {in_words(lapse.ended_at - lapse.began_at)}, as was marked"
    if window is None or window.began_at != lapse.began_at:
        return f"The memory cell of {arm} was changed"
    over = "" if window.elapsed <= window.limit else f", {in_words(window.elapsed - window.limit)} over the limit"
    return f"The memory cell of {arm} was changed (it was out for {in_words(window.elapsed)}{over})"


def _near_miss(at: Standing, lapse: Lapse) -> Dated | None:
    """The newest set that came after the lapse, and counts as saved before it or at no known time."""
    for item in reversed(at.history):
        seen = item.set.first_seen
        if item.set.path == lapse.before or item.set.gone or not is_complete(item.set):
            continue
        if lapse.ended_at is not None and seen > lapse.ended_at:
            return None if _came_after(item, lapse, at) else item
    return None


def _why_earlier(item: Dated, lapse: Lapse) -> str:
    path, captured, ended = item.set.path, item.captured_at, lapse.ended_at
    if item.clock_doubt is not None or captured is None or ended is None:
        return f"The set {path} came after that, but when it was saved cannot be told: {item.clock_doubt or 'no time'}."
    if item.refiled_from is not None:
        return f"The set {path} came after that, but it is the older {item.refiled_from} filed again."
    by = "the stamp in its name" if captured == item.set.stamp else "the times of its files"
    early = ended - captured
    return f"The set {path} came after that, but by {by} it was saved {in_words(early)} before."


def memory_differs(at: Standing, _question: Question) -> Outcome:
    """Hold where a set from after a lapse does not hold what the set from before it held."""
    return Outcome(tuple(_differing(each, at) for each in accounts(at) if each.how == "differs"))


def _differing(account: Account, at: Standing) -> Finding:
    lapse, after, found = account.lapse, account.after, account.compared
    path = after.set.path if after else ""
    parts = in_order(found.parts if found else ())
    message = (
        f"{_happened(lapse, at)}, and the memory is not what it was: {path} differs from {lapse.before or 'the set before'}."
        f" {' '.join(map(told, parts))}"
    )
    return finding(
        "memory-differs",
        "hold",
        message,
        " ".join(step if step.endswith(".") else f"{step}." for step in _after_a_difference(account, at)),
        None,
        **_evidence(lapse, at),
        after=path,
        after_fingerprint=after and after.set.fingerprint,
        parts=[{**each._asdict(), "names": list(each.names)} for each in parts],
    )


def _after_a_difference(account: Account, at: Standing) -> list[str]:
    """What to check, which set to restore, and what ends it, step by step."""
    arm, lapse = at.facts.arm.id, account.lapse
    path = account.after.set.path if account.after else ""
    moved = account.compared is not None and any(each.part == AXIS_ZERO for each in account.compared.parts)
    re_zeroed = f" and: guard mark re-zeroed {arm} --at WHEN" if moved else ""
    restore = to_restore(at, lapse.before, lapse.fingerprint, lapse.began_at)
    return [
        f"Let nobody move {arm} before this is settled: check programs, settings and axis positions at the machine.",
        f"What differs: guard compare {quoted(lapse.before or lapse.fingerprint or '')} {quoted(path)}",
        f"{restore} Then save a backup, and run: guard look, and: guard prove --arm {arm}",
        f"If people made every difference themselves: {_check(arm, path)}{re_zeroed}",
    ]


def in_order(parts: Iterable[PartDifference]) -> list[PartDifference]:
    """Parts as they are told: axis zero references first, files of no part last."""
    return sorted(parts, key=lambda each: (each.part != AXIS_ZERO, each.part == NO_PART))


def told(part: PartDifference) -> str:
    """How one part differs, in one sentence."""
    counts = ((part.removed, "missing"), (part.changed, "changed"), (part.added, "added"))
    what = ", ".join(f"{count} {word}" for count, word in counts if count)
    more = part.removed + part.changed + part.added - len(part.names)
    names = ", ".join(part.names) + (f" and {more} more" if more > 0 else "")
    if part.part == AXIS_ZERO:
        return f"WARNING: axis-zero: {what} ({names}): the arm may move elsewhere than taught, and people can be hurt."
    return f"NOTICE: {part.part or 'files of no part'}: {what} ({names})."


def after_the_change(facts: ArmFacts) -> list[str]:
    """What to do while the memory has to be proven, step by step; first where it differs."""
    at, arm = standing(facts), facts.arm.id
    found = accounts(at)
    differing = [step for each in found if each.how == "differs" for step in _after_a_difference(each, at)]
    waiting = [_waits_for(each, at)[1] for each in found if each.how == "awaits"]
    if differing or not waiting:
        return list(dict.fromkeys((*differing, *waiting)))
    steps = [
        f"Close up and power {arm} on as the site's energy control procedure says.",
        "Before anything moves: look whether programs, settings and axis positions are all there.",
        *dict.fromkeys(waiting),
    ]
    before = [each.lapse.before for each in found if each.lapse.before is not None]
    if before:
        steps.append(f"It is then compared with {before[-1]}. To see how: guard compare {quoted(before[-1])} SET")
    window = window_in_question(facts)
    if window is not None and window.elapsed > window.limit:
        steps.append(to_restore(at, window.rests_on, window.fingerprint, window.began_at))
    return steps
