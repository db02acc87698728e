"""The monitor's log: one event is one line, whatever stands in it, and nothing about it stops the monitor."""

from __future__ import annotations

import json
import logging
import os
import re
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.clock import now
from guard.service import log
from guard.service.log import event, log_to, shown, stop_logging
from tests.plant import as_ordinary_user
from tests.terminal import ON_POSIX

LOGGER = logging.getLogger("guard.service")
LINE = re.compile(r"(\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z) ([A-Z]+) (\S+)(?: (.*))?")
FACT = re.compile(r'(\w+)=("(?:[^"\\]|\\.)*"|[^ "]*)(?: |$)')


class Log:
    """The log of a state folder."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.path = folder / "guard.log"

    @property
    def lines(self) -> list[str]:
        text = self.path.read_bytes().decode("utf-8")
        assert text.endswith("\n")
        return text.split("\n")[:-1]

    @property
    def events(self) -> list[tuple[str, str, dict[str, str]]]:
        """Level, name and facts of every line."""
        return [read(line) for line in self.lines]


def read(line: str) -> tuple[str, str, dict[str, str]]:
    """A line taken apart by what the module promises."""
    found = LINE.fullmatch(line)
    assert found, line
    _, level, name, rest = found.groups()
    facts, at = {}, 0
    while at < len(rest or ""):
        fact = FACT.match(rest, at)
        assert fact, rest[at:]
        facts[fact[1]] = json.loads(fact[2]) if fact[2].startswith('"') else fact[2]
        at = fact.end()
    return level, name, facts


@pytest.fixture
def written(tmp_path: Path) -> Iterator[Log]:
    """A log that is being written."""
    log_to(str(tmp_path))
    yield Log(tmp_path)
    stop_logging()


def test_an_event_is_one_line_with_its_time_level_name_and_facts(written: Log) -> None:
    before = now()
    event(LOGGER, "set-sealed", arm="arm-07", path="arm-07/2026-11-25_0510", name="x", level="hold")
    (line,) = written.lines
    at = line.split(" ")[0]
    assert line == f"{at} INFO set-sealed arm=arm-07 path=arm-07/2026-11-25_0510 name=x level=hold"
    assert abs(datetime.fromisoformat(at) - before) < timedelta(seconds=30)


@pytest.mark.parametrize(
    ("fact", "text"),
    [
        pytest.param("arm-07", "arm-07", id="a plain word is bare"),
        pytest.param("", '""', id="nothing is two quotes"),
        pytest.param("a b", '"a b"', id="a space is quoted"),
        pytest.param("a=b", '"a=b"', id="an equals sign is quoted"),
        pytest.param('say "no"', '"say \\"no\\""', id="quotes are escaped"),
        pytest.param("a\\b", '"a\\\\b"', id="a backslash is escaped"),
        pytest.param("a\nb\rc\td", '"a\\nb\\rc\\td"', id="line breaks and tabs are spelled"),
        pytest.param("\x1b[2Jx\x7f\x00", '"\\u001b[2Jx\\u007f\\u0000"', id="a terminal escape is spelled"),
        pytest.param("a\x85b\u2028c\u2029", '"a\\u0085b\\u2028c\\u2029"', id="unusual line breaks are spelled"),
        pytest.param("\u202egnp.exe", '"\\u202egnp.exe"', id="a change of direction is spelled"),
        pytest.param("\U000e0041x", '"\\udb40\\udc41x"', id="an invisible sign beyond the first plane is spelled"),
        pytest.param("caf\udce9", '"caf\\udce9"', id="a byte that is no text is spelled"),
        pytest.param("Schweißzelle", '"Schweißzelle"', id="letters stay readable"),
        pytest.param(None, "none", id="none"),
        pytest.param(True, "yes", id="yes"),
        pytest.param(7, "7", id="a number"),
        pytest.param(datetime(2026, 11, 25, 9, tzinfo=UTC), "2026-11-25T09:00:00Z", id="a time is RFC 3339 in UTC"),
        pytest.param(timedelta(minutes=2), "120s", id="a span has its unit"),
        pytest.param(("stale-backup", "no-backup"), "stale-backup,no-backup", id="a list"),
        pytest.param((), '""', id="an empty list"),
        pytest.param(ValueError("bad\nline"), '"ValueError: bad\\nline"', id="a fault with its type"),
    ],
)
def test_facts_are_shown_so_that_nothing_can_be_forged(fact: object, text: str) -> None:
    assert shown(fact) == text


@given(
    st.dictionaries(
        st.from_regex(r"[a-z_]{1,8}", fullmatch=True), st.text(st.characters(exclude_categories=())), max_size=4
    )
)
def test_every_text_comes_back_from_its_line(facts: dict[str, str]) -> None:
    record = logging.makeLogRecord({"msg": "odd-entry", "levelname": "INFO", "created": 0.0, "facts": facts})
    line = log._OneLine().format(record)
    assert line.isprintable()
    assert read(line)[2] == {
        key: value.encode("utf-16", "surrogatepass").decode("utf-16", "surrogatepass") for key, value in facts.items()
    }  # JSON joins a pair of surrogates


def test_a_hostile_name_forges_no_line(written: Log) -> None:
    name = "arm-07/x\n2026-11-25T08:00:00Z INFO proved arm=arm-07 \x1b[1A"
    event(LOGGER, "odd-entry", path=name)
    LOGGER.debug("nothing")
    logging.getLogger("apscheduler.scheduler").warning("job %s was missed", name)
    assert [found[1:] for found in written.events] == [
        ("odd-entry", {"path": name}),
        ("message", {"by": "apscheduler.scheduler", "text": f"job {name} was missed"}),
    ]


def fail() -> None:
    raise ValueError("first\nsecond")


def test_a_fault_with_its_trace_is_one_line(written: Log) -> None:
    try:
        fail()
    except ValueError:
        LOGGER.exception("fault of the tool")
    ((level, name, facts),) = written.events
    assert (level, name, facts["text"]) == ("ERROR", "message", "fault of the tool")
    assert facts["trace"].endswith("ValueError: first\nsecond")


def test_a_quiet_night_is_quiet(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    log_to(str(tmp_path))
    try:
        event(LOGGER, "tick", logging.DEBUG)
        assert not (tmp_path / "guard.log").exists()
        event(LOGGER, "serving")
        event(LOGGER, "trouble", logging.WARNING)
        assert [found[1] for found in Log(tmp_path).events] == ["serving", "trouble"]
        assert [read(line)[1] for line in capfd.readouterr().err.splitlines()] == ["trouble"]
    finally:
        stop_logging()


@ON_POSIX
def test_a_terminal_tells_times_as_all_else_in_the_plant_and_the_file_in_utc(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    reads, writes = os.openpty()
    with os.fdopen(reads, "rb", buffering=0) as screen, os.fdopen(writes, "w") as terminal:
        monkeypatch.setattr("sys.stderr", terminal)
        log_to(str(tmp_path), ZoneInfo("Asia/Kolkata"))
        try:
            event(LOGGER, "trouble", logging.WARNING, since=datetime(2026, 11, 25, 8, tzinfo=UTC))
        finally:
            stop_logging()
        shown_at, *_, since = screen.read(4096).decode().split()
        (line,) = Log(tmp_path).lines
    assert since == "since=2026-11-25T13:30:00+05:30"
    assert line.endswith(" since=2026-11-25T08:00:00Z")
    assert shown_at.endswith("+05:30")
    assert datetime.fromisoformat(shown_at) == datetime.fromisoformat(line.split()[0])


def test_debug_tells_all_on_standard_error_and_keeps_the_file_quiet(
    tmp_path: Path, capfd: pytest.CaptureFixture[str]
) -> None:
    log_to(str(tmp_path), debug=True)
    try:
        event(LOGGER, "tick", logging.DEBUG)
        event(LOGGER, "serving")
        assert [read(line)[1] for line in capfd.readouterr().err.splitlines()] == ["tick", "serving"]
        assert [found[1] for found in Log(tmp_path).events] == ["serving"]
    finally:
        stop_logging()


def test_what_other_libraries_say_is_heard_by_nobody(written: Log, capfd: pytest.CaptureFixture[str]) -> None:
    for name in ("apprise", "urllib3.connectionpool"):
        logging.getLogger(name).error("retrying https://alarms.example/secret-token")
    event(LOGGER, "serving")
    assert [found[1] for found in written.events] == ["serving"]
    assert capfd.readouterr().err == ""


def test_beginning_again_writes_nothing_twice(written: Log) -> None:
    log_to(str(written.folder))
    event(LOGGER, "serving")
    assert len(written.lines) == 1


def test_the_file_is_turned_over_and_old_ones_go(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(log, "MOST_BYTES", 2000)
    monkeypatch.setattr(log, "OLD_FILES", 3)
    log_to(str(tmp_path))
    try:
        for number in range(200):
            event(LOGGER, "set-sealed", number=number)
    finally:
        stop_logging()
    files = sorted(tmp_path.iterdir())
    assert [file.name for file in files] == ["guard.log", "guard.log.1", "guard.log.2", "guard.log.3"]
    assert all(file.stat().st_size <= 2000 for file in files)
    numbers = [int(read(line)[2]["number"]) for file in files for line in file.read_text().splitlines()]
    assert sorted(numbers) == list(range(min(numbers), 200))


def test_a_line_that_was_torn_stands_alone(tmp_path: Path) -> None:
    (tmp_path / "guard.log").write_text("2026-11-25T08:00:00Z INFO set-sealed arm=ar")
    log_to(str(tmp_path))
    try:
        event(LOGGER, "serving")
    finally:
        stop_logging()
    torn, whole = Log(tmp_path).lines
    assert torn.endswith("arm=ar")
    assert read(whole)[1] == "serving"


def test_a_full_disk_is_told_once_and_stops_nothing(tmp_path: Path, capfd: pytest.CaptureFixture[str]) -> None:
    if not os.path.exists("/dev/full"):
        pytest.skip("there is no device here that is always full")
    (tmp_path / "guard.log").symlink_to("/dev/full")
    log_to(str(tmp_path))
    try:
        for number in range(5):
            event(LOGGER, "set-sealed", number=number)
        (told,) = capfd.readouterr().err.splitlines()
        (tmp_path / "guard.log").unlink()
        event(LOGGER, "set-sealed", number=5)
        event(LOGGER, "set-sealed", number=6)
    finally:
        stop_logging()
    path = str(tmp_path / "guard.log")
    assert read(told) == (
        "WARNING",
        "log-unwritable",
        {"file": path, "why": "OSError: [Errno 28] No space left on device"},
    )
    (again,) = capfd.readouterr().err.splitlines()
    assert read(again) == ("WARNING", "log-written-again", {"file": path, "events_lost": "5"})
    assert [found[2] for found in Log(tmp_path).events] == [{"number": "5"}, {"number": "6"}]


@pytest.mark.parametrize("spoil", ["missing", "a folder"])
def test_a_log_that_cannot_be_opened_stops_nothing(
    tmp_path: Path, capfd: pytest.CaptureFixture[str], spoil: str
) -> None:
    state: Any = tmp_path / "state"
    if spoil == "a folder":
        (state / "guard.log").mkdir(parents=True)
    log_to(str(state))
    try:
        event(LOGGER, "serving")
        event(LOGGER, "stopped")
    finally:
        stop_logging()
    assert [read(line)[1] for line in capfd.readouterr().err.splitlines()] == ["log-unwritable"]


TURNED_OVER_WHERE_THAT_IS_FORBIDDEN = """
import logging, sys
from guard.clock import now
from guard.service import log
log.MOST_BYTES = 500
log.log_to(sys.argv[1])
for number in range(50):
    log.event(logging.getLogger("guard"), "set-sealed", number=number)
"""


def test_a_file_that_cannot_be_turned_over_grows_on(tmp_path: Path, plant: Any) -> None:
    import sys

    before = as_ordinary_user()
    path = tmp_path / "guard.log"
    path.touch()
    tmp_path.chmod(0o555)
    try:
        done = plant.program(*before, sys.executable, "-c", TURNED_OVER_WHERE_THAT_IS_FORBIDDEN, str(tmp_path))
    finally:
        tmp_path.chmod(0o755)
    assert (done.code, done.err) == (0, "")
    assert len(path.read_text().splitlines()) == 50
