"""The clock while a memory cell is out, and the rules about it. Pure.

Limits are inside: a cell that has been out for exactly the limit is not over it, and is one
microsecond later.
"""

from __future__ import annotations

import math
from datetime import datetime, timedelta

from guard.model import ArmFacts, BackupSet, Carried, Finding, Level, Question, SwapWindow
from guard.plant import HoldUp
from guard.record import Record
from guard.rules.capture import believable
from guard.rules.cells import is_of_memory_cell, is_out
from guard.rules.evidence import MICROSECOND, later, seconds, utc
from guard.rules.findings import SILENT, Outcome, finding
from guard.rules.standing import Standing, can_carry, is_complete, is_damaged
from guard.units import in_words

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Literal, Protocol

    class Reading(Protocol):
        """Both clocks at one moment, as `guard.clock.reading` gives them."""

        @property
        def wall(self) -> datetime:
            """The wall clock, which can be set forward and back."""

        @property
        def boot(self) -> str:
            """Which start of the computer it was; empty where the system does not tell."""

        @property
        def uptime_s(self) -> float:
            """Seconds since that start."""

    State = Literal["none", "open", "closing", "over", "awaiting-proof"]
else:
    State = str

TOLERANCE = timedelta(seconds=2)
"""Two clocks that differ by no more than this agree: a wall clock is set right by such steps all the time."""

NONE = timedelta()


class Checkpoint(Record):
    """A reading of both clocks, and how long the cell had been out by then."""

    wall: datetime
    boot: str
    uptime_s: float
    elapsed: timedelta


def elapsed(began: Reading, last: Checkpoint | None, now: Reading) -> tuple[timedelta, str | None]:
    """How long the cell has been out, and what is to be said where the clocks disagree.

    The longest of what any clock says counts, and it is never less than it was at the last
    checkpoint plus what has certainly passed since.
    """
    before = last or Checkpoint(began.wall, began.boot, began.uptime_s, NONE)
    by_wall = now.wall - began.wall
    counted = max(by_wall, before.elapsed + _passed_since(before, now), NONE)
    said = {"the wall clock": by_wall}
    if _is_same_start(began, now):
        said["the time for which this computer has been running"] = _span(now.uptime_s - began.uptime_s)
    name, least = min(said.items(), key=lambda item: item[1])
    if counted - least <= TOLERANCE:
        return counted, None
    minus = "minus " if least < NONE else ""
    return counted, (
        f"The clocks disagree: by {name} it is {minus}{in_words(least)}; the longer time, {in_words(counted)}, counts."
    )


def advance(began: Reading, last: Checkpoint | None, now: Reading) -> Checkpoint:
    """The checkpoint that comes of one more reading."""
    return Checkpoint(now.wall, now.boot, now.uptime_s, elapsed(began, last, now)[0])


def _passed_since(before: Checkpoint, now: Reading) -> timedelta:
    """What has certainly passed. After a restart: all that the computer has been running since, or more by the wall."""
    if _is_same_start(before, now):
        return max(_span(now.uptime_s - before.uptime_s), NONE)
    return max(_span(now.uptime_s), now.wall - before.wall)


def _is_same_start(before: Reading, now: Reading) -> bool:
    # Where the system does not tell its starts apart, a shorter time of running betrays a new one;
    # after one that is not betrayed, the difference is still less than what has passed.
    return before.boot == now.boot and (now.boot != "" or now.uptime_s >= before.uptime_s)


def _span(uptime_s: float) -> timedelta:
    return timedelta(seconds=uptime_s)


# For how long the cell may be out


class TimeOut(Record):
    """For how long a memory cell may be out: the configured limit, or the hold-up where that is shorter."""

    limit: timedelta
    hold_up: Carried | None = None


LONGEST = timedelta(days=36_525)
"""A hold-up of more than a hundred years is told as that."""

SHORTEST = timedelta(seconds=1)
"""A shorter hold-up is none."""


def time_out(facts: ArmFacts, at: datetime) -> TimeOut:
    """For how long the memory cell may be out if it is pulled at that moment.

    The capacitor is taken for empty when the power came on. Where it is not known how long ago
    that was, it is taken to be charged for as long as is asked for and no longer. From the last
    answer of its controller on it is taken to run down: before a cell is pulled the power goes off,
    and nobody saw when.
    """
    limit, held, powered = facts.limits.window, _capacitor(facts), facts.powered
    if held is None:
        return TimeOut(limit)
    since, off_for = _last_on_since(facts), NONE
    charged_for = facts.limits.powered_before
    if powered.on is False:
        off_for = LONGEST if powered.since is None else max(at - powered.since, NONE)
    elif since is not None and powered.on is None and powered.until is not None:
        charged_for, off_for = max(powered.until - since, NONE), max(at - powered.until, NONE)
    elif since is not None:
        if powered.until is not None and at <= facts.as_of:
            off_for = max(at - powered.until, NONE)
        charged_for = max(at - since - off_for, NONE)
    carried = _carried_for(facts, held, charged_for)
    lasts = max((carried - off_for) // SHORTEST * SHORTEST, NONE)
    source = None if since is None else powered.source
    return TimeOut(min(limit, lasts), Carried(lasts, charged_for, source, off_for))


def _carried_for(facts: ArmFacts, held: HoldUp, charged_for: timedelta) -> timedelta:
    """For how long a capacitor carries the memory once the power is off."""
    from guard.physics.hold_up import hold_up_s  # who configured no capacitor loads nothing for one

    carried_s = hold_up_s(held, charged_for.total_seconds(), facts.arm.ambient_c)
    return timedelta(seconds=min(carried_s, LONGEST.total_seconds()))


def _capacitor(facts: ArmFacts) -> HoldUp | None:
    return facts.recipe.hold_up if facts.arm.hold_up is None else facts.arm.hold_up


def is_by_hold_up(out: TimeOut | SwapWindow) -> bool:
    """Whether it is the capacitor that ends the time, and not the configured limit."""
    return out.hold_up is not None and out.hold_up.lasts <= out.limit


def limit_in_words(out: TimeOut | SwapWindow, hold_up: str = "hold-up of its capacitor") -> str:
    """For how long the cell may be out and, where a capacitor's figures are configured, which of the two says so."""
    if out.hold_up is None:
        return in_words(out.limit)
    return f"{in_words(out.limit)} ({hold_up if is_by_hold_up(out) else 'window.limit'})"


def why(out: TimeOut | SwapWindow) -> str | None:
    """What that time rests on; None where no capacitor's figures are configured."""
    held = out.hold_up
    if held is None:
        return None
    charged = f"charged for {in_words(held.charged_for)}, as is asked for: how long it was on before is not known"
    if held.source is not None:
        charged = f"charged for the {in_words(held.charged_for)} that it was on before ({held.source or 'no source'})"
    off = f"; it was off, or not seen on, for {in_words(held.off_for)} already" if held.off_for > NONE else ""
    carries = "carries" if is_by_hold_up(out) else "would carry"
    return f"The capacitor {carries} the memory for {in_words(held.lasts)} at worst, {charged}{off}."


# What a window is at a moment


def closing_from(window: SwapWindow, permille: int) -> timedelta:
    """From which time out on the window is closing."""
    return timedelta(microseconds=window.limit // MICROSECOND * permille // 1000)


def ticking(window: SwapWindow, permille: int, ahead: timedelta = NONE) -> tuple[State, timedelta | None]:
    """The state of an open window a while ahead of when it was read, and how long it then lasts."""
    out = window.elapsed + ahead
    closing = closing_from(window, permille)
    if out > window.limit:
        return "over", None
    if out >= closing:
        return "closing", window.limit - out + MICROSECOND
    return "open", closing - out


# Rules


def window_clock(at: Standing, question: Question) -> Outcome:
    """Hold while the memory cell is out: exactly one of window-open, window-closing and window-over."""
    window = at.facts.window
    if window is None or window.ended_at is not None:
        return SILENT
    ahead = question.at - at.facts.as_of
    now, lasts = ticking(window, at.facts.limits.closing_permille, ahead)
    turns = None if lasts is None else later(question.at, lasts)
    found = finding(
        f"window-{now}",
        "hold",
        _out(at.facts.arm.id, window, ahead),
        remedy(at, window, now, ahead),
        turns,
        began_at=utc(window.began_at),
        by=window.began_by,
        elapsed_s=max(seconds(window.elapsed + ahead), 0),
        limit_s=seconds(window.limit),
        restore=window.rests_on,
        fingerprint=window.fingerprint,
        disagree=window.disagree,
    )
    return Outcome((found,), turns)


def _out(arm: str, window: SwapWindow, ahead: timedelta) -> str:
    out = max(window.elapsed + ahead, NONE)
    by = f", begun by {window.began_by}" if window.began_by else ""
    opening = f"The memory cell of {arm} has been out for"
    if ahead > NONE:
        opening = f"If nobody ends the change, the memory cell of {arm} will then have been out for"
    over = f"; that is {in_words(out - window.limit)} over the limit" if out > window.limit else ""
    told = f"{opening} {in_words(out)} of {limit_in_words(window)}{over}{by}."
    return f"{told} {window.disagree}" if window.disagree else told


def remedy(at: Standing, window: SwapWindow, now: State, ahead: timedelta = NONE) -> str:
    """What to do while the cell is out; past the limit also which set to restore."""
    end = f"guard swap end {at.facts.arm.id} --by NAME"
    if now == "open":
        return f"Seat the new cell, then run: {end}"
    if now == "closing":
        left = in_words(window.limit - window.elapsed - ahead)
        return f"Seat the new cell within {left}, then run: {end}"
    return f"{seat_now(at.facts.arm.id)} {to_restore(at, window.rests_on, window.fingerprint, window.began_at)}"


def seat_now(arm: str) -> str:
    """What to do past the limit, before anything is restored."""
    return (
        f"Seat the new cell now, run: guard swap end {arm} --by NAME, and take the memory for lost until it was"
        " compared."
    )


def to_restore(at: Standing, path: str | None, fingerprint: str | None, until: datetime) -> str:
    """Which set to restore where the memory was lost from ``until`` on: the one from before, its equal, or the next best.

    A set that was saved later may hold what is left of the memory, so it is never named.
    """
    sound = [item.set for item in at.history if _can_be_restored(item.set, fingerprint)]
    if any(backup.path == path for backup in sound):
        return f"If the memory is lost, restore {path} (fingerprint {fingerprint}) as the machine maker's manual says."
    begun = f"The set from before, {path}, is not there unharmed. " if path else ""
    if sound:
        return f"{begun}If the memory is lost, restore its equal {sound[-1].path} (fingerprint {fingerprint})."
    older = [item for item in at.history if item.captured_at is not None and item.captured_at <= until]
    other = next((each.set for each in reversed(older) if not each.set.gone and can_carry(each.set, at.facts)), None)
    if other is None:
        return f"{begun}No set is proven to restore from: let nobody change the controller, and look for a copy."
    return f"{begun}If the memory is lost, restore {other.path} (fingerprint {other.fingerprint})."


def _can_be_restored(backup: BackupSet, fingerprint: str | None) -> bool:
    return backup.fingerprint == fingerprint and is_complete(backup) and not is_damaged(backup) and not backup.gone


def not_powered_long_enough(at: Standing, question: Question) -> Outcome:
    """Before a change of the memory cell: was the controller on for long enough to carry the memory meanwhile?"""
    if question.action != "memory-swap" or is_out(at):
        return SILENT  # while the cell is out the power is off, and the window says what counts
    arm, powered, needed = at.facts.arm.id, at.facts.powered, needed_before(at.facts)
    if needed is None:
        message = (
            f"By its figures the capacitor of {arm} carries the memory for no second, however long it was charged."
        )
        lifts = "Look after the hold-up table of the arm or its recipe in the configuration."
        return Outcome((_not_powered("hold", message, lifts, at, None),))
    lifts = (
        f"Keep {arm} powered for {in_words(needed)} right before. What the monitor does not see, record:"
        f" guard mark powered-on {arm} --at WHEN"
    )
    if powered.on is False:
        message = f"{arm} is known to be off ({powered.source or 'no source'}): what carries its memory runs down."
        return Outcome((_not_powered("hold", message, lifts, at, None),))
    since = _last_on_since(at.facts)
    if since is not None and powered.on is None and powered.until is not None:
        return _not_seen_on(at, question, since, powered.until, needed, lifts)
    if since is None:
        return _on_since_nobody_knows(at, question, needed, lifts)
    reached = later(since, needed)
    if reached is not None and question.at >= reached:
        if powered.on:
            return SILENT
        message = (
            f"{arm} was marked powered-on {in_words(needed)} before or longer, and {powered.source or 'no source'}."
        )
        return Outcome((_not_powered("caution", message, lifts, at, None),))
    on_for = max(question.at - since, NONE)
    tense = "will then have been" if question.at > at.facts.as_of else "has been"
    message = (
        f"{arm} {tense} on for {in_words(on_for)} ({powered.source or 'no source'}); {in_words(needed)} are needed."
    )
    return Outcome((_not_powered("hold", message, lifts, at, reached),), reached)


def _on_since_nobody_knows(at: Standing, question: Question, needed: timedelta, lifts: str) -> Outcome:
    """Hold while it is too short ago that the power was off for certain, for a change of the memory cell; then caution."""
    arm, powered, facts = at.facts.arm.id, at.facts.powered, at.facts
    ended = facts.window and facts.window.ended_at
    off_at = max([*_marked_changes(facts), *([ended] if ended else [])], default=None)
    reached = None if off_at is None else later(off_at, needed)
    if off_at is not None and reached is not None and question.at < reached:
        ago = in_words(max(question.at - off_at, NONE))
        message = f"The memory cell of {arm} was changed {ago} before, with the power off; {in_words(needed)} with the power on are needed."
        return Outcome((_not_powered("hold", message, lifts, at, reached),), reached)
    level: Level = "hold" if needed > facts.limits.powered_before else "caution"
    message = (
        f"For how long {arm} has been powered is not known{f' ({powered.source})' if powered.source else ''};"
        f" {in_words(needed)} before the change are needed."
    )
    return Outcome((_not_powered(level, message, lifts, at, None),))


def _not_seen_on(
    at: Standing, question: Question, since: datetime, until: datetime, needed: timedelta, lifts: str
) -> Outcome:
    """Where its controller answered and ceased to: caution while what the power charged until then carries the memory.

    It is silent just as its power goes off for the change. That it may be on proves no longer time on.
    """
    arm, held, on_for = at.facts.arm.id, _capacitor(at.facts), until - since
    ago = in_words(max(question.at - until, NONE))
    when = f"{ago} before that time" if question.at > at.facts.as_of else f"{ago} ago"
    seen = f"{arm} was last seen on {when} ({at.facts.powered.source or 'no source'})"
    if on_for < needed:
        message = f"{seen}, and had been on for {in_words(on_for)}; {in_words(needed)} are needed."
        return Outcome((_not_powered("hold", message, lifts, at, None),))
    ends = None if held is None else later(until, _carried_for(at.facts, held, on_for) - SHORTEST, MICROSECOND)
    if ends is not None and question.at >= ends:
        message = f"{seen}: if it went off then, its capacitor has run down."
        return Outcome((_not_powered("hold", message, lifts, at, None),))
    message = f"{seen}, after it had been on for {in_words(on_for)}: whether it is on is not known."
    return Outcome((_not_powered("caution", message, lifts, at, ends),), ends)


def needed_before(facts: ArmFacts) -> timedelta | None:
    """For how long the power must be on before: as configured, and so that a capacitor is charged by half.

    That is so that it carries the memory for half of what it does fully charged, or for as long as the cell may be
    out at most (common practice, no source). None where it never carries it at all.
    """
    held = _capacitor(facts)
    if held is None:
        return facts.limits.powered_before
    from guard.physics.hold_up import charging_s, hold_up_s

    full_s = hold_up_s(held, math.inf, facts.arm.ambient_c)
    if full_s < SHORTEST.total_seconds():
        return None
    wanted_s = max(min(full_s / 2, facts.limits.window.total_seconds()), SHORTEST.total_seconds())
    charging = charging_s(held, wanted_s, facts.arm.ambient_c)
    if charging > LONGEST.total_seconds():
        return None
    return max(facts.limits.powered_before, timedelta(seconds=charging))


def _last_on_since(facts: ArmFacts) -> datetime | None:
    """Since when the power is on, or was when that was last known; None where it is off or nobody knows.

    Takes a change of the memory cell as proof that the power was off, whatever was recorded before it. One that was
    only marked was over by then, so answers from after that tell of power since then.
    """
    powered, window = facts.powered, facts.window
    since = None if powered.on is False else powered.since
    if since is None or (window is not None and since <= window.began_at):
        return None
    changed = max(_marked_changes(facts), default=None)
    if changed is None or since > changed:
        return since
    return changed if powered.until is not None and powered.until > changed else None


def _marked_changes(facts: ArmFacts) -> list[datetime]:
    """When the memory cell was changed by what was marked since its last change that had a window."""
    last = facts.window and facts.window.ended_at
    told = [mark.at for mark in facts.marks if is_of_memory_cell(mark, facts) and believable(mark.at, facts.as_of)]
    return [moment for moment in told if last is None or moment > last]


def _not_powered(level: Level, message: str, lifts: str, at: Standing, turns: datetime | None) -> Finding:
    powered, needed = at.facts.powered, needed_before(at.facts)
    return finding(
        "not-powered-long-enough",
        level,
        message,
        lifts,
        turns,
        on=powered.on,
        since=utc(powered.since),
        source=powered.source,
        needed_s=None if needed is None else seconds(needed),
    )
