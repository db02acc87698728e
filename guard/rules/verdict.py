"""The verdict: all rules over the facts of one arm, and until when the answer holds. Pure."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta

from guard.model import ArmFacts, Finding, Level, Question, RestingSet, Verdict, rank
from guard.rules import backups, cells, charge, doubts, memory, planned, share, spares, window
from guard.rules.evidence import later
from guard.rules.findings import Outcome
from guard.rules.sign_off import counts_as, signed, starts_later, turns
from guard.rules.standing import Standing, proof, standing

Rule = Callable[[Standing, Question], Outcome]

RULES: tuple[Rule, ...] = (
    window.window_clock,
    memory.awaiting_proof,
    memory.memory_differs,
    window.not_powered_long_enough,
    share.share_offline,
    share.share_doubt,
    share.share_unseen,
    backups.no_backup,
    backups.incomplete_set,
    backups.damaged_set,
    doubts.wrong_arm,
    backups.stale_backup,
    backups.edited_since,
    backups.not_read_back,
    backups.unsettled_newer,
    doubts.refiled_copy,
    doubts.clock_in_doubt,
    doubts.axis_zero_moved,
    doubts.shrunk_set,
    doubts.mixed_times,
    backups.too_few_copies,
    backups.restore_test_due,
    doubts.odd_entry,
    cells.cell_alarm,
    cells.cell_age,
    cells.cell_age_unknown,
    spares.old_when_put_in,
    spares.spare_missing,
    planned.power_must_stay_on,
    planned.off_before_a_swap,
    planned.event_conflict,
    planned.one_person_twice,
    charge.charge_short,
    charge.loss_likely,
)

HORIZON = timedelta(days=3652.5)
"""Ten years: what would change later than this is not told."""


def verdict(facts: ArmFacts, question: Question) -> Verdict:
    """Judge one arm. Total: any facts and any question give a verdict, and nothing raises.

    ``holds_until`` is the first instant, to the microsecond, at which asking the same about
    a later start would give another level, ``then``; both are None where that does not
    happen within ten years. What is asked about a moment that has passed is answered for the
    present: a set that was fresh then may not be any more.
    """
    return verdict_over(standing(facts), question)


def verdict_over(place: Standing, question: Question) -> Verdict:
    """Judge one arm whose sets were put in their places already, as for many questions about the same facts."""
    facts, asked = place.facts, question
    question = question._replace(at=max(question.at, facts.as_of))
    outcomes = _said(place, question)
    findings = _findings(outcomes, place, question)
    holds_until, then = _horizon(place, question, outcomes, findings)
    resting = place.resting and RestingSet(
        place.resting.set, place.resting.captured_at, proof(place.resting.set, facts)
    )
    ranked = sorted(findings, key=lambda found: -rank(counts_as(found)))
    return Verdict(
        facts.arm.id,
        asked,
        worst(findings),
        holds_until,
        then,
        resting,
        tuple(ranked),
        charge.at_stake(place, question),
    )


def place(answer: Verdict) -> tuple[int, float]:
    """Where an answer stands among others: the worst level first, in it the most hours of work expected to be lost.

    Where the data for these are not configured it stands behind those that have them.
    """
    return -rank(answer.level), 1.0 if answer.loss is None else -answer.loss.expected_h


def worst(findings: list[Finding]) -> Level:
    """The worst level among the findings; clear where there is none. What is signed off counts as a caution."""
    return max(map(counts_as, findings), key=rank, default="clear")


def _said(place: Standing, question: Question) -> list[Outcome]:
    return [rule(place, question) for rule in RULES]


def _findings(outcomes: list[Outcome], place: Standing, question: Question) -> list[Finding]:
    return [signed(found, place, question) for outcome in outcomes for found in outcome.findings]


def _next_turn(outcomes: list[Outcome], place: Standing, question: Question) -> datetime | None:
    moments = [*turns(place, question), *(outcome.turns_at for outcome in outcomes if outcome.turns_at is not None)]
    return min((moment for moment in moments if moment > question.at), default=None)


def _horizon(
    place: Standing, question: Question, outcomes: list[Outcome], findings: list[Finding]
) -> tuple[datetime | None, Level | None]:
    """Step from turn to turn until the level differs; between two turns nothing changes, and no rule before its own."""
    stays = not starts_later(place, question)
    if stays and any(counts_as(found) == "hold" and found.turns_at is None for found in findings):
        return None, None  # nothing is worse, and this does not end by itself
    level, end = worst(findings), later(question.at, HORIZON)
    turns_at = _next_turn(outcomes, place, question)
    while turns_at is not None and (end is None or turns_at <= end):
        asked = question._replace(at=turns_at)
        outcomes = [
            said if said.turns_at is None or said.turns_at > turns_at else rule(place, asked)
            for rule, said in zip(RULES, outcomes, strict=True)
        ]
        then = worst(_findings(outcomes, place, asked))
        if then != level:
            return turns_at, then
        turns_at = _next_turn(outcomes, place, asked)
    return None, None
