"""The monitor's log: one line for each event, in a file that is turned over before it grows too large.

    2026-11-25T08:00:00.123Z INFO set-sealed arm=arm-07 path="arm-07/2026-11-25 0510"

A value that is more than a plain word stands in quotes, escaped as a JSON string, and with
everything that could break the line or steer a terminal spelled out. So no name of a file can
forge a line, and `json.loads` gives every value back.
"""

from __future__ import annotations

import json
import logging
import os
import re
import sys
from datetime import UTC, datetime, timedelta, tzinfo
from io import TextIOWrapper
from logging.handlers import RotatingFileHandler

from guard.rules.evidence import seconds, utc

LOG_NAME = "guard.log"
MOST_BYTES = 5_000_000
OLD_FILES = 10

HEARD = ("guard", "apscheduler", "watchdog")
"""Whose events are written. Other libraries tell addresses, which may hold secrets."""

_PLAIN = re.compile(r"[\w.:,/@%+~-]+", re.ASCII)


def event(logger: logging.Logger, name: str, level: int = logging.INFO, /, **facts: object) -> None:
    """Log one event: ``event(log, "set-sealed", arm=…, path=…)``."""
    logger.log(level, name, extra={"facts": facts})


def log_to(state: str, zone: tzinfo = UTC, *, debug: bool = False) -> None:
    """From now on, log to the state folder, and what is alarming also to standard error; all of it with ``debug``.

    The file tells times in UTC, and so does standard error, but for a terminal: there it is the zone's.
    """
    stop_logging()
    on_terminal = sys.stderr is not None and sys.stderr.isatty()
    beside = _Beside(logging.DEBUG if debug else logging.WARNING, zone if on_terminal else UTC)
    handlers = (beside, _File(os.path.join(state, LOG_NAME), beside))
    logging.getLogger().addHandler(logging.NullHandler())  # or what nobody hears would go to standard error
    for name in HEARD:
        logger = logging.getLogger(name)
        logger.setLevel(logging.WARNING if name != "guard" else logging.DEBUG if debug else logging.INFO)
        logger.propagate = False
        for handler in handlers:
            logger.addHandler(handler)


def stop_logging() -> None:
    """Take back what `log_to` did."""
    for name in HEARD:
        logger = logging.getLogger(name)
        for ours in [each for each in logger.handlers if isinstance(each, (_Beside, _File))]:
            logger.removeHandler(ours)
            ours.close()
        logger.propagate = True
        logger.setLevel(logging.NOTSET)
    root = logging.getLogger()
    for silence in [each for each in root.handlers if isinstance(each, logging.NullHandler)]:
        root.removeHandler(silence)


class _OneLine(logging.Formatter):
    """Words a record as one line, whatever is in it."""

    def __init__(self, zone: tzinfo = UTC) -> None:
        super().__init__()
        self.zone = zone

    def format(self, record: logging.LogRecord) -> str:
        facts = getattr(record, "facts", None)
        if facts is None:  # as libraries write, and the fault of a hand
            name, facts = "message", {"by": record.name, "text": record.getMessage()}
        else:
            name = record.getMessage()
        if record.exc_info:
            facts = {**facts, "trace": self.formatException(record.exc_info)}
        at = datetime.fromtimestamp(record.created, self.zone).isoformat(timespec="milliseconds").replace("+00:00", "Z")
        told = (f"{key}={shown(fact, self.zone)}" for key, fact in facts.items())
        return " ".join([at, record.levelname, name, *told])


def shown(fact: object, zone: tzinfo = UTC) -> str:
    """A fact as it stands behind its =: bare where it is a plain word, else a JSON string."""
    text = _text(fact, zone)
    if _PLAIN.fullmatch(text):
        return text
    quoted = json.dumps(text, ensure_ascii=False)
    return quoted if quoted.isprintable() else "".join(map(_spelled, quoted))


def _spelled(sign: str) -> str:
    if sign.isprintable():
        return sign
    return json.dumps(sign)[1:-1] if ord(sign) > 0xFFFF else f"\\u{ord(sign):04x}"


def _text(fact: object, zone: tzinfo) -> str:
    match fact:
        case None:
            return "none"
        case bool():
            return "yes" if fact else "no"
        case datetime() if zone is UTC:
            return utc(fact.astimezone(UTC)) or ""
        case datetime():
            return fact.astimezone(zone).isoformat()
        case timedelta():
            return f"{seconds(fact)}s"
        case list() | tuple() | set() | frozenset():
            return ",".join(_text(each, zone) for each in fact)
        case BaseException():
            return f"{type(fact).__name__}: {fact}"
        case _:
            return str(fact)


class _Beside(logging.StreamHandler):  # type: ignore[type-arg] # it is whatever sys.stderr is at the moment
    """Standard error, which the service manager keeps."""

    def __init__(self, level: int, zone: tzinfo) -> None:
        super().__init__(sys.stderr)
        self.setLevel(level)
        self.setFormatter(_OneLine(zone))

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802 - its name in logging
        """Say nothing: there is nobody left to say it to."""


class _File(RotatingFileHandler):
    """The log's file. Where it cannot be written, that is said once on standard error, and the work goes on."""

    def __init__(self, path: str, beside: _Beside) -> None:
        super().__init__(
            path, maxBytes=MOST_BYTES, backupCount=OLD_FILES, encoding="utf-8", errors="backslashreplace", delay=True
        )
        self.setLevel(logging.INFO)
        self.setFormatter(_OneLine())
        self._beside = beside
        self._lost = 0

    def emit(self, record: logging.LogRecord) -> None:
        """Write the record; tell once when the file can be written no more, and once when it can again."""
        lost = self._lost
        super().emit(record)
        if lost and self._lost == lost:
            self._lost = 0
            self._say("log-written-again", file=self.baseFilename, events_lost=lost)

    def handleError(self, record: logging.LogRecord) -> None:  # noqa: N802, ARG002 - its name in logging
        """Count the event that is lost; the file is opened anew for the next one."""
        self._lost += 1
        if self._lost == 1:
            self._say("log-unwritable", file=self.baseFilename, why=sys.exc_info()[1])
        self._let_go()

    def doRollover(self) -> None:  # noqa: N802 - its name in logging
        """Turn the file over; where that is not allowed, as while another program reads it on Windows, go on in it."""
        try:
            super().doRollover()
        except OSError:
            self._let_go()

    def close(self) -> None:
        """Close the file, and say nothing of what could not be written."""
        self._let_go()
        super().close()

    def _let_go(self) -> None:
        stream = self.stream
        self.stream = None  # as the class itself leaves it while nothing is open
        try:
            if stream is not None:
                stream.close()
        except OSError:
            return  # what was still held back is lost, and counted

    def _open(self) -> TextIOWrapper:
        stream = super()._open()
        if self._is_torn():
            stream.write("\n")
        return stream

    def _is_torn(self) -> bool:
        """Whether the last line was not written to its end, as after a power cut or on a disk that was full."""
        if not os.path.isfile(self.baseFilename) or not os.path.getsize(self.baseFilename):
            return False
        with open(self.baseFilename, "rb") as file:
            file.seek(-1, os.SEEK_END)
            return file.read() != b"\n"

    def _say(self, name: str, **facts: object) -> None:
        record = logging.LogRecord("guard", logging.WARNING, "", 0, name, None, None)
        record.facts = facts
        self._beside.handle(record)
