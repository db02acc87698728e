"""What the catalogue tells of a set or a place, and what it is told."""

from __future__ import annotations

from datetime import datetime

from guard.model import FileFacts, Form, Part, Problem
from guard.names import name_text
from guard.record import Record
from guard.store.encoding import moment, time_read

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Any


class Place(Record):
    """What was last seen of a place: the share (number 0) or one of its further copies."""

    identity: str | None = None
    seen_at: datetime | None = None
    unreadable: str | None = None
    vanished: int = 0


class Known(Record):
    """What a look needs of a set that is catalogued already."""

    id: int
    arm: str
    path: str
    form: Form
    first_seen: datetime
    signature: str | None
    quiet_since: datetime | None
    recipe: str | None
    shape: str | None
    fingerprint: str | None
    complete: bool | None
    sealed_at: str | None
    damage: str | None
    """How it differs from what was read; None where it does not, as far as is known."""
    stamp: datetime | None
    """The time that its name claims, as it was read when it was last looked at."""
    was_read_back: bool

    @property
    def damaged(self) -> bool:
        """Something that once was right no longer is."""
        return self.damage is not None


KNOWN = """
    SELECT id, arm, path, form, first_seen, signature, quiet_since, recipe, shape, fingerprint, complete, sealed_at,
        CASE WHEN damaged_at IS NULL THEN NULL ELSE coalesce(damage, '') END, stamp,
        last_read_at IS NOT NULL
    FROM sets WHERE place=? AND gone_at IS NULL"""


def known_of(row: tuple[Any, ...]) -> Known:
    """The set that a row of ``KNOWN`` tells of."""
    known = Known(*row)
    return known._replace(
        path=name_text(row[2]),
        first_seen=moment(row[4]),
        quiet_since=time_read(row[6]),
        complete=None if known.complete is None else bool(known.complete),
        stamp=time_read(row[13]),
        was_read_back=bool(row[14]),
    )


class Arrival(Record):
    """A set seen for the first time."""

    place: int
    arm: str
    path: str
    form: Form
    first_seen: datetime
    stamp: datetime | None


class Remembered(Record):
    """What the ledger tells of a content: which set held it, and whether that was damaged, or is gone or no longer it."""

    arrival: Arrival
    fingerprint: str | None
    essence: str | None
    newest_member: datetime | None
    damaged_at: datetime | None = None
    gone_at: datetime | None = None


class Seal(Record):
    """All that is written down when a set was read whole."""

    sealed_at: datetime
    recipe: str
    shape: str
    fingerprint: str | None
    newest_member: datetime | None
    complete: bool
    problems: tuple[Problem, ...]
    identity: str | None
    parts: tuple[Part, ...]
    files: tuple[FileFacts, ...]
    essence: str | None = None
