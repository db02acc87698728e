"""Shows results: on a terminal with colour and wrapped to its width, elsewhere as plain lines.

Everything shown passes `visible`, since file names may hold anything.
"""

from __future__ import annotations

import json
import sys
import unicodedata
from collections.abc import Iterable
from datetime import datetime
from typing import NamedTuple

Style = str
"""One of the names in STYLES."""

STYLES = {
    # IEC 60073: red for faulty, yellow for abnormal, green for normal; white has no specific meaning.
    "hold": "bold white on red",
    "caution": "black on yellow",
    "unknown": "black on white",
    "clear": "black on green",
    "hold-word": "bold red",
    "caution-word": "yellow",
    "unknown-word": "bold",
    "clear-word": "green",
    "head": "bold",
    "quiet": "dim",
    "": "",
}


class Line(NamedTuple):
    """One line: a label in its own column, then text that wraps beneath itself."""

    text: str = ""
    style: Style = ""
    label: str = ""
    label_style: Style = ""
    indent: int = 0
    label_width: int = 0


def visible(text: str) -> str:
    """Text with every character that could steer a terminal or hide what stands there made visible."""
    if text.isascii() and text.isprintable():
        return text
    return "".join(sign if _is_harmless(sign) else _spelled(sign) for sign in text)


def _is_harmless(sign: str) -> bool:
    return sign == " " or unicodedata.category(sign)[0] not in "CZ"


def _spelled(sign: str) -> str:
    code = ord(sign)
    if 0xDC80 <= code <= 0xDCFF:
        return f"\\x{code - 0xDC00:02x}"
    return {"\n": "\\n", "\r": "\\r", "\t": "\\t"}.get(sign) or (f"\\x{code:02x}" if code < 256 else f"\\u{code:04x}")


def on_terminal() -> bool:
    """Whether results go to a terminal."""
    return sys.stdout.isatty()


def show(lines: Iterable[Line]) -> None:
    """Show lines on standard output."""
    if on_terminal():
        _show_styled(lines)
    else:
        for line in lines:
            label = f"{visible(line.label):<{line.label_width}}" if line.label_width else visible(line.label)
            _write(f"{' ' * line.indent}{label}{visible(line.text)}".rstrip() + "\n")


def _write(text: str) -> None:
    sys.stdout.write(text)


def _show_styled(lines: Iterable[Line]) -> None:
    from rich.console import Console
    from rich.text import Text

    console = Console(highlight=False)
    width = console.width
    for line in lines:
        label = f"{visible(line.label):<{line.label_width}}" if line.label_width else visible(line.label)
        band = line.style in ("hold", "caution", "unknown", "clear")
        hanging = line.indent + len(label)
        for number, piece in enumerate(wrapped(visible(line.text), width - hanging - band)):
            row = Text(" " * line.indent if number == 0 else " " * hanging)
            if number == 0:
                row.append(label, STYLES[line.label_style])
            row.append(piece.ljust(width - hanging) if band else piece, STYLES[line.style])
            console.print(row, no_wrap=True, overflow="ignore", crop=False)


def wrapped(text: str, width: int) -> list[str]:
    """Text cut into lines of at most ``width`` cells; at least one line."""
    import textwrap

    return textwrap.wrap(text, max(width, 20), break_on_hyphens=False) or [""]


def show_json(document: object) -> None:
    """Show one JSON document on standard output, and nothing else."""
    json.dump(document, sys.stdout, ensure_ascii=True, indent=1, allow_nan=False)
    _write("\n")


def tell(text: str) -> None:
    """Say something on standard error, line by line."""
    for line in text.split("\n"):
        print(visible(line), file=sys.stderr)


def when(moment: datetime | None) -> str | None:
    """A time as the JSON contract writes it."""
    return None if moment is None else moment.isoformat().replace("+00:00", "Z")


def is_interactive() -> bool:
    """Whether a person can be asked: both ends are a terminal."""
    return sys.stdin is not None and sys.stdin.isatty() and sys.stdout.isatty()


def confirmed(change: str, *, yes: bool) -> bool:
    """Whether a person agrees to a change. Raises NeedsYes where nobody can be asked."""
    from guard.errors import NeedsYes

    if yes:
        return True
    if not is_interactive():
        raise NeedsYes(change)
    return input(visible(f"This will {change}. Go on? [y/N] ")).strip().lower() in ("y", "yes")


def prepare_streams() -> None:
    """Make sure that no character of any name can stop the output."""
    for stream in (sys.stdout, sys.stderr):
        if stream is not None and hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
