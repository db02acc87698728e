"""The rules about what else is planned on the arm: power that must stay on, and events that contradict each other. Pure.

An event counts from its start up to its end, which is outside; what is asked about likewise.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from datetime import datetime

from guard.model import BY_HAND, POWER_OFF, Action, ArmFacts, Finding, Level, PlannedEvent, Question
from guard.rules.cells import is_out
from guard.rules.evidence import MICROSECOND, earlier, later, utc
from guard.rules.findings import SILENT, Outcome, finding
from guard.rules.standing import Standing
from guard.rules.window import needed_before
from guard.units import in_words

CONTRADICTING: dict[Action, tuple[Action, ...]] = {
    # A long time off leaves nothing to carry the memory while its cell is out, and a visit begins with a
    # backup and a run-in (common practice, no source). A change of cells within a visit is as it should be.
    "power-down": ("memory-swap", "service-visit"),
    "memory-swap": ("power-down",),
    "service-visit": ("power-down",),
    "position-swap": (),
}

MOST_NAMED = 3
"""So many events are named in a message; all of them stand in its evidence."""


def power_must_stay_on(at: Standing, question: Question) -> Outcome:
    """Hold where position cells would be changed while the power is known, or planned, to be off."""
    planned = _planned_off(at, question)
    return Outcome((*_known_off(at, question), *planned.findings), planned.turns_at)


def _known_off(at: Standing, question: Question) -> Iterator[Finding]:
    arm, powered = at.facts.arm.id, at.facts.powered
    if question.action == "position-swap" and powered.on is False:
        message = f"{arm} is known to be off ({powered.source or 'no source'}); its position cells are changed with the power on."
        lifts = (
            f"Power {arm} on as the site's energy control procedure says, then record it: guard mark powered-on {arm}"
        )
        yield finding("power-must-stay-on", "hold", message, lifts, on=False, since=utc(powered.since), events=[])


def _planned_off(at: Standing, question: Question) -> Outcome:
    arm, swaps_position = at.facts.arm.id, question.action == "position-swap"
    if not swaps_position and question.action not in POWER_OFF:
        return SILENT
    kinds: Collection[Action] = POWER_OFF if swaps_position else ("position-swap",)
    others = [event for event in at.facts.events if event.kind in kinds and arm in event.arms]
    clashing, turns = _overlapping(others, question)
    if not clashing:
        return Outcome((), turns)
    if swaps_position:
        message = f"The position cells of {arm} would be changed while its power is planned to be off: {_named(clashing, question)}."
    else:
        message = f"The power of {arm} would be off while its position cells are planned to be changed: {_named(clashing, question)}."
    lifts = (
        "Plan the change of the position cells for a time at which the power is on, before or after it. How work is done"
        " with the power on is up to the site's energy control procedure."
    )
    return Outcome((_finding("power-must-stay-on", "hold", message, lifts, clashing, turns),), turns)


def off_before_a_swap(at: Standing, question: Question) -> Outcome:
    """Caution where a planned power-down is over so short a time before a change of the memory cell that its capacitor is not charged.

    One that is over already counts too, unless the power is known to have come on since it began: nobody said that it
    was not done.
    """
    arm = at.facts.arm.id
    if question.action != "memory-swap" or is_out(at):
        return SILENT
    needed = needed_before(at.facts)
    if needed is None:
        return SILENT  # no time on is long enough, and that is told
    short, moments = [], []
    for event in at.facts.events:
        over = later(event.start, max(event.off_for, MICROSECOND))
        if event.kind != "power-down" or arm not in event.arms or over is None or _came_on_since(event, over, at.facts):
            continue
        enough = later(over, needed)
        moments.append(over if question.at < over else enough)
        if over <= question.at and (enough is None or question.at < enough):
            short.append(event)
    turns = min((moment for moment in moments if moment is not None and moment > question.at), default=None)
    if not short:
        return Outcome((), turns)
    message = f"By what is planned {arm} is on for too short a time before: {_named(short, question)}; {in_words(needed)} are needed."
    lifts = f"Plan the change for later, so that {arm} is on for {in_words(needed)} before it, or drop what is not done: guard event drop ID."
    return Outcome((_finding("not-powered-long-enough", "caution", message, lifts, short, turns),), turns)


def _came_on_since(event: PlannedEvent, over: datetime, facts: ArmFacts) -> bool:
    since = facts.powered.since if facts.powered.on else None
    return over <= facts.as_of and since is not None and since > event.start


def event_conflict(at: Standing, question: Question) -> Outcome:
    """Caution where what is planned on the arm at the same time contradicts it, or is the same in another length.

    Two events of one kind are told only where one of them is judged: who asks about a power-down that
    is planned already asks about just that.
    """
    kinds, own = CONTRADICTING[question.action], _own(at, question)
    here = [event for event in at.facts.events if at.facts.arm.id in event.arms]
    others = [event for event in here if event.kind in kinds or (own is not None and _differs(event, own))]
    clashing, turns = _overlapping(others, question)
    if not clashing:
        return Outcome((), turns)
    message = f"At the same time something is planned on {at.facts.arm.id} that does not go with a {question.action}: {_named(clashing, question)}."
    lifts = "Move one of them, or plan both as one; an event that is wrong is dropped with: guard event drop ID, or changed in its calendar."
    return Outcome((_finding("event-conflict", "caution", message, lifts, clashing, turns),), turns)


def one_person_twice(at: Standing, question: Question) -> Outcome:
    """Caution where who shall do what is judged is planned to work on other arms at the same time."""
    own, arm = _own(at, question), at.facts.arm.id
    if own is None:
        return SILENT
    others = [event for event in at.facts.events if _shared(event, own) and not set(event.arms) & set(own.arms)]
    clashing, turns = _overlapping(others, question)
    if not clashing:
        return Outcome((), turns)
    people = sorted({person for event in clashing for person in _shared(event, own)})
    message = f"{', '.join(people)} cannot be at {arm} and elsewhere at the same time: {_named(clashing, question)}."
    lifts = "Move one of them, or have somebody else do it; people are named by guard event add --person, or in the calendar."
    return Outcome((_finding("event-conflict", "caution", message, lifts, clashing, turns),), turns)


def _own(at: Standing, question: Question) -> PlannedEvent | None:
    """The planned event that is judged; None where somebody asks."""
    return next((event for event in at.facts.events if event.id == question.event and event.id), None)


def _shared(event: PlannedEvent, own: PlannedEvent) -> set[str]:
    if event.kind not in BY_HAND or own.kind not in BY_HAND:
        return set()
    return set(event.people) & set(own.people)


def _differs(event: PlannedEvent, own: PlannedEvent) -> bool:
    """Whether it is another event of the same kind that says something else of its time."""
    return event.kind == own.kind and (event.start, event.off_for) != (own.start, own.off_for)


def _finding(
    code: str, level: Level, message: str, lifts: str, clashing: Sequence[PlannedEvent], turns: datetime | None
) -> Finding:
    return finding(code, level, message, lifts, turns, events=[event.id for event in clashing])


def _named(events: Sequence[PlannedEvent], question: Question) -> str:
    """The first few events, each with how far its start is from the time asked about: a rule knows no zone."""
    named = [
        f"{event.id}, {event.kind}{f' ({event.title})' if event.title else ''}, {_begins(event.start, question.at)}"
        for event in events[:MOST_NAMED]
    ]
    more = [f"{len(events) - MOST_NAMED} more"] if len(events) > MOST_NAMED else []
    return "; ".join([*named, *more])


def _begins(start: datetime, at: datetime) -> str:
    if start == at:
        return "which begins at the same time"
    return f"which begins {in_words(start - at)} {'later' if start > at else 'earlier'}"


def _overlapping(events: Sequence[PlannedEvent], question: Question) -> tuple[list[PlannedEvent], datetime | None]:
    """The events at the time asked about, and the next moment at which asking would find others."""
    clashing, moments = [], []
    lasts = max(question.off_for, MICROSECOND)
    end = later(question.at, lasts)
    for event in events:
        if event.id == question.event and event.id:
            continue
        over = later(event.start, max(event.off_for, MICROSECOND))
        if over is not None and question.at >= over:
            continue
        if end is None or end > event.start:
            clashing.append(event)
            moments.append(over)
        else:
            moments.append(earlier(event.start, lasts - MICROSECOND))
    return clashing, min((moment for moment in moments if moment is not None and moment > question.at), default=None)
