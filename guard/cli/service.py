"""`guard service show`: definitions that let the system run the monitor."""

from __future__ import annotations

import argparse

from guard.cli import output
from guard.cli.ask import Run
from guard.load import load
from guard.settings import Settings

TYPE_CHECKING = False

if TYPE_CHECKING:
    from guard.service.definitions import Installation


def configure_service(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard service`."""
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="show")
    show = verbs.add_parser(
        "show",
        help="print a definition for this configuration; nothing is installed",
        epilog="How to install it stands at its top. The one for Windows was never run on Windows.",
    )
    show.add_argument(
        "--for",
        dest="system",
        choices=("systemd", "windows"),
        required=True,
        help="a unit of systemd, or a task of the Windows Task Scheduler",
    )
    return _show


def _show(args: argparse.Namespace) -> int:
    from guard.service.definitions import systemd_unit, windows_task

    found = _installation(load(args.config))
    output.show_file(systemd_unit(found) if args.system == "systemd" else windows_task(found))
    return 0


def _installation(settings: Settings) -> Installation:
    import sys

    from guard.service.definitions import Installation

    writable = (_writable_on_share(settings.share),) if settings.warnings.sheets_on_share else ()
    return Installation(settings.plant, sys.executable, settings.file, settings.state, settings.share, writable)


def _writable_on_share(share: str) -> str:
    """The share, or the network mount that it lies on: only as a whole can a mount go away and come back."""
    from guard.share.mounts import is_network_type, mount_of

    mount = mount_of(share)
    return mount.point if mount is not None and is_network_type(mount.type) else share


COMMANDS = {"service": configure_service}
