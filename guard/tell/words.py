"""How a verdict is said in one sentence, wherever it is told: on a screen, on a sheet, in a message."""

from __future__ import annotations

import re
from datetime import tzinfo

from guard.model import Action, SignOff, Verdict
from guard.rules.sign_off import counts_as
from guard.times import shown

DOING: dict[Action, str] = {
    "power-down": "power down",
    "memory-swap": "change the memory cell of",
    "position-swap": "change the position cells of",
    "service-visit": "begin the service visit of",
}

LONGEST = 180
"""A remedy of more characters is told in a headline by its first sentence; the screens and sheets beneath tell all of it."""

_FIRST_SENTENCE = re.compile(r"""(?:'[^']*'|(?!\.\s+[A-Z]).)+""", re.DOTALL)
"""Up to a full stop before a capital letter, but for those in the quoted names of sets and files."""


def headline(verdict: Verdict) -> str:
    """The verdict in one sentence: what is blocked and what lifts it, or what may be done."""
    doing = f"{DOING[verdict.question.action]} {verdict.arm}"
    if verdict.level == "hold":
        return f"HOLD: do not {doing}. What lifts it{_first_step(verdict)}"
    if verdict.level == "unknown":
        return f"UNKNOWN: treat it as a hold, do not {doing}. What settles it{_first_step(verdict)}"
    if verdict.level == "caution":
        if any(counts_as(found) != found.level for found in verdict.findings):
            return f"CAUTION: a sign-off allows you to {doing}, not the backups; weigh what stands below first."
        return f"CAUTION: the backups allow you to {doing}; weigh what stands below first."
    return f"CLEAR: the backups allow you to {doing}."


def answered_for(sign_off: SignOff, zone: tzinfo) -> str:
    """Who answers for a finding, until when in the plant's zone, and why."""
    return f"Signed off by {sign_off.by} until {shown(sign_off.until, zone)}: {sign_off.why.rstrip('.')}."


def sign_offs(verdict: Verdict, zone: tzinfo) -> list[str]:
    """The sign-offs that a verdict rests on, each with the findings that it is for."""
    codes: dict[SignOff, list[str]] = {}
    for found in verdict.findings:
        if found.signed_off is not None:
            codes.setdefault(found.signed_off, []).append(found.code)
    return [f"{', '.join(dict.fromkeys(each))}: {answered_for(signed, zone)}" for signed, each in codes.items()]


def _first_step(verdict: Verdict) -> str:
    """The first thing to do, and how many there are; of what takes many sentences the first one."""
    worst = [found.remedy for found in verdict.findings if counts_as(found) == verdict.level]
    distinct = list(dict.fromkeys(worst))
    if not distinct:
        return ": nothing known."
    whole, first = distinct[0].rstrip("."), shortened(distinct[0])
    if first != whole:
        return f", first of all: {_uncapital(first)}."
    count = f", first of {len(distinct)} steps" if len(distinct) > 1 else ""
    return f"{count}: {_uncapital(whole)}."


def shortened(remedy: str) -> str:
    """A remedy without its full stop; of what takes many sentences the first one."""
    whole = remedy.rstrip(".")
    sentence = _FIRST_SENTENCE.match(whole) if len(whole) > LONGEST else None
    return whole if sentence is None else sentence[0]


def _uncapital(text: str) -> str:
    return text[:1].lower() + text[1:]
