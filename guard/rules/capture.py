"""When was a set saved, as far as that can be believed? Pure."""

from __future__ import annotations

from datetime import UTC, datetime

from guard.model import BackupSet
from guard.plant import Recipe
from guard.record import Record

EARLIEST_PLAUSIBLE = datetime(2001, 1, 1, tzinfo=UTC)
"""A clock that lost its power commonly starts again at 1970, 1980 or 2000 (common practice, no source)."""


_Claim = tuple[datetime, datetime, str]
"""The time a set claims, the stamp in its name, and its path."""

_UNSTAMPED = datetime.max.replace(tzinfo=UTC)
"""Stands for no stamp: among equal claims the set with a stamp is the original, and none shows the other up."""


class Dated(Record):
    """A set with its capture time.

    ``captured_at`` is None where no time can be believed. ``claimed_at`` is the time that
    the set itself claims; the two differ where the set is an older one filed again, which
    ``refiled_from`` then names by its path.
    """

    set: BackupSet
    captured_at: datetime | None
    claimed_at: datetime | None
    clock_doubt: str | None
    refiled_from: str | None


def believable(moment: datetime | None, as_of: datetime) -> bool:
    """Takes as proof that the moment lies between the earliest plausible time and the present."""
    return moment is not None and EARLIEST_PLAUSIBLE <= moment <= as_of


def claimed_time(backup: BackupSet, as_of: datetime) -> datetime | None:
    """The earliest believable of stamp, newest member time and first sight; None where there is none."""
    candidates = (backup.stamp, backup.newest_member, backup.first_seen)
    return min([c for c in candidates if c is not None and EARLIEST_PLAUSIBLE <= c <= as_of], default=None)


def clock_doubt(backup: BackupSet, as_of: datetime) -> str | None:
    """What cannot be right about the set's clocks, in words; None where nothing is wrong."""
    if not believable(backup.first_seen, as_of):
        return "this computer's clock was set back since the set was first seen"
    if backup.stamp is None:
        unread = backup.checked is None or backup.newest_member is not None
        return None if unread else "none of the times in it can be believed, and its name has no stamp"
    if backup.stamp > backup.first_seen:
        return "the stamp in its name lies after the moment at which it was first seen"
    if backup.stamp < EARLIEST_PLAUSIBLE:
        return "the stamp in its name is that of a clock that lost its power"
    return None


def dated(sets: tuple[BackupSet, ...], recipe: Recipe, as_of: datetime) -> tuple[Dated, ...]:
    """The sets of one arm with their capture times, oldest first; undatable ones stand first.

    A set whose every saved byte, volatile parts included, equals an older set's is that old
    backup filed again and takes over its time, whether the old one is still there or not.
    What a file browser left in one of them makes no new backup of it.
    A copy may keep its members' times and so claim no later time than the original; then
    the later stamp in its name gives it away.
    """
    oldest: dict[str, _Claim] = {}
    # Equal files have an equal essence, so one set tells it for all with its fingerprint, whenever they were read.
    essences = {backup.fingerprint: backup.essence for backup in sets if backup.essence is not None}
    claims = []
    for backup in sets:
        saved, claim = essences.get(backup.fingerprint, backup.fingerprint), claimed_time(backup, as_of)
        claims.append((backup, saved, claim))
        if recipe.volatile and saved is not None and claim is not None:
            own = (claim, backup.stamp or _UNSTAMPED, backup.path)
            first = oldest.get(saved)
            if first is None or own < first:
                oldest[saved] = own
    result = [_date(backup, claim, oldest.get(saved or ""), as_of) for backup, saved, claim in claims]
    result.sort(key=_age_order)
    return tuple(result)


def _date(
    backup: BackupSet,
    claim: datetime | None,
    first: _Claim | None,
    as_of: datetime,
) -> Dated:
    captured, refiled_from = claim, None
    if first is not None and claim is not None:
        first_claim, first_stamp, first_path = first
        if first_claim < claim or (backup.stamp is not None and first_stamp < backup.stamp):
            # What came to a set since it was saved was no save, nor makes it a copy.
            grew = first_path == backup.path and backup.essence is not None
            captured, refiled_from = first_claim, None if grew else first_path
    return Dated(backup, captured, claim, clock_doubt(backup, as_of), refiled_from)


def _age_order(item: Dated) -> tuple[bool, datetime, datetime, str, str, bool]:
    backup, captured = item.set, item.captured_at
    return (
        captured is not None,
        captured or backup.first_seen,
        backup.first_seen,
        backup.path,
        backup.form,
        backup.gone,
    )
