"""What one change of state tells, and how it is made safe to be shown wherever it goes."""

from __future__ import annotations

import json
from datetime import datetime, timedelta, tzinfo

from guard.digest import text_digest
from guard.model import Level
from guard.names import visible
from guard.record import Record
from guard.settings import Notify
from guard.store.encoding import canonical, moment, time_text

LATE = timedelta(minutes=15)
"""A message that goes out so long after its change says so."""

LONGEST_SUBJECT = 200


class Message(Record):
    """One message. ``key`` names the change of state for good; ``attachments`` are names with paths of files.

    ``arm``, ``event`` and ``level`` are empty or None where the change is about none.
    """

    key: str
    subject: str
    text: str
    at: datetime
    level: Level | None = None
    arm: str = ""
    event: str = ""
    attachments: tuple[tuple[str, str], ...] = ()

    def to_json(self) -> str:
        """The message as it is kept."""
        return canonical(self.told() | {"attachments": self.attachments})

    def told(self) -> dict[str, object]:
        """What programs are told: everything but where the attachments lie on this computer."""
        return {
            "key": self.key,
            "subject": self.subject,
            "text": self.text,
            "at": time_text(self.at),
            "level": self.level,
            "arm": self.arm,
            "event": self.event,
        }

    def headline(self) -> str:
        """The subject on one line, with nothing in it that could begin another."""
        line = visible(self.subject)
        return line if len(line) <= LONGEST_SUBJECT else f"{line[: LONGEST_SUBJECT - 1]}…"

    def body(self, now: datetime, zone: tzinfo) -> str:
        """The text for people, which says how late it is where it is late."""
        text = "\n".join(map(visible, self.text.split("\n"))).rstrip("\n") + "\n"
        if now - self.at <= LATE:
            return text
        then = self.at.astimezone(zone).strftime("%Y-%m-%d %H:%M %Z")
        return f"Told late: this was so at {then} and could not be sent before. Look at what is so now.\n\n{text}"

    def identity(self, plant: str) -> str:
        """A name for this very message, the same at each attempt to send it, and in no other plant."""
        return text_digest(canonical([plant, self.to_json()]))[:40]


def read_message(text: str) -> Message:
    """A message from its JSON. Raises ValueError or KeyError where it is none."""
    kept = json.loads(text)
    attachments = tuple((str(name), str(path)) for name, path in kept["attachments"])
    return Message(**{**kept, "at": moment(kept["at"]), "attachments": attachments})


def channels(notify: Notify) -> tuple[str, ...]:
    """The channels to post to: the log and the file always, the others where they are configured."""
    configured = {"mail": notify.mail is not None, "webhook": notify.webhook, "apprise": notify.apprise_file}
    return ("log", "file", *(channel for channel, there in configured.items() if there))
