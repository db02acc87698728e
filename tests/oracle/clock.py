"""The plant's clock, which the oracle sets ahead so that days pass between two commands; the tool is given the same."""

from __future__ import annotations

import time
from datetime import UTC, datetime, timedelta

_ahead = [timedelta(0)]


def now() -> datetime:
    """The time, aware and in UTC."""
    return datetime.now(UTC) + _ahead[0]  # noqa: TID251


def ahead_s() -> float:
    """By so many seconds the plant's clock is ahead of the computer's."""
    return _ahead[0].total_seconds()


def set_right() -> None:
    """Let it tell the computer's time again: a new plant begins."""
    _ahead[0] = timedelta(0)


def pass_by(span: timedelta) -> None:
    """Let time pass."""
    _ahead[0] += span


def wait_until(moment: datetime) -> None:
    """Come back once a moment has passed."""
    while (left := (moment - now()).total_seconds()) >= 0:
        time.sleep(left + 0.001)  # noqa: TID251


def wait_for_steady_second() -> None:
    """Come back early in a second, so that none turns during the next command: times of sets are whole seconds."""
    if now().microsecond > 500_000:
        wait_until(now().replace(microsecond=0) + timedelta(seconds=1))
