"""Planned events, as the ledger's entries tell them: what was added and not dropped since. Pure."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from datetime import UTC, datetime, timedelta

from guard.model import ACTIONS, BY_HAND, PlannedEvent
from guard.record import Record
from guard.rules.evidence import later, seconds, utc

LAST_MOMENT = datetime.max.replace(tzinfo=UTC)


class Noted(Record):
    """One entry about events: its number in the ledger, and what it says."""

    number: int
    body: Mapping[str, object]


class UnreadableEvent(ValueError):
    """An entry that does not say what an event's entry says."""

    def __init__(self, number: int) -> None:
        super().__init__(number)
        self.number = number


def as_added(event: PlannedEvent) -> dict[str, object]:
    """The body of the entry that adds an event. The entry's number becomes its id."""
    return {"verb": "add", **_fields(event)}


def as_changed(event: PlannedEvent) -> dict[str, object]:
    """The body of the entry that gives an event, which keeps its id, what its calendar says now."""
    return {"verb": "change", "event": event.id, **_fields(event)}


def as_dropped(event: PlannedEvent) -> dict[str, object]:
    """The body of the entry that drops an event because somebody said so."""
    return {"verb": "drop", "event": event.id}


def as_removed(event: PlannedEvent) -> dict[str, object]:
    """The body of the entry that drops an event because its calendar has it no longer."""
    return {"verb": "drop", "event": event.id, "by": "calendar"}


def _fields(event: PlannedEvent) -> dict[str, object]:
    fields: dict[str, object] = {
        "kind": event.kind,
        "start": utc(event.start),
        "off_for_s": seconds(event.off_for),
        "arms": list(event.arms),
        "title": event.title,
        "source": event.source,
        "uid": event.uid,
    }
    fields |= {"recurrence": event.recurrence} if event.recurrence else {}
    return fields | ({"people": list(event.people)} if event.people else {})


def id_of(number: int) -> str:
    """The id of the event that this entry added."""
    return f"ev-{number}"


class Plan(Record):
    """The events that are planned, in the order of their starts, and those that somebody dropped by hand."""

    events: tuple[PlannedEvent, ...]
    dropped: tuple[PlannedEvent, ...]


def planned(entries: Iterable[Noted]) -> tuple[PlannedEvent, ...]:
    """The events that were added and not dropped, in the order of their starts. Raises UnreadableEvent."""
    return plan(entries).events


def plan(entries: Iterable[Noted]) -> Plan:
    """What the entries tell together.

    Raises UnreadableEvent for an entry that cannot be understood: an event that is passed
    over without a word would be judged by nobody.
    """
    events: dict[str, PlannedEvent] = {}
    dropped: list[PlannedEvent] = []
    for entry in sorted(entries, key=lambda entry: entry.number):
        try:
            gone = _apply(entry, events)
        except (KeyError, TypeError, ValueError, OverflowError):
            raise UnreadableEvent(entry.number) from None
        if gone is not None and "by" not in entry.body:
            dropped.append(gone)
    return Plan(tuple(sorted(events.values(), key=lambda event: event.start)), tuple(dropped))


def _apply(entry: Noted, events: dict[str, PlannedEvent]) -> PlannedEvent | None:
    """Let an entry take effect. Returns the event that it dropped, where it dropped one."""
    verb = entry.body["verb"]
    if verb == "drop":
        return events.pop(str(entry.body["event"]), None)
    if verb not in ("add", "change"):
        raise ValueError(verb)
    event = _told(entry, id_of(entry.number) if verb == "add" else str(entry.body["event"]))
    if verb == "add" or event.id in events:
        events[event.id] = event
    return None


def _told(entry: Noted, event: str) -> PlannedEvent:
    body = entry.body
    kind = next((action for action in ACTIONS if action == body["kind"]), None)
    arms, off_for_s, uid, people = body["arms"], body["off_for_s"], body.get("uid"), body.get("people", [])
    if (
        kind is None
        or not isinstance(arms, list)
        or not isinstance(people, list)
        or not isinstance(off_for_s, int | float)
    ):
        raise ValueError(entry.number)
    return PlannedEvent(
        id=event,
        kind=kind,
        start=datetime.fromisoformat(str(body["start"])).astimezone(UTC),
        off_for=timedelta(seconds=off_for_s),
        arms=tuple(map(str, arms)),
        title=str(body.get("title", "")),
        source=str(body.get("source", "")),
        uid=None if uid is None else str(uid),
        recurrence=str(body.get("recurrence", "")),
        people=tuple(map(str, people)),
    )


def by_arm(events: Iterable[PlannedEvent]) -> dict[str, list[PlannedEvent]]:
    """The events of each arm, and beside them those on other arms that the same people shall do."""
    found: dict[str, list[PlannedEvent]] = {}
    of_person: dict[str, list[PlannedEvent]] = {}
    for event in events:
        for arm in dict.fromkeys(event.arms):
            found.setdefault(arm, []).append(event)
        for person in event.people if event.kind in BY_HAND else ():
            of_person.setdefault(person, []).append(event)
    for arm, here in found.items():
        people = {person for event in here if event.kind in BY_HAND for person in event.people}
        others = [event for person in sorted(people) for event in of_person[person] if arm not in event.arms]
        here.extend({event.id: event for event in others}.values())
    return found


def end(event: PlannedEvent) -> datetime:
    """When the event is over; the calendar's last moment where it would end later."""
    return later(event.start, event.off_for) or LAST_MOMENT


def is_over(event: PlannedEvent, now: datetime) -> bool:
    """Whether the event has ended. At its last moment it is over."""
    return end(event) <= now


def within(events: Iterable[PlannedEvent], first: datetime, last: datetime | None) -> tuple[PlannedEvent, ...]:
    """The events that are not over at ``first`` and have begun by ``last``."""
    return tuple(event for event in events if not is_over(event, first) and (last is None or event.start <= last))


def said(event: PlannedEvent) -> tuple[object, ...]:
    """What an event says, by which a changed one differs: kind, start, duration, arms, title and people."""
    return event.kind, event.start, event.off_for, tuple(sorted(event.arms)), event.title, tuple(sorted(event.people))


def same_as(event: PlannedEvent, events: Iterable[PlannedEvent]) -> PlannedEvent | None:
    """The event that says the same already."""
    return next((each for each in events if said(each) == said(event)), None)


def not_configured(event: PlannedEvent, arms: Collection[str]) -> tuple[str, ...]:
    """The event's arms that the configuration does not have, or has no longer."""
    return tuple(arm for arm in event.arms if arm not in arms)
