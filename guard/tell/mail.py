"""Mail: one message made, and one message handed to the mail server."""

from __future__ import annotations

import logging
import os
from datetime import datetime, tzinfo

from guard.names import visible
from guard.settings import Mail
from guard.tell.here import note
from guard.tell.message import Message
from guard.tell.unsent import Faltered, NotAccepted, NotReached, reason

TYPE_CHECKING = False

if TYPE_CHECKING:
    import smtplib

GOODBYE_S = 2.0
"""How long the server may take over the goodbye; the letter is sent by then."""


def send(mail: Mail, to: str, letter: bytes, step_s: float) -> None:
    """Hand a letter for one address to the mail server; each step may take ``step_s``.

    Returns when the server has said that it has it. Raises NotReached, NotAccepted or Faltered.
    """
    import smtplib

    server = _ready(mail, step_s)
    try:
        options = [] if (mail.sender + to).isascii() else ["SMTPUTF8"]
        server.sendmail(mail.sender, [to], letter, options)
        _say_goodbye(server)
    except smtplib.SMTPServerDisconnected as error:
        raise Faltered(f"the mail server broke off: {error}") from error
    except smtplib.SMTPRecipientsRefused as error:
        raise _refused(*error.recipients[to]) from error
    except smtplib.SMTPResponseException as error:
        raise _refused(error.smtp_code, error.smtp_error) from error
    except smtplib.SMTPException as error:
        raise NotAccepted(f"the mail server cannot take it: {error}") from error
    except OSError as error:
        raise Faltered(f"the mail server: {reason(error)}") from error
    finally:
        server.close()


def _ready(mail: Mail, step_s: float) -> smtplib.SMTP:
    """A connection that a letter can be handed over on. Raises NotReached."""
    import smtplib
    import ssl

    password = _password(mail) if mail.user else ""
    server: smtplib.SMTP | None = None
    try:
        if mail.tls == "tls":
            server = smtplib.SMTP_SSL(mail.host, mail.port, timeout=step_s, context=ssl.create_default_context())
        else:
            server = smtplib.SMTP(mail.host, mail.port, timeout=step_s)
        if mail.tls == "starttls":
            server.starttls(context=ssl.create_default_context())
        if mail.user:
            server.login(mail.user, password)
    except (OSError, smtplib.SMTPException) as error:
        if server is not None:
            server.close()
        raise NotReached(f"{mail.host}:{mail.port}: {_worded(error)}") from error
    return server


def _worded(error: Exception) -> str:
    import smtplib

    if isinstance(error, smtplib.SMTPAuthenticationError):
        return f"the user or the password is not right ({error.smtp_code})"
    if isinstance(error, smtplib.SMTPResponseException):
        return f"{error.smtp_code} {_text(error.smtp_error)}"
    return reason(error)


def _refused(code: int, text: bytes | str) -> NotReached | NotAccepted:
    said = f"{code} {_text(text)}"
    # RFC 5321, 3.8: with 421 the server closes whatever the command was.
    return NotReached(said) if code == 421 else NotAccepted(said)


def _text(said: bytes | str) -> str:
    return said if isinstance(said, str) else said.decode("utf-8", "backslashreplace")


def _password(mail: Mail) -> str:
    """The password, read anew each time so that a changed one needs no restart. Raises NotReached."""
    if not mail.password_file:
        raise NotReached("notify.mail names a user and no password-file")
    try:
        with open(mail.password_file, encoding="utf-8-sig") as file:
            password = file.read().strip("\r\n")
    except (OSError, UnicodeError) as error:
        raise NotReached(f"the password file {mail.password_file} cannot be read: {reason(error)}") from error
    if not password or not password.isascii() or not password.isprintable():
        raise NotReached(f"the password file {mail.password_file} does not hold one line of ASCII text")
    return password


def _say_goodbye(server: smtplib.SMTP) -> None:
    import smtplib

    try:
        if server.sock is not None:
            server.sock.settimeout(GOODBYE_S)
        server.quit()
    except (OSError, smtplib.SMTPException) as error:
        note(logging.DEBUG, "no-goodbye", why=str(error))


def letter(message: Message, mail: Mail, plant: str, now: datetime, zone: tzinfo) -> bytes:
    """The message as it goes out. Its Message-ID and Date are the same at every attempt."""
    from email import policy
    from email.message import EmailMessage
    from email.utils import format_datetime

    everyone = (mail.sender, *mail.to)
    base = policy.SMTP if "".join(everyone).isascii() else policy.SMTPUTF8
    made = EmailMessage(base.clone(cte_type="7bit"))
    made["From"] = mail.sender
    made["To"] = ", ".join(mail.to)
    made["Subject"] = message.headline()
    made["Date"] = format_datetime(message.at)
    made["Message-ID"] = f"<{message.identity(plant)}@{_domain(mail.sender)}>"
    made["Auto-Submitted"] = "auto-generated"  # RFC 3834: keeps absence notices from answering
    files, missing = _attachments(message)
    made.set_content(message.body(now, zone) + "".join(f"\nNot attached: {what}\n" for what in missing))
    for name, content in files:
        kind = ("text", "html") if name.endswith(".html") else ("application", "octet-stream")
        made.add_attachment(content, *kind, filename=name)
    return made.as_bytes()


def _domain(sender: str) -> str:
    domain = sender.rpartition("@")[2]
    return domain if domain.isascii() else "localhost"


def _attachments(message: Message) -> tuple[list[tuple[str, bytes]], list[str]]:
    """The files that are there, and what is to be said of those that are not."""
    files, missing = [], []
    for name, path in message.attachments:
        try:
            with open(path, "rb") as file:
                files.append((visible(os.path.basename(name)), file.read()))
        except OSError as error:
            missing.append(visible(f"{name}: {reason(error)}"))
    return files, missing
