"""The monitor's nights: old proofs are renewed, and the report is written for the morning."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import date, datetime
from time import monotonic

from guard.plan.due import is_slot_due, slot, slot_start
from guard.plan.read_back import Proven, tonight
from guard.service.hand import Hand
from guard.service.log import event
from guard.store.service import note_run, runs
from guard.tell.night import write_report

PAUSE_S = 2.0
"""How long to wait where the share is being written, or was not looked at yet."""

LOOK_FIRST_S = 600.0
"""For so long a report that was due at the start waits for the first look; a share that hangs must be told too."""

log = logging.getLogger("guard.service")


class Nightly:
    """What is done once a night; after a sleep of the computer, once on waking."""

    def __init__(
        self,
        hand: Hand,
        has_looked: Callable[[], bool],
        share_is_written: Callable[[], bool],
        posted: Callable[[], None],
    ) -> None:
        self.hand, self.desk, self.posted = hand, hand.desk, posted
        self.has_looked, self.share_is_written = has_looked, share_is_written
        self.begun_at = monotonic()
        self.settings, self.zone = hand.desk.settings, hand.desk.settings.zone()

    def __call__(self) -> float | None:
        """One wake. Returns after how many seconds to go on, where it waits for others."""
        if not self.has_looked() and monotonic() - self.begun_at < LOOK_FIRST_S:
            return PAUSE_S
        self._report_if_due()
        day = self._due("read-back", self.settings.service.nightly)
        if day is None:
            return None
        return PAUSE_S if not self._read_back(day) else None

    def _due(self, job: str, minutes: int) -> date | None:
        now = self.desk.now()
        day = slot(now, minutes, self.zone)
        return day if is_slot_due(now, day, runs(self.desk.catalogue.store, job)) else None

    def _read_back(self, day: date) -> bool:
        """Read back tonight's sets. Returns False where it waits because the share is being written."""
        begun = slot_start(day, self.settings.service.nightly, self.zone)
        count = 0
        for number, path in self._tonight(begun):
            if self.share_is_written():
                return False
            known = self.desk.catalogue.known_at(number, path)
            if known is None or not known.complete:
                continue
            for proved in self.desk.prove([(known, number)], self.hand):
                count += 1
                if proved.outcome != "read-back":
                    where = {"place": self.desk.ground(number).root, "set": proved.path, "what": proved.what}
                    event(log, proved.outcome, logging.WARNING, **where)
            self._report_if_due()
        note_run(self.desk.catalogue.store, "read-back", day.isoformat(), self.desk.now())
        event(log, "night-done", day=day, sets=count)
        return True

    def _tonight(self, begun: datetime) -> list[tuple[int, str]]:
        """Tonight's sets, each with its place: those on the share, then further copies for what is left of the budget."""
        now, within = self.desk.now(), self.settings.limits.read_back_within
        left = self.settings.service.read_back_budget
        chosen: list[tuple[int, str]] = []
        for places in ([0], self.desk.copies_there()):
            found = self._proven_once(places)
            proven = [each for each, _, _ in found]
            read = sum(p.bytes for p in proven if p.last_read_at is not None and begun <= p.last_read_at <= now)
            where = {each.id: (number, path) for each, number, path in found}
            # Of each kind one set is read even where nothing is left: a proof that never comes is worse.
            tonights = tonight(proven, now, within, max(left, 0), read)
            chosen += [where[each.id] for each in tonights]
            left -= read + sum(each.bytes for each in tonights)
        return chosen

    def _proven_once(self, places: list[int]) -> list[tuple[Proven, int, str]]:
        """The sets of some places with place and path; what was never read back is proven at once, by another hand."""
        return [
            (proven, number, path)
            for number in places
            for arm, path, proven in self.desk.catalogue.proofs(number)
            if arm in self.settings.arms and proven.last_read_at is not None
        ]

    def _report_if_due(self) -> None:
        day = self._due("report", self.settings.reports.at)
        if day is None:
            return
        paths = write_report(self.desk, self.desk.now(), day)
        note_run(self.desk.catalogue.store, "report", day.isoformat(), self.desk.now())
        event(log, "report-written", day=day, path=paths[0])
        self.posted()
