"""What a report says of the charge of the cells over the time to come, in words and as JSON."""

from __future__ import annotations

from datetime import datetime, tzinfo

from guard.plan.charge_ahead import Way
from guard.rules.evidence import utc
from guard.tell.told import Charge
from guard.times import day_shown, shown

COLUMNS = 46
"""Events that begin within one of so many stretches of the time share a letter."""


def charge_document(charge: Charge) -> dict[str, object]:
    """The cells that are followed, with every point of their ways."""
    ahead = charge.ahead
    return {
        "until": utc(ahead.until),
        "cells": [
            {
                "arm": way.arm,
                "type": way.type,
                "points": [{"at": utc(point.at), "part": point.part} for point in way.points],
                "changed_at": utc(way.changed_at),
                "empty_at": utc(way.empty_at),
            }
            for way in ahead.ways
        ],
        "others": ahead.others,
        "least_other_part": ahead.least_other,
        "untold": charge.untold,
    }


def told(way: Way, zone: tzinfo) -> str:
    """One cell's way in words."""
    first, last = way.points[0], way.points[-1]
    change = ", when it is planned to be changed" if way.changed_at is not None else ""
    text = (
        f"{way.arm} {way.type}: {percent(first.part)} left now, {percent(last.part)} at {shown(last.at, zone)}{change}"
    )
    return f"{text}." if change and way.empty_at is None else f"{text}; {emptied(way, first.at, zone)}."


def emptied(way: Way, now: datetime, zone: tzinfo) -> str:
    """When a cell is expected to be empty, with the planned events."""
    if way.empty_at is None:
        return "never empty by the standby current"
    return "empty by its figures" if way.empty_at <= now else f"empty about {day_shown(way.empty_at, zone)}"


def percent(part: float) -> str:
    """A part of a charge; what is left at all is never told as nothing."""
    return "less than 1 %" if 0 < part < 0.01 else f"{int(100 * part)} %"


def which(charge: Charge, zone: tzinfo) -> str:
    """Which cells are followed, and what is known of the others."""
    ahead, said = charge.ahead, []
    if ahead.least_other is not None:
        these = f"These {len(ahead.ways)} have the least left at {shown(ahead.until, zone)}"
        rest = "the one other" if ahead.others == 1 else f"each of the {ahead.others} others"
        said.append(f"{these}; {rest} has {percent(ahead.least_other)} or more then.")
    elif ahead.ways:
        said.append("These are all cells whose charge can be told.")
    if charge.untold:
        said.append(f"Not told for want of an installed date or the figures of the type: {charge.untold}.")
    return " ".join(said) or "No cells are listed."
