"""An invented plant on disk for tests: a share with backup sets, a configuration, and the real command line."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from copy import copy
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from guard.clock import now

ZONE = "Europe/Berlin"
IMAGE_BYTES = 64 << 10

PLANT = f"""
[plant]
name = "Ridgemoor Castings"
timezone = "{ZONE}"
"""

RECIPE = """
[recipes.standard]
volatile = ["history/**"]
identity = { file = "settings.toml", pattern = 'serial = "(?P<serial>[^"]+)"' }
[recipes.standard.parts.programs]
files = ["programs/**"]
at-least = 1
[recipes.standard.parts.axis-zero]
files = ["axis-zero.csv"]
checks = { min-size = "16 B", text = "utf-8", not-blank = true }
[recipes.standard.parts.image]
files = ["memory.bin"]
checks = { min-size = "64 KiB", not-blank = true }
"""


def content(arm: str, note: str = "") -> dict[str, bytes]:
    """The files of one complete set of an arm; ``note`` makes the volatile part of each save its own."""
    seed = arm.encode()
    return {
        "programs/main.txt": b"move to rest\nopen gripper\n" + seed,
        "programs/weld.txt": b"move to seam\nclose gripper\n" + seed,
        "axis-zero.csv": b"axis,count\n1,10452\n2,-883\n" + seed + b"\n",
        "memory.bin": bytes(range(256)) * (IMAGE_BYTES // 256) + seed,
        "settings.toml": f'serial = "{serial(arm)}"\n'.encode(),
        "history/log.txt": f"saved {note}\n".encode(),
    }


YOUNG_CELLS = " ".join(
    f"""[
    {{ type = "memory-cell", installed = {now().date() - timedelta(days=30)} }},
    {{ type = "position-cell", installed = {now().date() - timedelta(days=30)} }},
]""".split()
)
"""What each arm of the plant has: cells that give no cause for a finding."""


def serial(arm: str) -> str:
    """The serial number of an arm of the plant."""
    return f"RC-{arm[-2:]}71"


WITHOUT_DATA_FRAMES = "import sys; sys.modules.update(pandas=None, numpy=None); from guard.cli.main import run; run()"
"""sqlite-utils loads what only these tests need where it finds it, and making a database takes five times as long."""


class Result:
    """What one call of the command line gave."""

    def __init__(self, done: subprocess.CompletedProcess[bytes]) -> None:
        self.code = done.returncode
        self.raw = done.stdout
        self.out = done.stdout.decode("utf-8", "backslashreplace")
        self.err = done.stderr.decode("utf-8", "backslashreplace")

    @property
    def json(self) -> Any:
        return json.loads(self.raw)

    @property
    def answer(self) -> Any:
        """The one answer of an `ask --json`."""
        (answer,) = self.json["answers"]
        return answer

    @property
    def codes(self) -> set[str]:
        """The finding codes of the one answer."""
        return {found["code"] for found in self.answer["findings"]}

    def __repr__(self) -> str:
        return f"exit {self.code}\n{self.out}\n{self.err}"


class Plant:
    """A share, its configuration and the state, below one folder."""

    def __init__(self, root: Path, arms: tuple[str, ...] = ("arm-07", "arm-09"), extra: str = "") -> None:
        self.root = root
        self.share = root / "share"
        self.share.mkdir(parents=True)
        self.arms = arms
        self.cells = YOUNG_CELLS
        self.config = root / "guard.toml"
        self.configure(extra)

    def configure(self, extra: str = "", share: str = "", recipe: str = RECIPE) -> None:
        """Write the configuration anew; ``share`` adds keys to [share], ``extra`` adds tables."""
        arms = "".join(
            f'[[arms]]\nid = "{arm}"\narea = "finishing"\nserial = "{serial(arm)}"\ncells = {self.cells}\n'
            for arm in self.arms
        )
        table = f'[share]\npath = "share"\nsettle = "0s"\n{share}\n'
        if "[proof]" not in extra:
            extra += '\n[proof]\nrestore-test-within = "off"\n'
        self.config.write_text(PLANT + table + recipe + extra + arms, encoding="utf-8")

    def copy(self, root: Path) -> Plant:
        """The same plant once more in another folder, with all that the tool has learnt of it."""
        shutil.copytree(self.root, root, symlinks=True)
        twin = copy(self)
        twin.root, twin.share, twin.config = root, root / "share", root / "guard.toml"
        return twin

    def save(
        self,
        arm: str,
        age: timedelta = timedelta(hours=6),
        *,
        files: dict[str, bytes] | None = None,
        name: str | None = None,
        place: Path | None = None,
    ) -> str:
        """Save a backup set of that age; returns its path below the share."""
        taken = now() - age
        path = f"{arm}/{name or stamp(taken)}"
        folder = (place or self.share) / path
        for file, data in (content(arm, taken.isoformat()) if files is None else files).items():
            where = folder / file
            where.parent.mkdir(parents=True, exist_ok=True)
            where.write_bytes(data)
        touch(folder, taken)
        return path

    def run(
        self,
        *words: str,
        env: dict[str, str] | None = None,
        cwd: Path | None = None,
        before: tuple[str, ...] = (),
    ) -> Result:
        """Call the real command line in a process of its own; ``before`` stands in front of the command."""
        result = self.program(*before, sys.executable, "-m", "guard", *words, env=env, cwd=cwd)
        assert "Traceback" not in result.err, result.err
        return result

    def program(self, *words: str, env: dict[str, str] | None = None, cwd: Path | None = None) -> Result:
        """Run any program beside the configuration."""
        done = subprocess.run(
            words,
            capture_output=True,
            cwd=cwd or self.root,
            env={**os.environ, "GUARD_CONFIG": str(self.config), **(env or {})},
            stdin=subprocess.DEVNULL,
            timeout=120,
            check=False,
        )
        return Result(done)

    def init(self) -> None:
        """Give the share its marker, and make the databases."""
        words = ("init", str(self.root), "--share", str(self.share), "--yes")
        done = self.program(sys.executable, "-c", WITHOUT_DATA_FRAMES, *words)
        assert (done.code, "Traceback" in done.err) == (0, False), done

    def look(self, *words: str) -> Result:
        """One pass over the share."""
        done = self.run("look", *words)
        assert done.code == 0, done
        return done

    def prove(self) -> None:
        """Read back all that is due."""
        self.run("prove", "--due")

    def ready(self) -> None:
        """Marker, look, read-back: as a plant is when it is looked after."""
        self.init()
        self.look()
        self.prove()

    def ask(self, arm: str = "arm-07", action: str = "power-down", *words: str) -> Result:
        """The answer about one arm, as JSON."""
        return self.run("ask", "--arm", arm, "--action", action, "--json", *words)

    def sets(self, arm: str = "arm-07") -> list[dict[str, Any]]:
        """The sets of an arm, oldest first."""
        found: list[dict[str, Any]] = self.run("sets", arm, "--json").json["sets"]
        return found


def as_ordinary_user() -> tuple[str, ...]:
    """What to put before a command so that the modes of files apply to it, which they do not to root."""
    if os.geteuid() != 0:
        return ()
    if shutil.which("setpriv") is None:
        pytest.skip("root reads everything, and without setpriv it cannot be kept from it")
    without = "-dac_override,-dac_read_search"
    return ("setpriv", "--bounding-set", without, "--inh-caps", without)


def stamp(moment: datetime) -> str:
    """The name of a set saved at that moment, in the plant's zone."""
    from zoneinfo import ZoneInfo

    return moment.astimezone(ZoneInfo(ZONE)).strftime("%Y-%m-%d_%H%M")


def touch(folder: Path, moment: datetime) -> None:
    """Set the times of everything below a folder."""
    for where in (*folder.rglob("*"), folder):
        os.utime(where, (moment.timestamp(), moment.timestamp()), follow_symlinks=False)
