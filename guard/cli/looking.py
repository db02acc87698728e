"""`guard look` and `guard prove`: reading the share."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from threading import Event
from time import monotonic
from typing import Self

from guard.cli import output
from guard.cli.ask import EXIT_CODES, Run
from guard.cli.output import Line, tell
from guard.desk import Desk
from guard.errors import NotUnderstood
from guard.load import load
from guard.share.look import PlaceReport, Report, Silent
from guard.share.prove import Proved
from guard.store.known import Known
from guard.times import shown
from guard.units import bytes_in_words, quoted, span

PATIENCE = "10s"
"""How long a look waits by itself for sets that are about to settle."""

BETWEEN_SHOWINGS_S = 0.1
"""Showing progress more often would cost more than it tells."""


class Spinner:
    """Progress on a terminal: which set is read, and how much was read so far."""

    def __init__(self) -> None:
        from rich.console import Console
        from rich.live import Live
        from rich.spinner import Spinner as Turning

        self._turning = Turning("dots", "Looking …")
        # Without a thread of its own, so that a look may fork.
        self._live = Live(self._turning, console=Console(stderr=True), transient=True, auto_refresh=False)
        self._total, self._path, self._shown_at = 0, "", 0.0

    def __enter__(self) -> Self:
        self._live.start(refresh=True)
        return self

    def __exit__(self, *_: object) -> None:
        self._live.stop()

    def reading(self, path: str) -> None:
        """Show which set is read."""
        self._path = path
        self._show()

    def read(self, count: int) -> None:
        """Show how much was read."""
        self._total += count
        self._show()

    def _show(self) -> None:
        if monotonic() - self._shown_at < BETWEEN_SHOWINGS_S:
            return
        from rich.text import Text

        text = Text(f"Reading {output.visible(self._path)} ({bytes_in_words(self._total)} so far)")
        self._turning.update(text=text)
        self._live.refresh()
        self._shown_at = monotonic()


def configure_look(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard look`."""
    parser.add_argument("--arm", metavar="ARM", help="only this arm's sets")
    parser.add_argument(
        "--wait", metavar="DURATION", default=PATIENCE,
        help=f"how long to wait for arriving sets to settle (default {PATIENCE}; 0s: not at all)",
    )  # fmt: skip
    parser.add_argument(
        "--accept-vanished", action="store_true", help="believe that nearly all sets are gone, where they are"
    )
    parser.add_argument(
        "--rebuild", action="store_true", help="move the catalogue aside and build it again from share and ledger"
    )
    parser.add_argument("--yes", action="store_true", help="do not ask before a rebuild")
    return _look


def _look(args: argparse.Namespace) -> int:
    desk = Desk(load(args.config))
    arm = desk.arm(args.arm) if args.arm else None
    try:
        wait = span(args.wait)
    except ValueError:
        raise NotUnderstood("", f"the duration {args.wait!r}", "Write one such as 10s or 5m.") from None
    if args.rebuild:
        from guard.rebuild import rebuild

        if not output.confirmed("move the catalogue aside and build it again", yes=args.yes):
            return output.NOTHING_DONE
        tell(f"The old catalogue stands in {rebuild(desk)}.")
    with watching() as progress:
        reports = _look_and_wait(desk, progress, arm, wait, accept=args.accept_vanished)
    for place in reports:
        output.show(_report_lines(place, desk))
    desk.fold_logs()
    if reports[0].refusal is not None:
        raise reports[0].refusal
    return 0


@contextmanager
def watching() -> Iterator[Silent | Spinner]:
    """Progress for a person at a terminal; silence in a pipe."""
    if not sys.stderr.isatty():
        yield Silent()
        return
    with Spinner() as spinner:
        yield spinner


def _look_and_wait(
    desk: Desk, progress: Silent | Spinner, arm: str | None, wait: timedelta, *, accept: bool
) -> list[PlaceReport]:
    """Look, and once more where what is arriving will have settled within the time to wait."""
    first = desk.look(progress, arm, accept_vanished=accept)
    settles = [at for place in first if place.report for at in place.report.settles_at]
    left = max(settles, default=desk.now()) - desk.now()
    if not settles or left > wait:
        return first
    # A little past the moment itself: file times come from a coarser clock.
    Event().wait(max(left.total_seconds(), 0) + 0.05)
    return [_merged(*places) for places in zip(first, desk.look(progress, arm), strict=True)]


def _merged(first: PlaceReport, second: PlaceReport) -> PlaceReport:
    if first.report is None or second.report is None:
        return second
    report = second.report._replace(
        sealed=first.report.sealed + second.report.sealed,
        incomplete=first.report.incomplete + second.report.incomplete,
        gone=first.report.gone + second.report.gone,
    )
    return second._replace(report=report)


def _report_lines(place: PlaceReport, desk: Desk) -> Iterator[Line]:
    report = place.report
    if report is None:
        yield Line(f"{place.root}: not looked at", style="head")
        if place.refusal is not None and place.root != desk.settings.share:
            yield Line(str(place.refusal), indent=1)
        return
    yield Line(_summary(report), style="head")
    if not report.sets and not report.unreadable:
        yield Line(NOTHING_FOUND, indent=1)
    yield from _entries("sealed", report.sealed)
    for label, troubles in (
        ("incomplete", report.incomplete),
        ("damaged", report.damaged),
        ("arriving", report.arriving),
    ):
        yield from _entries(label, [f"{trouble.path}: {trouble.what}" for trouble in troubles])
    yield from _entries("gone", report.gone)
    yield from _entries(
        "missing", [f"{path}: whether it is gone tells a look at everything" for path in report.missing]
    )
    yield from _entries("odd", [f"{entry.path}: {entry.why}" for entry in report.odd])
    yield from _entries("unreadable", [f"{entry.path}: {entry.why}" for entry in report.unreadable])
    if report.settles_at:
        settled = shown(max(report.settles_at), desk.settings.zone())
        yield Line(f"What is arriving may settle by {settled}. Then: guard look")


NOTHING_FOUND = (
    "No backup set was found. Do the layouts of the configuration fit this share? guard survey SHARE"
    " looks at it afresh."
)
MOST = 20
"""More lines of one kind than this help nobody; the rest is counted."""


def _entries(label: str, texts: list[str]) -> Iterator[Line]:
    for text in texts[:MOST]:
        yield _entry(label, text)
    if len(texts) > MOST:
        yield _entry("", f"and {len(texts) - MOST} more")


def _summary(report: Report) -> str:
    counts = [
        f"{report.sets} set{'' if report.sets == 1 else 's'}",
        f"{len(report.sealed)} newly sealed",
        f"{len(report.arriving)} arriving",
        f"{len(report.damaged)} damaged",
        f"{len(report.gone)} gone",
    ]
    return f"{report.root}: {', '.join(counts)}"


def _entry(label: str, text: str) -> Line:
    return Line(text, label=label, label_style="quiet", indent=1, label_width=12)


def configure_prove(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard prove`."""
    which = parser.add_mutually_exclusive_group(required=True)
    which.add_argument(
        "set",
        nargs="?",
        metavar="SET",
        help="a set's path, or 8 or more digits of its fingerprint; its further copies too",
    )
    which.add_argument("--arm", metavar="ARM", help="the newest complete set of this arm")
    which.add_argument(
        "--due",
        action="store_true",
        help="every complete set that was never read back, or not for half of proof.read-back-within",
    )
    return _prove


def _prove(args: argparse.Namespace) -> int:
    desk = Desk(load(args.config))
    damaged: list[Known] = []
    if args.set:
        known, number = desk.resolve(args.set)
        wanted = [(known, number), *(desk.copies_of(known) if number == 0 else ())]
    elif args.arm:
        wanted, damaged = desk.newest(desk.arm(args.arm))
        output.show(map(_passed_over, damaged))
        if not wanted:
            output.show([Line(f"{args.arm} has no complete set to read back. See: guard sets {args.arm}")])
            return EXIT_CODES["hold"]
    else:
        wanted = desk.due()
    if not wanted:
        output.show([Line("Nothing is due to be read back.")])
    with watching() as progress:
        results = list(desk.prove(wanted, progress))
    desk.fold_logs()
    output.show(map(_proved_line, results))
    unproven = [result.place for result in results if result.outcome != "read-back"]
    if damaged or 0 in unproven:
        return EXIT_CODES["hold"]
    return EXIT_CODES["caution"] if unproven else 0


def _passed_over(known: Known) -> Line:
    """A damaged set that is newer than the one that is read back: it may be the one that somebody means."""
    what = known.damage or "it differs from what was read"
    return _entry(
        "damaged",
        f"{known.path}: {what}. An older set is read back in its place. Again: guard prove {quoted(known.path)}",
    )


def _proved_line(result: Proved) -> Line:
    what = result.what
    if result.outcome == "read-back":
        what = "every digest equal" + (", although it was noted as damaged before" if result.was_damaged else "")
    where = f" in further copy {result.place}" if result.place else ""
    return _entry(result.outcome, f"{result.path}{where}: {what}")


COMMANDS = {"look": configure_look, "prove": configure_prove}
