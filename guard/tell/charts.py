"""The drawings of a report as SVG, by hand: each says in words what it shows, and in no colour alone."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta, tzinfo

from markupsafe import Markup, escape

from guard.names import visible
from guard.tell.told import Coming, Plan
from guard.times import midnight, shown
from guard.units import in_words

DAY = timedelta(days=1)

BAR, LIMIT_AT, BAR_HEIGHT = 100, 75, 12
"""An age bar: its width, where on it the limit stands, and its height."""


def age_bar(age: timedelta | None, limit: timedelta) -> Markup:
    """The age of a set against its limit: filled up to the age, a line at the limit, an arrow where it goes on."""
    middle = f'<path class="limit" d="M{LIMIT_AT} 0V{BAR_HEIGHT}"/>'
    if age is None:
        return _bar("no age known", f'<path class="none" d="M1 6H{LIMIT_AT}"/>{middle}')
    told = f"{in_words(age)} of {in_words(limit)}"
    length = LIMIT_AT * max(age / limit, 0.0) if limit > timedelta() else float(BAR)
    inside = f'<path class="in" d="M0 3H{min(length, LIMIT_AT):.1f}V9H0Z"/>'
    if age <= limit:
        return _bar(told, inside + middle)
    end = min(length, BAR - 8)
    over = f'<path class="over" d="M{LIMIT_AT} 3H{max(end, LIMIT_AT):.1f}V9H{LIMIT_AT}Z"/>'
    beyond = f'<path class="over" d="M{BAR - 8} 0L{BAR} 6L{BAR - 8} 12Z"/>' if length > BAR - 8 else ""
    return _bar(f"{told}: too old", inside + over + beyond + middle)


def _bar(told: str, drawing: str) -> Markup:
    head = f'<svg class="age" viewBox="0 0 {BAR} {BAR_HEIGHT}" role="img"><title>{escape(told)}</title>'
    return Markup(f"{head}{drawing}</svg>")  # noqa: S704 - numbers and words of our own, escaped


WIDE, LANE, TOP, BOTTOM = 1000, 26, 6, 26
"""A time line: its width, the height of each event's lane, and the room above and below the lanes."""

MOST_LANES = 40
"""More would fill pages; the table beside it holds them all."""

SHORTEST_SPAN = 2 * DAY
LONG_TITLE = 48


def time_line(plan: Plan, now: datetime, zone: tzinfo) -> Markup:
    """The coming events, each in a lane of its own from its start to its end, with the verdict at its start."""
    events = plan.events[:MOST_LANES]
    if not events:
        return Markup()
    first = min(now, *(event.start for event in events)) if any(event.start < now for event in events) else now
    last = min(max(event.end for event in events), plan.until)
    scale = _Scale(max(first, now - DAY), max(last - now, SHORTEST_SPAN) * 1.02)
    height = TOP + LANE * len(events) + BOTTOM
    drawing = [
        f'<svg class="line" viewBox="0 0 {WIDE} {height}" role="img" aria-labelledby="line-title line-desc">',
        f'<title id="line-title">{_safe(_title(plan, zone))}</title>',
        f'<desc id="line-desc">{_safe(" ".join(_told(event, zone) for event in events))}</desc>',
        *_days(scale, height, zone),
        *(drawn for lane, event in enumerate(events) for drawn in _event(event, lane, scale, zone)),
        "</svg>",
    ]
    return Markup("\n".join(drawing))  # noqa: S704 - every text in it went through _safe


class _Scale:
    def __init__(self, first: datetime, span: timedelta) -> None:
        self.first, self.span = first, span

    def __call__(self, moment: datetime) -> float:
        return min(max(WIDE * ((moment - self.first) / self.span), 0.0), float(WIDE))


def _safe(text: str) -> Markup:
    return escape(visible(text))


def _title(plan: Plan, zone: tzinfo) -> str:
    total = len(plan.events)
    more = f", the first {MOST_LANES} of {total}" if total > MOST_LANES else ""
    return f"Planned events until {shown(plan.until, zone)}{more}"


def _told(event: Coming, zone: tzinfo) -> str:
    return f"{shown(event.start, zone)}: {event.kind} {event.title}, {event.level}."


def _days(scale: _Scale, height: int, zone: tzinfo) -> Iterator[str]:
    """A line at each midnight of the plant, with its day as often as there is room for it."""
    days = max(round(scale.span / DAY), 1)
    every = next(step for step in (1, 2, 7, 14) if days <= 11 * step or step == 14)
    day = scale.first.astimezone(zone).date()
    for number in range(days + 2):
        day += DAY
        at = scale(midnight(day, zone))
        if at >= WIDE:
            return
        labelled = number % every == 0
        kind = "day" if labelled else "faint"
        yield f'<path class="{kind}" d="M{at:.1f} 0V{height - BOTTOM}"/>'
        if labelled and at < WIDE - 60:
            yield f'<text class="date" x="{at:.1f}" y="{height - 6}">{day:%a %d %b}</text>'


def _event(event: Coming, lane: int, scale: _Scale, zone: tzinfo) -> Iterator[str]:
    left, right = scale(event.start), scale(event.end)
    width = min(max(right - left, 6.0), WIDE - left + 6.0)
    top = TOP + LANE * lane
    yield f"<g><title>{_safe(_told(event, zone))}</title>"
    yield f'<rect class="bar {_drawn(event)}" x="{left:.1f}" y="{top + 3}" width="{width:.1f}" height="18"/>'
    beside = left + width + 6
    where = f'x="{beside:.1f}"' if left < WIDE / 2 and beside < WIDE * 0.6 else f'x="{left - 6:.1f}" text-anchor="end"'
    yield f'<text {where} y="{top + 17}"><tspan class="word">{event.level.upper()}</tspan> {_safe(_label(event))}</text></g>'


def _drawn(event: Coming) -> str:
    """How its bar is drawn: hollow where nothing blocks it but that it is too early for its backup."""
    return "waits" if event.waits else event.level


def _label(event: Coming) -> str:
    title = event.title if len(event.title) <= LONG_TITLE else f"{event.title[: LONG_TITLE - 1]}…"
    early = ", too early for its backup" if event.waits else ""
    return f"{event.kind}{f' {title}' if title else ''}, {event.total} arm{'' if event.total == 1 else 's'}{early}"
