"""The verdicts of a night: of every arm as of now, when that turns, and of the arms of each event at its start. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from guard.model import LEVELS, USUAL_OFF, ArmFacts, Level, Limits, PlannedEvent, Question, ShareFacts, Verdict
from guard.plan.campaign import Need, need_by
from guard.plan.charge_ahead import Held
from guard.plan.events import end
from guard.rules.outlook import outlook
from guard.rules.standing import Standing, standing
from guard.rules.verdict import verdict_over
from guard.tell.steps import SOON, too_early
from guard.tell.told import Coming, Next, Plan

LOOK_AHEAD = timedelta(days=28)
"""Events that begin within four weeks are judged and shown; later ones are counted."""

WORST_FIRST: tuple[Level, ...] = tuple(reversed(LEVELS))


class Board:
    """All verdicts over facts that are taken one arm after the other, and let go of.

    ``turned`` are verdicts at the moment until which the one as of now holds, where that is
    soon; ``then`` those at the start of an event, as of now where it has begun, by event and arm.
    ``needs`` are what the arms need before each near event that has not begun, by its id.
    ``held`` are the cells whose charge can be told, of all ``cells``.
    """

    def __init__(self, facts: Iterable[ArmFacts], planned: Sequence[PlannedEvent], at: datetime) -> None:
        self.planned, self.at = planned, at
        self.near = [event for event in planned if event.start <= at + LOOK_AHEAD]
        self.now: dict[str, Verdict] = {}
        self.turned: dict[str, Verdict] = {}
        self.then: dict[tuple[str, str], Verdict] = {}
        self.next: dict[str, Next] = {}
        self.needs: dict[str, list[Need]] = {event.id: [] for event in self.near if event.start > at}
        self.held: list[Held] = []
        self.cells = 0
        self.share = ShareFacts("never", None, unreadable="nothing was looked at")
        self._limits: Limits | None = None
        self._events = _by_arm(planned)
        for each in facts:
            self.share, self._limits = each.share, each.limits
            self._judge(standing(each))

    def _judge(self, place: Standing) -> None:
        arm = place.facts.arm.id
        now = self.now[arm] = verdict_over(place, Question("power-down", self.at, USUAL_OFF["power-down"]))
        if now.holds_until is not None and now.holds_until <= self.at + SOON:
            self.turned[arm] = verdict_over(place, now.question._replace(at=now.holds_until))
        for number, event in enumerate(self._events.get(arm, ())):
            if number == 0 or event.start <= self.at + LOOK_AHEAD:
                question = Question(event.kind, max(event.start, self.at), event.off_for, event.id)
                then = self.then[event.id, arm] = verdict_over(place, question)
                if event.id in self.needs:
                    self.needs[event.id].append(need_by(place.facts, then))
                if number == 0:
                    self.next[arm] = Next(event.id, event.kind, event.start, then.level, self._is_early(event, arm))

        self._hold(place.facts)

    def _hold(self, facts: ArmFacts) -> None:
        self.cells += len(facts.cells)
        for cell in facts.cells:
            of = outlook(cell, facts.arm, facts.marks, facts.as_of, facts.answers)
            if of is not None:
                self.held.append(Held(facts.arm.id, cell, of))

    def _is_early(self, event: PlannedEvent, arm: str) -> bool:
        return too_early(self.then[event.id, arm], event, self.at)

    def plan(self) -> Plan:
        """The coming events with their verdicts, and how many come later."""
        later = self.planned[len(self.near) :]
        return Plan(self.at + LOOK_AHEAD, tuple(map(self._coming, self.near)), len(later), _first_start(later))

    def _coming(self, event: PlannedEvent) -> Coming:
        by_level: dict[Level, list[str]] = {level: [] for level in WORST_FIRST}
        early = []
        for arm in dict.fromkeys(event.arms):
            by_level[self.then[event.id, arm].level if arm in self.now else "unknown"].append(arm)
            if arm in self.now and self._is_early(event, arm):
                early.append(arm)
        arms = tuple((level, tuple(members)) for level, members in by_level.items() if members)
        level: Level = arms[0][0] if arms else "unknown"
        counts_from = event.start - self._limits.fresh_for(event.kind) if early and self._limits else None
        return Coming(
            event.id, event.kind, event.title, event.start, end(event), level, arms, tuple(early), counts_from
        )  # fmt: skip


def _by_arm(planned: Iterable[PlannedEvent]) -> dict[str, list[PlannedEvent]]:
    found: dict[str, list[PlannedEvent]] = {}
    for event in planned:
        for arm in dict.fromkeys(event.arms):
            found.setdefault(arm, []).append(event)
    return found


def _first_start(events: Sequence[PlannedEvent]) -> datetime | None:
    return events[0].start if events else None
