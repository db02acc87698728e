"""What retention wrote into the ledger: which sets are pinned, and which lie in the holding folder.

The ledger, and not the manifest on the share, says what was moved, when and from where: anybody
who can write on the share could alter the manifest.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from guard.model import Form
from guard.record import Record
from guard.store.encoding import moment, time_read, time_text
from guard.store.ledger import Body, Ledger

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Literal

    Act = Literal["held", "returned", "purged"]
else:
    Act = str


class HeldSet(Record):
    """One set in the holding folder: what it is, where it came from, and why and when it was moved.

    ``held_as`` is its path below the holding folder of its place, ``id`` tells it from every other.
    """

    id: str
    place: int
    arm: str
    path: str
    form: Form
    fingerprint: str
    held_as: str
    bytes: int
    captured_at: datetime
    held_at: datetime
    plan: str
    rule: str


class Pin(Record):
    """A set that a person wants kept, whatever retention says."""

    arm: str
    path: str
    fingerprint: str | None
    by: str
    why: str
    at: datetime


def body(held: HeldSet, act: Act) -> Body:
    """The body of an entry about a set that was moved into the holding folder, back, or deleted for good."""
    told: Body = {
        "act": act,
        "id": held.id,
        "place": held.place,
        "set": held.path,
        "form": held.form,
        "fingerprint": held.fingerprint,
        "held_as": held.held_as,
        "bytes": held.bytes,
        "captured_at": time_text(held.captured_at),
        "held_at": time_text(held.held_at),
        "plan": held.plan,
        "rule": held.rule,
    }
    return told


def from_body(arm: str, told: Body) -> HeldSet:
    """The set that such a body is about. Raises KeyError, TypeError or ValueError where it is none."""
    form: Form = "folder" if told["form"] == "folder" else "archive"
    captured = time_read(str(told["captured_at"]))
    if captured is None:
        raise ValueError("captured_at")
    return HeldSet(
        id=str(told["id"]),
        place=int(str(told["place"])),
        arm=arm,
        path=str(told["set"]),
        form=form,
        fingerprint=str(told["fingerprint"]),
        held_as=str(told["held_as"]),
        bytes=int(str(told["bytes"])),
        captured_at=captured,
        held_at=moment(str(told["held_at"])),
        plan=str(told["plan"]),
        rule=str(told["rule"]),
    )


def held_sets(ledger: Ledger, arm: str | None = None) -> dict[str, HeldSet]:
    """What lies in the holding folders by what the ledger says, of one arm or all, in the order in which it was moved."""
    found: dict[str, HeldSet] = {}
    for _, name, told in ledger.bodies("keep", arm):
        if told["act"] == "held":
            found[str(told["id"])] = from_body(name, told)
        else:
            found.pop(str(told["id"]), None)
    return found


def ids(ledger: Ledger) -> set[str]:
    """The ids of all sets that were ever moved."""
    return {str(told["id"]) for _, _, told in ledger.bodies("keep")}


def pin(ledger: Ledger, pinned: Pin, *, keep: bool) -> int:
    """Record that a set is pinned, or no longer; returns the number of the entry."""
    told: Body = {
        "set": pinned.path,
        "fingerprint": pinned.fingerprint,
        "pinned": keep,
        "by": pinned.by,
        "why": pinned.why,
    }
    return ledger.append(pinned.at, "pin", pinned.arm, told)


def pins(ledger: Ledger, arm: str | None = None) -> dict[str, tuple[Pin, ...]]:
    """The sets that are pinned, by arm."""
    found: dict[str, list[Pin]] = {}
    for at, name, told in ledger.bodies("pin", arm):
        each = Pin(
            name, str(told["set"]), _text(told["fingerprint"]),
            str(told["by"]), str(told["why"]), moment(at),
        )  # fmt: skip
        others = [there for there in found.get(name, []) if not same_set(there, each.path, each.fingerprint)]
        found[name] = [*others, each] if told["pinned"] else others
    return {name: tuple(there) for name, there in found.items() if there}


def same_set(pinned: Pin, path: str, fingerprint: str | None) -> bool:
    """A pin is about the set at its path, and about its content wherever that stands."""
    return pinned.path == path or (fingerprint is not None and pinned.fingerprint == fingerprint)


Relied = tuple[str, datetime, str | None, str | None]
"""An arm, when it was, and the path and fingerprint of the set that it rested on."""


def swaps(ledger: Ledger, arm: str | None = None) -> Iterator[Relied]:
    """What every change of a memory cell rested on."""
    for at, name, told in ledger.bodies("swap", arm):
        if told["verb"] == "begin":
            yield name, moment(at), _text(told["set"]), _text(told["fingerprint"])


def relied_on(ledger: Ledger, arm: str | None = None) -> Iterator[Relied]:
    """What the answers rested on that people saw who signed off."""
    for at, name, told in ledger.bodies("sign-off", arm):
        yield name, moment(at), _text(told.get("rests_on")), _text(told.get("fingerprint"))


def visits(ledger: Ledger, arm: str | None = None) -> Iterator[Relied]:
    """What the stamps of the visits that are under way rested on."""
    found: dict[str, list[Relied]] = {}
    for at, name, told in ledger.bodies("visit", arm):
        if told["verb"] in ("begin", "end", "give-up"):
            found[name] = []
        else:
            found.setdefault(name, []).append(
                (name, moment(at), _text(told.get("set")), _text(told.get("fingerprint")))
            )
    return (each for stamps in found.values() for each in stamps)


def _text(value: object) -> str | None:
    return None if value is None else str(value)
