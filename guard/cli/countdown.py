"""The screen of a swap window: how long the cell has been out, how long is left, and what to do; live on a terminal."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from datetime import timedelta, tzinfo

from guard import swaps
from guard.cli import output
from guard.cli.output import Line
from guard.cli.verdicts import cautions
from guard.desk import Desk
from guard.model import SwapWindow
from guard.rules.evidence import MICROSECOND, seconds, utc
from guard.rules.lapses import accounts
from guard.rules.memory import after_the_change, in_order, told
from guard.rules.standing import standing
from guard.rules.window import (
    State,
    TimeOut,
    closing_from,
    is_by_hold_up,
    limit_in_words,
    remedy,
    seat_now,
    ticking,
    time_out,
    to_restore,
    why,
)
from guard.settings import Settings
from guard.swaps import Change
from guard.tell.happened import text_of
from guard.times import shown
from guard.units import in_words

STYLES: dict[State, str] = {
    # IEC 60073: yellow for abnormal, red for what must be dealt with at once; the word says it as well.
    "none": "clear",
    "open": "caution",
    "closing": "hold",
    "over": "hold",
    "awaiting-proof": "hold",
}

SECOND = timedelta(seconds=1)
BAR_CELLS = 40
LEAVING = "Ctrl-C leaves this screen; the clock runs on."
HOLD_UP = "hold-up"
"""In a row of facts, where the next one says what it is."""


def lines(change: Change, settings: Settings) -> Iterator[Line]:
    """How far the change of one arm's memory cell has come, and what to do now."""
    style = STYLES[change.state]
    yield Line(style=style)
    yield Line(headline(change), style=style)
    yield Line(style=style)
    if change.state == "none":
        if change.proof is not None and change.proof[1]["outcome"] != "differs":
            at, body = change.proof
            yield _fact("Proven", f"{shown(at, settings.zone())}, {text_of('proof', body, settings.zone())}")
        yield from time_out_lines(time_out(change.facts, change.facts.as_of))
        return
    if change.window is not None:
        yield from _facts(change, change.window, settings.zone())
    yield from _compared(change)
    yield Line()
    yield Line("What to do", style="head")
    for number, text in enumerate(to_do(change), 1):
        yield Line(text, label=f"{number}. ", indent=1)


def time_out_lines(out: TimeOut) -> Iterator[Line]:
    """How long a change that is begun now would have, where a capacitor's figures say something about that."""
    reason = why(out)
    if reason is not None:
        yield Line()
        yield Line(f"Begun now, a change of the memory cell would have {limit_in_words(out)}.", style="head")
        yield Line(reason, indent=1)


def _compared(change: Change) -> Iterator[Line]:
    """How the memory differs from what it was, where it does: what can hurt people first."""
    for account in accounts(standing(change.facts)) if change.state == "awaiting-proof" else ():
        if account.how != "differs" or account.after is None or account.compared is None:
            continue
        yield Line()
        yield Line(f"{account.after.set.path} differs from {account.lapse.before or 'the set before'}", style="head")
        yield _fact("Before", f"fingerprint {account.compared.before}")
        yield _fact("After", f"fingerprint {account.compared.after}")
        for part in in_order(account.compared.parts):
            yield Line(told(part), style="hold-word", indent=1)


def headline(change: Change) -> str:
    """The state of the window in one sentence, which begins with what to do or how long is left."""
    arm, window = change.arm, change.window
    if change.state == "none":
        return f"NONE: no memory cell of {arm} is out, and its memory awaits no proof."
    if change.state == "awaiting-proof":
        if any(account.how == "differs" for account in accounts(standing(change.facts))):
            return f"MEMORY DIFFERS: let nobody move {arm}. Its memory is not what it was."
        return f"AWAITING PROOF: nobody knows yet whether the memory of {arm} is whole."
    if window is None:
        return ""
    left = in_words(max(window.limit - window.elapsed, timedelta()))
    return {
        "open": f"OPEN: {left} left to seat the new memory cell of {arm}.",
        "closing": f"CLOSING: {left} left. Seat the new memory cell of {arm} now.",
        "over": (
            f"OVER by {in_words(window.elapsed - window.limit)}: seat the new memory cell of {arm} now, and take its"
            " memory for lost until it was compared."
        ),
    }[change.state]


def _facts(change: Change, window: SwapWindow, zone: tzinfo) -> Iterator[Line]:
    yield _fact("Out for", f"{in_words(window.elapsed)} {_bar(window)}" if _runs(change) else in_words(window.elapsed))
    if _runs(change):
        closing = in_words(closing_from(window, change.facts.limits.closing_permille))
        left = max(window.limit - window.elapsed, timedelta())
        yield _fact("Left", f"{in_words(left)} of {limit_in_words(window, HOLD_UP)}; closing from {closing} on")
    else:
        over = window.elapsed > window.limit
        yield _fact("Limit", f"{limit_in_words(window)}: {'it was out for too long' if over else 'kept'}")
    reason = why(window)
    if reason is not None and change.state != "over":  # then it helps nobody, and room is short
        yield _fact("Why", reason)
    by = f" by {window.began_by}" if window.began_by else ""
    yield _fact("Begun", f"{shown(window.began_at, zone)}{by}")
    if window.ended_at is not None:
        yield _fact("Ended", shown(window.ended_at, zone))
    if change.state != "over":  # where what to do names it
        backup = "none" if window.rests_on is None else f"{window.rests_on}, fingerprint {window.fingerprint}"
        yield _fact("Backup", backup)
    if window.disagree:
        yield _fact("Clocks", window.disagree)


def _runs(change: Change) -> bool:
    return change.state in ("open", "closing", "over")


def not_configured(arm: str, window: SwapWindow) -> Line:
    """That the cell of an arm is out which the configuration does not have any more."""
    text = (
        f"HOLD: the memory cell of {arm} has been out for {in_words(window.elapsed)}, and {arm} is no longer in the"
        f" configuration. Put it back there. When the new cell is seated: guard swap end {arm} --by NAME"
    )
    return Line(text, style="hold")


def _bar(window: SwapWindow) -> str:
    """How much of the limit is used up, drawn in characters that every terminal has."""
    used = BAR_CELLS if window.elapsed >= window.limit else BAR_CELLS * window.elapsed // window.limit
    return f"[{'#' * used}{'.' * (BAR_CELLS - used)}]"


def _fact(label: str, text: str) -> Line:
    return Line(text, label=label, label_style="quiet", indent=1, label_width=10)


def to_do(change: Change) -> list[str]:
    """What to do now, step by step."""
    if change.state == "awaiting-proof":
        return after_the_change(change.facts)
    if change.window is None:
        return []
    at, window = standing(change.facts), change.window
    if change.state == "over":
        return [seat_now(change.arm), to_restore(at, window.rests_on, window.fingerprint, window.began_at)]
    return [remedy(at, window, change.state)]


def as_json(change: Change) -> dict[str, object]:
    """The state of one arm's window as the JSON contract has it; what stands after ``left_s`` is more than that."""
    window = change.window
    document: dict[str, object] = {"arm": change.arm, "state": change.state}
    for key in ("began_at", "elapsed_s", "limit_s", "left_s", "ended_at", "by", "set", "disagree"):
        document[key] = None
    out = time_out(change.facts, change.facts.as_of) if window is None else window
    document |= {"limit_s": seconds(out.limit), "limited_by": "hold-up" if is_by_hold_up(out) else "limit"}
    document["proof"] = change.proof and {"at": utc(change.proof[0]), **change.proof[1]}
    document["hold_up_s"] = out.hold_up and seconds(out.hold_up.lasts)
    if window is None:
        return document
    document |= {"began_at": utc(window.began_at), "elapsed_s": seconds(window.elapsed)}
    document |= {"ended_at": utc(window.ended_at), "by": window.began_by, "disagree": window.disagree}
    if _runs(change):
        document["left_s"] = seconds(max(window.limit - window.elapsed, timedelta()))
    if window.rests_on is not None:
        document["set"] = {"path": window.rests_on, "fingerprint": window.fingerprint}
    return document


def watch(desk: Desk, change: Change, leaving: str = LEAVING, pause: Callable[[float], bool] | None = None) -> bool:
    """Show the countdown until the window is ended; False where the person leaves it earlier.

    ``pause`` waits for so many seconds and tells whether the person has left meanwhile. Leaving
    it, or losing the terminal, stops no clock.
    """
    import gc
    from threading import Event

    from rich.console import Console, Group
    from rich.live import Live

    gc.enable()  # unlike other commands, this one is not over soon
    console, wait, out = Console(highlight=False), pause or Event().wait, timedelta()
    with Live(console=console, auto_refresh=False) as live:
        try:
            while (window := swaps.tick(desk, change.arm)) is not None:
                # Also where no reading can be written down the countdown never grows.
                out = max(out, window.elapsed)
                now = _ticked(change, window._replace(elapsed=out))
                rows = [*lines(now, desk.settings), *cautions(), Line(), Line(leaving, style="quiet")]
                live.update(Group(*output.styled(rows, console.width)), refresh=True)
                if wait((SECOND - out % SECOND + MICROSECOND).total_seconds()):
                    return False
        except KeyboardInterrupt:
            return False
    return True


def _ticked(change: Change, window: SwapWindow) -> Change:
    return change._replace(window=window, state=ticking(window, change.facts.limits.closing_permille)[0])
