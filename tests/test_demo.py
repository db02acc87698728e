"""`guard demo`: the sample plant shows every trouble it is made for, and the tool finds each of them."""

from __future__ import annotations

import hashlib
import json
import os
import signal
import subprocess
import sys
import tomllib
import zipfile
from datetime import datetime, timedelta
from pathlib import Path
from time import monotonic
from typing import Any, NamedTuple

import pytest

from guard.clock import now
from guard.load import load

ROOT = Path(__file__).parent.parent
SAMPLE = ROOT / "sample_backups"
SCENARIO = tomllib.loads((SAMPLE / "scenario.toml").read_text(encoding="utf-8"))

TROUBLES = {
    # design.md section 4
    *("stale-backup", "clock-doubt", "refiled-copy", "wrong-arm", "edited-since"),
    *("mixed-times", "axis-zero-moved", "shrunk-set"),
    # section 5
    *("unsettled-newer", "incomplete-set", "not-read-back", "too-few-copies", "restore-test-due", "damaged-set"),
    # names that do not belong
    "odd-entry",
}


class Done(NamedTuple):
    """What a call of the command line gave, and how long it took."""

    code: int
    out: str
    err: str
    seconds: float


def surroundings(temporary: Path, path: Path = ROOT) -> dict[str, str]:
    """The environment of a call that has a temporary directory of its own."""
    return {**os.environ, "TMPDIR": str(temporary), "TEMP": str(temporary), "PYTHONPATH": str(path)}


def guard(*words: str, temporary: Path, path: Path = ROOT) -> Done:
    """Call the real command line, with a temporary directory of its own and nothing on standard input."""
    start = monotonic()
    done = subprocess.run(
        [sys.executable, "-m", "guard", *words],
        capture_output=True,
        stdin=subprocess.DEVNULL,
        cwd=temporary.parent,
        env=surroundings(temporary, path),
        timeout=120,
        check=False,
    )
    texts = [text.decode("utf-8", "backslashreplace") for text in (done.stdout, done.stderr)]
    return Done(done.returncode, *texts, monotonic() - start)


@pytest.fixture
def temporary(tmp_path: Path) -> Path:
    """An empty temporary directory for the demo."""
    folder = tmp_path / "temporary"
    folder.mkdir()
    return folder


class Kept(NamedTuple):
    """A demo's plant that was kept."""

    folder: Path
    demo: Done
    began: datetime

    def json(self, *words: str) -> Any:
        """The document that a command gives about the plant."""
        return json.loads(
            guard("--config", str(self.folder / "guard.toml"), *words, "--json", temporary=self.folder).out
        )


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Kept:
    """The plant of one demo, for all tests that only read it."""
    root = tmp_path_factory.mktemp("demo")
    temporary = root / "temporary"
    temporary.mkdir()
    began = now()
    return Kept(root / "plant", guard("demo", "--keep", str(root / "plant"), temporary=temporary), began)


@pytest.fixture(scope="module")
def fleet(kept: Kept) -> dict[str, Any]:
    """The answers about the kept plant, by arm."""
    return {answer["arm"]: answer for answer in kept.json("fleet")["answers"]}


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The wheel of this checkout; skips where the build tools cannot be had."""
    folder = tmp_path_factory.mktemp("wheel")
    built = subprocess.run(
        [sys.executable, "-m", "pip", "wheel", "--no-deps", "--quiet", "--wheel-dir", str(folder), str(ROOT)],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    if built.returncode and "hatchling" in built.stderr:
        pytest.skip("the build tools cannot be had here: no package registry answers")
    assert built.returncode == 0, built.stderr
    (built_wheel,) = folder.glob("*.whl")
    return built_wheel


def install(wheel: Path, place: Path) -> None:
    """Lay out a wheel's packages as an installer does."""
    with zipfile.ZipFile(wheel) as archive:
        archive.extractall(place)
    assert (place / "guard" / "sample_backups" / "demo.toml").is_file()


def codes(answer: Any) -> set[str]:
    return {found["code"] for found in answer["findings"]}


def test_it_runs_in_time_and_leaves_nothing_behind(temporary: Path) -> None:
    done = guard("demo", temporary=temporary)

    assert (done.code, done.err) == (0, "")
    assert done.seconds < 20
    assert list(temporary.iterdir()) == []
    assert [path.name for path in temporary.parent.iterdir()] == ["temporary"]


@pytest.mark.parametrize("name", ["SIGINT", "SIGTERM", "SIGHUP"])
def test_ended_early_it_leaves_nothing_behind(temporary: Path, name: str) -> None:
    with subprocess.Popen(
        [sys.executable, "-m", "guard", "demo"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        cwd=temporary.parent,
        env=surroundings(temporary),
    ) as demo:
        assert demo.stdout is not None
        assert any(b"$ guard look" in line for line in demo.stdout)
        assert list(temporary.iterdir()) != []
        demo.send_signal(getattr(signal, name))
        _, told = demo.communicate(timeout=60)

    assert (demo.returncode, told) == (130, b"Stopped. Nothing of it stays behind.\n")
    assert list(temporary.iterdir()) == []


def test_the_arm_turns_from_hold_to_clear(kept: Kept) -> None:
    arm = SCENARIO["turns"]
    told = [
        line
        for line in kept.demo.out.splitlines()
        if line.endswith(f"power down {arm}.") or f"power down {arm}. " in line
    ]

    assert kept.demo.code == 0, kept.demo
    assert [line.partition(":")[0] for line in told] == ["HOLD", "CLEAR"]


def test_every_step_is_shown_with_its_command(kept: Kept) -> None:
    commands = [line.split()[2] for line in kept.demo.out.splitlines() if line.startswith(" $ guard ")]

    assert commands == "survey init look prove mark fleet ask prove ask look prove mark ask ledger".split()


def test_every_trouble_is_found(fleet: dict[str, Any]) -> None:
    assert set().union(*map(codes, fleet.values())) >= TROUBLES


@pytest.mark.parametrize("arm", SCENARIO["shows-at-the-end"])
def test_an_arm_shows_its_troubles(fleet: dict[str, Any], arm: str) -> None:
    wanted = set(SCENARIO["shows-at-the-end"][arm])

    assert codes(fleet[arm]) >= wanted
    assert (fleet[arm]["verdict"] == "clear") == (not wanted)


def test_the_scenario_speaks_of_every_arm(kept: Kept) -> None:
    arms = set(load(str(kept.folder / "guard.toml")).arms)

    assert set(SCENARIO["shows"]) == set(SCENARIO["shows-at-the-end"]) == arms
    assert {path.name for path in SAMPLE.glob("arm-*")} == arms


def test_dates_lie_relative_to_now(kept: Kept) -> None:
    """Every set is as old as it was at the reference, inside archives too, to the minute."""
    reference = datetime(2026, 11, 20, 5, tzinfo=now().tzinfo)
    ages = {
        "arm-01": [reference - datetime(2026, 11, day, hour, 10, tzinfo=reference.tzinfo) for day, hour in ((5, 4), (12, 4), (19, 21))],
        "arm-08": [reference - datetime(2026, 11, day, hour, 10, tzinfo=reference.tzinfo) for day, hour in ((12, 4), (19, 21))],
    }  # fmt: skip
    for arm, wanted in ages.items():
        captured = [datetime.fromisoformat(each["captured_at"]) for each in kept.json("sets", arm)["sets"]]
        for moment, age in zip(captured, wanted, strict=True):
            # An hour more where a clock change makes a stamp ambiguous: the earliest reading counts.
            assert timedelta(minutes=-2) < kept.began - moment - age < timedelta(minutes=62)


def test_moving_the_dates_touches_no_content(kept: Kept) -> None:
    """A set of the demo has the fingerprint that the sample's own bytes give."""
    wanted = sorted(
        map(fingerprint, [path for path in SAMPLE.glob("arm-0[12579]/*") if path.name[:4].isdigit()]),
    )
    found = [each["fingerprint"] for arm in "12579" for each in kept.json("sets", f"arm-0{arm}")["sets"]]

    assert sorted(found) == wanted


def fingerprint(folder: Path) -> str:
    """The fingerprint of a folder set as the contract defines it."""
    paths = sorted(path.relative_to(folder).as_posix().encode() for path in folder.rglob("*") if path.is_file())
    lines = [
        hashlib.sha256((folder / path.decode()).read_bytes()).hexdigest().encode() + b"  " + path for path in paths
    ]
    return hashlib.sha256(b"".join(line + b"\n" for line in lines)).hexdigest()


def test_names_of_all_kinds_are_told_and_steer_no_terminal(kept: Kept, fleet: dict[str, Any]) -> None:
    (odd,) = [found for found in fleet["arm-11"]["findings"] if found["code"] == "odd-entry"]
    entries = {entry.partition(" (")[0] for entry in odd["evidence"]["entries"]}

    assert entries >= {"arm-11/copy of Monday", "arm-11/2026-13-40_0510", "arm-11/Übergabe Schicht B.txt"}
    if os.name == "posix":
        assert entries >= set(SCENARIO["odd-names"])
    assert "\x1b" not in kept.demo.out


@pytest.mark.parametrize("there", ["a-file", "a-folder-with-something"])
def test_what_is_already_there_is_left_as_it_is(temporary: Path, there: str) -> None:
    place = temporary.parent / there
    inside = place / "notes.txt" if "folder" in there else place
    inside.parent.mkdir(exist_ok=True)
    inside.write_text("mine", encoding="utf-8")

    done = guard("demo", "--keep", str(place), temporary=temporary)

    assert (done.code, done.out) == (2, "")
    assert done.err == (
        f"{place} is already there and is left as it is. Name a folder that is empty or not there yet.\n"
    )
    assert inside.read_text(encoding="utf-8") == "mine"


def test_a_demo_that_shows_something_else_says_so(temporary: Path, wheel: Path) -> None:
    """With a sample whose stale arm is fresh, the demo must not pretend that it was stale."""
    package = temporary.parent / "package"
    install(wheel, package)
    scenario = package / "guard" / "sample_backups" / "scenario.toml"
    text = scenario.read_text(encoding="utf-8")
    late = '"arm-02/2026-11-20_0545", '
    assert late in text
    scenario.write_text(text.replace(late, ""), encoding="utf-8")

    done = guard("demo", temporary=temporary, path=package)

    assert done.code == 1
    assert done.err.startswith("The demo failed: arm-02 is caution")
    assert list(temporary.iterdir()) == []


def test_installed_it_finds_its_sample(temporary: Path, wheel: Path) -> None:
    package = temporary.parent / "package"
    install(wheel, package)

    done = guard("demo", temporary=temporary, path=package)

    assert (done.code, done.err) == (0, "")
    assert list(temporary.iterdir()) == []
