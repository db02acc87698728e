"""Reads a calendar: which of its entries matter, when they take place, and what they plan."""

from __future__ import annotations

from bisect import bisect
from collections import Counter
from collections.abc import Iterator
from datetime import datetime, tzinfo

from guard.digest import text_digest
from guard.ical.cut import Block, Cut, Lines, Property, cut, properties
from guard.ical.entries import Entry, Sketch, entry, sketch, words
from guard.ical.refusals import CalendarRefused
from guard.ical.series import expanded
from guard.ical.values import Broken, Zones
from guard.model import ACTIONS, USUAL_OFF, PlannedEvent
from guard.plan.calendar import LONGEST_TITLE, Left, Meaning, Occurrence, Read, Reader
from guard.plan.events import LAST_MOMENT
from guard.record import Record
from guard.rules.evidence import later
from guard.units import in_words

OUR_UIDS = "@swap-guard.invalid"
"""What the UIDs of our own exports end in; such entries never come back as events."""

MOST_PEOPLE = 20
"""More attendees than this do not do the work of one event."""

_EXPORT_AGAIN = "Export it again, whole, and import that."


class Bounds(Record):
    """How much of a calendar is taken in: recurrences up to the horizon, and at most so many events."""

    horizon: datetime
    most: int


def read(path: str, raw: bytes, reader: Reader, plant: tzinfo, now: datetime, bounds: Bounds) -> Read:
    """What a calendar plans from now on. Raises CalendarRefused where nothing in it can be trusted."""
    source = cut(raw)
    _refuse_no_calendar(path, source)
    return _Reading(path, source, reader, plant, now, bounds).read()


def _refuse_no_calendar(path: str, source: Cut) -> None:
    if not source.is_calendar:
        raise CalendarRefused(path, "it holds no BEGIN:VCALENDAR", "Export a calendar as iCalendar (.ics), RFC 5545.")
    if not source.whole:
        why = "it does not end with END:VCALENDAR, so it may be cut off or still be written"
        raise CalendarRefused(path, why, _EXPORT_AGAIN)


class _Reading:
    """One reading of one calendar."""

    def __init__(self, path: str, source: Cut, reader: Reader, plant: tzinfo, now: datetime, bounds: Bounds) -> None:
        self.path, self.source, self.reader = path, source, reader
        self.plant, self.now, self.bounds = plant, now, bounds
        self.zones, self.lines = Zones(source), Lines(source.raw)
        self.events: list[PlannedEvent] = []
        self.named: Counter[tuple[str, str]] = Counter()
        self.left: dict[Left, None] = {}
        self.doubtful: set[str] = set()
        self.all_doubtful = self.goes_on = False
        self.passed_over = 0
        self.cancels = [any(map(_is_cancel, properties(source, head))) for head in source.heads]

    def read(self) -> Read:
        for group in self._relevant().values():
            self._take(group)
            if len(self.events) > self.bounds.most:
                why = f"it plans more than {self.bounds.most} events (calendar.most)"
                raise CalendarRefused(self.path, why, "Raise that limit, or shorten calendar.horizon.")
            if len(self.left) > self.bounds.most:
                first = next(iter(self.left))
                why = f"more than {self.bounds.most} of its entries (calendar.most) cannot be taken as they are, such as the one of line {first.line}: {first.why}"
                raise CalendarRefused(self.path, why, _EXPORT_AGAIN)
        self._look_at_tasks()
        return Read(
            source=self.path,
            digest=text_digest(self.source.raw),
            events=tuple(sorted(self.events, key=lambda event: (event.start, event.uid or "", event.recurrence))),
            left=tuple(self.left),
            doubtful=frozenset(self.doubtful),
            all_doubtful=self.all_doubtful,
            until=self.bounds.horizon if self.goes_on else None,
            is_empty=not self.source.entries,
            passed_over=self.passed_over,
        )

    def _relevant(self) -> dict[str, list[Block]]:
        """The entries of each UID of which at least one looks as if it mattered."""
        blocks: dict[str, list[Block]] = {}
        wanted: set[str] = set()
        for block in self.source.entries:
            uid, said = words(self.source, block)
            blocks.setdefault(uid, []).append(block)
            if uid not in wanted and not uid.endswith(OUR_UIDS) and self.reader.meaning(said) is not None:
                wanted.add(uid)
        self.passed_over = sum(uid not in wanted and not uid.endswith(OUR_UIDS) for uid in blocks)
        return {uid: blocks[uid] for uid in blocks if uid in wanted}

    def _look_at_tasks(self) -> None:
        """List tasks that look like ours and are not done: a calendar program may hold what is planned as one."""
        for block in self.source.tasks:
            uid, said = words(self.source, block)
            if self.reader.meaning(said) is None:
                continue
            found = {prop.name: prop.value.strip().upper() for prop in properties(self.source, block)}
            if "COMPLETED" not in found and found.get("STATUS") not in ("COMPLETED", "CANCELLED"):
                self._leave(uid, block.begin, said.summary, "it is a task (VTODO); only events (VEVENT) are planned")

    def _take(self, group: list[Block]) -> None:
        entries = [each for block in group if (each := self._entry(sketch(self.source, block))) is not None]
        if not entries:
            return
        try:
            series = expanded(entries, self.now, self.bounds.horizon)
        except Broken as broken:
            self._leave(entries[0].uid, broken.at or entries[0].at, entries[0].texts.summary, broken.why)
            self.doubtful.add(entries[0].uid)
            return
        self.goes_on |= series.goes_on
        if all(each.recurrence_id is not None for each in entries):
            self.doubtful.add(entries[0].uid)
        no_end = {each.at for each in entries if not each.has_end}
        for at, doubt in series.doubts:
            self._leave(entries[0].uid, at, entries[0].texts.summary, doubt)
        for occurrence in series.occurrences:
            self._plan(occurrence, has_end=occurrence.at not in no_end)

    def _entry(self, found: Sketch) -> Entry | None:
        try:
            read = entry(found, self.zones, self.plant)
        except Broken as broken:
            self._leave(
                found.uid, found.block.begin if broken.at is None else broken.at, found.texts.summary, broken.why
            )
            uids = {prop.value.strip() for prop in found.props if prop.name == "UID"}
            self.doubtful |= uids
            self.all_doubtful |= not any(uids)
            return None
        head = bisect(self.source.heads, found.block.begin, key=lambda each: each.begin) - 1
        return read._replace(is_cancelled=True) if head >= 0 and self.cancels[head] else read

    def _plan(self, found: Occurrence, *, has_end: bool) -> None:
        meaning = self.reader.meaning(found.texts)
        off_for = found.off_for
        if meaning is not None and not has_end:
            off_for = USUAL_OFF[meaning.kind or "power-down"]
        if meaning is None or (later(found.start, off_for) or LAST_MOMENT) <= self.now:
            return
        for why in _doubts(meaning):
            self._leave(found.uid, found.at, found.texts.summary, why)
        if meaning.kind is None or not meaning.arms:
            self.doubtful.add(found.uid)
            return
        if not has_end:
            self._leave(found.uid, found.at, found.texts.summary, f"it has no end: taken to last {in_words(off_for)}")
        place = found.uid, found.recurrence
        self.named[place] += 1
        again = f"~{self.named[place]}" if self.named[place] > 1 else ""  # so that no event hides another one
        self.events.append(
            PlannedEvent(
                "", meaning.kind, found.start, off_for, meaning.arms,
                _title(found.texts.summary), self.path, found.uid, f"{found.recurrence}{again}", found.texts.people[:MOST_PEOPLE],
            )
        )  # fmt: skip

    def _leave(self, uid: str, at: int, summary: str, why: str) -> None:
        self.left[Left(uid, self.lines.number(at), _title(summary), why)] = None


def _is_cancel(prop: Property) -> bool:
    return (prop.name, prop.value.strip().upper()) == ("METHOD", "CANCEL")


def _doubts(meaning: Meaning) -> Iterator[str]:
    if meaning.kind is None:
        yield f"it names {', '.join(meaning.arms) or 'an arm'} and no kind of event ({', '.join(ACTIONS)})"
    elif not meaning.arms:
        there = f"; no arm is called {', '.join(meaning.strange)}" if meaning.strange else ""
        yield f"it looks like a {meaning.kind} and names no arm or area that is known{there}"
    elif meaning.strange:
        yield f"no arm is called {', '.join(meaning.strange)}"


def _title(summary: str) -> str:
    text = " ".join(summary.split())
    return text if len(text) <= LONGEST_TITLE else f"{text[: LONGEST_TITLE - 1]}…"
