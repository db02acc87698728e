"""Reads the steps of a service visit from their file; every fault is told at once, with its step and what would be right."""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Callable, Mapping
from importlib.resources import files
from typing import Any

from guard.config_keys import REQUIRED, Key
from guard.config_lines import MOST_FAULTS, document, line_of
from guard.config_values import Wrong, any_of, flag, mapping, shown, some_span, text, text_list
from guard.errors import Fault
from guard.kept import LARGEST_BYTES
from guard.plan.refusals import StepsFaulty, StepsMissing
from guard.plan.steps import GATES, Reading, Step, faults
from guard.units import bytes_in_words

WITHIN = re.compile(r"^steps\[[0-9]+\]\.")
"""Where a step stands in the file; people are told its id instead."""

MOST_STEPS = 40
"""More than any visit has; it is the sheet that must stay one page."""


def _id(value: Any) -> str:
    """What a step or a reading is called in the ledger."""
    name = text(value)
    if not re.fullmatch(r"[a-z0-9][a-z0-9-]{0,39}", name):
        raise Wrong(f"{shown(name)} is no id", "use small letters, digits and -, such as run-in")
    return name


def _readings(value: Any) -> tuple[dict[str, Any], ...]:
    if not isinstance(value, list):
        raise Wrong(
            f"{shown(value)} is no list of readings", 'write [ { name = "amount", ask = "Amount", unit = "g" } ]'
        )
    return tuple(map(mapping, value))


STEP = {
    "id": Key(_id),
    "title": Key(text),
    "gate": Key(any_of(*GATES), "none"),
    "do": Key(text_list, ()),
    "readings": Key(_readings, ()),
    "warning": Key(text, ""),
    "notice": Key(text, ""),
    "at-least": Key(some_span, None),
    "at-most": Key(some_span, None),
    "optional": Key(flag, False),  # noqa: FBT003
}
STEP_READING = {"name": Key(_id), "ask": Key(text), "unit": Key(text, "")}


def shipped() -> str:
    """Where the steps lie that come with the tool: in the installed package, or in a checkout."""
    package = str(files("guard"))
    for place in (os.path.join(package, "visit.toml"), os.path.join(os.path.dirname(package), "config", "visit.toml")):
        if os.path.isfile(place):
            return place
    raise StepsMissing(os.path.join(package, "visit.toml"), "it belongs to the tool: install it anew")


def read_steps(path: str) -> tuple[Step, ...]:
    """The steps in a file. Raises StepsMissing, or StepsFaulty with every fault found."""
    try:
        with open(path, "rb") as file:
            raw = file.read(LARGEST_BYTES + 1)
    except OSError as error:
        reason = f"{error.strerror or error}. Put the file there, or name another one as visit.steps"
        raise StepsMissing(path, reason) from error
    return _Reader(path, raw).steps()


class _Reader:
    def __init__(self, path: str, raw: bytes) -> None:
        self.path = path
        self.faults: list[Fault] = []
        if len(raw) > LARGEST_BYTES:
            wrong = f"the file is larger than {bytes_in_words(LARGEST_BYTES)}"
            raise StepsFaulty([Fault(path, None, "", wrong, "see config/visit.toml")])
        try:
            content = raw.decode("utf-8-sig")
            self.lines, self.document = content.split("\n"), document(content)
        except UnicodeDecodeError as error:
            line = raw[: error.start].count(b"\n") + 1
            raise StepsFaulty([Fault(path, line, "", "the file is no UTF-8 text", "save it as UTF-8")]) from error
        except (ValueError, RecursionError) as error:
            place = re.search(r"at line (\d+)", str(error))
            wrong = f"this is no TOML: {error}"
            fault = Fault(path, int(place[1]) if place else None, "", wrong, "see config/visit.toml")
            raise StepsFaulty([fault]) from error

    def steps(self) -> tuple[Step, ...]:
        self._unknown("", self.document, ("steps",), "")
        rows = self.document.get("steps", [])
        if not isinstance(rows, list) or not all(isinstance(row, dict) for row in rows):
            self._fault("steps", "is no list of tables", "write [[steps]] before each step")
            rows = []
        elif not 0 < len(rows) <= MOST_STEPS:
            self._fault("steps", f"there are {len(rows)}", f"write 1 to {MOST_STEPS} steps, each begun by [[steps]]")
        ids = [row.get("id") for row in rows]
        found = tuple(self._step(number, row) for number, row in enumerate(rows))
        if not self.faults:  # what is wrong with the whole tells only where each step was understood
            for step, key, wrong, right in faults(found):
                self._fault(
                    "" if step is None else f"steps[{step}].{key}", wrong, right, ids[step] if step is not None else ""
                )
        if self.faults:
            raise StepsFaulty(self.faults)
        return found

    def _step(self, number: int, row: dict[str, Any]) -> Step:
        name = row["id"] if isinstance(row.get("id"), str) else ""
        where = f"steps[{number}]"
        found = self._read(where, row, STEP, name)
        readings = []
        for place, each in enumerate(found["readings"]):
            read = self._read(f"{where}.readings[{place}]", each, STEP_READING, name)
            readings.append(Reading(read["name"] or "", read["ask"] or "", read["unit"]))
        return Step(
            found["id"] or "", found["title"] or "", found["gate"], found["do"], tuple(readings),
            found["warning"], found["notice"], found["at-least"], found["at-most"], found["optional"],
        )  # fmt: skip

    def _read(self, where: str, raw: dict[str, Any], keys: Mapping[str, Key], name: str) -> dict[str, Any]:
        self._unknown(where, raw, tuple(keys), name)
        found: dict[str, Any] = {}
        for key, (read, default) in keys.items():
            found[key] = None if default is REQUIRED else default
            if key in raw:
                self._value(f"{where}.{key}", raw[key], read, found, key, name)
            elif default is REQUIRED:
                self._fault(f"{where}.{key}", "is missing", "this key has no default", name)
        return found

    def _value(
        self, place: str, raw: Any, read: Callable[[Any], Any], found: dict[str, Any], key: str, name: str
    ) -> None:
        try:
            found[key] = read(raw)
        except Wrong as wrong:
            for each in wrong.every:
                self._fault(place + each.within, each.wrong, each.right, name)

    def _unknown(self, where: str, raw: Mapping[str, Any], known: tuple[str, ...], name: str) -> None:
        for key in raw:
            if key not in known:
                near = difflib.get_close_matches(key, known, 1)
                right = f"did you mean {near[0]}?" if near else f"the keys here are {', '.join(known)}"
                self._fault(f"{where}.{key}" if where else key, "is no key that is known", right, name)

    def _fault(self, key: str, wrong: str, right: str, name: Any = "") -> None:
        told = f"step {shown(name)}, {WITHIN.sub('', key)}" if name else key
        self.faults.append(Fault(self.path, line_of(key, self.lines) if key else None, told, wrong, right))
        if len(self.faults) == MOST_FAULTS:
            more = Fault(self.path, None, "", "there may be more faults than these", "put these right first")
            raise StepsFaulty([*self.faults, more])
