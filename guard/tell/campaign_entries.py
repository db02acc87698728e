"""A campaign as calendar entries: one for each backup, at the latest time at which it must begin."""

from __future__ import annotations

from collections.abc import Iterator

from guard.ical.write import Written, uid_for
from guard.plan.campaign import Campaign, Turn
from guard.tell.campaign import helps, named, why_missed
from guard.tell.cautions import CAUTIONS
from guard.times import shown

CATEGORY = "backup"


def entries(plan: Campaign, plant: str) -> Iterator[Written]:
    """The backups in the order of their times, and one entry at the end that names those not to be made in time."""
    for turn in sorted(plan.turns, key=lambda each: (each.begin_by, each.person)):
        yield _turn(turn, plan, plant)
    if plan.missed:
        yield _missed(plan, plant)


def _uid(plan: Campaign, plant: str, about: str) -> str:
    """The same for the same arm and event, also where the calendar that it comes from moves the event."""
    event = plan.terms.event
    return uid_for("campaign", plant, event.uid or event.id, event.recurrence, about)


def _turn(turn: Turn, plan: Campaign, plant: str) -> Written:
    terms = plan.terms
    person = f"person {turn.person}, " if terms.people > 1 else ""
    of = sum(each.person == turn.person for each in plan.turns)
    return Written(
        _uid(plan, plant, f"arm {turn.arm}"),
        turn.begin_by,
        turn.begin_by + terms.each,
        f"Back up {turn.arm} now at the latest ({person}{turn.number} of {of})",
        (
            f"For {named(terms)}.",
            f"A backup counts from {shown(turn.counts_from, terms.zone)} on. Sooner than now is better.",
            f"Then: guard look, and: guard prove --arm {turn.arm}",
            f"Where the plan stands: guard campaign {terms.event.id}",
            *CAUTIONS,
        ),
        turn.area,
        (CATEGORY,),
    )


def _missed(plan: Campaign, plant: str) -> Written:
    terms = plan.terms
    arms = ", ".join(each.arm for each in plan.missed)
    return Written(
        _uid(plan, plant, "missed"),
        terms.ready_by,
        terms.event.start,
        f"NOT backed up in time: {arms}",
        (
            f"For {named(terms)}.",
            *(f"{each.arm}: {why_missed(each, terms)}" for each in plan.missed),
            "What would make it possible:",
            *helps(plan),
            *CAUTIONS,
        ),
        "",
        (CATEGORY,),
    )
