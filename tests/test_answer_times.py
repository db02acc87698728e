"""What a controller's answers mean for the charge of its cells: on while it answers, taken for off while it is silent."""

from __future__ import annotations

import re
from collections.abc import Mapping
from datetime import UTC, datetime, timedelta
from itertools import pairwise
from typing import Any

import pytest
from hypothesis import given as drawn
from hypothesis import strategies as st

from guard.desk import Desk
from guard.model import AnswerTime
from guard.rules.outlook import outlook
from guard.rules.power import GAP, Presence, after_answer, after_silence, answer_times
from guard.service.presence import SILENT_AFTER
from guard.store.presence import Observation, answers, note
from tests.facts import ARM, HOUR, MICROSECOND, NOW, mark
from tests.plant import Plant
from tests.test_charge import cell
from tests.test_presence import with_addresses

MINUTE = timedelta(minutes=1)
WHY = "no answer within 3 s"
BEGAN = NOW - 100 * HOUR
HALF = ARM._replace(powered_fraction=0.5)


def watched(seen: list[tuple[timedelta, str]]) -> tuple[list[Mapping[str, object]], Presence | None]:
    """The changes and the row that come of observations: each so long after the one before."""
    presence, failures, at = None, 0, BEGAN
    changes: list[Mapping[str, object]] = []
    for after, what in seen:
        at += after
        if what == "answer":
            failures = 0
            presence, change = after_answer(presence, at)
        else:
            failures += 1
            if failures < SILENT_AFTER:
                continue
            presence, change = after_silence(presence, at, WHY)
        if change is not None:
            changes.append(change.body)
    return changes, presence


def every_minute(what: str, minutes: int) -> list[tuple[timedelta, str]]:
    return [(MINUTE, what)] * minutes


ANSWERS, SILENCE = every_minute("answer", 60), every_minute("silence", 60)
LATER: list[tuple[timedelta, str]] = [(5 * HOUR, "answer")]


def hours(found: tuple[AnswerTime, ...]) -> list[tuple[float, float | None, bool]]:
    """The times in minutes since the beginning."""
    return [((each.start - BEGAN) / MINUTE, each.end and (each.end - BEGAN) / MINUTE, each.answers) for each in found]


class TestTimes:
    @pytest.mark.parametrize(
        ("seen", "expected"),
        [
            pytest.param([], [], id="never-asked"),
            pytest.param(ANSWERS, [(1, 60, True)], id="answers"),
            pytest.param(ANSWERS + SILENCE, [(1, 60, True), (60, None, False)], id="silent-since"),
            pytest.param(
                ANSWERS + SILENCE + ANSWERS,
                [(1, 60, True), (60, 121, False), (121, 180, True)],
                id="silent-for-a-while",
            ),
            pytest.param(ANSWERS + LATER + ANSWERS, [(1, 60, True), (360, 420, True)], id="nobody-asked-for-a-while"),
            pytest.param(SILENCE, [], id="never-answered"),
            pytest.param(SILENCE + ANSWERS, [(61, 120, True)], id="silent-before-the-first-answer"),
            pytest.param(
                ANSWERS + SILENCE + LATER + ANSWERS,
                [(1, 60, True), (60, 420, False), (420, 480, True)],
                id="nobody-asked-while-it-was-silent",
            ),
            pytest.param(
                ANSWERS + every_minute("silence", 2) + ANSWERS, [(1, 122, True)], id="two-failures-are-a-busy-network"
            ),
        ],
    )
    def test_on_silent_and_not_known(self, seen: list[tuple[timedelta, str]], expected: list[Any]) -> None:
        assert hours(answer_times(*watched(seen))) == expected

    def test_the_row_tells_what_is_not_yet_in_the_ledger(self) -> None:
        changes, presence = watched(ANSWERS + SILENCE + ANSWERS)
        assert hours(answer_times(changes[:-1], presence))[-2:] == [(121, 180, True), (60, 121, False)]
        changes, presence = watched(ANSWERS + SILENCE)
        assert hours(answer_times(changes[:-1], presence)) == [(1, 60, True), (60, None, False)]

    def test_without_its_row_a_silence_lasts(self) -> None:
        changes, _ = watched(ANSWERS + SILENCE)
        assert hours(answer_times(changes, None)) == [(1, 60, True), (60, None, False)]

    def test_an_entry_that_cannot_be_read_is_no_answer(self) -> None:
        changes, presence = watched(ANSWERS + SILENCE + ANSWERS)
        for number in range(len(changes)):
            broken = [*changes[:number], {**changes[number], "since": "soon"}, *changes[number + 1 :]]
            known = {each for each in answer_times(changes, presence) if each.answers}
            assert {each for each in answer_times(broken, presence) if each.answers} <= known


SEEN = st.lists(
    st.tuples(
        st.sampled_from((MINUTE, MINUTE, MINUTE, GAP, GAP + MICROSECOND, HOUR)),
        st.sampled_from(("answer", "answer", "silence", "silence", "silence")),
    ),
    max_size=40,
)


def charge(times: tuple[AnswerTime, ...], marks: tuple[Any, ...] = ()) -> float:
    of = outlook(cell(104), HALF, marks, NOW, times)
    assert of is not None
    return of.charge.mah


class TestLaws:
    @drawn(SEEN)
    def test_only_answers_close_to_each_other_are_time_on(self, seen: list[tuple[timedelta, str]]) -> None:
        moments, at = [], BEGAN
        for after, what in seen:
            at += after
            moments += [at] if what == "answer" else []
        for each in answer_times(*watched(seen)):
            if each.answers:
                assert each.end is not None
                within = [moment for moment in moments if each.start <= moment <= each.end]
                assert (within[0], within[-1]) == (each.start, each.end)
                assert all(later - before <= GAP for before, later in pairwise(within))

    @drawn(SEEN)
    def test_silence_never_leaves_more_than_no_address_would(self, seen: list[tuple[timedelta, str]]) -> None:
        found = answer_times(*watched(seen))
        silent = tuple(each for each in found if not each.answers)
        assert charge(silent) <= charge(()) + 1e-9
        assert charge(found) <= charge(tuple(each for each in found if each.answers)) + 1e-9

    @drawn(SEEN, st.integers(0, 40), st.integers(0, 60))
    def test_a_time_off_that_people_recorded_outweighs_answers(
        self, seen: list[tuple[timedelta, str]], start: int, length: int
    ) -> None:
        marks = (mark("powered-off", BEGAN + start * HOUR), mark("powered-on", BEGAN + (start + length) * HOUR))
        found = answer_times(*watched(seen))
        answering = tuple(each for each in found if each.answers)
        assert charge(found, marks) <= charge(answering, marks) + 1e-9
        assert charge(answering, marks) <= 1000 - length * 0.1 + 1e-9

    @drawn(st.lists(st.tuples(*[st.datetimes(timezones=st.just(UTC))] * 2, st.booleans(), st.booleans()), max_size=3))
    def test_any_times_give_a_charge(self, times: list[tuple[datetime, datetime, bool, bool]]) -> None:
        found = tuple(AnswerTime(start, end if ended else None, on) for start, end, on, ended in times)
        assert 0 <= charge(found) <= 1000


class TestCharge:
    """A cell of 104 hours that loses 0.1 mA while the mains are off, as they are half of the time where nothing is known."""

    @pytest.mark.parametrize(
        ("times", "off_h", "ahead"),
        [
            pytest.param([], 52, 0.5, id="nothing-known"),
            pytest.param([(100, 0, True)], 2, 0.5, id="it-answered"),
            pytest.param([(100, 50, False)], 52 + 25, 0.5, id="it-was-silent"),
            pytest.param([(100, 40, True), (40, None, False)], 2 + 40, 1, id="silent-since"),
            pytest.param([(100, -5, True)], 52, 0.5, id="answers-to-come-are-none"),
            pytest.param([(50, -5, False)], 52 + 25, 0.5, id="a-silence-that-ends-in-the-future-has-lasted-until-now"),
        ],
    )
    def test_hours_off(self, times: list[Any], off_h: float, ahead: float) -> None:
        found = tuple(
            AnswerTime(NOW - start * HOUR, None if end is None else NOW - end * HOUR, on) for start, end, on in times
        )
        of = outlook(cell(104), HALF, (), NOW, found)
        assert of is not None
        assert 1000 - of.charge.mah == pytest.approx(off_h * 0.1, abs=1e-9)
        assert (of.off, of.unproven_h) == (ahead, 104)


def test_from_the_ledger_to_the_cells(plant: Plant) -> None:
    """Answers for ten days leave a cell more than the usual duty would, silence for ten days less."""
    desk: Desk = with_addresses(plant, arm_07="tcp://127.0.0.1:9", arm_09="tcp://127.0.0.1:9")
    end = desk.now()
    begun = end - timedelta(days=10)
    seen = [Observation("arm-07", begun + n * GAP) for n in range(10 * 480)]
    quiet = [Observation("arm-09", begun), Observation("arm-09", begun + GAP + MINUTE, WHY)]
    note(desk.catalogue.store, [*seen, *quiet])
    desk.hand_over()
    found = answers(desk.catalogue.store, desk.ledger.store, ["arm-07", "arm-09"])
    assert [(each.start, each.end, each.answers) for each in found["arm-07"]] == [(begun, end - GAP, True)]
    assert [(each.start, each.end, each.answers) for each in found["arm-09"]] == [(begun, None, False)]
    assert answers(desk.catalogue.store, desk.ledger.store, ["arm-09"]) == {"arm-09": found["arm-09"]}
    assert answers(desk.catalogue.store, desk.ledger.store, []) == {}
    facts = {each.arm.id: each.answers for each in desk.facts(["arm-07", "arm-09"])}
    assert facts == found
    told = plant.run("cells", "--json").json["cells"]
    left = {each["arm"]: each["charge_left_mah"] for each in told if each["kind"] == "memory"}
    # 10 days at 0.02 mA: all of it against none.
    assert left["arm-07"] - left["arm-09"] == pytest.approx(240 * 0.02, abs=0.02)
    assert re.search(r"its controller has not answered since .*, which is taken for off", plant.run("cells").out)
    plant.configure()
    plain = plant.run("cells", "--json").json["cells"]
    (usual,) = {round(each["charge_left_mah"], 3) for each in plain if each["kind"] == "memory"}
    assert left["arm-09"] < usual < left["arm-07"]
