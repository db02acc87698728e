"""The faces of a nightly report: the page, the text for mail, and the JSON, all of one record."""

from __future__ import annotations

import json
from collections.abc import Iterable, Iterator, Sequence
from datetime import datetime, tzinfo
from textwrap import wrap

from guard.model import Level
from guard.names import visible
from guard.plan.charge_ahead import grouped
from guard.rules.evidence import seconds, utc
from guard.tell.cautions import CAUTIONS
from guard.tell.charge_words import COLUMNS, charge_document, told, which
from guard.tell.told import Area, ArmNight, Charge, Coming, Lot, Night, Step
from guard.times import shown
from guard.units import bytes_in_words, figure, in_words

WIDTH = 78
"""Characters in a line of mail: RFC 5322, 2.1.1."""


def as_json(night: Night) -> str:
    """The report for programs."""
    return json.dumps(document(night), ensure_ascii=True, indent=1, allow_nan=False) + "\n"


def document(night: Night) -> dict[str, object]:
    """The report as the values that JSON writes: times in UTC, spans in seconds, sizes in bytes."""
    return {
        "schema": 1,
        "plant": night.plant,
        "timezone": night.timezone,
        "day": night.day,
        "made_at": utc(night.made_at),
        "counts": dict(night.counts),
        "steps": [_step(step) for step in night.steps],
        "areas": [
            {"area": area.name, "counts": dict(area.counts), "arms": [_arm(arm) for arm in area.arms]}
            for area in night.areas
        ],
        "events": [_event(event) for event in night.plan.events],
        "events_until": utc(night.plan.until),
        "events_later": {"count": night.plan.later, "next": utc(night.plan.next_later)},
        "charge": charge_document(night.charge),
        "changes": {
            "since": utc(night.changes.since),
            "since_last_report": night.changes.reported,
            "happened": [
                {
                    "kind": each.kind,
                    "count": each.total,
                    "newest": [{"at": utc(item.at), "arm": item.arm, "what": item.text} for item in each.items],
                }
                for each in night.changes.happened
            ],
        },
        "proofs": _plain(night.proofs._asdict()),
        "space": _plain(night.space._asdict()),
        "doubts": [doubt._asdict() for doubt in night.doubts],
        "monitor": _plain(night.checked._asdict()),
        "cautions": list(CAUTIONS),
    }


def _plain(fields: dict[str, object]) -> dict[str, object]:
    return {key: utc(value) if isinstance(value, datetime) else value for key, value in fields.items()}


def _step(step: Step) -> dict[str, object]:
    lots = [
        {**_plain(lot._asdict()), "arms": list(lot.arms)}
        for lot in step.lots
    ]  # fmt: skip
    return {
        "level": step.level,
        "do": step.text,
        "why": step.why,
        "codes": list(step.codes),
        "due": utc(step.due),
        "arms": step.arms,
        "expected_hours": step.hours,
        "lots": lots,
    }


def _arm(arm: ArmNight) -> dict[str, object]:
    coming = arm.next
    return {
        "arm": arm.arm,
        "name": arm.name,
        "verdict": arm.level,
        "before": arm.before,
        "message": arm.message,
        "more_findings": arm.more,
        "holds_until": utc(arm.holds_until),
        "then": arm.then,
        "set": arm.set,
        "captured_at": utc(arm.captured_at),
        "age_s": None if arm.age is None else seconds(arm.age),
        "limit_s": seconds(arm.limit),
        "proof": arm.proof,
        "last_read_at": utc(arm.last_read_at),
        "loss": arm.loss and {"probability": arm.loss.probability, "expected_hours": arm.loss.expected_h},
        "next_event": None
        if coming is None
        else {
            "id": coming.id,
            "kind": coming.kind,
            "start": utc(coming.start),
            "verdict": coming.level,
            "too_early": coming.early,
            "begin_by": utc(coming.begin_by),
        },
        "warnings": [_plain(warned._asdict()) for warned in arm.warnings],
        "signed_off": list(arm.signed_off),
    }


def _event(event: Coming) -> dict[str, object]:
    return {
        "id": event.id,
        "kind": event.kind,
        "title": event.title,
        "start": utc(event.start),
        "end": utc(event.end),
        "for_s": seconds(event.end - event.start),
        "verdict": event.level,
        "arms": {level: list(arms) for level, arms in event.arms},
        "too_early": list(event.early),
        "counts_from": utc(event.counts_from),
        "backups": event.backups,
        "begin_by": utc(event.begin_by),
    }


# The page


def as_html(night: Night) -> str:
    """The report as one page that needs nothing else: no script, no file beside it, nothing from elsewhere."""
    from guard.tell.charge_lines import charge_lines
    from guard.tell.charts import age_bar, time_line
    from guard.tell.page import page

    zone = night.zone
    return page(
        "report.html",
        night=night,
        cautions=CAUTIONS,
        time=lambda moment: shown(moment, zone),
        utc=utc,
        span=in_words,
        size=bytes_in_words,
        seconds=seconds,
        many=MANY,
        too_early=TOO_EARLY,
        nothing=NOTHING_TO_DO,
        age_bar=age_bar,
        hours=hours,
        time_line=time_line(night.plan, night.made_at, zone),
        charge_lines=charge_lines(night.charge.ahead, zone),
        charge_shown=which(night.charge, zone),
        groups=grouped(night.charge.ahead, COLUMNS).values(),
        zone=zone,
    )


def hours(count: float) -> str:
    """Hours of work, as closely as they can be meant."""
    return f"{figure(count)} h"


def whom(arms: Sequence[str], *, every: bool) -> str:
    """Arms by name, or all of them in one word where they are every one that is meant."""
    return f"all {len(arms)} arms" if every and len(arms) > MANY else ", ".join(arms)


MANY = 3
"""Up to so many arms are better named."""


# The text


def as_text(night: Night) -> str:
    """The report as plain text for mail."""
    lines = [line for part in _parts(night) for line in part]
    return "\n".join(lines).rstrip("\n") + "\n"


def _parts(night: Night) -> Iterator[Iterable[str]]:
    zone = night.zone
    yield _wrapped(f"{night.plant}: report of the night, {night.day}")
    made = f"Made {shown(night.made_at, zone)} ({night.timezone}). Power-down now: {_counted(night.counts)}."
    yield _wrapped(made)
    yield _headed("What to do, in this order", _steps(night))
    for area in night.areas:
        yield _headed(f"{area.name or 'No area'}: {_counted(area.counts)}", _area(area, zone))
    yield _headed(f"Planned events until {shown(night.plan.until, zone)}", _plan(night))
    yield _headed(f"Charge of the cells until {shown(night.charge.ahead.until, zone)}", _charges(night.charge, zone))
    yield _headed(_since(night), _changes(night))
    yield _headed("Proofs", _proofs(night))
    yield _headed("Room on the share", _space(night))
    yield _headed("What the monitor doubts about itself", _doubts(night))
    yield ["", *(line for caution in CAUTIONS for line in _wrapped(caution))]


def _wrapped(text: str, first: str = "", rest: str | None = None) -> list[str]:
    hanging = " " * len(first) if rest is None else rest
    lines = wrap(visible(text), WIDTH, initial_indent=first, subsequent_indent=hanging, break_on_hyphens=False)
    return lines or [first.rstrip()]


def _headed(title: str, lines: Iterable[str]) -> Iterator[str]:
    yield ""
    titled = _wrapped(title)
    yield from titled
    yield "-" * len(titled[-1])
    yield from lines


def _counted(counts: Iterable[tuple[Level, int]]) -> str:
    return ", ".join(f"{count} {level}" for level, count in counts if count) or "no arm"


def _steps(night: Night) -> Iterator[str]:
    if not night.steps:
        yield from _wrapped(NOTHING_TO_DO)
    for number, step in enumerate(night.steps, 1):
        yield from _wrapped(f"{step.level.upper()}: {step.text}", f"{number:>2}. ")
        if step.why:
            yield from _wrapped(f"Why: {step.why.rstrip('.')}.", "    ")
        if step.hours:
            yield from _wrapped(f"At stake: {hours(step.hours)} of work (chance of a loss times its cost).", "    ")
        if not step.lots and step.due is not None:
            yield from _wrapped(f"By {shown(step.due, night.zone)}.", "    ")
        for lot in step.lots:
            already = f", {step.level} already" if step.mixed and lot.now else ""
            yield from _wrapped(
                f"{lot.area or 'no area'}{already}{_times(lot, night.zone)}: {whom(lot.arms, every=lot.whole)}",
                "    - ",
            )


def _times(lot: Lot, zone: tzinfo) -> str:
    not_before = f", not before {shown(lot.not_before, zone)}" if lot.not_before else ""
    due = f", by {shown(lot.due, zone)}" if lot.due else ""
    event = f" ({lot.event})" if lot.event else ""
    return f"{not_before}{due}{event}"


NOTHING_TO_DO = "Nothing. No arm, no planned event and no part of the monitor asks for anything."


def _area(area: Area, zone: tzinfo) -> Iterator[str]:
    for arm in area.arms:
        name = f" ({arm.name})" if arm.name else ""
        yield from _wrapped(f"{arm.arm}{name}: {_rests_on(arm, zone)}", f"{arm.level.upper():<9}", " " * 9)
        if arm.message:
            more = f" (and {arm.more} more)" if arm.more else ""
            yield from _wrapped(f"{arm.message}{more}", " " * 9)
        if arm.loss is not None:
            yield from _wrapped(f"At stake: {hours(arm.loss.expected_h)}.", " " * 9)
        if arm.next is not None:
            early = f" ({TOO_EARLY})" if arm.next.early else ""
            save = f" Begin its backup by {shown(arm.next.begin_by, zone)}." if arm.next.begin_by else ""
            coming = f"Next: {arm.next.kind}, {shown(arm.next.start, zone)}, {arm.next.level} then{early}.{save}"
            yield from _wrapped(coming, " " * 9)
        for signed in arm.signed_off:
            yield from _wrapped(signed, " " * 9)
        for warned in arm.warnings:
            yield from _wrapped(f"Warning since {shown(warned.raised_at, zone)}: {warned.headline}", " " * 9)


def _rests_on(arm: ArmNight, zone: tzinfo) -> str:
    if arm.set is None:
        return "no proven set"
    age = "of unknown age" if arm.age is None else f"{in_words(arm.age)} old of {in_words(arm.limit)}"
    until = f", holds until {shown(arm.holds_until, zone)}, then {arm.then}" if arm.holds_until else ""
    return f"{age}, {arm.proof}{until}"


def _plan(night: Night) -> Iterator[str]:
    if not night.plan.events:
        yield "Nothing is planned until then."
    for event in night.plan.events:
        title = f" ({event.title})" if event.title else ""
        when = f"{shown(event.start, night.zone)}, for {in_words(event.end - event.start)}"
        text = f"{event.kind}{title}, {when}: {_counted((level, len(arms)) for level, arms in event.arms)}"
        yield from _wrapped(text, f"{event.level.upper():<9}", " " * 9)
        for level, arms in event.arms:
            if level != "clear":
                yield from _wrapped(f"{level}: {whom(arms, every=len(arms) == night.arms)}", " " * 9)
        if event.counts_from is not None:
            yield from _wrapped(_early(event, night), " " * 9)
        if event.begin_by is not None:
            what = f"first of {event.backups} backups" if event.backups > 1 else "backup"
            by = f"Begin the {what} by {shown(event.begin_by, night.zone)}"
            yield from _wrapped(f"{by}, one person alone: guard campaign {event.id}", " " * 9)
    if night.plan.next_later is not None:
        more = "1 more event is" if night.plan.later == 1 else f"{night.plan.later} more events are"
        yield from _wrapped(f"{more} planned for later, the next for {shown(night.plan.next_later, night.zone)}.")


def _charges(charge: Charge, zone: tzinfo) -> Iterator[str]:
    for way in charge.ahead.ways:
        yield from _wrapped(told(way, zone), "- ")
    yield from _wrapped(which(charge, zone))


TOO_EARLY = "too early for its backup"


def _early(event: Coming, night: Night) -> str:
    """For whom it is too early to save the backup that counts for an event, and from when on it is not."""
    arms = whom(event.early, every=len(event.early) == event.total)
    since = "" if event.counts_from is None else shown(event.counts_from, night.zone)
    return f"Too early for the backup of {arms}: one counts for it from {since} on."


def _since(night: Night) -> str:
    since = shown(night.changes.since, night.zone)
    return (
        f"What happened since the report before, {since}"
        if night.changes.reported
        else f"What happened in the last day, since {since}"
    )


def _changes(night: Night) -> Iterator[str]:
    if not night.changes.happened:
        yield "Nothing."
    for each in night.changes.happened:
        yield f"{each.title}: {each.total}"
        for item in each.items:
            yield from _wrapped(item.told, f"  {shown(item.at, night.zone)}  ", " " * 24)
        if each.total > len(each.items):
            yield f"  and {each.total - len(each.items)} before these"


def _proofs(night: Night) -> Iterator[str]:
    proofs = night.proofs
    yield from _wrapped(
        f"Read back since {shown(night.changes.since, night.zone)}: {_sets(proofs.sets)}, {bytes_in_words(proofs.bytes)}."
    )
    if not proofs.due_sets:
        yield "Nothing waits to be read back."
        return
    nights = "1 night" if proofs.nights == 1 else f"{proofs.nights} nights"
    oldest = (
        "some of it was never read back"
        if proofs.oldest is None
        else f"the oldest proof is of {shown(proofs.oldest, night.zone)}"
    )
    due = f"To be read back: {_sets(proofs.due_sets)}, {bytes_in_words(proofs.due_bytes)}, {nights} within the budget"
    yield from _wrapped(f"{due}; {oldest}.")


def _sets(count: int) -> str:
    return "1 set" if count == 1 else f"{count} sets"


def _space(night: Night) -> Iterator[str]:
    space = night.space
    if space.unknown:
        yield from _wrapped(f"How much room is left is not known: {space.unknown}.")
    elif space.free is not None and space.total is not None:
        yield from _wrapped(f"{bytes_in_words(space.free)} free of {bytes_in_words(space.total)}.")
    if space.per_day is not None:
        came, went = bytes_in_words(space.arrived), bytes_in_words(space.gone)
        yield from _wrapped(f"Backups since {shown(space.since, night.zone)}: {came} came, {went} went.")
    yield from _wrapped(space.outlook)


def _doubts(night: Night) -> Iterator[str]:
    if not night.doubts:
        yield "Nothing."
    for doubt in night.doubts:
        yield from _wrapped(doubt.text, "- ")
        yield from _wrapped(doubt.remedy, "  ")
    yield from _wrapped(looked_at(night))


def looked_at(night: Night) -> str:
    """What was looked at about the monitor itself, in one sentence each."""
    checked, zone = night.checked, night.zone
    intact = "intact" if checked.ledger_first_bad is None else f"wrong from entry {checked.ledger_first_bad} on"
    seen = "never" if checked.seen_at is None else shown(checked.seen_at, zone)
    alive = "never" if checked.alive_at is None else shown(checked.alive_at, zone)
    free = "not known" if checked.state_free is None else bytes_in_words(checked.state_free)
    return (
        f"Ledger: {checked.ledger_entries} entries, {intact}. Last pass over the share: {seen}. Last sign of life:"
        f" {alive}. Room on the state folder's disk: {free}. Zone rules: {checked.zone_rules}."
        f" Version: {checked.version}."
    )
