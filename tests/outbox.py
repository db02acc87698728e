"""A plant with an outbox for tests: what is posted, and one pass over what is due."""

from __future__ import annotations

import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

from guard.load import load
from guard.settings import Settings
from guard.store.database import Store
from guard.store.letters import Letters, Unsent, post
from guard.tell.message import Message, channels
from guard.tell.sender import KINDS, Patience, send_due
from tests.plant import Plant

TYPE_CHECKING = False

if TYPE_CHECKING:
    import pytest

NOW = datetime(2026, 11, 25, 8, 0, tzinfo=UTC)
HOSTILE = "arm-07\r\nBcc: thief@elsewhere.example\r\n\r\nA body\x1b[2J \u202egpj.exe \udce9 \x00"
SPELLED = r"arm-07\r\nBcc: thief@elsewhere.example\r\n\r\nA body\x1b[2J \u202egpj.exe \xe9 \x00"
"""What a file name or a calendar may bring, and how it is shown to people."""

QUICK = Patience(step_s=0.3, whole_s=0.6)
MINUTE, HOUR = timedelta(minutes=1), timedelta(hours=1)


def change(key: str = "raised 1", **fields: Any) -> Message:
    """A message about a change of state."""
    told = {
        "subject": "HOLD: do not power down arm-07",
        "text": "Take a backup first.\n",
        "at": NOW,
        "level": "hold",
        "arm": "arm-07",
        "event": "shutdown",
    }
    return Message(key=key, **{**told, **fields})


class Outbox:
    """The ledger's outbox of a plant, at a time that the test sets."""

    def __init__(self, plant: Plant, notify: str = "") -> None:
        self.plant, self.now = plant, NOW
        self.configure(notify)
        self.store = Store(str(Path(self.settings.state) / "ledger.db"), "ledger")
        self.letters = Letters(self.store)

    def configure(self, notify: str) -> Settings:
        self.plant.configure(f"\n[notify]\n{notify}\n")
        self.settings = load(str(self.plant.config))
        return self.settings

    def post(self, *messages: Message, to: tuple[str, ...] | None = None) -> None:
        for message in messages or (change(),):
            with self.store.transaction() as db:
                post(db, message.to_json(), message.key, to or channels(self.settings.notify), message.at)

    def send(self, after: timedelta = timedelta(), kinds: tuple[str, ...] = KINDS, patience: Patience = QUICK) -> None:
        """One pass, so much later than the last."""
        self.now += after
        send_due(self.store, self.settings, self.clock, threading.Event(), kinds, patience)

    @property
    def clock(self) -> Callable[[], datetime]:
        return lambda: self.now

    def unsent(self, channel: str) -> Unsent | None:
        """What waits in a channel."""
        return next((each for each in self.letters.unsent() if each.channel == channel), None)

    def trouble(self, channel: str) -> str:
        """The trouble with what waits in a channel."""
        waiting = self.unsent(channel)
        assert waiting is not None
        assert waiting.trouble is not None
        return waiting.trouble

    def rows(self, columns: str = "*") -> list[tuple[Any, ...]]:
        return self.store.connection.execute(f"SELECT {columns} FROM letters ORDER BY id").fetchall()

    def told(self) -> str:
        """What the file on this computer holds."""
        path = Path(self.settings.state) / "told.log"
        return path.read_text(encoding="ascii") if path.exists() else ""

    def close(self) -> None:
        self.store.close()


def mail_to(port: int, *to: str, tls: str = "none", more: str = "") -> str:
    """The configuration of mail to a server on loopback."""
    everyone = ", ".join(f'"{address}"' for address in to or ("maintenance@plant.example",))
    return f'mail = {{ server = "127.0.0.1:{port}", tls = "{tls}", from = "guard@plant.example", to = [{everyone}]{more} }}'


def everything_told(outbox: Outbox, caplog: pytest.LogCaptureFixture) -> str:
    """All that the log, the outbox and the file say."""
    logged = [f"{each.getMessage()} {getattr(each, 'facts', '')}" for each in caplog.records]
    return "\n".join([*logged, *map(str, outbox.rows()), outbox.told()])
