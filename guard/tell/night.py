"""The nightly report: gathers what it tells, writes it, and sees that old ones go."""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator, Mapping, Sequence
from datetime import date, datetime, timedelta

from guard.campaigns import order
from guard.desk import Desk
from guard.errors import StateDamaged, StateUnusable
from guard.files import UNFINISHED, write_whole
from guard.model import Level, PlannedEvent, rank
from guard.plan.campaign import Campaign
from guard.plan.charge_ahead import ahead
from guard.plan.events import is_over
from guard.store import activity
from guard.store.events import events as planned_events
from guard.store.warnings import raised
from guard.tell import steps
from guard.tell.board import WORST_FIRST, Board
from guard.tell.doubts import doubts, looked_after
from guard.tell.happened import UNTOLD, changes
from guard.tell.message import Message, channels
from guard.tell.space import space
from guard.tell.told import Area, ArmNight, Charge, Doubt, Next, Night, Plan, Proofs, Space, Step, Warned
from guard.tell.words import sign_offs

DAY = timedelta(days=1)
SPACE_SOON = 30 * DAY
"""Time enough to buy a disk (common practice, no source)."""

MOST_CELLS, POINTS = 8, 13
"""So many cells are followed in a report, each by at least so many points: one a month over a year."""

OURS = re.compile(rf"(\d{{4}}-\d{{2}}-\d{{2}})\.(?:html|txt|json)(?:{re.escape(UNFINISHED)})?", re.ASCII)
"""How our reports are named, those included that a crash left half written."""


def write_report(desk: Desk, now: datetime, day: date) -> tuple[str, ...]:
    """Write a day's report into the state folder and post what tells of it; returns the paths, the page first.

    Called twice for a day it writes the report anew and tells of it once. Raises StateUnusable
    where it cannot be written.
    """
    folder = os.path.join(desk.settings.state, "reports")
    left = list(_remove_old(folder, day, desk.settings.reports.keep))
    told = night(desk, now, day, left)
    paths = write(told, folder)
    record(desk, told, _letter(told, paths[0]))
    return paths


def write(told: Night, folder: str) -> tuple[str, ...]:
    """Write the page, the text and the JSON of a report. Raises StateUnusable where that is not possible."""
    from guard.tell.report import as_html, as_json, as_text

    contents = {"html": as_html(told), "txt": as_text(told), "json": as_json(told)}
    path = folder
    paths = []
    try:
        os.makedirs(folder, exist_ok=True)
        for kind, content in contents.items():
            path = os.path.join(folder, f"{told.day}.{kind}")
            write_whole(path, content.encode("utf-8", "backslashreplace"))
            paths.append(path)
    except OSError as error:
        remedy = "Make it writable for this user and make room on its disk, or name another folder."
        raise StateUnusable(path, error.strerror or str(error), remedy) from error
    return tuple(paths)


def record(desk: Desk, told: Night, message: Message | None) -> None:
    """Record in the ledger what a report said of each arm, and post the message that tells of it."""
    levels = {arm.arm: arm.level for area in told.areas for arm in area.arms}
    text = None if message is None else message.to_json()
    activity.note_report(desk.ledger, told.made_at, told.day, levels, text, channels(desk.settings.notify))


def _letter(told: Night, page: str) -> Message:
    from guard.tell.report import as_text

    level = max((level for level, count in told.counts if count), key=rank, default=None)
    name = os.path.basename(page)
    return Message(f"report {told.day}", told.headline, as_text(told), told.made_at, level, attachments=((name, page),))


def _remove_old(folder: str, day: date, keep: timedelta) -> Iterator[Doubt]:
    """Remove reports of days longer ago than they are kept; what cannot be removed is a doubt to tell."""
    try:
        names = os.listdir(folder)
    except FileNotFoundError:
        return
    except OSError as error:
        yield _not_removed(folder, error)
        return
    for name in sorted(names):
        ours = OURS.fullmatch(name)
        if ours is None or not _is_older(ours[1], day, keep):
            continue
        path = os.path.join(folder, name)
        try:
            os.remove(path)
        except OSError as error:
            yield _not_removed(path, error)


def _is_older(text: str, day: date, keep: timedelta) -> bool:
    try:
        return day - date.fromisoformat(text) > keep
    except ValueError:
        return False


def _not_removed(path: str, error: OSError) -> Doubt:
    text = f"The old report {path} could not be removed: {error.strerror or error}."
    return Doubt("reports", text, "Remove it, or make its folder writable.", grave=False)


# Gathering


def night(desk: Desk, now: datetime, day: date, found: Sequence[Doubt] = ()) -> Night:
    """Everything that a report made now tells. ``found`` are doubts that came up before."""
    settings = desk.settings
    desk.hand_over()
    ever, unreadable = _planned(desk)
    planned = tuple(event for event in ever if not is_over(event, now))
    board = Board(desk.facts_in_turn(list(settings.arms), now, ever), planned, now)
    orders = _orders(desk, board)
    last = activity.report_before(desk.ledger, day.isoformat(), now)
    since = last.at if last is not None and last.at < now else now - DAY
    arms = tuple(_arms(desk, board, orders, last.levels if last is not None else {}))
    entries = activity.happenings(desk.ledger, since, now, UNTOLD)
    room = space(desk.catalogue.store, settings.share, board.share, now, settings.zone())
    checked = looked_after(desk, now)
    troubles = (*found, *unreadable, *doubts(desk, board.now.values(), planned, checked, now))
    return Night(
        plant=settings.plant,
        timezone=settings.timezone,
        day=day.isoformat(),
        made_at=now,
        counts=_counts(arms),
        steps=_steps(board, orders, desk, room, troubles),
        areas=tuple(_areas(arms)),
        plan=_plan(board, orders),
        charge=Charge(ahead(board.held, planned, now, MOST_CELLS, POINTS), board.cells),
        changes=changes(entries, arms, since, now, settings.zone(), reported=last is not None),
        proofs=_proofs(desk, since, now),
        space=room,
        doubts=troubles,
        checked=checked,
        zone=settings.zone(),
    )


def _planned(desk: Desk) -> tuple[tuple[PlannedEvent, ...], tuple[Doubt, ...]]:
    """All events. Where they cannot be read, none and a grave doubt."""
    try:
        found = planned_events(desk.ledger)
    except StateDamaged as error:
        text = f"The planned events cannot be read: {error.reason}. None of them is judged."
        return (), (Doubt("events", text, error.remedy, grave=True),)
    return found, ()


Orders = Mapping[str, Campaign]
"""In which order one person makes the backups before an event, by its id."""


def _orders(desk: Desk, board: Board) -> Orders:
    found = {
        event.id: order(desk.settings, event, board.needs[event.id], board.planned, board.at)
        for event in board.near
        if event.id in board.needs
    }
    return {event: plan for event, plan in found.items() if plan is not None}


def _next(board: Board, orders: Orders, arm: str) -> Next | None:
    coming = board.next.get(arm)
    turn = orders[coming.id].turn_of(arm) if coming is not None and coming.id in orders else None
    return coming if coming is None or turn is None else coming._replace(begin_by=turn.begin_by)


def _plan(board: Board, orders: Orders) -> Plan:
    plan = board.plan()
    told = (
        event._replace(backups=len(orders[event.id].turns), begin_by=orders[event.id].begin_by)
        if event.id in orders
        else event
        for event in plan.events
    )
    return plan._replace(events=tuple(told))


def _arms(desk: Desk, board: Board, orders: Orders, before: dict[str, Level]) -> Iterator[ArmNight]:
    warnings: dict[str, list[Warned]] = {}
    for each in raised(desk.ledger):
        warned = Warned(each.event, each.level, each.headline, each.raised_at)
        warnings.setdefault(each.arm, []).append(warned)
    for arm, judged in board.now.items():
        its = desk.settings.arms[arm]
        resting, first = judged.resting, judged.findings[0] if judged.findings else None
        captured = resting.captured_at if resting else None
        yield ArmNight(
            arm=arm,
            name="" if its.name == arm else its.name,
            area=its.area,
            level=judged.level,
            message=first.message if first else "",
            more=max(len(judged.findings) - 1, 0),
            holds_until=judged.holds_until,
            then=judged.then,
            set=resting.set.path if resting else None,
            captured_at=captured,
            age=board.at - captured if captured is not None else None,
            limit=desk.settings.limits.fresh_for("power-down"),
            proof=resting.proof if resting else None,
            last_read_at=resting.set.last_read_at if resting else None,
            next=_next(board, orders, arm),
            warnings=tuple(warnings.get(arm, ())),
            before=before.get(arm),
            loss=judged.loss,
            signed_off=tuple(sign_offs(judged, desk.settings.zone())),
        )


def _counts(arms: Iterable[ArmNight]) -> tuple[tuple[Level, int], ...]:
    levels = [arm.level for arm in arms]
    return tuple((level, levels.count(level)) for level in WORST_FIRST)


def _areas(arms: Iterable[ArmNight]) -> Iterator[Area]:
    """The areas by name, what has none last; in each the worst arm first, and the one with the most at stake."""
    areas: dict[str, list[ArmNight]] = {}
    for arm in arms:
        areas.setdefault(arm.area, []).append(arm)
    for name in sorted(areas, key=lambda name: (not name, name)):
        members = sorted(areas[name], key=_place)
        yield Area(name, _counts(members), tuple(members))


def _place(arm: ArmNight) -> tuple[int, float, str]:
    return -rank(arm.level), 1.0 if arm.loss is None else -arm.loss.expected_h, arm.arm


def _steps(board: Board, orders: Orders, desk: Desk, room: Space, troubles: Iterable[Doubt]) -> tuple[Step, ...]:
    about_arms = steps.steps(_wants(board, orders), desk.settings.arms)
    about_us = [Step("unknown", doubt.remedy, doubt.text, (), (), None) for doubt in troubles if doubt.grave]
    if room.free == 0 or (room.full_at is not None and room.full_at <= board.at + SPACE_SOON):
        text = "Make room on the share, or give it a larger disk."
        about_us.append(Step("caution", text, room.outlook, (), (), room.full_at or board.at))
    return steps.in_order([*about_arms, *about_us])


def _wants(board: Board, orders: Orders) -> Iterator[steps.Want]:
    for arm, now in board.now.items():
        yield from steps.wants_now(now)
        if arm in board.turned:
            yield from steps.wants_soon(now, board.turned[arm], board.at)
    for event in board.near:
        for arm in dict.fromkeys(event.arms):
            if arm in board.now:
                save_by = orders[event.id].save_by(arm) if event.id in orders else None
                yield from steps.wants_for_event(board.then[event.id, arm], event, board.at, save_by)


def _proofs(desk: Desk, since: datetime, now: datetime) -> Proofs:
    settings = desk.settings
    made = activity.read_back(desk.catalogue.store, since, now)
    due = activity.due_for_read_back(desk.catalogue.store, settings.arms, desk.proven_before(now))
    nights = -(-due.bytes // max(settings.service.read_back_budget, 1)) if due.sets else 0
    return Proofs(made.sets, made.bytes, due.sets, due.bytes, due.oldest, max(nights, 1 if due.sets else 0))
