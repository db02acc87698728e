"""What keeps a monitor from running, or from being set up. Each takes facts and words itself, as those in `guard.errors` do.

NotDefinable        2: a path that a service definition cannot hold
AlreadyServing      1: another monitor works on this state folder
"""

from __future__ import annotations

from guard.errors import CallError, GuardError


class NotDefinable(CallError):
    """A path that a service definition cannot hold."""

    def __init__(self, path: str, why: str) -> None:
        self.path, self.why = path, why

    def __str__(self) -> str:
        return f"A service definition cannot hold the path {self.path!r}: {self.why}. Give what stands there another place."


class AlreadyServing(GuardError):
    """Another monitor works on this state folder. ``pid`` and ``since`` are None where it has not told them yet."""

    def __init__(self, path: str, pid: int | None, host: str, since: str | None) -> None:
        self.path, self.pid, self.host, self.since = path, pid, host, since

    def __str__(self) -> str:
        who = "Another monitor" if self.pid is None else f"Process {self.pid} on {self.host}"
        since = f" since {self.since}" if self.since else ""
        return (
            f"{who} already serves this state folder{since}: it holds {self.path}. Two at once would do"
            " everything twice. Leave the first one running, or stop it before this one starts."
        )
