"""`guard visit`: the run sheet on the screen, for scripts and on paper, and visits that are given up."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from guard import visits
from guard.clock import Reading
from guard.desk import Desk
from guard.load import load
from guard.model import Action, Question, SignOff
from guard.plan.steps import GATES
from guard.plan.visit import BEGUN, next_step, run_down, shut
from guard.rules.verdict import verdict
from guard.rules.window import TimeOut
from guard.tell.cautions import CAUTIONS
from guard.tell.visit_sheet import RunSheet, drawn
from guard.visit_file import read_steps, shipped
from tests.facts import ARM, DAY, HOUR, NOW, Given, mark, proven
from tests.facts import given as facts_of
from tests.plant import Plant
from tests.test_memory import AFTER, PROGRAMS, ZERO, compared, swapped
from tests.test_sheet import HOSTILE, ZONE, Page

STEPS = read_steps(shipped())
MINUTE = timedelta(minutes=1)


def sheet(given: Given, **changes: Any) -> RunSheet:
    actions: tuple[Action, ...] = ("service-visit", "position-swap", "memory-swap")
    verdicts = tuple(verdict(given.facts, Question(action, NOW, HOUR)) for action in actions)
    made = RunSheet("Ridgemoor Castings", ARM, NOW, STEPS, verdicts, (), (), TimeOut(30 * MINUTE), NOW)
    return made._replace(**changes)


def page(given: Given, **changes: Any) -> Page:
    return Page(drawn(sheet(given, **changes), ZONE))


READY = facts_of(proven())
HELD = facts_of(
    proven(3 * DAY),
    marks=(mark("edit", NOW - HOUR, by="R. Osei"), mark("cell-alarm", NOW - HOUR, cell="memory-cell")),
    limits={"copies_needed": 2},
)

DIFFERS = swapped(AFTER, told=(compared(AFTER, PROGRAMS, ZERO),))


class TestOnPaper:
    def test_it_tells_who_what_and_every_step_in_order(self) -> None:
        text = page(READY).text
        assert text.startswith("Service visit: arm-07, Wed 2026-11-25 09:00 Service visit: arm-07, Fettling cell, left")
        places = [text.find(f"{number} {step.title}") for number, step in enumerate(STEPS, 1)]
        assert -1 not in places
        assert places == sorted(places)
        assert "Memory cell, inside the window (within 30 min)" in text
        assert "Run-in with inlet and outlet open (10 min to 20 min)" in text

    def test_there_is_room_to_tick_to_read_off_and_to_sign(self) -> None:
        found = page(READY)
        ticks = [attributes for tag, attributes in found.elements if attributes.get("class") == "box"]
        assert len(ticks) == len(STEPS) + sum(step.optional for step in STEPS)
        assert found.text.count("Initials") == len(STEPS)
        for told in (
            "Amount (g)",
            "Voltage left (V)",
            "Lock and tag no.",
            "Date code of the new cell",
            "not in this visit, because",
        ):
            assert told in found.text

    def test_the_cautions_stand_on_it(self) -> None:
        assert all(caution in page(given).text for caution in CAUTIONS for given in (READY, HELD))

    def test_signal_words_are_for_people_and_lost_data_is_a_notice(self) -> None:
        html = drawn(sheet(READY), ZONE)
        assert html.count("&#9888; WARNING") == sum(bool(step.warning) for step in STEPS)
        assert html.count("<b>NOTICE</b>") == sum(bool(step.notice) for step in STEPS)
        assert "DANGER" not in html

    def test_what_holds_it_and_what_lifts_that_stand_before_the_steps(self) -> None:
        text = page(HELD, conflicts=("ev-5 plans both",), left_out=("no run-in",)).text
        before = text[: text.index("1 Verdicts and a fresh backup")]
        for told in (
            "hold Do not begin the service visit of arm-07: ",
            "First: Save a",
            "caution ev-5 plans both",
            "caution no run-in",
        ):
            assert told in before

    def test_one_reason_for_several_verdicts_is_told_once(self) -> None:
        text = page(facts_of(action="memory-swap")).text
        assert text.count("The share holds no settled backup of arm-07.") == 1
        assert "Do not change the memory cell of arm-07: for the same reason." in text

    def test_of_what_takes_many_steps_the_first_stands_there_and_where_to_read_the_rest(self) -> None:
        text = page(DIFFERS).text
        assert (
            "First: Let nobody move arm-07 before this is settled: check programs, settings and axis positions at the"
            " machine. All of it: guard visit arm-07" in text
        )

    def test_who_answers_for_a_finding_stands_there_in_words(self) -> None:
        answered = SignOff("restore-test-due", "J. Novak", "spare comes next week", NOW - HOUR, NOW + DAY)
        text = page(facts_of(proven(), limits={"restore_test_within": DAY}, sign_offs=(answered,))).text
        assert (
            "No restore test of arm-07 was ever recorded. Signed off by J. Novak until Thu 2026-11-26 09:00:"
            " spare comes next week." in text
        )
        assert "SignOff" not in text

    def test_a_backup_that_would_be_too_old_again_is_told_from_when_on_it_counts(self) -> None:
        start = NOW + 3 * DAY
        verdicts = (verdict(facts_of(proven(3 * DAY)).facts, Question("service-visit", start, HOUR)),)
        text = page(READY, start=start, verdicts=verdicts).text
        assert (
            "First: Save a fresh backup of arm-07, then run: guard look, and: guard prove --arm arm-07. A backup counts that is saved from Fri 2026-11-27 09:00 on."
            in text
        )

    def test_names_on_it_can_do_no_harm_and_stay_legible(self) -> None:
        steps = (STEPS[0]._replace(title=HOSTILE, do=(HOSTILE,), warning=HOSTILE), *STEPS[1:])
        html = drawn(
            sheet(READY, arm=ARM._replace(name=HOSTILE), plant=HOSTILE, steps=steps, conflicts=(HOSTILE,)), ZONE
        )
        html.encode()
        assert {"script", "img", "link", "iframe"} & {tag for tag, _ in Page(html).elements} == set()
        assert not {"\u202e", "\x1b"} & set(html)
        assert r"\u202e<script>alert(1)</script>" in Page(html).text

    def test_it_loads_nothing_from_anywhere(self) -> None:
        html = drawn(sheet(READY), ZONE)
        assert not re.search(r"url\(|@import|https?://|<script", html)

    @pytest.mark.parametrize("given", [READY, HELD, DIFFERS], ids=["ready", "held", "differs"])
    def test_it_is_one_page_of_a4(self, given: Given, tmp_path: Path) -> None:
        browser = shutil.which("chromium") or shutil.which("chromium-browser")
        if browser is None:
            pytest.skip("no browser that prints")
        file, printed = tmp_path / "visit.html", tmp_path / "visit.pdf"
        told = sheet(
            given, conflicts=("ev-5 plans a service-visit of arm-09 for the same time: one person cannot do both.",)
        )
        file.write_text(drawn(told, ZONE), encoding="utf-8")
        command = [
            browser,
            "--headless",
            "--no-sandbox",
            "--disable-gpu",
            "--no-pdf-header-footer",
            f"--user-data-dir={tmp_path}/b",
        ]
        subprocess.run([*command, f"--print-to-pdf={printed}", str(file)], check=True, capture_output=True, timeout=60)
        content = printed.read_bytes()
        assert len(re.findall(rb"/Type\s*/Page\b", content)) == 1
        box = re.search(rb"/MediaBox \[0 0 ([\d.]+) ([\d.]+)\]", content)
        assert box is not None
        assert (round(float(box[1])), round(float(box[2]))) in ((595, 842), (596, 842))


@pytest.fixture(scope="module")
def template(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    plant = Plant(tmp_path_factory.mktemp("template") / "plant")
    plant.save("arm-07")
    plant.save("arm-09", timedelta(days=3))
    plant.ready()
    return plant


@pytest.fixture
def ready(template: Plant, tmp_path: Path) -> Plant:
    return template.copy(tmp_path / "plant")


class TestCommand:
    def test_the_screen_tells_the_verdicts_then_the_steps_then_the_cautions(self, template: Plant) -> None:
        done = template.run("visit", "arm-07")
        assert done.code == 10  # spares were never counted
        places = [
            done.out.index(told)
            for told in (
                "Service visit of arm-07, now",
                "CLEAR    The backups allow",
                " 1. Verdicts",
                "14. Sign",
                "lockout/tagout by authorised",
                "guard visit arm-07 --run",
            )
        ]
        assert places == sorted(places)

    def test_a_hold_says_first_what_lifts_it(self, template: Plant) -> None:
        done = template.run("visit", "arm-09")
        assert done.code == 20
        assert done.out.index(
            "First\n 1. Save a fresh backup of arm-09, then run: guard look, and: guard prove --arm arm-09"
        ) < done.out.index(" 1. Verdicts")

    def test_an_unreadable_share_is_unknown(self, ready: Plant) -> None:
        ready.share.rename(ready.root / "gone")
        done = ready.run("visit", "arm-07", "--json")
        assert (done.code, done.json["verdict"]) == (30, "unknown")

    def test_for_scripts(self, template: Plant) -> None:
        done = template.run("visit", "arm-07", "--on", "in 3h", "--json")
        found = done.json
        assert {step["gate"] for step in found["steps"]} == {*GATES, None}
        assert found["verdicts"].keys() == {"service-visit", "position-swap", "memory-swap"}
        assert (found["schema"], found["arm"], found["under_way"], found["conflicts"]) == (1, "arm-07", None, [])
        assert found["at"].endswith("Z")

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            pytest.param(["arm-7"], "No arm is called 'arm-7'", id="unknown-arm"),
            pytest.param(["arm-07", "--on", "2026-01-02 06:00"], "a visit in the past ('2026-01-02 06:00'", id="past"),
            pytest.param(["arm-07", "--on", "soon"], "the time 'soon'", id="no-time"),
            pytest.param(["arm-07", "--run"], "here is no terminal to ask on", id="no-terminal"),
            pytest.param(["arm-07", "--run", "--on", "tomorrow 6:00"], "--run together with a time", id="run-later"),
            pytest.param(["arm-07", "--give-up"], "a visit given up without a reason", id="no-reason"),
            pytest.param(["arm-07", "--why", "x"], "--why without --give-up", id="reason-alone"),
            pytest.param(["arm-07", "--give-up", "--why", "x"], "No visit of arm-07 is under way", id="no-visit"),
        ],
    )
    def test_a_call_that_cannot_be_is_refused(self, template: Plant, words: list[str], told: str) -> None:
        done = template.run("visit", *words)
        assert (done.code, done.out) == (2, "")
        assert told in done.err

    def test_a_visit_planned_of_another_arm_at_the_same_time_conflicts(self, ready: Plant) -> None:
        words = ("--kind", "service-visit", "--start", "in 5h", "--for", "2h", "--arm", "arm-07", "arm-09")
        assert ready.run("event", "add", *words).code == 0
        told = [
            ready.run("visit", "arm-07", "--on", when, "--json").json["conflicts"]
            for when in ("in 30m", "in 4h", "in 8h")
        ]
        assert [len(each) for each in told] == [0, 1, 0]
        assert re.fullmatch(
            r"ev-\d+ plans a service-visit of arm-09 for the same time: one person cannot do both\.", told[1][0]
        )


class TestWritten:
    def test_into_a_folder_and_anew(self, ready: Plant) -> None:
        for _ in range(2):
            done = ready.run("visit", "arm-07", "--on", "in 3h", "--out", "sheets/")
            (path,) = map(Path, done.out.split())
            assert re.fullmatch(r"visit-arm-07-\d{4}-\d\d-\d\d\.html", path.name)
            assert path.parent == ready.root / "sheets"
            assert "Service visit: arm-07" in Page(path.read_text(encoding="utf-8")).text

    @pytest.mark.parametrize("what", ["file", "link"])
    def test_what_is_no_run_sheet_is_left_as_it_is(self, ready: Plant, what: str) -> None:
        there, other = ready.root / "notes.html", ready.root / "other"
        other.write_text("notes", encoding="utf-8")
        there.symlink_to(other) if what == "link" else there.write_text("notes", encoding="utf-8")
        done = ready.run("visit", "arm-07", "--out", str(there))
        assert (done.code, done.out) == (2, "")
        assert "is already there and is left as it is" in done.err
        assert there.read_text(encoding="utf-8") == other.read_text(encoding="utf-8") == "notes"

    def test_where_nothing_can_be_written_it_says_so(self, ready: Plant) -> None:
        done = ready.run("visit", "arm-07", "--out", str(ready.config / "x.html"))
        assert (done.code, done.out) == (1, "")
        assert "Name a place that can be written with --out." in done.err


class TestGivenUp:
    def begun(self, plant: Plant, *stamps: str) -> None:
        """A visit of arm-07 that has come to the step after these, by stamps as a run makes them."""
        desk = Desk(load(str(plant.config)))
        visit = visits.begin(desk, "arm-07", "Ana")
        while (step := next_step(visit)) is not None and step.id in stamps:
            for what in ("begun", "done") if step.gate in BEGUN else ("done",):
                visit = visits.stamp(desk, visit, what, "Ana", powered_since=desk.now() - DAY)  # type: ignore[arg-type]

    def marks(self, plant: Plant) -> list[str]:
        entries = plant.run("ledger", "show", "--last", "0", "--json").json["entries"]
        return [json.loads(entry["body"])["kind"] for entry in entries if entry["kind"] == "mark"]

    @pytest.fixture
    def quick(self, ready: Plant) -> Plant:
        """A plant whose visits have a run-in of no time worth waiting for."""
        steps = Path(shipped()).read_text(encoding="utf-8").replace('at-least = "10m"', 'at-least = "0.001s"')
        (ready.root / "visit.toml").write_text(steps, encoding="utf-8")
        ready.configure('[visit]\nsteps = "visit.toml"\n')
        return ready

    def test_it_ends_with_a_reason_and_the_next_begins_anew(self, ready: Plant) -> None:
        self.begun(ready, "backup")
        assert ready.run("visit", "arm-07", "--json").json["under_way"]["next"] == "position"
        done = ready.run("visit", "arm-07", "--give-up", "--why", "no spare part", "--by", "Ben")
        assert (done.code, done.err) == (0, "")
        assert done.out.startswith("Recorded: the visit of arm-07 was given up, 1 of 14 steps passed: no spare part")
        assert ready.run("visit", "arm-07", "--json").json["under_way"] is None
        assert self.marks(ready) == []
        assert "given up by Ben: no spare part" in ready.run("report", "--text").out

    def test_a_power_that_went_off_is_recorded_then(self, quick: Plant) -> None:
        self.begun(quick, "backup", "position", "lubrication", "run-in", "position-cells", "power-off", "lockout")
        assert self.marks(quick) == ["powered-on"]
        assert quick.run("visit", "arm-07", "--give-up", "--why", "storm").code == 0
        assert self.marks(quick) == ["powered-on", "powered-off"]

    @pytest.mark.parametrize(("verbs", "told"), [(("begun",), True), (("begun", "done"), False), ((), False)])
    def test_who_may_have_powered_down_is_told_to_record_it(
        self,
        quick: Plant,
        verbs: tuple[Any, ...],
        told: bool,  # noqa: FBT001
    ) -> None:
        self.begun(quick, "backup", "position", "lubrication", "run-in", "position-cells")
        desk = Desk(load(str(quick.config)))
        visit = visits.under_way(desk, "arm-07")
        assert visit is not None
        for verb in verbs:
            visit = visits.stamp(desk, visit, verb, "Ana")
        done = quick.run("visit", "arm-07", "--give-up", "--why", "storm")
        assert ("guard mark powered-off arm-07 --at WHEN" in done.out) == told
        assert self.marks(quick) == ["powered-on", *["powered-off"] * ("done" in verbs)]

    def test_a_window_that_is_opened_beside_the_run_has_no_more_minutes(self, quick: Plant) -> None:
        self.off_with_a_capacitor(quick)
        done = quick.run("swap", "begin", "arm-07", "--yes", "--by", "Ben")
        assert done.code == 0, done
        entries = quick.run("ledger", "show", "--last", "0", "--json").json["entries"]
        (body,) = (json.loads(entry["body"]) for entry in entries if entry["kind"] == "swap")
        assert body["hold_up"]["off_for_s"] > 0

    def test_nor_is_one_opened_on_a_capacitor_that_has_run_down(self, quick: Plant) -> None:
        self.off_with_a_capacitor(quick)
        config = quick.config.read_text(encoding="utf-8").replace("capacitance-f = 0.022", "capacitance-f = 0.000001")
        quick.config.write_text(config, encoding="utf-8")
        done = quick.run("swap", "begin", "arm-07", "--yes", "--by", "Ben")
        assert (done.code, quick.run("swap", "show", "arm-07", "--json").json["state"]) == (20, "none")
        assert "Nothing was begun" in done.err

    def test_the_screen_tells_of_the_visit_that_is_under_way(self, ready: Plant) -> None:
        self.begun(ready, "backup")
        told = ready.run("visit", "arm-07").out
        assert re.search(r"A visit is under way, begun .* by Ana: 1 of 14 steps passed; next: Arm positioned\.", told)
        conflicts = ready.run("visit", "arm-09", "--by", "ANA", "--json").json["conflicts"]
        assert conflicts == [
            "ANA is on a visit of arm-07 already, which has not ended: one person cannot do both at the same time."
        ]
        assert ready.run("visit", "arm-09", "--by", "Ben", "--json").json["conflicts"] == []

    def test_an_entry_that_says_nothing_of_a_visit_is_told_and_never_passed_over(self, ready: Plant) -> None:
        desk = Desk(load(str(ready.config)))
        desk.ledger.append(desk.now(), "visit", "arm-07", {"verb": "done"})
        done = ready.run("visit", "arm-07", "--give-up", "--why", "x")
        assert (done.code, done.out) == (1, "")
        assert "does not say what an entry of a visit says" in done.err

    def off_with_a_capacitor(self, quick: Plant) -> None:
        """A visit whose power went off, of an arm with a capacitor."""
        held = "hold-up = { capacitance-f = 0.022, charged-v = 5.0, least-v = 2.0, time-constant-s = 120, current-ua = 20.0, leakage-ua = 2.0 }"
        config = quick.config.read_text(encoding="utf-8").replace('id = "arm-07"', f'id = "arm-07"\n{held}')
        quick.config.write_text(config, encoding="utf-8")
        self.begun(
            quick,
            "backup",
            "position",
            "lubrication",
            "run-in",
            "position-cells",
            "power-off",
            "lockout",
            "stored-energy",
        )

    def test_the_capacitor_runs_down_from_when_the_power_went_off(self, quick: Plant) -> None:
        self.off_with_a_capacitor(quick)
        start = load(str(quick.config))
        desk = Desk(start)
        visit = visits.under_way(desk, "arm-07")
        assert visit is not None
        stamp = visit.stamps[-3]
        off = stamp.at

        def left(after: timedelta, set_back: timedelta = timedelta()) -> TimeOut:
            """So long after by the wall clock, which was set back meanwhile, or forward."""
            clock = Reading(off + after, stamp.boot, stamp.uptime_s + (after - set_back).total_seconds())
            return visits.time_out(Desk(start, clocks=lambda: clock), visit)

        held_up = left(timedelta()).hold_up
        assert held_up is not None
        whole = held_up.lasts
        assert left(MINUTE).limit == min(30 * MINUTE, whole - MINUTE)
        assert left(whole).limit == timedelta()
        assert run_down(visit, left(whole)) is not None
        assert run_down(visit, left(whole - timedelta(seconds=1))) is None
        for after, set_back in ((MINUTE, -9 * MINUTE), (-HOUR, -HOUR - 10 * MINUTE), (10 * MINUTE, 9 * MINUTE)):
            told = left(after, set_back).hold_up
            assert told is not None
            assert told.off_for == 10 * MINUTE, "the longer one of what two clocks say"

    def test_where_the_power_stays_on_nothing_runs_down(self, quick: Plant) -> None:
        self.off_with_a_capacitor(quick)
        desk = Desk(load(str(quick.config)))
        visit = visits.under_way(desk, "arm-07")
        assert visit is not None
        off = next(each for each in visit.stamps if (each.step, each.what) == ("power-off", "done"))
        later = Reading(off.at + DAY, off.boot, off.uptime_s + DAY.total_seconds())
        for what, runs_down in (("done", True), ("skipped", False)):
            told = visit._replace(
                stamps=tuple(off._replace(what=what) if each is off else each for each in visit.stamps)
            )  # type: ignore[arg-type]
            out = visits.time_out(Desk(desk.settings, clocks=lambda: later), told)
            assert (out.limit == timedelta()) == runs_down

    def test_a_backup_after_the_work_is_there_only_where_the_share_tells_so(self, quick: Plant) -> None:
        quick.configure('[visit]\nsteps = "visit.toml"\n', share='layout = ["{arm}/{any}"]')
        self.begun(quick, "backup", "position", "lubrication", "run-in", "position-cells")
        desk = Desk(load(str(quick.config)))
        visit = visits.under_way(desk, "arm-07")
        assert visit is not None
        visit = visits.stamp(desk, visit, "skipped", "Ana", note="stays on")
        visit = visits.stamp(desk, visit, "done", "Ana", [("alarms", "none")])
        quick.save("arm-07", timedelta(), name="after-the-work")
        quick.look()
        quick.prove()
        assert shut(visit, "done", visits.scene(desk, visit)) is None
        away = quick.share.rename(quick.root / "away")
        closed = shut(visit, "done", visits.scene(desk, visit))
        assert closed is not None
        assert "The share cannot be read" in closed.why
        quick.share.mkdir()
        closed = shut(visit, "done", visits.scene(desk, visit))
        assert closed is not None
        assert "had a marker and has none now" in closed.why
        quick.share.rmdir()
        away.rename(quick.share)
        assert shut(visit, "done", visits.scene(desk, visit)) is None
