"""Definitions by which the system runs the monitor: a unit of systemd, a task of the Windows Task Scheduler.

Both are texts only; nothing is installed. They name the interpreter, the configuration and
the folders as they are found when the definition is printed.
"""

from __future__ import annotations

import re
import shlex
import subprocess
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any

from guard.record import Record
from guard.service.refusals import NotDefinable

if TYPE_CHECKING:
    from xml.etree.ElementTree import Element

ACCOUNT = "swap-guard"

WATCHDOG_S = 180
"""Six ticks of the monitor without a sign of life."""

_HIDDEN_BY_PRIVATE_TMP = ("/tmp/", "/var/tmp/")  # noqa: S108 - nothing is written there


class Installation(Record):
    """What a definition names. ``writable`` are the folders besides the state that the monitor writes to."""

    plant: str
    interpreter: str
    config: str
    state: str
    share: str
    writable: tuple[str, ...] = ()

    def command(self) -> list[str]:
        """The words that run the monitor; -P, so that nothing is loaded from the folder it is started in."""
        return [self.interpreter, "-P", "-m", "guard", "--config", self.config, "serve"]


_UNIT = """\
# Runs the monitor under systemd. To install it, as root:
#
#   useradd --system --no-create-home --shell /usr/sbin/nologin {account}
#   install -d -o {account} -g {account} {state_word}
#   chown -R {account}: {state_word}
#   (save this text as /etc/systemd/system/swap-guard.service)
#   systemd-analyze verify /etc/systemd/system/swap-guard.service
#   systemctl daemon-reload
#   systemctl enable --now swap-guard.service
#   chmod -R g+rwXs {state_word}
#
# {account} must be able to read the share, the configuration and the interpreter; another account
# may stand below instead. Whoever calls `guard ask` by hand needs its group: usermod -aG {account} NAME
# Afterwards: systemctl status swap-guard, and journalctl -u swap-guard.
# When the configuration comes to name other folders, print and install this anew.

[Unit]
Description=Watches over the robot backups of {plant} (swap-guard)
Wants=network-online.target
After=network-online.target remote-fs.target time-sync.target
StartLimitIntervalSec=0

[Service]
Type=notify
ExecStart={command}
User={account}
Restart=on-failure
RestartSec=15s
WatchdogSec={watchdog_s}s
# A stop takes the monitor at most 5 s, in the middle of anything.
TimeoutStopSec=10s

# Least rights: all it writes to is named here.
ProtectSystem=strict
ReadWritePaths={writable}
ProtectHome=read-only
{private_tmp}
PrivateDevices=yes
NoNewPrivileges=yes
CapabilityBoundingSet=
AmbientCapabilities=
RestrictAddressFamilies=AF_UNIX AF_INET AF_INET6
RestrictNamespaces=yes
RestrictRealtime=yes
RestrictSUIDSGID=yes
LockPersonality=yes
ProtectClock=yes
ProtectHostname=yes
ProtectKernelLogs=yes
ProtectKernelModules=yes
ProtectKernelTunables=yes
ProtectControlGroups=yes
ProtectProc=invisible
RemoveIPC=yes
SystemCallArchitectures=native
SystemCallFilter=@system-service
SystemCallFilter=~@privileged
SystemCallErrorNumber=EPERM
# A dump of its memory would hold the passwords that it sends mail with.
LimitCORE=0

[Install]
WantedBy=multi-user.target
"""


def systemd_unit(found: Installation) -> str:
    """A unit for systemd. Raises NotDefinable for a path that no unit can hold."""
    paths = (found.interpreter, found.config, found.state, *found.writable)
    for path in paths:
        _make_sure_it_is_printable(path)
    if re.search(r"""["'\\$]""", found.interpreter):
        raise NotDefinable(found.interpreter, "systemd runs no program with quotes, a backslash or a $ in its path")
    first, *others = found.command()
    return _UNIT.format(
        account=ACCOUNT,
        state_word=shlex.quote(found.state),
        plant=_one_line(found.plant).replace("%", "%%"),
        command=" ".join([_word(first), *(_word(word).replace("$", "$$") for word in others)]),
        watchdog_s=WATCHDOG_S,
        writable=" ".join(map(_word, (found.state, *found.writable))),
        private_tmp=_private_tmp(paths),
    )


def _word(text: str) -> str:
    """One word as systemd.syntax(7) reads it back: quoted where needed, with no specifiers in it."""
    text = text.replace("%", "%%")
    if re.fullmatch(r"[\w./:=@%+,-]+", text, re.ASCII):
        return text
    return '"' + text.replace("\\", "\\\\").replace('"', '\\"') + '"'


def _private_tmp(paths: tuple[str, ...]) -> str:
    below = [path for path in paths if path.startswith(_HIDDEN_BY_PRIVATE_TMP)]
    return "# No PrivateTmp, which would hide what lies there." if below else "PrivateTmp=yes"


def _make_sure_it_is_printable(path: str) -> None:
    if not path.isprintable():
        raise NotDefinable(path, "there are characters in it that cannot be shown")


def _one_line(text: str) -> str:
    return "".join(sign if sign.isprintable() else "?" for sign in text)


_TASK_NOTES = """
Runs the monitor from the Windows Task Scheduler. This definition was never run on Windows: try it out.

 1. Save it as UTF-16, which schtasks wants. In PowerShell: ... | Out-File -Encoding unicode swap-guard.xml
 2. As an administrator: schtasks /Create /TN swap-guard /XML swap-guard.xml
 3. schtasks /Run /TN swap-guard

The account: S-1-5-19 (LocalService) reaches no other computer. S-1-5-20 (NetworkService) reaches the
share as this computer does, where the domain lets it. If neither may read the share, name an account
that may: add /RU ACCOUNT /RP * to step 2. It must be able to write to the state folder (icacls FOLDER
/grant "ACCOUNT:(OI)(CI)M") and to read the configuration, the interpreter and the share. Services have
no drive letters: the share must stand in the configuration by its UNC path.

It begins when the computer starts, whether anybody is logged on or not, and is started again by itself
within five minutes when it ended for any reason. To stop it for longer, disable the task.
"""
"""Without two hyphens in a row, which no comment of XML may hold."""

_TASK_NAMESPACE = "http://schemas.microsoft.com/windows/2004/02/mit/task"


_TASK_SETTINGS = (
    ("MultipleInstancesPolicy", "IgnoreNew"),
    ("DisallowStartIfOnBatteries", "false"),
    ("StopIfGoingOnBatteries", "false"),
    ("AllowHardTerminate", "true"),
    ("StartWhenAvailable", "true"),
    ("RunOnlyIfNetworkAvailable", "false"),
    ("IdleSettings", ("StopOnIdleEnd", "false"), ("RestartOnIdle", "false")),
    ("AllowStartOnDemand", "true"),
    ("Enabled", "true"),
    ("Hidden", "false"),
    ("RunOnlyIfIdle", "false"),
    ("WakeToRun", "false"),
    ("ExecutionTimeLimit", "PT0S"),  # no limit
    ("Priority", "6"),  # as an ordinary program; the default, 7, comes after all others
    ("RestartOnFailure", ("Interval", "PT1M"), ("Count", "255")),  # the least interval and the greatest count allowed
)


def windows_task(found: Installation) -> str:
    """A task for the Task Scheduler, as XML in ASCII. Raises NotDefinable for a path that no task can hold.

    In ASCII and without a word about its encoding it stays right in whatever encoding it is saved.
    """
    from xml.etree import ElementTree as ET

    for path in (found.interpreter, found.config):
        _make_sure_it_is_printable(path)
        if re.search("%[^%]+%", path):
            raise NotDefinable(path, "the Task Scheduler takes what stands between two % for a variable")
    task = ET.Element("Task", {"version": "1.2", "xmlns": _TASK_NAMESPACE})
    task.append(ET.Comment(_TASK_NOTES))
    for part in _task_parts(found):
        _add(task, part)
    for name, key in (("Principal", "id"), ("Actions", "Context")):
        for element in task.iter(name):
            element.set(key, "Monitor")
    ET.indent(task)
    text: bytes = ET.tostring(task, encoding="us-ascii", xml_declaration=False)
    return f'<?xml version="1.0"?>\n{text.decode()}\n'


def _task_parts(found: Installation) -> Iterator[_Part]:
    command, *arguments = found.command()
    account = "S-1-5-20" if found.share.startswith(("\\\\", "//")) else "S-1-5-19"
    described = f"Watches over the robot backups of {_one_line(found.plant)} (swap-guard)"
    yield ("RegistrationInfo", ("Description", described))
    yield ("Triggers", ("BootTrigger", ("Repetition", ("Interval", "PT5M"))))
    yield ("Principals", ("Principal", ("UserId", account), ("RunLevel", "LeastPrivilege")))
    yield ("Settings", *_TASK_SETTINGS)
    yield ("Actions", ("Exec", ("Command", command), ("Arguments", subprocess.list2cmdline(arguments))))


_Part = tuple[Any, ...]
"""The name of an element, then its text or the elements in it."""


def _add(above: Element, part: _Part) -> None:
    from xml.etree import ElementTree as ET

    name, *inside = part
    element = ET.SubElement(above, name)
    for each in inside:
        if isinstance(each, str):
            element.text = each
        else:
            _add(element, each)
