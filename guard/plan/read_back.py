"""Which sets are read back tonight? Pure."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta

from guard.record import Record


class Proven(Record):
    """A complete set, when it was last read back, if ever, and its size."""

    id: int
    last_read_at: datetime | None
    bytes: int


def tonight(
    sets: Iterable[Proven], now: datetime, within: timedelta, budget_bytes: int, read_bytes: int = 0
) -> list[Proven]:
    """The sets to read back tonight, oldest proof first, at most as many bytes as the budget.

    Every night takes its share, so that within half the time allowed all are read once, and no
    night has to read them all. What was never read back, or not for half the time allowed, is
    taken beyond that share. A set larger than what is left of the budget waits for a night that
    begins with it, where it is read whatever its size: a proof that never comes is worse.
    ``read_bytes`` is what was read already this night.
    """
    # A proof from the future was written by a wrong clock and is none.
    believed = (each._replace(last_read_at=None) if _is_future(each, now) else each for each in sets)
    waiting = sorted(believed, key=lambda each: (each.last_read_at is not None, each.last_read_at or now, each.id))
    nights = max(within // timedelta(days=2), 1)
    share = -(-sum(each.bytes for each in waiting) // nights)
    chosen: list[Proven] = []
    taken = read_bytes
    for each in waiting:
        urgent = each.last_read_at is None or now - each.last_read_at >= within / 2
        if not urgent and taken >= share:
            break
        if taken and taken + each.bytes > budget_bytes:
            break
        chosen.append(each)
        taken += each.bytes
    return chosen


def _is_future(each: Proven, now: datetime) -> bool:
    return each.last_read_at is not None and each.last_read_at > now
