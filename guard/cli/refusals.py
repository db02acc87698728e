"""What keeps the command line from doing what was typed. Each takes facts and words itself, as those in `guard.errors` do.

CallError
├── NoSuchTime
├── TimeTwice
├── UnknownCode
├── NeedsYes
└── NeedsTerminal
"""

from __future__ import annotations

from guard.errors import CallError


class NoSuchTime(CallError):
    """A local time that a clock change skips."""

    def __init__(self, text: str, zone: str, before: str, after: str) -> None:
        self.text, self.zone, self.before, self.after = text, zone, before, after

    def __str__(self) -> str:
        return (
            f"{self.text!r} does not exist in {self.zone}: the clocks go forward over it."
            f" Give an offset: {self.before} or {self.after}"
        )


class TimeTwice(CallError):
    """A local time that a clock change repeats."""

    def __init__(self, text: str, zone: str, first: str, second: str) -> None:
        self.text, self.zone, self.first, self.second = text, zone, first, second

    def __str__(self) -> str:
        return (
            f"{self.text!r} exists twice in {self.zone}: the clocks go back over it."
            f" Give an offset: {self.first} or {self.second}"
        )


class UnknownCode(CallError):
    """A finding code that does not exist."""

    def __init__(self, asked: str, codes: list[str]) -> None:
        self.asked, self.codes = asked, codes

    def __str__(self) -> str:
        from difflib import get_close_matches

        near = get_close_matches(self.asked.lower(), self.codes, 1, 0.75)
        hint = f" Did you mean {near[0]}?" if near else ""
        return f"No finding has the code {self.asked!r}.{hint} The codes are: {', '.join(self.codes)}."


class NeedsYes(CallError):
    """A change that wants a person's word, where no terminal is there to ask on."""

    def __init__(self, change: str) -> None:
        self.change = change

    def __str__(self) -> str:
        return f"This would {self.change}. Without a terminal to ask on, say so with --yes."


class NeedsTerminal(CallError):
    """A guided run where nobody can be asked."""

    def __init__(self, arm: str) -> None:
        self.arm = arm

    def __str__(self) -> str:
        return (
            f"The guided run of a visit asks at every step, and here is no terminal to ask on. Run it on one, or print"
            f" the sheet: guard visit {self.arm} --out FILE"
        )
