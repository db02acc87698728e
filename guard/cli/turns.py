"""The screen of a campaign: everybody's order as a table with a bar for each backup, and what stands in the way."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime
from itertools import groupby

from guard.cli.output import Line
from guard.cli.verdicts import cautions
from guard.plan.campaign import Campaign, Turn
from guard.tell.campaign import besides, counted, helps, named, own_window, times, why_missed

LEAST_BAR = 16
"""A bar of fewer characters shows nothing."""

LONGEST_AREA = 14


def screen(plan: Campaign, width: int) -> Iterator[Line]:
    """The whole campaign: what it is about, who goes where, what is missed and what helps, what else is to be done."""
    yield from _head(plan)
    yield from _routes(plan, width)
    yield from _missed(plan)
    yield from _besides(plan)
    yield from cautions()


def _head(plan: Campaign) -> Iterator[Line]:
    yield Line(f"Backups before {named(plan.terms, aged=True)}", style="head")
    yield _fact("Arms", counted(plan))
    for label, text in times(plan, aged=True):
        yield _fact(label, text)


def _fact(label: str, text: str) -> Line:
    return Line(text, label=label, label_style="quiet", indent=1, label_width=13)


# The table with its bars


def _routes(plan: Campaign, width: int) -> Iterator[Line]:
    if not plan.turns:
        return
    yield Line()
    yield Line("Who backs up what, in this order, at the latest when; better sooner, once it counts", style="head")
    drawing = _Drawing(plan, width)
    yield from drawing.scale()
    for person, turns in groupby(plan.turns, key=lambda turn: turn.person):
        if plan.terms.people > 1:
            yield Line(f"Person {person}", style="head", indent=1)
        for turn in turns:
            yield drawing.row(turn)
            yield from _own_window(turn, plan)


def _own_window(turn: Turn, plan: Campaign) -> Iterator[Line]:
    """Where an arm's backup counts later than the others', or is kept off by another event: from when on, and why."""
    told = own_window(turn, plan.terms)
    if told:
        yield Line(told, indent=5, style="quiet")


class _Drawing:
    """Rows whose bars stand on one time line that ends at the event's start."""

    def __init__(self, plan: Campaign, width: int) -> None:
        terms = self.terms = plan.terms
        self.arms = max(len(turn.arm) for turn in plan.turns)
        self.areas = min(max(len(turn.area) for turn in plan.turns), LONGEST_AREA)
        self.first = min(turn.begin_by for turn in plan.turns) - terms.each / 2
        self.bar = max(width - len(self._told(plan.turns[0])) - len(self._label(plan.turns[0])) - 6, 0)
        self.span = terms.event.start - self.first

    def _label(self, turn: Turn) -> str:
        area = turn.area if len(turn.area) <= LONGEST_AREA else f"{turn.area[: LONGEST_AREA - 1]}…"
        return f"{turn.number:>3}. {turn.arm:<{self.arms}}  {area:<{self.areas}}"

    def _told(self, turn: Turn) -> str:
        return f"by {turn.begin_by.astimezone(self.terms.zone):%a %d %b %H:%M}"

    def _at(self, moment: datetime) -> int:
        return min(max(int(self.bar * ((moment - self.first) / self.span)), 0), self.bar)

    def row(self, turn: Turn) -> Line:
        label = self._label(turn)
        return Line(f"{self._told(turn)}  {self._drawn(turn)}", label=label, label_width=len(label) + 2, indent=1)

    def _drawn(self, turn: Turn) -> str:
        """Dots from when on it may begin, # for the backup begun at the latest, a line at the event's start."""
        if self.bar < LEAST_BAR:
            return ""
        left, begin = self._at(turn.begin_from), self._at(turn.begin_by)
        done = max(self._at(turn.begin_by + self.terms.each), begin + 1)
        bar = " " * left + "." * (begin - left) + "#" * (done - begin)
        return f"{bar:<{self.bar}}|"

    def scale(self) -> Iterator[Line]:
        """What the signs mean."""
        if self.bar >= LEAST_BAR:
            first = self.first.astimezone(self.terms.zone)
            yield Line(
                f"Bars from {first:%a %d %b %H:%M} to the start (|): . it may be begun  # begun at the latest time",
                indent=1, style="quiet",
            )  # fmt: skip


# What is missed, and what else is to be done


def _missed(plan: Campaign) -> Iterator[Line]:
    if not plan.missed:
        return
    yield Line()
    yield Line("Cannot be made in time", style="hold-word")
    yield from _each((each.arm, why_missed(each, plan.terms)) for each in plan.missed)
    yield Line()
    yield Line("What would make it possible", style="head")
    for text in helps(plan):
        yield Line(text, label="- ", indent=1)


def _besides(plan: Campaign) -> Iterator[Line]:
    for title, rows in besides(plan):
        yield Line()
        yield Line(title, style="head")
        yield from _each(rows)


def _each(rows: Iterable[tuple[str, str]]) -> Iterator[Line]:
    """One line an arm, the arms in a column of their own."""
    listed = list(rows)
    wide = max(len(arm) for arm, _ in listed) + 2
    for arm, text in listed:
        yield Line(text, label=arm, label_width=wide, indent=1)
