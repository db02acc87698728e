"""The text of a configuration: read as TOML, and the line of a key in it for the messages about it."""

from __future__ import annotations

import re
import tomllib
from typing import Any

MOST_FAULTS = 50
"""More than anybody puts right at one sitting; a file that is none of ours would have thousands."""

_DEEPEST = 32
_DEEPER = re.compile(rf"""(?<![\w-])(?:(?:[\w-]++|"[^"\n]*+"|'[^'\n]*+')[ \t]*+\.[ \t]*+){{{_DEEPEST}}}""")
_HEADER = re.compile(r"(\[\[?)([^\[\]#]+)\]\]?\s*(?:#.*)?")


def document(content: str) -> dict[str, Any]:
    """What a TOML text holds. Raises ValueError and RecursionError.

    A key of thousands of names is refused, for which tomllib takes the square of their number in memory.
    """
    deep = _DEEPER.search(content)
    if deep is not None:
        line = content.count("\n", 0, deep.start()) + 1
        raise ValueError(f"a key of more than {_DEEPEST} names (at line {line})")
    return tomllib.loads(content)


def line_of(key: str, lines: list[str]) -> int | None:
    """The line of a key such as ``share.settle`` or ``arms[2].cells[0].type``.

    Where it has none of its own, the line of the first thing in it, or of what it is in;
    None where the text is written in a way that this simple reading does not find.
    """
    around: int | None = None
    within: int | None = None
    deepest, table, counts = 0, "", dict[str, int]()
    for line_number, line in enumerate(lines, 1):
        header = _HEADER.fullmatch(line.strip())
        if header:
            table = re.sub("[\"' ]", "", header[2].strip())
            if header[1] == "[[":
                counts[table] = counts.get(table, -1) + 1
                table = f"{table}[{counts[table]}]"
            here = table
        else:
            assigned = re.match(r"\s*([\w\"'.-]+)\s*=", line)
            if not assigned:
                continue
            name = re.sub("[\"']", "", assigned[1])
            here = f"{table}.{name}" if table else name
        if key == here:
            return line_number
        if key.startswith((f"{here}.", f"{here}[")) and len(here) > deepest:
            around, deepest = line_number, len(here)
        if within is None and here.startswith((f"{key}.", f"{key}[")):
            within = line_number
    return within or around
