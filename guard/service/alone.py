"""One monitor for each state folder: a lock of the system's, held for life, says who serves it.

The system gives the lock back when its process ends, however it ends. So a file that is left
over stops nobody, and what stands in it only names the holder.
"""

from __future__ import annotations

import os
import socket
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import datetime

from guard.errors import StateUnusable
from guard.rules.evidence import utc
from guard.service.refusals import AlreadyServing

LOCK_NAME = "serving.lock"

LOCKED_BYTE = 1 << 20
"""Windows keeps everybody else from reading a byte that is locked, so it is one beyond the text."""


@contextmanager
def alone(state: str, now: datetime) -> Iterator[None]:
    """Be the only monitor of the state folder for as long as this lasts.

    Raises AlreadyServing, which names the other one, and StateUnusable where the folder allows
    no lock: without proof of being alone there is no monitor.
    """
    path = os.path.join(state, LOCK_NAME)
    lock = _taken(path)
    try:
        _name_holder(lock, f"{os.getpid()}\n{socket.gethostname()}\n{utc(now.replace(microsecond=0))}\n")
        yield
    finally:
        os.close(lock)


def _taken(path: str) -> int:
    """The open lock file, locked."""
    try:
        os.makedirs(os.path.dirname(path), exist_ok=True)
        lock = os.open(path, os.O_RDWR | os.O_CREAT, 0o644)
    except OSError as error:
        raise _unusable(path, error) from error
    try:
        _lock(lock)
    except OSError as error:
        os.close(lock)
        if isinstance(error, (BlockingIOError, PermissionError)):  # as flock and as Windows say it
            raise _already_serving(path) from error
        raise _unusable(path, error) from error
    return lock


def _lock(lock: int) -> None:
    if sys.platform == "win32":
        import msvcrt

        os.lseek(lock, LOCKED_BYTE, os.SEEK_SET)
        msvcrt.locking(lock, msvcrt.LK_NBLCK, 1)
    else:
        import fcntl

        fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)


def _name_holder(lock: int, text: str) -> None:
    try:
        os.ftruncate(lock, 0)
        os.lseek(lock, 0, os.SEEK_SET)
        os.write(lock, text.encode())
    except OSError:
        return  # a disk that is full stops no monitor: the lock holds, and only its holder has no name


def _already_serving(path: str) -> AlreadyServing:
    """The refusal, with as much as the first one has written down about itself by now."""
    try:
        with open(path, encoding="utf-8", errors="replace") as file:
            pid, host, since = file.read(LOCKED_BYTE).split("\n")[:3]
        return AlreadyServing(path, int(pid), host, since)
    except (OSError, ValueError):
        return AlreadyServing(path, None, "", None)


def _unusable(path: str, error: OSError) -> StateUnusable:
    remedy = "Make it writable for this user, on a local disk with room, or name another folder as plant.state."
    return StateUnusable(path, error.strerror or str(error), remedy)
