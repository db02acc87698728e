"""Real servers on loopback for tests: one that takes mail, one that is posted to, one that accepts and says nothing."""

from __future__ import annotations

import asyncio
import json
import socket
import ssl
import subprocess
import threading
from collections.abc import Callable
from email import message_from_bytes, policy
from email.message import EmailMessage
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

TYPE_CHECKING = False

if TYPE_CHECKING:  # every test session loads this module
    from aiosmtpd.controller import Controller
    from aiosmtpd.smtp import AuthResult, Envelope

PATIENCE_S = 20.0


def free_port() -> int:
    """A port on which nothing listens."""
    with socket.create_server(("127.0.0.1", 0)) as listening:
        return int(listening.getsockname()[1])


class Received:
    """What a server was given so far, and a way to wait for it."""

    def __init__(self) -> None:
        self._all: list[Any] = []
        self._changed = threading.Condition()

    def add(self, item: Any) -> None:
        with self._changed:
            self._all.append(item)
            self._changed.notify_all()

    def wait_for(self, count: int) -> list[Any]:
        """What came, once it is so many."""
        with self._changed:
            there = self._changed.wait_for(lambda: len(self._all) >= count, PATIENCE_S)
            assert there, f"only {len(self._all)} of {count} came"
            return list(self._all)

    @property
    def all(self) -> list[Any]:
        with self._changed:
            return list(self._all)


class Mailbox:
    """A mail server on a port of its own, which can die and come back there."""

    def __init__(self, **options: Any) -> None:
        self.port = free_port()
        self.options = options
        self.mails = Received()
        self.logins: list[tuple[bytes, bytes]] = []
        self.recipients: dict[str, str] = {}
        """What is answered to single addresses."""
        self.answer = "250 taken"
        """What is answered to a letter."""
        self.release = threading.Event()
        """While it is not set, nothing is answered to a letter."""
        self.release.set()
        self._controller: Controller | None = None

    def start(self, tls: ssl.SSLContext | None = None) -> Mailbox:
        """Begin to listen; with ``tls``, encrypted from the first byte on."""
        from aiosmtpd.controller import Controller

        self._controller = Controller(
            self, "127.0.0.1", self.port, authenticator=self.log_in, ssl_context=tls, **self.options
        )
        self._controller.start()
        return self

    def stop(self) -> None:
        self.release.set()
        if self._controller is not None:
            self._controller.stop()
        self._controller = None

    def log_in(self, _server: Any, _session: Any, _envelope: Any, _mechanism: str, data: Any) -> AuthResult:
        from aiosmtpd.smtp import AuthResult, LoginPassword

        assert isinstance(data, LoginPassword)
        self.logins.append((data.login, data.password))
        return AuthResult(success=data.password == b"open sesame", handled=False)

    async def handle_RCPT(  # noqa: N802 - its name in aiosmtpd
        self, _server: Any, _session: Any, envelope: Envelope, address: str, _options: list[str]
    ) -> str:
        answer = self.recipients.get(address, "250 known")
        if answer.startswith("250"):
            envelope.rcpt_tos.append(address)
        return answer

    async def handle_DATA(  # noqa: N802 - its name in aiosmtpd
        self, _server: Any, _session: Any, envelope: Envelope
    ) -> str:
        self.mails.add(Mail(envelope))
        await asyncio.get_running_loop().run_in_executor(None, self.release.wait, PATIENCE_S)
        return self.answer


class Mail:
    """One mail as it came."""

    def __init__(self, envelope: Envelope) -> None:
        self.to = envelope.rcpt_tos
        self.sender = envelope.mail_from
        assert isinstance(envelope.content, bytes)
        self.raw = envelope.content
        parsed = message_from_bytes(self.raw, policy=policy.default)
        assert isinstance(parsed, EmailMessage)
        self.parsed = parsed

    @property
    def text(self) -> str:
        body = self.parsed.get_body(("plain",))
        assert body is not None
        return str(body.get_content()).replace("\r\n", "\n")


class Post:
    """One request as it came."""

    def __init__(self, path: str, headers: dict[str, str], body: bytes, status: int) -> None:
        self.path, self.headers, self.body, self.status = path, headers, body, status

    @property
    def json(self) -> Any:
        return json.loads(self.body)


class Endpoint:
    """A web server that notes what is posted to it and answers as it is told."""

    def __init__(self) -> None:
        self.posts = Received()
        self.answer: Callable[[bytes], int] = lambda _body: 204
        """The status that a body is answered with."""
        self.location: str | None = None
        self.release = threading.Event()
        """While it is not set, nothing is answered."""
        self.release.set()
        self.port = free_port()
        self._server: ThreadingHTTPServer | None = None

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/hook"

    def start(self, tls: ssl.SSLContext | None = None) -> Endpoint:
        """Begin to listen, encrypted where ``tls`` says how."""
        endpoint = self

        class Handler(BaseHTTPRequestHandler):
            def do_POST(self) -> None:
                body = self.rfile.read(int(self.headers["Content-Length"]))
                status = endpoint.answer(body)
                endpoint.posts.add(Post(self.path, dict(self.headers), body, status))
                endpoint.release.wait(PATIENCE_S)
                self.send_response(status)
                if endpoint.location:
                    self.send_header("Location", endpoint.location)
                self.send_header("Content-Length", "0")
                self.end_headers()

            do_GET = do_POST  # noqa: N815

            def log_message(self, *_args: Any) -> None:
                """Say nothing."""

        self._server = ThreadingHTTPServer(("127.0.0.1", self.port), Handler)
        if tls is not None:
            self._server.socket = tls.wrap_socket(self._server.socket, server_side=True)
        threading.Thread(target=self._server.serve_forever, args=(0.01,), daemon=True).start()
        return self

    def stop(self) -> None:
        self.release.set()
        if self._server is not None:
            self._server.shutdown()
            self._server.server_close()
        self._server = None


def certificate(folder: Path) -> tuple[Path, ssl.SSLContext]:
    """A self-made certificate for 127.0.0.1, and a server's context with it."""
    key, made = folder / "key.pem", folder / "certificate.pem"
    subprocess.run(
        [
            *("openssl", "req", "-x509", "-newkey", "ec", "-pkeyopt", "ec_paramgen_curve:prime256v1", "-nodes"),
            *("-keyout", str(key), "-out", str(made), "-days", "2", "-subj", "/CN=mail.plant.example"),
            *("-addext", "subjectAltName=IP:127.0.0.1"),
        ],
        check=True,
        capture_output=True,
    )
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(made, key)
    return made, context
