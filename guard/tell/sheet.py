"""The hold sheet of one arm: a page to print and to hang at the cabinet, which says what is blocked and what lifts it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import datetime, timedelta, tzinfo
from urllib.parse import quote

from guard.digest import text_digest
from guard.model import BLOCKING, Finding, Level, PlannedEvent, Verdict, rank
from guard.plan.warnings import Raised
from guard.plant import Arm
from guard.record import Record
from guard.rules.evidence import earlier, seconds, utc
from guard.rules.sign_off import in_utc
from guard.store.encoding import canonical
from guard.tell.cautions import CAUTIONS
from guard.tell.page import page
from guard.tell.words import answered_for
from guard.times import shown, shown_with_age
from guard.units import in_words

MOST = 5
"""More lines of one kind would not fit on the page; the rest is counted."""

HEAD = re.compile(r'<meta name="guard-sheet" content="([0-9a-f]+) ([^"]*)">')
"""By this line, early in the file, a sheet of ours is known again: its state, and its place on the share."""

NOTICE = {
    "power-down": "powering this arm down can cost its taught positions, programs and settings.",
    "memory-swap": "taking the memory cell out can cost this arm's taught positions, programs and settings.",
    "position-swap": "changing the position cells can cost this arm's axis positions.",
    "service-visit": "the work of this visit can cost this arm's taught positions, programs and settings.",
    "": "power-down or work on this arm's cells can cost its taught positions, programs and settings.",
}


class Blocked(Record):
    """One warning that is raised, with the event that it blocks and the verdict that blocks it, where they are known."""

    warning: Raised
    event: PlannedEvent | None
    verdict: Verdict | None


class Sheet(Record):
    """All that one sheet tells. ``blocked`` holds at least one warning; ``also_at`` is its place on the share, if any."""

    plant: str
    arm: Arm
    blocked: tuple[Blocked, ...]
    written_at: datetime
    also_at: str = ""


def state_of(sheet: Sheet) -> str:
    """What tells whether a sheet that hangs is still right. Each hour counts too, so that no age on it is older."""
    hour = sheet.written_at.replace(minute=0, second=0, microsecond=0)
    told: list[object] = [utc(hour), sheet.also_at, sheet.plant, sheet.arm.id, sheet.arm.name, sheet.arm.area]
    for warning, event, verdict in sheet.blocked:
        told += [warning.id, warning.level, warning.headline]
        if event is not None:
            told += [event.title, utc(event.start), seconds(event.off_for)]
        if verdict is not None:
            told += [verdict.level, utc(verdict.holds_until), verdict.then]
            told += [
                (found.code, found.level, found.remedy, found.signed_off and in_utc(found.signed_off))
                for found in verdict.findings
            ]
        if verdict is not None and verdict.resting is not None:
            told += [verdict.resting.set.path, verdict.resting.set.fingerprint, utc(verdict.resting.captured_at)]
    return text_digest(canonical(told))


def drawn(sheet: Sheet, zone: tzinfo) -> str:
    """The sheet as a page of HTML."""
    findings = _findings(each.verdict for each in sheet.blocked)
    level: Level = max((each.warning.level for each in sheet.blocked), key=rank)
    actions = {each.event.kind if each.event else "" for each in sheet.blocked}
    notice = NOTICE[actions.pop() if len(actions) == 1 else ""]
    lifts = _lifts(sheet, zone)
    return page(
        "sheet.html",
        state=state_of(sheet),
        also_at=quote(sheet.also_at, errors="surrogateescape"),
        plant=sheet.plant,
        arm=sheet.arm,
        level=level,
        headlines=[each.warning.headline for each in sheet.blocked if each.verdict is None],
        notice=f"Until this is lifted, {notice}",
        blocked=[_row(each, sheet.written_at, zone) for each in sheet.blocked[:MOST]],
        blocked_more=max(len(sheet.blocked) - MOST, 0),
        lifts=lifts[:MOST],
        lifts_more=max(len(lifts) - MOST, 0),
        findings=[_finding(found, sheet.written_at, zone) for found in findings[:MOST]],
        findings_more=max(len(findings) - MOST, 0),
        resting=_resting(sheet, zone),
        holds=_holds(sheet, zone),
        written_at=shown(sheet.written_at, zone),
        zone=str(zone),
        cautions=CAUTIONS,
    )


def _findings(verdicts: Iterable[Verdict | None]) -> list[Finding]:
    """What several verdicts found, each thing once, the worst first."""
    found = [each for verdict in verdicts if verdict for each in verdict.findings]
    once = {(each.code, each.message): each for each in found}
    return sorted(once.values(), key=lambda each: -rank(each.level))


def _lifts(sheet: Sheet, zone: tzinfo) -> list[str]:
    """What to do, in order. Where a backup that is saved today would be too old again, from when on it counts."""
    notes: dict[str, list[str]] = {}
    for _, event, verdict in sheet.blocked:
        for found in verdict.findings if verdict else ():
            if found.level not in BLOCKING or found.signed_off is not None:
                continue
            its = notes.setdefault(found.remedy, [])
            from_then = counts_from(found, verdict, sheet.written_at)
            if event is not None and from_then is not None:
                its.append(f"For {event.id} a backup counts that is saved from {shown(from_then, zone)} on.")
    return [" ".join([f"{remedy.rstrip('.')}.", *its]) if its else remedy for remedy, its in notes.items()]


def counts_from(found: Finding, verdict: Verdict | None, now: datetime) -> datetime | None:
    """From when on a fresh backup lifts a `stale-backup`; None where it does from now on, or another finding is meant."""
    limit_s = found.evidence.get("limit_s")
    if verdict is None or found.code != "stale-backup" or not isinstance(limit_s, int | float):
        return None
    first = earlier(verdict.question.at, timedelta(seconds=limit_s))
    return first if first is not None and first > now else None


def _row(each: Blocked, now: datetime, zone: tzinfo) -> dict[str, str]:
    event = each.event
    since = shown(each.warning.raised_at, zone)
    if event is None:
        return {
            "level": each.warning.level, "what": "change of the memory cell, now under way",
            "start": "", "off_for": "", "since": since,
        }  # fmt: skip
    title = f": {event.title}" if event.title else ""
    return {
        "level": each.warning.level,
        "what": f"{event.kind} ({event.id}){title}",
        "start": shown_with_age(event.start, now, zone),
        "off_for": in_words(event.off_for),
        "since": since,
    }


def _finding(found: Finding, now: datetime, zone: tzinfo) -> dict[str, str]:
    turns = f" Turns {shown_with_age(found.turns_at, now, zone)}." if found.turns_at else ""
    signed = f" {answered_for(found.signed_off, zone)}" if found.signed_off else ""
    return {"level": found.level, "code": found.code, "message": f"{found.message}{turns}{signed}"}


def _first_verdict(sheet: Sheet) -> Verdict | None:
    return next((each.verdict for each in sheet.blocked if each.verdict is not None), None)


def _resting(sheet: Sheet, zone: tzinfo) -> dict[str, str] | None:
    verdict = _first_verdict(sheet)
    if verdict is None or verdict.resting is None:
        return None
    resting, now = verdict.resting, sheet.written_at
    return {
        "path": resting.set.path,
        "fingerprint": resting.set.fingerprint or "not known",
        "saved": shown_with_age(resting.captured_at, now, zone),
        "proof": f"{resting.proof}, last read {shown_with_age(resting.set.last_read_at, now, zone)}",
    }


def _holds(sheet: Sheet, zone: tzinfo) -> str:
    """Until when the worst answer on the sheet holds by itself."""
    verdicts = [each.verdict for each in sheet.blocked if each.verdict is not None]
    if not verdicts:
        return "until the monitor judges this arm again"
    ends = [(verdict.holds_until, verdict.then) for verdict in verdicts if verdict.holds_until is not None]
    if not ends:
        return "until one of the steps above is done: nothing here changes by itself"
    until, then = min(ends, key=lambda end: end[0])
    return f"until {shown_with_age(until, sheet.written_at, zone)}, then {then}, if nothing is done before"
