"""Blocking warnings as the monitor raises, tells and lifts them, with their sheets, over real plants."""

from __future__ import annotations

import copy
import json
import shutil
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from guard.clock import Reading
from guard.clock import now as clock_now
from guard.desk import Desk
from guard.load import load
from guard.model import PlannedEvent, Question, Verdict
from guard.plan.warnings import CAUSE_GONE, due
from guard.rules.permit import Permit
from guard.store import warnings as stored
from guard.store import windows
from guard.store.windows import NewCell
from guard.warn import evaluate, tick_windows
from tests.facts import DAY, HOUR
from tests.plant import Plant
from tests.test_warnings import HOLD, LEADS


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
