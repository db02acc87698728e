"""What keeps a survey from a proposal. It takes facts and words itself, as those in `guard.errors` do.

CallError
└── NothingToPropose
"""

from __future__ import annotations

from guard.errors import CallError


class NothingToPropose(CallError):
    """A share in which nothing looks like backup sets."""

    def __init__(self, path: str, seen: str) -> None:
        self.path, self.seen = path, seen

    def __str__(self) -> str:
        return (
            f"Nothing in {self.path} looks like backup sets of several arms: {self.seen}. Point the survey"
            " at the folder that holds the arms' folders or archives."
        )
