"""The one place that reads the clocks."""

from __future__ import annotations

import time
from datetime import UTC, datetime

from guard.record import Record


class Reading(Record):
    """Both clocks at one moment.

    ``wall`` can be set forward and back. ``uptime_s`` only ever grows, also while the computer
    sleeps, but begins anew with each start; ``boot`` tells one start from another, and is empty
    where the system does not.
    """

    wall: datetime
    boot: str
    uptime_s: float


def now() -> datetime:
    """This moment as an aware UTC datetime."""
    return datetime.now(UTC)


def reading() -> Reading:
    """Both clocks, now."""
    try:
        with open("/proc/sys/kernel/random/boot_id", encoding="ascii") as file:
            boot = file.read().strip()
    except OSError:
        boot = ""
    uptime_s = time.clock_gettime(time.CLOCK_BOOTTIME) if hasattr(time, "CLOCK_BOOTTIME") else time.monotonic()
    return Reading(now(), boot, uptime_s)
