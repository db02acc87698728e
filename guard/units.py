"""Spans and sizes as people write them in a configuration, and as they read them on a screen. Pure."""

from __future__ import annotations

import re
from datetime import timedelta

_SPAN_SECONDS = {
    "s": 1,
    "m": 60,
    "h": 3600,
    "d": 86_400,
    "w": 7 * 86_400,
    "y": 31_557_600,  # the Julian year of 365.25 d
}
_SIZE_BYTES = {
    "B": 1,
    "kB": 1000,
    "KiB": 1 << 10,
    "MB": 10**6,
    "MiB": 1 << 20,
    "GB": 10**9,
    "GiB": 1 << 30,
}
_NUMBER = r"([0-9]+(?:\.[0-9]+)?)"


MOST_SECONDS = 10_000 * 31_557_600
"""No calendar here holds more years."""


def span(text: str) -> timedelta:
    """The span written as ``90s``, ``30m``, ``24h``, ``7d``, ``6w`` or ``4y``.

    Raises ValueError where it is none of these, or longer than a calendar can hold.
    """
    match = re.fullmatch(_NUMBER + r"\s*([smhdwy])", text.strip())
    if match is None or (seconds := float(match[1]) * _SPAN_SECONDS[match[2]]) > MOST_SECONDS:
        raise ValueError(text)
    return timedelta(seconds=seconds)


def size(text: str) -> int:
    """The bytes written as ``16 B``, ``64 KiB`` or ``2.5 GB``.

    Raises ValueError where it is none of these, or more than any number of ours can hold.
    """
    match = re.fullmatch(_NUMBER + r"\s*(B|kB|KiB|MB|MiB|GB|GiB)", text.strip())
    if match is None:
        raise ValueError(text)
    try:
        return round(float(match[1]) * _SIZE_BYTES[match[2]])
    except OverflowError:
        raise ValueError(text) from None


def in_words(length: timedelta) -> str:
    """A span with its two largest units: ``24 d 3 h``, ``5 min``, ``12 s``. Cut, never rounded up."""
    seconds = int(abs(length.total_seconds()))
    parts = []
    for unit, length_s in (("y", 31_557_600), ("d", 86_400), ("h", 3600), ("min", 60), ("s", 1)):
        count, seconds = divmod(seconds, length_s)
        if count:
            parts.append(f"{count} {unit}")
        elif parts:
            break
        if len(parts) == 2:
            break
    return " ".join(parts) or "0 s"


def typed(length: timedelta) -> str:
    """A span as a person would type it, in the largest unit that gives a whole number: ``8h``, ``90m``."""
    seconds = int(length.total_seconds())
    unit, length_s = next(each for each in (("d", 86_400), ("h", 3600), ("m", 60), ("s", 1)) if seconds % each[1] == 0)
    return f"{seconds // length_s}{unit}"


LEAST_FIGURE = 0.001


def figure(value: float, digits: int = 2) -> str:
    """A number as people read it, with so many significant digits and never in powers of ten: ``0.34``, ``1020``."""
    if 0 < abs(value) < LEAST_FIGURE:
        return f"less than {LEAST_FIGURE}"
    told = f"{value:.{digits}g}"
    return f"{value:.0f}" if "e" in told else told


def quoted(path: str) -> str:
    """A path as a word of a command that can be typed, also where it holds spaces or signs that a shell reads."""
    is_plain = path != "" and all(sign.isalnum() or sign in "-_./:+@%" for sign in path)
    return path if is_plain else "'" + path.replace("'", "'\\''") + "'"


def bytes_in_words(count: int) -> str:
    """A size in binary units: ``64 KiB``, ``1.5 GiB``."""
    if count < 1024:
        return f"{count} B"
    amount = float(count)
    for unit in ("KiB", "MiB", "GiB", "TiB"):
        amount /= 1024
        if amount < 1024 or unit == "TiB":
            break
    return f"{amount:.3g} {unit}" if amount < 1000 else f"{amount:.0f} {unit}"
