"""A folder shared by SMB on loopback and mounted again, with a server that can die and return."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.faults.daemon import until
from tests.faults.machine import may_mount, needs, run


class FileServer:
    """An SMB server on loopback that can die and return, and a mount of its share."""

    PORT = 445

    def __init__(self, root: Path, shared: Path) -> None:
        needs("smbd", "smbnetfs")
        may_mount()
        with socket.socket() as probe:
            if probe.connect_ex(("127.0.0.1", self.PORT)) == 0:
                pytest.skip("an SMB server runs here already")
        self.at = root / "mnt"
        self.share = self.at / "127.0.0.1" / "backups"
        self.processes: dict[str, subprocess.Popen[bytes]] = {}
        self.root = root
        for folder in ("mnt", "run", "home/.smb"):
            (root / folder).mkdir(parents=True)
        kept = "".join(f"{kind} = {root}/run\n" for kind in ("private dir", "lock directory", "state directory"))
        kept += "".join(f"{kind} = {root}/run\n" for kind in ("cache directory", "pid directory", "ncalrpc dir"))
        (root / "smb.conf").write_text(
            "[global]\nserver role = standalone server\ninterfaces = 127.0.0.1\nbind interfaces only = yes\n"
            f"smb ports = {self.PORT}\ndisable netbios = yes\nmap to guest = Bad User\nguest account = root\n"
            f"load printers = no\nprintcap name = /dev/null\nlog file = {root}/run/log\n{kept}"
            f"[backups]\npath = {shared}\nguest ok = yes\nforce user = root\nread only = no\n"
        )
        mine = root / "home/.smb"
        (mine / "smb.conf").write_text("[global]\ndisable netbios = yes\nname resolve order = host\n")
        (mine / "smbnetfs.conf").write_text('auth "root" ""\n')
        for file in mine.iterdir():
            file.chmod(0o600)

    def serve(self) -> None:
        """Start the server."""
        self._start("server", "smbd", "-F", "-s", str(self.root / "smb.conf"), "--no-process-group")
        until("the server answers", self._answers)

    def mount(self) -> None:
        """Mount its share."""
        config = f"config={self.root}/home/.smb/smbnetfs.conf"
        self._start("client", "smbnetfs", "-f", str(self.at), "-o", config)
        until("the share is mounted", self.share.is_dir)

    def die(self, which: str = "server") -> None:
        """End the server at once, with all that it has started."""
        process = self.processes.pop(which)
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()

    def _start(self, which: str, *command: str) -> None:
        self.processes[which] = subprocess.Popen(
            command,
            env={**os.environ, "HOME": str(self.root / "home")},
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
            start_new_session=True,
        )

    def _answers(self) -> bool:
        with socket.socket() as probe:
            return probe.connect_ex(("127.0.0.1", self.PORT)) == 0


@contextmanager
def file_server(root: Path, shared: Path) -> Iterator[FileServer]:
    """A folder shared by SMB and mounted, for the length of a test."""
    server = FileServer(root, shared)
    try:
        server.serve()
        server.mount()
        yield server
    finally:
        if os.path.ismount(server.at):
            run("umount", "--lazy", server.at)
        for which in list(server.processes):
            server.die(which)
