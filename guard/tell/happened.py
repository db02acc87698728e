"""What happened since the report before, told from the ledger's entries. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from datetime import datetime, timedelta, tzinfo

from guard.model import rank
from guard.plant import AXIS_ZERO
from guard.store.activity import Happening
from guard.tell.told import ArmNight, Changes, Happened, Item
from guard.times import shown
from guard.units import in_words

MOST = 60
"""More of one kind than this helps nobody in a morning; the rest is counted."""

TITLES = {
    "worse": "Arms that turned for the worse",
    "better": "Arms that turned for the better",
    "damaged": "Sets found damaged",
    "gone": "Sets that are gone",
    "incomplete": "Sets that are not complete",
    "sealed": "New complete sets",
    "rejudged": "Sets judged anew by a changed recipe",
    "proven-again": "Damaged sets that were read back sound again",
    "warning": "Blocking warnings",
    "visit": "Service visits",
    "swap": "Changes of memory cells",
    "proof": "Memories compared after a change or a power-down",
    "sign-off": "Sign-offs",
    "mark": "Marks",
    "event": "Planned events",
    "calendar": "Calendars that were read",
    "keep": "Sets that retention moved or deleted",
    "pin": "Pins of sets",
    "stock": "Spare cells that were counted",
    "presence": "Controllers that began or ceased to answer",
    "carry": "Sets carried to a medium",
    "share": "The share",
}
"""In the order in which they are told."""

UNTOLD = ("verdict", "report")
"""Answers are no changes."""


def changes(
    entries: Iterable[Happening],
    arms: Iterable[ArmNight],
    since: datetime,
    now: datetime,
    zone: tzinfo,
    *,
    reported: bool,
) -> Changes:
    """Everything that happened, by kind: the newest of each, and how many there were."""
    kinds: dict[str, list[Item]] = {kind: [] for kind in TITLES}
    for kind, item in (*_turned(arms, now), *_told(entries, zone)):
        kinds.setdefault(kind, []).append(item)
    return Changes(
        since,
        reported,
        tuple(
            Happened(kind, TITLES.get(kind, f"Entries of the kind {kind}"), len(items), tuple(items[-MOST:]))
            for kind, items in kinds.items()
            if items
        ),
    )


def _turned(arms: Iterable[ArmNight], now: datetime) -> Iterator[tuple[str, Item]]:
    for arm in arms:
        if arm.before is not None and arm.before != arm.level:
            kind = "worse" if rank(arm.level) > rank(arm.before) else "better"
            why = f": {arm.message}" if arm.message else "."
            yield kind, Item(now, arm.arm, f"{arm.before} before, {arm.level} now{why}")


def _told(entries: Iterable[Happening], zone: tzinfo) -> Iterator[tuple[str, Item]]:
    for entry in entries:
        if entry.kind == "set":
            yield from _of_set(entry)
        elif entry.kind not in UNTOLD:
            yield entry.kind, Item(entry.at, entry.arm, text_of(entry.kind, entry.body, zone))


def text_of(kind: str, body: Mapping[str, object], zone: tzinfo) -> str:
    """What an entry of the ledger says, in one sentence; of a kind that nobody here knows, all of it."""
    teller = _TELLERS.get(kind)
    return teller(body, zone) if teller else ", ".join(f"{key}: {value}" for key, value in body.items())


def _of_set(entry: Happening) -> Iterator[tuple[str, Item]]:
    body, state, path = entry.body, entry.body.get("state"), str(entry.body.get("set", ""))
    place = body.get("place")
    where = path if place == 0 else f"{path} in further copy {place}"
    if state == "damaged":
        yield "damaged", Item(entry.at, entry.arm, f"{where}: {body.get('what', '')}")
    elif state == "read-back" and body.get("was_damaged"):
        yield "proven-again", Item(entry.at, entry.arm, where)
    elif state == "gone" and body.get("why"):
        return  # an entry of its own tells that it was moved, and why
    elif state in ("gone", "settled", "complete") and place == 0:
        kind = {"gone": "gone", "settled": "incomplete", "complete": "sealed"}[str(state)]
        yield "rejudged" if body.get("why") and state == "complete" else kind, Item(entry.at, entry.arm, path)


def _mark(body: Mapping[str, object], _zone: tzinfo) -> str:
    by = f" by {body['by']}" if body.get("by") else ""
    note = f": {body['note']}" if body.get("note") else ""
    told = f"{body.get('kind', '')}{by}{note}"
    if body.get("withdrawn"):
        return f"entry {body.get('corrects')} never happened: {told}"
    return f"{told} (in place of entry {body['corrects']})" if "corrects" in body else told


_KEPT = {"held": "moved into the holding folder", "returned": "moved back", "purged": "deleted for good"}


def _keep(body: Mapping[str, object], _zone: tzinfo) -> str:
    place = f" in further copy {body['place']}" if body.get("place") else ""
    return f"{body.get('set', '')}{place} {_KEPT.get(str(body.get('act')), 'treated')}: {body.get('rule', '')}"


def _pin(body: Mapping[str, object], _zone: tzinfo) -> str:
    by = f" by {body['by']}" if body.get("by") else ""
    why = f": {body['why']}" if body.get("why") else ""
    return f"{body.get('set', '')} {'pinned' if body.get('pinned') else 'not pinned any more'}{by}{why}"


def _carry(body: Mapping[str, object], _zone: tzinfo) -> str:
    return f"{body.get('set', '')} copied to {body.get('bag', '')} and read back there"


def _sign_off(body: Mapping[str, object], zone: tzinfo) -> str:
    until = time_of(body.get("until"), zone)
    return f"{body.get('by', '')} answers for {body.get('code', '')} until {until}: {body.get('why', '')}"


def _event(body: Mapping[str, object], zone: tzinfo) -> str:
    if body.get("verb") == "drop":
        return f"{body.get('event', '')} dropped"
    title = f" ({body['title']})" if body.get("title") else ""
    return f"{body.get('kind', '')}{title} planned for {time_of(body.get('start'), zone)}"


def _calendar(body: Mapping[str, object], _zone: tzinfo) -> str:
    left = body.get("left")
    left_out = f", {len(left)} left out" if isinstance(left, list) and left else ""
    counts = ", ".join(f"{body.get(verb, 0)} {verb}" for verb in ("added", "changed", "removed"))
    return f"{body.get('source', '')}: {counts}{left_out}"


def _warning(body: Mapping[str, object], _zone: tzinfo) -> str:
    if body.get("verb") == "lifted":
        return f"lifted, {body.get('lifted_by') or 'for no reason that was told'}; it said: {body.get('headline', '')}"
    return f"{body.get('verb', '')}: {body.get('headline', '')}"


def _share(body: Mapping[str, object], _zone: tzinfo) -> str:
    return f"{'The share' if body.get('place') == 0 else 'A further copy'} was {body.get('what', '')}."


def _swap(body: Mapping[str, object], _zone: tzinfo) -> str:
    by = f" by {body['by']}" if body.get("by") else ""
    if body.get("verb") == "begin":
        return f"the old cell was taken out{by}"
    out, limit = body.get("elapsed_s"), body.get("limit_s")
    if isinstance(out, int | float) and isinstance(limit, int | float):
        spans = in_words(timedelta(seconds=out)), in_words(timedelta(seconds=limit))
        return f"the new cell was seated{by}; the memory was without one for {spans[0]} of {spans[1]}"
    return f"{body.get('verb', '')}{by}"


def _stock(body: Mapping[str, object], _zone: tzinfo) -> str:
    made = f", made {body['date_code']}" if body.get("date_code") else ""
    by = f" by {body['by']}" if body.get("by") else ""
    return f"{body.get('count', '')} x {body.get('cell', '')}{made}, counted{by}"


def _presence(body: Mapping[str, object], zone: tzinfo) -> str:
    since = time_of(body.get("since"), zone)
    if body.get("answers"):
        return f"its controller answers, since {since}"
    return f"its controller has not answered since {since}: {body.get('why', '')}"


_OUTCOMES = {
    "retained": "the memory is what it was: {after} equals {set}",
    "checked": "{by} answers for the memory as {after} holds it, compared with {set}",
    "first-of-all": "{after} is the first set that tells what the memory holds",
    "differs": "THE MEMORY DIFFERS: {after} is not what {set} was",
}


def _proof(body: Mapping[str, object], _zone: tzinfo) -> str:
    since = "change of the memory cell" if body.get("of") == "memory-swap" else "power-down"
    named = {"after": _set(body, "after"), "set": _set(body, "set"), "by": str(body.get("by") or "nobody")}
    told = _OUTCOMES.get(str(body.get("outcome")), "{after} was compared with {set}").format_map(named)
    parts = body.get("differs")
    named_parts = [str(each.get("part") or "files of no part") for each in parts] if isinstance(parts, list) else []
    differs = sorted(named_parts, key=lambda part: part != AXIS_ZERO)
    return f"after a {since}: {told}" + (f" in {', '.join(differs)}" if differs else "")


def _set(body: Mapping[str, object], key: str) -> str:
    """A set of an entry with its fingerprint, as far as it is told."""
    path, fingerprint = body.get(key), body.get("fingerprint" if key == "set" else f"{key}_fingerprint")
    return f"{path} ({str(fingerprint)[:12]})" if path and fingerprint else str(path or "an unknown set")


def _visit(body: Mapping[str, object], _zone: tzinfo) -> str:
    by = f" by {body['by']}" if body.get("by") else ""
    if body.get("verb") == "begin":
        return f"begun{by}"
    if body.get("verb") == "end":
        return f"signed{by}"
    if body.get("verb") == "give-up":
        return f"given up{by}: {body.get('why', '')}"
    note = f": {body['note']}" if body.get("note") else ""
    return f"{body.get('step', '')} {body.get('verb', '')}{by}{note}"


def time_of(text: object, zone: tzinfo) -> str:
    """A moment of an entry as people in the plant read it; what is none, as it stands."""
    try:
        return shown(datetime.fromisoformat(str(text)), zone)
    except ValueError:
        return str(text)


_TELLERS = {
    "mark": _mark,
    "keep": _keep,
    "pin": _pin,
    "carry": _carry,
    "sign-off": _sign_off,
    "event": _event,
    "calendar": _calendar,
    "warning": _warning,
    "share": _share,
    "swap": _swap,
    "stock": _stock,
    "presence": _presence,
    "proof": _proof,
    "visit": _visit,
}
