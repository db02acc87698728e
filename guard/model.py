"""The words of the trade as frozen types: facts in, verdicts out. Pure.

Times are aware UTC datetimes, spans are timedeltas, sizes are bytes.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

from guard.lapses import Compared, Proofs
from guard.record import Record

TYPE_CHECKING = False

if TYPE_CHECKING:  # what only the type checker reads costs no answer any time
    from typing import Literal

    Level = Literal["clear", "caution", "unknown", "hold"]
    Action = Literal["power-down", "memory-swap", "position-swap", "service-visit"]
    Proof = Literal["arriving", "settled", "complete", "read-back", "copied", "restored", "damaged"]
    Form = Literal["folder", "archive"]
    Marker = Literal["right", "other", "gone", "never"]
else:
    Level = Action = Proof = Form = Marker = str

LEVELS: tuple[Level, ...] = ("clear", "caution", "unknown", "hold")
"""Ranked: the worst level of the findings is the verdict."""

ACTIONS: tuple[Action, ...] = ("power-down", "memory-swap", "position-swap", "service-visit")

BY_HAND: tuple[Action, ...] = ("memory-swap", "position-swap", "service-visit")
"""What people do at the arm from its beginning to its end."""

USUAL_OFF: dict[Action, timedelta] = {
    # Where nobody says for how long: one shift, the window of a swap, one visit.
    "power-down": timedelta(hours=8),
    "memory-swap": timedelta(minutes=30),
    "position-swap": timedelta(minutes=30),
    "service-visit": timedelta(hours=4),
}

EVERY_ARM = "*"
"""Stands for all arms in a rule about calendars."""

MARK_KINDS = (
    "edit",
    "cell-alarm",
    "cell-changed",
    "powered-on",
    "powered-off",
    "restore-test",
    "re-zeroed",
    "memory-checked",
)

ARM_SPECIFIC_PARTS = ("axis-zero", "image")
"""Parts whose content belongs to one arm alone: in another arm they move it elsewhere than taught."""


def rank(level: Level) -> int:
    """Place of a level from best (0) to worst (3)."""
    return LEVELS.index(level)


class Checks(Record):
    """What makes each file of a part sound. ``None`` leaves a check out."""

    min_bytes: int | None = None
    max_bytes: int | None = None
    not_blank: bool = False
    starts_with: bytes | None = None
    text: str | None = None


class PartRule(Record):
    """One part of a recipe: which files belong to it and how they are checked."""

    name: str
    files: tuple[str, ...]
    at_least: int
    checks: Checks


class Identity(Record):
    """Where a set names the controller it was saved from; ``field`` is the arm's key to compare with."""

    file: str
    pattern: str
    field: Literal["serial", "id", "name"]


class HoldUp(Record):
    """The capacitor that carries a controller's memory while its cell is out. Currents are those at 25 °C.

    ``tolerance`` is by how much less than ``capacitance_f`` it may hold when new, ``ageing`` which
    fraction of that it may have lost since.
    """

    capacitance_f: float
    charged_v: float
    least_v: float
    time_constant_s: float
    current_ua: float
    leakage_ua: float
    doubles_every_c: float = 10.0
    series_resistance_ohm: float = 0.0
    tolerance: float = 0.2
    ageing: float = 0.3


class Recipe(Record):
    """Which parts a complete set has. ``volatile`` patterns differ in every real backup."""

    name: str
    parts: tuple[PartRule, ...]
    volatile: tuple[str, ...] = ()
    identity: Identity | None = None
    hold_up: HoldUp | None = None


class ArchiveLimits(Record):
    """How far an archive may expand before it is refused."""

    members: int
    content_bytes: int
    expansion: int


class Cell(Record):
    """A lithium cell in an arm; ``installed`` is None where nobody recorded it."""

    type: str
    installed: date | None = None


class CellType(Record):
    """A type of lithium cell: what it is for (memory or position), how long it serves, and its figures.

    Self-discharge and standby current are those at 25 °C; spreads are standard deviations as parts of
    the values. ``shelf_life`` is how old a new one may be when it is put in, None where that is not known.
    """

    name: str
    kind: str
    interval: timedelta
    capacity_mah: float | None = None
    usable: float = 0.85
    self_discharge_per_year: float = 0.01
    standby_ua: float | None = None
    spread_capacity: float = 0.05
    spread_standby: float = 0.15
    spread_self_discharge: float = 0.3
    ageing_ev: float = 1.0
    standby_doubles_every_c: float = 10.0
    shelf_life: timedelta | None = None


class FittedCell(Record):
    """A cell as it is known to sit in an arm: from the configuration, or from the mark of its last change.

    ``date_code`` is its maker's year and month, where the mark tells it.
    """

    type: CellType
    installed: date | None
    date_code: str | None = None


class SpareCells(Record):
    """How many spare cells of a type are in stock; ``held`` is None where nobody ever counted them.

    ``by_date_code`` tells how many of these were made when, as far as that is known.
    """

    type: CellType
    held: int | None
    by_date_code: tuple[tuple[str, int], ...] = ()


class Costs(Record):
    """Hours of work after a loss of the memory (common practice, no source).

    To restore a set with its image, to make one later edit again, to rebuild from a set without an
    image, and to teach everything again where there is no set.
    """

    restore_h: float = 2.0
    edit_h: float = 2.0
    rebuild_h: float = 16.0
    reteach_h: float = 80.0


class LossLimits(Record):
    """From which part of a cell's charge a need, and from which chance a loss, is a caution and a hold.

    ``failures_per_year`` is how often a cell fails at random. All are common practice, no source.
    """

    charge_caution: float = 0.5
    charge_hold: float = 0.8
    loss_caution: float = 0.01
    loss_hold: float = 0.1
    failures_per_year: float = 0.002


class Arm(Record):
    """One robot arm with its controller."""

    id: str
    name: str = ""
    area: str = ""
    serial: str = ""
    recipe: str = "standard"
    cells: tuple[Cell, ...] = ()
    powered_fraction: float = 0.85
    ambient_c: float = 25.0
    presence: str = ""
    """Address at which the controller answers while its mains are on, as tcp://host:port; empty where none is."""
    hold_up: HoldUp | None = None
    """Takes the place of the recipe's."""
    costs: Costs = Costs()


NEVER_SIGNED: tuple[tuple[str, str], ...] = (
    ("", "wrong-arm"),
    ("memory-swap", "no-backup"),
    ("memory-swap", "incomplete-set"),
    ("memory-swap", "damaged-set"),
)
"""For which findings nobody can answer, each before one action or, where that is empty, before any: another arm's
content, and a change of the memory cell with no complete set at all."""


class Limits(Record):
    """The spans and counts that the rules compare facts with. A None switches its rule off."""

    fresh: tuple[tuple[Action, timedelta], ...]
    read_back_within: timedelta
    restore_test_within: timedelta | None
    copies_needed: int
    unseen_after: timedelta
    parts_apart: timedelta
    shrink_permille: int
    window: timedelta = timedelta(minutes=30)
    closing_permille: int = 700
    powered_before: timedelta = timedelta(minutes=30)
    loss: LossLimits = LossLimits()
    never_signed: tuple[tuple[str, str], ...] = NEVER_SIGNED

    def fresh_for(self, action: Action) -> timedelta:
        """Greatest age of a set at the start of ``action``."""
        return dict(self.fresh)[action]


class FileFacts(Record):
    """One regular file of a set, as it was read. ``mtime_ns`` is None where an archive tells none."""

    path: str
    size: int
    mtime_ns: int | None
    sha256: bytes
    blake3: bytes


class Problem(Record):
    """Why a settled set is not complete, or what is odd in it; ``code`` is a finding code."""

    code: str
    message: str


class Part(Record):
    """One part as it was found in a set.

    ``digest`` is over the contents alone, so renamed or moved files compare equal;
    ``newest`` is the newest believable modification time among its files.
    """

    name: str
    files: int
    bytes: int
    ok: bool
    digest: str
    newest: datetime | None


class Twin(Record):
    """A set of another arm that holds the same arm-specific content."""

    arm: str
    path: str
    part: str


class BackupSet(Record):
    """Everything known about one backup set of one arm, as facts and not as judgements.

    ``checked`` is None until every byte was read and judged by the recipe, then says
    whether it is complete; ``trouble`` says what hindered reading it. ``damage`` says what
    differed when it was read again, ``changed`` how the set on the share differs now from
    what was read, ``gone`` that it is no longer there. ``essence`` is the fingerprint of what
    was saved, where a file browser left files of its own beside that.
    """

    path: str
    form: Form
    first_seen: datetime
    stamp: datetime | None = None
    newest_member: datetime | None = None
    fingerprint: str | None = None
    files: int = 0
    bytes: int = 0
    parts: tuple[Part, ...] = ()
    problems: tuple[Problem, ...] = ()
    checked: bool | None = None
    identity: str | None = None
    last_read_at: datetime | None = None
    damaged_at: datetime | None = None
    damage: str | None = None
    trouble: str | None = None
    changed: str | None = None
    gone: bool = False
    twins: tuple[Twin, ...] = ()
    copies: int = 0
    essence: str | None = None

    def part(self, name: str) -> Part | None:
        """The part of that name, or None where the set has no such part."""
        return next((part for part in self.parts if part.name == name), None)


class Mark(Record):
    """A fact that a person recorded about an arm; ``fingerprint`` where it is about one set.

    ``cell`` names the type of the cell that an alarm or a change was about, where that was told;
    ``installed`` and ``date_code`` tell of a new cell.
    """

    kind: str
    arm: str
    at: datetime
    by: str = ""
    note: str = ""
    fingerprint: str | None = None
    cell: str = ""
    installed: date | None = None
    date_code: str | None = None


class PlannedEvent(Record):
    """Work that is planned: what, from when, for how long, on which arms; ``uid`` is a calendar entry's own.

    ``recurrence`` tells which recurrence of that entry it is, by the time at which its rule puts it;
    empty where the entry does not recur.
    """

    id: str
    kind: Action
    start: datetime
    off_for: timedelta
    arms: tuple[str, ...]
    title: str = ""
    source: str = "added by hand"
    uid: str | None = None
    recurrence: str = ""
    people: tuple[str, ...] = ()
    """Who does the work, where that is told."""


class CalendarRule(Record):
    """How entries of a calendar are read: those that match all the patterns that are there are of this kind, on these arms.

    ``kind`` is None where the entry itself names it, and none for entries that plan nothing; ``arms`` are
    ids, areas or ``*``, empty where the entry names them.
    """

    categories: str | None = None
    summary: str | None = None
    location: str | None = None
    kind: str | None = None
    arms: tuple[str, ...] = ()


class SignOff(Record):
    """A person answers for one finding until a moment.

    ``subject`` is what it was about, as a rule a set, if it was about one thing; ``level`` is
    how grave it was then: nobody has answered for anything worse. ``event_at`` is when the planned
    event begins that it is for.
    """

    code: str
    by: str
    why: str
    at: datetime
    until: datetime
    subject: str | None = None
    level: Level = "hold"
    event_at: datetime | None = None


class Carried(Record):
    """For how long a capacitor carries a memory at worst, cut to whole seconds, and what that rests on.

    ``charged_for`` is how long the power was on before, as ``source`` tells; where nothing does and
    ``source`` is None, the least that is asked for. ``off_for`` is how long it was off already, or may have been.
    """

    lasts: timedelta
    charged_for: timedelta
    source: str | None = None
    off_for: timedelta = timedelta()


class SwapWindow(Record):
    """The last change of an arm's memory cell, as far as it has come.

    ``elapsed`` is how long the cell was, or has been, out: the longer one where two clocks
    disagree, which ``disagree`` then tells. ``ended_at`` is None while the window is open.
    ``limit`` is the smaller of the configured one and ``hold_up``, which is None where no
    capacitor's figures are configured.
    """

    began_at: datetime
    elapsed: timedelta
    limit: timedelta
    began_by: str = ""
    ended_at: datetime | None = None
    disagree: str | None = None
    rests_on: str | None = None
    fingerprint: str | None = None
    hold_up: Carried | None = None


class Powered(Record):
    """Since when an arm's mains are known to be on, or that they are off; ``on`` is None where it is not known.

    ``since`` is then when they last went on, and ``until`` when its controller last answered: they may be off since.
    """

    on: bool | None
    since: datetime | None
    source: str = ""
    until: datetime | None = None


class AnswerTime(Record):
    """A time in which an arm's controller answered all along, or, after it had, did not; ``end`` is None while that lasts."""

    start: datetime
    end: datetime | None
    answers: bool


class ShareFacts(Record):
    """What was seen of the share when the facts were gathered.

    ``unreadable`` names what could not be read, and why; ``vanished`` is how many sets
    a pass missed at once and did not believe to be gone; ``seen_at`` is when this arm's
    folder was last looked at with success.
    """

    marker: Marker
    seen_at: datetime | None
    unreadable: str | None = None
    vanished: int = 0
    other_identity: str | None = None


class ArmFacts(Record):
    """All facts that a verdict about one arm rests on, gathered at ``as_of``.

    ``proofs`` is what the ledger tells of lapses of the memory, ``compared`` what comparing sets from
    before and after the others gave.
    """

    arm: Arm
    recipe: Recipe
    limits: Limits
    share: ShareFacts
    as_of: datetime
    sets: tuple[BackupSet, ...] = ()
    marks: tuple[Mark, ...] = ()
    odd_entries: tuple[tuple[str, str], ...] = ()
    """Path and reason of each entry in the arm's folder that is no set."""
    sign_offs: tuple[SignOff, ...] = ()
    window: SwapWindow | None = None
    powered: Powered = Powered(None, None)
    answers: tuple[AnswerTime, ...] = ()
    cells: tuple[FittedCell, ...] = ()
    spares: tuple[SpareCells, ...] = ()
    proofs: Proofs = Proofs()
    compared: tuple[Compared, ...] = ()
    events: tuple[PlannedEvent, ...] = ()
    """What is planned on the arm and not over yet, and on other arms for the same people."""


class Question(Record):
    """May this be done to the arm, starting at ``at`` and lasting ``off_for``?

    ``event`` is the id of the planned event that is judged; empty where somebody asks.
    """

    action: Action
    at: datetime
    off_for: timedelta
    event: str = ""


class Finding(Record):
    """One rule's result. ``evidence`` holds plain JSON values; ``turns_at`` is when it turns by itself."""

    code: str
    level: Level
    message: str
    remedy: str
    evidence: dict[str, object]
    turns_at: datetime | None = None
    signed_off: SignOff | None = None


class RestingSet(Record):
    """The set that an answer rests on, with its judged capture time and proof."""

    set: BackupSet
    captured_at: datetime | None
    proof: Proof


class AtStake(Record):
    """The chance that the memory is lost, what that would cost in hours of work, and the product of the two."""

    probability: float
    cost_h: float
    expected_h: float


class Verdict(Record):
    """The answer about one arm: level, until when it holds, what comes then, and why."""

    arm: str
    question: Question
    level: Level
    holds_until: datetime | None
    then: Level | None
    resting: RestingSet | None
    findings: tuple[Finding, ...]
    loss: AtStake | None = None
