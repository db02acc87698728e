"""The page and the calendar entries of a campaign: what stands on them, whatever names hold."""

from __future__ import annotations

import re
from datetime import timedelta
from html.parser import HTMLParser

import pytest
from icalendar import Calendar

from guard.ical.write import OUR_UIDS, as_calendar
from guard.plan.campaign import Campaign, campaign, need
from guard.tell.campaign import besides
from guard.tell.campaign_entries import entries
from guard.tell.campaign_page import drawn
from guard.tell.cautions import CAUTIONS
from tests.facts import HOUR, given
from tests.test_campaign import READY, SHUTDOWN, fleet, terms, wanted


class Text(HTMLParser):
    """The words of a page, and how many elements of each kind it has."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.tags: dict[str, int] = {}
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:  # noqa: ARG002
        self.tags[tag] = self.tags.get(tag, 0) + 1

    def handle_data(self, data: str) -> None:
        if not data.lstrip().startswith("/* Colours"):
            self.words.append(data)


def short_of_time() -> Campaign:
    """Three arms, and time for two."""
    return campaign(terms(as_of=READY - timedelta(minutes=50)), fleet(3, 2), [SHUTDOWN])


def test_the_page_shows_every_backup_with_a_bar_and_the_cautions() -> None:
    plan = campaign(terms(people=2), fleet(5, 2), [SHUTDOWN])
    text = Text(drawn(plan, "Ridgemoor Castings"))
    told = " ".join(text.words)
    assert all(turn.arm in told for turn in plan.turns)
    assert text.tags["svg"] == 5 + 2  # and a scale above each person's table
    assert all(caution in told for caution in CAUTIONS)
    assert "NOTICE" not in told


def test_what_cannot_be_made_in_time_is_a_notice_with_what_would_help() -> None:
    told = " ".join(Text(drawn(short_of_time(), "Ridgemoor Castings")).words)
    assert "NOTICE" in told
    assert "nobody is free for it" in told
    assert "2 people instead of 1 make all of them in time." in told


@pytest.mark.parametrize("odd", ["<script>alert(1)</script>", "\u202egnihsinif", "a & b \"c\" 'd'", "\x1b[2J"])
def test_odd_names_stay_text(odd: str) -> None:
    event = SHUTDOWN._replace(title=odd, arms=("arm-00",))
    plan = campaign(terms(event=event), [wanted("arm-00", odd)], [event], (odd,))
    page = drawn(plan, odd)
    assert "<script" not in page
    assert not re.search("[\u202e\x1b]", page)
    (read,) = Calendar.from_ical(as_calendar(entries(plan, odd), plan.terms.as_of)).walk("VEVENT")
    assert not re.search("[\u202e\x1b]", str(read["LOCATION"]) + str(read["DESCRIPTION"]))


def test_a_plan_over_months_and_one_of_minutes_can_be_drawn() -> None:
    for off, least in ((timedelta(days=300), 1), (timedelta(minutes=40), 1)):
        event = SHUTDOWN._replace(start=SHUTDOWN.start + off)
        other = SHUTDOWN._replace(id="ev-9", start=SHUTDOWN.start, off_for=timedelta(days=900), arms=("arm-00",))
        plan = campaign(terms(event=event, limit=timedelta(days=400)), fleet(2, 1), [event, other])
        assert Text(drawn(plan, "x")).tags["svg"] >= 2 + least


def test_what_lifts_the_same_on_many_arms_stands_once() -> None:
    needs = [
        need(given(share={"unreadable": "timed out"}).facts, SHUTDOWN)._replace(arm=f"arm-{n:02}") for n in range(9)
    ]
    told = dict(rows for _, rows in besides(campaign(terms(), needs, [SHUTDOWN])) for rows in rows)
    assert list(told) == ["9 arms"]
    assert "(arm-00, arm-01, arm-02," in told["9 arms"]


# Calendar entries


def test_each_backup_is_an_entry_at_the_latest_time_to_begin_it() -> None:
    plan = campaign(terms(people=2), fleet(5, 2), [SHUTDOWN])
    read = Calendar.from_ical(as_calendar(entries(plan, "Ridgemoor"), plan.terms.as_of)).walk("VEVENT")
    assert sorted((each.start, each.end) for each in read) == sorted(
        (turn.begin_by, turn.begin_by + plan.terms.each) for turn in plan.turns
    )
    assert all(CAUTIONS[0] in each["DESCRIPTION"] for each in read)
    assert len({each["UID"] for each in read}) == 5


def test_planned_anew_for_other_people_each_arm_keeps_its_entry() -> None:
    def uids(people: int, plant: str = "Ridgemoor") -> set[str]:
        plan = campaign(terms(people=people), fleet(5, 2), [SHUTDOWN])
        return {each.uid for each in entries(plan, plant)}

    assert uids(1) == uids(3)
    assert not uids(1) & uids(1, "another plant")


def test_moved_in_the_calendar_that_it_comes_from_the_event_keeps_its_entries() -> None:
    moved = [
        SHUTDOWN._replace(id=id_, uid="x@y", start=SHUTDOWN.start + off)
        for id_, off in (("ev-3", 0 * HOUR), ("ev-8", HOUR))
    ]
    one, other = (
        {each.uid for each in entries(campaign(terms(event=event), fleet(2, 1), [event]), "x")} for event in moved
    )
    assert one == other


def test_the_next_recurrence_of_an_event_has_entries_of_its_own() -> None:
    weekly = [SHUTDOWN._replace(uid="x@y", recurrence=day) for day in ("2026-12-07", "2026-12-14")]
    one, other = (set(entries(campaign(terms(event=event), fleet(2, 1), [event]), "x")) for event in weekly)
    assert not {each.uid for each in one} & {each.uid for each in other}


def test_what_cannot_be_made_in_time_has_an_entry_too() -> None:
    told = {each.summary for each in entries(short_of_time(), "Ridgemoor")}
    assert "NOT backed up in time: arm-01" in told


def test_no_entry_can_be_taken_for_a_planned_event_when_it_is_read_again() -> None:
    assert all(each.uid.endswith(OUR_UIDS) for each in entries(short_of_time(), "Ridgemoor"))
