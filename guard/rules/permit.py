"""The permit: what opening a swap window takes, and only a verdict that allows it can make. Pure."""

from __future__ import annotations

from datetime import datetime, timedelta

from guard.model import Verdict
from guard.rules.refusals import NotPermitted

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import final
else:

    def final(made: type) -> type:
        """Say to the type checker that nothing derives from this."""
        return made


LIFE = timedelta(minutes=5)
"""How long a look at the arm's backups may lie back when its cell is pulled."""


@final
class Permit:
    """The leave to open one arm's swap window, at one moment, on the strength of one set.

    Made of a verdict for `memory-swap` that is clear or a caution, as it is where somebody
    answers for what holds it. Raises NotPermitted for every other verdict.
    """

    __slots__ = ("arm", "at", "codes", "fingerprint", "level", "rests_on")

    def __init__(self, verdict: Verdict) -> None:
        if verdict.question.action != "memory-swap" or verdict.level not in ("clear", "caution"):
            raise NotPermitted(verdict.arm, verdict.question.action, verdict.level)
        backup = verdict.resting.set if verdict.resting else None
        self.arm = verdict.arm
        self.at = verdict.question.at
        self.level = verdict.level
        self.rests_on = backup.path if backup else None
        self.fingerprint = backup.fingerprint if backup else None
        self.codes = tuple(found.code for found in verdict.findings)

    def is_fresh(self, now: datetime) -> bool:
        """Whether it is of this moment: no older than it may be, and not of a moment to come."""
        return timedelta() <= now - self.at <= LIFE
