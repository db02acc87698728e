"""The next planned event, as `guard fleet` shows it: one line that says by when its backups must begin."""

from __future__ import annotations

from collections.abc import Iterator

from guard.campaigns import Nearing
from guard.cli.output import Line
from guard.plan.campaign import Campaign
from guard.rules.evidence import utc
from guard.tell.campaign import named, to_begin


def nearing_lines(ahead: Nearing, plan: Campaign | None) -> Iterator[Line]:
    """What comes next, how many backups it needs, and by when to begin with them; nothing where nothing is near."""
    if ahead.trouble:
        yield Line(ahead.trouble, style="caution-word")
    elif plan is not None:
        text = f"{named(plan.terms, aged=True)}: {to_begin(plan)}"
        yield Line(text, label="NEXT", label_style="head", label_width=22)
    else:
        return
    yield Line()


def nearing_json(plan: Campaign | None) -> dict[str, object] | None:
    """The same for programs; None where nothing is near."""
    return plan and {
        "id": plan.terms.event.id,
        "kind": plan.terms.event.kind,
        "start": utc(plan.terms.event.start),
        "backups": len(plan.turns),
        "begin_by": utc(plan.begin_by),
        "missed": [each.arm for each in plan.missed],
    }
