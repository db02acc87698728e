"""Which old sets may go, and which must never: grandfather-father-son by our own definition. Pure.

The newest complete set of each of the last N days, ISO weeks, months and years that have one, in
the plant's zone, stands for that period. Tiers add up: a set that stands for a day does not use
up a month's slot. The oldest set fills the last open yearly slot. Whatever the tiers say, what a
verdict speaks of and what somebody relied on is never released.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterable, Iterator, Sequence
from datetime import date, datetime, timedelta, tzinfo

from guard.digest import text_digest
from guard.lapses import Lapse
from guard.model import ArmFacts, BackupSet, Form, SwapWindow
from guard.record import Record
from guard.rules.capture import Dated, believable
from guard.rules.lapses import OPEN, accounts
from guard.rules.share import doubt
from guard.rules.standing import Standing, can_carry, is_another_arms, is_complete, is_damaged, standing
from guard.times import shown
from guard.units import in_words


class Schedule(Record):
    """How many periods of each tier keep a set, and which sets stay whatever the tiers say."""

    all_for: timedelta
    daily: int
    weekly: int
    monthly: int
    yearly: int
    at_least: int


class Claim(Record):
    """Somebody relied on a set, or wants it kept: the one at this path, or with this content."""

    path: str | None
    fingerprint: str | None
    reason: str


class Decision(Record):
    """What becomes of one set: all the reasons that keep it, or the one rule that let it go."""

    arm: str
    path: str
    form: Form
    fingerprint: str | None
    captured_at: datetime | None
    bytes: int
    keep: bool
    reasons: tuple[str, ...]


def identity(decisions: Iterable[Decision]) -> str:
    """What tells one plan from another: which sets it keeps and which it releases, with their content."""
    told = [(each.arm, each.path, each.form, each.keep or each.fingerprint or "") for each in decisions]
    return text_digest(repr(sorted(told, key=repr)))[:16]


def decisions(facts: ArmFacts, schedule: Schedule, zone: tzinfo, claims: Sequence[Claim] = ()) -> tuple[Decision, ...]:
    """What becomes of each set of an arm that is there, the oldest first.

    Takes as proof that a set may go: the share is the right one and was read, a newer set carries
    answers, and nothing below finds a reason to keep it.
    """
    place = standing(facts)
    present = [item for item in place.history if not item.set.gone]
    in_doubt = doubt(place)
    if in_doubt is not None:
        return tuple(_decision(facts, item, [in_doubt.message]) for item in present)
    sound = _sound(present, facts)
    tiers = _Tiers(sound, schedule, zone)
    edits = _before_edits(present, sound, facts, zone)
    judged = {id(item) for item in place.judged}
    wanted = _Claims((*_relied_on(facts, zone), *_to_be_compared(place), *claims))
    result = []
    for item in present:
        reasons = [
            *_never(item, place, judged),
            *wanted.reasons(item),
            *edits.get(id(item), ()),
            *_for_a_while(item, facts.as_of, schedule.all_for),
            *tiers.reasons(item),
        ]
        released = () if reasons else (_why_released(item, sound, tiers),)
        result.append(_decision(facts, item, reasons, released))
    return tuple(result)


def _decision(facts: ArmFacts, item: Dated, reasons: Sequence[str], released: tuple[str, ...] = ()) -> Decision:
    backup = item.set
    return Decision(
        facts.arm.id, backup.path, backup.form, backup.fingerprint, item.captured_at, backup.bytes,
        bool(reasons), tuple(reasons) or released,
    )  # fmt: skip


def _never(item: Dated, place: Standing, judged: set[int]) -> Iterator[str]:
    backup, facts = item.set, place.facts
    if item is place.resting:
        yield "newest set that is complete and was read back: answers rest on it"
    elif id(item) in judged:
        yield (
            "no complete set of this arm was read back yet"
            if place.resting is None
            else f"not older than {place.resting.set.path}, on which answers rest"
        )
    if backup.checked is None:
        yield "not settled and read yet"
    if is_damaged(backup):
        yield "damaged: it is evidence"
    if is_another_arms(backup, facts):
        yield "another arm's, or with another arm's content: a person must say which is right"
    if backup.trouble is not None:
        yield f"it cannot be read: {backup.trouble}"
    if item.captured_at is None or not believable(backup.first_seen, facts.as_of):
        yield "its capture time cannot be believed"


def _for_a_while(item: Dated, as_of: datetime, all_for: timedelta) -> Iterator[str]:
    if item.captured_at is not None and as_of - item.captured_at <= all_for:
        yield f"saved within the last {in_words(all_for)} (all-for)"


def _relied_on(facts: ArmFacts, zone: tzinfo) -> Iterator[Claim]:
    for each in facts.sign_offs:
        reason = f"{each.by} signed off {each.code} of it on {shown(each.at, zone)}"
        yield from (Claim(path, None, reason) for path in _paths_in(each.subject or ""))
    window = facts.window
    if window is not None:
        yield rested_on(window, zone)


def _paths_in(subject: str) -> Iterator[str]:
    """Every path that what a sign-off is about may begin with: a path, too, may hold what stands between two things."""
    things = subject.removeprefix("set: ").split("; ")
    return ("; ".join(things[: number + 1]) for number in range(len(things)))


def _to_be_compared(place: Standing) -> Iterator[Claim]:
    """As long as a memory is not proven to be whole, the set that tells what was in it is kept, and all that came since.

    So is the set that proves it, until the ledger does.
    """
    for account in accounts(place):
        lapse = account.lapse
        if account.how in OPEN:
            reason = f"the memory was not proven since the {lapse.kind}"
            yield Claim(lapse.before, lapse.fingerprint, reason)
            yield from (Claim(each.path, each.fingerprint, reason) for each in _restorable(place, lapse))
            since = [item.set for item in place.history if lapse.ended_at and item.set.first_seen > lapse.ended_at]
            yield from (Claim(each.path, each.fingerprint, reason) for each in since)
        elif account.after is not None:
            proof = account.after.set
            yield Claim(
                proof.path, proof.fingerprint, f"it proves the memory since the {lapse.kind}; the ledger does not yet"
            )


def _restorable(place: Standing, lapse: Lapse) -> Iterator[BackupSet]:
    """What would be restored where the set from before a lapse is damaged: the newest proven ones that are older."""
    older = [
        item
        for item in place.history
        if item.captured_at is not None and item.captured_at <= lapse.began_at and not item.set.gone
    ]
    proven = [item.set for item in older if can_carry(item.set, place.facts)]
    yield from proven[-1:]
    yield from [each for each in proven if each.first_seen <= lapse.began_at][-1:]


def rested_on(window: SwapWindow, zone: tzinfo) -> Claim:
    """What a change of a memory cell rested on is kept."""
    return Claim(window.rests_on, window.fingerprint, f"the memory swap of {shown(window.began_at, zone)} rested on it")


class _Claims:
    def __init__(self, claims: Sequence[Claim]) -> None:
        self._by_path: dict[str, list[Claim]] = {}
        self._by_content: dict[str, list[Claim]] = {}
        for claim in claims:
            if claim.path is not None:
                self._by_path.setdefault(claim.path, []).append(claim)
            if claim.fingerprint is not None:
                self._by_content.setdefault(claim.fingerprint, []).append(claim)

    def reasons(self, item: Dated) -> Iterator[str]:
        by_content = self._by_content.get(item.set.fingerprint or "", ())
        yield from dict.fromkeys(claim.reason for claim in (*self._by_path.get(item.set.path, ()), *by_content))


# Which sets stand for periods


def _age(item: Dated) -> tuple[datetime | None, bool, datetime, str, str]:
    """Orders dated sets by age; of an original and its refiled copy the original counts as the newer one."""
    return (item.captured_at, item.refiled_from is None, item.set.first_seen, item.set.path, item.set.form)


def _sound(present: list[Dated], facts: ArmFacts) -> list[Dated]:
    """The sets that can stand for a period, the newest first.

    Each is complete and nothing about it is in doubt; a backup that was filed again stands once.
    """
    found: dict[tuple[str, str], Dated] = {}
    for item in sorted((item for item in present if item.captured_at is not None), key=_age, reverse=True):
        backup = item.set
        if is_complete(backup) and not (is_damaged(backup) or is_another_arms(backup, facts) or backup.trouble):
            content = _content(backup) if facts.recipe.volatile else None
            found.setdefault(("", content) if content else (backup.path, backup.form), item)
    return list(found.values())


def _content(backup: BackupSet) -> str | None:
    return backup.essence or backup.fingerprint


def _day(local: date) -> str:
    return f"{local.year:04}-{local.month:02}-{local.day:02}"


def _week(local: date) -> str:
    year, week, _ = local.isocalendar()
    return f"{year:04}-W{week:02}"


def _month(local: date) -> str:
    return f"{local.year:04}-{local.month:02}"


def _year(local: date) -> str:
    return f"{local.year:04}"


class _Tier(Record):
    key: str
    noun: str
    period: Callable[[date], str]
    slots: int
    filled: dict[str, Dated]


class _Tiers:
    """Which set stands for which period: the newest of each, in as many periods as the tier has slots."""

    def __init__(self, sound: list[Dated], schedule: Schedule, zone: tzinfo) -> None:
        self._zone = zone
        self._tiers = (
            _Tier("daily", "day", _day, schedule.daily, {}),
            _Tier("weekly", "week", _week, schedule.weekly, {}),
            _Tier("monthly", "month", _month, schedule.monthly, {}),
            _Tier("yearly", "year", _year, schedule.yearly, {}),
        )
        self._reasons: dict[int, list[str]] = {}
        self._periods: dict[int, tuple[str, ...]] = {}
        for item in sound:
            self._place(item)
        for number, item in enumerate(sound[: schedule.at_least], 1):
            self._add(item, f"number {number} of the {schedule.at_least} newest complete sets (at-least)")
        yearly = self._tiers[-1]
        if sound and len(yearly.filled) < schedule.yearly and sound[-1] not in yearly.filled.values():
            self._add(sound[-1], "oldest complete set: it fills the last open yearly slot (yearly)")

    def _place(self, item: Dated) -> None:
        captured = item.captured_at
        assert captured is not None  # noqa: S101 - only such a set is sound
        local = captured.astimezone(self._zone).date()
        periods = self._periods[id(item)] = tuple(tier.period(local) for tier in self._tiers)
        for tier, period in zip(self._tiers, periods, strict=True):
            if len(tier.filled) < tier.slots and period not in tier.filled:
                tier.filled[period] = item
                number = len(tier.filled)
                self._add(item, f"newest of {tier.noun} {period} ({tier.key}, {number} of {tier.slots})")

    def _add(self, item: Dated, reason: str) -> None:
        self._reasons.setdefault(id(item), []).append(reason)

    def reasons(self, item: Dated) -> Sequence[str]:
        """The periods that a set stands for, in words."""
        return self._reasons.get(id(item), ())

    def superseded(self, item: Dated) -> str | None:
        """For each tier, which set stands in this one's place, or that its period lies too far back.

        None where the set could stand for no period at all.
        """
        if id(item) not in self._periods:
            return None
        told = []
        for tier, period in zip(self._tiers, self._periods[id(item)], strict=True):
            if tier.slots == 0:
                continue
            there = tier.filled.get(period)
            told.append(
                f"{tier.noun} {period} lies beyond the last {tier.slots}"
                if there is None
                else f"{tier.noun} {period} has {there.set.path}"
            )
        return "; ".join(told) or "no tier has a slot"


def _why_released(item: Dated, sound: list[Dated], tiers: _Tiers) -> str:
    superseded = tiers.superseded(item)
    if superseded is not None:
        return superseded
    if is_complete(item.set):
        original = next(each for each in sound if _content(each.set) == _content(item.set))
        return f"the same backup as {original.set.path}, filed again"
    return "not complete, so it stands for no period, and answers rest on a newer set"


def _before_edits(present: list[Dated], sound: list[Dated], facts: ArmFacts, zone: tzinfo) -> dict[int, list[str]]:
    """The last set before each edit, and the last complete one where that is another.

    A set saved at the very moment of an edit may be from before it or after, so it is kept and the one before it too.
    """
    edits = sorted({mark.at for mark in facts.marks if mark.kind == "edit"})
    found: dict[int, list[str]] = {}
    for items in (present, sound) if edits else ():
        ordered = sorted((item for item in items if item.captured_at is not None), key=_age)
        times = [item.captured_at for item in ordered if item.captured_at is not None]
        for at in edits:
            reason = f"last set before the edit of {shown(at, zone)}"
            for number in {bisect_left(times, at), bisect_right(times, at)} - {0}:
                reasons = found.setdefault(id(ordered[number - 1]), [])
                if reason not in reasons:
                    reasons.append(reason)
    return found
