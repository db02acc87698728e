"""Further services, through the optional library apprise. Its addresses hold secrets and are shown nowhere."""

from __future__ import annotations

import logging
from datetime import datetime, tzinfo

from guard.digest import text_digest
from guard.model import Level
from guard.tell.message import Message
from guard.tell.unsent import Faltered, NotReached, reason

TYPES: dict[Level | None, str] = {
    "hold": "failure",
    "unknown": "warning",
    "caution": "warning",
    "clear": "success",
    None: "info",
}
"""What apprise calls the levels."""

SILENT = logging.CRITICAL + 1


class Address(str):
    """An address, which never shows itself by accident."""

    __slots__ = ()

    def __repr__(self) -> str:
        return "<address>"


def addresses(path: str) -> dict[str, Address]:
    """The addresses in the file, by the channel that stands for each. Raises NotReached."""
    try:
        with open(path, encoding="utf-8-sig") as file:
            lines = [line.strip() for line in file]
    except (OSError, UnicodeError) as error:
        raise NotReached(f"the file of addresses {path} cannot be read: {reason(error)}") from error
    found = {channel(line): Address(line) for line in lines if line and not line.startswith("#")}
    if not found:
        raise NotReached(f"the file of addresses {path} holds none; write one a line")
    return found


def channel(address: str) -> str:
    """The channel of one address: a name that tells addresses apart and gives none away."""
    return f"apprise:{text_digest(address)[:12]}"


def send(address: Address, message: Message, now: datetime, zone: tzinfo) -> None:
    """Tell one address. Raises NotReached or Faltered. Has no time limit of its own."""
    try:
        import apprise
    except ImportError as error:
        raise NotReached('apprise is not installed; install it with: pip install "swap-guard[apprise]"') from error
    _silence()
    service = apprise.Apprise()
    if not service.add(address):
        raise NotReached(f"apprise cannot use this address, which begins with {_scheme(address)}")
    kind = apprise.NotifyType(TYPES[message.level])
    done = service.notify(message.body(now, zone), message.headline(), kind, body_format=apprise.NotifyFormat.TEXT)
    if not done:
        raise Faltered(f"apprise could not tell the address that begins with {_scheme(address)}")


def _scheme(address: str) -> str:
    scheme, found, _ = address.partition("://")
    return f"{scheme}://" if found and scheme.isalnum() else "nothing that names a service"


def _silence() -> None:
    """Keep what these libraries log, addresses among it, out of every log."""
    for name in ("apprise", "urllib3", "requests"):
        logging.getLogger(name).setLevel(SILENT)
