"""What is shown: nothing that could steer a terminal, plain lines for programs, colours and width for people."""

from __future__ import annotations

import json
import os
import re
import shutil
import struct
import subprocess
import sys
import unicodedata
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from guard.cli.output import visible, wrapped
from guard.rules.findings import EXPLANATIONS
from tests.plant import Plant

ON_POSIX = pytest.mark.skipif(os.name != "posix", reason="this system has no terminals and pipes of that kind")

WIDE = "溶接ロボット左側アーム第九"
"""An id of which every character takes two cells."""
LONG = "arm-" + "x" * 90
"""An id that is wider than the screen."""


class TestVisible:
    @pytest.mark.parametrize(
        ("text", "shown"),
        [
            pytest.param("arm-07/2026-11-01_0510", "arm-07/2026-11-01_0510", id="plain"),
            pytest.param("Süd 溶接 ½ é", "Süd 溶接 ½ é", id="letters-of-all-kinds"),
            pytest.param("e\u0301", "e\u0301", id="accents"),
            pytest.param("a\nb\rc\td", "a\\nb\\rc\\td", id="line-ends-and-tabs"),
            pytest.param("\x1b[2J\x07", "\\x1b[2J\\x07", id="escape-and-bell"),
            pytest.param("\x9b2J\x85", "\\x9b2J\\x85", id="eight-bit-controls"),
            pytest.param("\x7f\x00", "\\x7f\\x00", id="delete-and-nul"),
            pytest.param("gpj.\u202eexe\u2066", "gpj.\\u202eexe\\u2066", id="writing-direction"),
            pytest.param("a\u200bb\ufeffc\u00ad", "a\\u200bb\\ufeffc\\xad", id="nothing-to-see"),
            pytest.param("a\u2028b\u2029c", "a\\u2028b\\u2029c", id="line-separators"),
            pytest.param("a\xa0b\u3000c", "a\\xa0b\\u3000c", id="spaces-that-are-none"),
            pytest.param("\udcff\udc80", "\\xff\\x80", id="bytes-that-are-no-text"),
            pytest.param("\ud800", "\\ud800", id="half-a-pair"),
            pytest.param("\U000e0041", "\\U000e0041", id="tags"),
            pytest.param("\ue000\u0378", "\\ue000\\u0378", id="without-meaning"),
        ],
    )
    def test_examples(self, text: str, shown: str) -> None:
        assert visible(text) == shown

    @given(st.text(st.characters()))
    def test_nothing_gets_through_but_signs_and_spaces(self, text: str) -> None:
        shown = visible(text)

        assert all(sign == " " or unicodedata.category(sign)[0] not in "CZ" for sign in shown)
        assert shown.encode().decode() == shown
        assert visible(shown) == shown

    @given(st.text(st.characters(min_codepoint=32, max_codepoint=126)))
    def test_plain_text_stays_as_it_is(self, text: str) -> None:
        assert visible(text) == text


class TestWrapped:
    @given(st.text(st.sampled_from("ab-溶é  "), max_size=120), st.integers(2, 40))
    def test_no_line_is_wider_and_no_sign_is_lost(self, text: str, width: int) -> None:
        lines = wrapped(text, width)

        assert max(map(cell_len, lines)) <= width
        assert "".join(lines).replace(" ", "") == text.replace(" ", "")

    def test_columns_within_a_line_stay(self) -> None:
        assert wrapped("one   two", 20) == ["one   two"]
        assert wrapped("one   two", 6) == ["one", "two"]
        assert wrapped("", 20) == [""]


@pytest.fixture(scope="module")
def shown(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant with something of every kind to show, awkward names among it. Tests only look at it."""
    plant = Plant(tmp_path_factory.mktemp("plant") / "p", ("arm-07", "arm-09", WIDE, LONG))
    plant.save("arm-07")
    plant.save("arm-09", timedelta(days=9))
    plant.save(WIDE)
    if os.name == "posix":
        for name in (b"\x1b[2J\x1b]0;x\x07", b"\xff", "\u202eold\u2028".encode(), b"line\nbreak", "溶".encode() * 60):
            os.mkdir(os.path.join(os.fsencode(plant.share), b"arm-07", name))
    plant.ready()
    return plant


SCREENS = [
    pytest.param(["fleet"], id="fleet"),
    pytest.param(["ask", "is arm 7 safe to power down"], id="ask"),
    pytest.param(["ask", "--all"], id="ask-all"),
    pytest.param(["sets"], id="sets"),
    pytest.param(["look", "--arm", "arm-07"], id="look"),
    pytest.param(["ledger", "show"], id="ledger"),
    pytest.param(["explain", "odd-entry"], id="explain"),
]


@pytest.mark.parametrize("words", SCREENS)
def test_for_programs_there_are_plain_lines(shown: Plant, words: list[str]) -> None:
    for env in ({}, {"FORCE_COLOR": "1", "TERM": "xterm-256color", "CLICOLOR_FORCE": "1"}):
        done = shown.run(*words, env=env)

        assert done.out
        assert all(line == visible(line).rstrip() for line in done.out.split("\n"))


@pytest.mark.parametrize("words", [["fleet", "--json"], ["ask", "--all", "--json"], ["sets", "--json"]])
def test_json_is_one_document_of_ascii(shown: Plant, words: list[str]) -> None:
    done = shown.run(*words)

    assert done.raw.isascii()
    assert done.json["schema"] == 1
    assert done.err == ""


def test_a_terminal_that_knows_ascii_alone_stops_nothing(shown: Plant) -> None:
    done = shown.run("fleet", env={"PYTHONIOENCODING": "ascii", "PYTHONUTF8": "0"})

    assert done.code == 20
    assert done.raw.isascii()


def on_screen(plant: Plant, *words: str, columns: int = 80, env: dict[str, str] | None = None) -> str:
    """What the command line writes on a real terminal of that width."""
    fcntl, pty, termios = (pytest.importorskip(name) for name in ("fcntl", "pty", "termios"))
    ours, theirs = pty.openpty()
    fcntl.ioctl(theirs, termios.TIOCSWINSZ, struct.pack("HHHH", 24, columns, 0, 0))
    plain = {key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "COLUMNS", "LINES")}
    with subprocess.Popen(
        [sys.executable, "-m", "guard", *words],
        stdin=theirs, stdout=theirs, stderr=theirs, cwd=plant.root,
        env={**plain, "GUARD_CONFIG": str(plant.config), "TERM": "xterm-256color", **(env or {})},
    ):  # fmt: skip
        os.close(theirs)
        written = bytearray()
        while chunk := _read(ours):
            written += chunk
    os.close(ours)
    return written.decode("utf-8").replace("\r\n", "\n")


def _read(terminal: int) -> bytes:
    try:
        return os.read(terminal, 65_536)
    except OSError:  # how Linux says that nobody is at the other end any more
        return b""


def _without_layout(text: str) -> str:
    """The words alone; how long ago something was differs from one call to the next."""
    return re.sub(r"\(\w+ago\)", "", re.sub(r"\s", "", text))


STYLE = re.compile(r"\x1b\[([0-9;]*)m")


def colours(screen: str) -> set[int]:
    """The colours of text and ground that a screen uses; 1 and 2, bold and dim, are none."""
    numbers = {int(number or 0) for style in STYLE.findall(screen) for number in style.split(";")}
    return {number for number in numbers if number >= 30}


@ON_POSIX
class TestOnATerminal:
    @pytest.mark.parametrize("words", SCREENS)
    @pytest.mark.parametrize("columns", [80, 40])
    def test_no_line_is_wider_than_the_screen(self, shown: Plant, words: list[str], columns: int) -> None:
        screen = STYLE.sub("", on_screen(shown, *words, columns=columns))
        if words[0] == "look":  # which shows how far it is, and takes that away again
            screen = re.sub(r"\r|\x1b\[(\?25[lh]|[0-9]*[AK])", "", screen)
        lines = screen.split("\n")

        assert max(map(cell_len, lines)) <= columns, [line for line in lines if cell_len(line) > columns]
        assert all(line == visible(line) for line in lines)

    @pytest.mark.parametrize("columns", [80, 40])
    def test_a_refusal_is_wrapped_between_words(self, shown: Plant, columns: int) -> None:
        words = ["ask", "is the arm that nobody knows safe to power down"]
        screen = on_screen(shown, *words, columns=columns)

        assert max(map(cell_len, screen.split("\n"))) <= columns
        assert screen.split() == shown.run(*words).err.split()
        assert len(shown.run(*words).err.splitlines()) < len(screen.splitlines())

    def test_the_same_words_stand_there_as_for_programs(self, shown: Plant) -> None:
        words = ["ask", "--arm", LONG, "--arm", WIDE, "--at", "2030-01-01T00:00:00Z"]

        screen = STYLE.sub("", on_screen(shown, *words))
        plain = shown.run(*words).out

        assert _without_layout(screen) == _without_layout(plain)

    def test_a_verdict_has_a_band_of_its_colour_across_the_screen(self, shown: Plant) -> None:
        """IEC 60073: red for faulty; and the word says it as well."""
        rows = on_screen(shown, "ask", "--arm", "arm-09").split("\n")
        bands = [STYLE.sub("", row) for row in rows if re.match(r"\x1b\[[0-9;]*\b41m", row)]

        assert bands[1].startswith("HOLD: ")
        assert {cell_len(band) for band in bands} == {80}
        assert colours(on_screen(shown, "fleet")) >= {31}

    def test_no_color_is_honoured(self, shown: Plant) -> None:
        for words in (["fleet"], ["ask", "--all"]):
            assert colours(on_screen(shown, *words)) != set()
            assert colours(on_screen(shown, *words, env={"NO_COLOR": "1"})) == set()

    def test_a_dumb_terminal_gets_no_escapes(self, shown: Plant) -> None:
        assert "\x1b" not in on_screen(shown, "fleet", env={"TERM": "dumb"})

    def test_json_is_plain_there_as_well(self, shown: Plant) -> None:
        assert json.loads(on_screen(shown, "fleet", "--json"))["schema"] == 1


def call(plant: Plant, *words: str, stdout: int = subprocess.PIPE) -> subprocess.CompletedProcess[str]:
    """A call of which everything is looked at, tracebacks too; its output is held back, as is usual."""
    usual = {key: value for key, value in os.environ.items() if key != "PYTHONUNBUFFERED"}
    return subprocess.run(
        [sys.executable, "-m", "guard", *words],
        stdin=subprocess.DEVNULL, stdout=stdout, stderr=subprocess.PIPE, cwd=plant.root, text=True, check=False,
        env={**usual, "GUARD_CONFIG": str(plant.config)},
    )  # fmt: skip


@ON_POSIX
class TestReadersThatLeave:
    @pytest.mark.parametrize(
        "words",
        [["fleet"], ["fleet", "--json"], ["sets"], ["explain", "no-backup"], ["ledger", "show"], ["survey", "share"]],
    )
    def test_nobody_reads_at_all(self, shown: Plant, words: list[str]) -> None:
        """There is no verdict then, so the exit code is none of a verdict."""
        reading, writing = os.pipe()
        os.close(reading)
        try:
            done = call(shown, *words, stdout=writing)
        finally:
            os.close(writing)

        assert (done.returncode, done.stderr) == (1, "")

    @pytest.mark.parametrize("words", [["fleet"], ["fleet", "--json"], ["survey", "share"]])
    def test_where_the_caller_closed_the_output_nothing_fails(self, shown: Plant, words: list[str]) -> None:
        done = subprocess.run(
            ["sh", "-c", 'exec "$@" >&-', "sh", sys.executable, "-m", "guard", *words],
            stderr=subprocess.PIPE, cwd=shown.root, text=True, check=False,
            env={**os.environ, "GUARD_CONFIG": str(shown.config)},
        )  # fmt: skip

        assert (done.returncode in (0, 10, 20, 30), done.stderr) == (True, "")

    @pytest.mark.skipif(shutil.which("head") is None, reason="this system has no head")
    def test_the_first_line_is_enough(self, shown: Plant, tmp_path: Path) -> None:
        many = tmp_path / "many.toml"
        arms = "".join(f'[[arms]]\nid = "arm-{number:04}"\n' for number in range(1000))
        many.write_text(f'[plant]\nname = "P"\ntimezone = "UTC"\n[share]\npath = "{shown.share}"\n{arms}')
        with (
            subprocess.Popen(
                [sys.executable, "-m", "guard", "fleet", "--config", str(many)],
                stdout=subprocess.PIPE, stderr=subprocess.PIPE,
            ) as fleet,
            subprocess.Popen(["head", "-1"], stdin=fleet.stdout, stdout=subprocess.PIPE) as head,
        ):  # fmt: skip
            assert fleet.stdout is not None
            fleet.stdout.close()
            first, _ = head.communicate(timeout=60)
            _, told = fleet.communicate(timeout=60)

        assert first.startswith(b"P: power-down, now, for 8 h: ")
        assert told == b""

    @pytest.mark.skipif(not os.path.exists("/dev/full"), reason="this system has no /dev/full")
    @pytest.mark.parametrize("words", [["fleet"], ["fleet", "--json"], ["ask", "--all"]])
    def test_a_full_disk_gives_no_verdict(self, shown: Plant, words: list[str]) -> None:
        full = os.open("/dev/full", os.O_WRONLY)
        try:
            done = call(shown, *words, stdout=full)
        finally:
            os.close(full)

        assert done.returncode == 1
        assert done.stderr.startswith("The tool failed: OSError: [Errno 28]")
        assert "Traceback" not in done.stderr
        assert done.stderr.rstrip().endswith("There is no verdict.")


class TestRefusals:
    @pytest.mark.parametrize(
        ("words", "told"),
        [
            pytest.param(["flet"], "Not understood: the command 'flet'. Did you mean guard fleet?\n", id="command-near"),
            pytest.param(["zzzz"], "Not understood: the command 'zzzz'. guard --help lists the commands.\n", id="command"),
            pytest.param(["--config"], "Not understood: the command '--config'. guard --help lists the commands.\n", id="config-without-file"),
            pytest.param(["fleet", "--colour"], "guard fleet: unrecognized arguments: --colour. See: guard fleet --help\n", id="option"),
            pytest.param(["fleet", "--js"], "guard fleet: unrecognized arguments: --js. See: guard fleet --help\n", id="option-cut-short"),
            pytest.param(["ask", "--arm"], "guard ask: argument --arm: expected one argument. See: guard ask --help\n", id="option-without-value"),
            pytest.param(["ask", "--arm", "7"], "No arm is called '7' in the configuration. Did you mean arm-07? `guard fleet` lists them all.\n", id="arm-by-number"),
            pytest.param(["ask", "--arm", "ARM-07"], "No arm is called 'ARM-07' in the configuration. Did you mean arm-07? `guard fleet` lists them all.\n", id="arm-in-capitals"),
            pytest.param(["ask", "--arm", "arm-7"], "No arm is called 'arm-7' in the configuration. Did you mean arm-07 or arm-09? `guard fleet` lists them all.\n", id="arm"),
            pytest.param(["ask", "--arm", "arm-07", "--off-for", "soon"], "Not understood: the duration 'soon'. Write one such as 30m, 8h, 7d or 2w.\n", id="duration"),
            pytest.param(["explain", "Stale_backups"], f"No finding has the code 'Stale_backups'. Did you mean stale-backup? The codes are: {', '.join(EXPLANATIONS)}.\n", id="code"),
            pytest.param(["ask", "--area", "welding"], "Not understood: the area 'welding'. The areas are: finishing.\n", id="area"),
        ],
    )  # fmt: skip
    def test_a_wrong_call_leaves_with_2_and_a_hint(self, plant: Plant, words: list[str], told: str) -> None:
        done = call(plant, *words)

        assert (done.returncode, done.stdout, done.stderr) == (2, "", told)

    def test_an_action_that_is_none(self, plant: Plant) -> None:
        done = call(plant, "ask", "--arm", "arm-07", "--action", "explode")

        assert (done.returncode, done.stdout) == (2, "")
        assert done.stderr.startswith("guard ask: argument --action: invalid choice: 'explode' (choose from ")

    @pytest.mark.parametrize("words", [["--debug", "ask", "--arm", "x"], ["ask", "--arm", "x", "--debug"]])
    def test_debug_shows_where_it_came_from(self, plant: Plant, words: list[str]) -> None:
        plain = call(plant, *(word for word in words if word != "--debug"))
        debug = call(plant, *words)

        assert "Traceback" not in plain.stderr
        assert debug.stderr.startswith("Traceback (most recent call last):")
        assert plain.stderr.strip() in debug.stderr
        assert debug.returncode != 0

    @ON_POSIX
    def test_what_a_refusal_repeats_cannot_steer_the_terminal(self, plant: Plant) -> None:
        done = call(plant, "fleet", "--\x1b[2J\u202e")

        assert done.returncode == 2
        assert done.stderr == ("guard fleet: unrecognized arguments: --\\x1b[2J\\u202e. See: guard fleet --help\n")
