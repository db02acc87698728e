"""The monitor's calendars: those it watches, taken in when they change, and the one that it keeps current.

Watched ones are also taken in once a day, since the horizon moves on.
"""

from __future__ import annotations

import logging
import os
from collections.abc import Callable, Iterator
from datetime import date, datetime
from time import monotonic

from guard.calendars import TakenIn, missing, take_in
from guard.ical.refusals import CalendarRefused
from guard.plan.due import is_due
from guard.plan.warnings import Raised
from guard.service.hand import Hand
from guard.service.log import event
from guard.store.events import newest
from guard.tell.agenda import NAME, keep_current

BETWEEN_LOOKS_S = 5.0
"""How soon a changed calendar is seen; asking for its size and time costs next to nothing."""

AGAIN_S = 60.0
"""A refused calendar is tried again after so long, also where nothing shows that it changed."""

MOST_LOGGED = 20
"""So many entries that were left have a line in the log; `guard event list` tells of all."""

SUFFIX = ".ics"

log = logging.getLogger("guard.service")

Signature = tuple[int, int, int]
"""Size, time and number of a file, by which a changed one differs."""


class Agenda:
    """What is done about the watched calendars at every wake."""

    def __init__(self, hand: Hand, planned_anew: Callable[[], None]) -> None:
        self.hand, self.desk, self.planned_anew = hand, hand.desk, planned_anew
        self.watched = hand.desk.settings.calendar.watch
        self.every_s = min(BETWEEN_LOOKS_S, hand.desk.settings.service.poll.total_seconds())
        self._seen: dict[str, Signature] = {}
        self._taken: dict[str, tuple[Signature, date]] = {}
        self._sought: tuple[tuple[list[str], int], set[str]] | None = None
        self._told: tuple[int, tuple[Raised, ...]] | None = None
        self._told_at: datetime | None = None
        self._refused: dict[str, tuple[Signature, float]] = {}
        self._refusals: dict[str, str] = {}

    def __call__(self) -> float | None:
        """One wake. Returns after how many seconds to look again."""
        if self.watched:
            self._read()
        self._keep_current()
        return self.every_s

    def _read(self) -> None:
        troubles: dict[str, str] = {}
        there = list(self._files(troubles))
        for path in there:
            self.hand.show_life()
            self._look_at(path, troubles)
        for path in self._missing(there):
            troubles.setdefault(path, f"The calendar {path} is gone. What it planned before stays planned.")
        self._tell(troubles)

    def _missing(self, there: list[str]) -> set[str]:
        """The calendars that are gone; sought anew where files or events came or went."""
        state = (there, newest(self.desk.ledger))
        if self._sought is None or self._sought[0] != state:
            self._sought = (state, missing(self.desk, self.watched, there))
        return self._sought[1]

    def _keep_current(self) -> None:
        """Write the plan as a calendar: soon where events or warnings changed, and every so often.

        Judging all that is planned looks at every arm's folder, so a new backup alone is no reason.
        """
        reasons = (newest(self.desk.ledger), self.desk.warnings())
        service, now = self.desk.settings.service, self.desk.now()
        if not is_due(now, service.poll if reasons != self._told else service.reconcile, self._told_at):
            return
        self._told, self._told_at = reasons, now
        if keep_current(self.desk, now):
            event(log, "calendar-written", file=os.path.join(self.desk.settings.state, NAME))

    def _files(self, troubles: dict[str, str]) -> Iterator[str]:
        """The watched files, and those in watched folders."""
        for place in self.watched:
            try:
                if not os.path.isdir(place):
                    yield place
                    continue
                names = sorted(name for name in os.listdir(place) if name.lower().endswith(SUFFIX))
            except OSError as error:
                troubles[place] = f"The folder {place} cannot be read ({error.strerror or error})."
                continue
            yield from (os.path.join(place, name) for name in names)

    def _look_at(self, path: str, troubles: dict[str, str]) -> None:
        """Take a calendar in once it looks the same twice, which one that is being written does not."""
        try:
            about = os.stat(path)
        except OSError as error:
            troubles[path] = (
                f"The calendar {path} cannot be read ({error.strerror or error}). What it planned before stays planned."
            )
            return
        signature = (about.st_size, about.st_mtime_ns, about.st_ino)
        settled, self._seen[path] = self._seen.get(path) == signature, signature
        state = (signature, self.desk.now().date())
        if not settled or self._taken.get(path) == state or self._was_refused(path, signature):
            if path in self._refusals:
                troubles[path] = self._refusals[path]
            return
        try:
            self._took(take_in(self.desk, path, by_hand=False))
            self._taken[path] = state
        except CalendarRefused as refusal:
            troubles[path] = str(refusal)
            self._refused[path] = (signature, monotonic())

    def _was_refused(self, path: str, signature: Signature) -> bool:
        """Whether it was refused as it is a moment ago; what hinders reading it need not change it."""
        before, at = self._refused.get(path, (None, 0.0))
        return before == signature and monotonic() - at < AGAIN_S

    def _took(self, taken: TakenIn) -> None:
        found = taken.changes
        if not found and not taken.is_new:
            return
        counts = {"added": len(found.added), "changed": len(found.changed), "removed": len(found.removed)}
        event(log, "calendar-taken-in", file=taken.source, **counts, same=found.same, kept=len(found.kept))
        for each in taken.left[:MOST_LOGGED]:
            event(log, "calendar-doubt", logging.WARNING, file=taken.source, uid=each.uid, line=each.line, why=each.why)
        self.planned_anew()

    def _tell(self, troubles: dict[str, str]) -> None:
        for path in sorted({*troubles, *self._refusals}):
            if path not in troubles:
                event(log, "calendar-back", file=path)
            elif troubles[path] != self._refusals.get(path):
                event(log, "calendar-refused", logging.WARNING, file=path, why=troubles[path])
        self._refusals = troubles
        self.hand.detail = " ".join(troubles[path] for path in sorted(troubles))
