"""The entry: finds the command, runs it, and turns every refusal into words and an exit code."""

from __future__ import annotations

import argparse
import gc
import os
import sys
from collections.abc import Sequence
from importlib import import_module

from guard.cli.output import prepare_streams, tell
from guard.errors import GuardError

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Any, NoReturn

GROUPS = {
    # what people want: {name: (module, one line of help)}
    "Ask": {
        "ask": ("ask", "may this be done to an arm, now or then? Ask in plain words"),
        "fleet": ("ask", "every arm in one line, worst first"),
        "explain": ("records", "what a finding's code means, and what to do"),
        "sets": ("sets", "the backup sets of one arm, or of all"),
        "set": ("sets", "one set and its files"),
    },
    "Before the work": {
        "event": ("events", "planned events: add, list, drop, import and export calendars"),
        "campaign": ("campaign", "who backs up which arm when, before a planned event"),
        "sign-off": ("swap", "answer for a finding, with a name, a reason and an end"),
    },
    "During the work": {
        "visit": ("visit", "the run sheet of a service visit; --run walks it step by step"),
        "swap": ("swap", "the clock while a memory cell is out: begin, show, end"),
    },
    "After the work": {
        "mark": ("records", "record what happened to an arm, such as an edit"),
        "look": ("looking", "one pass over the share: find, seal and check what is there"),
        "prove": ("looking", "read sets back and compare every digest"),
        "compare": ("compare", "how two sets differ"),
        "carry": ("carry", "copy the set to restore to a medium, and prove the copy"),
    },
    "Keep in order": {
        "cells": ("cells", "cells: ages, charge left, what to buy, what is in stock"),
        "keep": ("keep", "which old sets may go: plan, apply, undo, purge"),
        "report": ("report", "the nightly report, now"),
        "ledger": ("records", "the record of verdicts, marks and changes: show, check"),
    },
    "Set up": {
        "demo": ("demo", "see the whole tool at work on an invented plant"),
        "survey": ("start", "look at an unknown share and propose a configuration"),
        "init": ("start", "write a configuration and the share's marker"),
        "serve": ("serve", "the monitor: watches, proves, warns and reports"),
        "service": ("service", "definitions by which the system keeps the monitor running"),
    },
}
WITHOUT_CONFIGURATION = ("demo", "survey", "init", "explain")
"""Take the option that names one, as every command does, and have no use for it."""

COMMANDS = {name: entry for group in GROUPS.values() for name, entry in group.items()}

# The tool speaks English. Looking for a translation of argparse's few words would load the locale for every answer.
argparse._ = str  # type: ignore[attr-defined]

TOOL_FAILED, CALL_WRONG, INTERRUPTED = 1, 2, 130


class _Width(argparse.HelpFormatter):
    """Help of a fixed width: asking the terminal for its own loads modules that an answer has no use for."""

    def __init__(self, prog: str) -> None:
        super().__init__(prog, width=80)


class _Verbs(argparse._SubParsersAction):  # type: ignore[type-arg]  # noqa: SLF001 - argparse has no other door to this
    """The verbs of one command: what the command's own help says of a verb stands in the verb's help too."""

    def add_parser(self, name: str, **kwargs: Any) -> Any:  # noqa: ANN401
        kwargs.setdefault("description", _sentence(kwargs["help"]))
        return super().add_parser(name, **kwargs)


class Parser(argparse.ArgumentParser):
    """Arguments of one command; what is wrong with them is told in one line, with where to look."""

    def __init__(self, **kwargs: Any) -> None:  # noqa: ANN401
        super().__init__(**{"allow_abbrev": False, "formatter_class": _Width, **kwargs})
        self.register("action", "parsers", _Verbs)

    def error(self, message: str) -> NoReturn:
        """Tell what is wrong with the call and leave with the exit code for it."""
        tell(f"{self.prog}: {message}. See: {self.prog} --help")
        sys.exit(CALL_WRONG)


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command; returns its exit code. No traceback reaches a user unless --debug asks for it."""
    gc.disable()  # a command is over before collecting would pay
    prepare_streams()
    words = list(sys.argv[1:] if argv is None else argv)
    try:
        return carry_out(words)
    except KeyboardInterrupt:
        tell("Stopped. What was done so far is kept.")
        return INTERRUPTED


def carry_out(words: list[str]) -> int:
    """Run one command and tell what it is refused for; only Ctrl-C is left to the caller."""
    debug = "--debug" in words
    words = [word for word in words if word != "--debug"]
    try:
        return _run(words)
    except GuardError as refusal:
        if debug:
            import traceback

            traceback.print_exc()
        tell(str(refusal))
        return refusal.exit_code
    except BrokenPipeError:
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return TOOL_FAILED
    except Exception as error:
        if debug:
            raise
        tell(
            f"The tool failed: {type(error).__name__}: {error}. This is a fault of the tool or of the system"
            " beneath it; --debug shows where. There is no verdict."
        )
        return TOOL_FAILED


def run() -> NoReturn:
    """Run one command as a process of its own.

    All that must last is on the disk by then, as after a kill; the interpreter's own tidying
    up would take another tenth of the time of an answer.
    """
    if sys.getfilesystemencoding() != "utf-8":
        _begin_in_utf_8()
    code = main()
    for stream in (sys.stdout, sys.stderr):
        try:
            if stream is not None:
                stream.flush()
        except OSError:
            code = TOOL_FAILED
    os._exit(code)


def _begin_in_utf_8() -> NoReturn:
    """Begin anew where names are read by another encoding: one name must have one spelling, whatever the locale."""
    streams = {"PYTHONIOENCODING": sys.stdout.encoding} if sys.stdout is not None else {}
    again = [sys.executable, "-X", "utf8", *sys.orig_argv[1:]]
    os.execve(sys.executable, again, {**streams, **os.environ})  # noqa: S606 - this very program


def _run(words: list[str]) -> int:
    config, words = _configuration(words)
    if not words or words[0] in ("-h", "--help"):
        _overview()
        return 0
    if words[0] == "--version":
        from guard import __version__

        print(__version__)
        return 0
    name = words[0]
    if name not in COMMANDS:
        raise _unknown(name)
    module = import_module(f"guard.cli.{COMMANDS[name][0]}")
    parser = Parser(prog=f"guard {name}", description=_sentence(COMMANDS[name][1]))
    told = "the configuration (else $GUARD_CONFIG, else ./guard.toml)"
    told = argparse.SUPPRESS if name in WITHOUT_CONFIGURATION else told
    parser.add_argument("--config", metavar="FILE", default=config, help=told)
    run = module.COMMANDS[name](parser)
    return int(run(parser.parse_args(words[1:])))


def _configuration(words: list[str]) -> tuple[str, list[str]]:
    """The configuration's path, and the words without the option that names it before the command."""
    config = os.environ.get("GUARD_CONFIG") or "guard.toml"
    while words and words[0].startswith("--config"):
        if words[0] == "--config" and len(words) > 1:
            config, words = words[1], words[2:]
        elif words[0].startswith("--config="):
            config, words = words[0].removeprefix("--config="), words[1:]
        else:
            break
    return config, words


def _unknown(name: str) -> GuardError:
    from difflib import get_close_matches

    from guard.errors import NotUnderstood

    near = get_close_matches(name, list(COMMANDS), 1)
    hint = f"Did you mean guard {near[0]}?" if near else "guard --help lists the commands."
    return NotUnderstood("", f"the command {name!r}", hint)


def _sentence(text: str) -> str:
    return f"{text[0].upper()}{text[1:]}."


def _overview() -> None:
    print("guard: is this arm's memory safely backed up, before the disconnect is pulled?")
    for title, group in GROUPS.items():
        print(f"\n{title}")
        for name, (_, text) in group.items():
            print(f"  guard {name:<9} {text}")
    print(
        "\nWHEN is such as 'friday 6:00', '2026-12-03 06:00' (the plant's time), 'in 36h'."
        "\nDURATION is such as 30m, 8h, 2w. SET is a path below the share, or 8 or more"
        "\ndigits of a fingerprint."
    )
    print("\nBegin with guard demo or guard survey SHARE. guard COMMAND --help tells more.")
