"""Sends what the outbox holds, each channel on its own, so that a dead one holds up no other.

A letter is written down as sent after the other side has accepted it. A sender that is ended
between the two leaves the letter claimed, and it is sent once more when the claim has ended: by
mail with the same Message-ID and Date, to the webhook with the same Idempotency-Key, so that the
other side can know it for the same letter. The services behind apprise offer nothing of the kind;
there it may be told twice. The file on this computer is looked into first and never holds it twice.
"""

from __future__ import annotations

import logging
import os
import threading
from collections.abc import Callable, Sequence
from datetime import datetime
from time import monotonic

from guard import clock
from guard.errors import GuardError
from guard.record import Record
from guard.settings import Settings
from guard.store.database import Store
from guard.store.letters import Letter, Letters
from guard.tell import here, mail, relay, webhook
from guard.tell.here import note
from guard.tell.message import Message, read_message
from guard.tell.unsent import Faltered, NotAccepted, NotReached, Unsent

POLL_S = 15.0
"""How soon a letter is seen that another process has posted."""

KINDS = ("log", "file", "mail", "webhook", "apprise")


class Patience(Record):
    """How long one step of a sending may take, and how long the whole; well below the outbox's claim."""

    step_s: float = 20.0
    whole_s: float = 60.0


def send_due(
    store: Store,
    settings: Settings,
    now: Callable[[], datetime],
    stop: threading.Event,
    kinds: Sequence[str] = KINDS,
    patience: Patience = Patience(),  # noqa: B008
) -> None:
    """One pass over what is due in the ledger's database, until it is sent, or put off, or ``stop`` is set.

    Raises the refusals of Store; then nothing is lost, and what was claimed is sent later.
    """
    letters = Letters(store)
    waiting = [channel for channel in letters.channels() if _kind(channel) in kinds]
    office = _Office(letters, settings, now, stop, patience)
    lanes = [lane for kind in dict.fromkeys(map(_kind, waiting)) for lane in office.lanes(kind, waiting)]
    reachable = {channel for lane in lanes for channel in lane}
    if stranded := [channel for channel in waiting if channel not in reachable]:
        letters.strand(stranded)
    for lane in lanes:
        office.send_lane(lane)


def _kind(channel: str) -> str:
    return channel.partition(":")[0]


class _Office:
    """One pass: the letters, where they go, and how long that may take."""

    def __init__(
        self,
        letters: Letters,
        settings: Settings,
        now: Callable[[], datetime],
        stop: threading.Event,
        patience: Patience,
    ) -> None:
        self.letters, self.settings, self.now, self.stop, self.patience = letters, settings, now, stop, patience

    def lanes(self, kind: str, waiting: list[str]) -> list[tuple[str, ...]]:
        """The channels of a kind as they are configured; those that fail together stand together."""
        notify = self.settings.notify
        if kind in ("log", "file") or (kind == "webhook" and notify.webhook):
            return [(kind,)]
        if kind == "mail" and notify.mail is not None:
            return [("mail", *(f"mail:{address}" for address in notify.mail.to))]
        if kind == "apprise" and notify.apprise_file:
            try:
                return [("apprise",), *((channel,) for channel in relay.addresses(notify.apprise_file))]
            except NotReached:
                return [tuple(channel for channel in waiting if _kind(channel) == "apprise")]
        return []

    def send_lane(self, lane: tuple[str, ...]) -> None:
        """Send what is due in channels that fail together, oldest first."""
        if not self.letters.bring_forward(lane, self.now()):
            return
        while not self.stop.is_set():
            letter = self.letters.claim(lane, self.now())
            if letter is None:
                return
            trouble = self._send(letter)
            if isinstance(trouble, NotReached):
                self.letters.put_off(lane, self.now(), str(trouble))
                return

    def _send(self, letter: Letter) -> Unsent | None:
        """Send one letter and write down what came of it."""
        try:
            self._deliver(letter)
        except Unsent as trouble:
            self.letters.failed(letter.id, self.now(), str(trouble))
            level = logging.DEBUG if letter.trouble == str(trouble) else logging.WARNING
            note(level, "not-sent-yet", key=letter.key, channel=letter.channel, why=str(trouble))
            return trouble
        self.letters.sent(letter.id, self.now())
        if letter.attempts and letter.channel != "log":
            note(logging.INFO, "sent-at-last", key=letter.key, channel=letter.channel, attempts=letter.attempts + 1)
        return None

    def _deliver(self, letter: Letter) -> None:
        try:
            if letter.channel in ("mail", "apprise"):
                self.letters.spread(letter, self._addresses(letter.channel), self.now())
            else:
                self._tell(letter, read_message(letter.message))
        except (Unsent, GuardError):
            raise
        except Exception as error:  # one letter that trips us must hold up no other
            # Its text may hold an address or a password, so only its kind is told.
            raise NotAccepted(f"a fault of this tool over this letter: {type(error).__name__}") from error

    def _addresses(self, channel: str) -> list[str]:
        notify = self.settings.notify
        if channel == "mail":
            return [f"mail:{address}" for address in notify.mail.to] if notify.mail is not None else []
        return list(relay.addresses(notify.apprise_file))

    def _tell(self, letter: Letter, message: Message) -> None:
        kind, _, address = letter.channel.partition(":")
        settings, step_s = self.settings, self.patience.step_s
        now, plant, zone = self.now(), settings.plant, settings.zone()
        if kind == "log":
            here.to_log(message)
        elif kind == "file":
            here.to_file(settings.state, message, now, may_be_there=letter.attempts > 0)
        elif kind == "mail" and settings.notify.mail is not None:
            to = settings.notify.mail
            self._within(lambda: mail.send(to, address, mail.letter(message, to, plant, now, zone), step_s))
        elif kind == "webhook":
            self._within(lambda: webhook.send(settings.notify.webhook, message, plant, step_s))
        else:
            service = relay.addresses(settings.notify.apprise_file)[letter.channel]
            self._within(lambda: relay.send(service, message, now, zone))

    def _within(self, work: Callable[[], None]) -> None:
        """Do work in a thread of its own, and leave it behind where it does not end in time. Raises Faltered."""
        outcome: list[Exception | None] = []

        def run() -> None:
            try:
                work()
            except Exception as error:  # noqa: BLE001  carried over to who waits
                outcome.append(error)
            else:
                outcome.append(None)

        thread = threading.Thread(target=run, name="guard-sending", daemon=True)
        thread.start()
        thread.join(self.patience.whole_s)
        if not outcome:
            raise Faltered(f"it did not end within {self.patience.whole_s:g} s")
        if outcome[0] is not None:
            raise outcome[0]


class Sender:
    """Sends until ``stop`` is set: a thread for each kind of channel, each with its own connection to the ledger.

    To whoever starts and joins it, it is like one thread.
    """

    name = "sender"

    def __init__(
        self,
        settings: Settings,
        stop: threading.Event,
        now: Callable[[], datetime] = clock.now,
        patience: Patience = Patience(),  # noqa: B008
    ) -> None:
        self._settings, self._stop, self._now, self._patience = settings, stop, now, patience
        self._lanes = [_Lane(kinds, self._pass, stop) for kinds in (KINDS[:2], *((kind,) for kind in KINDS[2:]))]

    def start(self) -> None:
        """Begin to send."""
        for lane in self._lanes:
            lane.start()

    def wake(self) -> None:
        """Have a look at once: something was posted, or the end has come."""
        for lane in self._lanes:
            lane.woken.set()

    def is_alive(self) -> bool:
        """Whether any of its threads lives."""
        return any(lane.is_alive() for lane in self._lanes)

    def join(self, timeout: float) -> None:
        """Wait for its end. A letter that is still being sent then is left to its claim."""
        until = monotonic() + timeout
        for lane in self._lanes:
            lane.join(max(until - monotonic(), 0.0))

    def _pass(self, kinds: tuple[str, ...]) -> None:
        store = Store(os.path.join(self._settings.state, "ledger.db"), "ledger")
        try:
            send_due(store, self._settings, self._now, self._stop, kinds, self._patience)
        finally:
            store.close()


class _Lane(threading.Thread):
    """One thread of the sender."""

    def __init__(
        self, kinds: tuple[str, ...], one_pass: Callable[[tuple[str, ...]], None], stop: threading.Event
    ) -> None:
        super().__init__(name=f"sender-{kinds[0]}", daemon=True)
        self.woken = threading.Event()
        self._kinds, self._one_pass, self._ended = kinds, one_pass, stop
        self._trouble = ""

    def run(self) -> None:
        """Send, wait to be woken, and outlive every trouble."""
        while not self._ended.is_set():
            self.woken.clear()
            try:
                self._one_pass(self._kinds)
            except GuardError as error:
                self._tell(str(error))
            except Exception as error:  # what tells of trouble must not end by one fault
                logging.getLogger("guard.tell").exception("fault of the tool")
                self._tell(f"a fault of the tool: {type(error).__name__}")
            else:
                self._tell("")
            self.woken.wait(POLL_S)

    def _tell(self, trouble: str) -> None:
        if trouble and trouble != self._trouble:
            note(logging.WARNING, "cannot-send", by=self.name, why=trouble)
        self._trouble = trouble
