"""What is told when blocking warnings are raised, change, stand on or are lifted: one letter for an event's arms."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

from guard.model import Level, PlannedEvent, rank
from guard.plan.warnings import CAUSE_GONE, DROPPED, OVER, SIGNED_OFF, SWAP, WINDOW_ENDED, Change, Verb
from guard.rules.evidence import earlier
from guard.settings import Settings
from guard.store.encoding import time_text
from guard.store.warnings import Telling
from guard.tell.cautions import CAUTIONS
from guard.tell.message import Message, channels
from guard.times import shown, shown_with_age
from guard.units import in_words

MOST = 40
"""More arms in one letter help nobody; the rest is counted."""

OPENING: dict[Verb, str] = {"raised": "", "changed": "Changed: ", "repeated": "Still "}

LIFTED_BY = {
    CAUSE_GONE: "What blocked it is gone.",
    SIGNED_OFF: "Somebody answers for what blocked it; the finding itself stands.",
    DROPPED: "The event was dropped.",
    OVER: "The event is over.",
    WINDOW_ENDED: "The swap window was ended.",
}


def telling(settings: Settings, changes: Sequence[Change], event: PlannedEvent | None, at: datetime) -> Telling:
    """The letter about changes of one kind to the warnings of one event, and its channels."""
    first = changes[0]
    key = f"warning:{first.event}:{first.verb}:{first.arm}:{time_text(at)}"
    level: Level = max((change.level for change in changes), key=rank)
    message = Message(
        key=key,
        subject=_subject(changes, level, event, settings),
        text="\n".join(_lines(changes, event, settings, at)),
        at=at,
        level=None if first.verb == "lifted" else level,
        arm=first.arm if len(changes) == 1 else "",
        event=first.event,
    )
    return Telling(key, message.to_json(), channels(settings.notify))


def _subject(changes: Sequence[Change], level: Level, event: PlannedEvent | None, settings: Settings) -> str:
    first = changes[0]
    arms = first.arm if len(changes) == 1 else f"{len(changes)} arms"
    what = _what(first, event)
    start = f", {shown(event.start, settings.zone())}" if event else ""
    if first.verb == "lifted":
        return f"Lifted for {arms}: {what}{start}: {first.lifted_by}"
    word = "HOLD" if level == "hold" else "UNKNOWN, treat it as a hold,"
    return f"{OPENING[first.verb]}{word} for {arms}: {what}{start}"


def _what(change: Change, event: PlannedEvent | None) -> str:
    if change.event == SWAP:
        return "the memory cell is out" if change.verb != "lifted" else "change of the memory cell"
    return f"{event.kind} {event.id}" if event else f"event {change.event}"


def _lines(changes: Sequence[Change], event: PlannedEvent | None, settings: Settings, at: datetime) -> list[str]:
    lines = []
    if event is not None:
        title = f" ({event.title})" if event.title else ""
        start = shown_with_age(event.start, at, settings.zone())
        lines += [f"Planned: {event.kind} {event.id}{title}, {start}, for {in_words(event.off_for)}.", ""]
    if changes[0].verb == "lifted":
        lines += [LIFTED_BY.get(changes[0].lifted_by, changes[0].lifted_by), ""]
        lines += [f"{change.arm} is not blocked by this any more." for change in changes[:MOST]]
    else:
        lines += [change.headline for change in changes[:MOST]]
        lines += _counts_from(changes, event, settings, at)
    if len(changes) > MOST:
        lines.append(f"And {len(changes) - MOST} more arms.")
    lines.append("")
    if changes[0].verb == "lifted":
        lines.append("Ask once more right before the work: guard fleet")
    else:
        lines.append("Every step stands on the arm's hold sheet: sheets/ARM.html in the state folder.")
        lines.append("All that is blocked: guard fleet")
    return [*lines, "", *CAUTIONS]


def _counts_from(changes: Sequence[Change], event: PlannedEvent | None, settings: Settings, at: datetime) -> list[str]:
    """Where a backup that is saved today would be too old again: from when on it counts."""
    if event is None or not any("stale-backup" in change.codes for change in changes):
        return []
    first = earlier(event.start, settings.limits.fresh_for(event.kind))
    if first is None or first <= at:
        return []
    return ["", f"For this event a backup counts that is saved from {shown(first, settings.zone())} on."]
