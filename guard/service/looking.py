"""The monitor's eyes: looks when something changed and at least every so often, and proves what is new."""

from __future__ import annotations

import logging
from collections.abc import Callable
from datetime import datetime, timedelta
from time import monotonic

from guard.plan.due import is_due
from guard.service.hand import Hand, Stopped
from guard.service.judging import Judging
from guard.service.log import event
from guard.share.look import PlaceReport
from guard.share.mounts import Way, way_to_watch
from guard.share.watch import Watch, arms_by_path

AT_ONCE_S = 30.0
"""For so long fresh sets are proven before changes are looked at again."""

PAUSE_S = 0.2
"""Where nothing happened for so long, a copy may be done: then the look that begins the settle time is taken."""

MARGIN_S = 0.05
"""A set is looked at so much after it should have settled, so that no clock's grain makes it seem too early."""

MOST_AT_ONCE = 50

log = logging.getLogger("guard.service")


class Looking:
    """Everything that leads from a change on the share to a verdict."""

    def __init__(self, hand: Hand, posted: Callable[[], None]) -> None:
        self.hand, self.desk = hand, hand.desk
        self.judging = Judging(self.desk, posted)
        self.settings = hand.desk.settings
        self.watch: Watch | None = None
        self.way: Way | None = None
        self.waiting: dict[str, float] = {}
        """Arms with changes, and the monotonic time at which they will have settled."""
        self.last_pass: datetime | None = None
        self.fresh = True
        """Whether there may be sets that were never read back."""
        self._tried: dict[str, datetime] = {}
        self._damaged: set[str] = set()
        self._refusals: dict[str, str] = {}

    def __call__(self) -> float | None:
        """One wake. Returns after how many seconds the next one has something to do."""
        try:
            more = self._look_and_prove()
        except Stopped:
            raise
        except Exception:
            self.judging()  # what hinders looking is no reason to warn of nothing
            raise
        self.judging()
        return 0.0 if more else self._until_next()

    def _look_and_prove(self) -> bool:
        self._mind_watch()
        self._take_changes()
        if is_due(self.desk.now(), self._every(), self.last_pass):
            self._look_at_all()
        else:
            self._look_at_settled()
        return self._prove_fresh()

    @property
    def share_is_written(self) -> bool:
        """Whether something on the share changed so lately that it has not settled."""
        return bool(self.waiting)

    @property
    def has_looked(self) -> bool:
        """Whether the whole share was looked at since the start."""
        return self.last_pass is not None

    def look_soon(self) -> None:
        """Look at everything at the next wake."""
        self.last_pass = None
        self.hand.wake()

    def close(self) -> None:
        """Stop watching."""
        if self.watch is not None:
            self.watch.stop()

    def _until_next(self) -> float:
        now, last = self.desk.now(), self.last_pass
        ahead = [self._every() - (timedelta() if last is None else now - last)]
        if self.judging.next_moment is not None:
            ahead.append(self.judging.next_moment - now)
        until_moment = min(ahead).total_seconds()
        until_settled = min(self.waiting.values(), default=monotonic() + until_moment) - monotonic()
        return max(min(until_moment, until_settled), 0.0)

    # Watching

    def _every(self) -> timedelta:
        service = self.settings.service
        sees = self.watch is not None and self.watch.trouble() is None
        return service.reconcile if sees else min(service.poll, service.reconcile)

    def _mind_watch(self) -> None:
        """Watch by what the share's mount allows now; it may have come, gone or changed since."""
        way = way_to_watch(self.settings.watch, self.settings.share)
        if way != self.way:
            event(log, "watching", by=way.kind, why=way.why)
            self.way = way
            self._unwatch()
        trouble = self.watch.trouble() if self.watch is not None else None
        if trouble is not None and is_due(self.desk.now(), self.settings.service.poll, self.last_pass):
            self._unwatch()
        if way.kind == "events" and self.watch is None:
            trouble = self._watch_anew()
        if trouble != (self.hand.detail or None):
            self.hand.detail = trouble or ""
            if trouble:
                event(log, "watch-in-doubt", logging.WARNING, why=trouble, instead="polling")

    def _watch_anew(self) -> str | None:
        arm_of = arms_by_path(self.desk.ground().layouts, self.settings.arms)
        self.watch = Watch(self.settings.share, arm_of, self.hand.wake)
        self.watch.start()
        return self.watch.trouble()

    def _unwatch(self) -> None:
        if self.watch is not None:
            self.watch.stop()
        self.watch = None

    def _take_changes(self) -> None:
        if self.watch is None:
            return
        dirty = self.watch.take()
        if dirty.everything:
            self.last_pass = None
        for arm in dirty.arms:
            self.waiting[arm] = monotonic() + PAUSE_S

    # Looking

    def _look_at_all(self) -> None:
        begun = self.desk.now()
        self.waiting.clear()
        self._looked(self.desk.look(self.hand), None)
        self.fresh = True  # a set that was proven may have become unreadable, and has to be proven again
        self.last_pass = begun

    def _look_at_settled(self) -> None:
        for arm in [arm for arm, at in self.waiting.items() if at <= monotonic()]:
            del self.waiting[arm]
            places = self.desk.look(self.hand, arm)
            self._looked(places, arm)
            if any(place.report is not None and place.report.missing for place in places):
                self.look_soon()  # whether these are gone tells a look at everything

    def _looked(self, places: list[PlaceReport], arm: str | None) -> None:
        for place in places:
            refusal = "" if place.refusal is None else str(place.refusal)
            if refusal != self._refusals.get(place.root, ""):
                event(log, "share-refused" if refusal else "share-back", logging.WARNING, place=place.root, why=refusal)
            self._refusals[place.root] = refusal
            if place.report is None:
                continue
            report = place.report
            for path in report.sealed:
                event(log, "set-sealed", place=place.root, set=path)
                self.fresh = True
            for trouble in report.incomplete:
                event(log, "set-incomplete", logging.WARNING, set=trouble.path, what=trouble.what)
            for trouble in report.damaged:
                if trouble.path not in self._damaged:
                    event(log, "set-damaged", logging.WARNING, set=trouble.path, what=trouble.what)
                self._damaged.add(trouble.path)
            for path in report.gone:
                event(log, "set-gone", place=place.root, set=path)
            self._wait_for(report.settles_at, {trouble.arm for trouble in report.arriving})
        if arm is None:
            log.debug("looked at the whole share")

    def _wait_for(self, settles_at: list[datetime], arms: set[str]) -> None:
        if not settles_at:
            return
        at = monotonic() + max((min(settles_at) - self.desk.now()).total_seconds(), 0.0) + MARGIN_S
        for arm in arms:
            self.waiting[arm] = min(self.waiting.get(arm, at), at)

    # Proving and judging

    def _prove_fresh(self) -> bool:
        """Read back what never was, for a while. Returns whether there is more to do at once."""
        if not self.fresh:
            return False
        until = monotonic() + AT_ONCE_S
        now, again = self.desk.now(), self.settings.service.reconcile
        unproven = self.desk.catalogue.unproven(self.settings.arms, MOST_AT_ONCE + len(self._tried))
        waiting = [known for known in unproven if is_due(now, again, self._tried.get(known.path))]
        for known in waiting[:MOST_AT_ONCE]:
            if monotonic() >= until:
                return True
            for proved in self.desk.prove([(known, 0)], self.hand):
                level = logging.INFO if proved.outcome == "read-back" else logging.WARNING
                event(log, proved.outcome, level, set=proved.path, **({"what": proved.what} if proved.what else {}))
                if proved.outcome not in ("read-back", "damaged"):
                    self._tried[proved.path] = now
        self._tried = {path: at for path, at in self._tried.items() if not is_due(now, again, at)}
        self.fresh = bool(unproven)
        return len(waiting) >= MOST_AT_ONCE
