"""Reads the arms from a CSV file, for plants that keep their list in a spreadsheet."""

from __future__ import annotations

import csv
import io
from datetime import date
from itertools import islice
from typing import Any

from guard.config_values import Wrong, shown
from guard.record import Record
from guard.units import bytes_in_words

LARGEST_BYTES = 8 << 20
MOST_ROWS = 20_000
"""More arms than any plant has; a file of more rows is no list of arms."""


class Row(Record):
    """One arm of the file: the line it ends on, its values by key, and the cells beyond the header's last name."""

    line: int
    values: dict[str, Any]
    surplus: tuple[str, ...]


def read_arms_file(path: str, keys: tuple[str, ...]) -> tuple[list[Row], bytes]:
    """The rows of an arms file that are not empty, and the bytes of the file.

    The header holds the names of the keys of ``[[arms]]``. Cells are written as
    ``memory-cell 2025-03-14; position-cell 2026-01-10``. Raises Wrong.
    """
    try:
        with open(path, "rb") as file:
            raw = file.read(LARGEST_BYTES + 1)
        if len(raw) > LARGEST_BYTES:
            raise Wrong(f"{path} is larger than {bytes_in_words(LARGEST_BYTES)}", "name the CSV file with the arms")
        content = raw.decode("utf-8-sig")
    except OSError as error:
        raise Wrong(f"{path} cannot be read: {error.strerror}", "name the CSV file with the arms") from error
    except UnicodeDecodeError as error:
        raise Wrong(f"{path} is no UTF-8 text", "save the sheet as CSV UTF-8") from error
    first_line = content.split("\n", 1)[0]
    reader = csv.reader(io.StringIO(content, newline=""), delimiter=";" if ";" in first_line else ",")
    try:
        rows = [(reader.line_num, [cell.strip() for cell in row]) for row in islice(reader, MOST_ROWS + 1)]
    except csv.Error as error:
        raise Wrong(f"{path} is no CSV: {error} in line {reader.line_num}", "save the sheet as CSV UTF-8") from error
    if len(rows) > MOST_ROWS:
        raise Wrong(f"{path} has more than {MOST_ROWS} rows", "name the CSV file with the arms")
    header = _header(path, rows[0][1] if rows else [], keys)
    found = []
    for line, row in rows[1:]:
        values = {key: _value(key, cell) for key, cell in zip(header, row, strict=False) if cell}
        surplus = tuple(cell for cell in row[len(header) :] if cell)
        if values or surplus:
            found.append(Row(line, values, surplus))
    return found, raw


def _header(path: str, header: list[str], keys: tuple[str, ...]) -> list[str]:
    """The names of the header, once they are known to be right."""
    unknown = [name for name in header if name not in keys][:10]
    twice = [name for name in keys if header.count(name) > 1]
    if unknown:
        wrong = f"the header of {path} has {', '.join(map(shown, unknown))}"
    elif twice:
        wrong = f"the header of {path} has {', '.join(map(shown, twice))} twice"
    elif "id" not in header:
        wrong = f"the header of {path} has no id"
    else:
        return header
    raise Wrong(wrong, f"the header's names are {', '.join(keys)}")


def _value(key: str, value: str) -> Any:
    if key == "cells":
        return [_cell(cell.strip()) for cell in value.replace("|", ";").split(";") if cell.strip()]
    if key in ("powered-fraction", "ambient-c"):
        try:
            return float(value)
        except ValueError:
            return value
    return value


def _cell(value: str) -> dict[str, Any]:
    kind, _, installed = value.partition(" ")
    if not installed:
        return {"type": kind}
    try:
        return {"type": kind, "installed": date.fromisoformat(installed.strip())}
    except ValueError:
        return {"type": kind, "installed": installed}
