"""Reads the arms from a CSV file, for plants that keep their list in a spreadsheet."""

from __future__ import annotations

import csv
import io
from datetime import date
from typing import Any

from guard.config_values import Wrong


def read_arms_file(path: str, keys: tuple[str, ...]) -> tuple[list[tuple[str, dict[str, Any]]], bytes]:
    """The rows of an arms file as tables, each with where it stands, and the bytes of the file.

    The header holds the names of the keys of ``[[arms]]``. Cells are written as
    ``memory-cell 2025-03-14; position-cell 2026-01-10``. Raises Wrong.
    """
    try:
        with open(path, "rb") as file:
            raw = file.read()
        content = raw.decode("utf-8-sig")
    except OSError as error:
        raise Wrong(f"{path} cannot be read: {error.strerror}", "name the CSV file with the arms") from error
    except UnicodeDecodeError as error:
        raise Wrong(f"{path} is no UTF-8 text", "save the sheet as CSV UTF-8") from error
    separator = ";" if ";" in content.partition("\n")[0] else ","
    rows = list(csv.reader(io.StringIO(content), delimiter=separator, strict=False))
    header = [name.strip() for name in rows[0]] if rows else []
    unknown = [name for name in header if name not in keys]
    if "id" not in header or unknown:
        wrong = f"its header has {', '.join(map(repr, unknown))}" if unknown else "its header has no id"
        raise Wrong(wrong, f"the header's names are {', '.join(keys)}", f" {path}")
    found = []
    for number, row in enumerate(rows[1:], 2):
        values = {key: value.strip() for key, value in zip(header, row, strict=False) if value.strip()}
        if values:
            found.append((f"arms-file line {number}", {key: _value(key, item) for key, item in values.items()}))
    return found, raw


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
