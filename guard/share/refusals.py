"""What may keep a set from being carried to a medium, or moved into the holding folder and back. Each takes facts and words itself, as those in `guard.errors` do.

NotRestorable       20: the set must not be restored, or there is none
BagDiffers          20: a bag of that name is there and is not what would be carried
DestRefused         2: nothing may or can be carried to that place
NamesRefused        2: the medium's file system cannot hold some names or files
MediumFailed        1: the medium failed, is full or was pulled out in the middle
PlanDiffers         2: the plan of retention is another one now
NotHeld             2: nothing of that name is held
HoldingRefused      1: a set cannot be moved
"""

from __future__ import annotations

from guard.errors import CallError, GuardError
from guard.record import Record


class NotRestorable(GuardError):
    """A set that must not be restored, or an arm that has none that may."""

    exit_code = 20

    def __init__(self, path: str, what: str, remedy: str) -> None:
        self.path, self.what, self.remedy = path, what, remedy

    def __str__(self) -> str:
        return f"{self.path} is not carried: {self.what}. {self.remedy.rstrip('.')}."


class BagDiffers(GuardError):
    """A bag, or the beginning of one, that stands where one would be written and is not what would be carried."""

    exit_code = 20

    def __init__(self, bag: str, what: str) -> None:
        self.bag, self.what = bag, what

    def __str__(self) -> str:
        return (
            f"{self.bag} is there already and is not the set: {self.what}. Nothing was overwritten; restore nothing from"
            " it. Move it aside or delete it, or take another medium: this one may be failing."
        )


class DestRefused(CallError):
    """A place to which nothing may be carried, or nothing can."""

    def __init__(self, path: str, why: str, remedy: str) -> None:
        self.path, self.why, self.remedy = path, why, remedy

    def __str__(self) -> str:
        return f"Nothing was carried to {self.path}: {self.why}. {self.remedy}"


class Unfit(Record):
    """A file or folder of a set that a medium cannot hold under its name, and why."""

    path: str
    why: str


MOST = 5
"""More names than this help nobody; the rest is counted."""


class NamesRefused(CallError):
    """Files of a set that the medium's file system cannot hold as they are."""

    def __init__(self, path: str, kind: str, unfit: list[Unfit]) -> None:
        self.path, self.kind, self.unfit = path, kind, unfit

    def __str__(self) -> str:
        told = "; ".join(f"{each.path!r} {each.why}" for each in self.unfit[:MOST])
        more = f"; and {len(self.unfit) - MOST} more" if len(self.unfit) > MOST else ""
        kind = f" ({self.kind})" if self.kind else ""
        return (
            f"Nothing was carried to {self.path}: its file system{kind} cannot hold what is in the set: {told}{more}."
            " Nothing is renamed, since the controller would not know it again. Take a medium with another file system,"
            " such as exFAT for large files or ext4 for such names, if the controller reads it."
        )


class MediumFailed(GuardError):
    """A medium that failed, became full or was pulled out while a set was copied to it."""

    def __init__(self, dest: str, reason: str, partly: str, done: int, files: int) -> None:
        self.dest, self.reason, self.partly, self.done, self.files = dest, reason, partly, done, files

    def __str__(self) -> str:
        return (
            f"The copy to {self.dest} stopped after {self.done} of {self.files} files: {self.reason}. It is no restore"
            f" medium yet. What was copied stands in {self.partly}; once the medium is back and has room, the same command"
            " takes it up there."
        )


class PlanDiffers(GuardError):
    """A plan that is not the present one any more."""

    exit_code = 2

    def __init__(self, asked: str, now: str) -> None:
        self.asked, self.now = asked, now

    def __str__(self) -> str:
        return (
            f"Nothing was moved: the plan {self.asked} is not the present one, which is {self.now}. Sets came or"
            " went meanwhile, or another reason to keep one. Read it again: guard keep plan"
        )


class NotHeld(CallError):
    """A set that is not in the holding folder."""

    def __init__(self, asked: str) -> None:
        self.asked = asked

    def __str__(self) -> str:
        return (
            f"No set with the path or fingerprint {self.asked!r} is in the holding folder."
            " `guard keep held` lists what is."
        )


class HoldingRefused(GuardError):
    """Something that stops a set from being moved into the holding folder, out of it, or deleted there."""

    def __init__(self, path: str, why: str) -> None:
        self.path, self.why = path, why

    def __str__(self) -> str:
        return f"{self.path} was left as it is: {self.why}. Put that right and run the command again."
