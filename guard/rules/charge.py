"""Does the charge of an arm's cells carry its memory through an event, and what would a loss cost? Pure.

A cell of whose figures something is missing, or whose age is not known, is judged by its age alone.
What is asked about a moment that has passed is answered for the present.

Each limit is crossed once and for good: a charge only falls, and while a loss is less likely than
not, its chance only rises (every part of the spread falls no faster than the self-discharge alone,
and the margin no slower). So the first microsecond past a limit is found once, from the facts alone,
and whatever is asked about is compared with it: the answer holds exactly until then.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from datetime import datetime, timedelta
from functools import lru_cache
from itertools import pairwise

from guard.model import ArmFacts, AtStake, FittedCell, Level, Question
from guard.physics import cell_life, loss
from guard.physics.cell_life import Period
from guard.plant import LossLimits
from guard.record import Record
from guard.rules.cells import REPLACED, remedy
from guard.rules.evidence import MICROSECOND, later, seconds
from guard.rules.findings import SILENT, Outcome, finding
from guard.rules.outlook import HOUR, MICROSECONDS_AN_HOUR, Outlook, outlooks
from guard.rules.standing import Standing, edits_since
from guard.units import figure, in_words

TYPE_CHECKING = False

if TYPE_CHECKING:
    from guard.model import Finding
    from guard.physics.loss import Margin, Restorable

TEN_YEARS = 10 * 8766 * MICROSECONDS_AN_HOUR
"""As long as a verdict looks ahead."""

EDGES = (0, 30 * 24 * MICROSECONDS_AN_HOUR, TEN_YEARS // 10, TEN_YEARS)
"""A month, a year, ten years: where the stretches end in which limits are looked for."""

ALMOST_CERTAIN = 1 - 2.0**-53


# When a limit is crossed


class Stretch(Record):
    """A length of time ahead, in microseconds from now: ``start`` belongs to it and ``end`` to the next one."""

    start: int
    end: int


def stretch_of(asked: int) -> Stretch:
    """The stretch that a moment lies in.

    They never depend on what is asked, so that a limit is found at the same microsecond from
    wherever it is looked for; and the near ones are short, since most answers turn soon.
    """
    for start, end in pairwise(EDGES):
        if asked < end:
            return Stretch(start, end)
    start = asked // TEN_YEARS * TEN_YEARS
    return Stretch(start, start + TEN_YEARS)


class Crossings(Record):
    """From how many microseconds from now on each limit is reached, as seen from a stretch of time.

    The start of the stretch where it is reached already; None where it is not within the stretch.
    """

    charge_caution: int | None
    charge_hold: int | None
    loss_caution: int | None
    loss_hold: int | None


@lru_cache(maxsize=64)
def crossings(of: Outlook, off_h: float, limits: LossLimits, within: Stretch, memory: bool) -> Crossings:  # noqa: FBT001
    """When the limits of charge, and of loss for a memory cell, are crossed by an event that takes so many hours."""
    margins: dict[int, Margin] = {}

    def margin(after: int) -> Margin:
        if after not in margins:
            margins[after] = of.margin(after, off_h)
        return margins[after]

    def short(ratio: float) -> int | None:
        def beyond(after: int) -> float:
            at = margin(after)
            return at.need_mah - ratio * (at.mah + at.need_mah)

        return first_beyond(beyond, within)

    risks: dict[int, float] = {}

    def risk(after: int) -> float:
        # On the scale on which a constant rate of failures is a straight line, which is found at once.
        if after not in risks:
            probability = of.loss(after, off_h, limits.failures_per_year, at=margin(after)).probability
            risks[after] = -math.log1p(-min(probability, ALMOST_CERTAIN))
        return risks[after]

    def likely(limit: float) -> int | None:
        wanted = -math.log1p(-limit)

        def beyond(after: int) -> float:
            return risk(after) - wanted

        return first_beyond(beyond, within)

    return Crossings(
        short(limits.charge_caution),
        short(limits.charge_hold),
        likely(limits.loss_caution) if memory else None,
        likely(limits.loss_hold) if memory else None,
    )


def first_beyond(value: Callable[[int], float], within: Stretch) -> int | None:
    """The first microsecond at which a rising value is 0 or more, as seen from a stretch of time: see Crossings."""
    at_end = value(within.end)
    if at_end < 0:
        return None
    at_start = value(within.start)
    return within.start if at_start >= 0 else _crossing(value, (within.start, at_start), (within.end, at_end))


def _crossing(value: Callable[[int], float], before: tuple[int, float], after: tuple[int, float]) -> int:
    """Between two microseconds, less than 0 at the former and not at the latter, the one that ends the closest such pair.

    Interpolation, truncated and projected so that it never needs many more steps than bisection
    would: I. F. D. Oliveira, R. H. C. Takahashi, An Enhancement of the Bisection Method Average
    Performance Preserving Minmax Optimality, ACM Transactions on Mathematical Software 47 (2020).
    """
    (low, at_low), (high, at_high) = before, after
    whole = high - low
    steps_left = whole.bit_length() + 1
    while high - low > 1:
        half = low + (high - low) / 2
        guess = low - at_low * (high - low) / (at_high - at_low)
        nudge = max(1e-5 * (high - low) ** 2 / whole, 1.0)
        truncated = half if nudge >= abs(half - guess) else guess + (nudge if guess < half else -nudge)
        reach = max((2.0**steps_left - (high - low)) / 2, 0.0)
        projected = min(max(truncated, half - reach), half + reach)
        point = min(max(int(projected), low + 1), high - 1)
        at_point = value(point)
        if at_point >= 0:
            high, at_high = point, at_point
        else:
            low, at_low = point, at_point
        steps_left -= 1
    return high


# Rules

_Pair = tuple[int | None, int | None]
"""The two limits of the four that a rule is about: that of caution and that of hold."""


def charge_short(at: Standing, question: Question) -> Outcome:
    """Caution and hold where the time off would take a large part of what a cell then holds."""
    return _judged(
        at, question, lambda crossed: (crossed.charge_caution, crossed.charge_hold), _short, ("memory", "position")
    )


def loss_likely(at: Standing, question: Question) -> Outcome:
    """Caution and hold where the memory is lost with that chance or more."""
    return _judged(at, question, lambda crossed: (crossed.loss_caution, crossed.loss_hold), _likely, ("memory",))


def _judged(
    at: Standing,
    question: Question,
    pick: Callable[[Crossings], _Pair],
    say: Callable[[Standing, Question, FittedCell, Outlook, Level, datetime | None], Finding],
    kinds: tuple[str, ...],
) -> Outcome:
    if question.action == "position-swap":
        return SILENT  # the mains stay on
    facts, off_h = at.facts, question.off_for / HOUR
    asked = _ahead(facts, question)
    within = stretch_of(asked)
    found, turns = [], []
    for cell, of in outlooks(facts):
        if cell.type.kind not in kinds:
            continue

        memory = cell.type.kind == "memory"
        caution, hold = pick(crossings(of, off_h, facts.limits.loss, within, memory))
        # A limit that is not crossed within the stretch is looked for again at its end.
        caution_at, hold_at = within.end if caution is None else caution, within.end if hold is None else hold
        turns += [after for after in (caution_at, hold_at) if after > asked]
        if caution_at <= asked or hold_at <= asked:
            replaced, blocked = cell.type.kind in REPLACED[question.action], hold_at <= asked
            level: Level = "hold" if blocked and not replaced else "caution"

            def crossed(stretch: Stretch, of: Outlook = of, memory: bool = memory) -> _Pair:  # noqa: FBT001
                return pick(crossings(of, off_h, facts.limits.loss, stretch, memory))

            blocks = None if blocked or replaced else _hold_from(crossed, asked)
            found.append(say(at, question, cell, of, level, _moment(facts, blocks)))
    return Outcome(tuple(found), _moment(facts, min(turns, default=None)))


def _moment(facts: ArmFacts, after: int | None) -> datetime | None:
    return None if after is None else later(facts.as_of, after * MICROSECOND)


def _hold_from(crossed_within: Callable[[Stretch], _Pair], asked: int) -> int | None:
    """From how many microseconds from now on a finding blocks; None where it does not within ten years of then."""
    within = stretch_of(asked)
    while within.start <= asked + TEN_YEARS:
        blocks = crossed_within(within)[1]
        if blocks is not None:
            return blocks
        within = stretch_of(within.end)
    return None


def _ahead(facts: ArmFacts, question: Question) -> int:
    """Microseconds from now until what is asked about."""
    return max((question.at - facts.as_of) // MICROSECOND, 0)


def _short(
    at: Standing, question: Question, cell: FittedCell, of: Outlook, level: Level, turns: datetime | None
) -> Finding:
    arm, margin = at.facts.arm.id, of.margin(_ahead(at.facts, question), question.off_for / HOUR)
    charge = cell_life.later(of.charge, of.rates, Period(_ahead(at.facts, question) / MICROSECONDS_AN_HOUR, of.off))
    has = "will then have" if question.at > at.facts.as_of else "has"
    message = (
        f"The {cell.type.name} of {arm} {has} about {figure(charge.mah, 3)} mAh left (±{figure(charge.sigma_mah)});"
        f" {in_words(question.off_for)} without mains take {figure(margin.need_mah, 3)} mAh."
    )
    return finding(
        "charge-short", level, message, remedy(at, question, cell.type), turns,
        cell=cell.type.name, installed=str(cell.installed), off_for_s=seconds(question.off_for), charge_mah=charge.mah, sigma_mah=charge.sigma_mah, need_mah=margin.need_mah,
    )  # fmt: skip


def _likely(
    at: Standing, question: Question, cell: FittedCell, of: Outlook, level: Level, turns: datetime | None
) -> Finding:
    lost = _loss(at, question, of)
    message = (
        f"The chance that {at.facts.arm.id} loses its memory in {in_words(question.off_for)} without mains is"
        f" {figure(100 * lost.probability)} %; it would cost about {figure(lost.cost_h, 3)} hours of work."
    )
    return finding(
        "loss-likely", level, message, remedy(at, question, cell.type), turns,
        cell=cell.type.name, installed=str(cell.installed), off_for_s=seconds(question.off_for), probability=lost.probability, cost_hours=lost.cost_h, expected_hours=lost.expected_h,
    )  # fmt: skip


# What is at stake


def at_stake(at: Standing, question: Question) -> AtStake | None:
    """The chance that the arm loses its memory in what is asked about, and the hours of work; None without figures."""
    losses = [_loss(at, question, of) for cell, of in outlooks(at.facts) if cell.type.kind == "memory"]
    return max(losses, key=lambda each: each.probability, default=None)


def _loss(at: Standing, question: Question, of: Outlook) -> AtStake:
    off_for = timedelta() if question.action == "position-swap" else question.off_for
    cost = cost_h(at)
    if not off_for:
        return AtStake(0.0, cost, 0.0)
    return of.loss(_ahead(at.facts, question), off_for / HOUR, at.facts.limits.loss.failures_per_year, cost)


def cost_h(at: Standing) -> float:
    """The hours of work if the memory were lost now, by the set that would be restored and the edits since."""
    resting = at.resting
    restorable: Restorable = "nothing"
    edits = 0
    if resting is not None:
        image = resting.set.part("image")
        restorable = "image" if image is not None and image.ok else "no-image"
        edits = len(edits_since(at.facts, resting.captured_at))
    return loss.cost_h(at.facts.arm.costs, restorable, edits)
