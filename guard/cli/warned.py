"""The blocking warnings that are raised, as `guard fleet` shows them: one line an event."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime, tzinfo

from guard.cli.output import Line
from guard.model import PlannedEvent
from guard.plan.warnings import SWAP, Raised
from guard.rules.evidence import utc
from guard.times import shown_with_age

MOST_ARMS = 12
"""More names in one line are counted; each arm has its own line below."""


def warning_lines(
    warned: Iterable[Raised], events: Iterable[PlannedEvent], now: datetime, zone: tzinfo
) -> Iterator[Line]:
    """What is blocked, on which arms, and since when; what runs or comes first stands first."""
    by_id = {event.id: event for event in events}
    groups: dict[str, list[Raised]] = {}
    for each in warned:
        groups.setdefault(each.event, []).append(each)

    def place(event: str) -> tuple[bool, str]:
        return event != SWAP, by_id[event].start.isoformat() if event in by_id else ""

    for event in sorted(groups, key=place):
        yield Line(
            f"{_what(event, by_id.get(event), now, zone)}: {_arms(groups[event])}; since"
            f" {shown_with_age(min(each.raised_at for each in groups[event]), now, zone)}",
            label=f"BLOCKED  {event}",
            label_style="hold-word",
            label_width=22,
        )
    yield Line()


def _what(event_id: str, event: PlannedEvent | None, now: datetime, zone: tzinfo) -> str:
    if event_id == SWAP:
        return "the memory cell is out"
    if event is None:
        return "an event that was dropped meanwhile"
    title = f" ({event.title})" if event.title else ""
    return f"{event.kind}{title}, {shown_with_age(event.start, now, zone)}"


def _arms(warned: list[Raised]) -> str:
    told = [f"{each.arm} {each.level}" for each in warned[:MOST_ARMS]]
    more = f" and {len(warned) - MOST_ARMS} more" if len(warned) > MOST_ARMS else ""
    return ", ".join(told) + more


def warnings_as_json(warned: Iterable[Raised]) -> list[dict[str, object]]:
    """The warnings that are raised, for programs."""
    return [
        {
            "event": each.event,
            "arm": each.arm,
            "level": each.level,
            "headline": each.headline,
            "codes": list(each.codes),
            "raised_at": utc(each.raised_at),
            "told_at": utc(each.told_at),
        }
        for each in warned
    ]
