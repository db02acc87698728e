"""`guard mark`, `guard ledger` and `guard explain`: what people record, and what the codes mean."""

from __future__ import annotations

import argparse
import re
from collections.abc import Iterator
from datetime import tzinfo

from guard.cli import output
from guard.cli.ask import EXIT_CODES, Run
from guard.cli.output import Line
from guard.cli.refusals import UnknownCode
from guard.cli.stock import NO_CELL, too_old
from guard.cli.when import date_code, parse_when
from guard.desk import Desk
from guard.errors import NotUnderstood
from guard.load import load
from guard.model import MARK_KINDS, Mark
from guard.rules.findings import EXPLANATIONS
from guard.sets import restored
from guard.store.encoding import moment
from guard.times import shown


def configure_mark(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard mark`."""
    parser.add_argument("kind", nargs="?", metavar="KIND", help=", ".join(MARK_KINDS))
    parser.add_argument("arm", nargs="?", metavar="ARM", help="the arm's id")
    parser.add_argument("--at", metavar="WHEN", help="when it happened (default: now)")
    parser.add_argument("--by", default="", metavar="NAME", help="who says so")
    parser.add_argument("--note", default="", metavar="TEXT", help="what else is to be known of it")
    parser.add_argument(
        "--set",
        metavar="SET",
        help="restore-test: the set that was restored (default: the one that carries answers);"
        " memory-checked: the set whose content is right",
    )
    parser.add_argument(
        "--cell", metavar="TYPE", help="cell-alarm, cell-changed: which cell (default: the arm's only one)"
    )
    parser.add_argument("--date-code", metavar="YYYY-MM", help="cell-changed: when the new cell was made")
    parser.add_argument(
        "--correct", type=int, metavar="N",
        help="the mark of ledger entry N was wrong: this stands in its place, and what is not told here stays",
    )  # fmt: skip
    parser.add_argument("--never-happened", action="store_true", help="with --correct: nothing stands in its place")
    parser.epilog = (
        "edit: the arm was taught anew, so older backups no longer count. restore-test: a set was restored for practice."
        " cell-alarm: the controller asks for a new cell. cell-changed: also for a cell put in long ago, with --at and"
        " --date-code. powered-off, powered-on: from these the charge of the cells is reckoned. A power-down and a change of"
        " the memory cell make the memory await proof. re-zeroed: the axis zero references changed on purpose."
        " memory-checked: somebody answers for what differs after one of these two."
    )
    return _mark


SAY_WHEN = "Or say by another clock when it happened, with its date: --at 'YYYY-MM-DD HH:MM'."

CELL_MARKS = ("cell-alarm", "cell-changed")
SET_MARKS = ("restore-test", "memory-checked")


def _mark(args: argparse.Namespace) -> int:
    desk = Desk(load(args.config))
    if args.correct is not None:
        return _correct(desk, args)
    if args.never_happened:
        raise NotUnderstood("", "--never-happened alone", "Name the entry that was wrong: --correct N")
    if args.kind is None or args.arm is None:
        raise NotUnderstood("", "a mark without a kind and an arm", "Such as: guard mark edit arm-07")
    mark, about = _said(desk, args, None)
    number = desk.mark(mark)
    told = f"{mark.kind}{about} on {mark.arm}, {shown(mark.at, desk.settings.zone())}"
    output.show([Line(f"Recorded: {told} (ledger entry {number}).")])
    _ask_for_the_cell(mark, number)
    output.show(too_old(desk, mark.cell, mark.date_code, mark.installed))
    return 0


def _correct(desk: Desk, args: argparse.Namespace) -> int:
    """Let a mark stand in the place of another; the other stays in the ledger as it was written."""
    old, zone = desk.marked(args.correct), desk.settings.zone()
    if args.arm is not None and desk.arm(args.arm) != old.arm:
        instead = f"It never happened on {old.arm}: guard mark --correct {args.correct} --never-happened. Then record it anew."
        raise NotUnderstood("", f"entry {args.correct} on another arm than {old.arm}", instead)
    was = f"{old.kind} on {old.arm}, {shown(old.at, zone)}"
    if args.never_happened:
        if args.kind or args.at or args.set or args.cell or args.date_code:
            raise NotUnderstood("", "--never-happened with what happened", "Only --by and --note tell more of it.")
        gone = old._replace(by=args.by or old.by, note=args.note or old.note)
        number = desk.mark(gone, args.correct, withdrawn=True)
        output.show([Line(f"Recorded: entry {args.correct} ({was}) never happened (ledger entry {number}).")])
        return 0
    mark, about = _said(desk, args, old)
    number = desk.mark(mark, args.correct)
    told = f"{mark.kind}{about} on {mark.arm}, {shown(mark.at, zone)}"
    output.show([Line(f"Recorded: {told}, in place of entry {args.correct}, {was} (ledger entry {number}).")])
    _ask_for_the_cell(mark, number)
    output.show(too_old(desk, mark.cell, mark.date_code, mark.installed))
    return 0


def _said(desk: Desk, args: argparse.Namespace, old: Mark | None) -> tuple[Mark, str]:
    """The mark that was said, and what it is about; what is not said is as it was in the old one."""
    kind = args.kind or (old.kind if old else "")
    if kind not in MARK_KINDS:
        raise NotUnderstood("", f"the mark {kind!r}", f"The kinds are: {', '.join(MARK_KINDS)}.")
    arm = desk.arm(old.arm if old else args.arm)
    by_the_clock = old is None and not re.match("[0-9]{4}-", args.at or "")
    now = desk.time_of(arm, SAY_WHEN) if by_the_clock else desk.now()
    at = parse_when(args.at, now, desk.settings.zone()) if args.at else old.at if old else now
    if at > now:
        raise NotUnderstood("", f"a mark in the future ({args.at})", "A mark tells what has happened.")
    by, note = args.by or (old.by if old else ""), args.note or (old.note if old else "")
    if args.set and kind not in SET_MARKS:
        raise NotUnderstood("", f"--set with {kind}", f"Only {' and '.join(SET_MARKS)} are about one set.")
    if kind == "memory-checked":
        return _memory_checked(desk, args, Mark(kind, arm, at, by, note), old)
    if kind != "restore-test":
        mark = _about_a_cell(desk, args, Mark(kind, arm, at, by, note), old)
        return mark, f" ({mark.cell})" if mark.cell else ""
    if old is not None and old.kind == kind and not args.set:
        return Mark(kind, arm, at, by, note, old.fingerprint), " of the set named before"
    path, fingerprint = restored(desk, arm, args.set, at)
    return Mark(kind, arm, at, by, note, fingerprint), f" of {path}" if path else " of no set in particular"


def _memory_checked(desk: Desk, args: argparse.Namespace, mark: Mark, old: Mark | None) -> tuple[Mark, str]:
    """A person answers for the content of one set for good, so it tells who, of which set, and why."""
    before = old.fingerprint if old is not None and old.kind == mark.kind else None
    if not (args.set or before) or not mark.by.strip() or not mark.note.strip():
        instead = "Name the set that was saved after it, who looked it through, and why it is right: --set SET --by NAME --note WHY"
        raise NotUnderstood("", "a memory-checked mark without all of it", instead)
    if not args.set:
        return mark._replace(fingerprint=before), " of the set named before"
    known, place = desk.resolve(args.set)
    if known.arm != mark.arm or place != 0 or known.fingerprint is None:
        instead = f"Name a set of {mark.arm} on the share that was read. See: guard sets {mark.arm}"
        raise NotUnderstood("", f"the set {args.set!r} for {mark.arm}", instead)
    return mark._replace(fingerprint=known.fingerprint), f" of {known.path}"


def _ask_for_the_cell(mark: Mark, number: int) -> None:
    if mark.kind in CELL_MARKS and not mark.cell:
        output.show([Line(f"{NO_CELL} Tell it: guard mark --correct {number} --cell TYPE")])


def _about_a_cell(desk: Desk, args: argparse.Namespace, mark: Mark, old: Mark | None) -> Mark:
    """The mark with the cell that it is about: the one that is named, else the only one that the arm has."""
    if mark.kind not in CELL_MARKS:
        if args.cell or args.date_code:
            wrong = f"--cell or --date-code with {mark.kind}"
            raise NotUnderstood("", wrong, "They tell of alarms and changes of cells.")
        return mark
    types = desk.settings.cell_types
    if args.cell and args.cell not in types:
        raise NotUnderstood("", f"the cell type {args.cell!r}", f"The types are: {', '.join(types)}.")
    has = {cell.type for cell in desk.settings.arms[mark.arm].cells}
    cell = args.cell or (old.cell if old else "") or (has.pop() if len(has) == 1 else "")
    if mark.kind == "cell-alarm" or not cell:
        if args.date_code:
            wrong = "--date-code without a new cell"
            raise NotUnderstood("", wrong, "Name the new cell: cell-changed with --cell TYPE.")
        return mark._replace(cell=cell)
    told = old is not None and not args.at and old.installed
    installed = told or mark.at.astimezone(desk.settings.zone()).date()
    made = date_code(args.date_code, installed) if args.date_code else old.date_code if old else None
    return mark._replace(cell=cell, installed=installed, date_code=made)


def configure_ledger(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard ledger`."""
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="show|check")
    show = verbs.add_parser("show", help="the newest entries, one line each")
    show.add_argument("--last", type=int, default=20, metavar="N", help="how many (default 20; 0: all)")
    show.add_argument("--json", action="store_true", help="one JSON document instead of a screen")
    check = verbs.add_parser(
        "check",
        help="whether the whole chain is intact; exit code 20 where not",
    )
    check.add_argument("--json", action="store_true", help="one JSON document instead of a screen")
    return _ledger


def _ledger(args: argparse.Namespace) -> int:
    desk = Desk(load(args.config))
    return _ledger_show(desk, args) if args.verb == "show" else _ledger_check(desk, args)


def _ledger_show(desk: Desk, args: argparse.Namespace) -> int:
    entries = desk.entries(args.last or None)
    if args.json:
        output.show_json({"schema": 1, "entries": [entry._asdict() for entry in entries]})
        return 0
    from guard.tell.entries import sentence

    zone = desk.settings.zone()
    for entry in entries:
        label = f"{entry.seq:>6}  {_when(entry.at, zone)}  {entry.kind:<9}{entry.arm:<10}"
        output.show([Line(sentence(entry.kind, entry.body, zone), label=f"{label} ", label_style="quiet")])
    return 0


def _when(text: str, zone: tzinfo) -> str:
    """When an entry was made; what is no time, as it stands."""
    try:
        return shown(moment(text), zone)
    except ValueError:
        return text or "at an unknown time"


def _ledger_check(desk: Desk, args: argparse.Namespace) -> int:
    found = desk.check()
    intact = found.first_bad is None
    if args.json:
        document = {"schema": 1, "entries": found.entries, "intact": intact, "first_bad": found.first_bad}
        output.show_json(document)
    elif intact:
        output.show([Line(f"The ledger is intact: {found.entries} entries, each following from the one before.")])
    else:
        text = (
            f"The ledger was tampered with or damaged: the first entry that is wrong is {found.first_bad}"
            f" ({found.why}). Keep the file as it is and restore the ledger from a backup of the state folder."
        )
        output.show([Line(text, style="hold")])
    return 0 if intact else EXIT_CODES["hold"]


def configure_explain(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard explain`."""
    parser.add_argument("code", metavar="CODE", help="a finding's code, such as stale-backup")
    return _explain


def _explain(args: argparse.Namespace) -> int:
    if args.code not in EXPLANATIONS:
        raise UnknownCode(args.code, list(EXPLANATIONS))
    output.show(_explanation_lines(args.code))
    return 0


def _explanation_lines(code: str) -> Iterator[Line]:
    told = EXPLANATIONS[code]
    yield Line(f"{code}: {told.title}", style="head")
    yield Line(told.meaning, label="Means", indent=1, label_width=8)
    yield Line(told.why, label="Why", indent=1, label_width=8)
    for level, when in told.levels:
        yield Line(f"{level}: {when}", label="Level", indent=1, label_width=8)
    yield Line(told.remedy, label="Do", indent=1, label_width=8)


COMMANDS = {"mark": configure_mark, "ledger": configure_ledger, "explain": configure_explain}
