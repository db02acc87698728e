"""The restore sheet: a page that goes to the machine with the medium, with what is on it and what to do, to be ticked."""

from __future__ import annotations

from datetime import datetime, tzinfo

from guard.plant import Arm
from guard.record import Record
from guard.rules.restore import Choice
from guard.tell import restoring
from guard.tell.cautions import CAUTIONS
from guard.tell.page import page
from guard.times import shown, shown_with_age
from guard.units import bytes_in_words

MOST = 12
"""More losses than this would not fit on the page; the rest is counted."""


class Restore(Record):
    """All that one restore sheet tells: the set that was chosen, and the bag that it stands in."""

    plant: str
    arm: Arm
    choice: Choice
    bag: str
    medium: str
    files: int
    bytes: int
    written_at: datetime


def drawn(sheet: Restore, zone: tzinfo) -> str:
    """The sheet as a page of HTML."""
    chosen, now = sheet.choice.chosen, sheet.written_at
    lost = restoring.lost(sheet.choice, now, zone)
    return page(
        "restore.html",
        plant=sheet.plant,
        arm=sheet.arm,
        path=chosen.set.path if chosen else "",
        fingerprint=chosen.set.fingerprint if chosen else "",
        saved=shown_with_age(chosen.captured_at, now, zone) if chosen else "",
        proof=restoring.proven(chosen, now, zone) if chosen else "",
        size=f"{sheet.files} files, {bytes_in_words(sheet.bytes)}",
        bag=sheet.bag,
        medium=sheet.medium,
        why=restoring.why(sheet.choice, zone),
        lost=lost[:MOST],
        lost_more=max(len(lost) - MOST, 0),
        note=restoring.lapse_note(sheet.choice, zone),
        warning=restoring.WARNING,
        notice=restoring.NOTICE,
        steps=restoring.steps(sheet.choice, sheet.arm.serial),
        cautions=CAUTIONS,
        written_at=shown(now, zone),
        zone=str(zone),
    )
