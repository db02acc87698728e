"""The monitor's judgement of planned events: where a fact changed, where a moment has come, and every so often."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime

from guard.desk import Desk
from guard.errors import GuardError
from guard.plan.due import is_due
from guard.plan.warnings import next_moment
from guard.service.log import event
from guard.warn import evaluate

log = logging.getLogger("guard.service")


class Judging:
    """Raises, tells again and lifts blocking warnings when there is reason to judge anew."""

    def __init__(self, desk: Desk, posted: Callable[[], None]) -> None:
        self.desk, self.posted = desk, posted
        self.every = desk.settings.service.reconcile
        self.last: datetime | None = None
        self.next_moment: datetime | None = None
        """When a lead time is reached or an event begins or is over, whatever else happens."""
        self._facts = 0

    def soon(self) -> None:
        """Judge at the next wake."""
        self.last = None

    def __call__(self) -> None:
        """Judge where there is reason to. Facts that come meanwhile are a reason for the next time."""
        now = self.desk.now()
        facts = self.desk.ledger.last_fact(self._facts)
        has_come = self.next_moment is not None and self.next_moment <= now
        if facts == self._facts and not has_come and not is_due(now, self.every, self.last):
            return
        try:
            changes = evaluate(self.desk, now)
            self.next_moment = next_moment(self.desk.events(), self.desk.settings.warnings.lead_times, now)
        except GuardError as error:
            event(log, "not-judged", logging.WARNING, why=str(error))
            return
        self._facts, self.last = facts, now
        for change in changes:
            level = logging.INFO if change.verb == "lifted" else logging.WARNING
            event(log, f"warning-{change.verb}", level, about=change.event, arm=change.arm, what=change.headline)
        if changes:
            self.posted()
