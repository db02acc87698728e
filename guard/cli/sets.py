"""`guard sets` and `guard set show`: what is on the share."""

from __future__ import annotations

import argparse
import sys
from collections.abc import Iterator

from guard.cli import output
from guard.cli.ask import Run
from guard.cli.output import Line
from guard.desk import Desk
from guard.load import load
from guard.rules.evidence import utc
from guard.sets import SetView
from guard.sets import views as views_of
from guard.store.known import Known
from guard.times import shown_with_age
from guard.units import bytes_in_words


def configure_sets(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard sets`."""
    parser.add_argument("arm", nargs="?", metavar="ARM", help="only this arm's sets")
    parser.add_argument("--json", action="store_true", help="one JSON document instead of a screen")
    return _sets


def _sets(args: argparse.Namespace) -> int:
    desk = Desk(load(args.config))
    arms = [desk.arm(args.arm)] if args.arm else list(desk.settings.arms)
    views = views_of(desk, arms)
    if args.json:
        output.show_json({"schema": 1, "sets": [_view_json(view) for view in views]})
    else:
        output.show(_view_lines(views, desk))
    return 0


def _view_json(view: SetView) -> dict[str, object]:
    backup = view.set
    return {
        "arm": view.arm,
        "path": backup.path,
        "fingerprint": backup.fingerprint,
        "captured_at": utc(view.captured_at),
        "proof": view.proof,
        "bytes": backup.bytes,
        "files": backup.files,
        "parts": {part.name: {"files": part.files, "bytes": part.bytes, "ok": part.ok} for part in backup.parts},
        "problems": [{"code": problem.code, "message": problem.message} for problem in backup.problems],
        "pinned": view.pinned,
    }


def _view_lines(views: list[SetView], desk: Desk) -> Iterator[Line]:
    now, zone = desk.now(), desk.settings.zone()
    if not views:
        yield Line("No set is known. Run: guard look")
    arm = ""
    for view in views:
        if view.arm != arm:
            arm = view.arm
            yield Line(arm, style="head")
        backup = view.set
        size = f"{backup.files} files, {bytes_in_words(backup.bytes)}" if backup.fingerprint else "not read"
        fingerprint = f", {backup.fingerprint[:12]}" if backup.fingerprint else ""
        text = f"{backup.path}, saved {shown_with_age(view.captured_at, now, zone)}, {size}{fingerprint}"
        text += ", pinned" if view.pinned else ""
        yield Line(text, label=view.proof, indent=1, label_width=11)
        for problem in backup.problems:
            yield Line(problem.message, label=problem.code, indent=12, label_width=16)
        for trouble in filter(None, (backup.trouble, backup.damage, backup.changed)):
            yield Line(trouble, indent=12)


def configure_set(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard set`."""
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="show")
    show = verbs.add_parser("show", help="one set and its files")
    show.add_argument("set", metavar="SET", help="a set's path, or 8 or more digits of its fingerprint")
    show.add_argument("--sums", choices=("sha256", "blake3"), help="print what sha256sum or b3sum would")
    return _set_show


def _set_show(args: argparse.Namespace) -> int:
    desk = Desk(load(args.config))
    known, _ = desk.resolve(args.set)
    if args.sums:
        _print_sums(desk, known, args.sums)
        return 0
    views = [view for view in views_of(desk, [known.arm]) if view.set.path == known.path]
    output.show(_view_lines(views, desk))
    output.show(_set_lines(desk, known, views))
    return 0


def _print_sums(desk: Desk, known: Known, kind: str) -> None:
    from guard.share.fingerprint import sums_text

    files = desk.files(known)
    text = sums_text((file.sha256 if kind == "sha256" else file.blake3, file.path) for file in files)
    sys.stdout.flush()
    sys.stdout.buffer.write(text)


def _set_lines(desk: Desk, known: Known, views: list[SetView]) -> Iterator[Line]:
    if known.fingerprint:
        yield Line(known.fingerprint, label="fingerprint", indent=1, label_width=14)
    for view in views:
        for part in view.set.parts:
            state = "sound" if part.ok else "not sound"
            text = f"{part.files} files, {bytes_in_words(part.bytes)}, {state}"
            yield Line(text, label=part.name, indent=1, label_width=14)
    for file in desk.files(known):
        yield Line(f"{file.sha256.hex()[:16]}  {bytes_in_words(file.size):>9}  {file.path}", indent=1)


COMMANDS = {"sets": configure_sets, "set": configure_set}
