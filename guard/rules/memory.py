"""What is said of an arm's memory that is not proven after a lapse, and what to do about it. Pure."""

from __future__ import annotations

from collections.abc import Iterable

from guard.lapses import NO_PART, Lapse, PartDifference
from guard.model import ArmFacts, Finding, Level, Question
from guard.plant import AXIS_ZERO
from guard.rules.capture import Dated, believable
from guard.rules.evidence import seconds, utc
from guard.rules.findings import Outcome, finding
from guard.rules.lapses import Account, accounts, came_after, window_in_question
from guard.rules.standing import Standing, is_complete, standing
from guard.rules.window import to_restore
from guard.units import in_words, quoted


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
    if lapse.ended_at is None and not believable(lapse.began_at, at.facts.as_of):
        return (
            f"{happened}: nobody knows yet whether its memory is whole since then.",
            f"Record when it really was: guard ledger show, for the number N of that entry, then: guard mark --correct N --at WHEN. Then {save}",
        )
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
        if not believable(lapse.began_at, at.facts.as_of):
            return f"{arm} was marked powered-off at a time that cannot be: a clock was wrong"
        if lapse.ended_at is None:
            return f"{arm} was powered down {in_words(at.facts.as_of - lapse.began_at)} ago, as was marked"
        return f"{arm} was without power for {in_words(lapse.ended_at - lapse.began_at)}, as was marked"
    if not believable(lapse.began_at, at.facts.as_of):
        return f"A change of the memory cell of {arm} was marked for a time that cannot be: a clock was wrong"
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
            return None if came_after(item, lapse, at) else item
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
