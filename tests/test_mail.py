"""Mail against a real mail server on loopback: told once, whatever the other side does."""

from __future__ import annotations

import socket
import threading
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from email import message_from_bytes, policy
from email.utils import parsedate_to_datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.names import visible
from guard.settings import Mail
from guard.tell.mail import letter
from guard.tell.message import LONGEST_SUBJECT, read_message
from guard.tell.sender import Patience
from tests.outbox import HOSTILE, HOUR, MINUTE, NOW, SPELLED, Outbox, change, mail_to
from tests.servers import Mailbox, certificate

MAIL = "mail:maintenance@plant.example"


@pytest.fixture
def silent() -> Iterator[int]:
    """The port of a server that lets everybody in and says nothing."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        yield int(server.getsockname()[1])


@pytest.fixture
def password(outbox: Outbox) -> Path:
    path = outbox.plant.root / "mail-password"
    path.write_text("open sesame\n", encoding="ascii")
    return path


LOGIN = ', user = "guard", password-file = "mail-password"'


class TestMail:
    def test_is_delivered_once(self, outbox: Outbox, mailbox: Mailbox) -> None:
        outbox.configure(mail_to(mailbox.port, "a@plant.example", "b@plant.example"))
        outbox.post()
        for _ in range(3):
            outbox.send(HOUR)
        first, second = mailbox.mails.all
        assert (first.to, second.to) == (["a@plant.example"], ["b@plant.example"])
        assert first.raw == second.raw
        assert first.sender == "guard@plant.example"
        assert first.parsed["From"] == "guard@plant.example"
        assert first.parsed["To"] == "a@plant.example, b@plant.example"
        assert first.parsed["Subject"] == "HOLD: do not power down arm-07"
        assert parsedate_to_datetime(first.parsed["Date"]) == NOW
        assert first.parsed["Message-ID"].endswith("@plant.example>")
        assert first.parsed["Auto-Submitted"] == "auto-generated"
        assert outbox.letters.unsent() == ()

    def test_says_how_late_it_is(self, outbox: Outbox, mailbox: Mailbox) -> None:
        outbox.configure(mail_to(mailbox.port))
        outbox.post()
        outbox.send(timedelta(hours=3))
        assert mailbox.mails.all[0].text == (
            "Told late: this was so at 2026-11-25 09:00 CET and could not be sent before. Look at what is so now.\n"
            "\nTake a backup first.\n"
        )

    def test_dead_then_back(self, outbox: Outbox, mailbox: Mailbox) -> None:
        mailbox.stop()
        outbox.configure(mail_to(mailbox.port))
        outbox.post()
        outbox.send()
        assert outbox.trouble(MAIL) == f"not reached: 127.0.0.1:{mailbox.port}: Connection refused"
        mailbox.start()
        outbox.send(MINUTE - timedelta(seconds=1))
        assert mailbox.mails.all == []
        outbox.send(timedelta(seconds=1))
        assert len(mailbox.mails.all) == 1

    @pytest.mark.parametrize(
        ("answer", "trouble"),
        [
            pytest.param("550 5.7.1 no thanks", "not accepted: 550 5.7.1 no thanks", id="for-good"),
            pytest.param("451 4.3.0 try later", "not accepted: 451 4.3.0 try later", id="for-now"),
            pytest.param("421 4.3.2 going down", "not reached: 421 4.3.2 going down", id="server-closes"),
        ],
    )
    def test_refused_then_taken(self, outbox: Outbox, mailbox: Mailbox, answer: str, trouble: str) -> None:
        mailbox.answer = answer
        outbox.configure(mail_to(mailbox.port))
        outbox.post()
        outbox.send()
        assert outbox.trouble(MAIL) == trouble
        mailbox.answer = "250 taken"
        outbox.send(MINUTE)
        refused, taken = mailbox.mails.all
        assert refused.parsed["Message-ID"] == taken.parsed["Message-ID"]
        assert outbox.letters.unsent() == ()

    def test_hangs_before_the_letter(self, outbox: Outbox, silent: int) -> None:
        outbox.configure(mail_to(silent))
        outbox.post()
        outbox.send()
        assert outbox.trouble(MAIL).startswith(f"not reached: 127.0.0.1:{silent}: ")
        assert "timed out" in outbox.trouble(MAIL)

    def test_hangs_after_the_letter(self, outbox: Outbox, mailbox: Mailbox) -> None:
        mailbox.release.clear()
        outbox.configure(mail_to(mailbox.port))
        outbox.post()
        outbox.send()
        assert outbox.trouble(MAIL).startswith("no good answer: ")

    def test_a_server_that_drips_is_left_in_time(self, outbox: Outbox) -> None:
        with socket.create_server(("127.0.0.1", 0)) as server:
            ended = threading.Event()

            def drip() -> None:
                peer, _ = server.accept()
                with peer:
                    while not ended.wait(0.05):
                        try:
                            peer.sendall(b"2")
                        except OSError:
                            return

            dripping = threading.Thread(target=drip)
            dripping.start()
            outbox.configure(mail_to(server.getsockname()[1]))
            outbox.post()
            outbox.send()
            assert outbox.trouble(MAIL) == "no good answer: it did not end within 0.6 s"
            ended.set()
            dripping.join()

    def test_html_is_attached(self, outbox: Outbox, mailbox: Mailbox) -> None:
        sheet = outbox.plant.root / "arm-07.html"
        sheet.write_text("<!doctype html><p>HOLD ä", encoding="utf-8")
        gone = outbox.plant.root / "gone.html"
        outbox.configure(mail_to(mailbox.port))
        outbox.post(change(attachments=(("arm-07.html", str(sheet)), ("gone.html", str(gone)))))
        outbox.send()
        (came,) = mailbox.mails.all
        (attached,) = came.parsed.iter_attachments()
        assert attached.get_content_type() == "text/html"
        assert attached.get_filename() == "arm-07.html"
        assert attached.get_payload(decode=True) == sheet.read_bytes()
        assert came.text == "Take a backup first.\n\nNot attached: gone.html: No such file or directory\n"

    def test_nothing_in_a_message_reaches_a_header_of_its_own(self, outbox: Outbox, mailbox: Mailbox) -> None:
        outbox.configure(mail_to(mailbox.port))
        outbox.post(change(HOSTILE, subject=HOSTILE, text=f"one\n{HOSTILE}\n", arm=HOSTILE, event=HOSTILE))
        outbox.send()
        (came,) = mailbox.mails.all
        assert came.to == ["maintenance@plant.example"]
        assert came.parsed["Bcc"] is None
        assert came.parsed["Subject"] == SPELLED
        assert came.text.startswith("one\narm-07\\r\nBcc:")
        assert b"\x1b" not in came.raw


class TestMailWithTls:
    @pytest.fixture
    def secure(self, tmp_path: Path) -> Iterator[tuple[Mailbox, Path]]:
        path, context = certificate(tmp_path)
        made = Mailbox(tls_context=context, require_starttls=True, auth_required=True).start()
        yield made, path
        made.stop()

    def test_starttls_with_a_password(
        self, outbox: Outbox, secure: tuple[Mailbox, Path], password: Path, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        mailbox, path = secure
        monkeypatch.setenv("SSL_CERT_FILE", str(path))
        outbox.configure(mail_to(mailbox.port, tls="starttls", more=LOGIN))
        outbox.post()
        outbox.send(patience=Patience(5, 5))
        assert len(mailbox.mails.all) == 1
        assert mailbox.logins == [(b"guard", password.read_bytes().strip())]

    def test_tls_from_the_first_byte(self, outbox: Outbox, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        path, context = certificate(tmp_path)
        monkeypatch.setenv("SSL_CERT_FILE", str(path))
        mailbox = Mailbox().start(context)
        outbox.configure(mail_to(mailbox.port, tls="tls"))
        outbox.post()
        outbox.send(patience=Patience(5, 5))
        mailbox.stop()
        assert len(mailbox.mails.all) == 1

    @pytest.mark.usefixtures("password")
    def test_a_certificate_that_nobody_vouches_for_gets_no_password(
        self, outbox: Outbox, secure: tuple[Mailbox, Path]
    ) -> None:
        mailbox, _ = secure
        outbox.configure(mail_to(mailbox.port, tls="starttls", more=LOGIN))
        outbox.post()
        outbox.send(patience=Patience(5, 5))
        assert "CERTIFICATE_VERIFY_FAILED" in outbox.trouble(MAIL)
        assert (mailbox.mails.all, mailbox.logins) == ([], [])

    @pytest.mark.usefixtures("password")
    def test_a_server_without_starttls_gets_neither_letter_nor_password(self, outbox: Outbox, mailbox: Mailbox) -> None:
        outbox.configure(mail_to(mailbox.port, tls="starttls", more=LOGIN))
        outbox.post()
        outbox.send()
        assert outbox.trouble(MAIL).startswith("not reached: ")
        assert "STARTTLS" in outbox.trouble(MAIL)
        assert (mailbox.mails.all, mailbox.logins) == ([], [])

    @pytest.mark.parametrize(
        ("content", "trouble"),
        [
            pytest.param(None, "cannot be read: No such file or directory", id="missing"),
            pytest.param(b"", "does not hold one line of ASCII text", id="empty"),
            pytest.param(b"one\ntwo\n", "does not hold one line of ASCII text", id="two-lines"),
            pytest.param("pässword".encode(), "does not hold one line of ASCII text", id="not-ascii"),
            pytest.param(b"\xff\xfe", "cannot be read: ", id="not-utf-8"),
            pytest.param(b"wrong", "the user or the password is not right (535)", id="wrong"),
        ],
    )
    def test_the_password(
        self,
        outbox: Outbox,
        secure: tuple[Mailbox, Path],
        password: Path,
        monkeypatch: pytest.MonkeyPatch,
        content: bytes | None,
        trouble: str,
    ) -> None:
        mailbox, path = secure
        monkeypatch.setenv("SSL_CERT_FILE", str(path))
        outbox.configure(mail_to(mailbox.port, tls="starttls", more=LOGIN))
        outbox.post()
        password.unlink() if content is None else password.write_bytes(content)
        outbox.send(patience=Patience(5, 5))
        assert trouble in outbox.trouble(MAIL)
        password.write_bytes(b"open sesame\r\n")
        outbox.send(MINUTE, patience=Patience(5, 5))
        assert len(mailbox.mails.all) == 1


ANY_TEXT = st.text(st.characters(exclude_categories=()), max_size=300)
TO = Mail("mail.plant.example", 25, "guard@plant.example", ("maintenance@plant.example",), "none", "", "")
HEADERS = [
    *("From", "To", "Subject", "Date", "Message-ID", "Auto-Submitted"),
    *("Content-Type", "Content-Transfer-Encoding", "MIME-Version"),
]


class TestAnyMessage:
    """Whatever stands in a message, it stays where it belongs."""

    @given(ANY_TEXT, ANY_TEXT)
    def test_as_a_letter_it_has_its_own_headers_only_and_lines_that_any_server_takes(
        self, subject: str, text: str
    ) -> None:
        made = letter(change(subject=subject, text=text), TO, "plant", NOW, ZoneInfo("Europe/Berlin"))
        parsed = message_from_bytes(made, policy=policy.default)
        assert sorted(parsed.keys()) == sorted(HEADERS)
        assert len(parsed["Subject"]) <= LONGEST_SUBJECT
        assert made.isascii()
        # RFC 5322, 2.1.1: no line is longer than 998 characters.
        assert max(map(len, made.split(b"\r\n"))) <= 998

    @given(ANY_TEXT, ANY_TEXT, st.datetimes(timezones=st.just(UTC)))
    def test_as_json_it_comes_back_the_same(self, subject: str, text: str, at: datetime) -> None:
        message = change(subject=subject, text=text, at=at, attachments=((subject, text),))
        kept = message.to_json()
        assert kept.isascii()
        assert read_message(kept) == message

    @given(ANY_TEXT)
    def test_one_line_is_one_line_and_readable(self, text: str) -> None:
        assert visible(text).isprintable()
