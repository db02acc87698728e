"""What is told on this computer whatever else is configured: the log, and a file in the state folder."""

from __future__ import annotations

import json
import logging
import os
from datetime import datetime

from guard.model import BLOCKING
from guard.store.encoding import canonical, time_text
from guard.tell.message import Message
from guard.tell.unsent import NotReached, reason

FILE = "told.log"

LONGEST_FILE = 16 << 20
"""Some years of a plant that has little to tell. What is older is kept once more beside it."""

log = logging.getLogger("guard.tell")


def note(level: int, name: str, **facts: object) -> None:
    """Log one event with its facts, as the log's format wants them."""
    log.log(level, name, extra={"facts": facts})


def to_log(message: Message) -> None:
    """Tell the log."""
    # A report is no alarm, whatever it tells: a quiet night is quiet.
    alarming = message.event and message.level in BLOCKING
    note(
        logging.WARNING if alarming else logging.INFO, "told", key=message.key, arm=message.arm, subject=message.subject
    )


def to_file(state: str, message: Message, now: datetime, *, may_be_there: bool) -> None:
    """Append the message to the file, on the disk when this returns. Raises NotReached.

    ``may_be_there``: it was tried before, by a sender that may have been ended after writing.
    """
    path = os.path.join(state, FILE)
    try:
        if may_be_there and _holds(path, message):
            return
        if os.path.exists(path) and os.path.getsize(path) > LONGEST_FILE:
            os.replace(path, f"{path}.old")
        with open(path, "ab+") as file:
            line = canonical({**message.told(), "told_at": time_text(now)}).encode("ascii") + b"\n"
            file.write(_ending(file.tell(), path) + line)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise NotReached(f"{path}: {reason(error)}") from error


def _ending(size: int, path: str) -> bytes:
    """What ends a line that a crash or a full disk has cut off."""
    if size == 0:
        return b""
    with open(path, "rb") as file:
        file.seek(-1, os.SEEK_END)
        return b"" if file.read(1) == b"\n" else b"\n"


def _holds(path: str, message: Message) -> bool:
    if not os.path.exists(path):
        return False
    told = message.told()
    with open(path, encoding="ascii", errors="replace") as file:
        return any(_is(line, told) for line in file)


def _is(line: str, told: dict[str, object]) -> bool:
    try:
        there = json.loads(line)
    except ValueError:
        return False  # cut off: it was not told
    return isinstance(there, dict) and {**there, "told_at": None} == {**told, "told_at": None}
