"""The oracle's own look at the clock; that of the tool is not to be believed here."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta


def now() -> datetime:
    """The time, aware and in UTC."""
    return datetime.now(UTC)  # noqa: TID251


def wait_until(moment: datetime) -> None:
    """Come back once a moment has passed."""
    while (left := (moment - now()).total_seconds()) >= 0:
        time.sleep(left + 0.001)  # noqa: TID251


def wait_for_steady_second() -> None:
    """Come back early in a second, so that none turns during the next command: times of sets are whole seconds."""
    if now().microsecond > 500_000:
        wait_until(now().replace(microsecond=0) + timedelta(seconds=1))
