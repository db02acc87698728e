"""`guard compare`: how two sets differ, by part and within the files that changed."""

from __future__ import annotations

import argparse
from collections.abc import Iterable, Iterator
from itertools import groupby

from guard.cli import output
from guard.cli.ask import Run
from guard.cli.output import Line
from guard.comparison import (
    MOST_FILES,
    VOLATILE,
    BinaryChange,
    Cell,
    Change,
    Detail,
    TableChange,
    TextChange,
    Untold,
    changes,
    details,
)
from guard.desk import Desk
from guard.load import load
from guard.model import FileFacts
from guard.plant import AXIS_ZERO
from guard.store.known import Known
from guard.units import bytes_in_words

SIGNS = {"added": "+ ", "removed": "- ", "changed": "~ "}
"""What happened to a file is told by a sign and a word; colour only helps."""

MOST_NAMES = 40
"""So many files of one part are named; the others are counted."""

LONGEST = 200
"""Characters of one line of a file that are shown."""

WIDEST = 20
"""Characters of one cell of a table that are shown."""


def configure_compare(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard compare`."""
    parser.add_argument("old", metavar="SET", help="the set from before")
    parser.add_argument("new", metavar="SET", help="the set to be compared with it")
    parser.add_argument("--json", action="store_true", help="one JSON document instead of a screen")
    return _compare


def _compare(args: argparse.Namespace) -> int:
    desk = Desk(load(args.config))
    old, new = desk.resolve(args.old), desk.resolve(args.new)
    found = changes(desk, old[0], new[0])
    if args.json:
        output.show_json(_document(found))
        return 0
    output.show(_lines(desk, old, new, found))
    return 0


def _document(found: list[Change]) -> dict[str, object]:
    paths = {what: sorted(each.path for each in found if each.what == what) for what in SIGNS}
    parts = {
        part: {what: sorted(each.path for each in members if each.what == what) for what in SIGNS}
        for part, members in _by_part(found)
    }
    only = bool(found) and all(each.part == VOLATILE for each in found)
    return {"schema": 1, "same": not found, **paths, "volatile_only": only, "parts": parts}


def _by_part(found: Iterable[Change]) -> list[tuple[str, list[Change]]]:
    return [(part, list(members)) for part, members in groupby(found, key=lambda each: each.part)]


def _lines(desk: Desk, old: tuple[Known, int], new: tuple[Known, int], found: list[Change]) -> Iterator[Line]:
    if not found:
        yield Line(f"{old[0].path} and {new[0].path} are the same in every byte.")
        return
    volatile = " Only volatile files differ." if all(each.part == VOLATILE for each in found) else ""
    yield Line(f"{new[0].path} differs from {old[0].path}.{volatile}", style="head")
    yield Line(old[0].fingerprint or "", label="before", label_style="quiet", indent=1, label_width=9)
    yield Line(new[0].fingerprint or "", label="after", label_style="quiet", indent=1, label_width=9)
    told = details(desk, old, new, found)
    for part, members in _by_part(found):
        yield Line()
        yield from _part(part, members, told)
    changed = sum(each.what == "changed" and each.part != VOLATILE for each in found)
    if changed > MOST_FILES:
        yield Line()
        yield Line(f"Only the first {MOST_FILES} of the {changed} changed files were looked into.")
    if not volatile:
        from guard.cli.verdicts import cautions

        yield from cautions()


def _part(part: str, members: list[Change], told: dict[str, Detail]) -> Iterator[Line]:
    counts = ", ".join(f"{n} {what}" for what in SIGNS if (n := sum(each.what == what for each in members)))
    yield Line(f"{part or 'files of no part'}: {counts}", style="head")
    if part == AXIS_ZERO:
        warning = (
            "WARNING: with other axis zero references the arm may move elsewhere than taught, and people can be hurt."
        )
        yield Line(warning, style="hold-word", indent=1)
    for each in members[:MOST_NAMES]:
        yield Line(
            f"{each.path} ({each.what}, {_sizes(each)})", label=SIGNS[each.what], label_style=each.what, indent=1
        )
        if each.path in told:
            yield from _detail(told[each.path])
    if len(members) > MOST_NAMES:
        yield Line(f"and {len(members) - MOST_NAMES} more", indent=3)


def _sizes(change: Change) -> str:
    sizes = [_size(file) for file in (change.old, change.new) if file is not None]
    return sizes[0] if len(set(sizes)) == 1 else f"{sizes[0]} before, {sizes[1]} now"


def _size(file: FileFacts) -> str:
    words = bytes_in_words(file.size)
    return words if file.size < 1024 else f"{words} ({file.size} B)"


def _detail(detail: Detail) -> Iterator[Line]:
    if isinstance(detail, Untold):
        yield Line(detail.why, indent=5, style="quiet")
    elif isinstance(detail, BinaryChange):
        yield Line(
            f"first difference at byte {detail.at}: {_byte(detail.old)} before, {_byte(detail.new)} now", indent=5
        )
    elif isinstance(detail, TableChange):
        yield from _table(detail.cells)
        yield from _left(detail.left, "cells")
    elif isinstance(detail, TextChange):
        yield from map(_diff_line, detail.lines)
        yield from _left(detail.left, "lines")


def _byte(value: int | None) -> str:
    return "the end" if value is None else f"0x{value:02x}"


def _left(count: int, what: str) -> Iterator[Line]:
    if count:
        yield Line(f"and {count} more {what}", indent=5, style="quiet")


def _diff_line(line: str) -> Line:
    style = {"+": "added", "-": "removed", "@": "quiet"}.get(line[:1], "")
    return Line(
        _cut(line[1:] if style != "quiet" else line, LONGEST),
        label=f"{line[:1]} " if style != "quiet" else "",
        label_style=style,
        style=style,
        indent=5,
    )


def _table(cells: tuple[Cell, ...]) -> Iterator[Line]:
    rows = [("", "", "before", "after", "difference")]
    rows += [(*(_cut(output.visible(text), WIDEST) for text in cell),) for cell in cells]  # type: ignore[misc]
    widths = [max(len(row[column]) for row in rows) for column in range(5)]
    for number, row in enumerate(rows):
        names = "  ".join(f"{text:<{width}}" for text, width in zip(row[:2], widths[:2], strict=True))
        values = "  ".join(f"{text:>{width}}" for text, width in zip(row[2:], widths[2:], strict=True))
        yield Line(f"{names}  {values}", indent=5, style="" if number else "quiet")


def _cut(text: str, most: int) -> str:
    return text if len(text) <= most else text[: most - 1] + "…"


COMMANDS = {"compare": configure_compare}
