"""What to do in the morning, in order: from the verdicts, for people. Pure.

Worst first; among equals what is needed soonest. Arms for which the same is to be done stand
together, and what would help no event yet is left for the morning on which it does.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime, timedelta

from guard.model import Finding, Level, PlannedEvent, Verdict, rank
from guard.plan.campaign import CELL_WORK, SAVING_LIFTS
from guard.plan.events import LAST_MOMENT
from guard.plant import Arm
from guard.record import Record
from guard.rules.findings import EXPLANATIONS
from guard.tell.told import Lot, Step

SOON = timedelta(hours=36)
"""What turns by itself within this time is to be done now: the next report may come too late for it."""

NEXT_REPORT = timedelta(hours=24)

BY_AGE = ("stale-backup", "not-read-back", "restore-test-due")
"""What is found because something will be too old by then. Renewing it helps only from one limit before on."""


ONLY_BY_THE_PLAN = ("event-conflict",)
"""Cautions that a verdict as of now does not have, so that nobody would hear of them before the event begins."""

CELL_OUT = ("window-open", "window-closing", "window-over")
"""The clock of a swap runs: nothing else is as urgent, and what a later event says of it is the same once more."""

MEMORY_DIFFERS = "memory-differs"
"""The arm may move elsewhere than taught as soon as somebody moves it."""


class Want(Record):
    """A finding of one arm that asks for something to be done; ``now`` tells that it is so already."""

    arm: str
    level: Level
    code: str
    remedy: str
    message: str
    due: datetime | None = None
    not_before: datetime | None = None
    event: str = ""
    now: bool = False
    hours: float = 0.0
    """Hours of work expected to be lost on the arm if nothing is done."""


def wants_now(verdict: Verdict) -> Iterator[Want]:
    """What the verdict as of now asks for. What somebody answers for asks for nothing."""
    for found in _open(verdict):
        yield Want(verdict.arm, found.level, found.code, found.remedy, found.message, now=True, hours=_hours(verdict))


def wants_soon(verdict: Verdict, then: Verdict, now: datetime) -> Iterator[Want]:
    """What will be asked for when the verdict turns for the worse, where that is soon; ``then`` is judged at the turn."""
    turns = verdict.holds_until
    if turns is None or turns > now + SOON or rank(then.level) <= rank(verdict.level):
        return
    for found in _open(then):
        if rank(found.level) > rank(verdict.level):
            what = verdict.arm, found.level, found.code, found.remedy, found.message
            yield Want(*what, due=turns, hours=_hours(then))


def wants_for_event(
    verdict: Verdict, event: PlannedEvent, now: datetime, save_by: datetime | None = None
) -> Iterator[Want]:
    """What blocks a planned event on an arm, or contradicts it in the plan, and can be done by the next morning.

    What a backup lifts is due at ``save_by``, and so is the change of a cell, which comes before it.
    """
    for found in _open(verdict):
        if found.code in CELL_OUT:
            continue
        first = _helps_from(found, event)
        blocks = rank(found.level) >= rank("unknown") or found.code in ONLY_BY_THE_PLAN
        if not blocks or (first is not None and first > now + NEXT_REPORT):
            continue
        not_before = first if first is not None and first > now else None
        what = verdict.arm, found.level, found.code, found.remedy, found.message
        due = save_by if save_by is not None and found.code in SAVING_LIFTS | CELL_WORK else event.start
        yield Want(*what, due, not_before, named(event), hours=_hours(verdict))


def too_early(verdict: Verdict, event: PlannedEvent, now: datetime) -> bool:
    """Takes as proof that all that blocks the event on an arm is an age that nothing done by now would mend."""
    blocking = [found for found in _open(verdict) if rank(found.level) >= rank("unknown")]
    return bool(blocking) and all(
        (first := _helps_from(found, event)) is not None and first > now for found in blocking
    )


def named(event: PlannedEvent) -> str:
    """An event in a few words."""
    return f"{event.kind}: {event.title}" if event.title else event.kind


def _hours(verdict: Verdict) -> float:
    return verdict.loss.expected_h if verdict.loss else 0.0


def _open(verdict: Verdict) -> Iterator[Finding]:
    return (found for found in verdict.findings if found.signed_off is None and found.level != "clear")


def _helps_from(found: Finding, event: PlannedEvent) -> datetime | None:
    limit = found.evidence.get("limit_s")
    if found.code not in BY_AGE or not isinstance(limit, int | float):
        return None
    try:
        return event.start - timedelta(seconds=limit)
    except OverflowError:
        return None


def steps(wants: Iterable[Want], arms: Mapping[str, Arm]) -> tuple[Step, ...]:
    """The wants as one list: what is the same for several arms stands once, worst first, soonest first."""
    groups: dict[tuple[Level, str], list[Want]] = {}
    for want in _merged(wants):
        groups.setdefault((want.level, _for_any_arm(want)), []).append(want)
    return in_order(_step(group, arms) for group in groups.values())


def in_order(todo: Iterable[Step]) -> tuple[Step, ...]:
    """Steps as they are to be done: worst first; a cell that is out, then a memory that is not what it was, before all else.

    Then what is so already, what is needed soonest, where most is at stake.
    """
    return tuple(sorted(todo, key=_place))


def _place(step: Step) -> tuple[int, int, bool, datetime, float, int, str]:
    already = not step.lots or any(lot.now for lot in step.lots)
    urgent = 0 if not set(step.codes).isdisjoint(CELL_OUT) else 1 if MEMORY_DIFFERS in step.codes else 2
    return -rank(step.level), urgent, not already, step.due or LAST_MOMENT, -step.hours, -step.arms, step.text


def _merged(wants: Iterable[Want]) -> Iterable[Want]:
    """Each arm's remedy once, at its worst level, with the earliest time by which it is needed.

    What must wait for a time to help an event stays beside what helps at once.
    """
    found: dict[tuple[str, str, bool], Want] = {}
    for want in wants:
        key = want.arm, want.remedy, want.not_before is not None
        before = found.setdefault(key, want)
        if before is not want:
            found[key] = _both(before, want)
    return found.values()


def _both(one: Want, other: Want) -> Want:
    worse, soonest = max(one, other, key=lambda want: rank(want.level)), min(one, other, key=_when)
    waits = max((each.not_before for each in (one, other) if each.not_before is not None), default=None)
    if waits is not None and soonest.due is not None and waits > soonest.due:
        waits = soonest.not_before  # no one time is right for both; the later one is for the next morning
    return worse._replace(
        due=soonest.due,
        event=soonest.event,
        not_before=waits,
        now=one.now or other.now,
        hours=max(one.hours, other.hours),
    )


def _when(want: Want) -> tuple[bool, float]:
    return want.due is None, 0.0 if want.due is None else want.due.timestamp()


def _for_any_arm(want: Want) -> str:
    """The remedy with the arm left open, so that it reads the same for each."""
    before, command, after = want.remedy.partition("guard ")
    itself = rf"(?<![\w./-]){re.escape(want.arm)}(?![\w/-]|\.\w)"
    return re.sub(itself, "each arm", before) + command + re.sub(itself, "ARM", after)


def _step(group: list[Want], arms: Mapping[str, Arm]) -> Step:
    several = len({want.arm for want in group}) > 1
    text = _for_any_arm(group[0]) if several else group[0].remedy
    codes = tuple(dict.fromkeys(want.code for want in group))
    titles = [EXPLANATIONS[code].title for code in codes if code in EXPLANATIONS]
    why = "; ".join(titles) if several else group[0].message
    due = min((want.due for want in group if want.due is not None), default=None)
    return Step(group[0].level, text, why, codes, _lots(group, arms), due, sum(_at_stake(group).values()))


def _at_stake(wants: Iterable[Want]) -> dict[str, float]:
    """The hours at stake on each arm, once for each."""
    hours: dict[str, float] = {}
    for want in wants:
        hours[want.arm] = max(hours.get(want.arm, 0.0), want.hours)
    return hours


def _lots(group: list[Want], arms: Mapping[str, Arm]) -> tuple[Lot, ...]:
    sizes: dict[str, int] = {}
    for arm in arms.values():
        sizes[arm.area] = sizes.get(arm.area, 0) + 1
    lots: dict[tuple[object, ...], list[Want]] = {}
    in_area: dict[str, float] = {}
    for name, hours in _at_stake(group).items():
        in_area[arms[name].area] = in_area.get(arms[name].area, 0.0) + hours

    def place(want: Want) -> tuple[object, ...]:
        area = arms[want.arm].area
        return not want.now, *_when(want), -in_area[area], area, -want.hours, want.arm

    for want in sorted(group, key=place):
        # What turns by itself soon turns for each arm at a minute of its own: the first of them will do for all.
        due = want.due if want.event else None
        lots.setdefault((arms[want.arm].area, want.event, due, want.not_before, want.now), []).append(want)
    return tuple(_lot(members, arms, sizes) for members in lots.values())


def _lot(wants: list[Want], arms: Mapping[str, Arm], sizes: Mapping[str, int]) -> Lot:
    first, names = wants[0], tuple(want.arm for want in wants)
    area = arms[first.arm].area
    waits = [want.not_before for want in wants if want.not_before is not None]
    not_before = max(waits) if len(waits) == len(wants) else None
    return Lot(area, names, len(names) == sizes[area], first.now, first.due, not_before, first.event)
