"""Room on the share, how fast the backups fill it, and when it will be full: as far as that can be told."""

from __future__ import annotations

import shutil
from datetime import datetime, timedelta, tzinfo

from guard.model import ShareFacts
from guard.store.activity import Growth, growth
from guard.store.database import Store
from guard.tell.told import Space
from guard.times import day_shown
from guard.units import bytes_in_words, in_words

DAY = timedelta(days=1)
SPAN = 30 * DAY
"""Over which the growth is measured: longer than any weekly rhythm, short enough to be the present."""

SHORTEST = 3 * DAY
"""A rate over less than this tells nothing."""

FAR = timedelta(days=3652.5)
"""Later than in ten years is not told."""


def space(catalogue: Store, root: str, share: ShareFacts, now: datetime, zone: tzinfo) -> Space:
    """Room on the share now, and what comes of it at the present rate. Never raises over a share that is not there."""
    since, found = _measured(catalogue, now)
    total = used = free = None
    unknown = _not_this_share(share)
    if not unknown:
        try:
            total, used, free = shutil.disk_usage(root)
        except OSError as error:
            unknown = f"it cannot be asked for its size: {error.strerror or error}"
    per_day = _per_day(found, now - since)
    full_at = _full_at(free, per_day, now)
    outlook = _outlook(free, per_day, full_at, now - since, now, zone)
    return Space(unknown, total, used, free, since, found.arrived, found.gone, per_day, full_at, outlook)


def _not_this_share(share: ShareFacts) -> str:
    """Why the disk at the share's place may not be the share's; empty where it is."""
    if share.unreadable is not None:
        return f"it cannot be read: {share.unreadable}"
    return {"other": "another share is mounted in its place", "gone": "its marker is gone"}.get(share.marker, "")


def _measured(catalogue: Store, now: datetime) -> tuple[datetime, Growth]:
    """The growth since the first day of watching, in which old sets are seen for the first time, or for a month."""
    begun = growth(catalogue, now).begun
    since = now - SPAN
    if begun is not None:
        since = min(max(since, begun + DAY), now)
    return since, growth(catalogue, since)


def _per_day(found: Growth, span: timedelta) -> int | None:
    """Bytes a day; None where nothing was watched for long enough."""
    if found.begun is None or span < SHORTEST:
        return None
    return round((found.arrived - found.gone) / (span / DAY))


def _full_at(free: int | None, per_day: int | None, now: datetime) -> datetime | None:
    if free is None or per_day is None or per_day <= 0:
        return None
    days = free / per_day
    return now + days * DAY if days <= FAR / DAY else None


def _outlook(
    free: int | None, per_day: int | None, full_at: datetime | None, span: timedelta, now: datetime, zone: tzinfo
) -> str:
    if free == 0:
        return "It is full: no new backup fits on it."
    if free is None:
        return "When it will be full cannot be told."
    if per_day is None:
        needed = in_words(DAY + SHORTEST)
        return f"When it will be full cannot be told yet: the monitor must have watched the share for {needed}."
    if per_day <= 0:
        return f"The backups take no more room than {in_words(span)} ago, so they do not fill it."
    rate = f"at the present rate of {bytes_in_words(per_day)} a day"
    if full_at is None:
        return f"It will not be full within ten years {rate}."
    return f"It will be full in about {in_words(full_at - now)}, on {day_shown(full_at, zone)}, {rate}."
