"""`guard demo`: the whole tool at work on an invented plant, step by step.

Every step runs the command that a person would type, and compares what it gave with what
it must give. A demo that shows anything else ends with exit code 1 and says so.
"""

from __future__ import annotations

import argparse
import io
import os
import re
import shlex
import signal
import sys
import tempfile
from collections.abc import Iterator, Sequence
from contextlib import redirect_stdout

from guard import clock
from guard.cli import output
from guard.cli.ask import EXIT_CODES, Run
from guard.cli.main import INTERRUPTED, carry_out
from guard.cli.output import Line, tell
from guard.demo import DemoPlant, Note
from guard.desk import Desk
from guard.errors import WouldOverwrite
from guard.model import USUAL_OFF, Level, Question
from guard.rules.verdict import verdict

HOLD = EXIT_CODES["hold"]
FEW = 2
"""So many lines that begin alike are shown of a long output; the rest of them is counted."""
MOST = 18
"""So many lines are shown of a long output at most."""


class NotAsPromised(Exception):
    """A step gave something else than it must."""


def configure_demo(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard demo`."""
    parser.add_argument("--keep", metavar="DIR", help="build the plant in this folder and leave it there")
    return _demo


def _demo(args: argparse.Namespace) -> int:
    if args.keep is None:
        return _passing()
    folder = os.path.abspath(args.keep)
    if os.path.lexists(folder) and not (os.path.isdir(folder) and not os.listdir(folder)):
        raise WouldOverwrite(folder, "Name a folder that is empty or not there yet.")
    os.makedirs(folder, exist_ok=True)
    return _shown(folder, kept=True)


def _passing() -> int:
    """The demo in a folder that goes with it, also where it is ended early or its terminal is closed."""
    for name in ("SIGTERM", "SIGHUP"):  # Windows has no SIGHUP
        number = getattr(signal, name, None)
        if number is not None and signal.getsignal(number) == signal.SIG_DFL:
            signal.signal(number, signal.default_int_handler)
    try:
        with tempfile.TemporaryDirectory(prefix="guard-demo-") as folder:
            return _shown(folder, kept=False)
    except KeyboardInterrupt:
        tell("Stopped. Nothing of it stays behind.")
        return INTERRUPTED


def _shown(folder: str, *, kept: bool) -> int:
    try:
        _Demo(folder, kept=kept).run()
    except NotAsPromised as broken:
        output.show([Line()])
        tell(f"The demo failed: {broken}. What stands above is no proof that the tool works here.")
        return 1
    return 0


class _Demo:
    def __init__(self, folder: str, *, kept: bool) -> None:
        self.plant = DemoPlant(folder, clock.now())
        self.folder, self.kept = folder, kept
        self.number = 0

    def run(self) -> None:
        """All steps in their order."""
        self._build()
        self._survey()
        self._begin()
        self._look_and_prove()
        self._records()
        self._fleet()
        self._damage()
        self._turn_to_clear()
        self._end()

    # Steps

    def _build(self) -> None:
        self.plant.build()
        name, arms = self.plant.settings.plant, len(self.plant.settings.arms)
        self._step(
            "A plant to try things on",
            f"{name} is invented: {arms} arms and their backups of the last weeks. The dates were moved so that"
            " they end now. No real share is touched. The lines that begin with $ are what you would type,"
            f" here in {self.folder}",
        )

    def _survey(self) -> None:
        self._step(
            "An unknown share", "The survey looks at a share and proposes a configuration for it. It writes nothing."
        )
        self._command("survey", "share", alike=MOST)

    def _begin(self) -> None:
        self._step(
            "The beginning",
            "The sample brings its configuration, guard.toml. So only a marker is written, by which the share"
            " is known again; an empty folder in its place will not be taken for it.",
        )
        self._command("init", ".", "--share", "share", "--yes")

    def _look_and_prove(self) -> None:
        self._step(
            "The first look",
            "It finds the backup sets, reads each of them once, and checks that no part is missing. Only what has"
            " not changed for a while counts as a set, so this waits for a second.",
        )
        self._command("look", alike=FEW)
        self._step(
            "The read-back",
            "Every complete set is read a second time and compared. A set that was not read back carries no answer.",
        )
        self._command("prove", "--due", alike=FEW)

    def _records(self) -> None:
        self._step(
            "What only people know",
            "Restore tests and edits at the machine stand in no file. People record them, and they stay in the"
            f" ledger for good. Of {len(self.plant.scenario.marks)} such marks, this is the first:",
        )
        for number, note in enumerate(self.plant.scenario.marks):
            words = self._mark_words(note)
            self._command(*words, silent=number > 0)

    def _fleet(self) -> None:
        arm = self.plant.scenario.turns
        self._step("Which arms are the danger?", "One line an arm, the worst first.")
        self._command("fleet", code=HOLD)
        self._check(self.plant.scenario.shows)
        self._step(f"May {arm} be powered down?", "Its newest backup is too old, so the answer is hold.")
        self._ask(arm, "hold", ["stale-backup"])

    def _damage(self) -> None:
        arm = self.plant.scenario.damage.arm
        self._ask(arm, "clear", [], silent=True)
        self._step(
            "Damage",
            f"{arm} was clear. Now one bit on the disk flips in {self.plant.flip_a_bit()}. Size and time of the"
            " file stay what they were, so only reading tells. The next read-back finds it:",
        )
        self._command("prove", "--arm", arm, code=HOLD)
        output.show([Line(), Line(f"{arm} has no other set, so its answer is hold from here on:")])
        self._ask(arm, "hold", ["damaged-set"])

    def _turn_to_clear(self) -> None:
        arm = self.plant.scenario.turns
        late = self.plant.deliver_late()
        self._step(
            "Fresh backups",
            f"{len(late)} arms were saved anew: {', '.join(late)}. Copy a saved folder to the share, and look again:",
        )
        self._command("look", alike=FEW)
        self._step(
            "The new set is proven",
            f"The look alone does not lift the hold on {arm}: its old set carries the answer until the new one"
            " was read back.",
        )
        self._ask(arm, "hold", ["stale-backup", "unsettled-newer"], silent=True)
        self._command("prove", "--arm", arm)
        self._step(
            "A restore test",
            f"No restore test of {arm} was ever recorded. Say that a person has just restored this set on a spare"
            " controller, and records it:",
        )
        self._ask(arm, "caution", ["restore-test-due"], silent=True)
        self._command("mark", "restore-test", arm, "--by", "M. Okafor")
        self._step("From hold to clear", f"The same question about {arm} as before:")
        self._ask(arm, "clear", [])

    def _end(self) -> None:
        self._check(self.plant.scenario.shows_at_the_end)
        self._step(
            "The record", "Verdicts, marks and changes of sets stand in a chained ledger. A later change to it shows."
        )
        self._command("ledger", "check")
        if self.kept:
            text = f"Go on by hand: guard --config {shlex.quote(self.plant.config)} fleet"
        else:
            text = "Nothing of it stays behind. To keep the plant and go on by hand: guard demo --keep DIR"
        output.show([Line(), Line("Every step gave what it must give.", style="head"), Line(text)])

    # How a step is shown and run

    def _step(self, title: str, text: str) -> None:
        self.number += 1
        output.show([Line(), Line(f"{self.number}. {title}", style="head"), Line(text)])

    def _command(self, *words: str, code: int = 0, alike: int | None = None, silent: bool = False) -> None:
        """Show a command as it is typed in the plant's folder, and run it; ``alike`` shortens its output.

        Raises NotAsPromised where it ends otherwise than it must.
        """
        typed = shlex.join(["guard", *words])
        if not silent:
            output.show([Line(typed, label="$ ", label_style="quiet", indent=1)])
        sys.stdout.flush()
        if alike or silent:
            shown = io.StringIO()
            with redirect_stdout(shown):
                given = self._run(words)
            if alike:
                output.show(map(_hanging, shortened(shown.getvalue().splitlines(), alike)))
        else:
            given = self._run(words)
        if given != code:
            raise NotAsPromised(f"`{typed}` ended with exit code {given}, not {code}")

    def _run(self, words: Sequence[str]) -> int:
        """Run a command through the tool's own entry, with the plant's places for what a person would type."""
        places = {".": self.folder, "share": self.plant.settings.share}
        return carry_out(["--config", self.plant.config, *(places.get(word, word) for word in words)])

    def _ask(self, arm: str, level: Level, codes: list[str], *, silent: bool = False) -> None:
        """Ask whether an arm is safe to power down; the answer must be of that level, for these reasons."""
        if not silent:
            self._command("ask", f"is {arm} safe to power down", code=EXIT_CODES[level])
        found = self._found(arm)
        if found[0] != level or not set(codes) <= found[1]:
            raise NotAsPromised(f"{arm} is {found[0]} with {_listed(found[1])}, not {level} with {_listed(codes)}")

    def _check(self, shows: dict[str, list[str]]) -> None:
        """Every arm must show the findings that the sample has for it, and be clear where it has none."""
        for arm, codes in shows.items():
            level, found = self._found(arm)
            if not set(codes) <= found or (level == "clear") != (not codes):
                raise NotAsPromised(f"{arm} is {level} with {_listed(found)}, where {_listed(codes)} must be found")

    def _found(self, arm: str) -> tuple[Level, set[str]]:
        """Level and finding codes of an arm, from facts looked up at this moment."""
        desk = Desk(self.plant.settings)
        now = desk.now()
        (facts,) = desk.facts([arm], now)
        answer = verdict(facts, Question("power-down", now, USUAL_OFF["power-down"]))
        return answer.level, {found.code for found in answer.findings}

    def _mark_words(self, note: Note) -> list[str]:
        at = (self.plant.now + note.at).astimezone(self.plant.settings.zone())
        words = ["mark", note.kind, note.arm, "--at", at.isoformat(timespec="minutes"), "--by", note.by]
        words += ["--set", self.plant.moved(note.set)] if note.set else []
        return words + (["--note", note.note] if note.note else [])


def _listed(codes: list[str] | set[str]) -> str:
    return ", ".join(sorted(codes)) or "no finding"


def _hanging(line: str) -> Line:
    """A line of plain output, so that what wraps stays in its column."""
    label = re.match(r"\s*(?:\S+\s{2,})?", line)
    width = label.end() if label else 0
    return Line(line[width:], label=line[:width], indent=1)


def shortened(lines: list[str], alike: int) -> Iterator[str]:
    """The lines with so many of those that begin alike, and no more than fit a step."""
    seen: dict[str, int] = {}
    shown = []
    for line in lines:
        start = line.split(maxsplit=1)[0] if line.strip() else ""
        seen[start] = seen.get(start, 0) + 1
        if start not in ("", "and") and seen[start] <= alike:
            shown.append(line)
    yield from shown[:MOST]
    if len(lines) > len(shown[:MOST]):
        yield f"… and {len(lines) - len(shown[:MOST])} lines more"


COMMANDS = {"demo": configure_demo}
