"""Answers as the JSON documents of the contract."""

from __future__ import annotations

from datetime import datetime

from guard.model import Verdict
from guard.rules.evidence import seconds, utc
from guard.rules.sign_off import in_utc


def answers(verdicts: list[Verdict], as_of: datetime, worst: str, silent_since: datetime | None) -> dict[str, object]:
    """The answers as the JSON contract has them."""
    return {
        "schema": 1,
        "asked_at": utc(as_of),
        "verdict": worst,
        "monitor_silent_since": utc(silent_since),
        "answers": [_answer(verdict) for verdict in verdicts],
    }


def _answer(verdict: Verdict) -> dict[str, object]:
    return {
        "arm": verdict.arm,
        "action": verdict.question.action,
        "at": utc(verdict.question.at),
        "off_for_s": seconds(verdict.question.off_for),
        "verdict": verdict.level,
        "holds_until": utc(verdict.holds_until),
        "then": verdict.then,
        "set": _set(verdict),
        "loss": verdict.loss and {"probability": verdict.loss.probability, "expected_hours": verdict.loss.expected_h},
        "findings": [
            {
                "code": found.code,
                "level": found.level,
                "message": found.message,
                "remedy": found.remedy,
                "evidence": found.evidence,
                "turns_at": utc(found.turns_at),
                "signed_off": found.signed_off and in_utc(found.signed_off),
            }
            for found in verdict.findings
        ],
    }


def _set(verdict: Verdict) -> dict[str, object] | None:
    if verdict.resting is None:
        return None
    backup = verdict.resting.set
    return {
        "path": backup.path,
        "fingerprint": backup.fingerprint,
        "captured_at": utc(verdict.resting.captured_at),
        "proof": verdict.resting.proof,
        "last_read_at": utc(backup.last_read_at),
        "copies": backup.copies,
    }
