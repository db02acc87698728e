"""`guard service show`: definitions that the system understands as they are meant, for odd paths too."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from guard.service.definitions import Installation, systemd_unit, windows_task
from guard.service.refusals import NotDefinable
from tests.plant import Plant, Result

FOUND = Installation(
    "Ridgemoor Castings", "/opt/guard/bin/python", "/etc/guard/guard.toml", "/var/lib/guard", "/srv/robot-backups"
)
ODD = "plant 100% %n \"q\" 's' $HOME ; back\\slash ü"
"""A name with everything that a unit gives a meaning to."""


def lines(unit: str, key: str) -> list[str]:
    """The values of a key in a unit."""
    return [line.removeprefix(f"{key}=") for line in unit.splitlines() if line.startswith(f"{key}=")]


def show(plant: Plant, system: str, python: str = sys.executable) -> Result:
    """What the real command line prints, run by an interpreter of that path."""
    return plant.program(python, "-m", "guard", "service", "show", "--for", system)


@pytest.fixture
def odd(tmp_path: Path) -> tuple[Plant, str]:
    """A plant and an interpreter whose paths hold spaces, percent signs and more."""
    plant = Plant(tmp_path / ODD)
    environment = tmp_path / "python 100% %n"
    environment.symlink_to(Path(sys.executable).parent.parent)
    return plant, str(environment / "bin" / Path(sys.executable).name)


class TestSystemd:
    """The unit is checked by systemd itself, where it is there."""

    def verify(self, unit: str, folder: Path) -> tuple[int, str]:
        """What systemd-analyze says of a unit."""
        if shutil.which("systemd-analyze") is None:
            pytest.skip("this machine has no systemd-analyze")
        path = folder / "swap-guard.service"
        path.write_text(unit, encoding="utf-8")
        done = subprocess.run(
            ["systemd-analyze", "verify", "--man=no", str(path)], capture_output=True, text=True, check=False
        )
        return done.returncode, done.stdout + done.stderr

    def test_it_is_right(self, plant: Plant, tmp_path: Path) -> None:
        shown = show(plant, "systemd")
        assert (shown.code, shown.err) == (0, "")
        assert self.verify(shown.out, tmp_path) == (0, "")

    def test_it_is_right_with_odd_paths(self, odd: tuple[Plant, str], tmp_path: Path) -> None:
        shown = show(odd[0], "systemd", odd[1])
        assert (shown.code, shown.err) == (0, "")
        assert self.verify(shown.out, tmp_path) == (0, "")

    def test_systemd_would_notice_a_wrong_one(self, odd: tuple[Plant, str], tmp_path: Path) -> None:
        unit = show(odd[0], "systemd", odd[1]).out
        code, said = self.verify(unit.replace("%%", "%"), tmp_path)
        assert code != 0
        assert "is not executable" in said

    def test_systemd_reads_back_what_was_meant(self, odd: tuple[Plant, str]) -> None:
        """A user's systemd in its test mode tells the units as it understood them, in its own way of quoting."""
        plant, python = odd
        plant.configure("[warnings]\nsheets-on-share = true\n")
        told = understood(show(plant, "systemd", python).out)
        config = str(plant.config).replace("\\", "\\\\").replace('"', '\\"').replace("$", "\\$\\$")
        state, share = plant.root / "state", plant.share
        assert told["Command Line"] == f'"{python}" -P -m guard --config "{config}" serve'
        assert told["ReadWritePaths"] == f"{state} {share}"
        assert told["WatchdogSec"] == "3min"
        assert told["Type"] == "notify"

    def test_it_leaves_few_ways_out(self, tmp_path: Path) -> None:
        """By systemd's own measure of what a service could do: 0 nothing, 10 everything; up to 2 is its best class but one."""
        code, said = self.verify(systemd_unit(FOUND), tmp_path)
        assert said == "" or "not executable" in said, code
        done = subprocess.run(
            ["systemd-analyze", "security", "--offline=true", "--threshold=20", str(tmp_path / "swap-guard.service")],
            capture_output=True,
            text=True,
            check=False,
        )
        if "unrecognized option" in done.stderr:
            pytest.skip("this systemd measures no files")
        assert done.returncode == 0, done.stdout + done.stderr

    @pytest.mark.parametrize(
        ("key", "value"),
        [
            ("Type", "notify"),
            ("WatchdogSec", "180s"),
            ("Restart", "on-failure"),
            ("TimeoutStopSec", "10s"),
            ("ProtectSystem", "strict"),
            ("ProtectHome", "read-only"),
            ("NoNewPrivileges", "yes"),
            ("PrivateTmp", "yes"),
            ("CapabilityBoundingSet", ""),
            ("RestrictAddressFamilies", "AF_UNIX AF_INET AF_INET6"),
            ("ReadWritePaths", "/var/lib/guard"),
            ("ExecStart", "/opt/guard/bin/python -P -m guard --config /etc/guard/guard.toml serve"),
        ],
    )
    def test_what_it_promises(self, key: str, value: str) -> None:
        assert lines(systemd_unit(FOUND), key) == [value]

    def test_the_share_is_written_to_only_where_sheets_go_there(self, plant: Plant) -> None:
        state, share = str(plant.root / "state"), str(plant.share)
        assert lines(show(plant, "systemd").out, "ReadWritePaths") == [state]
        plant.configure("[warnings]\nsheets-on-share = true\n")
        assert lines(show(plant, "systemd").out, "ReadWritePaths") == [f"{state} {share}"]

    @pytest.mark.parametrize("field", ["interpreter", "config", "state"])
    def test_nothing_that_it_needs_is_hidden(self, field: str) -> None:
        unit = systemd_unit(FOUND._replace(**{field: f"/tmp/trial/{field}"}))  # noqa: S108 - nothing is written there
        assert lines(unit, "PrivateTmp") == []

    def test_a_plants_name_breaks_out_of_nothing(self) -> None:
        unit = systemd_unit(FOUND._replace(plant="100%n\n[Service]\nExecStart=/bin/sh\\"))
        assert lines(unit, "Description") == [
            "Watches over the robot backups of 100%%n?[Service]?ExecStart=/bin/sh\\ (swap-guard)"
        ]
        assert len(lines(unit, "ExecStart")) == 1

    @pytest.mark.parametrize(
        ("field", "path"),
        [
            pytest.param("config", "/etc/a\nExecStart=/bin/sh", id="a line break"),
            pytest.param("state", "/var/lib/\x1b[2J", id="a terminal escape"),
            pytest.param("state", "/var/lib/caf\udce9", id="a byte that is no text"),
            pytest.param("interpreter", "/opt/$HOME/python", id="a program with a $"),
            pytest.param("interpreter", '/opt/"x"/python', id="a program with quotes"),
            pytest.param("interpreter", "/opt/x\\y/python", id="a program with a backslash"),
        ],
    )
    def test_what_a_unit_cannot_hold_is_refused(self, field: str, path: str) -> None:
        with pytest.raises(NotDefinable) as refused:
            systemd_unit(FOUND._replace(**{field: path}))
        assert refused.value.path == path
        assert refused.value.exit_code == 2

    def test_nothing_is_written(self, plant: Plant) -> None:
        before = sorted(plant.root.rglob("*"))
        show(plant, "systemd")
        show(plant, "windows")
        assert sorted(plant.root.rglob("*")) == before


def understood(unit: str) -> dict[str, str]:
    """What a systemd in its test mode understood of a unit. It starts nothing, and does not run as root."""
    systemd = next(filter(os.path.exists, ("/lib/systemd/systemd", "/usr/lib/systemd/systemd")), None)
    if systemd is None:
        pytest.skip("this machine has no systemd")
    as_nobody = ("setpriv", "--reuid=65534", "--clear-groups") if os.geteuid() == 0 else ()
    if as_nobody and shutil.which("setpriv") is None:
        pytest.skip("it does not run as root, and without setpriv there is nobody else")
    with tempfile.TemporaryDirectory() as folder:
        Path(folder).chmod(0o777)
        (Path(folder) / "swap-guard.service").write_text(unit, encoding="utf-8")
        done = subprocess.run(
            [*as_nobody, systemd, "--user", "--test", "--unit=swap-guard.service"],
            env={"XDG_RUNTIME_DIR": folder, "HOME": folder, "SYSTEMD_UNIT_PATH": f"{folder}:", "LC_ALL": "C.UTF-8"},
            capture_output=True,
            encoding="utf-8",
            check=False,
            stdin=subprocess.DEVNULL,
        )
    told = (done.stdout + done.stderr).partition("-> Unit swap-guard.service:")[2].partition("-> Unit ")[0]
    if not told:
        pytest.skip(f"this systemd has no test mode: {done.stderr[-200:]}")
    return dict(re.findall(r"^\s+([\w ]+): (.*)$", told, re.MULTILINE))


NS = "{http://schemas.microsoft.com/windows/2004/02/mit/task}"

# The order in which the Task Scheduler itself writes the elements, by the schema published as
# "Task Scheduler Schema" and in [MS-TSCH] section 2.5. From memory: it was not compared with either.
ORDER = {
    "Task": ["RegistrationInfo", "Triggers", "Principals", "Settings", "Data", "Actions"],
    "RegistrationInfo": ["Date", "Author", "Version", "Description", "URI", "SecurityDescriptor", "Source", "Documentation"],
    "BootTrigger": ["Repetition", "StartBoundary", "EndBoundary", "ExecutionTimeLimit", "Enabled", "Delay"],
    "Repetition": ["Interval", "Duration", "StopAtDurationEnd"],
    "Principal": ["UserId", "LogonType", "GroupId", "DisplayName", "RunLevel"],
    "Settings": [
        "MultipleInstancesPolicy", "DisallowStartIfOnBatteries", "StopIfGoingOnBatteries", "AllowHardTerminate",
        "StartWhenAvailable", "RunOnlyIfNetworkAvailable", "IdleSettings", "AllowStartOnDemand", "Enabled", "Hidden",
        "RunOnlyIfIdle", "WakeToRun", "ExecutionTimeLimit", "Priority", "RestartOnFailure",
    ],
    "IdleSettings": ["Duration", "WaitTimeout", "StopOnIdleEnd", "RestartOnIdle"],
    "RestartOnFailure": ["Interval", "Count"],
    "Triggers": ["BootTrigger"],
    "Principals": ["Principal"],
    "Actions": ["Exec"],
    "Exec": ["Command", "Arguments", "WorkingDirectory"],
}  # fmt: skip

ON_WINDOWS = Installation(
    "Rädge & <mill>",
    "C:\\Program Files\\Wächter & Co\\python.exe",
    'D:\\plant "one" 100%\\guard.toml',
    "D:\\plant one\\state",
    "\\\\server\\robot backups",
)


def task(found: Installation = ON_WINDOWS) -> ET.Element:
    return ET.fromstring(windows_task(found))  # noqa: S314 - it is our own


def text(element: ET.Element, path: str) -> str | None:
    return element.findtext("/".join(NS + name for name in path.split("/")))


class TestWindows:
    """The task is XML of the published schema, as far as that can be told here. It was never run on Windows."""

    def test_every_element_is_known_and_in_its_place(self) -> None:
        for element in task().iter():
            if not isinstance(element.tag, str) or not len(element):
                continue
            order = ORDER[element.tag.removeprefix(NS)]
            places = [order.index(str(child.tag).removeprefix(NS)) for child in element]
            assert places == sorted(set(places)), element.tag

    @pytest.mark.parametrize(
        ("path", "value"),
        [
            ("Triggers/BootTrigger/Repetition/Interval", "PT5M"),
            ("Settings/RestartOnFailure/Interval", "PT1M"),
            ("Settings/RestartOnFailure/Count", "255"),
            ("Settings/ExecutionTimeLimit", "PT0S"),
            ("Settings/MultipleInstancesPolicy", "IgnoreNew"),
            ("Settings/StopIfGoingOnBatteries", "false"),
            ("Principals/Principal/RunLevel", "LeastPrivilege"),
            ("RegistrationInfo/Description", "Watches over the robot backups of Rädge & <mill> (swap-guard)"),
            ("Actions/Exec/Command", "C:\\Program Files\\Wächter & Co\\python.exe"),
            ("Actions/Exec/Arguments", '-P -m guard --config "D:\\plant \\"one\\" 100%\\guard.toml" serve'),
        ],
    )
    def test_what_it_promises(self, path: str, value: str) -> None:
        assert text(task(), path) == value

    def test_its_account_reaches_the_share(self) -> None:
        assert text(task(), "Principals/Principal/UserId") == "S-1-5-20"
        assert text(task(ON_WINDOWS._replace(share="D:\\backups")), "Principals/Principal/UserId") == "S-1-5-19"

    def test_it_can_be_saved_in_any_encoding(self) -> None:
        shown = windows_task(ON_WINDOWS)
        assert shown.isascii()
        assert "encoding" not in shown.splitlines()[0]
        for raw in (shown.encode("utf-16"), shown.encode("ascii")):
            assert text(ET.fromstring(raw), "Actions/Exec/Command") == ON_WINDOWS.interpreter  # noqa: S314 - it is our own

    def test_the_command_line_prints_it_and_says_what_it_is_worth(self, plant: Plant) -> None:
        shown = show(plant, "windows")
        assert (shown.code, shown.err) == (0, "")
        assert text(ET.fromstring(shown.raw), "Actions/Exec/Command") == sys.executable  # noqa: S314 - it is our own
        assert "was never run on Windows" in shown.out
        assert "Out-File -Encoding unicode" in shown.out

    @pytest.mark.parametrize(
        ("field", "path"),
        [
            pytest.param("config", "D:\\%TEMP%\\guard.toml", id="a variable"),
            pytest.param("interpreter", "C:\\x\ny\\python.exe", id="a line break"),
            pytest.param("config", "D:\\\x01\\guard.toml", id="a sign that XML cannot hold"),
        ],
    )
    def test_what_a_task_cannot_hold_is_refused(self, field: str, path: str) -> None:
        with pytest.raises(NotDefinable):
            windows_task(ON_WINDOWS._replace(**{field: path}))

    def test_a_plants_name_that_xml_cannot_hold_is_shown_without(self) -> None:
        found = text(task(ON_WINDOWS._replace(plant="a\x00b\x1bc\ud800")), "RegistrationInfo/Description")
        assert found == "Watches over the robot backups of a?b?c? (swap-guard)"


@pytest.mark.parametrize(
    "words",
    [
        pytest.param((), id="no verb"),
        pytest.param(("show",), id="for no system"),
        pytest.param(("show", "--for", "launchd"), id="for another system"),
        pytest.param(("install", "--for", "systemd"), id="another verb"),
    ],
)
def test_a_wrong_call_is_refused_with_the_way_to_help(plant: Plant, words: tuple[str, ...]) -> None:
    done = plant.run("service", *words)
    assert (done.code, done.out) == (2, "")
    assert "--help" in done.err


def test_without_a_configuration_there_is_no_definition(plant: Plant) -> None:
    done = plant.run("service", "show", "--for", "systemd", env={"GUARD_CONFIG": "/nowhere/guard.toml"})
    assert (done.code, done.out) == (2, "")
