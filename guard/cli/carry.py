"""`guard carry`: the set to restore, copied to a medium as a bag, read back there, with a restore sheet."""

from __future__ import annotations

import argparse
import os
from collections.abc import Iterator
from datetime import datetime

from guard import carry as carrying
from guard.carry import Carried
from guard.cli import choice as choices
from guard.cli import output, verdicts
from guard.cli.ask import Run
from guard.cli.choice import fact
from guard.cli.output import Line, tell
from guard.cli.when import day_or_when
from guard.desk import Desk
from guard.errors import NotUnderstood, WouldOverwrite
from guard.files import write_whole
from guard.load import load
from guard.names import name_bytes
from guard.rules.restore import Choice
from guard.share.bag import MANIFEST_NAME
from guard.share.medium import Medium
from guard.tell import restoring
from guard.tell.restore_sheet import Restore, drawn
from guard.units import bytes_in_words, quoted


def configure_carry(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard carry`."""
    parser.description = (
        "Choose the set to restore, copy it to a medium as a bag (RFC 8493), read it back from there, and write a"
        " restore sheet. What is damaged, another arm's or was never read back is not carried, and nothing that stands on"
        " the medium is overwritten. An interrupted copy is taken up again by the same command. Exit code: 0 where the bag stands"
        " and is proven, 1 where the share or the medium failed, 2 where nothing can be carried to that place, 20 where"
        " no set may be."
    )
    parser.add_argument("arm", metavar="ARM", help="the arm's id")
    parser.add_argument("dest", metavar="DEST", help="a folder on the medium")
    which = parser.add_mutually_exclusive_group()
    which.add_argument("--set", metavar="SET", help="this set (default: the newest that is proven)")
    which.add_argument("--before", metavar="DATE", help="the newest that was saved before, such as 2026-11-01")
    parser.add_argument("--sheet", metavar="FILE", help="where the restore sheet goes (default: beside the bag)")
    return _carry


def _carry(args: argparse.Namespace) -> int:
    from guard.cli.looking import watching

    desk = Desk(load(args.config))
    arm, now = desk.arm(args.arm), desk.now()
    if args.sheet and os.path.lexists(args.sheet):
        raise WouldOverwrite(args.sheet, "Name another file with --sheet.")
    before = _before(args.before, desk, now) if args.before else None
    found = carrying.choose_set(desk, arm, before, carrying.named_set(desk, arm, args.set) if args.set else None)
    chosen = carrying.refuse(found, desk)
    for place in (args.dest, os.path.dirname(os.path.abspath(args.sheet)) if args.sheet else args.dest):
        carrying.refuse_own_folders(desk, place)
    output.show([Line(f"The set to restore on {arm}: {chosen.set.path}", style="head")])
    output.show([fact("Arm", choices.described(desk.settings.arms[arm]))])
    output.show(choices.chosen_lines(found.choice, now, desk.settings))
    with watching() as progress:
        carried = carrying.carry(desk, chosen, arm, args.dest, progress)
    # Before anything is shown: whoever reads it may be gone.
    sheet, written = _sheet(found.choice, carried, desk, args.sheet)
    output.show(_carried_lines(carried, desk))
    output.show(_sheet_lines(found.choice, desk, sheet, written=written))
    output.show(verdicts.cautions())
    return 0


def _before(text: str, desk: Desk, now: datetime) -> datetime:
    found = day_or_when(text, now, desk.settings.zone())
    if found > now:
        raise NotUnderstood("", f"--before {text!r}, which is to come", "Leave it out for the newest set.")
    return found


def _carried_lines(carried: Carried, desk: Desk) -> Iterator[Line]:
    bag, cargo = carried.bag, carried.cargo
    verb = "Already there" if bag.was_there else "Taken up again and finished" if bag.resumed else "Copied"
    yield Line()
    yield Line(f"{verb}: {bag.path}, and every byte of it was read back from the medium.", style="clear-word")
    size = f"{len(cargo.files)} files, {bytes_in_words(sum(file.size for file in cargo.files))}"
    yield fact("Content", size)
    yield fact("Medium", described(bag.medium))
    if _is_own_disk(bag.medium, desk):
        yield Line(
            f"NOTICE: {bag.path} lies on the same disk as the state folder, not on a medium of its own.",
            style="caution-word", indent=1,
        )  # fmt: skip
    yield fact("Recorded", f"ledger entry {carried.entry}")
    yield fact("Check", f"cd {quoted(os.path.join(bag.path, 'data'))} && {restoring.CHECK}")
    yield fact("", f"prints the fingerprint; file by file: cd {quoted(bag.path)} && sha256sum -c {MANIFEST_NAME}")


def described(medium: Medium) -> str:
    """What a medium is, as far as the system tells."""
    kind = medium.type or "a file system that this system does not name"
    where = f" at {medium.point}" if medium.point else ""
    source = f" ({medium.source})" if medium.source and medium.source != medium.type else ""
    return f"{kind}{where}{source}"


def _is_own_disk(medium: Medium, desk: Desk) -> bool:
    try:
        return os.stat(desk.settings.state).st_dev == medium.device
    except OSError:
        return False


def _sheet(choice: Choice, carried: Carried, desk: Desk, wanted: str | None) -> tuple[str, bool]:
    """Where the restore sheet stands, and whether it was written now: one that stands there is left as it is."""
    path = wanted or f"{carried.bag.path}.html"
    if os.path.lexists(path):
        return path, False
    now, zone = desk.now(), desk.settings.zone()
    sheet = Restore(
        plant=desk.settings.plant,
        arm=desk.settings.arms[choice.arm],
        choice=choice,
        bag=os.path.basename(carried.bag.path),
        medium=described(carried.bag.medium),
        files=len(carried.cargo.files),
        bytes=sum(file.size for file in carried.cargo.files),
        written_at=now,
    )
    try:
        write_whole(path, name_bytes(drawn(sheet, zone)))
    except OSError as error:
        tell(f"The bag is whole, but the sheet {path} cannot be written ({error.strerror}). Elsewhere: --sheet FILE")
        return "", False
    return path, True


def _sheet_lines(choice: Choice, desk: Desk, sheet: str, *, written: bool) -> Iterator[Line]:
    arm = desk.settings.arms[choice.arm]
    yield Line()
    yield Line(f"Restore sheet: {choice.arm}, serial {arm.serial or 'not configured'}", style="head")
    yield Line(restoring.WARNING, label="WARNING ", label_style="hold-word", indent=1)
    yield Line(restoring.NOTICE, label="NOTICE  ", label_style="head", indent=1)
    for number, step in enumerate(restoring.steps(choice, arm.serial), 1):
        yield Line(f"{step.text} {step.command}".rstrip(), label=f"[ ] {number}. ", indent=1)
    if sheet:
        stands = "To print" if written else "An earlier sheet stands there and is left as it is"
        yield Line(f"{stands}: {sheet}")


COMMANDS = {"carry": configure_carry}
