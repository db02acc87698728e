"""What stops a whole calendar from being taken in. Nothing of the plan is changed then.

CallError
└── CalendarRefused         2: the file is no calendar that can be taken in
"""

from __future__ import annotations

from guard.errors import CallError


class CalendarRefused(CallError):
    """A file that cannot be taken in as a calendar. What was planned from it before stays planned."""

    def __init__(self, path: str, why: str, remedy: str) -> None:
        self.path, self.why, self.remedy = path, why, remedy

    def __str__(self) -> str:
        return f"The calendar {self.path} was not taken in: {self.why}. What it planned before stays planned. {self.remedy}"
