"""A campaign: the backups that a planned event needs, in an order in which few people make them in time. Pure.

An arm needs none where the verdict at the event's start rests on a proven set that is fresh then.
What is doubtful counts as needed: a share that cannot be read shows no backup.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import datetime, timedelta, tzinfo

from guard.model import BLOCKING, POWER_OFF, ArmFacts, Finding, PlannedEvent, Question, Verdict
from guard.plan.events import end
from guard.plan.fitting import Job, fitted_in, latest_first
from guard.plan.routes import shared_out
from guard.plan.windows import (
    MINUTE,
    Span,
    counts_from,
    is_soon_enough,
    others_of,
    ready_by,
    span,
    whole_minute_from,
)
from guard.record import Record
from guard.rules.evidence import MICROSECOND, earlier
from guard.rules.standing import is_complete, is_damaged
from guard.rules.verdict import verdict
from guard.times import EPOCH

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Literal

    Needed = Literal["backup", "proof", "other", "nothing"]
else:
    Needed = str

USUAL_LENGTH = timedelta(minutes=20)
"""For so long one person is busy with one arm's backup, the way to it included (common practice, no source)."""

SAVING_LIFTS = frozenset(
    {"no-backup", "incomplete-set", "damaged-set", "wrong-arm", "stale-backup", "edited-since", "awaiting-proof"}
)
"""What a new backup of the arm lifts once it was read back."""

CELL_WORK = frozenset({"cell-overdue", "cell-alarm", "charge-short", "loss-likely"})
"""What the change of a cell lifts. A backup must follow it, so it comes before the arm's backup."""

NOT_SEEN = frozenset({"share-offline", "share-doubt", "share-unseen"})
"""While one of these is found, nobody can say that a backup is there."""


class Terms(Record):
    """What holds for every arm of the event: how old a set may be then, and how many people take how long for each."""

    event: PlannedEvent
    limit: timedelta
    settle: timedelta
    grain: timedelta
    zone: tzinfo
    people: int
    each: timedelta
    as_of: datetime

    @property
    def counts_from(self) -> datetime:
        """From when on a backup will still be fresh at the event's start, whatever happens before it."""
        return self.fresh_from(self.limit)

    def fresh_from(self, limit: timedelta) -> datetime:
        """The same, were a set allowed to be as old as ``limit``."""
        return self.taken_for(earlier(self.event.start, limit) or EPOCH)

    def taken_for(self, bound: datetime) -> datetime:
        """From when on a backup is taken for saved at ``bound`` or later."""
        return counts_from(max(bound, EPOCH), self.grain, self.zone)

    @property
    def ready_by(self) -> datetime:
        """By when the last backup must have ended."""
        return ready_by(self.event.start, self.settle)

    @property
    def room(self) -> timedelta:
        """How long a backup could take at most, were it alone and in good time."""
        return self.ready_by - self.counts_from


class Need(Record):
    """What one arm needs before the event, and the verdict at its start that says so.

    ``after`` is the moment that the backup must be later than, such as an edit's; None where there is none.
    """

    arm: str
    area: str
    needed: Needed
    verdict: Verdict
    after: datetime | None = None

    @property
    def at_stake_h(self) -> float:
        """Hours of work that are to be expected lost; none where that is not known."""
        return self.verdict.loss.expected_h if self.verdict.loss is not None else 0.0

    @property
    def blocking(self) -> tuple[Finding, ...]:
        """What blocks the event on this arm, less what somebody answers for; a missing backup none the less."""
        return tuple(
            found
            for found in self.verdict.findings
            if found.level in BLOCKING and (found.signed_off is None or self.is_saved_for(found))
        )

    def is_saved_for(self, found: Finding) -> bool:
        """Whether the backup that the arm needs lifts it."""
        return self.needed == "backup" and found.code in SAVING_LIFTS

    @property
    def beside(self) -> tuple[Finding, ...]:
        """What blocks the event on this arm and is lifted by no backup and no reading back."""
        lifted = frozenset() if self.needed == "other" else SAVING_LIFTS | {"not-read-back"}
        return tuple(found for found in self.blocking if found.code not in lifted)


class Turn(Record):
    """One backup in a person's order: when it may begin in that order, at first and at last.

    ``counts_from`` is from when on it counts by itself; ``kept_off`` are other events that make that later, or its end
    earlier.
    """

    person: int
    number: int
    arm: str
    area: str
    counts_from: datetime
    begin_from: datetime
    begin_by: datetime
    kept_off: tuple[str, ...] = ()


class Missed(Record):
    """An arm whose backup cannot be made in time. ``fits`` tells that it could be, were somebody free for it."""

    arm: str
    area: str
    fits: bool
    span: Span


class Help(Record):
    """What would make it possible to make all in time; each is None where it would not.

    ``people`` is how many it takes for those that fit at all; ``limit`` the age that a set would have to be allowed;
    ``begin_by`` when so many people had to begin: it is past.
    """

    people: int | None
    limit: timedelta | None
    begin_by: datetime | None


class Campaign(Record):
    """The plan: everybody's turns in their order, what cannot be made in time, and the arms that need no backup."""

    terms: Terms
    needs: tuple[Need, ...]
    turns: tuple[Turn, ...]
    missed: tuple[Missed, ...]
    help: Help | None
    not_configured: tuple[str, ...]

    @property
    def begin_by(self) -> datetime | None:
        """The latest time to begin the first backup, in this order; None where there is none to make."""
        return min((turn.begin_by for turn in self.turns), default=None)

    def turn_of(self, arm: str) -> Turn | None:
        """The turn of an arm; None where it has none."""
        return next((turn for turn in self.turns if turn.arm == arm), None)

    def save_by(self, arm: str) -> datetime | None:
        """The latest time to begin the first backup in an arm's area; None where the arm has no turn."""
        turn = self.turn_of(arm)
        return turn and min(each.begin_by for each in self.turns if each.area == turn.area)

    def due(self, each: Need, found: Finding) -> datetime | None:
        """By when to begin what lifts a finding; None where that is too late already."""
        turn = self.turn_of(each.arm)
        if each.is_saved_for(found):
            return turn and turn.begin_by
        return turn.begin_by if turn and found.code in CELL_WORK else self.terms.event.start


def need(facts: ArmFacts, event: PlannedEvent) -> Need:
    """What one arm needs before the event."""
    return need_by(facts, verdict(facts, Question(event.kind, event.start, event.off_for, event.id)))


def need_by(facts: ArmFacts, then: Verdict) -> Need:
    """The same by the verdict at its start. Takes as proof that nothing is needed a verdict without a blocking finding."""
    return Need(facts.arm.id, facts.arm.area, _needed(facts, then), then, _after(facts, then))


def _needed(facts: ArmFacts, then: Verdict) -> Needed:
    if _is_off_before(facts, then):
        return "backup"
    if _must_be_saved(then) or _has(then, frozenset({"not-read-back"})):
        read = _if_read_back(facts)
        if _must_be_saved(verdict(read, then.question) if read != facts else then):
            return "backup"
        return "proof"
    if any(found.level in BLOCKING and found.signed_off is None for found in then.findings):
        return "other"
    return "nothing"


def _is_off_before(facts: ArmFacts, then: Verdict) -> bool:
    """Whether the power is planned to be off and on again before: what is proven now is not what the memory holds then."""
    start, arm = then.question.at, facts.arm.id
    return any(
        other.kind in POWER_OFF and arm in other.arms and end(other) > facts.as_of and is_soon_enough(end(other), start)
        for other in facts.events
    )


def _must_be_saved(then: Verdict) -> bool:
    """Also where somebody answers for it: a sign-off is no backup."""
    return _has(then, SAVING_LIFTS | NOT_SEEN)


def _has(then: Verdict, codes: frozenset[str]) -> bool:
    return any(found.code in codes and found.level in BLOCKING for found in then.findings)


def _if_read_back(facts: ArmFacts) -> ArmFacts:
    """The facts as they will be once every whole set was read back and nothing was found to differ."""
    return facts._replace(
        sets=tuple(
            each._replace(last_read_at=facts.as_of)
            if is_complete(each) and not is_damaged(each) and each.last_read_at is None
            else each
            for each in facts.sets
        )
    )


def _after(facts: ArmFacts, then: Verdict) -> datetime | None:
    """The last edit, or the moment after which the power was back from what the memory has to be proven after."""
    moments = [mark.at for mark in facts.marks if mark.kind == "edit"]
    awaited = [found.evidence.get("ended_at") for found in then.findings if found.code == "awaiting-proof"]
    moments += [datetime.fromisoformat(ended) + MICROSECOND for ended in awaited if isinstance(ended, str)]
    return max(moments, default=None)


# The plan


def campaign(
    terms: Terms, needs: Iterable[Need], events: Sequence[PlannedEvent], not_configured: tuple[str, ...] = ()
) -> Campaign:
    """The order in which all backups are made in time, if there is one; else what would help, and the next best order."""
    found = order(terms, needs, events, not_configured)
    return found._replace(help=_help(terms, found.needs, events)) if found.missed else found


def order(
    terms: Terms, needs: Iterable[Need], events: Sequence[PlannedEvent], not_configured: tuple[str, ...] = ()
) -> Campaign:
    """The order in which all backups are made in time, if there is one; else one in which the most is saved."""
    listed = tuple(sorted(needs, key=lambda each: (each.area, each.arm)))
    wanted = [each for each in listed if each.needed == "backup"]
    spans = _spans(terms, wanted, events, terms.counts_from, terms.as_of)
    jobs, length = _jobs(terms, wanted, spans), terms.each // MINUTE
    routes = shared_out(jobs, terms.people, length)
    chosen = jobs
    if routes is None:
        chosen = _as_many(jobs, wanted, terms)
        routes = shared_out(chosen, terms.people, length) or ()
    turns = tuple(_turns(routes, wanted, spans, length))
    left = {job.name: job for job in jobs} if len(chosen) < len(jobs) else {}
    for job in chosen:
        left.pop(job.name, None)
    missed = tuple(
        Missed(each.arm, each.area, left[each.arm].first <= left[each.arm].last, spans[each.arm])
        for each in wanted
        if each.arm in left
    )
    return Campaign(terms, listed, turns, missed, None, not_configured)


def _spans(terms: Terms, wanted: Iterable[Need], events: Sequence[PlannedEvent], *bounds: datetime) -> dict[str, Span]:
    """When each backup may be made: not before any of the bounds, nor before it counts as later than its arm's own."""
    found, others = {}, others_of(terms.event, events)
    for each in wanted:
        own = () if each.after is None else (terms.taken_for(each.after),)
        first = whole_minute_from(max((*bounds, *own)))
        found[each.arm] = span(terms.event, others.get(each.arm, ()), first, terms.settle)
    return found


def _jobs(terms: Terms, wanted: Iterable[Need], spans: dict[str, Span]) -> list[Job]:
    length = terms.each // MINUTE
    return [
        Job(each.arm, _minute(spans[each.arm].first), _minute(spans[each.arm].ends) - length, place)
        for place, each in enumerate(wanted)
    ]


def _minute(moment: datetime) -> int:
    return (moment - EPOCH) // MINUTE


def _moment(minute: int) -> datetime:
    return EPOCH + minute * MINUTE


def _as_many(jobs: Sequence[Job], wanted: Sequence[Need], terms: Terms) -> list[Job]:
    """Jobs that fit together, those first at which the most is at stake; none of the others fits beside them."""
    stakes = {each.arm: each.at_stake_h for each in wanted}
    chosen: list[Job] = []
    for job in sorted(jobs, key=lambda job: (-stakes[job.name], job.place)):
        if job.first <= job.last and fitted_in([*chosen, job], terms.people, terms.each // MINUTE) is not None:
            chosen.append(job)
    return sorted(chosen, key=lambda job: job.place)


def _help(terms: Terms, needs: Sequence[Need], events: Sequence[PlannedEvent]) -> Help:
    length = terms.each // MINUTE
    wanted = [each for each in needs if each.needed == "backup"]
    jobs = _jobs(terms, wanted, _spans(terms, wanted, events, terms.counts_from, terms.as_of))
    able = [job for job in jobs if job.first <= job.last]
    enough = fitted_in(able, terms.people, length) is not None
    more = range(terms.people + 1, 0 if enough else len(able) + 1)
    people = next((number for number in more if fitted_in(able, number, length) is not None), None)
    earlier = _jobs(terms, wanted, _spans(terms, wanted, events, terms.counts_from))
    begin_by = latest_first(earlier, terms.people, length)
    older = _jobs(terms, wanted, _spans(terms, wanted, events, terms.as_of))
    first = latest_first(older, terms.people, length)
    limit = None if first is None else _limit_for(terms, _moment(first))
    return Help(people, limit, None if begin_by is None else _moment(begin_by))


def _limit_for(terms: Terms, first: datetime) -> timedelta | None:
    """The least age in whole hours that lets a backup count that begins then; None where it does so already."""
    limit = terms.event.start - first
    limit = -(-limit // timedelta(hours=1)) * timedelta(hours=1)
    while terms.fresh_from(limit) > first:
        limit += timedelta(hours=1)
    return limit if limit > terms.limit else None


def _turns(
    routes: Sequence[Sequence[Job]], wanted: Iterable[Need], spans: Mapping[str, Span], length: int
) -> Iterator[Turn]:
    area = {each.arm: each.area for each in wanted}
    for person, route in enumerate(routes, 1):
        begin, at = [], route[0].first
        for job in route:
            begin.append(max(at, job.first))
            at = begin[-1] + length
        by, at = [], route[-1].last
        for job in reversed(route):
            by.append(min(at, job.last))
            at = by[-1] - length
        for number, (job, first, last) in enumerate(zip(route, begin, reversed(by), strict=True), 1):
            counts, begins, latest = map(_moment, (job.first, first, last))
            kept_off = spans[job.name].kept_off
            yield Turn(person, number, job.name, area[job.name], counts, begins, latest, kept_off)
