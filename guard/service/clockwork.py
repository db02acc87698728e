"""The monitor's clocks: swap windows that are open, a computer whose time jumped, and who shows life."""

from __future__ import annotations

import logging
from collections.abc import Callable, Sequence
from datetime import datetime
from time import monotonic

from guard import clock
from guard.service.hand import Hand
from guard.service.log import event
from guard.service.presence import Prober
from guard.service.readiness import notify
from guard.warn import tick_windows

JUMP_S = 5.0
"""Two clocks that drift apart further between two ticks: one was set."""

STUCK_S = 600.0
"""A hand that shows no life for so long hangs, as reads on a dead network mount do."""

BETWEEN_PROBES_S = 55.0
"""Less than two ticks, so that each controller is asked about once a minute."""

log = logging.getLogger("guard.service")


class Clockwork:
    """What is done at every tick."""

    def __init__(
        self,
        hand: Hand,
        others: Sequence[Hand],
        clock_jumped: Callable[[], None],
        judge_soon: Callable[[], None],
        posted: Callable[[], None],
    ) -> None:
        self.hand, self.desk = hand, hand.desk
        self.others, self.clock_jumped, self.judge_soon, self.posted = others, clock_jumped, judge_soon, posted
        self.last: tuple[datetime, float] | None = None
        self.prober = Prober(self.desk, hand.show_life)
        self.probed_at: float | None = None

    def __call__(self) -> float | None:
        """One tick."""
        self._notice_jumps()
        self._tick_windows()
        if self.probed_at is None or monotonic() - self.probed_at >= BETWEEN_PROBES_S:
            self.probed_at = monotonic()
            self.prober.probe()
        stuck = [hand.name for hand in self.others if monotonic() - hand.alive_at > STUCK_S]
        self.hand.detail = f"no life from: {', '.join(stuck)}" if stuck else ""
        if not stuck:
            notify("WATCHDOG=1")
        return None

    def _notice_jumps(self) -> None:
        wall, steady = clock.now(), monotonic()
        if self.last is not None:
            jump = (wall - self.last[0]).total_seconds() - (steady - self.last[1])
            if abs(jump) > JUMP_S:
                event(log, "clock-jumped", logging.WARNING, by_s=round(jump))
                self.clock_jumped()
        self.last = (wall, steady)

    def _tick_windows(self) -> None:
        changes = tick_windows(self.desk, clock.reading())
        for change in changes:
            event(log, f"window-{change.verb}", logging.WARNING, arm=change.arm, what=change.headline)
        if changes:
            self.posted()
            self.judge_soon()
