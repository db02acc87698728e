"""A thread of the monitor: it works when it is woken, shows life while it works, and outlives its troubles."""

from __future__ import annotations

import logging
import threading
from collections.abc import Callable
from time import monotonic

from guard.desk import Desk
from guard.errors import GuardError
from guard.service.log import event
from guard.settings import Settings
from guard.store.service import note_heartbeat

BETWEEN_HEARTBEATS_S = 25.0
"""Less than the tick, so that every tick is seen; more than a busy minute wants to write."""

BURST_S = 0.1
"""A copy in progress wakes for every file; whatever comes within so long is one reason to work."""

log = logging.getLogger("guard.service")


class Stopped(Exception):
    """The monitor is being stopped, in the middle of a long read."""


class Hand(threading.Thread):
    """One thread with a desk of its own.

    ``begin`` makes its work once the desk is there; the work is done at every wake, and returns
    after how many seconds it wants to be woken again, or None to leave that to the ticker.
    """

    def __init__(
        self, name: str, settings: Settings, begin: Callable[[Hand], Callable[[], float | None]], stop: threading.Event
    ) -> None:
        super().__init__(name=name, daemon=True)
        self.desk = Desk(settings)
        self.stop = stop
        self.alive_at = monotonic()
        self.detail = ""
        """What troubles this hand although it works, for its heartbeat."""
        self._begin = begin
        self._woken = threading.Event()
        self._trouble = ""
        self._beat: tuple[float, str] | None = None

    def wake(self) -> None:
        """Have the work done now, or once more when it is being done."""
        self._woken.set()

    def run(self) -> None:
        """Work until the monitor is stopped."""
        work: Callable[[], float | None] | None = None
        wait: float | None = 0.0
        while not self.stop.is_set():
            if self._woken.wait(None if wait is None else min(wait, threading.TIMEOUT_MAX)):
                self.stop.wait(BURST_S)
            self._woken.clear()
            trouble = ""
            try:
                self.show_life()
                work = work or self._begin(self)
                wait = work()
            except Stopped:
                return
            except (GuardError, OSError) as error:
                trouble = str(error)
            except Exception as error:  # a monitor that is left alone must not end by one fault
                log.exception("fault of the tool")
                trouble = f"a fault of the tool: {type(error).__name__}: {error}"
            if trouble:
                wait = self.desk.settings.service.poll.total_seconds()
            unnoted = self._note_heartbeat(trouble)
            self._tell(trouble or unnoted)

    def _tell(self, trouble: str) -> None:
        if trouble and trouble != self._trouble:
            event(log, "trouble", logging.WARNING, hand=self.name, what=trouble)
        elif self._trouble and not trouble:
            event(log, "trouble-over", hand=self.name)
        self._trouble = trouble

    def _note_heartbeat(self, trouble: str) -> str:
        """Show life in the catalogue now and then. Returns what is the matter where that cannot be done."""
        detail = trouble or self.detail
        if self._beat is not None and self._beat[1] == detail and monotonic() - self._beat[0] < BETWEEN_HEARTBEATS_S:
            return ""
        try:
            note_heartbeat(self.desk.catalogue.store, self.name, self.desk.now(), detail)
        except GuardError as error:
            return str(error)
        self._beat = (monotonic(), detail)
        return ""

    # What a long read tells: see guard.share.look.Progress

    def show_life(self) -> None:
        """Show that this hand is not stuck. Raises Stopped where the monitor is being stopped."""
        self.alive_at = monotonic()
        if self.stop.is_set():
            raise Stopped

    def reading(self, path: str) -> None:
        """A set is about to be read."""
        self.show_life()
        log.debug("reading %r", path)

    def read(self, count: int) -> None:  # noqa: ARG002 - as everybody who is told of progress
        """So many more bytes were read."""
        self.show_life()
