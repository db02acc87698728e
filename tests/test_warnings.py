"""Blocking warnings: when they are raised, told again and lifted, and that nothing else lifts them."""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Callable, Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.clock import Reading
from guard.clock import now as clock_now
from guard.desk import Desk
from guard.load import load
from guard.model import Finding, PlannedEvent, Question, SwapWindow, Verdict
from guard.plan.warnings import (
    BLOCKING,
    CAUSE_GONE,
    DROPPED,
    OVER,
    SIGNED_OFF,
    SWAP,
    WINDOW_ENDED,
    Change,
    Judged,
    Key,
    Raised,
    due,
    judged,
    next_moment,
    watched,
    window_due,
)
from guard.rules.permit import Permit
from guard.store import warnings as stored
from guard.store import windows
from guard.store.windows import NewCell
from guard.warn import evaluate, tick_windows
from tests.facts import DAY, HOUR, MICROSECOND, NOW, sign_off
from tests.plant import Plant

LEADS = (7 * DAY, 2 * DAY, 4 * HOUR)
EVENT = PlannedEvent("ev-1", "power-down", NOW + DAY, 8 * HOUR, ("arm-07",))
KEY = ("ev-1", "arm-07")
HOLD = Judged("hold", "HOLD", ("stale-backup",))
CLEAR = Judged("clear", "CLEAR")
STANDING = Raised(4, *KEY, "hold", "HOLD", ("stale-backup",), NOW - HOUR, NOW - HOUR)


def changes(
    state: Judged | None,
    *raised: Raised,
    now: datetime = NOW,
    events: Sequence[PlannedEvent] = (EVENT,),
    repeat: timedelta = DAY,
) -> list[tuple[str, str]]:
    found = {} if state is None else {KEY: state}
    return [(each.verb, each.lifted_by) for each in due(events, found, raised, LEADS, repeat, now)]


@pytest.mark.parametrize(
    ("state", "told"),
    [
        pytest.param(HOLD, [("raised", "")], id="hold"),
        pytest.param(Judged("unknown", "UNKNOWN", ("share-offline",)), [("raised", "")], id="unknown"),
        pytest.param(Judged("caution", "CAUTION"), [], id="caution"),
        pytest.param(CLEAR, [], id="clear"),
        pytest.param(None, [], id="not-judged"),
    ],
)
def test_what_raises_a_warning(state: Judged | None, told: list[tuple[str, str]]) -> None:
    assert changes(state) == told


@pytest.mark.parametrize(
    ("now", "raises"),
    [
        pytest.param(EVENT.start - 7 * DAY - MICROSECOND, False, id="just-before-the-longest-lead-time"),
        pytest.param(EVENT.start - 7 * DAY, True, id="at-the-longest-lead-time"),
        pytest.param(EVENT.start + 8 * HOUR - MICROSECOND, True, id="just-before-the-end"),
        pytest.param(EVENT.start + 8 * HOUR, False, id="at-the-end"),
    ],
)
def test_from_when_to_when_a_warning_is_raised(now: datetime, raises: bool) -> None:  # noqa: FBT001
    assert changes(HOLD, now=now) == ([("raised", "")] if raises else [])


@pytest.mark.parametrize(
    ("state", "events", "now", "by"),
    [
        pytest.param(CLEAR, (EVENT,), NOW, CAUSE_GONE, id="clear"),
        pytest.param(Judged("caution", "CAUTION"), (EVENT,), NOW, CAUSE_GONE, id="caution"),
        pytest.param(Judged("caution", "", (), ("stale-backup",)), (EVENT,), NOW, SIGNED_OFF, id="signed-off"),
        pytest.param(Judged("caution", "", (), ("wrong-arm",)), (EVENT,), NOW, CAUSE_GONE, id="other-code-signed-off"),
        pytest.param(HOLD, (), NOW, DROPPED, id="dropped"),
        pytest.param(None, (), NOW, DROPPED, id="dropped-and-not-judged"),
        pytest.param(HOLD, (EVENT._replace(arms=("arm-09",)),), NOW, DROPPED, id="arm-taken-out-of-the-event"),
        pytest.param(HOLD, (EVENT,), EVENT.start + 8 * HOUR, OVER, id="over"),
    ],
)
def test_what_lifts_a_warning(state: Judged | None, events: Sequence[PlannedEvent], now: datetime, by: str) -> None:
    assert changes(state, STANDING, events=events, now=now) == [("lifted", by)]


@pytest.mark.parametrize(
    ("state", "told_at", "now", "verb"),
    [
        pytest.param(HOLD, NOW - HOUR, NOW, None, id="nothing-new"),
        pytest.param(None, NOW - HOUR, NOW, None, id="not-judged-stays"),
        pytest.param(HOLD, NOW - DAY + MICROSECOND, NOW, None, id="just-before-the-repetition"),
        pytest.param(HOLD, NOW - DAY, NOW, "repeated", id="at-the-repetition"),
        pytest.param(None, NOW - DAY, NOW, "repeated", id="repeated-though-not-judged"),
        pytest.param(HOLD, NOW + DAY, NOW, "repeated", id="told-in-the-future-by-a-wrong-clock"),
        pytest.param(HOLD, EVENT.start - 5 * HOUR, EVENT.start - 4 * HOUR, "repeated", id="at-a-lead-time"),
        pytest.param(
            HOLD, EVENT.start - 5 * HOUR, EVENT.start - 4 * HOUR - MICROSECOND, None, id="just-before-a-lead-time"
        ),
        pytest.param(HOLD, EVENT.start - 4 * HOUR, EVENT.start - 3 * HOUR, None, id="lead-time-told-already"),
        pytest.param(HOLD._replace(codes=("edited-since",)), NOW - HOUR, NOW, "changed", id="another-code"),
        pytest.param(HOLD._replace(level="unknown"), NOW - HOUR, NOW, "changed", id="another-level"),
        pytest.param(HOLD._replace(headline="other words"), NOW - HOUR, NOW, None, id="other-words-only"),
    ],
)
def test_when_a_warning_is_told_again(state: Judged | None, told_at: datetime, now: datetime, verb: str | None) -> None:
    assert changes(state, STANDING._replace(told_at=told_at), now=now) == ([(verb, "")] if verb else [])


def test_an_event_is_judged_at_its_start_and_while_it_runs_as_of_now() -> None:
    assert [each.question for each in watched((EVENT,), (), LEADS, NOW)] == [
        Question("power-down", EVENT.start, 8 * HOUR, EVENT.id)
    ]
    running = EVENT.start + HOUR
    assert [each.question.at for each in watched((EVENT,), (), LEADS, running)] == [running]


@pytest.mark.parametrize(
    ("now", "moment"),
    [
        pytest.param(EVENT.start - 8 * DAY, EVENT.start - 7 * DAY, id="the-longest-lead-time"),
        pytest.param(EVENT.start - 7 * DAY, EVENT.start - 2 * DAY, id="at-one-the-next-one"),
        pytest.param(EVENT.start - 4 * HOUR, EVENT.start, id="the-start"),
        pytest.param(EVENT.start, EVENT.start + 8 * HOUR, id="the-end"),
        pytest.param(EVENT.start + 8 * HOUR, None, id="over"),
    ],
)
def test_when_to_judge_whatever_else_happens(now: datetime, moment: datetime | None) -> None:
    assert next_moment([EVENT], LEADS, now) == moment


def test_what_has_a_warning_is_judged_however_early() -> None:
    early = EVENT.start - 30 * DAY
    assert watched((EVENT,), (), LEADS, early) == ()
    assert [each.arm for each in watched((EVENT,), (STANDING,), LEADS, early)] == ["arm-07"]


def test_a_finding_that_somebody_answers_for_blocks_nothing() -> None:
    findings = (
        Finding("stale-backup", "hold", "m", "r", {}, signed_off=sign_off("stale-backup")),
        Finding("edited-since", "hold", "m", "r", {}),
        Finding("odd-entry", "caution", "m", "r", {}),
    )
    answer = Verdict("arm-07", Question("power-down", NOW, HOUR), "hold", None, None, None, findings)
    assert judged(answer, "words") == Judged("hold", "words", ("edited-since",), ("stale-backup",))


# Laws

ARMS, IDS = ("arm-07", "arm-09"), ("ev-1", "ev-2", "ev-3")
MOMENTS = st.builds(
    lambda hours, grains: NOW + hours * HOUR + grains * MICROSECOND,
    st.sampled_from((-200, -24, -5, -4, 0, 4, 24, 40, 48, 150, 168, 200)),
    st.sampled_from((-1, 0, 1)),
)
STATES = st.builds(
    Judged,
    st.sampled_from(("clear", "caution", "unknown", "hold")),
    st.just("words"),
    st.sampled_from(((), ("stale-backup",), ("edited-since", "stale-backup"))),
    st.sampled_from(((), ("stale-backup",))),
)
EVENTS = st.lists(
    st.builds(
        PlannedEvent,
        st.sampled_from(IDS),
        st.just("power-down"),
        MOMENTS,
        st.sampled_from((HOUR, DAY)),
        st.sampled_from((ARMS, ARMS[:1], ARMS[1:])),
    ),
    unique_by=lambda event: event.id,
)
RAISED = st.lists(
    st.builds(
        Raised,
        st.integers(1, 99),
        st.sampled_from((*IDS, SWAP)),
        st.sampled_from(ARMS),
        st.sampled_from(BLOCKING),
        st.just("words"),
        st.sampled_from(((), ("stale-backup",))),
        MOMENTS,
        MOMENTS,
    ),
    unique_by=(lambda each: (each.event, each.arm), lambda each: each.id),
)
FOUND = st.dictionaries(st.tuples(st.sampled_from(IDS), st.sampled_from(ARMS)), STATES)


def applied(raised: Iterable[Raised], made: Iterable[Change], now: datetime) -> list[Raised]:
    """What is raised after the changes: the plain account of what the store does in SQL."""
    there = {(each.event, each.arm): each for each in raised}
    for number, change in enumerate(made):
        key = (change.event, change.arm)
        assert there.get(key) == change.was
        if change.verb == "lifted":
            del there[key]
            continue
        was = change.was or Raised(100 + number, *key, change.level, "", (), now, now)
        there[key] = was._replace(level=change.level, headline=change.headline, codes=change.codes, told_at=now)
    return list(there.values())


@given(EVENTS, FOUND, RAISED)
def test_once_applied_nothing_more_is_due_at_that_moment(
    events: list[PlannedEvent], found: dict[Key, Judged], raised: list[Raised]
) -> None:
    made = due(events, found, raised, LEADS, DAY, NOW)
    assert due(events, found, applied(raised, made, NOW), LEADS, DAY, NOW) == ()


@given(EVENTS, FOUND, RAISED, st.randoms(use_true_random=False))
def test_the_order_of_events_and_warnings_changes_nothing(
    events: list[PlannedEvent], found: dict[Key, Judged], raised: list[Raised], random: Any
) -> None:
    before = due(events, found, raised, LEADS, DAY, NOW)
    random.shuffle(events)
    random.shuffle(raised)
    assert due(events, found, raised, LEADS, DAY, NOW) == before


@given(EVENTS, FOUND, RAISED, FOUND)
def test_a_verdict_that_is_missing_lifts_nothing(
    events: list[PlannedEvent], found: dict[Key, Judged], raised: list[Raised], missing: Mapping[Key, Judged]
) -> None:
    def lifted(states: Mapping[Key, Judged]) -> set[Key]:
        made = due(events, states, raised, LEADS, DAY, NOW)
        return {(each.event, each.arm) for each in made if each.verb == "lifted"}

    fewer = {key: state for key, state in found.items() if key not in missing}
    assert lifted(fewer) <= lifted(found)
    running = {(event.id, arm) for event in events for arm in event.arms if event.start > NOW}
    assert not lifted({}) & running


@given(EVENTS, FOUND, RAISED)
def test_what_blocks_within_its_time_is_raised_afterwards_and_what_does_not_is_not(
    events: list[PlannedEvent], found: dict[Key, Judged], raised: list[Raised]
) -> None:
    after = {(each.event, each.arm) for each in applied(raised, due(events, found, raised, LEADS, DAY, NOW), NOW)}
    for each in watched(events, (), LEADS, NOW):
        key = (each.event.id, each.arm)
        if key in found:
            assert (key in after) == (found[key].level in BLOCKING)
    assert {key for key in after if key[0] == SWAP} == {(e.event, e.arm) for e in raised if e.event == SWAP}


# The swap window


def window(minutes: float, **changes: Any) -> SwapWindow:
    return SwapWindow(
        NOW - timedelta(minutes=minutes), timedelta(minutes=minutes), timedelta(minutes=30), "R. Osei",
        rests_on="arm-07/1", fingerprint="ab" * 32,
    )._replace(**changes)  # fmt: skip


SWAPPING = Raised(9, SWAP, "arm-07", "hold", "words", ("window-closing",), NOW - HOUR, NOW - timedelta(minutes=5))


@pytest.mark.parametrize(
    ("now_open", "raised", "told"),
    [
        pytest.param(window(20.9), (), [], id="open"),
        pytest.param(window(21), (), [("raised", "")], id="closing"),
        pytest.param(window(30), (SWAPPING,), [], id="still-closing-at-the-limit"),
        pytest.param(window(30.001), (SWAPPING,), [("changed", "")], id="over"),
        pytest.param(window(40), (), [("raised", "")], id="over-at-once"),
        pytest.param(
            window(61), (SWAPPING._replace(codes=("window-over",), told_at=NOW - timedelta(minutes=30)),),
            [("repeated", "")], id="over-for-another-length-of-the-window",
        ),
        pytest.param(window(22, ended_at=NOW), (SWAPPING,), [("lifted", WINDOW_ENDED)], id="ended"),
        pytest.param(None, (SWAPPING,), [("lifted", WINDOW_ENDED)], id="no-window"),
        pytest.param(None, (), [], id="never-any"),
        pytest.param(window(40), (SWAPPING._replace(arm="arm-09"),), [("raised", "")], id="another-arms-warning"),
    ],
)  # fmt: skip
def test_the_warning_of_a_swap_window(
    now_open: SwapWindow | None, raised: tuple[Raised, ...], told: list[tuple[str, str]]
) -> None:
    made = window_due("arm-07", now_open, 700, raised, DAY, NOW)
    assert [(each.verb, each.lifted_by) for each in made] == told


def test_a_window_that_is_over_names_the_set_to_restore() -> None:
    (made,) = window_due("arm-07", window(41), 700, (), DAY, NOW)
    assert made.headline == (
        "HOLD: seat the new memory cell of arm-07 now, and take the memory for lost until it was compared. The old"
        " one has been out for 41 min; 30 min is allowed. If the memory is lost, restore arm-07/1 (fingerprint"
        f" {'ab' * 32}) as the machine maker's manual says."
    )


# With a real plant


@pytest.fixture(scope="module")
def looked_after(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant whose arm-07 has an old backup and whose arm-09 a young one, both read back."""
    plant = Plant(tmp_path_factory.mktemp("made") / "plant")
    plant.save("arm-07", timedelta(days=6))
    plant.save("arm-09")
    plant.ready()
    return plant


class Warned:
    """A copy of the plant that is looked after, with its desk at a moment of our own."""

    def __init__(self, made: Plant, root: Path, sheets_on_share: str) -> None:
        self.plant = plant = copy.copy(made)
        shutil.copytree(made.root, root, symlinks=True)
        plant.root, plant.share, plant.config = root, root / "share", root / "guard.toml"
        plant.configure(f"[warnings]\nsheets-on-share = {sheets_on_share}\n")
        self.now = clock_now()
        self.desk = Desk(load(str(plant.config)), lambda: self.now)

    def plan(self, **changes: Any) -> PlannedEvent:
        event = PlannedEvent("", "power-down", self.now + 2 * DAY, 14 * DAY, ("arm-07", "arm-09"))
        return self.desk.plan(event._replace(**changes)).event

    def evaluate(self) -> list[tuple[str, str, str]]:
        return [(each.verb, each.event, each.arm) for each in evaluate(self.desk, self.now)]

    def letters(self) -> list[dict[str, Any]]:
        query = "SELECT message FROM letters WHERE channel='log' ORDER BY id"
        return [json.loads(text) for (text,) in self.desk.ledger.store.connection.execute(query)]

    def sheet(self, arm: str = "arm-07") -> Path:
        return self.plant.root / "state" / "sheets" / f"{arm}.html"

    def on_share(self, arm: str = "arm-07") -> Path:
        return self.plant.share / arm / f"HOLD-{arm}.html"


@pytest.fixture
def warned(looked_after: Plant, tmp_path: Path) -> Warned:
    return Warned(looked_after, tmp_path / "plant", "false")


@pytest.fixture
def warned_on_share(looked_after: Plant, tmp_path: Path) -> Warned:
    return Warned(looked_after, tmp_path / "plant", "true")


def test_a_warning_goes_its_way_from_raised_to_lifted(warned: Warned) -> None:
    event = warned.plan(title="Summer shutdown")

    assert warned.evaluate() == [("raised", event.id, "arm-07")]
    assert warned.evaluate() == []
    assert [each.codes for each in warned.desk.warnings()] == [("stale-backup",)]
    assert warned.sheet().exists()

    warned.plant.save("arm-07")
    warned.plant.look()
    warned.plant.prove()
    warned.now = clock_now()

    assert warned.evaluate() == [("lifted", event.id, "arm-07")]
    assert warned.evaluate() == []
    assert (warned.desk.warnings(), warned.sheet().exists()) == ((), False)
    zone = warned.desk.settings.zone()
    start = f"{event.start.astimezone(zone):%a %Y-%m-%d %H:%M}"
    assert [letter["subject"] for letter in warned.letters()] == [
        f"HOLD for arm-07: power-down {event.id}, {start}",
        f"Lifted for arm-07: power-down {event.id}, {start}: its cause is gone",
    ]
    verbs = [json.loads(entry.body)["verb"] for entry in warned.desk.entries(None) if entry.kind == "warning"]
    assert (verbs, warned.desk.check().first_bad) == (["raised", "lifted"], None)


def test_judging_writes_no_verdict_into_the_ledger(warned: Warned) -> None:
    warned.plan()
    before = len(warned.desk.entries(None))
    warned.evaluate()
    assert [entry.kind for entry in warned.desk.entries(None)[before:]] == ["warning"]


def test_arms_of_one_event_are_told_in_one_letter(warned: Warned) -> None:
    warned.plan(start=warned.now + 6 * DAY + 23 * HOUR)
    assert [verb for verb, _, _ in warned.evaluate()] == ["raised", "raised"]
    (letter,) = warned.letters()
    assert (letter["subject"].split(":")[0], letter["arm"], letter["level"]) == ("HOLD for 2 arms", "", "hold")


def test_a_warning_is_repeated_with_its_own_letter_each_time(warned: Warned) -> None:
    warned.plan(start=warned.now + 6 * DAY)
    warned.evaluate()
    for _ in range(2):
        warned.now += DAY
        verbs = [verb for verb, _, arm in warned.evaluate() if arm == "arm-07"]
        assert verbs == ["repeated"]
    subjects = [letter["subject"].split(" for ")[0] for letter in warned.letters() if letter["arm"] == "arm-07"]
    assert subjects == ["HOLD", "Still HOLD", "Still HOLD"]


def test_a_dropped_event_lifts_its_warning(warned: Warned) -> None:
    event = warned.plan()
    warned.evaluate()
    warned.desk.drop(event.id)
    assert warned.evaluate() == [("lifted", event.id, "arm-07")]
    assert warned.letters()[-1]["subject"] == f"Lifted for arm-07: event {event.id}: the event was dropped"


def test_a_share_that_cannot_be_read_blocks_and_lifts_nothing(warned: Warned) -> None:
    event = warned.plan()
    warned.evaluate()
    warned.plant.share.rename(warned.plant.root / "away")
    assert warned.evaluate() == [("changed", event.id, "arm-07"), ("raised", event.id, "arm-09")]
    assert {each.arm: each.level for each in warned.desk.warnings()} == {"arm-07": "hold", "arm-09": "unknown"}


def test_an_arm_that_is_not_configured_is_warned_about_since_nobody_looks_after_it(warned: Warned) -> None:
    event = warned.plan()
    warned.plant.arms = ("arm-07",)
    warned.plant.configure()
    warned.desk = Desk(load(str(warned.plant.config)), lambda: warned.now)
    assert warned.evaluate() == [("raised", event.id, "arm-07"), ("raised", event.id, "arm-09")]
    assert "arm-09 is not in the configuration" in warned.sheet("arm-09").read_text(encoding="utf-8")


def test_what_somebody_else_changed_meanwhile_is_left_alone(warned: Warned) -> None:
    warned.plan()
    told = stored.Telling("key", "{}", ("log",))
    (change,) = due(
        warned.desk.events(), {(warned.desk.events()[0].id, "arm-07"): HOLD}, (), LEADS, DAY, warned.now
    )  # fmt: skip
    assert stored.apply(warned.desk.ledger, [change], told, warned.now)
    (raised,) = warned.desk.warnings()
    again = change._replace(verb="repeated", was=raised)
    assert stored.apply(warned.desk.ledger, [again], told._replace(key="again"), warned.now + HOUR)
    assert not stored.apply(warned.desk.ledger, [again], told._replace(key="twice"), warned.now + HOUR)
    (raised,) = warned.desk.warnings()
    lift = change._replace(verb="lifted", was=raised, lifted_by=CAUSE_GONE)

    assert not stored.apply(warned.desk.ledger, [change], told, warned.now)
    assert stored.apply(warned.desk.ledger, [lift], told._replace(key="other"), warned.now)
    assert not stored.apply(warned.desk.ledger, [lift], told._replace(key="third"), warned.now)
    assert len(warned.letters()) == 3


def test_a_letter_that_cannot_be_posted_leaves_no_warning_behind(warned: Warned) -> None:
    event = warned.plan()
    warned.desk.ledger.store.connection.execute("ALTER TABLE letters RENAME TO elsewhere")
    with pytest.raises(Exception, match="no such table"):
        warned.evaluate()
    assert warned.desk.warnings() == ()
    warned.desk.ledger.store.connection.execute("ALTER TABLE elsewhere RENAME TO letters")
    assert warned.evaluate() == [("raised", event.id, "arm-07")]


def test_the_fleet_shows_what_is_blocked(warned: Warned) -> None:
    event = warned.plan(title="Summer shutdown")
    warned.evaluate()
    shown = warned.plant.run("fleet")
    assert shown.out.startswith(f"BLOCKED  {event.id}")
    assert ": arm-07 hold; since " in shown.out.split("\n")[0]
    (told,) = warned.plant.run("fleet", "--json").json["warnings"]
    assert (told["event"], told["arm"], told["codes"]) == (event.id, "arm-07", ["stale-backup"])
    assert "Blocked  arm-07" in warned.plant.run("event", "list").out


# Sheets on the disk


@pytest.mark.parametrize(
    "harm",
    [
        pytest.param(lambda sheet: sheet.unlink(), id="removed"),
        pytest.param(lambda sheet: sheet.write_text("<html>old"), id="another-content"),
        pytest.param(lambda sheet: sheet.write_bytes(b""), id="emptied"),
    ],
)
def test_a_sheet_that_is_not_right_is_written_anew(warned_on_share: Warned, harm: Callable[[Path], object]) -> None:
    warned_on_share.plan()
    warned_on_share.evaluate()
    right = warned_on_share.sheet().read_bytes()
    harm(warned_on_share.sheet())
    warned_on_share.evaluate()
    assert warned_on_share.sheet().read_bytes() == right


def test_a_sheet_that_is_right_is_left_alone_within_the_hour(warned: Warned) -> None:
    warned.now = (warned.now + HOUR).replace(minute=5)
    warned.plan(start=warned.now + 2 * DAY)
    warned.evaluate()
    before = warned.sheet().stat().st_mtime_ns
    warned.now += timedelta(minutes=50)
    warned.evaluate()
    assert warned.sheet().stat().st_mtime_ns == before
    warned.now += timedelta(minutes=10)
    warned.evaluate()
    assert warned.sheet().stat().st_mtime_ns != before


def test_the_sheet_on_the_share_is_neither_a_set_nor_odd(warned_on_share: Warned) -> None:
    warned_on_share.plan()
    warned_on_share.evaluate()
    assert warned_on_share.on_share().read_bytes() == warned_on_share.sheet().read_bytes()
    (warned_on_share.plant.share / "arm-07" / "HOLD-arm-07.html.new").write_bytes(b"torn")
    looked = warned_on_share.plant.look()
    assert ("2 sets" in looked.out, "odd" in looked.out) == (True, False), looked.out
    assert warned_on_share.plant.ask("arm-07").codes == set()


def test_a_lifted_sheet_is_removed_from_the_share_even_after_the_share_was_away(warned_on_share: Warned) -> None:
    event = warned_on_share.plan()
    warned_on_share.evaluate()
    away = warned_on_share.plant.root / "away"
    warned_on_share.plant.share.rename(away)
    warned_on_share.plant.share.mkdir()
    warned_on_share.desk.drop(event.id)
    warned_on_share.evaluate()
    assert not warned_on_share.sheet().exists()
    warned_on_share.plant.share.rmdir()
    away.rename(warned_on_share.plant.share)
    assert warned_on_share.on_share().exists()

    warned_on_share.evaluate()

    assert not warned_on_share.on_share().exists()
    assert list(warned_on_share.sheet().parent.iterdir()) == []


def test_where_the_share_cannot_be_written_the_warning_stands_all_the_same(warned_on_share: Warned) -> None:
    warned_on_share.on_share().mkdir()
    event = warned_on_share.plan()
    assert warned_on_share.evaluate() == [("raised", event.id, "arm-07")]
    assert (warned_on_share.sheet().exists(), warned_on_share.on_share().is_dir()) == (True, True)


def test_a_page_of_somebody_else_under_our_name_is_neither_overwritten_nor_removed(warned_on_share: Warned) -> None:
    warned_on_share.on_share().write_bytes(b"mine")
    event = warned_on_share.plan()
    warned_on_share.evaluate()
    warned_on_share.desk.drop(event.id)
    warned_on_share.evaluate()
    assert warned_on_share.on_share().read_bytes() == b"mine"


def test_nothing_is_written_where_a_link_leads(warned_on_share: Warned) -> None:
    victim = warned_on_share.plant.root / "victim"
    victim.write_bytes(b"mine")
    (warned_on_share.plant.share / "arm-07" / "HOLD-arm-07.html.new").symlink_to(victim)
    warned_on_share.plan()
    warned_on_share.evaluate()
    assert (victim.read_bytes(), warned_on_share.on_share().is_symlink()) == (b"mine", False)


# The swap window of a real plant


class Clocks:
    """Both clocks, which tests move."""

    def __init__(self, wall: datetime) -> None:
        self.start = self.wall = wall

    def __call__(self) -> Reading:
        return Reading(self.wall, "this start", (self.wall - self.start).total_seconds() + 1e5)


def test_a_cell_that_is_out_for_too_long_is_told_without_a_look_at_the_share(warned: Warned) -> None:
    clocks = Clocks(warned.now)
    warned.desk = Desk(warned.desk.settings, lambda: clocks.wall, clocks)
    answer = Verdict("arm-07", Question("memory-swap", clocks.wall, HOUR), "clear", None, None, None, ())
    windows.begin(warned.desk.ledger, Permit(answer), "R. Osei", timedelta(minutes=30), clocks)
    warned.plant.share.rename(warned.plant.root / "away")

    def told_after(minutes: int) -> list[tuple[str, tuple[str, ...]]]:
        clocks.wall = clocks.start + timedelta(minutes=minutes)
        return [(each.verb, each.codes) for each in tick_windows(warned.desk, clocks())]

    assert told_after(20) == []
    assert told_after(22) == [("raised", ("window-closing",))]
    assert told_after(23) == []
    assert "seat the new memory cell of arm-07" in warned.sheet().read_text(encoding="utf-8")
    assert told_after(31) == [("changed", ("window-over",))]
    assert told_after(62) == [("repeated", ("window-over",))]
    assert "BLOCKED  swap" in warned.plant.run("fleet").out

    evaluate(warned.desk, clocks.wall)
    assert "window-over" in warned.sheet().read_text(encoding="utf-8")
    windows.end(warned.desk.ledger, "arm-07", "R. Osei", NewCell("memory-cell", None, clocks.wall.date()), clocks)
    assert told_after(63) == [("lifted", ("window-over",))]
    evaluate(warned.desk, clocks.wall)
    assert not warned.sheet().exists()
