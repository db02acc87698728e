"""The clock while a memory cell is out: how long it has been, whatever becomes of the clocks, and the rules about it."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.clock import Reading
from guard.model import Action, BackupSet, FittedCell, Level, Powered, Question, SwapWindow
from guard.plant import CellType
from guard.rules.permit import LIFE, Permit
from guard.rules.refusals import NotPermitted, NoWindow, PermitStale, WindowTaken
from guard.rules.verdict import verdict
from guard.rules.window import Checkpoint, advance, elapsed
from guard.store.ledger import Ledger
from guard.store.windows import NewCell, begin, end, latest, open_windows, tick
from tests.facts import DAY, HOUR, LONG_ON, MICROSECOND, NOW, Given, mark, proven, window
from tests.facts import given as facts_of

MINUTE, SECOND = timedelta(minutes=1), timedelta(seconds=1)


def at(wall: timedelta, uptime: timedelta, boot: str = "first") -> Reading:
    """A reading of both clocks, a while after the cell was pulled; the computer had been up for an hour then."""
    return Reading(NOW + wall, boot, (HOUR + uptime).total_seconds())


BEGAN = at(timedelta(), timedelta())


def after_restart(wall: timedelta, up: timedelta, boot: str = "second") -> Reading:
    """A reading after the computer was started anew."""
    return Reading(NOW + wall, boot, up.total_seconds())


def counted(*readings: Reading) -> tuple[timedelta, str | None]:
    """What is counted at the last of some readings, each of which was written down."""
    last: Checkpoint | None = None
    for reading in readings[:-1]:
        last = advance(BEGAN, last, reading)
    return elapsed(BEGAN, last, readings[-1])


class TestElapsed:
    """The longest of what any clock says counts; never less than at the last reading plus what has certainly passed."""

    @pytest.mark.parametrize(
        ("readings", "expected"),
        [
            pytest.param((BEGAN,), timedelta(), id="at-once"),
            pytest.param((at(MINUTE, MINUTE),), MINUTE, id="both-agree"),
            pytest.param((at(HOUR, MINUTE),), HOUR, id="wall-set-forward"),
            pytest.param((at(-HOUR, MINUTE),), MINUTE, id="wall-set-back"),
            pytest.param((at(HOUR, MINUTE), at(2 * MINUTE, 2 * MINUTE)), HOUR + MINUTE, id="forward-and-back-again"),
            pytest.param((after_restart(9 * MINUTE, MINUTE),), 9 * MINUTE, id="restarted"),
            pytest.param((after_restart(-HOUR, 4 * MINUTE),), 4 * MINUTE, id="restarted-with-a-dead-clock"),
            pytest.param(
                (at(5 * MINUTE, 5 * MINUTE), after_restart(-HOUR, 4 * MINUTE)),
                9 * MINUTE,
                id="dead-clock-after-a-reading",
            ),
            pytest.param(
                (at(-55 * MINUTE, 5 * MINUTE), after_restart(-35 * MINUTE, 2 * MINUTE)),
                25 * MINUTE,
                id="set-back-then-restarted-the-wall-tells-how-long-it-was-off",
            ),
            pytest.param(
                (at(MINUTE, MINUTE), after_restart(4 * MINUTE, MINUTE), after_restart(5 * MINUTE, MINUTE, "third")),
                5 * MINUTE,
                id="restarted-twice",
            ),
            pytest.param((at(HOUR, MINUTE), at(HOUR, MINUTE)), HOUR, id="the-same-reading-twice"),
            pytest.param((at(MINUTE, MINUTE), at(MINUTE, MINUTE - SECOND)), MINUTE, id="an-older-reading-comes-late"),
        ],
    )
    def test_counted(self, readings: tuple[Reading, ...], expected: timedelta) -> None:
        assert counted(*readings)[0] == expected

    @pytest.mark.parametrize(
        ("reading", "told"),
        [
            pytest.param(at(MINUTE + 2 * SECOND, MINUTE), False, id="wall-2-s-ahead"),
            pytest.param(at(MINUTE + 2 * SECOND + MICROSECOND, MINUTE), True, id="wall-more-than-2-s-ahead"),
            pytest.param(at(MINUTE - 2 * SECOND, MINUTE), False, id="wall-2-s-behind"),
            pytest.param(at(MINUTE - 2 * SECOND - MICROSECOND, MINUTE), True, id="wall-more-than-2-s-behind"),
            pytest.param(after_restart(HOUR, MINUTE), False, id="after-a-restart-only-the-wall-tells"),
            pytest.param(after_restart(MINUTE, 2 * MINUTE), True, id="running-for-longer-than-the-wall-tells"),
        ],
    )
    def test_a_disagreement_of_more_than_2_s_is_told(self, reading: Reading, told: bool) -> None:  # noqa: FBT001
        assert (counted(reading)[1] is not None) == told

    def test_the_words_of_a_disagreement(self) -> None:
        assert counted(at(HOUR, MINUTE))[1] == (
            "The clocks disagree: by the time for which this computer has been running it is 1 min; the longer time,"
            " 1 h, counts."
        )
        assert counted(at(-HOUR, MINUTE))[1] == (
            "The clocks disagree: by the wall clock it is minus 1 h; the longer time, 1 min, counts."
        )

    @pytest.mark.parametrize("begin_at", ["2026-03-29T00:50:00+00:00", "2026-10-25T00:50:00+00:00"])
    def test_it_is_right_while_the_clocks_in_the_plant_are_changed(self, begin_at: str) -> None:
        """In Berlin the clocks go forward at 01:00 UTC on 2026-03-29, and back at 01:00 UTC on 2026-10-25."""
        began = Reading(datetime.fromisoformat(begin_at), "first", 100.0)
        later = Reading(began.wall + 20 * MINUTE, "first", 1300.0)
        assert elapsed(began, None, later) == (20 * MINUTE, None)

    def test_where_starts_are_not_told_apart_a_shorter_run_betrays_a_new_one(self) -> None:
        began = Reading(NOW, "", 3600.0)
        assert elapsed(began, None, Reading(NOW - HOUR, "", 60.0))[0] == MINUTE
        assert elapsed(began, None, Reading(NOW - HOUR, "", 3660.0))[0] == MINUTE


class World:
    """A computer whose wall clock is set and which is restarted, beside the time that really passes."""

    def __init__(self, *, tells_starts: bool) -> None:
        self.real, self.step, self.up, self.starts = timedelta(), timedelta(), HOUR, 1
        self.tells_starts = tells_starts

    def read(self) -> Reading:
        boot = str(self.starts) if self.tells_starts else ""
        return Reading(NOW + self.real + self.step, boot, self.up.total_seconds())

    def wait(self, span: timedelta) -> None:
        self.real, self.up = self.real + span, self.up + span

    def restart(self, off: timedelta) -> None:
        self.real, self.up, self.starts = self.real + off, timedelta(), self.starts + 1

    def set_wall(self, by: timedelta) -> None:
        self.step += by


SPANS = st.sampled_from((MICROSECOND, SECOND, MINUTE, 7 * MINUTE, HOUR))
EVENTS = st.lists(
    st.one_of(
        st.tuples(st.just("wait"), SPANS),
        st.tuples(st.just("restart"), SPANS),
        st.tuples(st.just("set_wall"), st.builds(lambda span, sign: span * sign, SPANS, st.sampled_from((1, -1)))),
        st.tuples(st.just("tick"), st.just(timedelta())),
    ),
    max_size=30,
)


class TestTheCountdownNeverGrows:
    """Whatever the interleaving of ticks, restarts and steps of the wall clock."""

    @settings(max_examples=300, database=None)
    @given(EVENTS, st.booleans())
    def test_from_tick_to_tick(self, events: list[tuple[str, timedelta]], tells_starts: bool) -> None:  # noqa: FBT001
        world = World(tells_starts=tells_starts)
        began, last, shown = world.read(), None, timedelta()
        certain, since = timedelta(), world.up
        for what, span in (*events, ("tick", timedelta())):
            if what != "tick":
                getattr(world, what)(span)
                since = timedelta() if what == "restart" else since
                continue
            now = world.read()
            last = advance(began, last, now)
            certain, since = certain + world.up - since, world.up
            assert last.elapsed >= shown
            assert not tells_starts or last.elapsed >= certain, "less than has certainly passed"
            shown = last.elapsed

    @settings(max_examples=100, database=None)
    @given(EVENTS)
    def test_with_a_wall_clock_that_nobody_sets_it_is_exact(self, events: list[tuple[str, timedelta]]) -> None:
        world = World(tells_starts=True)
        began, last = world.read(), None
        for what, span in events:
            if what == "tick":
                last = advance(began, last, world.read())
            elif what != "set_wall":
                getattr(world, what)(span)
        assert elapsed(began, last, world.read()) == (world.real, None)


# Rules

LIMIT, CLOSING = 30 * MINUTE, 21 * MINUTE


def levels(of: Given, code: str) -> list[Level]:
    """The levels of the findings with that code, each of which can be acted upon."""
    found = of.findings(code)
    assert all(each.evidence and each.remedy and "arm-07" in each.message for each in found)
    return [each.level for each in found]


def out_for(out: timedelta, ahead: timedelta = timedelta(), action: Action = "position-swap", **changes: Any) -> Given:
    return facts_of(proven(), at=NOW + ahead, action=action, window=window(out, **changes))


class TestWhileTheCellIsOut:
    """Exactly one of window-open, window-closing (from 70 % of the limit on) and window-over (beyond it); all hold."""

    @pytest.mark.parametrize("action", ["power-down", "memory-swap", "position-swap", "service-visit"])
    @pytest.mark.parametrize(
        ("out", "code", "turns_in"),
        [
            pytest.param(timedelta(), "window-open", CLOSING, id="just-pulled"),
            pytest.param(CLOSING - MICROSECOND, "window-open", MICROSECOND, id="a-moment-before-closing"),
            pytest.param(CLOSING, "window-closing", 9 * MINUTE + MICROSECOND, id="closing"),
            pytest.param(LIMIT, "window-closing", MICROSECOND, id="at-the-limit"),
            pytest.param(LIMIT + MICROSECOND, "window-over", None, id="a-moment-over"),
            pytest.param(400 * DAY, "window-over", None, id="forgotten"),
        ],
    )
    def test_boundary(self, out: timedelta, code: str, turns_in: timedelta | None, action: Action) -> None:
        of = out_for(out, action=action)
        found = [each for each in of.verdict.findings if each.code.startswith("window-")]
        assert [(each.code, each.level) for each in found] == [(code, "hold")]
        assert found[0].turns_at == (None if turns_in is None else NOW + turns_in)
        assert levels(of, code) == ["hold"]
        assert found[0].evidence["elapsed_s"] == out.total_seconds()

    def test_asked_about_later_it_is_as_it_will_be_then(self) -> None:
        (found,) = out_for(timedelta(), ahead=HOUR).findings("window-over")
        assert found.message == (
            "If nobody ends the change, the memory cell of arm-07 will then have been out for 1 h of 30 min; that is"
            " 30 min over the limit, begun by Ana."
        )

    @pytest.mark.parametrize("ahead", [-HOUR, -400 * DAY])
    def test_asked_about_an_earlier_time_it_is_as_now(self, ahead: timedelta) -> None:
        (found,) = out_for(MINUTE, ahead=ahead).findings("window-open")
        assert found.evidence["elapsed_s"] == 60

    def test_a_disagreement_of_the_clocks_is_told(self) -> None:
        (found,) = out_for(MINUTE, disagree="The clocks disagree.").findings("window-open")
        assert found.message.endswith("begun by Ana. The clocks disagree.")

    def test_a_closed_window_says_nothing(self) -> None:
        of = out_for(MINUTE, ended_at=NOW)
        assert not [each for each in of.verdict.findings if each.code.startswith("window-")]

    @pytest.mark.parametrize(
        ("permille", "code"),
        [
            pytest.param(0, "window-closing", id="closing-from-the-start"),
            pytest.param(1000, "window-open", id="never-before-the-limit"),
        ],
    )
    def test_closing_as_configured(self, permille: int, code: str) -> None:
        of = facts_of(proven(), window=window(MINUTE), limits={"closing_permille": permille})
        assert levels(of, code) == ["hold"]


class TestWhichSetToRestore:
    """Past the limit: the set that the change was begun on, if it is sound; else its equal; else the newest proven."""

    @pytest.mark.parametrize(
        ("sets", "told"),
        [
            pytest.param(
                (proven(path="arm-07/x"),), "If the memory is lost, restore arm-07/x (fingerprint {x})", id="there"
            ),
            pytest.param(
                (proven(path="arm-07/x", gone=True), proven(path="arm-07/y", fingerprint="{x}")),
                "The set from before, arm-07/x, is not there unharmed. If the memory is lost, restore"
                " its equal arm-07/y (fingerprint {x})",
                id="its-equal",
            ),
            pytest.param(
                (proven(path="arm-07/x", changed="memory.bin is missing"), proven(path="arm-07/y")),
                "The set from before, arm-07/x, is not there unharmed. If the memory is lost, restore"
                " arm-07/y (fingerprint {y})",
                id="changed-since",
            ),
            pytest.param((), "No set is proven to restore from", id="none"),
        ],
    )
    def test_the_remedy_names_it(self, sets: tuple[BackupSet, ...], told: str) -> None:
        x, y = (proven(path=path).fingerprint for path in ("arm-07/x", "arm-07/y"))
        sets = tuple(each._replace(fingerprint=x) if each.fingerprint == "{x}" else each for each in sets)
        of = facts_of(*sets, window=window(HOUR, fingerprint=x))
        assert told.format(x=x, y=y) in of.findings("window-over")[0].remedy


POSITION = FittedCell(CellType("position-cell", "position", DAY * 365), NOW.date())


def swapping(powered: Powered, ahead: timedelta = timedelta(), **changes: Any) -> Given:
    return facts_of(proven(), at=NOW + ahead, action="memory-swap", powered=powered, **changes)


class TestNotPoweredLongEnough:
    """memory-swap only. Hold: known to be on for less than 30 min, or to be off; caution: not known."""

    @pytest.mark.parametrize(
        ("powered", "expected"),
        [
            pytest.param(LONG_ON, [], id="long-on"),
            pytest.param(Powered(on=True, since=NOW - 30 * MINUTE), [], id="exactly-long-enough"),
            pytest.param(Powered(on=True, since=NOW - 30 * MINUTE + MICROSECOND), ["hold"], id="a-moment-too-short"),
            pytest.param(Powered(on=True, since=NOW + HOUR), ["hold"], id="on-from-later-on"),
            pytest.param(Powered(on=True, since=None), ["caution"], id="on-nobody-knows-since-when"),
            pytest.param(Powered(on=False, since=NOW - DAY), ["hold"], id="off"),
            pytest.param(Powered(None, None), ["caution"], id="not-known"),
        ],
    )
    def test_boundary(self, powered: Powered, expected: list[Level]) -> None:
        assert levels(swapping(powered), "not-powered-long-enough") == expected
        assert not facts_of(proven(), powered=powered).findings("not-powered-long-enough")

    def test_it_turns_by_itself_when_the_time_is_reached(self) -> None:
        of = swapping(Powered(on=True, since=NOW - 10 * MINUTE))
        (found,) = of.findings("not-powered-long-enough")
        assert found.turns_at == NOW + 20 * MINUTE
        assert (of.verdict.level, of.verdict.holds_until, of.verdict.then) == ("hold", NOW + 20 * MINUTE, "clear")
        assert swapping(Powered(on=True, since=NOW - 10 * MINUTE), 20 * MINUTE).verdict.level == "clear"

    def test_power_that_was_recorded_before_a_change_says_nothing_after_it(self) -> None:
        ended = window(10 * MINUTE, began_at=NOW - 9 * HOUR, ended_at=NOW - 8 * HOUR)
        assert levels(swapping(LONG_ON, window=ended), "not-powered-long-enough") == ["caution"]
        since_then = Powered(on=True, since=NOW - 8 * HOUR)
        assert levels(swapping(since_then, window=ended), "not-powered-long-enough") == []

    @pytest.mark.parametrize(
        ("ago", "expected"),
        [
            pytest.param(29 * MINUTE, ["hold"], id="shorter-than-is-needed"),
            pytest.param(30 * MINUTE - MICROSECOND, ["hold"], id="a-moment-too-short"),
            pytest.param(30 * MINUTE, ["caution"], id="as-long-as-is-needed"),
        ],
    )
    def test_right_after_a_change_the_power_was_on_for_too_short_a_time(
        self, ago: timedelta, expected: list[Level]
    ) -> None:
        ended = window(10 * MINUTE, began_at=NOW - ago - 10 * MINUTE, ended_at=NOW - ago)
        marked = (mark("cell-changed", NOW - ago, cell="memory-cell"),)
        for powered in (LONG_ON, Powered(None, None)):
            of = swapping(powered, window=ended)
            assert levels(of, "not-powered-long-enough") == expected
            turns = NOW - ago + 30 * MINUTE if expected == ["hold"] else None
            assert of.findings("not-powered-long-enough")[0].turns_at == turns
            assert levels(swapping(powered, marks=marked), "not-powered-long-enough") == expected

    def test_a_change_that_was_only_marked_says_the_same_and_answers_from_after_it_count(self) -> None:
        marked = (mark("cell-changed", NOW - 40 * MINUTE, cell="memory-cell"),)
        for of, expected in (
            (swapping(LONG_ON, marks=marked), ["caution"]),
            (swapping(LONG_ON, marks=(marked[0]._replace(cell="position-cell"),), cells=(POSITION,)), []),
            (swapping(Powered(on=True, since=NOW - 40 * MINUTE + MICROSECOND), marks=marked), []),
            (swapping(LONG_ON._replace(until=NOW), marks=marked), []),
            (swapping(LONG_ON._replace(until=NOW), marks=(marked[0]._replace(at=NOW - MINUTE),)), ["hold"]),
            (swapping(LONG_ON._replace(until=NOW - HOUR), marks=marked), ["caution"]),
        ):
            assert levels(of, "not-powered-long-enough") == expected

    def test_while_the_cell_is_out_the_window_says_it(self) -> None:
        assert levels(swapping(Powered(on=False, since=NOW), window=window(MINUTE)), "not-powered-long-enough") == []


# The permit

SOUND = facts_of(proven(), action="memory-swap", powered=LONG_ON)


class TestPermit:
    """Made only of a verdict for memory-swap that is clear or a caution, and stale after 5 minutes."""

    def test_it_names_arm_moment_and_set(self) -> None:
        permit = Permit(SOUND.verdict)
        backup = SOUND.facts.sets[0]
        assert (permit.arm, permit.at, permit.level) == ("arm-07", NOW, "clear")
        assert (permit.rests_on, permit.fingerprint) == (backup.path, backup.fingerprint)

    @pytest.mark.parametrize(
        "of",
        [
            pytest.param(facts_of(proven(), powered=LONG_ON), id="another-action"),
            pytest.param(facts_of(action="memory-swap", powered=LONG_ON), id="hold"),
            pytest.param(facts_of(proven(), action="memory-swap", share={"seen_at": None}), id="unknown"),
            pytest.param(facts_of(proven(), action="memory-swap", window=window(MINUTE)), id="open-already"),
        ],
    )
    def test_no_other_verdict_makes_one(self, of: Given) -> None:
        with pytest.raises(NotPermitted):
            Permit(of.verdict)

    @pytest.mark.parametrize(
        ("now", "fresh"),
        [
            pytest.param(NOW, True, id="at-once"),
            pytest.param(NOW + LIFE, True, id="5-min"),
            pytest.param(NOW + LIFE + MICROSECOND, False, id="a-moment-more"),
            pytest.param(NOW - MICROSECOND, False, id="the-clock-was-set-back"),
        ],
    )
    def test_it_is_soon_stale(self, now: datetime, fresh: bool) -> None:  # noqa: FBT001
        assert Permit(SOUND.verdict).is_fresh(now) == fresh


# The record of windows


@pytest.fixture
def ledger(tmp_path: Path) -> Ledger:
    """An empty ledger."""
    return Ledger(str(tmp_path / "state" / "ledger.db"))


def clocks(reading: Reading) -> Callable[[], Reading]:
    return lambda: reading


def opened(ledger: Ledger, by: str = "Ana") -> SwapWindow:
    return begin(ledger, Permit(SOUND.verdict), by, LIMIT, clocks(BEGAN))


NEW_CELL = NewCell("memory-cell", "2026-08", date(2026, 11, 25))


class TestRecord:
    """A window is told by entries of the ledger, and its last reading by a row beside them."""

    def test_there_and_back(self, ledger: Ledger) -> None:
        assert tick(ledger, "arm-07", clocks(BEGAN)) is None
        begun = opened(ledger)
        assert latest(ledger, "arm-07", clocks(BEGAN)) == {"arm-07": begun}
        later = at(7 * MINUTE, 7 * MINUTE)
        assert tick(ledger, "arm-07", clocks(later)) == begun._replace(elapsed=7 * MINUTE)
        assert open_windows(ledger, clocks(later)) == {"arm-07": begun._replace(elapsed=7 * MINUTE)}
        last = end(ledger, "arm-07", "Ben", NEW_CELL, clocks(at(9 * MINUTE, 9 * MINUTE)))
        assert last == begun._replace(elapsed=9 * MINUTE, ended_at=NOW + 9 * MINUTE)
        assert latest(ledger, None, clocks(later)) == {"arm-07": last}
        assert open_windows(ledger, clocks(later)) == {}
        assert tick(ledger, "arm-07", clocks(later)) is None
        assert ledger.check().first_bad is None

    def test_a_tick_is_kept_so_that_nothing_later_counts_less(self, ledger: Ledger) -> None:
        opened(ledger)
        tick(ledger, "arm-07", clocks(at(HOUR, MINUTE)))
        again = Ledger(ledger.store.path)
        window = tick(again, "arm-07", clocks(at(2 * MINUTE, 2 * MINUTE)))
        assert window is not None
        assert window.elapsed == HOUR + MINUTE
        assert window.disagree is not None

    def test_it_is_not_opened_twice(self, ledger: Ledger) -> None:
        opened(ledger)
        with pytest.raises(WindowTaken) as refusal:
            opened(ledger, "Ben")
        assert str(refusal.value).startswith(
            "The swap window of arm-07 is open already: begun by Ana, Wed 2026-11-25 08:00:00 UTC."
        )

    def test_a_stale_permit_opens_nothing(self, ledger: Ledger) -> None:
        late = clocks(at(6 * MINUTE, 6 * MINUTE))
        with pytest.raises(PermitStale):
            begin(ledger, Permit(SOUND.verdict), "Ana", LIMIT, late)
        assert ledger.entries() == []

    def test_without_a_window_there_is_none_to_end(self, ledger: Ledger) -> None:
        with pytest.raises(NoWindow):
            end(ledger, "arm-07", "Ana", NEW_CELL, clocks(BEGAN))

    def test_a_second_window_begins_at_nothing(self, ledger: Ledger) -> None:
        opened(ledger)
        end(ledger, "arm-07", "Ana", NEW_CELL, clocks(at(MINUTE, MINUTE)))
        begun = begin(ledger, Permit(SOUND.verdict), "Ben", LIMIT, clocks(at(2 * MINUTE, 2 * MINUTE)))
        assert tick(ledger, "arm-07", clocks(at(3 * MINUTE, 3 * MINUTE))) == begun._replace(elapsed=MINUTE)

    def test_the_new_cell_is_a_mark(self, ledger: Ledger) -> None:
        opened(ledger)
        end(ledger, "arm-07", "Ben", NEW_CELL, clocks(at(MINUTE, MINUTE)))
        note = "memory-cell, made 2026-08, installed 2026-11-25"
        new = {"cell": "memory-cell", "installed": date(2026, 11, 25), "date_code": "2026-08"}
        assert ledger.marks("arm-07") == (mark("cell-changed", NOW + MINUTE, by="Ben", note=note, **new),)
        ((_, _, body),) = ledger.bodies("mark")
        told = {"cell": "memory-cell", "date_code": "2026-08", "installed": "2026-11-25"}
        assert {key: body[key] for key in told} == told

    def test_where_the_state_cannot_be_written_the_clock_is_still_told(self, ledger: Ledger) -> None:
        opened(ledger)
        tick(ledger, "arm-07", clocks(at(HOUR, MINUTE)))
        reader = Ledger(ledger.store.path)
        reader.store.connection.execute("PRAGMA query_only=ON")
        window = tick(reader, "arm-07", clocks(at(2 * MINUTE, 2 * MINUTE)))
        assert window is not None
        assert window.elapsed == HOUR + MINUTE


RACE = """
import sys
from guard.clock import reading
from guard.rules.refusals import WindowTaken
from guard.rules.permit import Permit
from guard.store.ledger import Ledger
from guard.store.windows import begin
from tests.test_window import LIMIT, sound_now
ledger, permit = Ledger(sys.argv[1]), Permit(sound_now(reading().wall))
print("ready", flush=True)
sys.stdin.readline()
try:
    begin(ledger, permit, sys.argv[2], LIMIT, reading)
    print("won")
except WindowTaken as taken:
    print(taken.by)
"""


def sound_now(now: datetime) -> Any:
    """A verdict of this moment that allows the change."""
    return verdict(SOUND.facts._replace(as_of=now), Question("memory-swap", now, LIMIT))._replace(level="clear")


class TestProcesses:
    """Two real processes, and a kill."""

    def start(self, *words: str) -> subprocess.Popen[str]:
        root = Path(__file__).parent.parent
        return subprocess.Popen(
            [sys.executable, "-c", *words],
            stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, env={**os.environ, "PYTHONPATH": str(root)},
        )  # fmt: skip

    def test_of_two_people_at_once_exactly_one_opens_it(self, ledger: Ledger) -> None:
        people = {by: self.start(RACE, ledger.store.path, by) for by in ("Ana", "Ben")}
        for process in people.values():
            assert process.stdout is not None
            assert process.stdout.readline() == "ready\n"
        for process in people.values():
            assert process.stdin is not None
            process.stdin.write("\n")
            process.stdin.flush()
        told = {by: process.communicate(timeout=30)[0].strip() for by, process in people.items()}
        (winner,) = [by for by, said in told.items() if said == "won"]
        (loser,) = people.keys() - {winner}
        assert told[loser] == winner
        assert [entry.kind for entry in ledger.entries()] == ["swap"]

    def test_a_kill_while_it_ticks_loses_nothing(self, ledger: Ledger) -> None:
        opened(ledger)
        ticking = (
            "import sys\nfrom guard.clock import reading\nfrom guard.store.ledger import Ledger\n"
            "from guard.store.windows import tick\nledger = Ledger(sys.argv[1])\n"
            "while True:\n    print(tick(ledger, 'arm-07', reading).elapsed.total_seconds(), flush=True)\n"
        )
        process = self.start(ticking, ledger.store.path)
        assert process.stdout is not None
        shown = [float(process.stdout.readline()) for _ in range(20)]
        process.send_signal(signal.SIGKILL)
        shown += [float(line) for line in process.communicate()[0].splitlines() if line]
        row = sqlite3.connect(ledger.store.path).execute("SELECT elapsed_s FROM clocks").fetchone()
        assert shown == sorted(shown)
        assert row[0] >= shown[-2]  # the last line may have been cut off by the kill
        assert ledger.check().first_bad is None
        window = tick(ledger, "arm-07", clocks(Reading(datetime(1970, 1, 1, tzinfo=UTC), "another", 5.0)))
        assert window is not None
        assert window.elapsed >= timedelta(seconds=shown[-2] + 5)
