"""The campaign before a planned event as a use case: what its arms need, and who saves which of them when."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from guard.desk import Desk
from guard.errors import StateDamaged
from guard.model import ArmFacts, PlannedEvent
from guard.plan.campaign import USUAL_LENGTH, Campaign, Need, Terms, campaign, need
from guard.plan.campaign import order as ordered
from guard.plan.events import not_configured
from guard.plan.meant import meant
from guard.plan.refusals import NoRoom
from guard.plan.windows import MINUTE
from guard.settings import Settings
from guard.share.layout import Layout


def event_meant(desk: Desk, asked: str, now: datetime) -> PlannedEvent:
    """The event of that id or title. Raises UnknownEvent, AmbiguousEvent and EventBegun."""
    return meant(asked, desk.events(), now, desk.settings.zone())


def prepare(desk: Desk, event: PlannedEvent, people: int, each: timedelta | None, now: datetime) -> Campaign:
    """Plan the backups that the event needs, by the facts as of now; without ``each`` by the usual length of one.

    Raises NoRoom where none of that length could ever be in time.
    """
    settings = desk.settings
    terms = _terms(settings, event, people, each, now)
    arms = [arm for arm in dict.fromkeys(event.arms) if arm in settings.arms]
    needs = [need(facts, event) for facts in desk.facts_in_turn(arms, now)] if arms else []
    return campaign(terms, needs, desk.events(), not_configured(event, settings.arms))


def order(
    settings: Settings, event: PlannedEvent, needs: Iterable[Need], events: Sequence[PlannedEvent], now: datetime
) -> Campaign | None:
    """The same for one person, by what the arms are known to need; None where no backup could ever be in time."""
    try:
        terms = _terms(settings, event, 1, None, now)
    except NoRoom:
        return None
    return ordered(terms, needs, events, not_configured(event, settings.arms))


def _terms(settings: Settings, event: PlannedEvent, people: int, each: timedelta | None, now: datetime) -> Terms:
    limit = settings.limits.fresh_for(event.kind)
    grain = max((Layout(text).grain for text in settings.layouts), default=MINUTE)
    terms = Terms(event, limit, settings.settle, grain, settings.zone(), people, each or USUAL_LENGTH, now)
    if each is None and MINUTE <= terms.room < USUAL_LENGTH:
        terms = terms._replace(each=terms.room)
    if terms.each > terms.room:
        raise NoRoom(event, terms.each, terms.room, limit)
    return terms


class Nearing:
    """The next planned event, where it is near enough to be warned of, and the backups that it needs.

    Takes the facts one arm after the other from whoever goes through them. ``trouble`` says why the plan cannot be read.
    """

    def __init__(self, desk: Desk, now: datetime) -> None:
        self._settings, self._now, self._needs = desk.settings, now, list[Need]()
        self.trouble, self._events = "", tuple[PlannedEvent, ...]()
        try:
            self._events = desk.events()
        except StateDamaged as damaged:
            self.trouble = (
                f"The planned events cannot be read: {damaged.reason}. None of them is judged. {damaged.remedy}"
            )
        ahead = max(desk.settings.warnings.lead_times)
        self.event = next((each for each in self._events if timedelta() < each.start - now <= ahead), None)

    def note(self, facts: ArmFacts) -> None:
        """Judge one arm for the event, if it is one of its arms."""
        if self.event is not None and facts.arm.id in self.event.arms:
            self._needs.append(need(facts, self.event))

    def plan(self) -> Campaign | None:
        """The backups in the order of one person; None where no event is near, or none could ever be in time."""
        if self.event is None:
            return None
        return order(self._settings, self.event, self._needs, self._events, self._now)
