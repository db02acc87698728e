"""How the choice of a set to restore is told, wherever it is: why that one, and what would be lost with it."""

from __future__ import annotations

from datetime import datetime, tzinfo

from guard.model import Mark, RestingSet
from guard.record import Record
from guard.rules.restore import AFTER, Choice, Passed
from guard.times import shown, shown_with_age
from guard.units import quoted

SOUND = "complete, read back, and neither damaged nor another arm's"

NOTHING_KNOWN = (
    "Nothing that is known: no edit was marked since, and there is no newer set. An edit that nobody marked and nobody"
    " saved is not known."
)


def why(choice: Choice, zone: tzinfo) -> str:
    """Why it is that set."""
    if choice.named is not None:
        return f"It was asked for by name. It is {SOUND}."
    if choice.before is not None:
        return (
            f"It is the newest set of {choice.arm} that was saved before {shown(choice.before, zone)} and is {SOUND}."
        )
    if choice.differs is not None:
        began = shown(choice.differs.began_at, zone)
        return (
            f"After {AFTER[choice.differs.kind]} that began {began} the memory was not what it had been. It is the newest set"
            f" from before, and it is {SOUND}."
        )
    return f"It is the newest set of {choice.arm} that is {SOUND}."


def proven(chosen: RestingSet, now: datetime, zone: tzinfo) -> str:
    """How far a set is proven, and since when."""
    return f"{chosen.proof}, last read {shown_with_age(chosen.set.last_read_at, now, zone)}"


def lost(choice: Choice, now: datetime, zone: tzinfo) -> list[str]:
    """What would be lost with it, one sentence for each edit and each newer set."""
    return [
        *(edit(mark, now, zone) for mark in choice.edits),
        *(passed(each, now, zone) for each in choice.newer),
    ] or [NOTHING_KNOWN]


def edit(mark: Mark, now: datetime, zone: tzinfo) -> str:
    """One edit, as it was marked."""
    by = f" by {mark.by}" if mark.by else ""
    note = f": {mark.note}" if mark.note else ""
    return f"The edit{by} marked {shown_with_age(mark.at, now, zone)}{note}"


def passed(each: Passed, now: datetime, zone: tzinfo) -> str:
    """One newer set, and why it was not chosen."""
    return f"What was new in {each.path}, saved {shown_with_age(each.captured_at, now, zone)}: {each.why}"


def not_chosen(each: Passed, now: datetime, zone: tzinfo) -> str:
    """One set, and why it cannot be restored, where none can."""
    return f"{each.path}, saved {shown_with_age(each.captured_at, now, zone)}: {each.why}"


def lapse_note(choice: Choice, zone: tzinfo) -> str | None:
    """That the set was saved since a time over which the memory may have been lost, and which one is from before."""
    lapse = choice.lapse
    if lapse is None or choice.chosen is None:
        return None
    told = f"This set came after {AFTER[lapse.kind]} that began {shown(lapse.began_at, zone)}, and nobody has proven the memory since: it holds what the memory held then."
    if lapse.before is None:
        return told
    return f"{told} If the memory was lost, the set from before is the right one: guard carry {choice.arm} DEST --set {quoted(lapse.before)}"


# What to do with it at the machine

WARNING = (
    "Data of another arm, or of another time, can make this arm move elsewhere than taught. Keep everybody out of its"
    " reach until its axis positions have been checked."
)
"""ANSI Z535.6 keeps this word for harm to people, which this is."""

NOTICE = "What the controller holds now is lost once a set is restored over it."

CHECK = "find . -type f -printf '%P\\0' | LC_ALL=C sort -z | xargs -0 sha256sum | sha256sum"
"""Prints the fingerprint of the folder that it is run in."""


class Step(Record):
    """One step at the machine, told as done, since it is ticked then; ``command`` is what to type for it."""

    text: str
    command: str = ""


def steps(choice: Choice, serial: str) -> list[Step]:
    """What to do at the machine, in order."""
    chosen, arm = choice.chosen, choice.arm
    if chosen is None:
        return []
    plate = (
        f"The plate on the controller says {serial}"
        if serial
        else "The controller is the one of this arm, by its plate"
    )
    lost = "What is lost, as listed above, was made again."
    asked = "Whoever may have edited this arm since was asked."
    mark = f"guard mark restore-test {arm} --set {str(chosen.set.fingerprint)[:12]} --by NAME"
    return [
        Step(f"{plate}, and the arm is {arm}. If not, stop: this set is for no other."),
        Step("The site's energy control procedure is followed, and nobody stands in the arm's reach."),
        Step("If the controller still starts: what it holds now was saved under a new name."),
        Step("Where the copy is read, this prints the fingerprint in the bag's folder data:", CHECK),
        Step("The bag's folder data was restored as the machine maker's manual says."),
        Step(
            "Before any motion under program: axis positions checked against the reference marks, as that manual says."
        ),
        Step(lost if choice.edits or choice.newer else asked),
        Step("A new backup was saved to the share, and read back:", f"guard look && guard prove --arm {arm}"),
        Step("Recorded, where all of it came back:", mark),
    ]
