"""The words of the trade as frozen types: facts in, verdicts out. Pure.

Times are aware UTC datetimes, spans are timedeltas, sizes are bytes.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta

from guard.lapses import Compared, Proofs
from guard.plant import Arm, CellType, LossLimits, Recipe
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

BLOCKING: tuple[Level, ...] = ("unknown", "hold")
"""With a verdict like that the work waits."""

ACTIONS: tuple[Action, ...] = ("power-down", "memory-swap", "position-swap", "service-visit")

BY_HAND: tuple[Action, ...] = ("memory-swap", "position-swap", "service-visit")
"""What people do at the arm from its beginning to its end."""

POWER_OFF: tuple[Action, ...] = ("power-down", "memory-swap")
"""What is done with the power off, so that no backup can be taken while it lasts."""

USUAL_OFF: dict[Action, timedelta] = {
    # Where nobody says for how long: one shift, the window of a swap, one visit (common practice, no source).
    "power-down": timedelta(hours=8),
    "memory-swap": timedelta(minutes=30),
    "position-swap": timedelta(minutes=30),
    "service-visit": timedelta(hours=4),
}

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


def rank(level: Level) -> int:
    """Place of a level from best (0) to worst (3)."""
    return LEVELS.index(level)


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
    was saved, where a file browser, or who packed it or listed its checksums, left files of their own beside that.
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
