"""Ways in which safety could be lost, each found by trying; what stands here must stay shut."""

from __future__ import annotations

import os
import shutil
import sqlite3
from datetime import timedelta
from pathlib import Path

import pytest

from guard.clock import now
from guard.rules.sign_off import subject
from tests.facts import HOUR, NOW, given, mark, proven
from tests.plant import Plant, content, stamp

MINUTE = timedelta(minutes=1)
POWERED = ("mark", "powered-on", "arm-07", "--at", "2026-01-01 00:00")


def moved(hours: int) -> dict[str, str]:
    """The environment of a process whose clock is off by so much; skips where there is no libfaketime."""
    found = next(
        (path for path in ("/usr/lib/x86_64-linux-gnu/faketime/libfaketime.so.1",) if os.path.exists(path)), None
    )
    if found is None:
        pytest.skip("libfaketime is not installed")
    return {"LD_PRELOAD": found, "FAKETIME": f"{hours:+d}h", "FAKETIME_DONT_FAKE_MONOTONIC": "1"}


def passed(hours: int) -> dict[str, str]:
    """The environment of a process for which so much time has passed, by every clock of the computer."""
    return {name: value for name, value in moved(hours).items() if name != "FAKETIME_DONT_FAKE_MONOTONIC"}


class TestSwaps:
    def test_a_clock_set_back_before_the_end_lifts_no_proof(self, plant: Plant) -> None:
        plant.save("arm-07", 30 * MINUTE)
        plant.ready()
        plant.run(*POWERED)
        assert plant.run("swap", "begin", "arm-07", "--yes").code == 0
        assert plant.run("swap", "end", "arm-07", env=moved(-1)).code == 0
        assert "awaiting-proof" in plant.ask().codes
        assert plant.ask().code == 20

    def test_an_arm_that_leaves_the_configuration_keeps_its_window(self, plant: Plant) -> None:
        plant.save("arm-07", HOUR)
        plant.ready()
        plant.run(*POWERED)
        assert plant.run("swap", "begin", "arm-07", "--yes").code == 0
        plant.arms = ("arm-09",)
        plant.configure()
        shown = plant.run("swap", "show")
        assert shown.code == 20
        assert "arm-07 is no longer in the configuration" in shown.out
        assert plant.run("swap", "end", "arm-07", "--by", "Kim").code == 0
        assert plant.run("swap", "show").code == 0


class TestSettling:
    """A time of the share says when something changed by the share's clock; only what we saw says it by ours."""

    @pytest.fixture
    def slow(self, plant: Plant) -> Plant:
        plant.config.write_text(plant.config.read_text().replace('settle = "0s"', 'settle = "1h"'))
        plant.init()
        return plant

    def test_times_of_two_hours_ago_are_no_proof(self, slow: Plant) -> None:
        """As a file server shows them whose clock is two hours behind, in the middle of a copy."""
        slow.save("arm-07", 2 * HOUR)
        shown = slow.run("look", "--wait", "0s", env=moved(2))
        assert "0 newly sealed" in shown.out
        assert slow.sets()[0]["proof"] == "arriving"

    def test_times_of_yesterday_are_believed(self, slow: Plant) -> None:
        slow.save("arm-07", 2 * HOUR)
        assert "1 newly sealed" in slow.run("look", "--wait", "0s", env=moved(4)).out

    def test_what_stayed_the_same_for_the_settle_time_has_settled(self, slow: Plant) -> None:
        slow.save("arm-07", HOUR)
        slow.run("look", "--wait", "0s")
        assert "1 newly sealed" in slow.run("look", "--wait", "0s", env=passed(2)).out

    def test_a_clock_that_jumps_forward_settles_nothing(self, slow: Plant) -> None:
        """In the middle of a copy it would make half of it a set, by what was seen and by the set's own times."""
        slow.save("arm-07", HOUR)
        slow.run("look", "--wait", "0s")
        assert "0 newly sealed" in slow.run("look", "--wait", "0s", env=moved(2)).out
        assert "0 newly sealed" in slow.run("look", "--wait", "0s", env=moved(9)).out
        assert slow.sets()[0]["proof"] == "arriving"

    def test_a_clock_that_was_set_back_and_right_again_hinders_nothing(self, slow: Plant) -> None:
        slow.run("look", "--wait", "0s", env=moved(-3))
        slow.save("arm-07", HOUR)
        slow.run("look", "--wait", "0s")
        assert "1 newly sealed" in slow.run("look", "--wait", "0s", env=passed(2)).out

    def test_a_sealed_set_that_grows_settles_anew(self, slow: Plant) -> None:
        path = slow.save("arm-07", HOUR)
        slow.run("look", "--wait", "0s", env=passed(5))
        (slow.share / path / "programs" / "late.txt").write_text("half of")
        assert "which count once they have settled" in slow.run("prove", path).out
        shown = slow.run("look", "--wait", "0s")
        assert "new files are arriving in it" in shown.out
        (slow.share / path / "programs" / "late.txt").write_text("half of it, and the rest")
        again = slow.run("look", "--wait", "0s", env=passed(10))
        assert "0 damaged" in again.out
        assert slow.sets()[0]["files"] == 7


class TestClocks:
    def test_a_clock_set_back_makes_no_backup_young(self, plant: Plant) -> None:
        plant.save("arm-07", timedelta(days=8))
        plant.ready()
        assert plant.ask().code == 20
        asked = plant.run("ask", "--arm", "arm-07", "--action", "power-down", "--json", env=moved(-48))
        assert asked.code in (20, 30)
        assert "share-unseen" in asked.codes

    def test_a_set_without_any_believable_time_of_its_own_is_doubted(self) -> None:
        undated = proven(stamp=None, newest_member=None)
        assert [found.level for found in given(undated).findings("clock-doubt")] == ["caution"]
        assert given(proven(stamp=None)).findings("clock-doubt") == []


class TestLinks:
    def test_a_folder_that_became_a_link_is_not_read_back(self, plant: Plant) -> None:
        path = plant.save("arm-07", HOUR)
        plant.ready()
        elsewhere = plant.root / "elsewhere"
        shutil.move(plant.share / "arm-07", elsewhere)
        (plant.share / "arm-07").symlink_to(elsewhere)
        before = last_read(plant)
        proved = plant.run("prove", path)
        assert proved.code == 20
        assert "is a link, which is not followed" in proved.out
        assert last_read(plant) == before


def last_read(plant: Plant) -> list[tuple[str]]:
    with sqlite3.connect(plant.root / "state" / "catalogue.db") as db:
        rows = db.execute("SELECT last_read_at FROM sets").fetchall()
    db.close()
    return rows


class TestSignOffs:
    """Somebody answers for what was found, and for nothing else."""

    @pytest.mark.parametrize(
        ("signed", "now_found", "code"),
        [
            pytest.param(
                given(proven(damaged_at=NOW, damage="history/log.txt differs")),
                given(proven(damaged_at=NOW, damage="memory.bin is missing")),
                "damaged-set",
                id="another-file-is-damaged",
            ),
            pytest.param(
                given(proven(2 * HOUR), marks=(mark("edit", NOW),)),
                given(proven(3 * HOUR), marks=(mark("edit", NOW),)),
                "edited-since",
                id="an-older-set-carries-the-answer",
            ),
            pytest.param(
                given(proven(), marks=(mark("edit", NOW),)),
                given(proven(), marks=(mark("edit", NOW - MINUTE), mark("edit", NOW))),
                "edited-since",
                id="one-more-edit-of-an-earlier-time",
            ),
        ],
    )
    def test_another_thing_has_another_subject(self, signed: object, now_found: object, code: str) -> None:
        (before,) = signed.findings(code)  # type: ignore[attr-defined]
        (after,) = now_found.findings(code)  # type: ignore[attr-defined]
        assert subject(before) != subject(after)

    def test_a_set_that_lacks_more_is_not_covered(self, plant: Plant) -> None:
        lacking = {name: data for name, data in content("arm-07").items() if name != "axis-zero.csv"}
        path = plant.save("arm-07", HOUR, files=lacking, name=stamp(now() - HOUR))
        plant.init()
        plant.look()
        for word in ("incomplete-set", "restore-test-due"):
            plant.run("sign-off", "arm-07", "--finding", word, "--by", "Kim", "--why", "x", "--until", "in 24h")
        assert plant.ask().code == 10
        shutil.rmtree(plant.share / path / "programs")
        plant.look()
        assert plant.ask().code == 20


class TestRestoreTests:
    """Only what was restored on an arm, and was saved by then, is tested."""

    @pytest.fixture
    def tested(self, tmp_path: Path) -> Plant:
        plant = Plant(tmp_path / "tested", extra='[proof]\nrestore-test-within = "400d"\n')
        for arm in plant.arms:
            plant.save(arm)
        plant.ready()
        return plant

    @pytest.mark.parametrize(
        ("arm", "ago", "told"),
        [
            pytest.param("arm-09", timedelta(), "a set of arm-09", id="another-arms-set"),
            pytest.param("arm-07", 7 * HOUR, "which was saved after that", id="a-set-from-later"),
        ],
    )
    def test_no_other_is_taken(self, tested: Plant, arm: str, ago: timedelta, told: str) -> None:
        (path,) = (each["path"] for each in tested.sets(arm))
        words = ("restore-test", "arm-07", "--set", path, "--at", (now() - ago).isoformat(), "--by", "Ana")
        refused = tested.run("mark", *words)
        assert (refused.code, refused.out) == (2, "")
        assert told in refused.err
        assert tested.ask().codes == {"restore-test-due"}

    def test_what_was_restored_is(self, tested: Plant) -> None:
        (path,) = (each["path"] for each in tested.sets("arm-07"))
        assert tested.run("mark", "restore-test", "arm-07", "--set", path, "--by", "Ana").code == 0
        asked = tested.ask()
        assert (asked.json["verdict"], asked.answer["set"]["proof"]) == ("clear", "restored")
