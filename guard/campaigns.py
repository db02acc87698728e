"""The campaign before a planned event as a use case: what its arms need, and who saves which of them when."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime, timedelta

from guard.desk import Desk
from guard.model import PlannedEvent
from guard.plan.campaign import USUAL_LENGTH, Campaign, Need, Terms, campaign, need
from guard.plan.events import not_configured
from guard.plan.meant import NoRoom, meant
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
    return campaign(terms, needs, events, not_configured(event, settings.arms))


def _terms(settings: Settings, event: PlannedEvent, people: int, each: timedelta | None, now: datetime) -> Terms:
    limit = settings.limits.fresh_for(event.kind)
    grain = max((Layout(text).grain for text in settings.layouts), default=MINUTE)
    terms = Terms(event, limit, settings.settle, grain, settings.zone(), people, each or USUAL_LENGTH, now)
    if each is None and MINUTE <= terms.room < USUAL_LENGTH:
        terms = terms._replace(each=terms.room)
    if terms.each > terms.room:
        raise NoRoom(event, terms.each, terms.room, limit)
    return terms
