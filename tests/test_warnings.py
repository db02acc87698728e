"""Blocking warnings: when they are raised, told again and lifted, and that nothing else lifts them."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.model import BLOCKING, Finding, PlannedEvent, Question, SwapWindow, Verdict
from guard.plan.warnings import (
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
from tests.facts import DAY, HOUR, MICROSECOND, NOW, sign_off

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
