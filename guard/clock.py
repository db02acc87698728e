"""The one place that reads the clock."""

from __future__ import annotations

from datetime import UTC, datetime


def now() -> datetime:
    """This moment as an aware UTC datetime."""
    return datetime.now(UTC)
