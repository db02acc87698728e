"""The screen and the JSON of the question which set would be restored."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from guard.cli.output import Line
from guard.plant import Arm
from guard.rules.evidence import utc
from guard.rules.restore import AFTER, Choice
from guard.settings import Settings
from guard.tell import restoring
from guard.times import shown_with_age

MOST = 8
"""More lines of one kind than this help nobody in a hurry; the rest is counted."""


def screen(choice: Choice, now: datetime, settings: Settings) -> Iterator[Line]:
    """Which set, why that one, and what would be lost with it."""
    zone = settings.zone()
    level = "unknown" if choice.doubt else "hold" if choice.chosen is None else ""
    if level:
        yield Line(style=level)
    yield Line(headline(choice), style=level or "head")
    if level:
        yield Line(style=level)
    yield fact("Arm", described(settings.arms[choice.arm]))
    if choice.chosen is None:
        yield from _listed(
            "Sets", [restoring.not_chosen(each, now, zone) for each in choice.newer] or ["none is known"]
        )
        return
    yield from chosen_lines(choice, now, settings)
    command = f"guard carry {choice.arm} DEST{_option(choice, settings)}"
    yield fact("Next", f"{command} copies it to a medium and proves the copy")


def chosen_lines(choice: Choice, now: datetime, settings: Settings) -> Iterator[Line]:
    """What was chosen, why, and what goes with it."""
    zone, chosen = settings.zone(), choice.chosen
    if chosen is None:
        return
    yield fact("Set", chosen.set.path)
    yield fact("Saved", shown_with_age(chosen.captured_at, now, zone))
    yield fact("Proof", restoring.proven(chosen, now, zone))
    yield fact("Fingerprint", str(chosen.set.fingerprint))
    yield fact("Why", restoring.why(choice, zone))
    yield from _listed("Lost", restoring.lost(choice, now, zone))
    note = restoring.lapse_note(choice, zone)
    if note is not None:
        yield Line(f"NOTICE: {note}", style="caution-word", indent=1)


def headline(choice: Choice) -> str:
    """The answer in one sentence."""
    if choice.doubt:
        known = f" By what was learnt earlier it would be {choice.chosen.set.path}." if choice.chosen else ""
        return f"UNKNOWN: {choice.doubt}{known}"
    if choice.chosen is None:
        return f"HOLD: no set of {choice.arm} can be restored{_than(choice)}. Let nobody change the controller, and look for a copy."
    return f"{choice.chosen.set.path} would be restored on {choice.arm}."


def _than(choice: Choice) -> str:
    if choice.differs is not None:
        return f" from before {AFTER[choice.differs.kind]} after which the memory differed"
    return " that was saved before that time" if choice.before is not None else ""


def _option(choice: Choice, settings: Settings) -> str:
    if choice.before is None:
        return ""
    return f" --before {choice.before.astimezone(settings.zone()).isoformat(timespec='seconds')}"


def described(arm: Arm) -> str:
    """An arm by id, name, area and serial number."""
    name = f"{arm.name}, " if arm.name and arm.name != arm.id else ""
    serial = f", serial {arm.serial}" if arm.serial else ", no serial number configured"
    return f"{arm.id} ({name}{arm.area or 'no area'}){serial}"


def fact(label: str, text: str) -> Line:
    """One fact in its row."""
    return Line(text, label=label, label_style="quiet", indent=1, label_width=12)


def _listed(label: str, texts: list[str]) -> Iterator[Line]:
    for number, text in enumerate(texts[:MOST]):
        yield fact("" if number else label, text)
    if len(texts) > MOST:
        yield fact("", f"and {len(texts) - MOST} more")


def as_json(choice: Choice, settings: Settings) -> dict[str, object]:
    """One answer as a document."""
    zone, chosen = settings.zone(), choice.chosen
    return {
        "arm": choice.arm,
        "before": utc(choice.before),
        "doubt": choice.doubt,
        "set": chosen
        and {
            "path": chosen.set.path,
            "fingerprint": chosen.set.fingerprint,
            "captured_at": utc(chosen.captured_at),
            "proof": chosen.proof,
            "last_read_at": utc(chosen.set.last_read_at),
            "copies": chosen.set.copies,
        },
        "why": restoring.why(choice, zone) if chosen else None,
        "edits_since": [{"at": utc(mark.at), "by": mark.by, "note": mark.note} for mark in choice.edits],
        "newer": [{"path": each.path, "captured_at": utc(each.captured_at), "why": each.why} for each in choice.newer],
        "unproven_since": utc(choice.lapse.began_at) if choice.lapse else None,
        "differs_since": utc(choice.differs.began_at) if choice.differs else None,
    }
