"""`guard report`: the nightly report, now."""

from __future__ import annotations

import argparse
import os

from guard.cli import output
from guard.cli.ask import Run
from guard.cli.output import Line
from guard.desk import Desk
from guard.load import load


def configure_report(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard report`."""
    parser.add_argument("--out", metavar="DIR", help="where to write it (default: reports in the state folder)")
    form = parser.add_mutually_exclusive_group()
    form.add_argument("--json", action="store_true", help="show it as one JSON document; write no file without --out")
    form.add_argument("--text", action="store_true", help="show it as text; write no file without --out")
    return _report


def _report(args: argparse.Namespace) -> int:
    """Make the report, write it or show it. Its exit code says that it was made, not what is in it."""
    from guard.tell.night import night, record, write
    from guard.tell.report import as_text, document

    desk = Desk(load(args.config))
    now = desk.now()
    told = night(desk, now, now.astimezone(desk.settings.zone()).date())
    paths: tuple[str, ...] = ()
    if args.out or not (args.json or args.text):
        paths = write(told, args.out or os.path.join(desk.settings.state, "reports"))
    record(desk, told, None)
    if args.json:
        output.show_json(document(told))
    elif args.text:
        output.show(map(Line, as_text(told).split("\n")))
    else:
        output.show(map(Line, paths))
    return 0


COMMANDS = {"report": configure_report}
