"""Reads the values of calendar properties, to the letter of RFC 5545; what is not by it is refused and not guessed."""

from __future__ import annotations

import re
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta, tzinfo
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from guard.ical.cut import Block, Cut, Property, properties
from guard.record import Record
from guard.times import readings

_DATE = re.compile(r"(\d{4})(\d{2})(\d{2})", re.ASCII)
_TIME = re.compile(r"(\d{4})(\d{2})(\d{2})T(\d{2})(\d{2})(\d{2})(Z?)", re.ASCII)
_DURATION = re.compile(r"([+-]?)P(?:(\d+)W|(?:(\d+)D)?(?:T(?=\d)(?:(\d+)H)?(?:(\d+)M)?(?:(\d+)S)?)?)", re.ASCII)
_ESCAPED = re.compile(r"\\(.)", re.DOTALL)

DAY = timedelta(days=1)

Local = date | datetime
"""A day, or a time without a zone as clocks in some zone show it."""


class Broken(ValueError):
    """Something in an entry that cannot be read; ``at`` is its place in the file, None where it is the entry as such."""

    def __init__(self, why: str, at: int | None = None) -> None:
        super().__init__(why)
        self.why, self.at = why, at


class Moment(Record):
    """A day or time as a calendar writes it. ``zone`` is None for a day and for a floating time."""

    local: Local
    zone: tzinfo | None


class Length(Record):
    """How long something lasts: days by the calendar, and exact time beside them, RFC 5545 section 3.8.5.3."""

    days: int = 0
    exact: timedelta = timedelta()


def moments(prop: Property, zones: Zones) -> Iterator[Moment]:
    """The days or times of a property, which may list several."""
    for text in prop.value.split(","):
        yield moment(prop, text, zones)


def moment(prop: Property, text: str, zones: Zones) -> Moment:
    """One day or time of a property. Raises Broken."""
    try:
        if day := _DATE.fullmatch(text):
            return Moment(date(*map(int, day.groups())), None)
        if time := _TIME.fullmatch(text):
            fields = [int(each) for each in time.groups()[:6]]
            fields[5] = min(fields[5], 59)  # a leap second is read as the second before it, RFC 5545 section 3.3.12
            local = datetime(*fields)  # type: ignore[arg-type]  # noqa: DTZ001
            named = prop.parameter("TZID")
            return Moment(local, UTC if time[7] else None if named is None else zones.zone(named, prop.at))
    except ValueError as error:
        if isinstance(error, Broken):
            raise
    raise Broken(f"{prop.name} is {_short(text)}, which is neither a day nor a time", prop.at)


def length(prop: Property) -> Length:
    """The length that a DURATION tells. Raises Broken."""
    return duration(prop.value, prop)


def duration(text: str, prop: Property) -> Length:
    """A duration, RFC 5545 section 3.3.6. Raises Broken for one that is negative or none."""
    found = _DURATION.fullmatch(text)
    if found is None or found[1] == "-" or not any(found.groups()[1:]):
        raise Broken(f"{prop.name} is {_short(text)}, which is no length of time", prop.at)
    weeks, days, hours, minutes, seconds = (int(each or 0) for each in found.groups()[1:])
    try:
        timedelta(days=7 * weeks + days)
        return Length(7 * weeks + days, timedelta(hours=hours, minutes=minutes, seconds=seconds))
    except OverflowError:
        raise Broken(f"{prop.name} is {_short(text)}, longer than any calendar", prop.at) from None


def plain(value: str) -> str:
    """A text value without its escapes, RFC 5545 section 3.3.11."""
    return _ESCAPED.sub(lambda sign: "\n" if sign[1] in "nN" else sign[1], value)


def texts(value: str) -> list[str]:
    """The texts of a value that lists several, separated by commas that are not escaped."""
    return [plain(each) for each in re.findall(r"(?:\\.|[^,\\])+", value, re.DOTALL)]


def _short(text: str) -> str:
    return repr(text if len(text) <= 40 else f"{text[:40]}…")


class Zones:
    """The zones that a calendar names: as it describes them itself, else as this computer knows them."""

    def __init__(self, source: Cut) -> None:
        self._source = source
        self._described: dict[str, Block] = {}
        for block in source.zones:
            name = next((prop.value for prop in properties(source, block) if prop.name == "TZID"), None)
            if name is not None:
                self._described.setdefault(name, block)
        self._found: dict[str, tzinfo | str] = {}

    def zone(self, name: str, at: int) -> tzinfo:
        """The zone of that name. Raises Broken where it is not known, since an hour off may be a day lost."""
        if name not in self._found:
            block = self._described.get(name)
            self._found[name] = self._known(name) if block is None else self._own(name, block)
        found = self._found[name]
        if isinstance(found, str):
            raise Broken(found, at)
        return found

    def _known(self, name: str) -> tzinfo | str:
        from icalendar.timezone.windows_to_olson import WINDOWS_TO_OLSON

        try:
            return ZoneInfo(WINDOWS_TO_OLSON.get(name, name))
        except (ZoneInfoNotFoundError, ValueError, OSError):
            return f"it names the zone {_short(name)}, which neither the file describes nor this computer knows"

    def _own(self, name: str, block: Block) -> tzinfo | str:
        """The zone by the file's own description. icalendar's store of zones is left out: it outlives the file."""
        from icalendar import Timezone

        inner = self._source.raw[block.begin : block.end].strip(b"\r\n")
        try:
            component = Timezone.from_ical(b"BEGIN:VTIMEZONE\r\n" + inner + b"\r\nEND:VTIMEZONE\r\n")
            zone: tzinfo = component.to_tz(lookup_tzid=False)  # type: ignore[attr-defined]
            datetime(2026, 1, 1, tzinfo=zone).utcoffset()
        except Exception as error:  # noqa: BLE001 - whatever a description holds, it costs the entries that name it
            return f"the file's description of the zone {_short(name)} cannot be read ({type(error).__name__})"
        return zone


def instant(local: Local, zone: tzinfo) -> datetime:
    """The moment, in UTC, that a day begins in a zone or that its clocks show a time.

    Of two such moments the first counts; where the clocks go forward over it, it is read with
    the offset from before that, RFC 5545 section 3.3.5. Raises OverflowError at the calendar's ends.
    """
    naive = as_time(local)
    found = readings(naive, zone)
    if found:
        return found[0]
    before = (naive - DAY).replace(tzinfo=zone).utcoffset()  # a zone that a file describes knows no fold in a gap
    return (naive - (before or timedelta())).replace(tzinfo=UTC)


def as_time(local: Local) -> datetime:
    """A time as it is, and a day's midnight."""
    return local if isinstance(local, datetime) else datetime(local.year, local.month, local.day)  # noqa: DTZ001
