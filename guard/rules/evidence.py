"""Times and spans as evidence: in the form that the JSON contract gives them. Pure."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

MICROSECOND = timedelta(microseconds=1)
"""The grain of every time here: a limit that is inside is left one of these later."""


FIRST_MOMENT = datetime.min.replace(tzinfo=UTC)
"""The beginning of the calendar."""


def later(moment: datetime, *spans: timedelta) -> datetime | None:
    """The moment plus the spans; None past the end of the calendar."""
    try:
        return sum(spans, timedelta()) + moment
    except OverflowError:
        return None


def earlier(moment: datetime, *spans: timedelta) -> datetime | None:
    """The moment less the spans; None before the beginning of the calendar. The longest span has no negative."""
    try:
        return moment - sum(spans, timedelta())
    except OverflowError:
        return None


def seconds(span: timedelta) -> float | int:
    """Seconds of a span, as an integer where it is whole."""
    whole = span // timedelta(seconds=1)
    return whole if timedelta(seconds=whole) == span else span.total_seconds()


def utc(moment: datetime | None) -> str | None:
    """RFC 3339 in UTC with Z, as the JSON contract writes times; None stays None."""
    return None if moment is None else moment.isoformat().replace("+00:00", "Z")
