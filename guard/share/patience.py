"""Asks a share that may never answer: a server that went away leaves whoever reads from its mount waiting."""

from __future__ import annotations

# The documented ground of threading, which takes long to load.
from _thread import LockType, allocate_lock, start_new_thread
from collections.abc import Callable

from guard.errors import ShareUnreadable

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import TypeVar

    T = TypeVar("T")

PATIENCE_S = 20.0
"""Longer than a share takes that wakes its disks, and short enough for a person to wait (common practice, no source)."""


_waiting: dict[str, LockType] = {}
"""By root the last look at it that had not come back when patience ended; it is locked until it does."""


def answered(root: str, look: Callable[[], T], patience_s: float = PATIENCE_S) -> T:
    """What a look at the share gives. Raises ShareUnreadable where it gives nothing for so long, and what it raises.

    Nothing can end a look that waits for a server, so it is left waiting and keeps nobody. As long as it waits, nobody
    is kept by another look at the same share.
    """
    before = _waiting.get(root)
    if before is not None and before.locked():
        raise ShareUnreadable(root, "it does not answer")
    given: list[T] = []
    raised: list[BaseException] = []
    done = allocate_lock()
    done.acquire()

    def work() -> None:
        try:
            given.append(look())
        except BaseException as error:  # noqa: BLE001 - raised again by whoever asked
            raised.append(error)
        done.release()

    start_new_thread(work, ())
    if not done.acquire(timeout=patience_s):
        _waiting[root] = done
        raise ShareUnreadable(root, f"it has not answered for {patience_s:g} s")
    if raised:
        raise raised[0]
    return given[0]
