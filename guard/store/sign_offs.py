"""Sign-offs in the ledger: recorded for good."""

from __future__ import annotations

from datetime import datetime

from guard.model import Finding, SignOff, Verdict
from guard.rules.evidence import utc
from guard.rules.sign_off import subject
from guard.store.encoding import moment, time_text
from guard.store.ledger import Ledger

TYPE_CHECKING = False

if TYPE_CHECKING:
    from guard.model import Level


def record(
    ledger: Ledger,
    answer: Verdict,
    found: Finding,
    by: str,
    why: str,
    until: datetime,
    now: datetime,
    event_at: datetime | None = None,
) -> int:
    """Record that somebody answers for a finding of an answer, and the set on which that answer rested.

    ``event_at`` is when the planned event begins that it is for.

    Returns the number of the entry.
    """
    resting = answer.resting and answer.resting.set
    return ledger.append(
        now,
        "sign-off",
        answer.arm,
        {
            "code": found.code,
            "level": found.level,
            "subject": subject(found),
            "by": by,
            "why": why,
            "until": time_text(until),
            "event_at": time_text(event_at),
            "message": found.message,
            "action": answer.question.action,
            "at": utc(answer.question.at),
            "rests_on": resting and resting.path,
            "fingerprint": resting and resting.fingerprint,
        },
    )


def sign_offs(ledger: Ledger, arm: str | None = None) -> dict[str, tuple[SignOff, ...]]:
    """All sign-offs about one arm, or about every arm that has any, those that are over included."""
    found: dict[str, tuple[SignOff, ...]] = {}
    for at, name, body in ledger.bodies("sign-off", arm):
        about, event_at = body["subject"], body.get("event_at")
        level: Level = body["level"]  # type: ignore[assignment]  # as it was written
        each = SignOff(
            code=str(body["code"]),
            by=str(body["by"]),
            why=str(body["why"]),
            at=moment(at),
            until=moment(str(body["until"])),
            subject=None if about is None else str(about),
            level=level,
            event_at=None if event_at is None else moment(str(event_at)),
        )
        found[name] = (*found.get(name, ()), each)
    return found
