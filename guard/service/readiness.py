"""Tells the service manager how the monitor is: sd_notify(3) of systemd, one datagram a message.

Without a service manager that asks for it, nothing is told and nothing is wrong.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Mapping

PATIENCE_S = 1.0
"""Longer than a manager that is well takes to read; one that hangs must not hold the monitor up."""


def notify(*states: str, environ: Mapping[str, str] = os.environ) -> bool:
    """Tell the service manager states such as ``READY=1``, in one datagram; whether it was sent.

    ``$NOTIFY_SOCKET`` names a socket of the file system by its path, or an abstract one after an @.
    """
    address = environ.get("NOTIFY_SOCKET", "")
    if not hasattr(socket, "AF_UNIX") or not address.startswith(("/", "@")):
        return False
    name = os.fsencode(address)
    try:
        with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as way:
            way.settimeout(PATIENCE_S)
            way.sendto("\n".join(map(_one_line, states)).encode(), b"\0" + name[1:] if name[:1] == b"@" else name)
    except OSError:
        return False  # the manager notices by itself what it is not told
    return True


def _one_line(state: str) -> str:
    """The state without line breaks, each of which would begin another one; bytes of no text are shown as ?."""
    return " ".join(state.split("\n")).encode("utf-8", "replace").decode()
