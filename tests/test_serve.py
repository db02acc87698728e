"""The monitor as a plant has it: a real process that sees, proves, warns, tells and reports without help."""

from __future__ import annotations

import json
import shutil
import sqlite3
import subprocess
import sys
import time
from contextlib import nullcontext
from datetime import timedelta
from pathlib import Path
from threading import Event

import pytest

from guard.clock import now
from guard.errors import ShareUnreadable
from guard.load import load
from guard.service.hand import Hand
from guard.service.looking import MOST_AT_ONCE, Looking
from tests.faults.daemon import Daemon, answers, has_logged, rows, until
from tests.plant import Plant
from tests.servers import Endpoint, Mailbox

HOUR = timedelta(hours=1)
DAY = timedelta(days=1)
NO_RESTORE_TEST = '\n[proof]\nrestore-test-within = "off"\n'


@pytest.fixture
def watched(plant: Plant) -> Plant:
    """A plant that is looked at when something changes and hardly otherwise, and whose sets settle within a second."""
    settle_in_a_second(plant, '\n[service]\nreconcile = "1h"\n')
    plant.init()
    return plant


def settle_in_a_second(plant: Plant, extra: str) -> None:
    plant.configure(extra=NO_RESTORE_TEST + extra)
    plant.config.write_text(plant.config.read_text().replace('settle = "0s"', 'settle = "1s"'))


def proven(plant: Plant) -> set[str]:
    """The sets that were read back."""
    return {path.decode() for (path,) in rows(plant, "SELECT path FROM sets WHERE last_read_at IS NOT NULL")}


class TestArrivals:
    """What arrives is sealed, proven and judged by itself, as soon as it has settled."""

    def test_a_backup_that_arrives_turns_the_verdict(self, watched: Plant) -> None:
        watched.save("arm-07", 9 * DAY)
        with Daemon(watched) as daemon:
            until("the old set is proven", lambda: len(proven(watched)) == 1)
            assert watched.ask().answer["verdict"] == "hold"
            time_before = time.monotonic()
            fresh = watched.save("arm-07", timedelta())
            until("the new set is proven", lambda: fresh in proven(watched))
            took = time.monotonic() - time_before
            assert watched.ask().answer["set"]["path"] == fresh
            assert took < 1 + 10, took  # the settle time, and far more than the 2 s that a quiet machine needs
        assert daemon.log.count("set-sealed") == 2

    def test_more_at_once_than_one_lot_are_read_back_without_a_pause(self, watched: Plant) -> None:
        files = {
            "programs/main.txt": b"move",
            "axis-zero.csv": b"axis,count\n1,10452\n",
            "memory.bin": bytes(range(256)) * 256,
        }
        for age in range(2 * MOST_AT_ONCE + 10):
            watched.save("arm-07", age * HOUR + HOUR, files={**files, "settings.toml": b'serial = "%d"' % age})
        with Daemon(watched):
            # One lot a tick would take a minute, longer than is waited here.
            until("all are proven", lambda: len(proven(watched)) == 2 * MOST_AT_ONCE + 10)

    def test_a_copy_in_progress_is_left_alone(self, watched: Plant) -> None:
        with Daemon(watched) as daemon:
            until("it watches", lambda: watched_by(watched) == "")
            folder = watched.share / watched.save("arm-07", HOUR)
            end = time.monotonic() + 3
            while time.monotonic() < end:
                (folder / "programs" / "main.txt").write_text(f"written at {time.monotonic()}")
                time_passes()
            assert "set-sealed" not in daemon.log
            until("it is proven", lambda: proven(watched))
        assert daemon.log.count("set-sealed") == 1

    def test_a_burst_is_looked_at_once(self, watched: Plant) -> None:
        with Daemon(watched) as daemon:
            until("it watches", lambda: watched_by(watched) == "")
            paths = {watched.save("arm-07", HOUR * n) for n in range(1, 21)}
            until("all are proven", lambda: proven(watched) == paths)
        assert daemon.log.count("set-sealed") == len(paths)

    def test_a_set_that_goes_is_noticed(self, watched: Plant) -> None:
        """Also where it was the last one of its arm, of which the look at that arm alone believes nothing."""
        paths = [watched.save("arm-07", HOUR * n) for n in (1, 2)]
        watched.save("arm-09")
        with Daemon(watched) as daemon:
            until("all are proven", lambda: len(proven(watched)) == 3)
            for path in paths:
                shutil.rmtree(watched.share / path)
                until("it is gone", has_logged(daemon, f"set-gone place={watched.share} set={path}"))


def watched_by(plant: Plant) -> str | None:
    """What troubles the part that looks; empty where all is well, None where it has not begun."""
    found = rows(plant, "SELECT detail FROM heartbeats WHERE part='looking'")
    return found[0][0] if found else None


def time_passes() -> None:
    Event().wait(0.1)


class TestItself:
    """One process for each state folder, which ends when it is told to, and says what it is configured with."""

    def test_a_second_one_is_refused_and_names_the_first(self, watched: Plant) -> None:
        with Daemon(watched) as daemon:
            assert daemon.process is not None
            second = watched.run("serve")
            assert second.code == 1
            assert f"Process {daemon.process.pid} on" in second.err
            assert daemon.runs()

    def test_it_ends_in_the_middle_of_a_long_read(self, watched: Plant) -> None:
        folder = watched.share / watched.save("arm-07", HOUR)
        with (folder / "programs" / "large.bin").open("wb") as file:
            file.truncate(6 << 30)  # a sparse file: hours of digits, no disk
        with Daemon(watched):
            until("it reads", lambda: rows(watched, "SELECT path FROM sets"))
        assert rows(watched, "SELECT complete FROM sets") == [(None,)]

    def test_a_changed_configuration_is_taken_up(self, watched: Plant) -> None:
        with Daemon(watched) as daemon:
            text = watched.config.read_text()
            watched.config.write_text(text.replace('name = "Ridgemoor Castings"', 'name = "Ridgemoor Forge"'))
            until("it begins anew", has_logged(daemon, 'serving plant="Ridgemoor Forge"'))
            assert daemon.runs()

    def test_a_faulty_configuration_changes_nothing_and_is_told(self, watched: Plant) -> None:
        with Daemon(watched) as daemon:
            text = watched.config.read_text()
            watched.config.write_text(text.replace("[plant]", "[plnt]"))
            until("it is told", has_logged(daemon, "configuration-faulty"))
            watched.config.write_text(text)
            path = watched.save("arm-07", HOUR)
            until("it works on", lambda: path in proven(watched))

    def test_answers_say_when_the_monitor_is_silent(self, watched: Plant) -> None:
        assert watched.ask().json["monitor_silent_since"] is None
        with Daemon(watched):
            until("it shows life", lambda: rows(watched, "SELECT at FROM heartbeats WHERE part='clocks'"))
            assert watched.ask().json["monitor_silent_since"] is None
        with sqlite3.connect(watched.root / "state" / "catalogue.db") as db:
            at = (now() - timedelta(minutes=6)).strftime("%Y-%m-%dT%H:%M:%S.000000Z")
            db.execute("UPDATE heartbeats SET at=?", (at,))
        db.close()
        assert watched.ask().json["monitor_silent_since"] == at.replace(".000000", "")
        assert "silent since" in watched.run("fleet").out


class TestNights:
    """Old proofs are renewed at night and the report stands there in the morning; what was missed runs once."""

    def test_a_missed_report_is_written_once(self, watched: Plant) -> None:
        watched.save("arm-07", HOUR)
        reports = watched.root / "state" / "reports"
        with Daemon(watched) as daemon:
            until("it is written", has_logged(daemon, "report-written"))
        with Daemon(watched) as daemon:
            until("it shows life", lambda: len(daemon.beats()) >= 3)
        assert daemon.log.count("report-written") == 1
        assert len(list(reports.glob("*.html"))) == 1
        assert "<script" not in next(reports.glob("*.html")).read_text()

    def test_the_oldest_proofs_are_renewed(self, watched: Plant) -> None:
        path = watched.save("arm-07", 40 * DAY)
        with Daemon(watched):
            until("it is proven", lambda: proven(watched))
        old = (now() - 29 * DAY).strftime("%Y-%m-%dT%H:%M:%S.000000Z")
        with sqlite3.connect(watched.root / "state" / "catalogue.db") as db:
            db.execute("UPDATE sets SET last_read_at=?", (old,))
            db.execute("DELETE FROM runs")
        db.close()
        with Daemon(watched) as daemon:
            until("the night is done", has_logged(daemon, "night-done"))
            until("it was renewed", lambda: rows(watched, "SELECT last_read_at FROM sets") != [(old,)])
        assert proven(watched) == {path}

    def test_bit_rot_is_found_at_night(self, watched: Plant) -> None:
        """A byte that changes with size and times kept is seen by reading alone."""
        path = watched.save("arm-07", 40 * DAY)
        with Daemon(watched):
            until("it is proven", lambda: proven(watched))
        rot(watched.share / path / "memory.bin")
        with sqlite3.connect(watched.root / "state" / "catalogue.db") as db:
            db.execute("UPDATE sets SET last_read_at='2026-01-01T00:00:00.000000Z'")
            db.execute("DELETE FROM runs")
        db.close()
        with Daemon(watched) as daemon:
            until("it is found", has_logged(daemon, "WARNING damaged"))
            daemon.printed.write_text("")  # what is alarming is also said beside the log
        assert watched.ask().codes >= {"damaged-set"}


def rot(file: Path) -> None:
    import os

    about = file.stat()
    content = bytearray(file.read_bytes())
    content[1000] ^= 1
    file.write_bytes(content)
    os.utime(file, ns=(about.st_atime_ns, about.st_mtime_ns))


class TestWarnings:
    """A planned event at risk is warned of until its cause is gone, and everyone is told once."""

    def test_from_the_event_to_the_backup_that_lifts_it(
        self, plant: Plant, endpoint: Endpoint, mailbox: Mailbox
    ) -> None:
        server = f'server = "127.0.0.1:{mailbox.port}", tls = "none"'
        mail = f'mail = {{ {server}, from = "guard@plant.example", to = ["maintenance@plant.example"] }}'
        settle_in_a_second(plant, f'[service]\nreconcile = "2s"\n[notify]\nwebhook = "{endpoint.url}"\n{mail}\n')
        plant.init()
        old = plant.save("arm-07", 9 * DAY)
        with Daemon(plant) as daemon:
            until("it is a hold for its age", lambda: old in proven(plant) and answers(plant, "hold")())
            done = plant.run(
                "event", "add", "--kind", "power-down", "--start", "in 24h", "--for", "8h", "--arm", "arm-07"
            )
            assert done.code == 0, done
            sheet = plant.root / "state" / "sheets" / "arm-07.html"
            until("the sheet hangs", sheet.exists)
            assert "arm-07" in sheet.read_text()
            until("the fleet shows it", lambda: "since" in plant.run("fleet").out)
            fresh = plant.save("arm-07", HOUR)
            until("the sheet is gone", lambda: fresh in proven(plant) and not sheet.exists())
            until("all is told", lambda: len(told_of_arm(endpoint)) >= 2 and len(mailbox.mails.all) >= 2)
            daemon.printed.write_text("")
        verbs = [
            json.loads(body)["verb"]
            for (body,) in rows(plant, "SELECT body FROM entries WHERE kind='warning'", "ledger.db")
        ]
        assert verbs == ["raised", "lifted"]
        assert len(told_of_arm(endpoint)) == 2

    @pytest.mark.parametrize("trouble", ["arms-taken-out", "a-torn-row"])
    def test_what_hinders_looking_hinders_no_warning(self, plant: Plant, trouble: str) -> None:
        for hours in range(10):
            plant.save("arm-09", HOUR * hours)
        plant.save("arm-07", 9 * DAY)
        plant.init()
        plant.look()
        assert (
            plant.run(
                "event", "add", "--kind", "power-down", "--start", "in 24h", "--for", "8h", "--arm", "arm-07"
            ).code
            == 0
        )
        if trouble == "arms-taken-out":
            plant.arms = ("arm-07",)
            plant.configure()
        else:
            with sqlite3.connect(plant.root / "state" / "catalogue.db") as db:
                db.execute("UPDATE manifests SET sha256=x'00' WHERE set_id IN (SELECT id FROM sets WHERE arm='arm-09')")
            db.close()
        hand = Hand("looking", load(str(plant.config)), lambda _: lambda: None, Event())
        looking = Looking(hand, lambda: None)
        with pytest.raises(ValueError, match="the files of a set") if trouble == "a-torn-row" else nullcontext():
            looking()
        looking.close()
        assert [each.arm for each in hand.desk.warnings()] == ["arm-07"]


def told_of_arm(endpoint: Endpoint) -> list[object]:
    return [posted for posted in endpoint.posts.all if posted.json["arm"] == "arm-07"]


NEVER = '[service]\nreconcile = "9999y"\npoll = "9999y"\n'


def test_spans_that_stand_for_never_are_no_fault(tmp_path: Path) -> None:
    plant = Plant(tmp_path / "plant", extra=NEVER)
    plant.init()
    plant.save("arm-07")
    with Daemon(plant):
        until("the share was looked at", lambda: plant.run("sets", "--json").json["sets"])


def test_a_hand_in_trouble_outlives_a_poll_that_stands_for_never(tmp_path: Path) -> None:
    plant, stop, calls = Plant(tmp_path / "plant", extra=NEVER), Event(), []

    def fails() -> float | None:
        calls.append(1)
        raise ShareUnreadable("share", "it is not there")

    hand = Hand("looking", load(str(plant.config)), lambda _: fails, stop)
    hand.start()
    for times in (1, 2):
        until("it works when it is woken", lambda times=times: len(calls) >= times)  # type: ignore[misc]
        until("its trouble is told", lambda: "looking" in str(rows(plant, "SELECT * FROM heartbeats")))
        hand.wake()
    stop.set()
    hand.wake()
    hand.join(10)
    assert not hand.is_alive()


def test_a_bare_call_without_a_configuration_says_what_to_do(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "guard", "serve"], cwd=tmp_path, capture_output=True, text=True, check=False, timeout=60
    )
    assert done.returncode == 2
    assert "No configuration at" in done.stderr
