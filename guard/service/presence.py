"""Asks each controller that has an address whether it answers: one quiet attempt to connect, about once a minute.

Nothing is sent; a connection that comes about is closed at once. Only addresses of the
configuration are asked.
"""

from __future__ import annotations

import logging
import os
import socket
import threading
from collections.abc import Callable, Iterable, Mapping
from datetime import datetime
from time import monotonic
from typing import TYPE_CHECKING

from guard.desk import Desk
from guard.record import Record
from guard.service.log import event
from guard.store.presence import Observation, note

if TYPE_CHECKING:
    import asyncio

TIMEOUT_S = 3.0
"""Far longer than a controller on the plant's network needs (common practice, no source)."""

MOST_SOCKETS = 128
"""At once: a thousand controllers that are all off take 24 s, and no system runs out of sockets."""

SILENT_AFTER = 3
"""So many attempts in a row without an answer are doubt; one or two are a busy network."""

STEP_S = 0.25
"""How soon a stop is noticed."""

NAMES_LAST_S = 600.0
"""For how long the addresses of a host's name are believed."""

log = logging.getLogger("guard.service")

HostPort = tuple[str, int]


class Place(Record):
    """Where to connect to, as the socket library writes it."""

    family: int
    address: tuple[str | int | bytes, ...]


class Attempt(Record):
    """When an attempt to connect was over, and why it came to nothing; None where it was answered."""

    at: datetime
    why: str | None


class Prober:
    """Asks the controllers, round by round, and writes down whether they answer."""

    def __init__(self, desk: Desk, meanwhile: Callable[[], None] = lambda: None) -> None:
        """``meanwhile`` is called several times a second; what it raises ends the round."""
        self._desk, self._meanwhile = desk, meanwhile
        self._arms: dict[HostPort, list[str]] = {}
        for arm in desk.settings.arms.values():
            if arm.presence:
                self._arms.setdefault(_host_and_port(arm.presence), []).append(arm.id)
        self._failures = dict.fromkeys(self._arms, 0)
        self.names = Names()

    def probe(self) -> None:
        """One round. A name that is not looked up yet is left to the next one."""
        if not self._arms:
            return
        found = self.names.places(self._arms)
        nowhere = {where: Attempt(self._desk.now(), each) for where, each in found.items() if isinstance(each, str)}
        places = {where: self._in_turn(where, each) for where, each in found.items() if not isinstance(each, str)}
        tried = attempts(places, self._desk.now, self._meanwhile)
        self._note({**nowhere, **tried})

    def _in_turn(self, where: HostPort, places: tuple[Place, ...]) -> Place:
        """Of several places of one name, another after each failure: so one attempt a minute finds the right one."""
        return places[self._failures[where] % len(places)]

    def _note(self, tried: Mapping[HostPort, Attempt]) -> None:
        changes = note(
            self._desk.catalogue.store,
            [
                Observation(arm, attempt.at, attempt.why)
                for where, attempt in tried.items()
                if self._says_something(where, attempt)
                for arm in self._arms[where]
            ],
        )
        for arm, change in changes:
            event(log, "presence", arm=arm, **change.body)
        if changes:
            self._desk.hand_over()

    def _says_something(self, where: HostPort, attempt: Attempt) -> bool:
        self._failures[where] = 0 if attempt.why is None else self._failures[where] + 1
        return attempt.why is None or self._failures[where] >= SILENT_AFTER


def _host_and_port(address: str) -> HostPort:
    """The two halves of tcp://host:port, whose form the configuration has made sure of."""
    host, _, port = address.removeprefix("tcp://").rpartition(":")
    return host.strip("[]"), int(port)


def attempts(
    places: Mapping[HostPort, Place],
    now: Callable[[], datetime],
    meanwhile: Callable[[], None] = lambda: None,
    timeout_s: float = TIMEOUT_S,
) -> dict[HostPort, Attempt]:
    """Try once to connect to each place, many at a time in this one thread."""
    import asyncio

    async def attempt(room: asyncio.Semaphore, where: HostPort) -> tuple[HostPort, Attempt]:
        async with room:
            why = await _why_not(places[where], timeout_s)
            return where, Attempt(now(), why)

    async def all_of_them() -> dict[HostPort, Attempt]:
        room = asyncio.Semaphore(MOST_SOCKETS)
        under_way = {asyncio.create_task(attempt(room, where)) for where in places}
        over = set()
        while under_way:
            meanwhile()
            done, under_way = await asyncio.wait(under_way, timeout=STEP_S)
            over |= done
        return dict(task.result() for task in over)

    return asyncio.run(all_of_them())


async def _why_not(place: Place, timeout_s: float) -> str | None:
    """Connect and close. Why it came to nothing, or None where the other end answered."""
    import asyncio

    try:
        with socket.socket(place.family, socket.SOCK_STREAM) as way:
            way.settimeout(0)
            async with asyncio.timeout(timeout_s):
                await asyncio.get_running_loop().sock_connect(way, place.address)
            # A port of this computer on which nobody listens can by chance be connected with itself.
            return "it is this program itself" if way.getsockname() == place.address else None
    except TimeoutError:
        return f"no answer within {timeout_s:g} s"
    except OSError as error:
        return os.strerror(error.errno) if error.errno else str(error)


class Names:
    """The places of hosts. A name is looked up in a thread, since that can take long and cannot be stopped."""

    def __init__(self) -> None:
        self._found: dict[HostPort, tuple[Place, ...] | str] = {}
        self._old_at: dict[HostPort, float] = {}
        self._thread: threading.Thread | None = None

    def places(self, wanted: Iterable[HostPort]) -> dict[HostPort, tuple[Place, ...] | str]:
        """The places of each host, or why there are none, as far as they are known by now; the others are looked up."""
        old = [where for where in wanted if monotonic() > self._old_at.get(where, 0.0) and not self._is_numeric(where)]
        if old and (self._thread is None or not self._thread.is_alive()):
            self._thread = threading.Thread(target=self._look_up, args=(old,), name="names", daemon=True)
            self._thread.start()
        return {where: self._found[where] for where in wanted if where in self._found}

    def wait(self, timeout_s: float) -> None:
        """Wait until what is being looked up is known."""
        if self._thread is not None:
            self._thread.join(timeout_s)

    def _is_numeric(self, where: HostPort) -> bool:
        """Whether the host is an address already, which then is its place for good."""
        try:
            self._found[where] = _places(where, socket.AI_NUMERICHOST)
        except (OSError, UnicodeError):
            return False
        self._old_at[where] = float("inf")
        return True

    def _look_up(self, names: Iterable[HostPort]) -> None:
        for where in names:
            try:
                self._found[where] = _places(where)
                self._old_at[where] = monotonic() + NAMES_LAST_S
            except (OSError, UnicodeError) as error:
                if not isinstance(self._found.get(where), tuple):  # a name server that is down moves no controller
                    self._found[where] = f"the name {where[0]} is not known: {error}"


def _places(where: HostPort, flags: int = 0) -> tuple[Place, ...]:
    found = socket.getaddrinfo(*where, type=socket.SOCK_STREAM, flags=flags)
    return tuple(Place(family, address) for family, _, _, _, address in found)
