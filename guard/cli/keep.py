"""`guard keep`: which old sets may go, moving them into the holding folder, back, and deleting them there."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Iterable, Iterator, Sequence

from guard import held, retain
from guard.cli import output
from guard.cli.ask import Run
from guard.cli.output import Line
from guard.desk import Desk
from guard.held import Left, Moved
from guard.load import load
from guard.retain import Plan
from guard.rules.evidence import utc
from guard.rules.retention import Decision
from guard.share.holding import HOLDING_NAME
from guard.share.refusals import PlanDiffers
from guard.store.retained import HeldSet
from guard.times import shown
from guard.units import bytes_in_words, in_words

NOT_ALL_DONE = 1

Verb = Callable[[Desk, argparse.Namespace], int]


def configure_keep(parser: argparse.ArgumentParser) -> Run:
    """Arguments of `guard keep`."""
    verbs = parser.add_subparsers(dest="verb", required=True, metavar="plan|apply|held|undo|purge|pin|unpin")
    plan = verbs.add_parser(
        "plan",
        help="which sets stay and which may go, and why; changes nothing",
    )
    plan.add_argument("--json", action="store_true", help="one JSON document instead of a screen")
    apply = verbs.add_parser(
        "apply", help="move the released sets into the holding folder of the share",
        description="Look at everything again and move the released sets into the holding folder of the share, from"
        " which `guard keep undo` brings them back. Exit code: 0 where all were moved, 1 where some had to stay.",
    )  # fmt: skip
    apply.add_argument("--plan", metavar="ID", help="only if the plan is still the one with this identity")
    listed = verbs.add_parser("held", help="what lies in the holding folder")
    listed.add_argument("--json", action="store_true", help="one JSON document instead of a screen")
    undo = verbs.add_parser("undo", help="move sets back to where they were")
    undo.add_argument("sets", nargs="*", metavar="SET", help="which (default: all that the last apply moved)")
    purge = verbs.add_parser(
        "purge",
        help="delete for good what was held for longer than keep.grace",
    )
    for changing in (apply, undo, purge):
        changing.add_argument("--yes", action="store_true", help="do not ask")
    pin = verbs.add_parser("pin", help="keep a set, whatever the tiers say")
    unpin = verbs.add_parser("unpin", help="take a pin back")
    for pinning in (pin, unpin):
        pinning.add_argument("set", metavar="SET", help="a set's path, or 8 or more digits of its fingerprint")
        pinning.add_argument("--by", default="", metavar="NAME", help="who wants it so")
        pinning.add_argument("--why", default="", metavar="TEXT", help="the reason")
    return _keep


def _keep(args: argparse.Namespace) -> int:
    verbs: dict[str, Verb] = {
        "plan": _plan, "apply": _apply, "held": _held, "undo": _undo, "purge": _purge, "pin": _pin, "unpin": _pin,
    }  # fmt: skip
    return verbs[args.verb](Desk(load(args.config)), args)


def _plan(desk: Desk, args: argparse.Namespace) -> int:
    plan = retain.plan(desk)
    if args.json:
        output.show_json(_document(plan))
    else:
        output.show(_plan_lines(plan))
    return 0


def _document(plan: Plan) -> dict[str, object]:
    return {
        "schema": 1,
        "plan": plan.identity,
        "sets": [
            {
                "arm": each.arm,
                "path": each.path,
                "keep": each.keep,
                "reasons": list(each.reasons),
                "bytes": each.bytes,
                "captured_at": utc(each.captured_at),
            }
            for each in plan.decisions
        ],
        "bytes_released": sum(each.bytes for each in plan.released),
    }


def _plan_lines(plan: Plan) -> Iterator[Line]:
    arm = ""
    for each in plan.decisions:
        if each.arm != arm:
            arm = each.arm
            yield Line(arm, style="head")
        style = "clear-word" if each.keep else "caution-word"
        yield Line(each.path, label="keep" if each.keep else "release", label_style=style, indent=1, label_width=9)
        for reason in each.reasons:
            yield Line(reason, label="- ", indent=10)
    if not plan.decisions:
        yield Line("No set is known. Run: guard look")
        return
    released = plan.released
    kept = len(plan.decisions) - len(released)
    yield Line(
        f"{_count(kept)} {'stays' if kept == 1 else 'stay'}, {_count(len(released))} may go ({_size(released)}).",
        style="head",
    )
    if released:
        yield Line(f"To move them into {HOLDING_NAME} on the share: guard keep apply --plan {plan.identity}")


def _count(number: int) -> str:
    return f"{number} set" if number == 1 else f"{number} sets"


def _size(sets: Iterable[Decision] | Iterable[HeldSet]) -> str:
    return bytes_in_words(sum(each.bytes for each in sets))


def _apply(desk: Desk, args: argparse.Namespace) -> int:
    from guard.cli.looking import watching

    held.settle(desk)
    plan = retain.plan(desk)
    if args.plan is not None and args.plan != plan.identity:
        raise PlanDiffers(args.plan, plan.identity)
    released, behind = plan.released, retain.behind(desk, plan)
    if not released and not behind:
        output.show([Line("No set may go: nothing was moved. Why each stays: guard keep plan")])
        return 0
    if args.plan is None:
        output.show(_released_lines(plan))
    change = f"move {_count(len(released))} ({_size(released)}) into {HOLDING_NAME} on the share (plan {plan.identity})"
    if behind:
        change += f", and out of the further copies {_count(len(behind))} that went from the share before"
    if not output.confirmed(change, yes=args.yes):
        return output.NOTHING_DONE
    with watching() as progress:
        moved = retain.apply(desk, plan.identity, progress)
    output.show(_moved_lines(moved, "Moved"))
    if moved.done:
        grace = in_words(desk.settings.keep.grace)
        output.show([Line(f"Back again: guard keep undo. For good, once {grace} have passed: guard keep purge")])
    return _outcome(moved)


def _released_lines(plan: Plan) -> Iterator[Line]:
    for each in plan.released:
        yield Line(each.path, label="release", label_style="caution-word", indent=1, label_width=9)
        yield from (Line(reason, label="- ", indent=10) for reason in each.reasons)


def _moved_lines(moved: Moved, verb: str) -> Iterator[Line]:
    yield Line(f"{verb}: {_count(len(moved.done))} ({_size(moved.done)}).", style="head")
    for each in moved.done:
        where = f" in further copy {each.place}" if each.place else ""
        yield Line(f"{each.path}{where}", indent=1)
    yield from _left_lines(moved.left)


def _left_lines(left: Sequence[Left]) -> Iterator[Line]:
    if left:
        yield Line(f"Left as they are: {_count(len(left))}.", style="head")
    for each in left:
        yield Line(f"{each.path}: {each.why}", indent=1)


def _outcome(moved: Moved) -> int:
    return NOT_ALL_DONE if moved.left else 0


def _held(desk: Desk, args: argparse.Namespace) -> int:
    there = held.held(desk)
    if args.json:
        output.show_json({"schema": 1, "sets": [_held_json(each) for each in there]})
        return 0
    zone = desk.settings.zone()
    if not there:
        output.show([Line("Nothing lies in the holding folder.")])
    for each in there:
        where = f" in further copy {each.place}" if each.place else ""
        text = f"{each.path}{where}, {bytes_in_words(each.bytes)}, moved {shown(each.held_at, zone)}: {each.rule}"
        output.show([Line(text, label=each.arm, label_width=10)])
    return 0


def _held_json(each: HeldSet) -> dict[str, object]:
    return {
        "arm": each.arm,
        "path": each.path,
        "place": each.place,
        "held_as": each.held_as,
        "fingerprint": each.fingerprint,
        "captured_at": utc(each.captured_at),
        "held_at": utc(each.held_at),
        "bytes": each.bytes,
        "plan": each.plan,
        "rule": each.rule,
    }


def _undo(desk: Desk, args: argparse.Namespace) -> int:
    wanted = held.held(desk, args.sets) if args.sets else held.last_moved(desk)
    if not wanted:
        output.show([Line("Nothing lies in the holding folder, so there is nothing to move back.")])
        return 0
    output.show(Line(each.path, label="back", indent=1, label_width=9) for each in wanted)
    if not output.confirmed(f"move {_count(len(wanted))} ({_size(wanted)}) back to where they were", yes=args.yes):
        return output.NOTHING_DONE
    moved = held.undo(desk, wanted)
    output.show(_moved_lines(moved, "Moved back"))
    return _outcome(moved)


def _purge(desk: Desk, args: argparse.Namespace) -> int:
    found = held.purgeable(desk)
    output.show(_left_lines(found.left))
    if not found.done:
        output.show([Line("Nothing may be deleted from the holding folder now.")])
        return 0
    output.show(
        Line(each.path, label="delete", label_style="hold-word", indent=1, label_width=9) for each in found.done
    )
    change = f"delete {_count(len(found.done))} ({_size(found.done)}) from the holding folder for good"
    if not output.confirmed(change, yes=args.yes):
        return output.NOTHING_DONE
    moved = held.purge(desk, found.done)
    output.show(_moved_lines(moved, "Deleted"))
    return _outcome(moved)


def _pin(desk: Desk, args: argparse.Namespace) -> int:
    keep = args.verb == "pin"
    pinned = retain.pin(desk, args.set, args.by, args.why, keep=keep)
    does = "is pinned: no plan releases it" if keep else "is not pinned any more"
    output.show([Line(f"{pinned.path} {does}.")])
    return 0


COMMANDS = {"keep": configure_keep}
