"""The use cases around a change of a memory cell, and sign-offs: what a person answers for."""

from __future__ import annotations

from datetime import datetime, timedelta

from guard.desk import Desk
from guard.model import ArmFacts, Finding, Question, SwapWindow, Verdict, rank
from guard.record import Record
from guard.rules.lapses import state, window_in_question
from guard.rules.permit import Permit
from guard.rules.refusals import CellIsOut, NeverSignedOff, NotAbout, NothingToSignOff, NoWindow, RunDown, WindowTaken
from guard.rules.sign_off import NEVER, is_never, subject, things
from guard.rules.verdict import verdict
from guard.rules.window import State, TimeOut, time_out
from guard.store import sign_offs, windows
from guard.store.ledger import Ledger
from guard.store.proofs import last_proof
from guard.store.windows import NewCell

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Any


class Change(Record):
    """How far the change of one arm's memory cell has come, with the facts that tell which set to restore.

    ``proof`` is what the ledger last said of its memory, and when.
    """

    arm: str
    state: State
    window: SwapWindow | None
    facts: ArmFacts
    proof: tuple[datetime, dict[str, Any]] | None = None


class Named(Record):
    """Which findings of an arm a person names: those of a code, or of these the ones that are about one thing."""

    code: str
    about: str | None = None


def allowed(desk: Desk, arm: str, at: datetime) -> TimeOut:
    """For how long an arm's memory cell may be out if it is pulled at that moment."""
    (facts,) = desk.facts([arm], at)
    return time_out(facts, at)


def begin(desk: Desk, permit: Permit, by: str, out: TimeOut) -> SwapWindow:
    """Open an arm's swap window, for as long as it may be. Raises RunDown, ClockSetBack, PermitStale and WindowTaken.

    Whoever was asked may have taken so long to answer that no time is left.
    """
    if out.limit <= timedelta():
        raise RunDown(permit.arm)
    desk.time_of(permit.arm)
    try:
        with desk.recording() as ledger:
            return windows.begin(ledger, permit, by, out.limit, desk.clocks, out.hold_up)
    except WindowTaken as taken:
        raise WindowTaken(taken.arm, taken.by, taken.since, desk.settings.zone()) from None


def change_of(desk: Desk, arm: str) -> Change:
    """How far the change of an arm's memory cell has come, by a look at its sets as they are now.

    What is planned plays no part while a cell is out, also where it cannot be read.
    """
    (facts,) = desk.facts_in_turn([arm], desk.now(), ())
    return Change(arm, state(facts), window_in_question(facts), facts, last_proof(desk.ledger, arm))


def open_now(desk: Desk) -> list[Change]:
    """Every configured arm whose swap window is open."""
    return [change_of(desk, arm) for arm in _open_arms(desk.records, desk) if arm in desk.settings.arms]


def open_elsewhere(desk: Desk) -> dict[str, SwapWindow]:
    """The open swap windows of arms that are no longer in the configuration."""
    return {arm: window for arm, window in _open_arms(desk.ledger, desk).items() if arm not in desk.settings.arms}


def _open_arms(ledger: Ledger, desk: Desk) -> dict[str, SwapWindow]:
    return dict(sorted(windows.open_windows(ledger, desk.clocks).items()))


def tick(desk: Desk, arm: str) -> SwapWindow | None:
    """Read the clock of an arm's open window, and write down how far it has come; None where none is open."""
    return windows.tick(desk.ledger, arm, desk.clocks)


def end(desk: Desk, arm: str, by: str, cell: NewCell) -> SwapWindow:
    """End an arm's swap window and record the new cell, whatever else may be wrong. Raises NoWindow."""
    try:
        ended = windows.end(desk.ledger, arm, by, cell, desk.clocks)
    except NoWindow:
        with desk.recording():  # where the ledger lost entries, nobody can say that there was no window
            raise
    desk.remember_ledger()
    return ended


def cells_of(desk: Desk, arm: str, kind: str = "memory") -> list[str]:
    """The types of memory or position cell that an arm lists, or all types there are where it lists none."""
    types = desk.settings.cell_types
    listed = [cell.type for cell in desk.settings.arms[arm].cells] if arm in desk.settings.arms else []
    return list(dict.fromkeys(name for name in listed or types if name in types and types[name].kind == kind))


def sign_off(
    desk: Desk,
    arm: str,
    named: Named,
    questions: list[Question],
    by: str,
    why: str,
    until: datetime,
    event_at: datetime | None = None,
) -> list[tuple[int, Finding]]:
    """Record that somebody answers for a finding that the arm has in answer to one of the questions.

    One entry in the ledger for each thing that the finding is about; returns their numbers with
    the findings. Raises NothingToSignOff, NotAbout, NeverSignedOff and CellIsOut.
    """
    now, code = desk.now(), named.code
    (facts,) = desk.facts([arm], now)
    answers = [verdict(facts, question) for question in questions]
    limits = facts.limits
    every = [(found, answer) for answer in answers for found in answer.findings]
    asked = [each for each in every if not is_never(each[0].code, each[1].question.action, limits)]
    gravest: dict[str | None, tuple[Finding, Verdict]] = {}
    for found, answer in sorted(asked, key=lambda each: rank(each[0].level)):
        if found.code == code:
            gravest[subject(found)] = (found, answer)
    if code in NEVER:
        raise CellIsOut(arm, code)
    if not gravest and (never := [each for found, each in every if found.code == code]):
        raise NeverSignedOff(arm, code, list(dict.fromkeys(answer.question.action for answer in never)))
    if not gravest:
        raise NothingToSignOff(arm, code, sorted({found.code for found, _ in asked}))
    chosen = [each for each in gravest.values() if named.about is None or named.about in things(each[0])]
    if not chosen:
        raise NotAbout(
            arm, code, named.about or "", [thing for found, _ in gravest.values() for thing in things(found)]
        )
    with desk.recording() as ledger:
        return [
            (sign_offs.record(ledger, answer, found, by, why, until, now, event_at), found) for found, answer in chosen
        ]
