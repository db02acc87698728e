"""What a calendar's entries mean as planned events, and what a new reading of a calendar changes. Pure."""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import datetime, timedelta

from guard.model import ACTIONS, Action, PlannedEvent
from guard.plan.events import is_over, said
from guard.plant import EVERY_ARM, CalendarRule
from guard.record import Record

NO_EVENT = "none"
"""What a rule says of entries that are none of ours."""

LONGEST_TITLE = 200
"""A longer title is cut; nobody reads it."""


class Texts(Record):
    """What an entry says in words."""

    categories: str = ""
    summary: str = ""
    location: str = ""
    people: tuple[str, ...] = ()


class Meaning(Record):
    """What an entry stands for. ``strange`` are words that look like the id of an arm and are none.

    Without a kind or without arms it looks as if it were one of ours, and nobody can tell what is planned.
    """

    kind: Action | None
    arms: tuple[str, ...]
    strange: tuple[str, ...] = ()


class Left(Record):
    """An entry, or one time of it, that was not taken for a planned event, or not without a doubt, and why."""

    uid: str
    line: int
    title: str
    why: str


class Occurrence(Record):
    """One time at which an entry takes place. ``recurrence`` names it within its series; empty where there is none."""

    uid: str
    recurrence: str
    start: datetime
    off_for: timedelta
    texts: Texts
    at: int


class Reader:
    """Tells what entries mean, by the plant's arms and the configuration's rules."""

    def __init__(self, areas: Mapping[str, str], rules: Sequence[CalendarRule]) -> None:
        """``areas`` tells the area of each arm."""
        self._areas, self._rules = areas, rules
        self._ids = {arm.casefold(): arm for arm in areas}
        self._named: dict[str, list[str]] = {arm.casefold(): [arm] for arm in areas}
        for arm, area in areas.items():
            if area and area.casefold() not in self._ids:
                self._named.setdefault(area.casefold(), []).append(arm)
        names = sorted(self._named, key=len, reverse=True)
        self._names = _whole_words("|".join(map(re.escape, names)))
        shapes = sorted({_shape(arm) for arm in self._ids if any(map(str.isdigit, arm))}, key=len, reverse=True)
        self._shapes = _whole_words("|".join(shapes)) if shapes else None

    def meaning(self, texts: Texts) -> Meaning | None:
        """What an entry means; None where it is none of ours."""
        rule = next((each for each in self._rules if _matches(each, texts)), CalendarRule())
        if rule.kind == NO_EVENT:
            return None
        kind = next((each for each in ACTIONS if each == rule.kind), None)
        kind = kind or _kind(texts.categories) or _kind(texts.summary)
        arms, strange = (self._of_rule(rule.arms), ()) if rule.arms else self._named_in(texts)
        if kind is None and not any(self._names_id(text) for text in (texts.location, texts.summary)):
            return None
        return Meaning(kind, arms, strange)

    def _named_in(self, texts: Texts) -> tuple[tuple[str, ...], tuple[str, ...]]:
        """The arms that LOCATION names, else SUMMARY; and what in those looks like an arm and is none."""
        there = self._arms(texts.location)
        strange = self._strange(texts.location)
        if there:
            return there, strange
        return self._arms(texts.summary), strange or self._strange(texts.summary)

    def _of_rule(self, names: Iterable[str]) -> tuple[str, ...]:
        found = [
            arm
            for name in names
            for arm in (self._areas if name == EVERY_ARM else self._named.get(name.casefold(), ()))
        ]
        return tuple(dict.fromkeys(found))

    def _arms(self, text: str) -> tuple[str, ...]:
        found = [arm for match in self._names.finditer(_folded(text)) for arm in self._named[match[0]]]
        return tuple(dict.fromkeys(found))

    def _names_id(self, text: str) -> bool:
        return any(match[0] in self._ids for match in self._names.finditer(_folded(text)))

    def _strange(self, text: str) -> tuple[str, ...]:
        found = self._shapes.findall(_folded(text)) if self._shapes else ()
        return tuple(dict.fromkeys(each for each in found if each not in self._named))


_DASHES = str.maketrans(
    dict.fromkeys("\u2010\u2011\u2012\u2013\u2014\u2015\u2212", "-") | {"\u00ad": None, "\u200b": None}
)
"""What word processors write in the place of a hyphen, and what nobody sees."""


def _folded(text: str) -> str:
    """A text in which names are sought: however large, and with whichever dash."""
    return text.casefold().translate(_DASHES)


def _whole_words(pattern: str) -> re.Pattern[str]:
    """The pattern where it does not stand within a longer name; ``arm-1`` is not named by ``arm-1.2`` or ``arm-10``."""
    return re.compile(rf"(?<![\w-])(?<!\w\.)(?:{pattern})(?![\w-]|\.\w)")


def _shape(arm: str) -> str:
    """A pattern for what looks like this id: the same but for its digits."""
    return r"\d+".join(map(re.escape, re.split(r"\d+", arm)))


_KINDS = {kind: _whole_words(kind.replace("-", r"[\s_-]?")) for kind in ACTIONS}


def _kind(text: str) -> Action | None:
    """The first kind of event that a text names."""
    found = [(match.start(), kind) for kind in ACTIONS if (match := _KINDS[kind].search(_folded(text)))]
    return min(found)[1] if found else None


def _matches(rule: CalendarRule, texts: Texts) -> bool:
    return all(
        pattern is None or re.search(pattern, text, re.IGNORECASE)
        for pattern, text in zip((rule.categories, rule.summary, rule.location), texts[:3], strict=True)
    )


# What a new reading changes


class Read(Record):
    """A calendar as it was read: what it plans, and what it leaves in doubt.

    ``doubtful`` are the UIDs of entries that could not be understood: what they once planned stays
    planned. ``all_doubtful`` says that this holds for whatever is missing, since nobody can tell which entry it
    was. ``until`` is up to when recurrences were followed, where there are more after it; ``is_empty`` that the file
    holds no entry whatever. ``passed_over`` is how many entries are none of ours.
    """

    source: str
    digest: str
    events: tuple[PlannedEvent, ...]
    left: tuple[Left, ...] = ()
    doubtful: frozenset[str] = frozenset()
    all_doubtful: bool = False
    until: datetime | None = None
    is_empty: bool = False
    passed_over: int = 0


class Changes(Record):
    """What a new reading of a calendar changes in the plan; events of other sources are never among them."""

    added: tuple[PlannedEvent, ...] = ()
    changed: tuple[PlannedEvent, ...] = ()
    removed: tuple[PlannedEvent, ...] = ()
    kept: tuple[PlannedEvent, ...] = ()
    """Planned before, not found now, and kept since it is in doubt whether they were taken out."""
    dropped: tuple[PlannedEvent, ...] = ()
    """Found, and left out since somebody dropped this very event by hand."""
    same: int = 0

    def __bool__(self) -> bool:
        return bool(self.added or self.changed or self.removed)


Place = tuple[str, str]
"""What stands for one event of a calendar: the entry's UID, and which of its recurrences."""


def place(event: PlannedEvent) -> Place:
    """Where in its calendar an event comes from."""
    return event.uid or "", event.recurrence


def changes(planned: Iterable[PlannedEvent], dropped: Collection[PlannedEvent], read: Read, now: datetime) -> Changes:
    """What a reading of a calendar changes, of what is not over yet. An event that changes keeps its id."""
    there = {place(event): event for event in planned if event.source == read.source and not is_over(event, now)}
    by_hand = {(place(event), said(event)) for event in dropped if event.source == read.source}
    wanted = {place(event): event for event in read.events if not is_over(event, now)}
    added: list[PlannedEvent] = []
    changed: list[PlannedEvent] = []
    left_out: list[PlannedEvent] = []
    same = 0
    for key, event in wanted.items():
        before = there.get(key)
        if before is None:
            (left_out if (key, said(event)) in by_hand else added).append(event)
        elif said(before) != said(event):
            changed.append(event._replace(id=before.id))
        else:
            same += 1
    missing = [event for key, event in there.items() if key not in wanted]
    kept = [event for event in missing if read.all_doubtful or event.uid in read.doubtful or _is_beyond(event, read)]
    removed = [event for event in missing if event not in kept]
    return Changes(tuple(added), tuple(changed), tuple(removed), tuple(kept), tuple(left_out), same)


def _is_beyond(event: PlannedEvent, read: Read) -> bool:
    """Whether it lies where this reading did not follow recurrences any more."""
    return bool(event.recurrence) and read.until is not None and event.start >= read.until
