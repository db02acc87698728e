"""What a new user reads first: the overview and the help of every command."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from datetime import UTC, datetime
from importlib import import_module
from zoneinfo import ZoneInfo

import pytest

from guard.cli.ask import QUESTIONS
from guard.cli.main import COMMANDS, Parser, main
from guard.cli.question import event_asked, understand
from guard.plant import Arm

WIDTH = 80
NOW, ZONE = datetime(2026, 11, 25, 8, tzinfo=UTC), ZoneInfo("Europe/Berlin")


def parsers(name: str) -> Iterator[argparse.ArgumentParser]:
    """The parser of a command, and one for each of its verbs."""
    parser = Parser(prog=f"guard {name}", description="As in the overview.")
    import_module(f"guard.cli.{COMMANDS[name][0]}").COMMANDS[name](parser)
    yield parser
    for action in parser._actions:
        if isinstance(action, argparse._SubParsersAction):
            yield from action.choices.values()


def test_the_overview_has_every_command_once_and_fits_a_terminal(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["--help"]) == 0

    lines = capsys.readouterr().out.splitlines()
    assert sorted(line.split()[1] for line in lines if line.startswith("  guard ")) == sorted(COMMANDS)
    assert [line for line in lines if len(line) > WIDTH] == []


@pytest.mark.parametrize("name", COMMANDS)
def test_what_needs_no_configuration_offers_none(name: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit):
        main([name, "--help"])
    told = "--config" in capsys.readouterr().out
    assert told == (name not in ("demo", "survey", "init", "explain"))


@pytest.mark.parametrize("name", COMMANDS)
def test_every_command_verb_and_argument_is_explained(name: str) -> None:
    for parser in parsers(name):
        assert (parser.description or "").endswith("."), parser.prog
        assert [action.dest for action in parser._actions if not action.help and action.dest != "verb"] == [], (
            parser.prog
        )
        assert [line for line in parser.format_help().splitlines() if len(line) > WIDTH] == [], parser.prog


def test_the_questions_that_the_help_names_are_understood() -> None:
    asked = QUESTIONS.partition(": ")[2].partition(".")[0].split("; ")
    arms = {arm: Arm(arm, area="finishing") for arm in ("arm-07", "arm-09")}

    assert len(asked) == 7
    for question in asked:
        assert event_asked(question) or understand(question, arms, NOW, lambda: ZONE)
