"""The nightly report as people, mail and programs get it: from the real command line, over shares as they come."""

from __future__ import annotations

import json
import os
import re
import shutil
import sqlite3
from collections.abc import Iterator
from datetime import date, datetime, timedelta
from html.parser import HTMLParser
from pathlib import Path
from typing import Any

import pytest

from guard.clock import now
from guard.desk import Desk
from guard.load import load
from guard.store.letters import Letters
from guard.store.service import note_heartbeat
from guard.tell.cautions import CAUTIONS
from guard.tell.night import night, write_report
from guard.tell.report import NOTHING_TO_DO, as_html, as_json, as_text
from tests.plant import Plant, stamp

HOUR, DAY = timedelta(hours=1), timedelta(days=1)
HOSTILE = "<script>alert(1)</script> & \u202egnp.exe\u202c"
CELLS = 'cells = [ { type = "memory-cell", installed = 2026-01-10 } ]\n'


class Page(HTMLParser):
    """What stands in a page: its tags, its words, and the values of its times and numbers."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []
        self.feed(text)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())

    def values(self) -> set[str]:
        """The numbers and times, as a program reads them from the page."""
        found = {"data": "value", "time": "datetime"}
        return {str(attrs[found[tag]]) for tag, attrs in self.tags if tag in found}


def leaves(value: Any) -> Iterator[str]:
    """Every value in a document, lists by their length too."""
    if isinstance(value, dict):
        for each in value.values():
            yield from leaves(each)
    elif isinstance(value, list):
        yield str(len(value))
        for each in value:
            yield from leaves(each)
    else:
        yield str(value)


class Report:
    """The three files of one report."""

    def __init__(self, paths: list[str]) -> None:
        self.paths = paths
        self.html, self.text, document = (Path(path).read_text(encoding="utf-8") for path in paths)
        self.json = json.loads(document)
        self.page = Page(self.html)

    def arm(self, name: str) -> dict[str, Any]:
        """What the JSON tells of one arm."""
        (found,) = (arm for area in self.json["areas"] for arm in area["arms"] if arm["arm"] == name)
        return dict(found)

    @property
    def doubts(self) -> set[str]:
        """What the doubts are about."""
        return {doubt["about"] for doubt in self.json["doubts"]}


def report(plant: Plant, *words: str) -> Report:
    """Make a report by the command line."""
    done = plant.run("report", *words)
    assert (done.code, done.err) == (0, ""), done
    return Report(done.out.split("\n")[:3])


@pytest.fixture(scope="module")
def first(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant with a fresh arm, a stale one, planned events and a mark; for tests that only read."""
    plant = Plant(tmp_path_factory.mktemp("busy") / "plant")
    plant.save("arm-07")
    plant.save("arm-09", 8 * DAY)
    plant.ready()
    for start, title in (("in 30h", "weekly stop"), ("in 300h", "shutdown"), ("in 1000h", "next year")):
        words = ("event", "add", "--kind", "power-down", "--start", start, "--for", "8h", "--all", "--title", title)
        assert plant.run(*words).code == 0
    edited = (now() - DAY).isoformat(timespec="seconds")
    assert plant.run("mark", "edit", "arm-07", "--at", edited, "--by", "M. Okafor").code == 0
    return plant


@pytest.fixture(scope="module")
def told(first: Plant) -> Report:
    """The report of that plant."""
    return report(first, "--out", str(first.root / "told"))


@pytest.fixture
def busy(first: Plant, tmp_path: Path) -> Plant:
    """That plant once more, to be changed."""
    copy = Plant(tmp_path / "copy")
    shutil.rmtree(copy.root)
    shutil.copytree(first.root, copy.root)
    shutil.rmtree(copy.root / "told", ignore_errors=True)
    return copy


class TestFaces:
    """Page, text and JSON tell the same."""

    def test_every_number_and_time_of_the_page_is_in_the_json(self, told: Report) -> None:
        assert told.page.values() - set(leaves(told.json)) == set()
        assert len(told.page.values()) > 15

    def test_the_three_files_lie_in_the_state_folder_by_the_plants_day(self, busy: Plant) -> None:
        told = report(busy)
        day = told.json["day"]
        folder = busy.root / "state" / "reports"
        assert told.paths == [str(folder / f"{day}.{kind}") for kind in ("html", "txt", "json")]
        assert sorted(os.listdir(folder)) == sorted(f"{day}.{kind}" for kind in ("html", "txt", "json"))

    def test_out_names_another_folder(self, busy: Plant) -> None:
        out = busy.root / "elsewhere" / "deep"
        assert {Path(path).parent for path in report(busy, "--out", str(out)).paths} == {out}
        assert not (busy.root / "state" / "reports").exists()

    def test_json_and_text_show_the_report_and_write_nothing(self, busy: Plant) -> None:
        shown = busy.run("report", "--json")
        assert shown.json["counts"] == {"hold": 1, "unknown": 0, "caution": 0, "clear": 1}
        assert "What to do, in this order" in busy.run("report", "--text").out
        assert not (busy.root / "state" / "reports").exists()

    def test_the_text_fits_into_mail(self, told: Report) -> None:
        assert max(map(len, told.text.split("\n"))) <= 78

    def test_the_page_needs_nothing_else(self, told: Report) -> None:
        tags = {tag for tag, _ in told.page.tags}
        assert tags & {"script", "link", "img", "iframe", "object", "form"} == set()
        names = {name for _, attrs in told.page.tags for name in attrs}
        assert {name for name in names if name.startswith("on")} | names & {"src", "href", "style"} == set()
        assert re.findall(r"url\(|@import|https?:", told.html) == []

    def test_every_drawing_says_what_it_shows_and_every_column_has_a_head(self, told: Report) -> None:
        drawings = re.findall(r"<svg.*?</svg>", told.html, re.DOTALL)
        assert len(drawings) == 4
        assert all("<title" in drawing and 'role="img"' in drawing for drawing in drawings)
        assert {attrs.get("scope") for tag, attrs in told.page.tags if tag == "th"} == {"col"}

    def test_the_cautions_stand_on_every_face(self, told: Report) -> None:
        flat = " ".join(told.text.split())
        for caution in CAUTIONS:
            assert caution in told.page.text
            assert caution in flat
        assert told.json["cautions"] == list(CAUTIONS)

    def test_no_verdict_is_told_by_colour_alone(self, told: Report) -> None:
        words = re.findall(r'<span class="level (\w+)">(\w+)</span>', told.html)
        assert words
        assert all(colour == word for colour, word in words)


class TestContent:
    """What a person needs in the morning."""

    def test_the_stale_arm_is_to_be_saved_before_the_event(self, told: Report) -> None:
        first = told.json["steps"][0]
        assert (first["level"], first["do"]) == (
            "hold",
            "Save a fresh backup of arm-09, then run: guard look, and: guard prove --arm arm-09",
        )
        assert [(lot["arms"], lot["now"], lot["event"]) for lot in first["lots"]] == [
            (["arm-09"], True, "power-down: weekly stop")
        ]
        weekly = told.json["events"][0]
        assert (first["due"], weekly["backups"]) == (weekly["begin_by"], 1)
        (arm,) = (arm for area in told.json["areas"] for arm in area["arms"] if arm["arm"] == "arm-09")
        assert arm["next_event"]["begin_by"] == weekly["begin_by"] < weekly["start"]

    def test_an_event_too_far_off_asks_for_nothing_yet(self, told: Report) -> None:
        far = told.json["events"][1]
        assert (far["title"], far["verdict"], far["too_early"]) == ("shutdown", "hold", ["arm-07", "arm-09"])
        assert datetime.fromisoformat(far["start"]) - datetime.fromisoformat(far["counts_from"]) == 7 * DAY
        assert [lot["event"] for step in told.json["steps"] for lot in step["lots"]] == ["power-down: weekly stop"]

    def test_events_later_than_four_weeks_are_counted(self, told: Report) -> None:
        assert [event["title"] for event in told.json["events"]] == ["weekly stop", "shutdown"]
        assert told.json["events_later"]["count"] == 1

    def test_each_arm_with_verdict_age_proof_and_next_event(self, told: Report) -> None:
        arm = told.arm("arm-07")
        assert (arm["verdict"], arm["proof"], arm["limit_s"]) == ("clear", "read-back", 7 * 86400)
        assert 6 * 3600 <= arm["age_s"] < 7 * 3600
        assert (arm["next_event"]["verdict"], arm["next_event"]["too_early"]) == ("clear", False)

    def test_nothing_to_do_is_said_plainly(self, plant: Plant) -> None:
        for arm in plant.arms:
            plant.save(arm)
        plant.ready()
        told = report(plant)
        assert told.json["steps"] == []
        assert NOTHING_TO_DO in told.page.text
        assert NOTHING_TO_DO in " ".join(told.text.split())

    def test_what_happened_since_a_day_ago(self, told: Report) -> None:
        changes = told.json["changes"]
        assert changes["since_last_report"] is False
        assert {each["kind"]: each["count"] for each in changes["happened"]} == {
            "sealed": 2, "mark": 1, "event": 3, "share": 1
        }  # fmt: skip

    def test_what_was_counted_and_who_ceased_to_answer(self, busy: Plant) -> None:
        busy.run("cells", "stock", "memory-cell", "2", "--date-code", "2026-01", "--by", "Ana")
        desk = Desk(load(str(busy.config)))
        since = "2026-01-05T11:00:00Z"
        desk.ledger.append(desk.now(), "presence", "arm-07", {"answers": False, "since": since, "why": "no answer"})
        told = {each["kind"]: each["newest"][0]["what"] for each in report(busy).json["changes"]["happened"]}
        assert told["stock"] == "2 x memory-cell, made 2026-01, counted by Ana"
        assert told["presence"] == "its controller has not answered since Mon 2026-01-05 12:00: no answer"

    def test_proofs_made_and_due(self, busy: Plant) -> None:
        busy.save("arm-09", HOUR)
        busy.look()
        told = report(busy).json["proofs"]
        assert (told["sets"], told["due_sets"], told["oldest"], told["nights"]) == (2, 1, None, 1)
        assert told["due_sets"] == len(Desk(load(str(busy.config))).due())


class TestHostileNames:
    """Names may hold anything; nothing of it reaches a page, a terminal or a mail as more than a name."""

    @pytest.fixture
    def hostile(self, plant: Plant) -> Plant:
        plant.save("arm-07")
        plant.save("arm-09", 8 * DAY, name=f"{HOSTILE.replace('/', '')}\nlast")
        arms = "".join(
            f'[[arms]]\nid = "{arm}"\nname = {json.dumps(HOSTILE)}\n'
            f'area = {json.dumps(HOSTILE)}\nserial = "RC-{arm[-2:]}71"\n'
            for arm in plant.arms
        )
        text = plant.config.read_text(encoding="utf-8")
        plant.config.write_text(text[: text.index("[[arms]]")] + arms, encoding="utf-8")
        plant.ready()
        event = ["event", "add", "--kind", "power-down", "--start", "in 30h", "--for", "8h", "--all"]
        assert plant.run(*event, "--title", HOSTILE).code == 0
        assert plant.run("mark", "edit", "arm-07", "--by", HOSTILE, "--note", "</li></ul>\r\x07").code == 0
        return plant

    def test_nothing_is_markup_and_nothing_steers(self, hostile: Plant) -> None:
        told = report(hostile)
        assert "script" not in {tag for tag, _ in told.page.tags}
        assert "<script>alert(1)</script>" in told.page.text
        for text in (told.html, told.text):
            assert [sign for sign in text if sign != "\n" and not sign.isprintable()] == []

    def test_page_and_json_still_agree(self, hostile: Plant) -> None:
        told = report(hostile)
        assert told.page.values() - set(leaves(told.json)) == set()
        assert max(map(len, told.text.split("\n"))) <= 78

    def test_a_name_that_is_no_text(self, plant: Plant) -> None:
        plant.save("arm-07")
        os.mkdir(os.fsencode(plant.share) + b"/arm-07/\xff\xfe")
        plant.ready()
        told = report(plant)
        assert told.arm("arm-07")["verdict"] == "caution"


class TestShareInTrouble:
    """A share that is missing or doubtful still gives a report, which says so and is never better for it."""

    def test_offline(self, busy: Plant) -> None:
        shutil.move(busy.share, busy.root / "away")
        told = report(busy)
        assert told.json["counts"] == {"hold": 1, "unknown": 1, "caution": 0, "clear": 0}
        assert told.json["space"]["free"] is None
        assert told.json["space"]["unknown"] == "it cannot be read: it is not there"
        assert "share" in told.doubts
        assert "Bring the share back, then ask again." in [step["do"] for step in told.json["steps"]]
        assert told.page.values() - set(leaves(told.json)) == set()

    def test_another_share_in_its_place_is_not_asked_for_its_size(self, busy: Plant) -> None:
        marker = next(busy.share.glob("*-share.json"))
        marker.write_text(
            marker.read_text(encoding="utf-8").replace('"identity": "', '"identity": "0'), encoding="utf-8"
        )
        told = report(busy)
        assert told.json["space"]["unknown"] == "another share is mounted in its place"
        assert told.json["counts"]["clear"] == 0

    def test_no_set_at_all(self, plant: Plant) -> None:
        plant.init()
        told = report(plant)
        assert told.json["counts"]["hold"] == 2
        assert (
            told.json["steps"][0]["do"]
            == "Save a backup of each arm to the share, then run: guard look, and: guard prove --arm ARM"
        )
        assert told.arm("arm-07")["age_s"] is None
        assert "no proven set" in told.page.text

    def test_never_looked_at_and_without_a_marker(self, plant: Plant) -> None:
        assert report(plant).json["counts"]["clear"] == 0


class TestDoubts:
    """The monitor says what it doubts about itself, and what is grave is work for the morning."""

    def steps(self, told: Report) -> list[str]:
        return [step["why"] for step in told.json["steps"] if not step["lots"]]

    def test_a_ledger_that_was_altered(self, busy: Plant) -> None:
        with sqlite3.connect(busy.root / "state" / "ledger.db") as db:
            db.execute("UPDATE entries SET at='2020-01-01T00:00:00.000000Z' WHERE seq=3")
        told = report(busy)
        assert told.json["monitor"]["ledger_first_bad"] == 3
        assert self.steps(told) == ["The ledger was tampered with or damaged: entry 3 is the first that is wrong."]

    def test_a_monitor_that_fell_silent(self, busy: Plant) -> None:
        desk = Desk(load(str(busy.config)))
        note_heartbeat(desk.catalogue.store, "clocks", desk.now() - 3 * HOUR)
        (why,) = self.steps(report(busy))
        assert re.fullmatch(r"The monitor last showed life on .* \(3 h ago\): what came since is not seen .*", why)

    def test_a_part_that_is_troubled(self, busy: Plant) -> None:
        desk = Desk(load(str(busy.config)))
        note_heartbeat(desk.catalogue.store, "clocks", desk.now())
        note_heartbeat(desk.catalogue.store, "looking", desk.now(), "the share cannot be watched: no room")
        told = report(busy)
        text = "The part of the monitor that watches the share says: the share cannot be watched: no room."
        assert text in [doubt["text"] for doubt in told.json["doubts"]]
        assert self.steps(told) == []

    def test_letters_that_do_not_go_out(self, busy: Plant) -> None:
        desk = Desk(load(str(busy.config)))
        with desk.ledger.store.transaction() as db:
            query = "INSERT INTO letters(key, channel, message, created_at, next_at, trouble) VALUES('k', 'mail', '{}', ?1, ?1, 'not reached: refused')"
            db.execute(query, ("2026-01-02T03:04:05.000000Z",))
        (why,) = self.steps(report(busy))
        assert re.fullmatch(
            r"1 letter waits to be sent by mail since Fri 2026-01-02 04:04 \(.*\): not reached: refused\.", why
        )

    def test_a_clock_that_was_set_back(self, busy: Plant) -> None:
        desk = Desk(load(str(busy.config)))
        desk.ledger.append(desk.now() + 2 * HOUR, "mark", "arm-07", {"kind": "edit", "at": "2026-01-01T00:00:00Z"})
        assert any("clock was set back" in why for why in self.steps(report(busy)))

    def test_an_event_for_an_arm_that_is_configured_no_more(self, busy: Plant) -> None:
        busy.arms = ("arm-07",)
        busy.configure()
        told = report(busy)
        assert told.json["events"][0]["arms"]["unknown"] == ["arm-09"]
        assert any("names arm-09, which is not in the configuration" in why for why in self.steps(told))

    def test_what_was_marked_of_an_arm_that_has_another_id_now(self, plant: Plant) -> None:
        plant.save("arm-07")
        plant.ready()
        plant.run("mark", "edit", "arm-07", "--by", "Ana")
        (plant.share / "arm-07").rename(plant.share / "arm-70")
        plant.config.write_text(plant.config.read_text().replace('id = "arm-07"', 'id = "arm-70"'))
        plant.look("--accept-vanished")
        plant.prove()
        (why,) = [why for why in self.steps(report(plant)) if why.startswith("arm-70 has sets")]
        assert why == (
            "arm-70 has sets that were taken in as those of arm-07, which is not in the configuration any more: what was"
            " marked of arm-07 (1 mark) counts for no arm."
        )

    def test_arms_without_cells_are_one_step_for_all_and_a_monitor_that_never_ran_is_none(self, plant: Plant) -> None:
        plant.cells = "[]"
        plant.configure()
        for arm in plant.arms:
            plant.save(arm)
        plant.ready()
        told = report(plant)
        assert told.doubts == {"monitor", "cells"}
        assert [step["codes"] for step in told.json["steps"]] == [["cell-age-unknown"]]

    def test_the_version_of_the_zone_rules_is_told(self, told: Report) -> None:
        rules = told.json["monitor"]["zone_rules"]
        assert re.fullmatch(r"\d{4}[a-z]+ \(of (this system|the package tzdata)\)", rules)


class TestNightByNight:
    """What the monitor calls: one report a day, kept for a while, told once."""

    @pytest.fixture
    def desk(self, busy: Plant) -> Desk:
        return Desk(load(str(busy.config)))

    def days(self, desk: Desk) -> tuple[datetime, date]:
        now = desk.now()
        return now, now.astimezone(desk.settings.zone()).date()

    def test_it_tells_what_turned_since_the_report_before(self, desk: Desk, busy: Plant) -> None:
        now, day = self.days(desk)
        write_report(desk, now, day - DAY)
        busy.run("mark", "edit", "arm-07")
        told = night(desk, desk.now(), day)
        assert (told.changes.since, told.changes.reported) == (now, True)
        assert [(each.kind, [item.arm for item in each.items]) for each in told.changes.happened] == [
            ("worse", ["arm-07"]), ("mark", ["arm-07"])
        ]  # fmt: skip

    def test_a_second_report_of_a_day_compares_with_the_day_before_too(self, desk: Desk) -> None:
        now, day = self.days(desk)
        write_report(desk, now - DAY, day - DAY)
        write_report(desk, now - DAY + HOUR, day - DAY)
        write_report(desk, now - HOUR, day)
        assert night(desk, now, day).changes.since == now - DAY

    def test_it_is_posted_once_a_day_whatever_happens(self, desk: Desk) -> None:
        now, day = self.days(desk)
        first = write_report(desk, now, day)
        assert write_report(desk, now + HOUR, day) == first
        with desk.ledger.store.told():
            rows = desk.ledger.store.connection.execute("SELECT key, channel, message FROM letters").fetchall()
        assert [row[:2] for row in rows] == [(f"report {day}", "log"), (f"report {day}", "file")]
        message = json.loads(rows[0][2])
        assert message["subject"] == f"Ridgemoor Castings, {day}: 1 hold, 1 clear; 1 thing to do"
        assert message["attachments"] == [[f"{day}.html", first[0]]]
        assert message["level"] == "hold"
        assert [waiting.channel for waiting in Letters(desk.ledger.store).unsent()] == ["file", "log"]

    def test_the_command_posts_nothing(self, busy: Plant, desk: Desk) -> None:
        report(busy)
        assert Letters(desk.ledger.store).unsent() == ()

    def test_old_reports_go_and_nothing_else_does(self, desk: Desk, busy: Plant) -> None:
        now, day = self.days(desk)
        folder = busy.root / "state" / "reports"
        folder.mkdir()
        old, kept = day - timedelta(days=401), day - timedelta(days=400)
        others = ["notes.txt", f"{old}.pdf", f"x{old}.html", f"{old}.html.bak", "2026-02-31.html", f"{kept}.json"]
        for name in (*others, f"{old}.html", f"{old}.txt", f"{old}.json", f"{old}.html.new"):
            (folder / name).write_bytes(b"x")
        (folder / f"{old - DAY}.html").mkdir()
        written = write_report(desk, now, day)
        left = [*others, f"{old - DAY}.html", *map(os.path.basename, written)]
        assert sorted(os.listdir(folder)) == sorted(left)
        told = json.loads(Path(written[2]).read_text(encoding="utf-8"))
        assert [doubt["about"] for doubt in told["doubts"]].count("reports") == 1

    def test_a_report_that_cannot_be_written_leaves_the_old_one_and_says_why(self, busy: Plant) -> None:
        (busy.root / "state" / "reports").write_text("in the way", encoding="utf-8")
        done = busy.run("report")
        assert (done.code, done.out) == (1, "")
        assert re.fullmatch(r"\S+reports cannot be used: File exists\. Make it writable .*\n", done.err)

    def test_the_faces_depend_on_nothing_but_the_record(self, desk: Desk) -> None:
        told = night(desk, *self.days(desk))
        assert (as_html(told), as_text(told), as_json(told)) == (as_html(told), as_text(told), as_json(told))

    def test_an_event_that_runs_is_judged_as_of_now(self, desk: Desk) -> None:
        now, day = self.days(desk)
        told = night(desk, now + 31 * HOUR, day)
        assert told.plan.events[0].start < told.made_at
        assert dict(told.plan.events[0].arms)["clear"] == ("arm-07",)

    def test_events_that_cannot_be_read_are_a_grave_doubt(self, desk: Desk) -> None:
        desk.ledger.append(desk.now() - HOUR, "event", "", {"verb": "add", "kind": "picnic"})
        told = night(desk, *self.days(desk))
        assert told.plan.events == ()
        assert ("events", True) in [(doubt.about, doubt.grave) for doubt in told.doubts]


def test_a_span_that_stands_for_never_stops_neither_the_report_nor_the_read_back(tmp_path: Path) -> None:
    plant = Plant(tmp_path / "plant", extra='[proof]\nread-back-within = "9999y"\n')
    plant.save("arm-07")
    plant.ready()
    report(plant)
    assert plant.run("prove", "--due").code == 0


def test_the_day_is_the_plants(told: Report) -> None:
    assert told.json["day"] == stamp(datetime.fromisoformat(told.json["made_at"]))[:10]
