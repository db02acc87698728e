"""Expands the entries of one UID into the times at which they take place."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from datetime import UTC, datetime, timedelta, tzinfo

from guard.ical.entries import Entry, end_of
from guard.ical.values import Broken, Length, Local, as_time, instant
from guard.plan.calendar import Occurrence
from guard.record import Record
from guard.times import readings

MOST_STEPS = 40_000
"""Steps of a rule from its first time to the horizon; more than a hundred years by the day, four by the hour."""

MOST_RULES = 8
"""Rules of one entry, which as a rule has one; RFC 5545 advises against more."""

MOST_TIMES = 2_000
"""Times of one entry up to the horizon that are still followed: more than five a day for a year."""

_STEP = {
    "HOURLY": timedelta(hours=1),
    "DAILY": timedelta(days=1),
    "WEEKLY": timedelta(weeks=1),
    "MONTHLY": timedelta(days=28),
    "YEARLY": timedelta(days=365),
}

SKIPPED = (
    "the clocks go forward over {local}: read with the offset from before that, and kept; by RFC 5545 (3.3.10) it would"
    " be left out"
)


NO_SERIES = "it changes one time of a series that the calendar does not hold; the others stay as they were planned"

SAME_UID = "another entry has the same UID, by which neither can be known again for certain; both are planned"


class Expanded(Record):
    """The times of one series. ``goes_on`` tells that there are more after the horizon; doubts have their place."""

    occurrences: tuple[Occurrence, ...]
    goes_on: bool = False
    doubts: tuple[tuple[int, str], ...] = ()


class Bounded(Record):
    """A rule cut at the horizon: so often it comes true until then, and whether it goes on."""

    text: str
    times: int
    goes_on: bool


def expanded(entries: Sequence[Entry], first: datetime, horizon: datetime) -> Expanded:
    """All times from ``first`` on, up to the horizon where they recur. Raises Broken.

    Of several versions of an entry the one with the highest SEQUENCE counts, and the last of those.
    """
    try:
        return _expanded(entries, first, horizon)
    except Broken:
        raise
    except OverflowError:
        raise Broken("a time in it lies outside every calendar") from None
    except Exception as error:  # whatever a rule holds, it costs its own entry
        raise Broken(f"its recurrence cannot be followed ({type(error).__name__}: {error})") from error


def _expanded(entries: Sequence[Entry], first: datetime, horizon: datetime) -> Expanded:
    """The times of all entries. Where several of one UID are no versions of each other, each of them counts."""
    twins = _twins(entries)
    found = [_one_series([each for each in entries if each not in twins], first, horizon)]
    for number, twin in enumerate(twins, 2):
        more = _one_series([twin], first, horizon)
        named = tuple(each._replace(recurrence=f"{each.recurrence}~{number}") for each in more.occurrences)
        found.append(Expanded(named, more.goes_on, (*more.doubts, (twin.at, SAME_UID))))
    return Expanded(
        tuple(occurrence for each in found for occurrence in each.occurrences),
        any(each.goes_on for each in found),
        tuple(doubt for each in found for doubt in each.doubts),
    )


def _twins(entries: Sequence[Entry]) -> list[Entry]:
    """Entries with the highest SEQUENCE beside the one that counts, which say something else.

    One that is cancelled takes back what is planned for its own time, and no other with the same SEQUENCE.
    """
    masters = [each for each in entries if each.recurrence_id is None]
    highest = max((each.sequence for each in masters), default=0)
    newest: dict[object, Entry] = {}
    cancelled: set[datetime] = set()
    for each in masters:
        if each.sequence == highest and each.is_cancelled:
            cancelled.add(as_time(each.start))
        elif each.sequence == highest:
            newest.setdefault((each.texts, as_time(each.start), each.rules), each)
    if not cancelled:
        return list(newest.values())[1:]
    return [each for each in newest.values() if as_time(each.start) not in cancelled]


def _one_series(entries: Sequence[Entry], first: datetime, horizon: datetime) -> Expanded:
    newest: dict[Local | None, Entry] = {}
    for each in entries:
        there = newest.get(each.recurrence_id)
        if there is None or each.sequence >= there.sequence:
            newest[each.recurrence_id] = each
    master = newest.pop(None, None)
    changed = list(newest.values())
    if master is None:
        lone = tuple(_alone(each) for each in changed if not each.is_cancelled)
        return Expanded(lone, doubts=tuple((each.at, NO_SERIES) for each in changed[:1]))
    if master.rules or master.more or changed:
        return _series(master, changed, first, horizon)
    if master.is_cancelled:
        return Expanded(())
    only = _occurrence(master, "", master.start, master.zone, master.lasts)
    return Expanded((only,), doubts=_gap(master, master.start))


def _alone(changed: Entry) -> Occurrence:
    return _occurrence(changed, _name(changed.recurrence_id), changed.start, changed.zone, changed.lasts)


def _occurrence(found: Entry, recurrence: str, start: Local, zone: tzinfo, lasts: Length) -> Occurrence:
    begins = instant(start, zone)
    return Occurrence(found.uid, recurrence, begins, end_of(start, zone, lasts) - begins, found.texts, found.at)


def _name(recurrence: Local | None) -> str:
    return "" if recurrence is None else recurrence.isoformat()


def _series(master: Entry, changed: list[Entry], first: datetime, horizon: datetime) -> Expanded:
    zone = master.zone
    if len(master.rules) > MOST_RULES:
        raise Broken(f"it has {len(master.rules)} rules of recurrence; at most {MOST_RULES} are followed")
    members = [master, *changed]
    longest = max(each.lasts.days for each in members) + max(each.lasts.exact for each in members).days + 2
    span = (_local(first, zone) - timedelta(days=longest), _local(horizon, zone))
    rules = [_bounded(rule, master, *span) for rule in master.rules]
    periods = {start: lasts for start, lasts in master.more if lasts is not None}
    found: list[Occurrence] = []
    doubts: list[tuple[int, str]] = []
    for number, local in _times(_text(members, rules), *span):
        each = members[number]
        if each.is_cancelled:
            continue
        if each.recurrence_id is not None and not each.onwards:
            found.append(_alone(each._replace(recurrence_id=_in_zone(each.recurrence_id, each, zone))))
            continue
        moved = timedelta()
        if each.recurrence_id is not None:
            moved = as_time(_in_zone(each.start, each, zone)) - as_time(_in_zone(each.recurrence_id, each, zone))
        found.append(_occurrence(each, _name(local - moved), local, zone, periods.get(local, each.lasts)))
        doubts += _gap(master, local)
    goes_on = any(rule.goes_on for rule in rules)
    return Expanded(tuple(found), goes_on, tuple(doubts))


def _gap(found: Entry, local: Local) -> tuple[tuple[int, str], ...]:
    if not isinstance(local, datetime) or readings(local, found.zone):
        return ()
    return ((found.at, SKIPPED.format(local=local.isoformat(" ", "minutes"))),)


def _in_zone(local: Local, found: Entry, zone: tzinfo) -> Local:
    """A time of an entry as the clocks of the series' zone show it."""
    if not isinstance(local, datetime) or found.zone == zone:
        return local
    return _local(instant(local, found.zone), zone)


def _local(moment: datetime, zone: tzinfo) -> datetime:
    return moment.astimezone(zone).replace(tzinfo=None, fold=0)


# Rules


def _bounded(rule: str, master: Entry, first: datetime, limit: datetime) -> Bounded:
    """The rule as so many times of it as there are up to the limit, so that following it ends whatever it says.

    A recurrence at a time that the clocks skip is not counted by RFC 5545 (3.3.10); it is kept
    here beside the one that is counted in its place, since it may be meant.
    """
    parts = dict(part.split("=", 1) for part in rule.split(";"))
    interval, most = _number(parts, "INTERVAL", 1), _number(parts, "COUNT", 0)
    step = _STEP.get(parts["FREQ"])
    if step is None:
        raise Broken(f"it recurs {parts['FREQ']}, which is no frequency")
    since = as_time(master.start)
    if (limit - since) / (step * interval) > MOST_STEPS:
        raise Broken(
            f"it recurs {parts['FREQ']} since {since.date()}, more than {MOST_STEPS} times up to {limit.date()}"
        )
    until = _until(parts.pop("UNTIL", None), master)
    parts.pop("COUNT", None)
    base = ";".join(f"{name}={value}" for name, value in parts.items())
    end = limit if until is None else min(until, limit)
    times = counted = near = 0
    for local in _finite(base, since, end):
        if most and counted == most:
            break
        times += 1
        near += local >= first
        counted += not isinstance(master.start, datetime) or bool(readings(local, master.zone))
        if near > MOST_TIMES:
            raise Broken(f"it recurs more than {MOST_TIMES} times up to {limit.date()}, which no planned event does")
    return Bounded(f"{base};COUNT={times}", times, counted < most if most else until is None or until > limit)


def _finite(rule: str, since: datetime, end: datetime) -> Iterator[datetime]:
    """The times of a rule up to an end. dateutil seeks the next one up to the year 9999, where there is none for hours.

    It looks at the rule's weeks up to four times for each year it comes to; that is where it is stopped.
    """
    from dateutil.rrule import rrule, rrulestr

    class Finite(rrule):  # type: ignore[misc]
        looks = 4 * (end.year - since.year + 3)

        @property
        def _byweekno(self) -> object:
            self.looks -= 1
            if self.looks < 0:
                raise _Over
            return self.__dict__["_byweekno"]

    found = rrulestr(f"{rule};UNTIL={end:%Y%m%dT%H%M%S}", dtstart=since)
    found.__class__ = Finite
    try:
        yield from found
    except _Over:
        return


class _Over(Exception):
    """A rule was followed past its end without a result."""


def _number(parts: dict[str, str], name: str, otherwise: int) -> int:
    text = parts.get(name)
    if text is None:
        return otherwise
    if not re.fullmatch(r"0*[1-9]\d{0,8}", text, re.ASCII):
        raise Broken(f"{name} of its RRULE is {text[:20]}, which is no count")
    return int(text)


def _until(text: str | None, master: Entry) -> datetime | None:
    """The last moment of a rule as the clocks of its entry show it; the whole of a day counts."""
    if text is None:
        return None
    try:
        if re.fullmatch(r"\d{8}", text, re.ASCII):
            return datetime.strptime(text, "%Y%m%d") + timedelta(hours=23, minutes=59, seconds=59)  # noqa: DTZ007
        found = datetime.strptime(text.removesuffix("Z"), "%Y%m%dT%H%M%S")  # noqa: DTZ007
    except ValueError:
        raise Broken(f"UNTIL of its RRULE is {text[:20]}, which is neither a day nor a time") from None
    return _local(found.replace(tzinfo=UTC), master.zone) if text.endswith("Z") else found


# The library's part


def _times(text: str, first: datetime, last: datetime) -> Iterator[tuple[int, Local]]:
    """Which member takes place when, as the clocks of the series' zone show it."""
    from icalendar import Calendar
    from recurring_ical_events import of

    for found in of(Calendar.from_ical(text)).between(first, last):
        yield int(found["X-MEMBER"]), found["DTSTART"].dt


def _text(members: Sequence[Entry], rules: Sequence[Bounded]) -> str:
    """The series as a calendar of its own: times without zones, and no word of what the entries say."""
    zone = members[0].zone
    lines = ["BEGIN:VCALENDAR", "VERSION:2.0", "PRODID:-//series//EN"]
    for number, each in enumerate(members):
        lines += ["BEGIN:VEVENT", "UID:series", f"X-MEMBER:{number}", f"SEQUENCE:{each.sequence}"]
        lines.append(_line("DTSTART", _in_zone(each.start, each, zone)))
        if number == 0:
            lines += [f"RRULE:{rule.text}" for rule in rules if rule.times]
            lines += [_line("RDATE", local) for local, _ in each.more]
            lines += [_line("EXDATE", local) for local in each.without]
        elif each.recurrence_id is not None:
            name = "RECURRENCE-ID;RANGE=THISANDFUTURE" if each.onwards else "RECURRENCE-ID"
            lines.append(_line(name, _in_zone(each.recurrence_id, each, zone)))
        lines.append("END:VEVENT")
    return "\r\n".join([*lines, "END:VCALENDAR", ""])


def _line(name: str, local: Local) -> str:
    if isinstance(local, datetime):
        return f"{name}:{local:%Y%m%dT%H%M%S}"
    return f"{name};VALUE=DATE:{local:%Y%m%d}"
