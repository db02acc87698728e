"""Reads single values of a configuration; each either gives the typed value or says what would be right."""

from __future__ import annotations

import codecs
import math
import re
from collections.abc import Callable, Sequence
from datetime import date, datetime, timedelta
from typing import Any
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

from guard.model import ACTIONS
from guard.share.layout import Layout, LayoutFault
from guard.units import size, span


class Wrong(ValueError):
    """A value that cannot serve. ``within`` says where in it, as the end of a key's path.

    ``every`` holds this fault and all others of the same value.
    """

    def __init__(self, wrong: str, right: str, within: str = "", others: Sequence[Wrong] = ()) -> None:
        super().__init__(wrong)
        self.wrong, self.right, self.within = wrong, right, within
        self.every = (self, *others)


def shown(value: Any) -> str:
    """A value as it was written, as far as it fits into a sentence."""
    try:
        spelled = repr(value)
    except (RecursionError, ValueError):  # nested too deep, or a number of more digits than Python will print
        return f"this {type(value).__name__}"
    return spelled if len(spelled) <= 100 else f"{spelled[:80]}… ({len(spelled)} characters)"


def text(value: Any) -> str:
    """Text that is not empty."""
    if not isinstance(value, str):
        raise Wrong(f"{shown(value)} is no text", 'write it in quotes, such as "Ridgemoor Castings"')
    if not value.strip() or any(ord(sign) < 32 or ord(sign) == 127 for sign in value):
        raise Wrong(f"{shown(value)} is empty or holds control characters", "write plain text")
    return value


def arm_id(value: Any) -> str:
    """An arm's id: what stands for it in paths, commands and questions."""
    name = text(value)
    if not re.fullmatch(r"\w[\w.-]*", name) or len(name.encode()) > 200:
        raise Wrong(f"{shown(name)} cannot stand in a path", "use letters, digits, - _ and ., such as arm-07")
    return name


def text_list(value: Any) -> tuple[str, ...]:
    """A list of texts."""
    if not isinstance(value, list):
        raise Wrong(f"{shown(value)} is no list", 'write a list, such as ["one", "two"]')
    return tuple(_each(value, text))


def _each(values: list[Any], read: Callable[[Any], Any]) -> list[Any]:
    """Read every item of a list. Raises Wrong for the first faulty one, which holds the other ones' faults too."""
    found, faults = [], []
    for number, value in enumerate(values):
        try:
            found.append(read(value))
        except Wrong as wrong:
            faults.append(Wrong(wrong.wrong, wrong.right, f"[{number}]"))
    if faults:
        raise Wrong(faults[0].wrong, faults[0].right, faults[0].within, faults[1:])
    return found


def never_signed(value: Any) -> tuple[tuple[str, str], ...]:
    """Findings that nobody may answer for: a code, or a code before one action."""
    return tuple(dict.fromkeys(_each(list(text_list(value)), _finding)))


def _finding(told: str) -> tuple[str, str]:
    from guard.rules.findings import EXPLANATIONS

    action, slash, code = told.rpartition("/")
    if code not in EXPLANATIONS or bool(slash) != (action in ACTIONS):
        right = 'write a finding\'s code, such as "wrong-arm", or one before an action, such as "memory-swap/no-backup"'
        raise Wrong(f"{shown(told)} names no finding", right)
    return action, code


def path_within(value: Any) -> str:
    """The path of a file within a set, or a pattern for several."""
    path = text(value)
    if path.startswith("/") or ".." in path.split("/") or "\\" in path:
        raise Wrong(f"{shown(path)} leaves the set", "write it relative to the set, with /")
    return path


def glob_list(value: Any) -> tuple[str, ...]:
    """File patterns within a set; none is allowed."""
    if not isinstance(value, list):
        raise Wrong(f"{shown(value)} is no list", 'write a list, such as ["programs/**"]')
    return tuple(_each(value, path_within))


def some_globs(value: Any) -> tuple[str, ...]:
    """File patterns within a set; at least one."""
    patterns = glob_list(value)
    if not patterns:
        raise Wrong("there is no pattern", 'write at least one, such as ["programs/**"]')
    return patterns


def layout_list(value: Any) -> tuple[str, ...]:
    """Layouts that tell arms apart; at least one."""
    layouts = text_list([value] if isinstance(value, str) else value)
    if not layouts:
        raise Wrong("there is no layout", 'write one, such as ["{arm}/{taken:%Y-%m-%d_%H%M}"]')
    return tuple(_each(list(layouts), _layout))


def _layout(written: str) -> str:
    try:
        Layout(written)
    except LayoutFault as fault:
        raise Wrong(fault.wrong, fault.right) from fault
    return written


def span_of(value: Any) -> timedelta:
    """A span such as 24h."""
    try:
        return span(value)
    except (ValueError, AttributeError, TypeError):
        raise Wrong(f"{shown(value)} is no span of time", 'write one of "90s" "30m" "24h" "7d" "6w" "4y"') from None


def span_or_off(value: Any) -> timedelta | None:
    """A span, or None for off."""
    return None if value == "off" else span_of(value)


def size_of(value: Any) -> int:
    """A size in bytes."""
    try:
        return size(value)
    except (ValueError, AttributeError, TypeError):
        raise Wrong(f"{shown(value)} is no size", 'write one such as "16 B" "64 KiB" "2 MB" "1 GiB"') from None


def flag(value: Any) -> bool:
    """True or false."""
    if not isinstance(value, bool):
        raise Wrong(f"{shown(value)} is neither true nor false", "write true or false")
    return value


def whole(value: Any) -> int:
    """A whole number from 0 up."""
    if isinstance(value, bool) or not isinstance(value, int) or not 0 <= value < 2**53:
        raise Wrong(f"{shown(value)} is no count", "write a whole number, 0 or more")
    return value


def number(value: Any) -> float:
    """A finite number."""
    try:
        if not isinstance(value, bool) and isinstance(value, (int, float)) and math.isfinite(value):
            return float(value)
    except OverflowError:  # a whole number beyond what a float can hold
        pass
    raise Wrong(f"{shown(value)} is no number", "write a number such as 30 or 0.85")


def positive(value: Any) -> float:
    """A number above 0."""
    found = number(value)
    if found <= 0:
        raise Wrong(f"{shown(value)} is not above 0", "write a number above 0")
    return found


def zero_or_more(value: Any) -> float:
    """A number from 0 up."""
    found = number(value)
    if found < 0:
        raise Wrong(f"{shown(value)} is below 0", "write a number, 0 or more")
    return found


def fraction(value: Any) -> float:
    """A number from 0 to 1."""
    found = number(value)
    if not 0 <= found <= 1:
        raise Wrong(f"{shown(value)} is no fraction", "write a number from 0 to 1")
    return found


def up_to_half(value: Any) -> float:
    """A chance from 0 to 0.5."""
    found = number(value)
    if not 0 <= found <= 0.5:
        raise Wrong(f"{shown(value)} is no chance up to one half", "write a number from 0 to 0.5, such as 0.01")
    return found


def any_of(*choices: str) -> Callable[[Any], str]:
    """One of some words."""

    def read(value: Any) -> str:
        if value not in choices:
            raise Wrong(f"{shown(value)} is none of the choices", f"write one of {', '.join(choices)}")
        return str(value)

    return read


def mapping(value: Any) -> dict[str, Any]:
    """A table."""
    if not isinstance(value, dict):
        raise Wrong(f"{shown(value)} is no table", "write a table, such as { key = value }")
    return value


def cells(value: Any) -> tuple[dict[str, Any], ...]:
    """A list of tables, one a cell."""
    if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
        raise Wrong(f"{shown(value)} is no list of cells", 'write [ { type = "memory-cell", installed = 2025-03-14 } ]')
    return tuple(value)


def tables(value: Any) -> tuple[dict[str, Any], ...]:
    """A list of tables; none is allowed."""
    if not isinstance(value, list) or not all(isinstance(item, dict) for item in value):
        raise Wrong(f"{shown(value)} is no list of tables", "write the name in double brackets before each table")
    return tuple(value)


def pattern(value: Any) -> str:
    """A regular expression."""
    written = text(value)
    try:
        re.compile(written)
    except (re.error, OverflowError, RecursionError) as error:
        raise Wrong(f"{shown(written)} is no regular expression: {error}", "write one such as 'shut ?down'") from None
    return written


def day(value: Any) -> date:
    """A date."""
    if isinstance(value, datetime) or not isinstance(value, date):
        raise Wrong(f"{shown(value)} is no date", "write a date without quotes, such as 2025-03-14")
    return value


def zone_name(value: Any) -> str:
    """The IANA name of a zone that this computer knows."""
    name = text(value)
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise Wrong(
            f"{shown(name)} is no time zone that is known", 'write an IANA name, such as "Europe/Berlin"'
        ) from None
    return name


def encoding(value: Any) -> str:
    """The name of a text encoding."""
    name = text(value)
    try:
        codecs.getincrementaldecoder(name)
        b"a".decode(name)
    except UnicodeDecodeError:
        return name  # one byte is no whole character in it, which an encoding of text may say
    except (LookupError, UnicodeError):
        raise Wrong(f"{shown(name)} is no text encoding", 'write one such as "utf-8" or "latin-1"') from None
    return name


def leading_bytes(value: Any) -> bytes:
    """The first bytes of a file, as hex digits."""
    try:
        found = bytes.fromhex(text(value))
    except ValueError:
        raise Wrong(f"{shown(value)} are no bytes", 'write them as hex digits, such as "4d 45 4d"') from None
    return found


def some_span(value: Any) -> timedelta:
    """A span above 0."""
    found = span_of(value)
    if not found:
        raise Wrong(f"{shown(value)} is no time at all", "write a span above 0, such as 15m")
    return found


def span_list(value: Any) -> tuple[timedelta, ...]:
    """Spans above 0; at least one. The longest comes first."""
    if not isinstance(value, list) or not value:
        raise Wrong(f"{shown(value)} is no list of spans", 'write at least one, such as ["7d", "48h"]')
    return tuple(sorted(set(_each(value, some_span)), reverse=True))


def time_of_day(value: Any) -> int:
    """A time of day, as minutes after midnight."""
    found = re.fullmatch(r"([01]?\d|2[0-3]):([0-5]\d)", value) if isinstance(value, str) else None
    if found is None:
        raise Wrong(f"{shown(value)} is no time of day", 'write one such as "05:30"')
    return int(found[1]) * 60 + int(found[2])


def web_address(value: Any) -> str:
    """An address that a program can post to."""
    address = text(value)
    if not re.fullmatch(r"https?://[^\s/]+\S*", address):
        raise Wrong(f"{shown(address)} is no web address", 'write one such as "https://alarms.example/guard"')
    return address


def host_and_port(value: Any) -> tuple[str, int]:
    """A host with a port."""
    found = re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[\w.-]+):(\d{1,5})", text(value), re.ASCII)
    if found is None or not 0 < int(found[2]) < 65536:
        raise Wrong(f"{shown(value)} is no host with a port", 'write one such as "mail.plant.example:587"')
    return found[1].strip("[]"), int(found[2])


def presence_address(value: Any) -> str:
    """Where a controller answers: tcp://host:port."""
    address = text(value)
    if not address.startswith("tcp://"):
        raise Wrong(f"{shown(address)} does not begin with tcp://", 'write one such as "tcp://10.20.0.17:8080"')
    host_and_port(address.removeprefix("tcp://"))
    return address


def mail_address(value: Any) -> str:
    """One mail address."""
    address = text(value)
    if not re.fullmatch(r"[^\s@<>,;]+@[^\s@<>,;]+", address):
        raise Wrong(f"{shown(address)} is no mail address", 'write one such as "maintenance@plant.example"')
    return address


def mail_addresses(value: Any) -> tuple[str, ...]:
    """Mail addresses; at least one."""
    addresses = value if isinstance(value, list) else [value]
    if not addresses:
        raise Wrong("there is no address", 'write at least one, such as ["maintenance@plant.example"]')
    return tuple(_each(addresses, mail_address))
