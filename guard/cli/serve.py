"""`guard serve`: the monitor."""

from __future__ import annotations

import argparse
import os
import sys

from guard.cli.ask import Run
from guard.cli.output import tell
from guard.load import load


def configure_serve(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard serve`: none."""
    parser.epilog = (
        "Runs in the foreground until it is stopped (SIGTERM or Ctrl-C); `guard service show` prints"
        " definitions by which the system keeps it running. It writes its log to the state folder."
    )
    return _serve


def _serve(args: argparse.Namespace) -> int:
    from guard.service.daemon import serve

    settings = load(args.config)
    if sys.stderr is not None and sys.stderr.isatty():
        log = os.path.join(settings.state, "guard.log")
        tell(f"Serving {settings.plant}, {len(settings.arms)} arms. Log: {log}. To stop: Ctrl-C")
    serve(settings)
    return 0


COMMANDS = {"serve": configure_serve}
