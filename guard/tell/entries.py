"""Entries of the ledger as people read them: one sentence each."""

from __future__ import annotations

import json
from collections.abc import Mapping
from datetime import tzinfo

from guard.tell.happened import text_of, time_of

MOST_ARMS = 6
"""More arms in one line are counted."""


def sentence(kind: str, body: str, zone: tzinfo) -> str:
    """What an entry says. One that was altered, or that a newer version wrote, stands there as it is written."""
    try:
        told = json.loads(body)
        return _sentence(kind, told, zone) if isinstance(told, dict) else body
    except (ValueError, TypeError, KeyError, AttributeError, OverflowError, RecursionError):
        return body


def _sentence(kind: str, body: Mapping[str, object], zone: tzinfo) -> str:
    teller = {"verdict": _verdict, "report": _report, "set": _set}.get(kind)
    return text_of(kind, body, zone) if teller is None else teller(body, zone)


def _verdict(body: Mapping[str, object], zone: tzinfo) -> str:
    answers = body["answers"]
    if not isinstance(answers, dict):
        raise TypeError(body)
    told = [f"{arm} {each['verdict']}{_why(each)}" for arm, each in answers.items()]
    more = f" and {len(told) - MOST_ARMS} more" if len(told) > MOST_ARMS else ""
    return f"{body['action']} at {time_of(body['at'], zone)}: {'; '.join(told[:MOST_ARMS])}{more}"


def _why(answer: Mapping[str, object]) -> str:
    findings, signed = answer.get("findings"), answer.get("signed_off")
    if not isinstance(findings, list) or not findings:
        return ""
    codes = [f"{code} signed off" if isinstance(signed, list) and code in signed else str(code) for code in findings]
    return f" ({', '.join(dict.fromkeys(codes))})"


def _report(body: Mapping[str, object], _zone: tzinfo) -> str:
    arms = body["arms"]
    if not isinstance(arms, dict):
        raise TypeError(body)
    counts = ", ".join(f"{len(members)} {level}" for level, members in reversed(arms.items()) if members)
    return f"report of {body['day']}: {counts or 'no arm'}"


def _set(body: Mapping[str, object], _zone: tzinfo) -> str:
    place = f" in further copy {body['place']}" if body.get("place") else ""
    what = body.get("what") or body.get("why")
    again = ", although it was noted as damaged before" if body.get("was_damaged") else ""
    fingerprint = f" ({str(body['fingerprint'])[:12]})" if body.get("fingerprint") else ""
    return f"{body['set']}{fingerprint}{place}: {body['state']}{again}{f', {what}' if what else ''}"
