"""Answers to questions in plain language that are about no action: how long is left, and what would be restored."""

from __future__ import annotations

from datetime import datetime

from guard import swaps
from guard.carry import choose_set
from guard.cli import choice, countdown, output, verdicts
from guard.cli.ask import EXIT_CODES, names
from guard.cli.output import Line
from guard.cli.question import Asked
from guard.desk import Desk
from guard.rules.evidence import utc
from guard.rules.restore import Choice
from guard.times import shown


def answer(desk: Desk, asked: Asked, now: datetime, *, as_json: bool) -> int:
    """Answer such a question, after saying what was understood; returns the exit code."""
    return (_window if asked.about == "window" else _restore)(desk, asked, now, as_json=as_json)


def _window(desk: Desk, asked: Asked, now: datetime, *, as_json: bool) -> int:
    """How long the memory cell of each arm may still be out, as `guard swap show` says it."""
    if asked.arms:
        changes, elsewhere = [swaps.change_of(desk, arm) for arm in asked.arms], {}
    else:
        changes, elsewhere = swaps.open_now(desk), swaps.open_elsewhere(desk)
    if as_json:
        told = [countdown.as_json(change) for change in changes]
        output.show_json({**_head("window", now), "answers": told, "not_configured": list(elsewhere)})
    else:
        whose = names(asked.arms) if asked.arms else "every arm whose memory cell is out"
        output.show([Line(f"Understood: how long is left of the swap window, {whose}.", style="quiet")])
        output.show([countdown.not_configured(arm, window) for arm, window in elsewhere.items()])
        for change in changes:
            output.show(countdown.lines(change, desk.settings))
        if not changes and not elsewhere:
            output.show([Line("No memory cell is out.")])
        output.show(verdicts.cautions())
    is_clear = not elsewhere and all(change.state == "none" for change in changes)
    return 0 if is_clear else EXIT_CODES["hold"]


def _restore(desk: Desk, asked: Asked, now: datetime, *, as_json: bool) -> int:
    """Which set of each arm would be restored, and why that one. A hold where there is none, unknown where it cannot be told."""
    found = [choose_set(desk, arm, asked.before).choice for arm in asked.arms]
    if as_json:
        told = [choice.as_json(each, desk.settings) for each in found]
        output.show_json({**_head("restore", now), "answers": told})
    else:
        zone = desk.settings.zone()
        before = f", of those saved before {shown(asked.before, zone)}" if asked.before else ""
        output.show([Line(f"Understood: which set would be restored, {names(asked.arms)}{before}.", style="quiet")])
        for each in found:
            output.show(choice.screen(each, now, desk.settings))
        output.show(verdicts.cautions())
    return max(map(_exit_code, found), key=(0, EXIT_CODES["unknown"], EXIT_CODES["hold"]).index)


def _exit_code(found: Choice) -> int:
    if found.doubt is not None:
        return EXIT_CODES["unknown"]
    return 0 if found.chosen is not None else EXIT_CODES["hold"]


def _head(about: str, now: datetime) -> dict[str, object]:
    return {"schema": 1, "asked_at": utc(now), "about": about}
