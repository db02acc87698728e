"""The run sheet of one service visit: a page to print, to tick off and to sign beside the machine."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, tzinfo

from guard.model import Finding, Verdict, rank
from guard.plan.steps import BY_ORDER, CHECKED, Step
from guard.plant import Arm
from guard.record import Record
from guard.rules.sign_off import counts_as
from guard.tell.cautions import CAUTIONS
from guard.tell.page import page
from guard.tell.sheet import counts_from
from guard.tell.words import DOING, answered_for, shortened
from guard.times import shown, shown_with_age
from guard.units import in_words

TYPE_CHECKING = False

if TYPE_CHECKING:
    from guard.rules.window import TimeOut

FINGERPRINT_DIGITS = 16
"""So many tell a set from every other, and fit on the line."""

MOST_LIFTS = 3
"""More would push the steps off the page; the rest is counted."""


class RunSheet(Record):
    """All that one run sheet tells. ``worst`` is the worst of the verdicts, at least a caution where something conflicts."""

    plant: str
    arm: Arm
    start: datetime
    steps: tuple[Step, ...]
    verdicts: tuple[Verdict, ...]
    conflicts: tuple[str, ...]
    left_out: tuple[str, ...]
    time_out: TimeOut
    written_at: datetime


def drawn(sheet: RunSheet, zone: tzinfo) -> str:
    """The run sheet as a page of HTML."""
    resting = next((each.resting for each in sheet.verdicts if each.resting is not None), None)
    lifts = [_on_paper(each, sheet.arm.id) for each in to_lift(sheet, zone)]
    return page(
        "visit.html",
        plant=sheet.plant,
        arm=sheet.arm,
        start=shown(sheet.start, zone),
        verdicts=[
            {"level": each.level, "text": text}
            for each, text in zip(sheet.verdicts, told(sheet.verdicts, zone, 1), strict=True)
        ],
        conflicts=sheet.conflicts,
        left_out=sheet.left_out,
        lifts=lifts[:MOST_LIFTS],
        lifts_more=max(len(lifts) - MOST_LIFTS, 0),
        steps=[_row(number, step, sheet) for number, step in enumerate(sheet.steps, 1)],
        resting=resting
        and {
            "path": resting.set.path,
            "fingerprint": (resting.set.fingerprint or "not known")[:FINGERPRINT_DIGITS],
            "saved": shown_with_age(resting.captured_at, sheet.written_at, zone),
        },
        written_at=shown(sheet.written_at, zone),
        zone=str(zone),
        cautions=CAUTIONS,
    )


def told(verdicts: Sequence[Verdict], zone: tzinfo, most: int = 2) -> list[str]:
    """Each verdict in one sentence, without its level, which stands before it: what it is about, and why.

    ``most`` is how many reasons there is room for where something is blocked; the rest is counted. What another one
    before tells in the same words is not told in full again.
    """
    told_before: set[str] = set()
    texts = []
    for verdict in verdicts:
        found = [each for each in verdict.findings if counts_as(each) == verdict.level]
        room = 2 if verdict.level == "caution" else most
        why = " ".join(_weighed(each, zone) for each in found[:room])
        more = f" (and {len(found) - room} more: guard ask)" if len(found) > room else ""
        texts.append(_said(verdict, f"{'for the same reason.' if why in told_before else why}{more}"))
        told_before.add(why)
    return texts


def _said(verdict: Verdict, why: str) -> str:
    doing = f"{DOING[verdict.question.action]} {verdict.arm}"
    if verdict.level == "clear":
        return f"The backups allow you to {doing}."
    return f"{'Weigh before you' if verdict.level == 'caution' else 'Do not'} {doing}: {why}"


def _weighed(found: Finding, zone: tzinfo) -> str:
    return f"{found.message} {answered_for(found.signed_off, zone)}" if found.signed_off else found.message


def to_lift(sheet: RunSheet, zone: tzinfo) -> list[str]:
    """What lifts the verdicts that stand against the visit, each thing once, the worst first; from when on it counts."""
    found = [
        (each, verdict)
        for verdict in sheet.verdicts
        for each in verdict.findings
        if rank(counts_as(each)) > rank("caution")
    ]
    notes: dict[str, set[str]] = {}
    for each, verdict in sorted(found, key=lambda pair: -rank(counts_as(pair[0]))):
        its, first = notes.setdefault(each.remedy, set()), counts_from(each, verdict, sheet.written_at)
        if first is not None:
            its.add(f"A backup counts that is saved from {shown(first, zone)} on.")
    return [" ".join([f"{remedy.rstrip('.')}.", *sorted(its)]) if its else remedy for remedy, its in notes.items()]


def _on_paper(lift: str, arm: str) -> str:
    """What lifts something, as far as there is room for it."""
    first = shortened(lift)
    return lift if first == lift.rstrip(".") else f"{first}. All of it: guard visit {arm}"


def said_of(step: Step, arm: str) -> list[str]:
    """What to do in a step, about this arm."""
    return [sentence.replace("{arm}", arm) for sentence in step.do]


def time_of(step: Step, sheet_out: TimeOut | None = None) -> str:
    """How long a step may or must take; empty where nobody says."""
    if step.gate == "run-in" and step.at_least is not None:
        most = f" to {in_words(step.at_most)}" if step.at_most is not None and step.at_most > step.at_least else ""
        return f"{in_words(step.at_least)}{most}"
    if step.gate == "memory-cell" and sheet_out is not None:
        return f"within {in_words(sheet_out.limit)}"
    return ""


def _row(number: int, step: Step, sheet: RunSheet) -> dict[str, object]:
    return {
        "number": number,
        "title": step.title.replace("{arm}", sheet.arm.id),
        "time": time_of(step, sheet.time_out),
        "do": said_of(step, sheet.arm.id),
        "checked": CHECKED.get(step.gate, "") if step.gate not in BY_ORDER else "",
        "warning": step.warning,
        "notice": step.notice,
        "readings": [*step.readings, *_own_readings(step)],
        "optional": step.optional,
        "timed": step.gate in ("run-in", "memory-cell"),
    }


def _own_readings(step: Step) -> list[dict[str, str]]:
    """What the tool itself asks for in a step: it goes into the marks that the step makes."""
    if step.gate not in ("position-cells", "memory-cell"):
        return []
    return [{"ask": "Date code of the new cell", "unit": ""}]
