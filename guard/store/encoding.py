"""How facts are written down: times as RFC 3339 text that sorts, paths as their bytes."""

from __future__ import annotations

import json
import struct
from datetime import UTC, datetime, timedelta

from guard.errors import ValueUnreadable
from guard.model import FileFacts
from guard.names import name_bytes, name_text

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Any

NO_TIME = -(2**63)


def time_text(moment: datetime | None) -> str | None:
    """A moment as text of fixed width, so that text order is time order."""
    return (
        None if moment is None else f"{moment.astimezone(UTC).replace(tzinfo=None).isoformat(timespec='microseconds')}Z"
    )


def time_read(text: str | None) -> datetime | None:
    """A moment from its text. Raises ValueUnreadable."""
    return None if text is None else moment(text)


def moment(text: str) -> datetime:
    """A moment from a text that is always there. Raises ValueUnreadable."""
    try:
        found = datetime.fromisoformat(text)
    except (ValueError, TypeError):
        raise ValueUnreadable(text, "a time") from None
    if found.tzinfo is None:
        raise ValueUnreadable(text, "a time in UTC")
    return found


def span(seconds: object) -> timedelta:
    """A span of time from its seconds. Raises ValueUnreadable."""
    try:
        return timedelta(seconds=seconds)  # type: ignore[arg-type]  # whatever stands there
    except (TypeError, ValueError, OverflowError):
        raise ValueUnreadable(seconds, "a number of seconds") from None


class _Said(dict[str, "Any"]):
    """What an entry says, which tells what it does not say."""

    def __missing__(self, name: str) -> None:
        raise ValueUnreadable(dict(self), f"an entry with its {name!r}")


def body_read(text: str) -> dict[str, Any]:
    """What a text in JSON says, by its names. Raises ValueUnreadable, also later for a name that is not there."""
    try:
        found = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        raise ValueUnreadable(text, "what an entry says") from None
    if not isinstance(found, dict):
        raise ValueUnreadable(text, "what an entry says")
    return _Said(found)


def list_read(text: str, expected: str) -> list[Any]:
    """What a text in JSON lists; ``expected`` says of what. Raises ValueUnreadable."""
    try:
        found = json.loads(text)
    except (ValueError, TypeError, RecursionError):
        raise ValueUnreadable(text, expected) from None
    if not isinstance(found, list):
        raise ValueUnreadable(text, expected)
    return found


def canonical(value: object) -> str:
    """JSON in one form only: sorted keys, no spaces, ASCII, no NaN."""
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=True, allow_nan=False)


def pack_manifest(files: tuple[FileFacts, ...]) -> tuple[bytes, bytes, bytes, bytes]:
    """The files of a set as four columns: names, stats, SHA-256 and BLAKE3."""
    names = name_bytes("".join([f"{file.path}\0" for file in files]))
    numbers = [n for file in files for n in (file.size, NO_TIME if file.mtime_ns is None else file.mtime_ns)]
    return (
        names,
        struct.pack(f"<{len(numbers)}q", *numbers),
        b"".join(file.sha256 for file in files),
        b"".join(file.blake3 for file in files),
    )


def same_stats(one: bytes, other: bytes, within: timedelta) -> bool:
    """Whether two columns of stats of as many files tell the same sizes, and times no further apart than that."""
    apart_ns = within // timedelta(microseconds=1) * 1000
    pairs = zip(*(struct.unpack(f"<{len(stats) // 8}q", stats) for stats in (one, other)), strict=True)
    return all(abs(a - b) <= (apart_ns if n % 2 else 0) for n, (a, b) in enumerate(pairs))


def unpack_manifest(names: bytes, stats: bytes, sha256: bytes, blake3: bytes) -> tuple[FileFacts, ...]:
    """The files of a set from their four columns. Raises ValueUnreadable where they do not fit together."""
    paths = names.split(b"\0")[:-1]
    if not len(paths) * 32 == len(sha256) == len(blake3) == len(stats) * 2:
        raise ValueUnreadable(names, "the files of a set, each with a size and two digests,")
    numbers = struct.unpack(f"<{len(stats) // 8}q", stats)
    return tuple(
        FileFacts(
            name_text(path),
            numbers[2 * n],
            None if numbers[2 * n + 1] == NO_TIME else numbers[2 * n + 1],
            sha256[32 * n : 32 * n + 32],
            blake3[32 * n : 32 * n + 32],
        )
        for n, path in enumerate(paths)
    )
