"""The outbox: what is posted is told once, nothing is dropped, and of several senders one sends."""

from __future__ import annotations

import json
import logging
import os
import signal
import socket
import sqlite3
import subprocess
import sys
import threading
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.store.database import Store
from guard.store.letters import BEING_SENT, CLAIM, FAR, LONGEST_WAIT, NO_LONGER, Letters, post, wait_after
from guard.tell.sender import Sender, send_due
from tests.outbox import HOUR, MINUTE, NOW, QUICK, Outbox, change, mail_to
from tests.servers import Endpoint, Mailbox, free_port

SECOND = timedelta(seconds=1)


class TestPosting:
    def test_the_same_change_is_told_once(self, outbox: Outbox) -> None:
        outbox.post(change("raised 1"), change("raised 1", subject="another wording"), change("raised 2"))
        assert outbox.rows("key, channel") == [
            ("raised 1", "log"),
            ("raised 1", "file"),
            ("raised 2", "log"),
            ("raised 2", "file"),
        ]
        outbox.send()
        outbox.post(change("raised 1"))
        outbox.send(HOUR)
        assert [json.loads(line)["key"] for line in outbox.told().splitlines()] == ["raised 1", "raised 2"]

    def test_what_is_rolled_back_is_not_told(self, outbox: Outbox) -> None:
        def change_that_fails() -> None:
            with outbox.store.transaction() as db:
                post(db, change().to_json(), "raised 1", ("log",), NOW)
                raise ZeroDivisionError

        with pytest.raises(ZeroDivisionError):
            change_that_fails()
        assert outbox.rows() == []

    def test_nothing_is_dropped(self, outbox: Outbox) -> None:
        outbox.configure(mail_to(free_port()))
        outbox.post()
        for _ in range(40):
            outbox.send(HOUR)
        waiting = outbox.unsent("mail:maintenance@plant.example")
        assert waiting is not None
        assert (waiting.letters, waiting.oldest) == (1, NOW)
        assert waiting.trouble is not None
        assert waiting.trouble.startswith("not reached: 127.0.0.1:")


class TestWaiting:
    @pytest.mark.parametrize(
        ("attempts", "wait"),
        [
            pytest.param(1, MINUTE, id="first-a-minute"),
            pytest.param(2, 2 * MINUTE, id="then-doubled"),
            pytest.param(6, 32 * MINUTE, id="still-doubled"),
            pytest.param(7, HOUR, id="up-to-an-hour"),
            pytest.param(10**9, HOUR, id="without-end"),
        ],
    )
    def test_back_off(self, attempts: int, wait: timedelta) -> None:
        assert wait_after(attempts) == wait

    @given(st.integers(0, 10_000))
    def test_back_off_never_shrinks_nor_passes_an_hour(self, attempts: int) -> None:
        assert MINUTE <= wait_after(attempts) <= wait_after(attempts + 1) <= LONGEST_WAIT

    @pytest.mark.parametrize(
        ("later", "due"),
        [
            pytest.param(MINUTE - SECOND, False, id="just-before"),
            pytest.param(MINUTE, True, id="at-its-time"),
            pytest.param(MINUTE - FAR, False, id="clock-set-back-by-no-more-than-letters-wait"),
            pytest.param(MINUTE - FAR - SECOND, True, id="clock-set-back-further"),
            pytest.param(-timedelta(days=400), True, id="clock-set-back-a-year"),
            pytest.param(timedelta(days=1), True, id="clock-set-forward-a-day"),
        ],
    )
    def test_due(self, outbox: Outbox, later: timedelta, *, due: bool) -> None:
        outbox.post(to=("webhook",))
        letter = outbox.letters.claim(["webhook"], NOW)
        assert letter is not None
        outbox.letters.failed(letter.id, NOW, "not accepted: 400")
        assert (outbox.letters.claim(["webhook"], NOW + later) is not None) is due


class TestClaim:
    @pytest.mark.parametrize(
        ("later", "free"),
        [
            pytest.param(timedelta(), False, id="at-once"),
            pytest.param(CLAIM - SECOND, False, id="just-before-its-end"),
            pytest.param(CLAIM, True, id="at-its-end"),
            pytest.param(-SECOND, False, id="to-a-sender-that-read-the-clock-before"),
            pytest.param(CLAIM - FAR - SECOND, True, id="clock-set-back-further-than-letters-wait"),
        ],
    )
    def test_holds_the_channel_until_it_ends(self, outbox: Outbox, later: timedelta, *, free: bool) -> None:
        outbox.post(change("raised 1"), change("raised 2"), to=("webhook", "mail"))
        first = outbox.letters.claim(["webhook"], NOW)
        assert first is not None
        again = outbox.letters.claim(["webhook"], NOW + later)
        assert (again is not None) is free
        if again is not None:
            assert (again.id, again.attempts, again.trouble) == (first.id, 1, BEING_SENT)
        assert outbox.letters.claim(["mail"], NOW) is not None

    def test_two_senders_send_each_letter_once(self, outbox: Outbox, endpoint: Endpoint) -> None:
        outbox.configure(f'webhook = "{endpoint.url}"')
        outbox.post(*(change(f"raised {n}") for n in range(30)))
        stop = threading.Event()
        senders = [Sender(outbox.settings, stop, patience=QUICK._replace(step_s=5, whole_s=5)) for _ in range(3)]
        for sender in senders:
            sender.start()
        endpoint.posts.wait_for(30)
        assert until_empty(outbox, senders)
        stop.set()
        for sender in senders:
            sender.wake()
            sender.join(10)
        assert not any(sender.is_alive() for sender in senders)
        keys = [came.json["key"] for came in endpoint.posts.all]
        assert sorted(keys) == sorted(f"raised {n}" for n in range(30))
        assert len(outbox.told().splitlines()) == 30

    def test_a_locked_ledger_is_told_and_tried_again(self, outbox: Outbox) -> None:
        outbox.post()
        other = sqlite3.connect(outbox.store.path, isolation_level=None)
        outbox.store.connection.execute("PRAGMA busy_timeout=1")
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(Exception, match="is locked by another process"):
            outbox.send()
        other.execute("ROLLBACK")
        other.close()
        outbox.send()
        assert len(outbox.told().splitlines()) == 1


def until_empty(outbox: Outbox, senders: list[Sender]) -> bool:
    """Wake the senders until nothing waits any more."""
    for _ in range(500):
        if not outbox.letters.unsent():
            return True
        for sender in senders:
            sender.wake()
        threading.Event().wait(0.02)
    return False


class TestNoLongerConfigured:
    @pytest.mark.parametrize(
        ("channel", "configured"),
        [
            pytest.param("mail", "", id="mail-taken-out"),
            pytest.param("webhook", "", id="webhook-taken-out"),
            pytest.param("apprise", "", id="apprise-taken-out"),
            pytest.param("mail:gone@plant.example", mail_to(9), id="one-address-taken-out"),
        ],
    )
    def test_is_kept_with_its_trouble_and_not_tried(self, outbox: Outbox, channel: str, configured: str) -> None:
        outbox.configure(configured)
        outbox.post(to=(channel,))
        for _ in range(3):
            outbox.send(HOUR)
        assert outbox.rows("channel, trouble, attempts") == [(channel, NO_LONGER, 0)]

    def test_goes_out_when_it_is_configured_again(self, outbox: Outbox, endpoint: Endpoint) -> None:
        outbox.post(to=("webhook",))
        outbox.send()
        outbox.configure(f'webhook = "{endpoint.url}"')
        outbox.send()
        assert [came.json["key"] for came in endpoint.posts.all] == ["raised 1"]
        assert outbox.letters.unsent() == ()


POST = """
import os, signal, sys
from tests.outbox import NOW, change
from guard.store.database import Store
from guard.store.letters import post
store = Store(sys.argv[1], "ledger")
with store.transaction() as db:
    post(db, change().to_json(), "raised 1", ("webhook", "file"), NOW)
    if sys.argv[2] == "within":
        os.kill(os.getpid(), signal.SIGKILL)
os.kill(os.getpid(), signal.SIGKILL)
"""

SEND = """
import sys, threading
from guard.load import load
from guard.store.database import Store
from guard.tell.sender import send_due
from tests.outbox import NOW
send_due(Store(sys.argv[1], "ledger"), load(sys.argv[2]), lambda: NOW, threading.Event())
"""


class TestKilled:
    @pytest.mark.parametrize(
        ("moment", "told"),
        [pytest.param("within", 0, id="within-the-change"), pytest.param("after", 1, id="between-post-and-send")],
    )
    def test_in_posting(self, outbox: Outbox, endpoint: Endpoint, moment: str, told: int) -> None:
        outbox.configure(f'webhook = "{endpoint.url}"')
        killed = subprocess.run([sys.executable, "-c", POST, outbox.store.path, moment], check=False, timeout=30)
        assert killed.returncode == -signal.SIGKILL
        outbox.send()
        assert (len(endpoint.posts.all), len(outbox.told().splitlines())) == (told, told)

    def test_between_accepted_and_recorded_the_same_letter_goes_out_again(
        self, outbox: Outbox, mailbox: Mailbox
    ) -> None:
        mailbox.release.clear()
        outbox.configure(mail_to(mailbox.port))
        outbox.post(to=("mail",))
        sending = subprocess.Popen([sys.executable, "-c", SEND, outbox.store.path, str(outbox.plant.config)])
        (first,) = mailbox.mails.wait_for(1)
        os.kill(sending.pid, signal.SIGKILL)
        sending.wait()
        mailbox.release.set()
        assert outbox.trouble("mail:maintenance@plant.example") == BEING_SENT

        outbox.send(CLAIM - SECOND)
        assert len(mailbox.mails.all) == 1
        outbox.send(SECOND)
        _, second = mailbox.mails.wait_for(2)
        assert second.parsed["Message-ID"] == first.parsed["Message-ID"]
        assert second.raw == first.raw
        outbox.send(HOUR)
        assert len(mailbox.mails.all) == 2

    def test_after_writing_the_file_it_is_not_written_twice(self, outbox: Outbox) -> None:
        outbox.post(to=("file",))
        outbox.send()
        outbox.store.connection.execute(
            "UPDATE letters SET sent_at=NULL, trouble=?, next_at='2026-11-25T08:05:00.000000Z'", (BEING_SENT,)
        )
        outbox.send(HOUR)
        assert len(outbox.told().splitlines()) == 1
        assert outbox.letters.unsent() == ()

    def test_a_line_that_was_cut_off_is_told_again_on_a_line_of_its_own(self, outbox: Outbox) -> None:
        outbox.post(to=("file",))
        outbox.send()
        path = Path(outbox.settings.state) / "told.log"
        path.write_bytes(path.read_bytes()[:40])
        outbox.store.connection.execute("UPDATE letters SET sent_at=NULL, trouble='not reached: full'")
        outbox.send(HOUR)
        cut, whole = outbox.told().splitlines()
        assert (len(cut), json.loads(whole)["key"]) == (40, "raised 1")


class TestOrder:
    def test_what_was_posted_first_is_told_first_when_the_channel_comes_back(
        self, outbox: Outbox, mailbox: Mailbox
    ) -> None:
        mailbox.stop()
        outbox.configure(mail_to(mailbox.port))
        for n in range(6):
            outbox.post(change(f"raised {n}", subject=f"change {n}"), to=("mail",))
            outbox.send(7 * MINUTE)
        mailbox.start()
        outbox.post(change("lifted", subject="lifted"), to=("mail",))
        outbox.send()
        assert [came.parsed["Subject"] for came in mailbox.mails.all] == [*(f"change {n}" for n in range(6)), "lifted"]
        assert outbox.letters.unsent() == ()

    def test_a_letter_that_is_not_accepted_holds_up_no_other(self, outbox: Outbox, mailbox: Mailbox) -> None:
        outbox.configure(mail_to(mailbox.port, "gone@plant.example", "here@plant.example"))
        mailbox.recipients["gone@plant.example"] = "550 5.1.1 no such mailbox"
        outbox.post(change("raised 1"), change("raised 2"), to=("mail",))
        outbox.send()
        assert [came.to for came in mailbox.mails.all] == [["here@plant.example"]] * 2
        assert outbox.trouble("mail:gone@plant.example") == "not accepted: 550 5.1.1 no such mailbox"

    def test_a_letter_that_the_other_side_stumbles_over_holds_up_no_other(
        self, outbox: Outbox, endpoint: Endpoint
    ) -> None:
        outbox.configure(f'webhook = "{endpoint.url}"')
        endpoint.answer = lambda body: 500 if b'"key":"raised' in body else 200
        outbox.post(*(change(f"raised {n}") for n in range(7)))
        outbox.post(change("lifted"))
        outbox.send()
        assert [came.json["key"] for came in endpoint.posts.all if came.status == 200] == ["lifted"]


class Told(logging.Handler):
    """Waits for the log to tell that nothing can be sent."""

    def __init__(self) -> None:
        super().__init__()
        self.trouble = threading.Event()

    def emit(self, record: logging.LogRecord) -> None:
        if record.getMessage() == "cannot-send":
            self.trouble.set()


class TestSenderThread:
    def test_sends_what_another_process_posted_when_it_is_woken(self, outbox: Outbox, endpoint: Endpoint) -> None:
        outbox.configure(f'webhook = "{endpoint.url}"')
        stop = threading.Event()
        sender = Sender(outbox.settings, stop)
        sender.start()
        subprocess.run([sys.executable, "-c", POST, outbox.store.path, "after"], check=False, timeout=30)
        sender.wake()
        endpoint.posts.wait_for(1)
        stop.set()
        sender.wake()
        sender.join(10)
        assert not sender.is_alive()

    def test_a_restart_goes_on_where_it_was(self, outbox: Outbox, mailbox: Mailbox) -> None:
        mailbox.stop()
        outbox.configure(mail_to(mailbox.port))
        outbox.post()
        outbox.send()
        mailbox.start()
        store = Store(outbox.store.path, "ledger")
        send_due(store, outbox.settings, lambda: NOW + MINUTE, threading.Event(), patience=QUICK)
        assert Letters(store).unsent() == ()
        store.close()
        assert len(mailbox.mails.all) == 1

    def test_stops_in_time_while_a_server_hangs(self, outbox: Outbox, endpoint: Endpoint) -> None:
        endpoint.release.clear()
        outbox.configure(f'webhook = "{endpoint.url}"')
        outbox.post(*(change(f"raised {n}") for n in range(5)))
        stop = threading.Event()
        sender = Sender(outbox.settings, stop, patience=QUICK._replace(step_s=1, whole_s=1))
        sender.start()
        endpoint.posts.wait_for(1)
        stop.set()
        sender.wake()
        sender.join(5)
        assert not sender.is_alive()
        assert len(endpoint.posts.all) == 1

    def test_outlives_a_ledger_that_it_cannot_open(self, outbox: Outbox, endpoint: Endpoint) -> None:
        outbox.configure(f'webhook = "{endpoint.url}"')
        outbox.post()
        newer = "INSERT INTO _sqlite_migrations(migration_set, name, applied_at) VALUES('guard-ledger', 'x999', 'then')"
        outbox.store.connection.execute(newer)
        told = Told()
        logging.getLogger("guard.tell").addHandler(told)
        stop = threading.Event()
        sender = Sender(outbox.settings, stop)
        sender.start()
        assert told.trouble.wait(10)
        outbox.store.connection.execute("DELETE FROM _sqlite_migrations WHERE name='x999'")
        assert until_empty(outbox, [sender])
        stop.set()
        sender.wake()
        sender.join(10)
        logging.getLogger("guard.tell").removeHandler(told)
        assert len(endpoint.posts.all) == 1

    def test_a_dead_mail_server_does_not_hold_up_the_others(self, outbox: Outbox, endpoint: Endpoint) -> None:
        with socket.create_server(("127.0.0.1", 0)) as silent:
            outbox.configure(f'{mail_to(silent.getsockname()[1])}\nwebhook = "{endpoint.url}"')
            outbox.post(*(change(f"raised {n}") for n in range(20)))
            stop = threading.Event()
            sender = Sender(outbox.settings, stop, patience=QUICK._replace(step_s=2, whole_s=2))
            sender.start()
            endpoint.posts.wait_for(20)
            assert [each for each in outbox.letters.unsent() if each.channel.startswith("mail")]
            stop.set()
            sender.wake()
            sender.join(10)
            assert not sender.is_alive()
