"""Shows results: on a terminal with colour and wrapped to its width, elsewhere as plain lines.

Everything shown passes `visible`, since file names may hold anything.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator

from guard import names
from guard.record import Record

TYPE_CHECKING = False

if TYPE_CHECKING:
    from rich.text import Text

visible = names.visible

NOTHING_DONE = 2
"""How a command ends whose change was not agreed to."""

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
    "added": "green",
    "removed": "red",
    "changed": "yellow",
    "": "",
}


class Line(Record):
    """One line: a label in its own column, then text that wraps beneath itself."""

    text: str = ""
    style: Style = ""
    label: str = ""
    label_style: Style = ""
    indent: int = 0
    label_width: int = 0


def on_terminal() -> bool:
    """Whether results go to a terminal."""
    return sys.stdout is not None and sys.stdout.isatty()


def width() -> int:
    """How many characters a line may have: the terminal's, and 80 where there is none."""
    from shutil import get_terminal_size

    return get_terminal_size((80, 24)).columns if on_terminal() else 80


def show(lines: Iterable[Line]) -> None:
    """Show lines on standard output."""
    if on_terminal():
        _show_styled(lines)
    else:
        for line in lines:
            label = f"{visible(line.label):<{line.label_width}}" if line.label_width else visible(line.label)
            _write(f"{' ' * line.indent}{label}{visible(line.text)}".rstrip() + "\n")
    _flush()


def _write(text: str) -> None:
    if sys.stdout is not None:  # as where the caller closed it
        sys.stdout.write(text)


def _flush() -> None:
    """Write what is still held back now, where a reader that is gone can still be dealt with."""
    if sys.stdout is not None:
        sys.stdout.flush()


def _show_styled(lines: Iterable[Line]) -> None:
    from rich.console import Console

    console = Console(highlight=False)
    for row in styled(lines, console.width):
        console.print(row, no_wrap=True, overflow="ignore", crop=False)


def styled(lines: Iterable[Line], width: int) -> Iterator[Text]:
    """Lines as rows of coloured text, each no wider than the terminal."""
    from rich.cells import cell_len
    from rich.text import Text

    for line in lines:
        label, start = _padded(visible(line.label), line.label_width), line.indent
        hanging = start + cell_len(label)
        if hanging > width // 2:  # no room beside a long label, so the text goes below it
            for piece in wrapped(label.rstrip(), width - start):
                yield Text(" " * start).append(piece, STYLES[line.label_style])
            label, start = "", start + 2
            hanging = start
        band = line.style in ("hold", "caution", "unknown", "clear")
        for number, piece in enumerate(wrapped(visible(line.text), width - hanging - band)):
            row = Text(" " * start).append(label, STYLES[line.label_style]) if number == 0 else Text(" " * hanging)
            yield row.append(_padded(piece, width - hanging) if band else piece, STYLES[line.style])


def _padded(text: str, width: int) -> str:
    from rich.cells import cell_len

    return text + " " * (width - cell_len(text))


def wrapped(text: str, width: int) -> list[str]:
    """Text cut into lines of at most ``width`` cells; at least one line. A wide character takes two cells."""
    import re

    from rich.cells import cell_len, chop_cells

    width = max(width, 2)
    lines = [""]
    for spaces, word in re.findall("( *)([^ ]+)", text):
        if cell_len(lines[-1] + spaces + word) <= width:
            lines[-1] += spaces + word
        else:
            lines += chop_cells(word, width)
    return lines[1:] if len(lines) > 1 and not lines[0] else lines


def show_json(document: object) -> None:
    """Show one JSON document on standard output, and nothing else."""
    _write(json.dumps(document, ensure_ascii=True, indent=1, allow_nan=False) + "\n")
    _flush()


def show_file(text: str) -> None:
    """Show what is to become a file: as it is, never wrapped; in a pipe as UTF-8, whatever the console's encoding."""
    if on_terminal() or not hasattr(sys.stdout, "buffer"):
        _write(text)
    else:
        sys.stdout.buffer.write(text.encode())
    _flush()


def tell(text: str) -> None:
    """Say something on standard error, line by line; on a terminal wrapped to its width."""
    if sys.stderr is None:
        return
    from os import get_terminal_size

    for line in text.split("\n"):
        rows = [visible(line)]
        if sys.stderr.isatty():
            rows = wrapped(rows[0], get_terminal_size(sys.stderr.fileno()).columns or 80)
        print("\n".join(rows), file=sys.stderr)


def is_interactive() -> bool:
    """Whether a person can be asked: both ends are a terminal."""
    return sys.stdin is not None and sys.stdin.isatty() and on_terminal()


def confirmed(change: str, *, yes: bool) -> bool:
    """Whether a person agrees to a change; who does not is told that nothing was changed.

    Raises NeedsYes where nobody can be asked.
    """
    from guard.cli.refusals import NeedsYes

    if yes:
        return True
    if not is_interactive():
        raise NeedsYes(change)
    if typed(f"This will {change}. Go on? [y/N] ").lower() in ("y", "yes"):
        return True
    tell("Nothing was changed.")
    return False


def typed(prompt: str) -> str:
    """What a person types at a prompt, without the spaces around it; nothing for Ctrl-D, or for what is no text."""
    try:
        return input(visible(prompt)).strip()
    except (EOFError, UnicodeError):
        return ""


def prepare_streams() -> None:
    """Make sure that no character of any name can stop the output."""
    for stream in (sys.stdout, sys.stderr):
        if stream is not None and hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")
