"""Times over which an arm's memory may have been lost, and what comparing its sets from before and after gave. Pure."""

from __future__ import annotations

from datetime import datetime

from guard.record import Record

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Literal

    Kind = Literal["memory-swap", "power-down"]
else:
    Kind = str

NO_PART = ""
"""Stands for the part of files that belong to no part of the recipe."""


class Lapse(Record):
    """A time over which an arm's memory may have been lost: a change of its memory cell, or a marked power-down.

    ``ended_at`` is None where nobody knows that the power is back. ``before`` and ``fingerprint`` name
    the set that tells what was in the memory; both are None where there is none.
    """

    kind: Kind
    began_at: datetime
    ended_at: datetime | None
    before: str | None = None
    fingerprint: str | None = None

    @property
    def is_marked(self) -> bool:
        """Whether marks alone tell of it, and no window: a change of the cell that was marked has no length."""
        return self.kind == "power-down" or self.began_at == self.ended_at


class PartDifference(Record):
    """How many files of one part were added, are missing and have changed, and the first few of them by name."""

    part: str
    added: int
    removed: int
    changed: int
    names: tuple[str, ...]


class Compared(Record):
    """How two sets of an arm, named by their fingerprints, differ by part, volatile files aside.

    ``is_new`` is False where the later one may be a copy of the earlier: of its volatile files it holds no other.
    """

    before: str
    after: str
    parts: tuple[PartDifference, ...]
    is_new: bool = True


class Settled(Record):
    """The ledger tells that the memory is proven after a lapse that ended then.

    It proves nothing of one that lasted longer, as a mark that was corrected since may tell.
    """

    kind: Kind
    began_at: datetime
    ended_at: datetime


class Proofs(Record):
    """What the ledger tells of lapses: those that are settled, each once, and those after which the memory differed."""

    settled: tuple[Settled, ...] = ()
    differed: tuple[Lapse, ...] = ()
