"""Blocking warnings: which to raise, to change, to tell again and to lift, from what is planned and judged. Pure.

A warning is about one event and one arm. It is raised by a verdict of hold or unknown and stays
raised until something is known that lifts it; that an arm could not be judged never does.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta

from guard.model import BLOCKING, Level, PlannedEvent, Question, SwapWindow, Verdict
from guard.plan.events import is_over
from guard.record import Record
from guard.rules.evidence import FIRST_MOMENT, earlier, later
from guard.rules.window import limit_in_words, ticking
from guard.units import in_words

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Literal

    Verb = Literal["raised", "changed", "repeated", "lifted"]
else:
    Verb = str

CAUSE_GONE = "its cause is gone"
SIGNED_OFF = "signed off"
DROPPED = "the event was dropped"
OVER = "the event is over"
WINDOW_ENDED = "the swap window was ended"

SWAP = "swap"
"""Stands for the event where the warning is about an open swap window; no event's id can be this."""

Key = tuple[str, str]
"""An event's id and an arm."""


class Raised(Record):
    """A warning that is raised now, as it was last told."""

    id: int
    event: str
    arm: str
    level: Level
    headline: str
    codes: tuple[str, ...]
    raised_at: datetime
    told_at: datetime


class Judged(Record):
    """What a verdict means for a warning: the codes that block, in order, and those that a person answers for."""

    level: Level
    headline: str
    codes: tuple[str, ...] = ()
    signed_off: tuple[str, ...] = ()


class Change(Record):
    """What becomes of one warning. ``was`` is the warning until then, None where there was none."""

    verb: Verb
    event: str
    arm: str
    level: Level
    headline: str
    codes: tuple[str, ...]
    was: Raised | None = None
    lifted_by: str = ""

    def __str__(self) -> str:
        why = self.lifted_by or ", ".join(self.codes)
        return f"{self.verb}: {self.event} {self.arm} {self.level}" + (f" ({why})" if why else "")


class Watched(Record):
    """An event that is to be judged for an arm, and what to ask about it."""

    event: PlannedEvent
    arm: str
    question: Question


def judged(verdict: Verdict, headline: str) -> Judged:
    """What a verdict means for a warning."""
    blocking = {found.code for found in verdict.findings if found.level in BLOCKING and found.signed_off is None}
    signed = {found.code for found in verdict.findings if found.signed_off is not None}
    return Judged(verdict.level, headline, tuple(sorted(blocking)), tuple(sorted(signed)))


def not_configured(arm: str, event: str) -> Judged:
    """What stands for a verdict about an arm that the configuration does not have: nothing is known of it."""
    return Judged(
        "unknown",
        f"UNKNOWN: {arm} is not in the configuration, so nobody looks after its backups. Put it back into the"
        f" configuration, or drop the event and add it for the arms that there are: guard event drop {event}",
    )


def watched(
    events: Iterable[PlannedEvent], raised: Iterable[Raised], lead_times: Sequence[timedelta], now: datetime
) -> tuple[Watched, ...]:
    """What is to be judged now: each arm of each event from its longest lead time on until it is over.

    And whatever has a warning, be it earlier. A running event is judged as of now.
    """
    warned = {(each.event, each.arm) for each in raised}
    longest = max(lead_times, default=timedelta())
    return tuple(
        Watched(event, arm, Question(event.kind, max(event.start, now), event.off_for, event.id))
        for event in events
        for arm in dict.fromkeys(event.arms)
        if not is_over(event, now) and (_before(event, longest) <= now or (event.id, arm) in warned)
    )


def due(
    events: Sequence[PlannedEvent],
    found: Mapping[Key, Judged],
    raised: Sequence[Raised],
    lead_times: Sequence[timedelta],
    repeat: timedelta,
    now: datetime,
) -> tuple[Change, ...]:
    """All that changes now about the warnings of planned events. Once applied, nothing more is due at this moment."""
    by_id = {event.id: event for event in events}
    there = {(each.event, each.arm): each for each in raised if each.event != SWAP}
    changes = [
        _of_raised(each, by_id.get(each.event), found.get(key), lead_times, repeat, now) for key, each in there.items()
    ]
    for each in watched(events, (), lead_times, now):
        key = (each.event.id, each.arm)
        state = found.get(key)
        if key not in there and state is not None and state.level in BLOCKING:
            changes.append(Change("raised", *key, state.level, state.headline, state.codes))
    return tuple(sorted((change for change in changes if change is not None), key=_place))


def _place(change: Change) -> Key:
    return change.event, change.arm


def next_moment(events: Iterable[PlannedEvent], lead_times: Sequence[timedelta], now: datetime) -> datetime | None:
    """The next moment at which a lead time is reached, or an event begins or is over; None where none is to come."""
    moments = [
        moment
        for event in events
        for moment in (*(_before(event, lead) for lead in lead_times), event.start, later(event.start, event.off_for))
        if moment is not None and moment > now
    ]
    return min(moments, default=None)


def _of_raised(
    warning: Raised,
    event: PlannedEvent | None,
    state: Judged | None,
    lead_times: Sequence[timedelta],
    repeat: timedelta,
    now: datetime,
) -> Change | None:
    if event is None or warning.arm not in event.arms:
        return lifted(warning, DROPPED)
    if is_over(event, now):
        return lifted(warning, OVER)
    if state is not None:
        if state.level not in BLOCKING:
            return lifted(warning, SIGNED_OFF if set(state.signed_off) & set(warning.codes) else CAUSE_GONE)
        if (state.level, set(state.codes)) != (warning.level, set(warning.codes)):
            return _told_anew("changed", warning, state)
    passed = any(warning.told_at < _before(event, lead) <= now for lead in lead_times)
    if passed or _is_due_again(warning, repeat, now):
        return _told_anew("repeated", warning, state or Judged(warning.level, warning.headline, warning.codes))
    return None


def lifted(warning: Raised, by: str) -> Change:
    """The change that lifts a warning."""
    return Change(
        "lifted", warning.event, warning.arm, warning.level, warning.headline, warning.codes, warning, by
    )  # fmt: skip


def _told_anew(verb: Verb, warning: Raised, state: Judged) -> Change:
    return Change(verb, warning.event, warning.arm, state.level, state.headline, state.codes, warning)


def _is_due_again(warning: Raised, repeat: timedelta, now: datetime) -> bool:
    # In both directions, so that a clock that was once far ahead silences nothing.
    return abs(now - warning.told_at) >= repeat


def _before(event: PlannedEvent, lead: timedelta) -> datetime:
    return earlier(event.start, lead) or FIRST_MOMENT


def window_due(
    arm: str,
    window: SwapWindow | None,
    closing_permille: int,
    raised: Sequence[Raised],
    repeat: timedelta,
    now: datetime,
) -> tuple[Change, ...]:
    """What changes now about the warning of an arm's swap window: raised from closing on, until the window is ended.

    It is told again after each further length of the window, since the planned events'
    repetition is much too slow for a cell that is out.
    """
    there = next((each for each in raised if (each.event, each.arm) == (SWAP, arm)), None)
    state = "ended" if window is None or window.ended_at is not None else ticking(window, closing_permille)[0]
    if window is None or state not in ("closing", "over"):
        reason = WINDOW_ENDED if state == "ended" else CAUSE_GONE
        return () if there is None else (lifted(there, reason),)
    found = Judged("hold", _still_out(arm, window, over=state == "over"), (f"window-{state}",))
    if there is None:
        return (Change("raised", SWAP, arm, found.level, found.headline, found.codes),)
    if there.codes != found.codes:
        return (_told_anew("changed", there, found),)
    if _is_due_again(there, min(repeat, window.limit or repeat), now):
        return (_told_anew("repeated", there, found),)
    return ()


def _still_out(arm: str, window: SwapWindow, *, over: bool) -> str:
    """The warning in words: what to do, why, and which set to restore should the memory be lost."""
    out, limit = in_words(window.elapsed), limit_in_words(window)
    disagree = f" {window.disagree}" if window.disagree else ""
    if not over:
        left = in_words(window.limit - window.elapsed)
        return f"HOLD: seat the new memory cell of {arm} within {left}. The old one has been out for {out} of {limit}.{disagree}"
    restore = (
        "no proven set is known to restore from"
        if window.rests_on is None
        else f"restore {window.rests_on} (fingerprint {window.fingerprint}) as the machine maker's manual says"
    )
    return (
        f"HOLD: seat the new memory cell of {arm} now, and take the memory for lost until it was compared. The"
        f" old one has been out for {out}; {limit} is allowed.{disagree} If the memory is lost, {restore}."
    )
