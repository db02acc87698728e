"""Every deliberate refusal around service visits. Each takes facts and words itself, as those in `guard.errors` do.

GuardError
├── StepsMissing            2: no file of steps where it was looked for
├── StepsFaulty             2: the steps of a visit have faults, all of them told
├── VisitMoved              20: somebody else went on with the visit meanwhile
├── StepRefused             20 or 30: a step whose gate is shut, or whose turn it is not
├── NoVisit                 2: no visit is under way
├── NeedsTerminal           2: a guided run without a terminal
└── NoGivingUp              20: the visit cannot be given up as it stands
"""

from __future__ import annotations

from guard.errors import CallError, Fault, GuardError


class StepsMissing(CallError):
    """A file of steps that cannot be read."""

    def __init__(self, path: str, reason: str) -> None:
        self.path, self.reason = path, reason

    def __str__(self) -> str:
        return f"The steps of a visit cannot be read from {self.path}: {self.reason}."


class StepsFaulty(CallError):
    """All that is wrong in a file of steps, at once."""

    def __init__(self, faults: list[Fault]) -> None:
        self.faults = faults

    def __str__(self) -> str:
        count = f"{len(self.faults)} faults" if len(self.faults) > 1 else "1 fault"
        return "\n".join([f"The steps of a visit have {count}; put right and try again:", *map(str, self.faults)])


class VisitMoved(GuardError):
    """A visit with which somebody else went on."""

    exit_code = 20

    def __init__(self, arm: str) -> None:
        self.arm = arm

    def __str__(self) -> str:
        return (
            f"Nothing was stamped: somebody began or went on with the visit of {self.arm} elsewhere meanwhile. Take it"
            f" up as it is now: guard visit {self.arm} --run"
        )


class StepRefused(GuardError):
    """A step whose gate is shut, or whose turn it is not."""

    exit_code = 20

    def __init__(self, arm: str, step: str, why: str) -> None:
        self.arm, self.step, self.why = arm, step, why

    def __str__(self) -> str:
        return f"The step {self.step} of the visit of {self.arm} was not stamped: {self.why}"


class NoVisit(CallError):
    """A visit to be given up, where none is under way."""

    def __init__(self, arm: str) -> None:
        self.arm = arm

    def __str__(self) -> str:
        return f"No visit of {self.arm} is under way. One is begun with: guard visit {self.arm} --run"


class NeedsTerminal(CallError):
    """A guided run where nobody can be asked."""

    def __init__(self, arm: str) -> None:
        self.arm = arm

    def __str__(self) -> str:
        return (
            f"The guided run of a visit asks at every step, and here is no terminal to ask on. Run it on one, or print"
            f" the sheet: guard visit {self.arm} --out FILE"
        )


class NoGivingUp(GuardError):
    """A visit that cannot be given up while the memory cell is out."""

    exit_code = 20

    def __init__(self, arm: str) -> None:
        self.arm = arm

    def __str__(self) -> str:
        return (
            f"The visit of {self.arm} cannot be given up while its memory cell is out. Seat the new cell, then run:"
            f" guard swap end {self.arm} --by NAME"
        )
