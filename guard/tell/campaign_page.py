"""A campaign as a page to print and to carry along: everybody's list with a bar and a box to tick for each backup."""

from __future__ import annotations

from itertools import groupby

from guard.plan.campaign import Campaign
from guard.tell.campaign import besides, counted, helps, own_window, times, why_missed
from guard.tell.campaign_chart import Chart
from guard.tell.cautions import CAUTIONS
from guard.tell.page import page
from guard.times import shown
from guard.units import in_words

MARK = b'<meta name="guard-campaign"'
"""By this, early in the file, a page of ours is known again."""


def drawn(plan: Campaign, plant: str) -> str:
    """The campaign as a page of HTML."""
    terms, chart = plan.terms, Chart(plan)
    title = f" ({terms.event.title})" if terms.event.title else ""
    people = groupby(plan.turns, key=lambda turn: turn.person)
    return page(
        "campaign.html",
        plan=plan,
        plant=plant,
        headline=f"Backups before {terms.event.id}, {terms.event.kind}{title}",
        off_for=in_words(terms.event.off_for),
        made_at=shown(terms.as_of, terms.zone),
        zone=str(terms.zone),
        counted=counted(plan),
        times=list(times(plan)),
        missed=[(each.arm, why_missed(each, terms)) for each in plan.missed],
        helps=helps(plan),
        people=[(person, list(turns)) for person, turns in people],
        axis=chart.axis(),
        bar=chart.bar,
        own=lambda turn: own_window(turn, terms),
        time=lambda moment: shown(moment, terms.zone),
        besides=list(besides(plan)),
        cautions=CAUTIONS,
    )
