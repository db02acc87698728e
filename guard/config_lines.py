"""Finds the line of a key in the text of a configuration, for the messages about it."""

from __future__ import annotations

import re


def line_of(key: str, lines: list[str]) -> int | None:
    """The line of a key such as ``share.settle`` or ``arms[2].cells[0].type``.

    Where it has none of its own, the line of the first thing in it, or of what it is in;
    None where the text is written in a way that this simple reading does not find.
    """
    around: int | None = None
    within: int | None = None
    deepest, table, counts = 0, "", dict[str, int]()
    for line_number, line in enumerate(lines, 1):
        header = re.match(r"\s*(\[\[?)\s*([^\[\]#]+?)\s*\]\]?\s*(?:#.*)?$", line)
        if header:
            table = re.sub("[\"' ]", "", header[2])
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
