"""Every command in README.md does what it is there for: all are run, in their order, as one story of an invented plant."""

from __future__ import annotations

import re
import shlex
import subprocess
import sys
from datetime import timedelta
from pathlib import Path
from xml.etree import ElementTree as ET

import pytest

from guard.cli.main import COMMANDS
from guard.clock import now
from tests import picture
from tests.calendars import calendar, entry
from tests.faults.daemon import Daemon
from tests.plant import Plant
from tests.terminal import ON_POSIX, Terminal

pytestmark = ON_POSIX  # the commands are those of a POSIX shell

ROOT = Path(__file__).parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")

DEMO = "python3 -m venv .venv && .venv/bin/python -m pip install --quiet . && .venv/bin/guard demo"
TESTS = (
    'python3 -m venv .venv-test && .venv-test/bin/python -m pip install --quiet ".[test]"'
    " && .venv-test/bin/python -m pytest -n auto --cov"
)
FINGERPRINT = r"cd SET && find . -type f -printf '%P\0' | LC_ALL=C sort -z | xargs -0 sha256sum | sha256sum"


def commands() -> list[str]:
    """What stands in the shell blocks, and each `guard …` in the text, in their order."""
    found = re.finditer(r"^```sh\n(?P<block>.*?)^```$|(?<!`)`(?P<span>guard [^`]+)`", README, re.DOTALL | re.MULTILINE)
    return [line for each in found for line in (each["block"] or each["span"]).splitlines()]


ELSEWHERE = {DEMO, TESTS, FINGERPRINT}
"""Checked by tests of their own below."""

ASKING = ("guard init", "guard swap begin", "guard keep apply", "guard keep undo", "guard keep purge")
"""Ask on a terminal, and want --yes where there is none, as here."""

JUDGING = ("guard ask", "guard fleet", "guard visit", "guard campaign", "guard swap show")
"""Their exit code is a verdict; any other command must end with 0."""
VERDICTS = {0, 10, 20, 30}

TO_THE_SECOND = 'layout = ["{arm}/{any}"]'
"""Without stamps in their names, which are cut to the minute, a set may be saved in the minute of the change."""

SHELL = f'guard() {{ {shlex.quote(sys.executable)} -m guard "$@"; }}\n'


class Story:
    """A plant whose engineer does what README.md says, from the share as it was found to a changed cell."""

    def __init__(self, root: Path) -> None:
        self.plant = Plant(root)
        self.plant.config.unlink()
        self.sets = [self.plant.save("arm-07", timedelta(days=days)) for days in (5, 3)]
        for hours in (6, 1000, 1002, 1004):
            self.sets.append(self.plant.save("arm-09", timedelta(hours=hours)))
        self.plant.save("arm-07")
        (root / "usb").mkdir()
        holiday = entry(f"DTSTART:{now() + timedelta(days=60):%Y%m%dT%H%M%SZ}", "DURATION:PT8H")
        (root / "plan.ics").write_bytes(calendar(holiday))
        self.places = {
            "SHARE": "share",
            "SET SET": shlex.join(self.sets[:2]),
            "SET": self.sets[1],
            "NAME": "'L. Brandt'",
            "TEXT": "'planned for next week'",
            "FILE": "sheet.html",
            "/media/usb": "usb",
            "COMMAND": "visit",
            "2026-12-21 06:00": f"{now() + timedelta(days=26):%Y-%m-%d} 06:00",
            "2026-08": f"{now() - timedelta(days=90):%Y-%m}",
        }

    def tell(self, command: str) -> str:
        """Run one command as it would be typed; returns what is wrong with it, or nothing."""
        typed = re.sub("|".join(map(re.escape, self.places)), lambda place: self.places[place[0]], command)
        if command == "guard serve":
            with Daemon(self.plant):
                return ""
        if command.endswith(" --run"):
            return self._walk(shlex.split(typed)[1:])
        if command.startswith(ASKING):
            typed += " --yes"
        done = self.plant.program("bash", "-c", SHELL + typed, env={"GUARD_CONFIG": ""})
        good = VERDICTS if command.startswith(JUDGING) else {0}
        self._go_on(command)
        return "" if done.code in good else f"{typed}: {done}"

    def _walk(self, words: list[str]) -> str:
        """Begin a visit on a terminal and leave it at its first step; a copy of the plant keeps it from the others."""
        with Terminal(self.plant.copy(self.plant.root.with_name("visited")), *words) as terminal:
            terminal.until(r"Begin a visit")
            terminal.type("y\n")
            terminal.until(r"leave: ")
            terminal.type("leave\n")
            return "" if terminal.wait() in VERDICTS else terminal.plain()

    def _go_on(self, command: str) -> None:
        """What happens in the plant after a command."""
        if command.startswith("guard init"):  # the file is read through and put right
            assert self.plant.config.is_file()
            self.plant.configure('[proof]\nrestore-test-within = "400d"\n', share=TO_THE_SECOND)
        if command.startswith("guard swap end"):
            self.plant.save("arm-07", timedelta(0))


def test_no_command_is_left_out() -> None:
    told = {name for command in commands() for name in re.findall(r"\bguard ([a-z-]+)", command)}

    assert told >= COMMANDS.keys()


def test_every_command_works(tmp_path: Path) -> None:
    story = Story(tmp_path / "plant")

    assert [wrong for command in commands() if command not in ELSEWHERE and (wrong := story.tell(command))] == []
    assert story.plant.run("swap", "show", "arm-07", "--json").json["state"] == "none", "the changed cell is proven"


@pytest.mark.parametrize(
    ("right", "wrong"),
    [
        pytest.param("guard prove --due", "guard prove --dew", id="option"),
        pytest.param("guard keep plan", "guard keep plans", id="verb"),
        pytest.param("guard fleet", "guard fleets", id="command"),
        pytest.param("guard ask how long has arm 7 got", "guard ask how long has arm 8 got", id="arm"),
        pytest.param("guard explain stale-backup", "guard explain old-backup", id="code"),
    ],
)
def test_a_wrong_command_would_be_found(tmp_path: Path, right: str, wrong: str) -> None:
    story = Story(tmp_path / "plant")
    for first in ("guard init --share SHARE", "guard look"):
        assert story.tell(first) == ""

    assert right in commands()
    assert (story.tell(right), story.tell(wrong).partition("\n")[0]) == ("", f"{wrong}: exit 2")


def test_the_installing_commands_are_those_that_are_run(tmp_path: Path) -> None:
    """What the pipeline runs is README's own line; its parts are tried here against this checkout."""
    (line,) = re.findall(r"^command=\$\((.*)\)$", (ROOT / ".ci" / "run").read_text(encoding="utf-8"), re.MULTILINE)
    assert subprocess.check_output(["bash", "-c", line], cwd=ROOT, text=True).strip() == TESTS
    assert [command for command in commands() if "venv" in command] == [DEMO, TESTS]

    begun = [sys.executable, *DEMO.partition(" && ")[0].split()[1:]]
    subprocess.run([*begun, "--without-pip"], cwd=tmp_path, check=True)  # which takes most of the time
    assert (tmp_path / ".venv" / "bin" / "python").exists()
    options = shlex.split(TESTS)[-3:]
    known = [sys.executable, "-m", "pytest", *options, "--markers"]  # refuses options that it does not know
    assert subprocess.run(known, cwd=tmp_path, capture_output=True, check=False).returncode == 0


def test_the_fingerprint_can_be_checked_without_this_tool(tmp_path: Path) -> None:
    story = Story(tmp_path / "plant")
    for first in ("guard init --share SHARE", "guard look"):
        assert story.tell(first) == ""
    newest = story.plant.sets()[-1]

    typed = FINGERPRINT.replace("SET", shlex.quote(str(story.plant.share / newest["path"])))
    assert FINGERPRINT in commands()
    assert story.plant.program("bash", "-c", typed).out.split()[0] == newest["fingerprint"]


def test_the_picture_is_of_this_demo_and_asks_for_nothing() -> None:
    text = picture.PICTURE.read_text(encoding="utf-8")
    (linked,) = re.findall(r"^!\[.+\]\((.*)\)$", README, re.MULTILINE)

    assert (ROOT / linked).samefile(picture.PICTURE)
    assert _words(text) == _words(picture.drawn(picture.demo()))
    assert re.findall(r"\w+://[^\"]*", text) == ["http://www.w3.org/2000/svg"]
    assert not re.search(r"<script|href|\bon\w+=|@import|/tmp", text)


def _words(svg: str) -> list[str]:
    """The words of a picture, without days and spans of time, which pass."""
    told = " ".join(ET.fromstring(svg).itertext())  # noqa: S314 - what is read is our own
    return re.findall("[A-Za-z-]{4,}", told.replace("\N{NO-BREAK SPACE}", " "))


def test_every_module_has_its_place_in_the_map_of_the_rooms() -> None:
    told = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    rows = re.findall(r"^(\S.*?)  +((?:.*\n)+?)(?=\S|\Z)", told.split("```")[1], re.MULTILINE)
    written = {place.removeprefix("guard/").strip("/"): set(re.findall(r"\w+", text)) for place, text in rows}
    rooms = {path.parent.name for path in (ROOT / "guard").glob("*/__init__.py")}
    beside = set().union(*(names for place, names in written.items() if place not in rooms))

    assert written.keys() >= rooms
    for path in (ROOT / "guard").glob("*/[!_]*.py"):
        assert path.stem in written[path.parent.name], path
    for path in (ROOT / "guard").glob("[!_]*.py"):
        assert path.stem in beside, path
