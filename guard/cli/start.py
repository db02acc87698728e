"""`guard survey` and `guard init`: the first steps."""

from __future__ import annotations

import argparse

from guard.cli import output
from guard.cli.ask import Run
from guard.cli.output import Line


def configure_survey(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard survey`."""
    parser.add_argument("share", metavar="SHARE", help="the folder that holds the backups of all arms")
    return _survey


def _survey(args: argparse.Namespace) -> int:
    import os

    from guard.survey.proposal import proposal
    from guard.survey.survey import survey

    share = os.path.abspath(args.share)
    output.show_file(proposal(survey(share), share))
    return 0


def configure_init(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard init`."""
    parser.add_argument("dir", nargs="?", default=".", metavar="DIR", help="where guard.toml goes (default: here)")
    parser.add_argument("--share", required=True, metavar="PATH", help="the backup share")
    parser.add_argument("--adopt", action="store_true", help="take this share for the right one from now on")
    parser.add_argument("--yes", action="store_true", help="do not ask before writing to the share")
    return _init


def _init(args: argparse.Namespace) -> int:
    from guard.begin import begin

    if not output.confirmed(f"write a marker to the share {args.share}", yes=args.yes):
        return output.NOTHING_DONE
    output.show(Line(text) for text in begin(args.dir, args.share, adopt=args.adopt))
    return 0


COMMANDS = {"init": configure_init, "survey": configure_survey}
