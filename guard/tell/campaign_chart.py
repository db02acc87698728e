"""The chart of a campaign as SVG: a bar for each backup on one time line, to stand in the rows of its table."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, time, timedelta

from markupsafe import Markup, escape

from guard.plan.campaign import Campaign, Turn
from guard.times import earliest_reading, shown

HOUR = timedelta(hours=1)

WIDE, ROW, AXIS = 400, 16, 26
"""The width of every drawing, and the heights of a row and of the scale above the rows."""

STEPS = tuple(hours * HOUR for hours in (1, 2, 3, 6, 12, 24, 48, 168))
MOST_TICKS = 4
"""More labels would run into each other."""


class Chart:
    """The drawings of one campaign, from shortly before the first backup must begin to the event's start."""

    def __init__(self, plan: Campaign) -> None:
        terms = self.terms = plan.terms
        earliest = min((turn.begin_by for turn in plan.turns), default=terms.ready_by - terms.each)
        self.first = earliest - terms.each / 2
        self.span = max(terms.event.start - self.first, HOUR / 60)

    def _at(self, moment: datetime) -> float:
        return min(max(WIDE * ((moment - self.first) / self.span), 0.0), float(WIDE))

    def bar(self, turn: Turn) -> Markup:
        """One backup: a thin line from when on it may begin, a block where it lies if it begins at the latest time."""
        left, begin = self._at(turn.begin_from), self._at(turn.begin_by)
        end = max(self._at(turn.begin_by + self.terms.each), begin + 3)
        zone = self.terms.zone
        told = f"may begin from {shown(turn.begin_from, zone)}, must begin by {shown(turn.begin_by, zone)}"
        ready = self._at(self.terms.ready_by)
        return self._drawn(
            ROW,
            told,
            f'<path class="may" d="M{left:.1f} {ROW / 2}H{begin:.1f}"/>',
            f'<rect class="must" x="{begin:.1f}" y="2" width="{end - begin:.1f}" height="{ROW - 4}"/>',
            f'<path class="ready" d="M{ready:.1f} 0V{ROW}"/><path class="start" d="M{WIDE - 1} 0V{ROW}"/>',
        )

    def axis(self) -> Markup:
        """The scale above the rows: hours or days of the plant, and the event's start at the right end."""
        zone = self.terms.zone
        marks = [
            f'<path class="tick" d="M{at:.1f} {AXIS - 6}V{AXIS}"/><text x="{max(at, 20):.1f}" y="{AXIS - 9}">{label}</text>'
            for at, label in self._ticks()
            if at < WIDE - 60
        ]
        told = f"from {shown(self.first, zone)} to the start, {shown(self.terms.event.start, zone)}"
        end = f'<path class="start" d="M{WIDE - 1} {AXIS - 8}V{AXIS}"/><text class="end" x="{WIDE}" y="{AXIS - 9}">start</text>'
        return self._drawn(AXIS, told, *marks, end)

    def _ticks(self) -> Iterator[tuple[float, str]]:
        zone = self.terms.zone
        step = next((each for each in STEPS if self.span / each <= MOST_TICKS), STEPS[-1])
        step *= -(-self.span // (step * MOST_TICKS))
        local = datetime.combine(self.first.astimezone(zone).date(), time())
        while (moment := earliest_reading(local, zone)) < self.terms.event.start:
            if moment >= self.first:
                yield self._at(moment), f"{local:%a %H:%M}" if step < 24 * HOUR else f"{local:%a %d %b}"
            local += step

    def _drawn(self, height: int, told: str, *pieces: str) -> Markup:
        head = f'<svg class="turn" viewBox="0 0 {WIDE} {height}" role="img"><title>{escape(told)}</title>'
        return Markup(f"{head}{''.join(pieces)}</svg>")  # noqa: S704 - numbers and times of our own
