"""Sign-offs: a named person answers for one finding, with a reason, until a moment. Pure.

What is signed off is still found and still shown with its level; it counts as a caution, and
so never makes a verdict clear.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from guard.model import Action, Finding, Level, Limits, Question, SignOff, rank
from guard.rules.evidence import MICROSECOND, later, utc
from guard.rules.standing import Standing

LONGEST = timedelta(days=7)
"""Nobody can answer for longer without looking again, but for a planned event until that is over."""

NEVER = ("window-open", "window-closing", "window-over")
"""While a cell is out nobody can answer for what comes of it, whatever is configured."""

_ABOUT = {
    "incomplete-set": ("set", "problems"),
    "damaged-set": ("set", "what"),
    "wrong-arm": ("set", "part", "other_arm", "other_set", "found"),
    "edited-since": ("set", "captured_at", "edited_at", "edits"),
    "awaiting-proof": ("of", "began_at", "ended_at"),
    "memory-differs": ("fingerprint", "after_fingerprint"),
    "not-powered-long-enough": ("on", "since", "events"),
    "not-read-back": ("set", "trouble"),
    "share-offline": ("reason",),
    "share-doubt": ("marker", "found", "vanished"),
    "cell-age-unknown": ("cell", "installed"),
    "cell-due-soon": ("cell", "installed"),
    "cell-overdue": ("cell", "installed"),
    "cell-alarm": ("cell", "alarm_at"),
    "old-when-put-in": ("cell", "date_code"),
    "spare-missing": ("cell",),
    "power-must-stay-on": ("on", "since", "events"),
    "event-conflict": ("events",),
    "charge-short": ("cell", "installed", "off_for_s"),
    "loss-likely": ("cell", "installed", "off_for_s"),
}
"""Which evidence tells what a finding was about, where that is more or other than its set: the next edit, another
part that is missing, or another arm's content is another matter."""


def subject(found: Finding) -> str | None:
    """What a finding is about: the path of a set, as a rule; None where it is about the arm as such."""
    told = _told(found)
    if len(_keys(found)) == 1:
        return next((str(value) for value in told.values()), None)
    return "; ".join(f"{key}: {value}" for key, value in told.items()) or None


def things(found: Finding) -> tuple[str, ...]:
    """What a finding is about, thing by thing: by each of these a person can name it among others of its code."""
    values = _told(found).values()
    return tuple(str(each) for value in values for each in (value if isinstance(value, list | tuple) else (value,)))


def _keys(found: Finding) -> tuple[str, ...]:
    return _ABOUT.get(found.code, ("set",))


def _told(found: Finding) -> dict[str, object]:
    return {key: found.evidence[key] for key in _keys(found) if found.evidence.get(key) is not None}


def signed(found: Finding, at: Standing, question: Question) -> Finding:
    """The finding, with who answers for it where somebody does."""
    covering = [each for each in at.facts.sign_offs if _covers(each, found, at, question)]
    if not covering:
        return found
    last = max(covering, key=lambda each: (each.until, each.at, each.by, each.why))
    return found._replace(signed_off=last)


def in_utc(sign_off: SignOff) -> str:
    """A sign-off in words for programs: who, until when, and why."""
    return f"{sign_off.by} until {utc(sign_off.until)}: {sign_off.why}"


def is_never(code: str, action: Action, limits: Limits) -> bool:
    """Whether nobody can answer for a finding before an action."""
    return code in NEVER or ("", code) in limits.never_signed or (action, code) in limits.never_signed


def _covers(sign_off: SignOff, found: Finding, at: Standing, question: Question) -> bool:
    """Takes as proof that it was made for this finding, about the same thing, when it was no less grave."""
    return (
        sign_off.code == found.code
        and not is_never(found.code, question.action, at.facts.limits)
        and sign_off.subject == subject(found)
        and rank(found.level) <= rank(sign_off.level)
        and sign_off.at <= at.facts.as_of
        and _is_within(sign_off, question.at)
    )


def _is_within(sign_off: SignOff, at: datetime) -> bool:
    """Who answers for an event that begins later than others may be answered for does not until it begins."""
    if at > sign_off.until:
        return False
    return sign_off.event_at is None or at >= sign_off.event_at or at - sign_off.at <= LONGEST


def starts_later(place: Standing, question: Question) -> bool:
    """Whether somebody answers for an event that begins later: what holds now may then end by itself."""
    return any(each.event_at is not None and each.event_at > question.at for each in place.facts.sign_offs)


def counts_as(found: Finding) -> Level:
    """The level with which a finding enters the verdict."""
    if found.signed_off is not None and rank(found.level) > rank("caution"):
        return "caution"
    return found.level


def turns(at: Standing, question: Question) -> list[datetime]:
    """When sign-offs are over, or begin to count for their event: the moment until which somebody answers is inside."""
    found = [later(each.until, MICROSECOND) for each in at.facts.sign_offs if each.until >= question.at]
    for each in at.facts.sign_offs:
        if each.event_at is not None:
            found += [each.event_at, later(each.at, LONGEST, MICROSECOND)]
    return [moment for moment in found if moment is not None]
