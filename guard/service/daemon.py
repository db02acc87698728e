"""`guard serve`: the monitor as one foreground process that can be left alone for years.

Four hands work beside each other, each with databases of its own: one looks, proves and judges,
one has the nights, one minds the clocks, one the calendars; a sender tells people. A ticker wakes
them. What is due they judge themselves, from the time and from what is written down, so that a kill
at any moment loses nothing that the next start does not find due again.
"""

from __future__ import annotations

import gc
import logging
import signal
import threading
from collections.abc import Callable
from time import monotonic

from guard.clock import now
from guard.errors import GuardError
from guard.load import load
from guard.service.agenda import Agenda
from guard.service.alone import alone
from guard.service.clockwork import Clockwork
from guard.service.hand import Hand
from guard.service.log import event, log_to
from guard.service.looking import Looking
from guard.service.nightly import Nightly
from guard.service.readiness import notify
from guard.settings import Settings
from guard.share.mounts import refuse_network
from guard.tell.sender import Sender

TICK_S = 30
"""The ticker's period; what must be quicker is woken by the watch or asks to be woken."""

BETWEEN_READINGS_S = 5.0
"""How soon a changed configuration is seen."""

GRACE_S = 3.0
"""For so long a stop waits for the hands; after that the process ends, as a kill at any moment may end it."""

log = logging.getLogger("guard.service")


def serve(settings: Settings) -> None:
    """Monitor until SIGTERM or SIGINT. Raises StateUnusable or AlreadyServing where it cannot begin.

    When the configuration changes and is right, the monitor begins anew with it; a faulty one is
    told and the old one stays in force.
    """
    gc.enable()  # a command is over before collecting would pay; this one is not
    refuse_network(settings.state)
    ended = threading.Event()
    for number in (signal.SIGTERM, signal.SIGINT):
        signal.signal(number, lambda _number, _frame: ended.set())
    while not ended.is_set():
        with alone(settings.state, now()):
            log_to(settings.state, settings.zone())
            settings = _Monitor(settings, ended).run() or settings


class _Monitor:
    """The monitor over one configuration."""

    def __init__(self, settings: Settings, ended: threading.Event) -> None:
        self.settings, self.ended = settings, ended
        self.stop = threading.Event()
        self.sender = Sender(settings, self.stop)
        self.eyes = Hand("looking", settings, self._look, self.stop)
        self.nights = Hand("nightly", settings, self._have_the_night, self.stop)
        self.clocks = Hand("clocks", settings, self._mind_the_clocks, self.stop)
        self.calendars = Hand("calendars", settings, self._mind_the_calendars, self.stop)
        self.looking: Looking | None = None
        self._faults = ""

    def run(self) -> Settings | None:
        """Work until the process is to end, or until the configuration changed: then returns the new one."""
        from apscheduler.schedulers.background import BackgroundScheduler

        threads = (self.eyes, self.nights, self.clocks, self.calendars, self.sender)
        ticker = BackgroundScheduler(
            timezone="UTC",
            job_defaults={"coalesce": True, "misfire_grace_time": None, "max_instances": 1},
        )
        for thread in threads:
            ticker.add_job(thread.wake, "interval", seconds=TICK_S)
            thread.start()
        ticker.start()
        event(log, "serving", plant=self.settings.plant, share=self.settings.share, arms=len(self.settings.arms))
        notify("READY=1")
        try:
            return self._wait()
        finally:
            notify("STOPPING=1")
            ticker.shutdown(wait=False)
            self.stop.set()
            for thread in threads:
                thread.wake()
            until = monotonic() + GRACE_S
            for thread in threads:
                thread.join(max(until - monotonic(), 0.0))
            event(log, "stopped", still_at_work=[thread.name for thread in threads if thread.is_alive()])

    def _wait(self) -> Settings | None:
        while not self.ended.wait(BETWEEN_READINGS_S):
            fresh = self._configured()
            if fresh != self.settings:
                event(log, "configuration-changed")
                return fresh
            if any(hand.desk.is_left_behind() for hand in (self.eyes, self.nights, self.clocks, self.calendars)):
                event(log, "state-replaced", state=self.settings.state)
                return fresh
        return None

    def _configured(self) -> Settings:
        try:
            fresh = load(self.settings.file)
        except GuardError as error:
            if str(error) != self._faults:
                event(log, "configuration-faulty", logging.WARNING, why=str(error), instead="the one before")
            self._faults = str(error)
            return self.settings
        self._faults = ""
        return fresh

    # What each hand does

    def _look(self, hand: Hand) -> Callable[[], float | None]:
        self.looking = Looking(hand, self.sender.wake)
        return self.looking

    def _have_the_night(self, hand: Hand) -> Callable[[], float | None]:
        return Nightly(hand, self._has_looked, self._share_is_written, self.sender.wake)

    def _mind_the_clocks(self, hand: Hand) -> Callable[[], float | None]:
        return Clockwork(
            hand, (self.eyes, self.nights, self.calendars), self._look_soon, self._judge_soon, self.sender.wake
        )

    def _mind_the_calendars(self, hand: Hand) -> Callable[[], float | None]:
        return Agenda(hand, self._judge_soon)

    def _has_looked(self) -> bool:
        return self.looking is not None and self.looking.has_looked

    def _share_is_written(self) -> bool:
        return self.looking is not None and self.looking.share_is_written

    def _judge_soon(self) -> None:
        if self.looking is not None:
            self.looking.judging.soon()
            self.eyes.wake()

    def _look_soon(self) -> None:
        if self.looking is not None:
            self.looking.look_soon()
