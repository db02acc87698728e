"""Why a letter was not sent. Each takes facts and words itself; what it says goes to the outbox and the log.

Unsent
├── NotReached     the channel does not work; no letter would get through
├── NotAccepted    the other side answered, and would not take this letter
└── Faltered       the other side gave no good answer to this letter; it may have arrived
"""

from __future__ import annotations

from guard.names import visible
from guard.store.letters import NOT_REACHED


class Unsent(Exception):
    """A letter that was not sent; ``begins`` tells the kinds apart in the outbox."""

    begins = ""

    def __init__(self, what: str) -> None:
        self.what = what

    def __str__(self) -> str:
        return f"{self.begins}{visible(self.what)}"


class NotReached(Unsent):
    """The channel does not work, whatever the letter."""

    begins = NOT_REACHED


class NotAccepted(Unsent):
    """The other side does not take this letter."""

    begins = "not accepted: "


class Faltered(Unsent):
    """The other side was reached and gave no good answer: none in time, or that it is in trouble itself."""

    begins = "no good answer: "


def reason(error: Exception) -> str:
    """What an error of the system says, without its number."""
    return str(getattr(error, "strerror", None) or str(error) or type(error).__name__)
