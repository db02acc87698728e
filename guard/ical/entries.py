"""Reads one entry of a calendar: when it takes place, what it says, and how it recurs."""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta, tzinfo

from guard.ical.cut import Block, Cut, Property, properties, raw_text, unfolded
from guard.ical.values import (
    Broken,
    Length,
    Local,
    Moment,
    Zones,
    as_time,
    duration,
    instant,
    length,
    moment,
    moments,
    plain,
    texts,
)
from guard.plan.calendar import Texts
from guard.record import Record

_WANTED = (
    *("UID", "SEQUENCE", "STATUS", "SUMMARY", "LOCATION", "CATEGORIES", "DTSTART", "DTEND", "DURATION"),
    *("RRULE", "RDATE", "EXDATE", "EXRULE", "RECURRENCE-ID", "ATTENDEE"),
)
_SEVERAL = ("ATTENDEE", "CATEGORIES", "RRULE", "RDATE", "EXDATE", "EXRULE")
_FREQUENT = ("SECONDLY", "MINUTELY")


class Entry(Record):
    """One entry. Its times are those of clocks in ``zone``, which for days and floating times is the plant's.

    ``recurrence_id`` names the recurrence that this entry changes, ``onwards`` that it changes all later ones too.
    """

    uid: str
    at: int
    texts: Texts
    start: Local
    zone: tzinfo
    lasts: Length
    has_end: bool
    sequence: int = 0
    is_cancelled: bool = False
    rules: tuple[str, ...] = ()
    more: tuple[tuple[Local, Length | None], ...] = ()
    without: tuple[Local, ...] = ()
    recurrence_id: Local | None = None
    onwards: bool = False


class Sketch(Record):
    """What is known of an entry before it is read in full. ``odd`` is a line in the place of a SUMMARY that is no property."""

    uid: str
    texts: Texts
    block: Block
    odd: Property | None
    props: tuple[Property, ...]


_WORDS = re.compile(
    rb'^(UID|SUMMARY|LOCATION|CATEGORIES)(?:;(?:"[^"\n]*+"|[^":;\n]++)*+)*+:([^\n]*+)$', re.MULTILINE | re.IGNORECASE
)
_MOST_INNER = 20
"""Components within an entry, which has an alarm or two; in more of them ``_INNER`` would search too long."""

_LONGEST_RULE = 2000
"""Characters of a rule of recurrence; one with every day of a year by its number is as long."""

_MOST_LINES = 10_000
"""Lines of one entry that say when it takes place, and who takes part."""

_INNER = re.compile(rb"^BEGIN:(\w+).*?^END:\1", re.MULTILINE | re.DOTALL | re.IGNORECASE)


def words(source: Cut, block: Block) -> tuple[str, Texts]:
    """The UID and the words of an entry, without a look at anything else in it: most entries are none of ours."""
    raw = unfolded(source.raw[block.begin : block.end])
    if b"\nBEGIN:" in raw:
        if raw.upper().count(b"\nBEGIN:") > _MOST_INNER:
            return _in_full(source, block)
        raw = _INNER.sub(b"", raw)
    found: dict[bytes, list[str]] = {}
    for match in _WORDS.finditer(raw):
        found.setdefault(match[1].upper(), []).append(raw_text(match[2].rstrip(b"\r")))
    if b"SUMMARY" not in found or b"UID" not in found:
        return _in_full(source, block)
    categories = ", ".join(each for value in found.get(b"CATEGORIES", ()) for each in texts(value))
    # Two entries that run together, the lines between them lost, have two of each.
    summary, location = (plain(" ".join(found.get(name, ()))) for name in (b"SUMMARY", b"LOCATION"))
    said = Texts(categories, summary, location)
    return plain(found[b"UID"][0]).strip(), said


def _in_full(source: Cut, block: Block) -> tuple[str, Texts]:
    whole = sketch(source, block)
    return whole.uid, whole.texts


def sketch(source: Cut, block: Block) -> Sketch:
    """The words of an entry, and the properties that matter."""
    lines = tuple(properties(source, block))
    props = tuple(prop for prop in lines if prop.name in _WANTED)
    has_summary = any(prop.name == "SUMMARY" for prop in props)
    odd = [] if has_summary else [prop for prop in lines if not prop.name]

    def text(name: str) -> str:
        return next((plain(prop.value) for prop in props if prop.name == name), "")

    categories = [each for prop in props if prop.name == "CATEGORIES" for each in texts(prop.value)]
    summary = text("SUMMARY") if has_summary else " ".join(prop.value for prop in odd)
    people = dict.fromkeys(_person(prop) for prop in props if prop.name == "ATTENDEE" and _takes_part(prop))
    said = Texts(", ".join(categories), summary, text("LOCATION"), tuple(people))
    return Sketch(text("UID").strip(), said, block, odd[0] if odd else None, props)


def _takes_part(prop: Property) -> bool:
    """Whether an attendee is a person who has not declined."""
    declined = (prop.parameter("PARTSTAT") or "").upper() == "DECLINED"
    return not declined and (prop.parameter("CUTYPE") or "INDIVIDUAL").upper() in ("INDIVIDUAL", "UNKNOWN")


def _person(prop: Property) -> str:
    """An attendee by the address, which is the same however the name is written; else by the name."""
    address = re.sub("^mailto:", "", prop.value.strip(), flags=re.IGNORECASE).casefold()
    return address or prop.parameter("CN") or ""


def entry(found: Sketch, zones: Zones, plant: tzinfo) -> Entry:
    """The entry in full. Raises Broken with the place of what is wrong in it."""
    if not found.block.ended:
        raise Broken("it is not whole: the line that begins or that ends it is missing")
    if found.odd is not None:
        raise Broken("it has no SUMMARY, and a line that is no property", found.odd.at)
    if len(found.props) > _MOST_LINES:
        raise Broken(f"it has {len(found.props)} lines that say when and by whom; at most {_MOST_LINES} are read")
    once = _once(found.props)
    if not found.uid:
        raise Broken("it has no UID, by which it could be known again")
    if "DTSTART" not in once:
        raise Broken("it has no DTSTART, so nobody knows when it begins")
    try:
        return _entry(found, once, zones, plant)
    except OverflowError:
        raise Broken("a time in it lies outside every calendar") from None


def _once(props: tuple[Property, ...]) -> dict[str, Property]:
    once: dict[str, Property] = {}
    for prop in props:
        if prop.name in once and prop.name not in _SEVERAL:
            raise Broken(f"it has {prop.name} twice", prop.at)
        once[prop.name] = prop
    return once


def _entry(found: Sketch, once: dict[str, Property], zones: Zones, plant: tzinfo) -> Entry:
    start = moment(once["DTSTART"], once["DTSTART"].value, zones)
    zone = start.zone or plant
    lasts, has_end = _lasts(once, start, zones, plant)
    recurrence = once.get("RECURRENCE-ID")
    several = [prop for prop in found.props if prop.name in _SEVERAL]
    refused = next((prop for prop in several if prop.name == "EXRULE"), None)
    if refused is not None:
        raise Broken("it has an EXRULE, which RFC 5545 no longer knows", refused.at)
    return Entry(
        uid=found.uid,
        at=found.block.begin,
        texts=found.texts,
        start=start.local,
        zone=zone,
        lasts=lasts,
        has_end=has_end,
        sequence=_sequence(once.get("SEQUENCE")),
        is_cancelled="STATUS" in once and once["STATUS"].value.strip().upper() == "CANCELLED",
        rules=tuple(_rule(prop) for prop in several if prop.name == "RRULE"),
        more=tuple(each for prop in several if prop.name == "RDATE" for each in _more(prop, zone, zones, plant)),
        without=tuple(
            _there(each, zone, plant) for prop in several if prop.name == "EXDATE" for each in moments(prop, zones)
        ),
        recurrence_id=None if recurrence is None else _there(moment(recurrence, recurrence.value, zones), zone, plant),
        onwards=recurrence is not None and (recurrence.parameter("RANGE") or "").upper() == "THISANDFUTURE",
    )


def _lasts(once: dict[str, Property], start: Moment, zones: Zones, plant: tzinfo) -> tuple[Length, bool]:
    """How long it lasts: to DTEND exactly, by DURATION in the calendar's days; a day lasts a day where neither is given."""
    is_day = not isinstance(start.local, datetime)
    if "DTEND" in once:
        prop = once["DTEND"]
        last = moment(prop, prop.value, zones)
        if is_day != (not isinstance(last.local, datetime)):
            raise Broken("DTSTART and DTEND are not of one kind: one is a day and the other a time", prop.at)
        if is_day:
            lasts = Length((as_time(last.local) - as_time(start.local)).days)
        else:
            lasts = Length(exact=instant(last.local, last.zone or plant) - instant(start.local, start.zone or plant))
        if lasts.days < 0 or lasts.exact < timedelta():
            raise Broken("it ends before it begins", prop.at)
        return (lasts, True) if lasts != Length() else (Length(int(is_day)), is_day)
    if "DURATION" in once and (lasts := length(once["DURATION"])) != Length():
        return lasts, True
    return Length(int(is_day)), is_day


def _more(prop: Property, zone: tzinfo, zones: Zones, plant: tzinfo) -> list[tuple[Local, Length | None]]:
    """The further times of an RDATE; periods have a length of their own."""
    found: list[tuple[Local, Length | None]] = []
    for text in prop.value.split(","):
        begin, _, rest = text.partition("/")
        first = moment(prop, begin, zones)
        lasts = None
        if rest.lstrip("+").startswith("P"):
            lasts = duration(rest, prop)
        elif rest:
            last = moment(prop, rest, zones)
            lasts = Length(exact=instant(last.local, last.zone or plant) - instant(first.local, first.zone or plant))
            if lasts.exact < timedelta():
                raise Broken("a period of its RDATE ends before it begins", prop.at)
        found.append((_there(first, zone, plant), lasts))
    return found


def _there(found: Moment, zone: tzinfo, plant: tzinfo) -> Local:
    """A time as the clocks of the entry's own zone show it; a day stays a day."""
    if not isinstance(found.local, datetime) or (found.zone or plant) == zone:
        return found.local
    return instant(found.local, found.zone or plant).astimezone(zone).replace(tzinfo=None, fold=0)


def _sequence(prop: Property | None) -> int:
    if prop is None:
        return 0
    if not re.fullmatch(r"\d{1,9}", prop.value.strip(), re.ASCII):
        raise Broken("SEQUENCE is no whole number", prop.at)
    return int(prop.value)


def _rule(prop: Property) -> str:
    """A rule of recurrence whose parts are each there once."""
    if len(prop.value) > _LONGEST_RULE:
        raise Broken(f"RRULE has {len(prop.value)} characters; at most {_LONGEST_RULE} are read", prop.at)
    parts = [part.partition("=") for part in prop.value.strip().upper().strip(";").split(";")]
    names = [name for name, _, _ in parts]
    frequency = next((value for name, _, value in parts if name == "FREQ"), "")
    if len(set(names)) < len(names) or not frequency or not all(value for _, _, value in parts):
        raise Broken("RRULE has a part twice, or lacks FREQ or a value", prop.at)
    if frequency in _FREQUENT:
        raise Broken(f"it recurs {frequency}, which no planned event does", prop.at)
    if "COUNT" in names and "UNTIL" in names:
        raise Broken("RRULE has both COUNT and UNTIL, which RFC 5545 forbids", prop.at)
    return ";".join(f"{name}={value}" for name, _, value in parts)


def end_of(start: Local, zone: tzinfo, lasts: Length) -> datetime:
    """When what begins then is over, in UTC: days are counted by the calendar, the rest is exact."""
    if not lasts.days:
        return instant(start, zone) + lasts.exact
    last = as_time(start) + timedelta(days=lasts.days)
    return (instant(last, zone) + lasts.exact).astimezone(UTC)
