"""The steps of a service visit, as data: what a step is, and which of them no visit may be without. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import timedelta

from guard.record import Record
from guard.units import in_words

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Literal

    Gate = Literal[
        "none", "backup", "run-in", "position-cells", "power-off", "lockout", "stored-energy", "memory-cell",
        "power-on", "look", "backup-after", "comparison", "sign",
    ]  # fmt: skip
else:
    Gate = str

GATES: tuple[Gate, ...] = (
    *("backup", "run-in", "position-cells", "power-off", "lockout", "stored-energy", "memory-cell"),
    *("power-on", "look", "backup-after", "comparison", "sign"),
)
"""In the order that they keep in every visit: each stands on those before it."""

ALWAYS: tuple[Gate, ...] = ("backup", "look", "backup-after", "comparison", "sign")
WITH_POWER_OFF: tuple[Gate, ...] = ("power-off", "lockout", "stored-energy", "power-on")
"""Where the power goes off at all, and before a memory cell is touched."""

NEEDS_POWER_OFF: tuple[Gate, ...] = ("lockout", "stored-energy", "memory-cell", "power-on")
"""Where the power stays on in one visit, these are not needed in it."""

MAY_BE_OPTIONAL: tuple[Gate, ...] = ("none", "run-in", "position-cells", "power-off", "memory-cell")

USUAL_RUN_IN = timedelta(minutes=10)
"""The least that is usual (common practice, no source)."""

CHECKED: dict[Gate, str] = {
    "backup": (
        "The tool checks that the verdict for a service-visit is neither hold nor unknown, or that somebody signed off,"
        " and tells which later gates would be shut."
    ),
    "run-in": "The tool times it, and counts it as powered time.",
    "position-cells": (
        "Power stays ON, as a condition for the axis positions; how, with nobody inside a live cabinet, is for the"
        " site's energy control procedure. The tool checks the verdict, to which a power that is off, or planned to be, is"
        " a hold."
    ),
    "power-off": (
        "The tool checks that the verdict allows the change of the memory cell, powered time included, before power"
        " goes. Where the power stays on in this visit, nothing is locked out and no memory cell changed."
    ),
    "lockout": "Only after power-off. Nobody opens the cabinet before this and the next step.",
    "stored-energy": "Only after lockout.",
    "memory-cell": "The tool judges once more, starts the clock and counts down.",
    "power-on": "Only with the new cell seated.",
    "look": "Only with the power on.",
    "backup-after": "The tool checks that a set is there that was saved after the work and was read back.",
    "comparison": "The tool checks that nothing awaits proof and no memory differs, or that somebody signed off.",
    "sign": "Ends in the record of the visit in the ledger.",
}
"""What the tool says of a gate itself, whatever a plant writes in its steps."""

BY_ORDER: tuple[Gate, ...] = ("lockout", "stored-energy", "power-on", "look", "sign")
"""Gates that the order of the steps keeps, so that paper need not say it."""

LOST: dict[Gate, str] = {
    "backup": "nobody would see that there is no sound backup before the work",
    "power-off": "the cell would be changed in a live cabinet",
    "lockout": "somebody could switch the machine on while people work in it",
    "stored-energy": "charged capacitors and dropping axes could hurt people",
    "power-on": "nobody would record since when the controller is on again",
    "look": "the arm could move with positions that it has lost",
    "backup-after": "nobody would know whether the memory came through",
    "comparison": "a loss would be found by the next product, not by the visit",
    "sign": "the visit would leave no record",
    "run-in": "no run-in is timed, and it does not count as powered time for the memory cell",
    "position-cells": "no position cells are changed with their change recorded",
    "memory-cell": "no memory cell is changed inside a timed window",
}
"""What is lost where a file leaves a gate out."""


class Reading(Record):
    """Something to write down in a step; with a unit it is a number."""

    name: str
    ask: str
    unit: str = ""


class Step(Record):
    """One step. ``at_least`` and ``at_most`` are of the run-in alone; ``warning`` is about people, ``notice`` about data."""

    id: str
    title: str
    gate: Gate = "none"
    do: tuple[str, ...] = ()
    readings: tuple[Reading, ...] = ()
    warning: str = ""
    notice: str = ""
    at_least: timedelta | None = None
    at_most: timedelta | None = None
    optional: bool = False


class StepFault(Record):
    """What is wrong with the steps: which step (its place from 0; None for the whole), its key, and what would be right."""

    step: int | None
    key: str
    wrong: str
    right: str


def faults(steps: tuple[Step, ...]) -> Iterator[StepFault]:
    """Everything for which steps are refused: doubled ids, gates that are lost, doubled or out of order."""
    ids = [step.id for step in steps]
    for number, step in enumerate(steps):
        if step.id and step.id in ids[:number]:
            yield StepFault(number, "id", f"{step.id!r} is there twice", "give each step an id of its own")
        yield from _step_faults(number, step)
    yield from _lost(steps)
    yield from _out_of_order(steps)


def _step_faults(number: int, step: Step) -> Iterator[StepFault]:
    if step.optional and step.gate not in MAY_BE_OPTIONAL:
        lost = f"without {step.gate} {LOST[step.gate]}"
        yield StepFault(number, "optional", f"the gate {step.gate} can never be left out", f"take it away: {lost}")
    if step.gate == "run-in":
        if not step.at_least:
            yield StepFault(number, "at-least", "is missing", 'write how long the run-in lasts, such as "10m"')
        elif step.at_most is not None and step.at_most < step.at_least:
            yield StepFault(number, "at-most", "is less than at-least", "write the longer time here")
    elif step.at_least is not None or step.at_most is not None:
        key = "at-least" if step.at_least is not None else "at-most"
        yield StepFault(number, key, "only a run-in is timed", 'take it away, or write gate = "run-in"')
    names = [reading.name for reading in step.readings]
    for name in dict.fromkeys(name for name in names if names.count(name) > 1):
        yield StepFault(number, "readings", f"{name!r} is there twice", "give each reading a name of its own")


def _lost(steps: tuple[Step, ...]) -> Iterator[StepFault]:
    there = {step.gate for step in steps}
    wanted = [*ALWAYS, *(WITH_POWER_OFF if there & {"memory-cell", *WITH_POWER_OFF} else ())]
    for gate in GATES:
        if gate in wanted and gate not in there:
            yield StepFault(
                None, "", f"no step has the gate {gate}: {LOST[gate]}", f'add a step with gate = "{gate}" in its place'
            )


def _out_of_order(steps: tuple[Step, ...]) -> Iterator[StepFault]:
    before: Gate | None = None
    for number, step in enumerate(steps):
        if step.gate == "none":
            continue
        if before is not None and step.gate == before:
            yield StepFault(number, "gate", f"the gate {step.gate} is there twice", "keep one step for it")
        elif before is not None and GATES.index(step.gate) < GATES.index(before):
            yield StepFault(
                number, "gate", f"the gate {step.gate} comes after {before}", f"put the step before {before}"
            )
        before = step.gate
    if steps and before is not None and steps[-1].gate != "sign" and "sign" in {step.gate for step in steps}:
        yield StepFault(len(steps) - 1, "gate", "a step comes after sign", "let the visit end with sign")
    if steps and steps[0].gate != "backup" and "backup" in {step.gate for step in steps}:
        yield StepFault(0, "gate", "a step comes before backup", "let the visit begin with backup")


def left_out(steps: tuple[Step, ...]) -> list[str]:
    """What a visit by these steps lacks, though nothing forbids that: said on every sheet and screen."""
    there = {step.gate for step in steps}
    said = [f"This plant's steps have no {gate}: {LOST[gate]}." for gate in GATES if gate not in there]
    short = next((step.at_least for step in steps if step.at_least and step.at_least < USUAL_RUN_IN), None)
    if short is not None:
        usual = in_words(USUAL_RUN_IN)
        said.append(
            f"This plant's run-in lasts {in_words(short)} at least; {usual} are usual (common practice, no source)."
        )
    return said
