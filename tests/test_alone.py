"""One monitor for each state folder, and what the monitor tells the service manager."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import UTC, datetime
from pathlib import Path

import pytest

from guard.errors import StateUnusable
from guard.service.alone import alone
from guard.service.readiness import notify
from guard.service.refusals import AlreadyServing
from tests.plant import as_ordinary_user

NOW = datetime(2026, 11, 25, 8, tzinfo=UTC)

SERVE = """
import sys
from datetime import UTC, datetime
from guard.errors import GuardError
from guard.service.alone import alone
try:
    with alone(sys.argv[1], datetime(2026, 11, 25, 7, 30, 0, 5, tzinfo=UTC)):
        print("serving", flush=True)
        sys.stdin.read()
except GuardError as refusal:
    print(refusal, flush=True)
    sys.exit(refusal.exit_code)
"""


@contextmanager
def other(state: Path) -> Iterator[tuple[subprocess.Popen[str], str]]:
    """Another process that wants to serve the folder, and the first line that it says."""
    with subprocess.Popen(
        [*as_ordinary_user(), sys.executable, "-c", SERVE, str(state)],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
    ) as process:
        assert process.stdout
        try:
            yield process, process.stdout.readline().strip()
        finally:
            process.kill()


class TestAlone:
    """There is never a second monitor, and nothing that is left over keeps the first one from beginning."""

    def test_a_second_one_is_refused_and_told_who_the_first_is(self, tmp_path: Path) -> None:
        with other(tmp_path) as (first, said):
            assert said == "serving"
            with pytest.raises(AlreadyServing) as refused, alone(str(tmp_path), NOW):
                pass
        refusal = refused.value
        assert (refusal.pid, refusal.host, refusal.since) == (first.pid, socket.gethostname(), "2026-11-25T07:30:00Z")
        assert refusal.exit_code == 1
        assert str(refusal) == (
            f"Process {first.pid} on {socket.gethostname()} already serves this state folder since 2026-11-25T07:30:00Z:"
            f" it holds {tmp_path / 'serving.lock'}. Two at once would do everything twice. Leave the first one"
            " running, or stop it before this one starts."
        )

    def test_a_refused_one_leaves_the_first_as_it_is(self, tmp_path: Path) -> None:
        with alone(str(tmp_path), NOW):
            for _ in range(2):
                with other(tmp_path) as (second, said):
                    assert second.wait(60) == 1
                assert said.startswith(f"Process {os.getpid()} on ")

    def test_not_even_twice_in_one_process(self, tmp_path: Path) -> None:
        with alone(str(tmp_path), NOW), pytest.raises(AlreadyServing), alone(str(tmp_path), NOW):
            pass

    def test_after_kill_9_the_next_one_begins_at_once(self, tmp_path: Path) -> None:
        with other(tmp_path) as (first, said):
            assert said == "serving"
            first.send_signal(signal.SIGKILL)
            first.wait(60)
        assert (tmp_path / "serving.lock").read_text().startswith(f"{first.pid}\n")
        with alone(str(tmp_path), NOW):
            assert (
                tmp_path / "serving.lock"
            ).read_text() == f"{os.getpid()}\n{socket.gethostname()}\n2026-11-25T08:00:00Z\n"

    def test_after_its_end_the_next_one_begins(self, tmp_path: Path) -> None:
        for _ in range(2):
            with alone(str(tmp_path), NOW):
                pass

    def test_a_program_that_the_monitor_started_holds_no_lock(self, tmp_path: Path) -> None:
        with alone(str(tmp_path), NOW):
            left = subprocess.Popen([sys.executable, "-c", "input()"], stdin=subprocess.PIPE)
        try:
            with alone(str(tmp_path), NOW):
                pass
        finally:
            left.communicate(b"\n")

    @pytest.mark.parametrize(
        "content", ["", "7", "x\ny\nz\n", "\0" * 300, "9" * 5000], ids=["empty", "a number", "words", "zeros", "long"]
    )
    def test_whatever_the_file_holds_the_second_is_refused(self, tmp_path: Path, content: str) -> None:
        with alone(str(tmp_path), NOW):
            (tmp_path / "serving.lock").write_text(content)
            with pytest.raises(AlreadyServing) as refused, alone(str(tmp_path), NOW):
                pass
        assert str(refused.value).startswith("Another monitor already serves this state folder: it holds ")

    def test_a_folder_that_allows_no_file_is_named(self, tmp_path: Path) -> None:
        tmp_path.chmod(0o555)
        try:
            with other(tmp_path) as (process, said):
                assert process.wait(60) == 1
        finally:
            tmp_path.chmod(0o755)
        assert said.startswith(f"{tmp_path / 'serving.lock'} cannot be used: Permission denied. Make it writable")

    def test_a_state_folder_that_is_no_folder_is_named(self, tmp_path: Path) -> None:
        (tmp_path / "state").write_text("")
        with pytest.raises(StateUnusable), alone(str(tmp_path / "state"), NOW):
            pass


@contextmanager
def manager(address: str) -> Iterator[socket.socket]:
    """A service manager's end of the socket."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as here:
        here.settimeout(10)
        here.bind(address)
        yield here


class TestReadiness:
    """sd_notify(3): one datagram to the socket in $NOTIFY_SOCKET."""

    def test_a_path_gets_one_datagram(self, tmp_path: Path) -> None:
        address = str(tmp_path / "notify")
        with manager(address) as here:
            assert notify("READY=1", "STATUS=2 arms\nSTOPPING=1", environ={"NOTIFY_SOCKET": address})
            assert here.recv(4096) == b"READY=1\nSTATUS=2 arms STOPPING=1"

    def test_an_abstract_socket_gets_it_too(self) -> None:
        name = f"guard-test-{os.getpid()}"
        with manager(f"\0{name}") as here:
            assert notify("WATCHDOG=1", environ={"NOTIFY_SOCKET": f"@{name}"})
            assert here.recv(4096) == b"WATCHDOG=1"

    @pytest.mark.parametrize(
        "environ",
        [
            pytest.param({}, id="nobody asks"),
            pytest.param({"NOTIFY_SOCKET": ""}, id="empty"),
            pytest.param({"NOTIFY_SOCKET": "notify"}, id="a relative path"),
            pytest.param({"NOTIFY_SOCKET": "vsock:2:1234"}, id="another kind of socket"),
            pytest.param({"NOTIFY_SOCKET": "/nowhere/notify"}, id="the manager is gone"),
            pytest.param({"NOTIFY_SOCKET": "/" + "x" * 200}, id="longer than an address can be"),
        ],
    )
    def test_otherwise_it_is_silent(self, environ: dict[str, str]) -> None:
        assert not notify("READY=1", environ=environ)

    def test_a_manager_that_reads_no_more_holds_nothing_up(self, tmp_path: Path) -> None:
        address = str(tmp_path / "notify")
        with manager(address):
            sent = [notify("WATCHDOG=1", environ={"NOTIFY_SOCKET": address})]
            while sent[-1]:
                assert len(sent) < 10_000
                sent.append(notify("WATCHDOG=1", environ={"NOTIFY_SOCKET": address}))
