"""Since when is an arm's power known to be on? From what people marked and whether its controller answers. Pure.

An answer is proof of power at that moment. Not answering proves nothing: it is doubt. So a
controller that was not asked and one that did not answer are told apart only in what is said.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from guard.model import AnswerTime, Mark, Powered
from guard.record import Record
from guard.rules.capture import believable
from guard.rules.evidence import later, utc

GAP = timedelta(minutes=3)
"""Answers no further apart are taken for one time of power: a controller needs longer to start (common practice, no
source). A gap of exactly this length is inside."""


class Presence(Record):
    """How a controller answers.

    It answered every time from ``since`` to ``last_at``; both are None where it never did.
    ``doubt`` says why it is not known since then. ``doubted_until`` is when it last began to
    answer again after such a doubt.
    """

    since: datetime | None
    last_at: datetime | None
    doubt: str | None = None
    doubted_until: datetime | None = None


class Change(Record):
    """A change in how a controller answers, for the ledger: ``body`` holds plain JSON values."""

    answers: bool
    body: Mapping[str, object]


AFTER_SILENCE = "silence"
"""What came before answers: doubt, rather than a time without a look."""


def after_answer(before: Presence | None, at: datetime) -> tuple[Presence, Change | None]:
    """What is known when the controller answers at ``at``, and what changed by it."""
    if before is not None and before.doubt is None and _is_close(before.last_at, at):
        return before._replace(last_at=at), None
    after = None if before is None else AFTER_SILENCE if before.doubt else "no look"
    body = {"answers": True, "since": utc(at), "after": after, "last_answer": utc(before.last_at) if before else None}
    doubted_until = at if after == AFTER_SILENCE else before.doubted_until if before else None
    return Presence(at, at, None, doubted_until), Change(answers=True, body=body)


def after_silence(before: Presence | None, at: datetime, why: str) -> tuple[Presence | None, Change | None]:
    """What is known when the controller did not answer several times up to ``at``, and what changed by it.

    As long as the last answer is close there is no doubt yet.
    """
    if before is not None and (before.doubt is not None or _is_close(before.last_at, at)):
        return before, None
    last_at = before.last_at if before else None
    body = {"answers": False, "since": utc(last_at or at), "why": why}
    return (before or Presence(None, None))._replace(doubt=why), Change(answers=False, body=body)


def _is_close(last_at: datetime | None, at: datetime) -> bool:
    return last_at is not None and timedelta() <= at - last_at <= GAP


def powered(presence: Presence | None, marks: Iterable[Mark], as_of: datetime) -> Powered:
    """Takes as proof of power an answer within the last minutes, or a powered-on mark that nothing has put in doubt.

    The latest word counts: a powered-off mark after the last answer and the last powered-on
    mark, then doubt, then a powered-on mark, then the answers. Of two careful readings the
    one with the shorter time on is taken: whoever marks powered-on says that it was off
    before, and where it answered on after a powered-off mark, it is taken to have come back
    as late as its answers allow.

    Where its answers have ceased, or it never gave any, what is known of its last time on is
    told with the doubt: by a mark from after its last answer, else by its answers.
    """
    told = [mark for mark in marks if believable(mark.at, as_of)]
    on, off = _latest(told, "powered-on"), _latest(told, "powered-off")
    last_at = presence.last_at if presence else None
    if off is not None and (on is None or on.at <= off.at) and (last_at is None or last_at <= off.at):
        return Powered(on=False, since=off.at, source=_said(off))
    marked = on if on is not None and (off is None or off.at < on.at) else None
    if presence is not None and _doubt(presence, as_of):
        return _before_the_doubt(presence, marked, off, as_of)
    seen = last_at if _is_close(last_at, as_of) else None
    if marked is not None and not _doubted_after(presence, marked.at):
        return Powered(on=True, since=marked.at, source=_said(marked), until=seen)
    if presence is None or presence.since is None or seen is None:
        return Powered(on=None, since=None)
    return Powered(on=True, since=_back_at(presence.since, off, as_of), source="its controller answers", until=seen)


def _before_the_doubt(presence: Presence, marked: Mark | None, off: Mark | None, as_of: datetime) -> Powered:
    """What is known of the last time on of a controller that does not answer."""
    since, last_at, source = presence.since, presence.last_at, _doubt(presence, as_of)
    if marked is not None and (last_at is None or last_at < marked.at):
        return Powered(on=None, since=marked.at, source=source)
    if since is None or last_at is None or not (believable(since, as_of) and believable(last_at, as_of)):
        return Powered(on=None, since=None, source=source)
    since = _back_at(since if marked is None else max(since, marked.at), off, as_of)
    return Powered(on=None, since=min(since, last_at), source=source, until=last_at)


def _back_at(since: datetime, off: Mark | None, as_of: datetime) -> datetime:
    """Since when its answers tell that it is on, where it may have been marked off meanwhile."""
    return max(since, min(later(off.at, GAP) or as_of, as_of)) if off else since


def answer_times(changes: Iterable[Mapping[str, object]], presence: Presence | None) -> tuple[AnswerTime, ...]:
    """When a controller answered and when it did not, from the bodies of all its changes, oldest first, and as it is now.

    What counts for the charge of its cells:

    - From the first to the last of answers no further apart than GAP the mains were on.
    - From the last answer before a silence to the first one after it they are taken for off. No answer is
      no proof of that, but it is the worse of the two.
    - A controller that never answered tells nothing by its silence: its address may be wrong. Nor does the
      time in which nobody asked. Both count as if there were no address.

    So nothing but an answer ever leaves a cell more than it would have without an address.
    """
    found: list[AnswerTime] = []
    on_since = silent_since = None
    answered = False
    for body in changes:
        since, before = _moment(body.get("since")), _moment(body.get("last_answer"))
        if body.get("answers"):
            found += _time(on_since, before, answers=True)
            found += _time(silent_since if answered else None, since, answers=False)
            on_since, silent_since, answered = since, None, True
        else:
            found += _time(on_since, since, answers=True)
            on_since, silent_since = None, silent_since or since
    if presence is not None:
        found += _time(presence.since, presence.last_at, answers=True)
        answered = answered or presence.last_at is not None
        silent_since = silent_since or (presence.last_at if presence.doubt is not None else None)
        if presence.doubt is None and presence.since is not None and answered:
            found += _time(silent_since, presence.since, answers=False)
            silent_since = None
    if silent_since is not None and answered:
        found.append(AnswerTime(silent_since, None, answers=False))
    return tuple(dict.fromkeys(found))


def _time(start: datetime | None, end: datetime | None, *, answers: bool) -> list[AnswerTime]:
    return [AnswerTime(start, end, answers)] if start is not None and end is not None and start < end else []


def _moment(text: object) -> datetime | None:
    try:
        return datetime.fromisoformat(str(text))
    except ValueError:
        return None


def _latest(marks: Iterable[Mark], kind: str) -> Mark | None:
    return max((mark for mark in marks if mark.kind == kind), key=lambda mark: mark.at, default=None)


def _said(mark: Mark) -> str:
    return f"marked {mark.kind} by {mark.by}" if mark.by else f"marked {mark.kind}"


def _doubt(presence: Presence, as_of: datetime) -> str:
    """Why the answers tell nothing of the present; empty where nothing is wrong with them."""
    if presence.doubt is not None:
        return f"its controller does not answer: {presence.doubt}"
    if not all(believable(moment, as_of) for moment in (presence.since, presence.last_at)):
        return "its controller answered at a time that cannot be"
    return ""


def _doubted_after(presence: Presence | None, moment: datetime) -> bool:
    return presence is not None and presence.doubted_until is not None and moment < presence.doubted_until
