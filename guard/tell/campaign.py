"""A campaign in words, as its screen, its page and its calendar entries tell it. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, timedelta

from guard.model import Finding
from guard.plan.campaign import CELL_WORK, Campaign, Missed, Need, Terms, Turn
from guard.plan.windows import MINUTE, SEEN_AND_READ
from guard.times import shown, shown_with_age
from guard.units import in_words, typed

Rows = list[tuple[str, str]]
"""Arms, and what is told of each."""


def named(terms: Terms, *, aged: bool = False) -> str:
    """The event that a campaign is for; ``aged`` tells how far it is off, where that is read at once."""
    event = terms.event
    title = f" ({event.title})" if event.title else ""
    return f"{event.id}, {event.kind}{title}: {_shown(event.start, terms, aged=aged)}, for {in_words(event.off_for)}"


def _shown(moment: datetime, terms: Terms, *, aged: bool) -> str:
    return shown_with_age(moment, terms.as_of, terms.zone) if aged else shown(moment, terms.zone)


def counted(plan: Campaign) -> str:
    """How many arms there are of each sort."""
    counts = {word: sum(each.needed == word for each in plan.needs) for word in ("proof", "other", "nothing")}
    told = (
        (len(plan.turns), "to back up"),
        (len(plan.missed), "cannot be backed up in time"),
        (counts["proof"], "to read back only"),
        (counts["other"], "held by something else"),
        (counts["nothing"], "done"),
        (len(plan.not_configured), "not in the configuration"),
    )
    return ", ".join(f"{count} {what}" for count, what in told if count) or "none"


def times(plan: Campaign, *, aged: bool = False) -> Iterator[tuple[str, str]]:
    """The moments that matter, with their names; none where nothing is to be backed up."""
    terms, zone = plan.terms, plan.terms.zone
    if not plan.turns and not plan.missed:
        return
    limit = in_words(terms.limit)
    yield "Counts from", f"{shown(terms.counts_from, zone)}; what is saved before will be too old ({limit} is allowed)"
    after = f"{in_words(terms.settle)} to settle and " if terms.settle else ""
    yield "Ready by", f"{shown(terms.ready_by, zone)}, to leave {after}{in_words(SEEN_AND_READ)} to be read back"
    if plan.begin_by is not None:
        yield "Begin by", f"{_shown(plan.begin_by, terms, aged=aged)} at the latest, with {by_whom(terms)}"


def by_whom(terms: Terms) -> str:
    """How many people there are, and how long each backup keeps one of them busy."""
    return f"{_people(terms.people)} and {terms.each // MINUTE} min a backup"


def _people(count: int) -> str:
    return "1 person" if count == 1 else f"{count} people"


def to_begin(plan: Campaign) -> str:
    """In one sentence how the arms stand, and by when one person alone must begin with the backups."""
    by = "" if plan.begin_by is None else f"; begin by {shown(plan.begin_by, plan.terms.zone)}, one person alone"
    return f"{counted(plan)}{by}: guard campaign {plan.terms.event.id}"


def own_window(turn: Turn, terms: Terms) -> str:
    """Why an arm has a window of its own; empty where it is that of all."""
    counts = shown(turn.counts_from, terms.zone)
    later = turn.counts_from > max(terms.counts_from, terms.as_of + MINUTE)
    if turn.kept_off:
        off = f"its power is planned to be off meanwhile ({', '.join(turn.kept_off)})"
        return f"{off}: not before {counts}" if later else f"{off}: save it before that"
    return f"it was edited, or its cell was changed: a backup counts from {counts} on" if later else ""


def why_missed(missed: Missed, terms: Terms) -> str:
    """Why an arm's backup cannot be made in time."""
    first, ends = missed.span.first, missed.span.ends
    if missed.fits:
        return f"nobody is free for it between {shown(first, terms.zone)} and {shown(ends, terms.zone)}"
    off = f"; its power is planned to be off ({', '.join(missed.span.kept_off)})" if missed.span.kept_off else ""
    if ends - first <= timedelta():
        return f"it had to end by {shown(ends, terms.zone)} and counts from {shown(first, terms.zone)} on{off}"
    room = in_words(ends - first)
    return f"there are {room} for it, from {shown(first, terms.zone)} on; it takes {in_words(terms.each)}{off}"


def helps(plan: Campaign) -> list[str]:
    """What would make it possible to make all backups in time."""
    terms, helping = plan.terms, plan.help
    if helping is None:
        return []
    told = []
    unable = sum(not each.fits for each in plan.missed)
    if helping.people is not None:
        which = f"all but {unable}" if unable else "all of them"
        told.append(f"{_people(helping.people)} instead of {terms.people} make {which} in time.")
    if helping.limit is not None:
        told.append(
            f"{_people(terms.people)} would make all of them if sets might be {typed(helping.limit)} old"
            f" ({terms.event.kind} under [fresh] in the configuration; now {typed(terms.limit)})."
        )
    if helping.begin_by is not None:
        past = shown(helping.begin_by, terms.zone)
        told.append(
            f"With {by_whom(terms)} the first one had to be begun by {past}. That is past: start the event later."
        )
    if not told:
        told.append("Nothing but another time for the event, or for those beside it: guard event list")
    return told


def besides(plan: Campaign) -> Iterator[tuple[str, Rows]]:
    """What there is to say of the other arms, under its titles; nothing of none."""
    sorts = {word: [each for each in plan.needs if each.needed == word] for word in ("proof", "other", "nothing")}
    by = shown(plan.terms.event.start, plan.terms.zone)
    cells = any(found.code in CELL_WORK for each in plan.needs for found in each.beside)
    rows: list[tuple[str, Rows]] = [
        (f"To read back only, by {by}", [(each.arm, f"guard prove --arm {each.arm}") for each in sorts["proof"]]),
        (
            f"To do besides, by {by}{'; a cell is changed before the backup of its arm' if cells else ''}",
            _together([(each.arm, " ".join(_lifts(each))) for each in plan.needs if _lifts(each)]),
        ),
        (
            "Done: a proven set will be fresh at the start",
            [(each.arm, _resting(each, plan)) for each in sorts["nothing"]],
        ),
        (
            "Not in the configuration, so nobody looks after them",
            [
                (arm, f"put it back, or plan the event without it: guard event drop {plan.terms.event.id}")
                for arm in plan.not_configured
            ],
        ),
    ]
    return ((title, told) for title, told in rows if told)


def _together(rows: Rows) -> Rows:
    """What is told of many arms stands once, as where the share cannot be read."""
    arms: dict[str, list[str]] = {}
    for arm, text in rows:
        arms.setdefault(text, []).append(arm)
    return [
        (names[0], text) if len(names) == 1 else (f"{len(names)} arms", f"{text} ({', '.join(names)})")
        for text, names in arms.items()
    ]


def _lifts(each: Need) -> list[str]:
    return list(dict.fromkeys(f"{found.remedy.rstrip('.')}." for found in each.beside))


def _resting(each: Need, plan: Campaign) -> str:
    resting = each.verdict.resting
    if resting is None:
        return "no set"
    return f"{resting.set.path}, saved {shown_with_age(resting.captured_at, plan.terms.as_of, plan.terms.zone)}"


def todo(plan: Campaign, each: Need) -> Rows:
    """What lifts each blocking finding of an arm, and by when: each remedy once, with what it lifts."""
    codes: dict[tuple[str, str], list[str]] = {}
    for found in each.blocking:
        what = f"{found.remedy.rstrip('.')}.", _by(plan, each, found)
        codes.setdefault(what, []).append(found.code)
    rows = [(remedy, f"{by}; it lifts {', '.join(dict.fromkeys(lifted))}") for (remedy, by), lifted in codes.items()]
    if each.needed == "backup" and not any(map(each.is_saved_for, each.blocking)):
        rows.insert(0, (f"Save a backup of {each.arm}: its power is planned to be off before.", _begin(plan, each)))
    return rows


def _by(plan: Campaign, each: Need, found: Finding) -> str:
    if each.is_saved_for(found):
        return _begin(plan, each)
    due = plan.due(each, found) or plan.terms.event.start
    after = ", before its backup" if due != plan.terms.event.start else ""
    return f"By {shown(due, plan.terms.zone)}{after}"


def _begin(plan: Campaign, each: Need) -> str:
    terms, turn = plan.terms, plan.turn_of(each.arm)
    if turn is None:
        return "Too late: " + next(why_missed(missed, terms) for missed in plan.missed if missed.arm == each.arm)
    due = turn.begin_by
    begin = f"Begin by {shown(due, terms.zone)}"
    is_now = turn.counts_from <= terms.as_of + MINUTE
    return begin if is_now else f"{begin}, not before {shown(turn.counts_from, terms.zone)}"
