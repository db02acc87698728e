"""Blocking warnings as a use case: judge what is planned, write down what changed, tell it, and hang the sheets.

All that is told is written down first, one transaction for the arms of one event; the sheets
follow from what is written, so that a crash in between leaves them to the next evaluation.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime
from functools import lru_cache
from itertools import groupby

from guard.clock import Reading
from guard.desk import Desk
from guard.errors import ShareUnreadable
from guard.model import ArmFacts, PlannedEvent, Question, Verdict
from guard.plan.warnings import (
    SWAP,
    Change,
    Judged,
    Key,
    Raised,
    due,
    judged,
    not_configured,
    watched,
    window_due,
)
from guard.plant import Arm
from guard.rules.verdict import verdict
from guard.share.layout import Layout
from guard.share.marker import marker_state, read_marker
from guard.store import warnings
from guard.store.windows import open_windows
from guard.tell.placing import hang, hang_here, place_on_share
from guard.tell.sheet import Blocked, Sheet
from guard.tell.warnings import telling
from guard.tell.words import headline


def evaluate(desk: Desk, now: datetime) -> list[Change]:
    """Judge every planned event that is near, and carry out what changes. Returns the changes that were made.

    Doing it again at the same moment changes nothing. No verdict is entered into the ledger.
    """
    times = desk.settings.warnings
    events, before = desk.events(), desk.warnings()
    pairs = watched(events, before, times.lead_times, now)
    swapping = [each.arm for each in before if each.event == SWAP]
    facts = _facts(desk, {*(pair.arm for pair in pairs), *swapping}, now)
    verdicts = {
        (pair.event.id, pair.arm): verdict(facts[pair.arm], pair.question) for pair in pairs if pair.arm in facts
    }
    found = {
        (pair.event.id, pair.arm): _judged(verdicts.get((pair.event.id, pair.arm)), pair.arm, pair.event.id)
        for pair in pairs
    }
    changes = due(events, found, before, times.lead_times, times.repeat, now)
    made = _carry_out(desk, changes, events, now)
    swap = Question("memory-swap", now, desk.settings.limits.window)
    verdicts |= {(SWAP, arm): verdict(facts[arm], swap) for arm in swapping if arm in facts}
    _hang(desk, events, facts, verdicts, now)
    return made


def tick_windows(desk: Desk, now: Reading) -> list[Change]:
    """Judge the clock of every open swap window, and carry out what changes. Returns the changes that were made.

    Looks at no share, since a cell that is out waits for no network; the next evaluation adds
    to the sheets what the share shows.
    """
    windows = open_windows(desk.ledger, desk.clocks)
    before = desk.warnings()
    arms = sorted({*windows, *(each.arm for each in before if each.event == SWAP)})
    closing, repeat = desk.settings.limits.closing_permille, desk.settings.warnings.repeat
    changes = [
        change for arm in arms for change in window_due(arm, windows.get(arm), closing, before, repeat, now.wall)
    ]
    made = _carry_out(desk, changes, (), now.wall)
    told = {change.arm for change in made if change.verb != "lifted"}
    if told:
        sheets = _sheets(desk, desk.events(), {}, {}, now.wall)
        hang_here(desk.settings.state, [sheet for sheet in sheets if sheet.arm.id in told], desk.settings.zone())
    return made


def _facts(desk: Desk, arms: Iterable[str], now: datetime) -> dict[str, ArmFacts]:
    configured = sorted(arm for arm in arms if arm in desk.settings.arms)
    return {facts.arm.id: facts for facts in desk.facts(configured, now)} if configured else {}


def _judged(answer: Verdict | None, arm: str, event: str) -> Judged:
    return not_configured(arm, event) if answer is None else judged(answer, headline(answer))


def _carry_out(desk: Desk, changes: Sequence[Change], events: Sequence[PlannedEvent], now: datetime) -> list[Change]:
    """Write down and tell the changes, those of one kind about one event together."""

    def kind(change: Change) -> tuple[str, str, str]:
        return change.event, change.verb, change.lifted_by

    by_id = {event.id: event for event in events}
    made: list[Change] = []
    for (event, _, _), group in groupby(sorted(changes, key=kind), key=kind):
        together = list(group)
        letter = telling(desk.settings, together, by_id.get(event), now)
        if warnings.apply(desk.ledger, together, letter, now):
            made += together
    return made


# Sheets


def _hang(
    desk: Desk,
    events: Sequence[PlannedEvent],
    facts: Mapping[str, ArmFacts],
    verdicts: Mapping[Key, Verdict],
    now: datetime,
) -> None:
    settings = desk.settings

    @lru_cache(maxsize=1)
    def share_is_right() -> bool:
        try:
            identity = read_marker(settings.share)
        except ShareUnreadable:
            return False
        return marker_state(desk.catalogue.place(0).identity, identity) in ("right", "never")

    sheets = _sheets(desk, events, facts, verdicts, now)
    hang(settings.state, settings.share, sheets, settings.zone(), share_is_right=share_is_right)


def _sheets(
    desk: Desk,
    events: Sequence[PlannedEvent],
    facts: Mapping[str, ArmFacts],
    verdicts: Mapping[Key, Verdict],
    now: datetime,
) -> list[Sheet]:
    """One sheet for each arm that has a warning: first what runs or comes first."""
    settings = desk.settings
    layouts = tuple(map(Layout, settings.layouts))
    by_id = {event.id: event for event in events}
    raised: dict[str, list[Raised]] = {}
    for warning in desk.warnings():
        raised.setdefault(warning.arm, []).append(warning)
    sheets = []
    for arm, its in sorted(raised.items()):
        blocked = [Blocked(each, by_id.get(each.event), verdicts.get((each.event, arm))) for each in its]
        blocked.sort(
            key=lambda each: (each.event is not None, each.event.start if each.event else now, each.warning.id)
        )
        also_at = ""
        if settings.warnings.sheets_on_share and arm in facts:
            also_at = place_on_share(layouts, arm, [backup.path for backup in facts[arm].sets if not backup.gone])
        sheets.append(Sheet(settings.plant, settings.arms.get(arm, Arm(arm)), tuple(blocked), now, also_at))
    return sheets
