"""The oracle's own look at the clock; that of the tool is not to be believed here."""

from __future__ import annotations

from datetime import UTC, datetime


def now() -> datetime:
    """The time, aware and in UTC."""
    return datetime.now(UTC)  # noqa: TID251
