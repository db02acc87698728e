"""Every deliberate refusal around service visits and campaigns. Each takes facts and words itself, as those in `guard.errors` do.

GuardError
├── StepsMissing            2: no file of steps where it was looked for
├── StepsFaulty             2: the steps of a visit have faults, all of them told
├── VisitMoved              20: somebody else went on with the visit meanwhile
├── StepRefused             20 or 30: a step whose gate is shut, or whose turn it is not
├── NoVisit                 2: no visit is under way
├── NoGivingUp              20: the visit cannot be given up as it stands
├── AmbiguousEvent          2: words that several planned events have
├── EventBegun              2: nothing can be done before the event any more
└── NoRoom                  2: no backup that counts fits before the event
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta, tzinfo

from guard.errors import CallError, Fault, GuardError
from guard.model import PlannedEvent
from guard.times import shown, shown_with_age
from guard.units import in_words

MOST = 5
"""More events in one sentence help nobody; the rest is counted."""


class StepsMissing(CallError):
    """A file of steps that cannot be read."""

    def __init__(self, path: str, reason: str) -> None:
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return f"The steps of a visit cannot be read from {self.path}: {self.reason}."


class StepsFaulty(CallError):
    """All that is wrong in a file of steps, at once."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = faults

    def __str__(self) -> str:
        count = f"{len(self.faults)} faults" if len(self.faults) > 1 else "1 fault"
        return "\n".join([f"The steps of a visit have {count}; put right and try again:", *map(str, self.faults)])


class VisitMoved(GuardError):
    """A visit with which somebody else went on."""

    exit_code = 20

    def __init__(self, arm: str) -> None:
        self.arm = arm

    def __str__(self) -> str:
        return (
            f"Nothing was stamped: somebody began or went on with the visit of {self.arm} elsewhere meanwhile. Take it"
            f" up as it is now: guard visit {self.arm} --run"
        )


class StepRefused(GuardError):
    """A step whose gate is shut, or whose turn it is not."""

    exit_code = 20

    def __init__(self, arm: str, step: str, why: str) -> None:
        self.arm, self.step, self.why = arm, step, why

    def __str__(self) -> str:
        return f"The step {self.step} of the visit of {self.arm} was not stamped: {self.why}"


class NoVisit(CallError):
    """A visit to be given up, where none is under way."""

    def __init__(self, arm: str) -> None:
        self.arm = arm

    def __str__(self) -> str:
        return f"No visit of {self.arm} is under way. One is begun with: guard visit {self.arm} --run"


class NoGivingUp(GuardError):
    """A visit that cannot be given up while the memory cell is out."""

    exit_code = 20

    def __init__(self, arm: str) -> None:
        self.arm = arm

    def __str__(self) -> str:
        return (
            f"The visit of {self.arm} cannot be given up while its memory cell is out. Seat the new cell, then run:"
            f" guard swap end {self.arm} --by NAME"
        )


class AmbiguousEvent(CallError):
    """A title, or a part of one, that several planned events have."""

    def __init__(self, asked: str, events: Sequence[PlannedEvent], zone: tzinfo) -> None:
        self.asked, self.events, self.zone = asked, events, zone

    def __str__(self) -> str:
        told = [f"{each.id} ({each.title}, {shown(each.start, self.zone)})" for each in self.events[:MOST]]
        more = f" and {len(self.events) - MOST} more" if len(self.events) > MOST else ""
        return f"{self.asked!r} stands for several planned events: {', '.join(told)}{more}. Give the id of one."


class EventBegun(CallError):
    """An event before which nothing can be done any more."""

    def __init__(self, event: PlannedEvent, now: datetime, zone: tzinfo) -> None:
        self.event, self.now, self.zone = event, now, zone

    def __str__(self) -> str:
        began = shown_with_age(self.event.start, self.now, self.zone)
        return (
            f"{self.event.id} has begun: {began}. Nothing can be saved before it any more. `guard event list` shows"
            " what is to come; what an arm needs now: guard fleet"
        )


class NoRoom(CallError):
    """Backups that take longer than one may ever be under way so that it counts."""

    def __init__(self, event: PlannedEvent, each: timedelta, room: timedelta, limit: timedelta) -> None:
        self.event, self.each, self.room, self.limit = event, each, room, limit

    def __str__(self) -> str:
        room = f"there are only {in_words(self.room)}" if self.room > timedelta() else "there is no time at all"
        return (
            f"A backup that takes {in_words(self.each)} never fits before {self.event.id}: between the moment from which"
            f" on one is fresh at its start ({in_words(self.limit)} before a {self.event.kind}) and the moment by which"
            f" it must be there to settle and be read back {room}. Give fewer minutes (--minutes-each), or allow"
            f" older sets: [fresh] {self.event.kind} in the configuration."
        )
