"""What a nightly report tells, as frozen records: the page, the text and the JSON are made of these alone."""

from __future__ import annotations

from datetime import datetime, timedelta, tzinfo

from guard.model import BLOCKING, Action, AtStake, Level, Proof
from guard.plan.charge_ahead import Ahead
from guard.record import Record


class Lot(Record):
    """Arms of one area for which a step is due at the same time, and for which event where it is for one.

    ``whole`` tells that they are all the arms of their area, ``now`` that what the step lifts is so already.
    """

    area: str
    arms: tuple[str, ...]
    whole: bool
    now: bool
    due: datetime | None
    not_before: datetime | None
    event: str


class Step(Record):
    """One thing to do, and when the first needs it. ``lots`` is empty where it concerns the monitor and no arm."""

    level: Level
    text: str
    why: str
    codes: tuple[str, ...]
    lots: tuple[Lot, ...]
    due: datetime | None
    hours: float = 0.0
    """Hours of work expected to be lost, chance times cost, on all its arms together; nothing where no data are."""

    @property
    def mixed(self) -> bool:
        """Whether it lifts what is so already for some arms, and for others what will be."""
        return len({lot.now for lot in self.lots}) > 1

    @property
    def arms(self) -> int:
        """How many arms it concerns."""
        return len({arm for lot in self.lots for arm in lot.arms})


class Next(Record):
    """The next planned event of an arm, and its verdict then. ``early`` is as in Coming.

    ``begin_by`` is when its backup must begin at the latest, in the order of one person; None where it needs none.
    """

    id: str
    kind: Action
    start: datetime
    level: Level
    early: bool
    begin_by: datetime | None = None


class Warned(Record):
    """A blocking warning about an arm that stands. ``event`` is a planned event's id, or "swap"."""

    event: str
    level: Level
    headline: str
    raised_at: datetime


class ArmNight(Record):
    """One arm: may it be powered down now, on what does that rest, and what comes.

    ``age`` is None where no set carries the answer or its age is not known; ``limit`` is the
    greatest age before a power-down; ``before`` is the level in the report before; ``loss`` is what a
    shift without mains would put at stake; ``signed_off`` says who answers for what.
    """

    arm: str
    name: str
    area: str
    level: Level
    message: str
    more: int
    holds_until: datetime | None
    then: Level | None
    set: str | None
    captured_at: datetime | None
    age: timedelta | None
    limit: timedelta
    proof: Proof | None
    last_read_at: datetime | None
    next: Next | None
    warnings: tuple[Warned, ...]
    before: Level | None
    loss: AtStake | None = None
    signed_off: tuple[str, ...] = ()


class Area(Record):
    """The arms of one area, worst first; the name is empty where none is configured."""

    name: str
    counts: tuple[tuple[Level, int], ...]
    arms: tuple[ArmNight, ...]


class Coming(Record):
    """A planned event with the verdict at its start: its worst level, and the arms by level, worst first.

    ``early`` are the arms that are blocked only because the backup that counts for it cannot be
    saved yet; ``counts_from`` is from when on one counts. ``backups`` is how many are to be saved before it in time,
    and ``begin_by`` when one person must begin with them at the latest.
    """

    id: str
    kind: Action
    title: str
    start: datetime
    end: datetime
    level: Level
    arms: tuple[tuple[Level, tuple[str, ...]], ...]
    early: tuple[str, ...]
    counts_from: datetime | None
    backups: int = 0
    begin_by: datetime | None = None

    @property
    def total(self) -> int:
        """How many arms it concerns."""
        return sum(len(members) for _, members in self.arms)

    @property
    def waits(self) -> bool:
        """Whether nothing blocks it but that it is too early."""
        blocked = sum(len(members) for level, members in self.arms if level in BLOCKING)
        return 0 < blocked == len(self.early)


class Plan(Record):
    """The events that begin by ``until``, and how many come later, the next of them at ``next_later``."""

    until: datetime
    events: tuple[Coming, ...]
    later: int
    next_later: datetime | None


class Charge(Record):
    """The cells with the least charge left, over the time to come, and how many cells there are in all."""

    ahead: Ahead
    cells: int

    @property
    def untold(self) -> int:
        """Of how many cells the charge cannot be told."""
        return self.cells - len(self.ahead.ways) - self.ahead.others


class Item(Record):
    """One thing that happened."""

    at: datetime
    arm: str
    text: str

    @property
    def told(self) -> str:
        """The text with its arm in front, where it does not begin with it."""
        return self.text if self.text.startswith(self.arm) else f"{self.arm}: {self.text}"


class Happened(Record):
    """Things of one kind that happened: how many, and the newest of them."""

    kind: str
    title: str
    total: int
    items: tuple[Item, ...]


class Changes(Record):
    """What happened since ``since``; ``reported`` tells that the report before was made then."""

    since: datetime
    reported: bool
    happened: tuple[Happened, ...]


class Proofs(Record):
    """Sets that were read back since the report before, and what waits to be.

    ``nights`` is how many nights that takes within the budget; ``oldest`` is when the oldest proof
    of what waits was made, None where something was never read back.
    """

    sets: int
    bytes: int
    due_sets: int
    due_bytes: int
    oldest: datetime | None
    nights: int


class Space(Record):
    """Room on the share. Where it could not be looked at, ``unknown`` says why and the figures are None.

    ``arrived`` and ``gone`` are bytes of backup sets since ``since``. ``full_at`` is None where
    it cannot be told, and ``outlook`` says in words what can be.
    """

    unknown: str
    total: int | None
    used: int | None
    free: int | None
    since: datetime
    arrived: int
    gone: int
    per_day: int | None
    full_at: datetime | None
    outlook: str


class Doubt(Record):
    """Something that makes the monitor doubt what it says. ``grave``: it may not see what it should."""

    about: str
    text: str
    remedy: str
    grave: bool


class Checked(Record):
    """What was looked at about the monitor itself."""

    version: str
    zone_rules: str
    ledger_entries: int
    ledger_first_bad: int | None
    state_free: int | None
    seen_at: datetime | None
    alive_at: datetime | None


class Night(Record):
    """One nightly report."""

    plant: str
    timezone: str
    day: str
    made_at: datetime
    counts: tuple[tuple[Level, int], ...]
    steps: tuple[Step, ...]
    areas: tuple[Area, ...]
    plan: Plan
    charge: Charge
    changes: Changes
    proofs: Proofs
    space: Space
    doubts: tuple[Doubt, ...]
    checked: Checked
    zone: tzinfo

    @property
    def arms(self) -> int:
        """How many arms the plant has."""
        return sum(count for _, count in self.counts)

    @property
    def headline(self) -> str:
        """The night in one line."""
        told = ", ".join(f"{count} {level}" for level, count in self.counts if count)
        steps = {0: "nothing to do", 1: "1 thing to do"}.get(len(self.steps), f"{len(self.steps)} things to do")
        return f"{self.plant}, {self.day}: {told or 'no arm'}; {steps}"
