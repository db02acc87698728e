"""What may keep a mark, a sign-off or a swap from being recorded. Each takes facts and words itself, as those in `guard.errors` do.

NothingToSignOff    2: the arm does not have that finding
NotAbout            2: the arm has that finding, about something else
NeverSignedOff      2: nobody can answer for that finding
CellIsOut           2: nobody can answer while the cell is out
NoWindow            2: no window is open
NotCorrectable      2: an entry that is no mark, or was corrected already
NotPermitted        20 or 30: the verdict does not allow it
PermitStale         30: the look at the backups lies too far back
RunDown             20: what would carry the memory has run down
WindowTaken         20: somebody else's window is open
ClockSetBack        2: a clock by which it would be told when it happened, and that is wrong
"""

from __future__ import annotations

from datetime import UTC, datetime, tzinfo

from guard.errors import CallError, GuardError
from guard.times import shown


class NothingToSignOff(CallError):
    """A finding to be answered for that the arm does not have."""

    def __init__(self, arm: str, code: str, has: list[str]) -> None:
        self.arm, self.code, self.has = arm, code, has

    def __str__(self) -> str:
        has = f"It has: {', '.join(self.has)}." if self.has else "It has no finding at all."
        return (
            f"{self.arm} has no finding {self.code} that could be signed off. {has} What is found depends on what"
            " shall be done and when; name them with --action and --at."
        )


class NeverSignedOff(CallError):
    """A finding that the configuration lets nobody answer for before these actions."""

    def __init__(self, arm: str, code: str, actions: list[str]) -> None:
        self.arm, self.code, self.actions = arm, code, actions

    def __str__(self) -> str:
        before = "" if len(self.actions) > 1 else f" before a {self.actions[0]}"
        return (
            f"{self.code} of {self.arm} cannot be signed off{before}: nobody can answer for"
            " what may come of it (sign-off.never in the configuration). What lifts it: guard ask --arm"
            f" {self.arm} --action {self.actions[0]}"
        )


class CellIsOut(CallError):
    """A finding about a memory cell that is out, which nobody can answer for."""

    def __init__(self, arm: str, code: str) -> None:
        self.arm, self.code = arm, code

    def __str__(self) -> str:
        return (
            f"{self.code} cannot be signed off: while a memory cell is out nobody can answer for what comes of"
            f" it. Seat the new cell, then run: guard swap end {self.arm} --by NAME"
        )


class NotAbout(CallError):
    """A sign-off for one of several findings of a code, which are about other things."""

    def __init__(self, arm: str, code: str, about: str, there: list[str]) -> None:
        self.arm, self.code, self.about, self.there = arm, code, about, list(dict.fromkeys(there))

    def __str__(self) -> str:
        what = (
            f"--about takes one of: {', '.join(self.there)}" if self.there else "It is about the arm: leave out --about"
        )
        return f"No {self.code} of {self.arm} is about {self.about!r}, so nobody answers for anything. {what}"


class NoWindow(CallError):
    """A swap window to be ended, where none is open."""

    def __init__(self, arm: str) -> None:
        self.arm = arm

    def __str__(self) -> str:
        return (
            f"No swap window of {self.arm} is open, so there is none to end. guard swap show lists the open ones; a"
            f" cell that was changed without one is recorded with: guard mark cell-changed {self.arm}"
        )


class NotCorrectable(CallError):
    """An entry of the ledger that is no mark, or was corrected already, by the entry ``later``."""

    def __init__(self, number: int, later: int | None) -> None:
        self.number, self.later = number, later

    def __str__(self) -> str:
        if self.later is not None:
            return (
                f"Entry {self.number} of the ledger was corrected already, by entry {self.later}. Correct that one:"
                f" guard mark --correct {self.later}, if it is a mark that still stands"
            )
        return f"Entry {self.number} of the ledger is no mark. `guard ledger show --last 0` lists all entries with their numbers."


class NotPermitted(GuardError):
    """A verdict that does not allow the memory cell to be taken out."""

    def __init__(self, arm: str, action: str, level: str) -> None:
        self.arm, self.action, self.level = arm, action, level
        self.exit_code = 30 if level == "unknown" else 20

    def __str__(self) -> str:
        return (
            f"The verdict about a {self.action} of {self.arm} is {self.level}, which opens no swap window. What lifts"
            f" it: guard ask --arm {self.arm} --action memory-swap"
        )


class PermitStale(GuardError):
    """A look at the backups that lies too far back to pull a cell on the strength of it."""

    exit_code = 30

    def __init__(self, arm: str) -> None:
        self.arm = arm

    def __str__(self) -> str:
        return (
            f"Nothing was begun: the look at the backups of {self.arm} lies more than 5 minutes back, or a clock was"
            f" set meanwhile. Leave the cell in and run again: guard swap begin {self.arm}"
        )


class RunDown(GuardError):
    """A cell that would have to be back in at the moment at which it is pulled."""

    exit_code = 20

    def __init__(self, arm: str) -> None:
        self.arm = arm

    def __str__(self) -> str:
        return (
            f"Nothing was begun: what would carry the memory of {self.arm} has run down since its power went off. Leave"
            f" the cell in, power {self.arm} on again as the site's energy control procedure says, and begin anew."
        )


class ClockSetBack(CallError):
    """Something to be recorded as of now, while something of the same arm is known that is still to come."""

    def __init__(self, arm: str, latest: datetime, zone: tzinfo, instead: str = "") -> None:
        self.arm, self.latest, self.zone, self.instead = arm, latest, zone, instead

    def __str__(self) -> str:
        otherwise = self.instead or (
            "Where the clock is right now and was ahead then, give the set that was first seen then another name, or"
            " correct the mark (guard mark --correct N --at WHEN)."
        )
        return (
            f"Nothing was recorded: a set or a mark of {self.arm} is known since {shown(self.latest, self.zone)}, which is"
            " still to come, so this computer's clock was set back, and would tell a wrong time. Set the clock right,"
            f" then try again. {otherwise}"
        )


class WindowTaken(GuardError):
    """A swap window that is open already."""

    exit_code = 20

    def __init__(self, arm: str, by: str, since: datetime, zone: tzinfo = UTC) -> None:
        self.arm, self.by, self.since, self.zone = arm, by, since, zone

    def __str__(self) -> str:
        by = f" by {self.by}" if self.by else ""
        since = self.since.astimezone(self.zone).strftime("%a %Y-%m-%d %H:%M:%S %Z")
        return (
            f"The swap window of {self.arm} is open already: begun{by}, {since}. Nothing was begun a second"
            f" time. How long it has been out: guard swap show {self.arm}"
        )
