"""How two sets differ, for people: by part, and within the files that changed.

Which files differ is known from the digests of what was read of both sets; only files that
changed are read, and of those only so many.
"""

from __future__ import annotations

import codecs
import csv
import difflib
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from decimal import Decimal, InvalidOperation, localcontext

from guard.desk import Desk
from guard.errors import CallError
from guard.lapses import NO_PART
from guard.model import FileFacts
from guard.plant import AXIS_ZERO, Recipe
from guard.record import Record
from guard.share.checksums import is_bag, is_checksum_list, saved_as
from guard.share.contents import BLOCK_BYTES, DIGEST_BYTES, Content, contents
from guard.share.differing import part_of
from guard.share.listing import SetChanged, SetUnreadable
from guard.share.recipe import matches
from guard.store.known import Known
from guard.units import quoted

VOLATILE = "volatile"

MOST_FILES = 20
"""So many changed files are looked into; more of them helps nobody on a screen."""

MOST_LINES = 2000
"""Comparing longer texts line by line could take for ever."""

MOST_ROWS = 40
"""So many lines or cells of one file are shown; the others are counted."""


class NotComparable(CallError):
    """A set of which nothing is known that could be compared. ``looked`` tells that a look could not read it."""

    def __init__(self, path: str, *, looked: bool) -> None:
        self.path, self.looked = path, looked

    def __str__(self) -> str:
        if self.looked:
            return f"{self.path} cannot be read, so nothing can be said of how it differs. Why: guard set show {quoted(self.path)}"
        return f"{self.path} was not read yet, so nothing can be said of how it differs. Run: guard look"


class Change(Record):
    """One file that differs: removed where ``new`` is None, added where ``old`` is."""

    path: str
    part: str
    old: FileFacts | None
    new: FileFacts | None

    @property
    def what(self) -> str:
        """Added, removed or changed."""
        return "added" if self.old is None else "removed" if self.new is None else "changed"


class TextChange(Record):
    """The lines that differ, each with + or - or a space in front; ``left`` counts those that are not shown."""

    lines: tuple[str, ...]
    left: int


class Cell(Record):
    """A cell of a table that differs: its row and column, both values, and the difference of two numbers."""

    row: str
    column: str
    before: str
    after: str
    difference: str


class TableChange(Record):
    """The cells that differ; ``left`` counts those that are not shown."""

    cells: tuple[Cell, ...]
    left: int


class BinaryChange(Record):
    """The first byte that differs, in both sets; None where one file ends there."""

    at: int
    old: int | None
    new: int | None


class Untold(Record):
    """Why nothing is told of what changed within a file."""

    why: str


Detail = TextChange | TableChange | BinaryChange | Untold


def changes(desk: Desk, old: Known, new: Known) -> list[Change]:
    """The files that differ, by part: axis zero references first, volatile files last.

    Raises NotComparable where one of the sets was never read whole: no files are known of it, and they may be all alike.
    """
    for known in (old, new):
        if known.fingerprint is None:
            raise NotComparable(known.path, looked=known.sealed_at is not None)
    arm = new.arm if new.arm in desk.settings.arms else old.arm
    recipe = desk.settings.recipe_of(arm) if arm in desk.settings.arms else None
    before = {file.path: file for file in desk.files(old)}
    after = {file.path: file for file in desk.files(new)}
    found = []
    for path in sorted(before.keys() | after.keys()):
        one, other = before.get(path), after.get(path)
        if one is None or other is None or one.sha256 != other.sha256:
            in_bag = is_bag(before if other is None else after)
            found.append(Change(path, _part(path, recipe, in_bag=in_bag), one, other))
    return sorted(
        found, key=lambda each: (each.part == VOLATILE, each.part != AXIS_ZERO, each.part == NO_PART, each.part)
    )


def _part(path: str, recipe: Recipe | None, *, in_bag: bool) -> str:
    if is_checksum_list(path):
        return VOLATILE  # which differs with whatever it lists
    saved = saved_as(path, in_bag=in_bag)
    if recipe is None or saved is None:
        return NO_PART
    return VOLATILE if matches(recipe.volatile, saved) else part_of(saved, recipe)


def details(desk: Desk, old: tuple[Known, int], new: tuple[Known, int], wanted: Sequence[Change]) -> dict[str, Detail]:
    """What changed within the first few changed files. What cannot be read is told instead."""
    changed = [each for each in wanted if each.old is not None and each.new is not None and each.part != VOLATILE]
    looked = changed[:MOST_FILES]
    if not looked:
        return {}
    arm = new[0].arm if new[0].arm in desk.settings.arms else old[0].arm
    if arm not in desk.settings.arms:
        return {}
    recipe = desk.settings.recipe_of(arm)
    try:
        first, second = (_contents(desk, each, recipe, {one.path: None for one in looked}) for each in (old, new))
        blocks = {
            each.path: block
            for each in looked
            if (block := _first_block(first.get(each.path), second.get(each.path))) is not None
        }
        more = [_contents(desk, each, recipe, blocks) if blocks else {} for each in (old, new)]
    except (SetChanged, SetUnreadable) as error:
        return {
            each.path: Untold(f"it cannot be looked into now: {str(error) or 'the set is not there'}")
            for each in looked
        }
    found: dict[str, Detail] = {}
    for each in looked:
        one, other = (
            part.get(each.path, kept.get(each.path)) for part, kept in zip(more, (first, second), strict=True)
        )
        found[each.path] = _detail(each, one, other, recipe, blocks.get(each.path))
    return found


def _contents(
    desk: Desk, of: tuple[Known, int], recipe: Recipe, wanted: Mapping[str, int | None]
) -> dict[str, Content]:
    known, place = of
    return contents(desk.ground(place), known.path, known.form, recipe, wanted)


def _first_block(old: Content | None, new: Content | None) -> int | None:
    """The number of the first block that differs, where the files were not kept whole."""
    if old is None or new is None or (old.whole is not None and new.whole is not None):
        return None
    for at in range(0, max(len(old.blocks), len(new.blocks)), DIGEST_BYTES):
        if old.blocks[at : at + DIGEST_BYTES] != new.blocks[at : at + DIGEST_BYTES]:
            return at // DIGEST_BYTES
    return None


def _detail(change: Change, old: Content | None, new: Content | None, recipe: Recipe, block: int | None) -> Detail:
    before, after = change.old, change.new
    if before is None or after is None or old is None or new is None:
        return Untold("it is no longer there")
    if (old.sha256, new.sha256) != (before.sha256, after.sha256):
        return Untold("it was changed since it was read; run: guard look, and: guard prove")
    if old.whole is None or new.whole is None:
        return _binary(old.block, new.block, (block or 0) * BLOCK_BYTES)
    encoding = next(
        (part.checks.text for part in recipe.parts if part.name == change.part and part.checks.text), "utf-8"
    )
    one, other = (_text(content.whole or b"", encoding) for content in (old, new))
    if one is None or other is None:
        return _binary(old.whole, new.whole, 0)
    is_table = change.part == AXIS_ZERO or change.path.lower().endswith((".csv", ".tsv"))
    return (table_change(one, other) if is_table else None) or text_change(one, other)


def _binary(old: bytes, new: bytes, start: int) -> BinaryChange:
    at = next(
        (n for n, (one, other) in enumerate(zip(old, new, strict=False)) if one != other), min(len(old), len(new))
    )
    return BinaryChange(start + at, old[at] if at < len(old) else None, new[at] if at < len(new) else None)


def _text(content: bytes, encoding: str) -> str | None:
    """The content as text; None where it is none."""
    try:
        text = codecs.decode(content, encoding)
    except (UnicodeError, LookupError):
        return None
    return None if re.search(r"[\x00-\x08\x0e-\x1f]", text) else text


# Texts


def text_change(old: str, new: str) -> Detail:
    """How two texts differ, line by line, with a line of what is around it."""
    one, other = old.splitlines(), new.splitlines()
    if max(len(one), len(other)) > MOST_LINES:
        return Untold(f"it has more than {MOST_LINES} lines: {len(one)} before, {len(other)} now")
    lines = list(difflib.unified_diff(one, other, lineterm="", n=1))[2:]  # without the names of no files
    if not lines:
        return Untold("only the ends of its lines differ")
    return TextChange(tuple(lines[:MOST_ROWS]), max(len(lines) - MOST_ROWS, 0))


# Tables


def table_change(old: str, new: str) -> TableChange | None:
    """How two tables of numbers differ, cell by cell; None where one of them is no table."""
    for separator in ";\t,":
        one, other = _rows(old, separator), _rows(new, separator)
        if one is not None and other is not None:
            cells = list(_cells(one, other, separator))
            return TableChange(tuple(cells[:MOST_ROWS]), max(len(cells) - MOST_ROWS, 0)) if cells else None
    return None


def _rows(text: str, separator: str) -> list[list[str]] | None:
    """The rows of a table: at least half of them have several columns, and one a number beside its name."""
    try:
        rows = [row for row in csv.reader(text.splitlines(), delimiter=separator) if row]
    except csv.Error:
        return None
    wide = [row for row in rows if len(row) > 1]
    numbers = any(number(cell, separator) is not None for row in wide for cell in row[1:])
    return rows if 2 * len(wide) >= len(rows) <= MOST_LINES and numbers else None


def _cells(old: list[list[str]], new: list[list[str]], separator: str) -> Iterator[Cell]:
    head = old[0] if not any(number(cell, separator) is not None for cell in old[0]) else []
    one, other, first = _by_name(old), _by_name(new), 1
    if one is None or other is None:  # the first column names no row
        one, other, first = _by_place(old), _by_place(new), 0
    for name in dict.fromkeys((*one, *other)):
        before, after = one.get(name, []), other.get(name, [])
        columns = max(len(before), len(after))
        for column in range(min(first, columns - 1), columns):
            was, now = (row[column] if column < len(row) else "" for row in (before, after))
            if was != now:
                told = head[column] if column < len(head) else f"column {column + 1}"
                yield Cell(name, told, was, now, difference(was, now, separator))


def _by_name(rows: Iterable[list[str]]) -> dict[str, list[str]] | None:
    found: dict[str, list[str]] = {}
    for row in rows:
        if row[0] in found:
            return None
        found[row[0]] = row
    return found


def _by_place(rows: Iterable[list[str]]) -> dict[str, list[str]]:
    return {f"row {place}": row for place, row in enumerate(rows, 1)}


def number(cell: str, separator: str) -> Decimal | None:
    """The number in a cell; with a comma for the point where commas do not part the columns."""
    told = cell.strip()
    if len(told) > 40 or not re.fullmatch(r"[+-]?[0-9]+([.,][0-9]+)?([eE][+-]?[0-9]{1,2})?", told, re.ASCII):
        return None
    if "," in told and separator == ",":
        return None
    try:
        return Decimal(told.replace(",", "."))
    except InvalidOperation:
        return None


def difference(before: str, after: str, separator: str) -> str:
    """By how much a number changed, exactly and with its sign; empty where one of the two is no number."""
    one, other = number(before, separator), number(after, separator)
    if one is None or other is None:
        return ""
    with localcontext() as exact:
        exact.prec = 200
        return f"{other - one:+}"
