"""The same questions to the tool and to the oracle, and how their answers differ."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any, NamedTuple

from tests.oracle import power
from tests.oracle.calling import Given
from tests.oracle.judging import RANK, Judge
from tests.oracle.memory import Memory
from tests.oracle.tally import Tally

LATE = timedelta(seconds=10)
"""So long after a command was given the tool may have read its clock."""

EXITS = {"clear": 0, "caution": 10, "hold": 20, "unknown": 30}


class Difference(NamedTuple):
    """One difference between the two."""

    kind: str
    told: str

    def __str__(self) -> str:
        return f"{self.kind}: {self.told}"


def moment(text: str) -> datetime:
    """A time of the JSON."""
    return datetime.fromisoformat(text)


def adopt(judge: Judge, memory: Memory, answer: dict[str, Any]) -> list[Difference]:
    """Take over the tool's own exact times of its commands, where they are possible at all."""
    _adopt_end(judge, memory, answer)
    told, found = answer["set"], []
    if told is None or told["path"] not in memory.known:
        return []
    known = memory.known[told["path"]]
    if known.read_at and told["last_read_at"]:
        at = moment(told["last_read_at"])
        if known.read_at <= at <= known.read_at + LATE:
            known.read_at = at
        else:
            found.append(Difference("last-read", f"{known.path}: {at}, and it was read at {known.read_at}"))
    if known.sealed and told["captured_at"]:
        at, first = moment(told["captured_at"]), judge.original(known)
        if judge.captured(known) == first.first_seen and first.first_seen <= at <= first.first_seen + LATE:
            first.first_seen = at
    return found


def _adopt_end(judge: Judge, memory: Memory, answer: dict[str, Any]) -> None:
    """The end of the last change of a memory cell, from which the time with the power on is counted."""
    for one in answer["findings"]:
        last = judge.swaps()[-1:]
        if one["code"] == "not-powered-long-enough" and one["turns_at"] and last and last[0].ended:
            ended = moment(one["turns_at"]) - power.needed(judge)
            if last[0].ended <= ended <= last[0].ended + LATE:
                memory.swaps[memory.swaps.index(last[0])] = last[0]._replace(ended=ended)


def compare(judge: Judge, memory: Memory, answer: dict[str, Any], tally: Tally) -> list[Difference]:
    """How one answer differs from what the oracle says; what both say is counted."""
    action, at, off = answer["action"], moment(answer["at"]), timedelta(seconds=answer["off_for_s"])
    path = answer["set"]["path"] if answer["set"] else None
    judge.carrier = next((one for one in judge.equals if one.path == path), judge.carrier)
    found = adopt(judge, memory, answer)
    judge.told(action, at, off)
    for moment_told in (answer["holds_until"], *(one["turns_at"] for one in answer["findings"])):
        if moment_told:
            memory.take_over(moment(moment_told))
    judge.moments.clear()
    told = judge.told(action, at, off)
    asked = f"{answer['arm']} {action} at {answer['at']}"
    codes = {(one["code"], _counts_as(one)) for one in answer["findings"]}
    tally.oracle.update(told.codes)
    tally.tool.update(codes)
    tally.verdicts[told.level] += 1
    expected = told.codes - (judge.or_damaged if ("damaged-set", "hold") in codes else set())
    lacking, more = sorted(expected - codes), sorted(codes - told.codes - judge.undecided)
    texts = f"the tool lacks {lacking} and adds {more}"
    if answer["verdict"] != told.level:
        milder = RANK.index(answer["verdict"]) < RANK.index(told.level)
        kind = "FALSE CLEAR" if answer["verdict"] == "clear" else "milder" if milder else "stricter"
        found.append(Difference(kind, f"{asked}: {answer['verdict']}, oracle {told.level}; {texts}"))
    elif lacking or more:
        found.append(Difference("findings", f"{asked}: {texts}"))
    if told.set and path != told.set:
        found.append(Difference("set", f"{asked}: rests on {path}, oracle {told.set}"))
    elif told.set and judge.carrier:
        captured, sealed = judge.captured(judge.carrier), judge.carrier.sealed
        assert sealed
        if moment(answer["set"]["captured_at"]) != captured:
            found.append(Difference("captured", f"{asked}: {answer['set']['captured_at']}, oracle {captured}"))
        if answer["set"]["fingerprint"] != sealed.fingerprint:
            found.append(Difference("fingerprint", f"{asked}: {told.set}"))
    return found or _horizons(judge, answer, asked)


def _counts_as(finding: dict[str, Any]) -> str:
    """README: what somebody answers for counts as a caution at most."""
    level = str(finding["level"])
    return "caution" if finding["signed_off"] and level in ("hold", "unknown") else level


def _horizons(judge: Judge, answer: dict[str, Any], asked: str) -> list[Difference]:
    until, then = judge.horizon(answer["action"], moment(answer["at"]), timedelta(seconds=answer["off_for_s"]))
    told = moment(answer["holds_until"]) if answer["holds_until"] else None
    near = until and told and abs(until - told) <= timedelta(milliseconds=1)
    if (until != told and not near) or then != answer["then"]:
        return [Difference("horizon", f"{asked}: until {told} then {answer['then']}, oracle {until} then {then}")]
    return []


def compare_exit(given: Given) -> list[Difference]:
    """Contract, "Exit codes": the worst verdict's, and hold outranks unknown."""
    document = given.json
    worst = max((answer["verdict"] for answer in document["answers"]), key=RANK.index)
    if (given.code, document["verdict"]) != (EXITS[worst], worst):
        return [Difference("exit", f"{given.code} and {document['verdict']}, worst is {worst}")]
    return []


def gist(given: Given) -> list[Any]:
    """What was answered, without the words, and without figures that depend on the moment of asking."""
    answers = given.json["answers"]
    keys = ("arm", "verdict", "holds_until", "then", "set")
    codes = [sorted((one["code"], one["level"]) for one in answer["findings"]) for answer in answers]
    return [given.code, *([answer[key] for key in keys] for answer in answers), *codes]
