"""Every deliberate refusal. Each takes facts and words itself: what, where, and what to do.

GuardError                  exit code 1 unless said otherwise
├── CallError               2: the call is wrong
│   ├── UnknownArm
│   ├── UnknownSet
│   ├── UnknownEvent
│   ├── AmbiguousSet
│   ├── NotUnderstood
│   └── WouldOverwrite
├── ConfigMissing           2: no configuration found
├── ConfigUnreadable        2: it is there and cannot be read
├── ConfigFaults            2: the configuration has faults, all of them told
├── ShareUnreadable         1
├── ShareDoubtful           1
├── StateUnusable           1: the state folder or a file in it cannot be used
├── StateLocked             1
├── StateNewer              1: written by a newer version of this tool
├── StateDamaged            1
└── ValueUnreadable         1: a value in a database of the state that this tool never wrote

What belongs to one room alone stands there: in its `refusals`, or tell/unsent.py.
"""

from __future__ import annotations

from guard.record import Record


class GuardError(Exception):
    """A deliberate refusal with its own exit code."""

    exit_code = 1


class CallError(GuardError):
    """The call is wrong."""

    exit_code = 2


class UnknownArm(CallError):
    """An arm that the configuration does not have."""

    def __init__(self, asked: str, nearest: list[str]) -> None:
        self.asked, self.nearest = asked, nearest

    def __str__(self) -> str:
        hint = f" Did you mean {' or '.join(self.nearest)}?" if self.nearest else ""
        return f"No arm is called {self.asked!r} in the configuration.{hint} `guard fleet` lists them all."


class UnknownSet(CallError):
    """A set that the catalogue does not have."""

    def __init__(self, asked: str) -> None:
        self.asked = asked

    def __str__(self) -> str:
        return (
            f"No set has the path or fingerprint {self.asked!r}. Give the path below the share, or 8 or"
            " more hex digits of the fingerprint; `guard sets` lists them. If it is new: guard look"
        )


class UnknownEvent(CallError):
    """A planned event that there is not, or not any more."""

    def __init__(self, asked: str) -> None:
        self.asked = asked

    def __str__(self) -> str:
        return (
            f"No planned event is called {self.asked!r}, or it was dropped already."
            " `guard event list --from 2000-01-01T00:00Z` lists all that are planned, those that are over included."
        )


class AmbiguousSet(CallError):
    """A start of a fingerprint that several sets share."""

    def __init__(self, asked: str, paths: list[str]) -> None:
        self.asked, self.paths = asked, paths

    def __str__(self) -> str:
        return f"{self.asked!r} stands for several sets: {', '.join(self.paths)}. Give the path of one."


class NotUnderstood(CallError):
    """A question or an argument that was not understood in full."""

    def __init__(self, understood: str, not_understood: str, instead: str) -> None:
        self.understood, self.not_understood, self.instead = understood, not_understood, instead

    def __str__(self) -> str:
        understood = f"Understood: {self.understood}. " if self.understood else ""
        return f"{understood}Not understood: {self.not_understood}. {self.instead}"


class WouldOverwrite(CallError):
    """Something that stands where a command would write."""

    def __init__(self, path: str, instead: str) -> None:
        self.path, self.instead = path, instead

    def __str__(self) -> str:
        return f"{self.path} is already there and is left as it is. {self.instead}"


class ConfigMissing(GuardError):
    """No configuration where it was looked for."""

    exit_code = 2

    def __init__(self, path: str) -> None:
        self.path = path

    def __str__(self) -> str:
        return (
            f"No configuration at {self.path}. Give one with --config FILE or $GUARD_CONFIG, or make one:"
            " guard survey SHARE shows a proposal, guard init --share SHARE writes it."
        )


class ConfigUnreadable(GuardError):
    """A configuration that is there, and that the system does not let be read."""

    exit_code = 2

    def __init__(self, path: str, reason: str) -> None:
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return (
            f"The configuration {self.path} cannot be read: {self.reason}. It must be a file that the user who runs"
            " this may read; put that right, or give another one with --config FILE or $GUARD_CONFIG."
        )


class Fault(Record):
    """One thing wrong in a configuration: where, what, and what would be right."""

    file: str
    line: int | None
    key: str
    wrong: str
    right: str

    def __str__(self) -> str:
        place = f"{self.file}:{self.line}" if self.line else self.file
        key = f"{self.key}: " if self.key else ""
        return f"{place}: {key}{self.wrong}; {self.right}"


class ConfigFaults(GuardError):
    """All that is wrong in a configuration, at once."""

    exit_code = 2

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = faults

    def __str__(self) -> str:
        count = f"{len(self.faults)} faults" if len(self.faults) > 1 else "1 fault"
        return "\n".join([f"The configuration has {count}; put right and try again:", *map(str, self.faults)])


class ShareUnreadable(GuardError):
    """The share cannot be read, so nothing new can be said of it."""

    def __init__(self, path: str, reason: str) -> None:
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return (
            f"The share {self.path} cannot be read: {self.reason}. Bring it back and try again;"
            " what was learnt earlier is kept."
        )


class ShareDoubtful(GuardError):
    """The share at this path is not, or may not be, the one that it was."""

    def __init__(self, path: str, reason: str, remedy: str) -> None:
        self.path, self.reason, self.remedy = path, reason, remedy

    def __str__(self) -> str:
        return f"The share {self.path} is in doubt: {self.reason}. {self.remedy}"


class StateUnusable(GuardError):
    """The state folder, or a file in it, cannot be written or opened."""

    def __init__(self, path: str, reason: str, remedy: str) -> None:
        self.path, self.reason, self.remedy = path, reason, remedy

    def __str__(self) -> str:
        return f"{self.path} cannot be used: {self.reason}. {self.remedy}"


class StateLocked(GuardError):
    """A database of the state that another process holds on to."""

    def __init__(self, path: str) -> None:
        self.path = path

    def __str__(self) -> str:
        return (
            f"{self.path} is locked by another process and did not come free. Wait for a running"
            " `guard look` or `guard prove` to end, then try again."
        )


class StateNewer(GuardError):
    """A database of the state that a newer version of this tool has written."""

    def __init__(self, path: str, unknown: str) -> None:
        self.path, self.unknown = path, unknown

    def __str__(self) -> str:
        return (
            f"{self.path} was written by a newer version of this tool (it has {self.unknown}, which this"
            " version does not know). Update this installation; nothing was changed."
        )


class StateDamaged(GuardError):
    """A database of the state that cannot be read any more."""

    def __init__(self, path: str, reason: str, remedy: str) -> None:
        self.path, self.reason, self.remedy = path, reason, remedy

    def __str__(self) -> str:
        return f"{self.path} is damaged: {self.reason}. {self.remedy}"


class ValueUnreadable(GuardError, ValueError):
    """A value in a database of the state that is not what stands there, as after somebody changed it."""

    def __init__(self, value: object, expected: str) -> None:
        self.value, self.expected = value, expected

    def __str__(self) -> str:
        shown = repr(self.value)
        shown = shown if len(shown) <= 60 else f"{shown[:60]}…"
        return (
            f"A database of the state folder holds {shown} where {self.expected} should stand: it was changed by"
            " something else, or is damaged. `guard look --rebuild` builds the catalogue again from the share, and"
            " `guard ledger check` tells whether the ledger was altered; what neither puts right must be restored"
            " from a backup of the state folder. There is no verdict."
        )
