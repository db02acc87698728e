"""The webhook: a message as JSON, posted to one configured address and nowhere else."""

from __future__ import annotations

from guard.store.encoding import canonical
from guard.tell.message import Message
from guard.tell.unsent import Faltered, NotAccepted, NotReached, reason

TYPE_CHECKING = False

if TYPE_CHECKING:
    from http.client import HTTPConnection
    from urllib.parse import SplitResult

BUSY = 429
"""RFC 6585: too many requests."""


def send(url: str, message: Message, plant: str, step_s: float) -> None:
    """Post a message; each step may take ``step_s``. No redirect is followed.

    Returns when the answer was 2xx. Raises NotReached, NotAccepted or Faltered; none of them
    tells more of the address than its host, since the rest may be a secret.
    """
    from http.client import HTTPException
    from urllib.parse import urlsplit

    parts = urlsplit(url)
    connection = _connected(parts, step_s)
    try:
        connection.request("POST", _target(parts), _body(message, plant), _headers(parts, message.identity(plant)))
        with connection.getresponse() as response:
            _judge(parts.hostname or "", response.status, response.reason, response.getheader("Location", ""))
    except OSError as error:
        raise Faltered(f"{parts.hostname}: {reason(error)}") from error
    except HTTPException as error:
        raise Faltered(f"{parts.hostname} does not speak HTTP as it should: {type(error).__name__}") from error
    finally:
        connection.close()


def _connected(parts: SplitResult, step_s: float) -> HTTPConnection:
    from http.client import HTTPConnection, HTTPException, HTTPSConnection

    if parts.scheme not in ("http", "https"):
        raise NotReached("notify.webhook begins with neither http:// nor https://")
    try:
        if parts.scheme == "https":
            from ssl import create_default_context

            context = create_default_context()
            connection: HTTPConnection = HTTPSConnection(
                parts.hostname or "", parts.port, timeout=step_s, context=context
            )
        else:
            connection = HTTPConnection(parts.hostname or "", parts.port, timeout=step_s)
        connection.connect()
    except (OSError, ValueError, HTTPException) as error:
        raise NotReached(f"{parts.hostname}: {reason(error)}") from error
    return connection


def _target(parts: SplitResult) -> str:
    from urllib.parse import quote

    target = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    return quote(target, safe="/%:=&?~+!$,;'@()*[]")


def _body(message: Message, plant: str) -> bytes:
    return canonical({"schema": 1, "plant": plant, **message.told()}).encode("ascii")


def _headers(parts: SplitResult, identity: str) -> dict[str, str]:
    headers = {
        "Content-Type": "application/json",
        "Connection": "close",
        # A string of RFC 8941, as draft-ietf-httpapi-idempotency-key-header wants it.
        "Idempotency-Key": f'"{identity}"',
    }
    if parts.username is not None:
        from base64 import b64encode
        from urllib.parse import unquote

        who = f"{unquote(parts.username)}:{unquote(parts.password or '')}"
        headers["Authorization"] = f"Basic {b64encode(who.encode()).decode('ascii')}"
    return headers


def _judge(host: str, status: int, said: str, location: str) -> None:
    if 200 <= status < 300:
        return
    if 300 <= status < 400:
        from urllib.parse import urlsplit

        to = urlsplit(location).hostname or host
        raise NotAccepted(
            f"{host} redirects ({status}) to {to}, which is not followed; write the final address as notify.webhook"
        )
    answer = f"{host} answered {status} {said}"
    raise Faltered(answer) if status >= 500 or status == BUSY else NotAccepted(answer)
