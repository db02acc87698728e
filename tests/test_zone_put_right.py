"""A zone or a layout that is put right after the first look: what the names of sets tell is read anew."""

from __future__ import annotations

import sqlite3
import zipfile
from contextlib import closing
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest

from guard.clock import now
from guard.rules.evidence import utc
from tests.plant import ZONE, Plant, content, touch


@pytest.fixture
def astray(tmp_path: Path) -> Plant:
    """A plant whose set was first seen, and read back, with the zone of another continent; only its name tells its age."""
    plant = Plant(tmp_path, arms=("arm-07",))
    touch(plant.share / plant.save("arm-07", timedelta(days=3)), now())
    right = plant.config.read_text("utf-8")
    plant.config.write_text(right.replace(ZONE, "America/Los_Angeles"), encoding="utf-8")
    plant.ready()
    plant.config.write_text(right, encoding="utf-8")
    return plant


def in_the_plants_zone(plant: Plant) -> str | None:
    """The time that the name of the set tells."""
    (saved,) = (plant.share / "arm-07").iterdir()
    return utc(datetime.strptime(saved.name, "%Y-%m-%d_%H%M").replace(tzinfo=ZoneInfo(ZONE)).astimezone(UTC))


def test_an_answer_before_the_next_look_has_it_right(astray: Plant) -> None:
    right = in_the_plants_zone(astray)
    assert astray.ask().answer["set"]["captured_at"] == right


def test_names_that_some_look_read_otherwise_are_read_anew(plant: Plant) -> None:
    """One arm was looked at with another zone, before that was taken back."""
    touch(plant.share / plant.save("arm-07", timedelta(days=3)), now())
    plant.ready()
    answer = plant.ask().answer["set"]["captured_at"]
    right = plant.config.read_text("utf-8")
    plant.config.write_text(right.replace(ZONE, "America/Los_Angeles"), encoding="utf-8")
    plant.look("--arm", "arm-07")
    assert plant.ask().answer["set"]["captured_at"] > answer
    plant.config.write_text(right, encoding="utf-8")
    assert plant.ask().answer["set"]["captured_at"] == answer


def test_the_next_look_puts_it_right_for_good(astray: Plant) -> None:
    def kept() -> str:
        with closing(sqlite3.connect(astray.root / "state" / "catalogue.db")) as catalogue:
            return str(catalogue.execute("SELECT stamp FROM sets").fetchone()[0])

    right = in_the_plants_zone(astray)
    assert right is not None
    assert not kept().startswith(right[:-1])
    astray.look()
    assert kept().startswith(right[:-1])
    (found,) = astray.run("sets", "--json").json["sets"]
    assert found["proof"] == "read-back"
    assert astray.run("ask", "--arm", "arm-07", "--json").answer["set"]["captured_at"] == right


def test_times_in_a_zip_are_read_anew_too(tmp_path: Path) -> None:
    """They are local ones. With a zone in the west they were hours later than the save, and an edit lay before it."""
    plant, saved = Plant(tmp_path, arms=("arm-07",)), now() - timedelta(hours=20)
    plant.configure(share='layout = ["{arm}/{any}"]')
    right = plant.config.read_text("utf-8")
    plant.config.write_text(right.replace(ZONE, "America/Los_Angeles"), encoding="utf-8")
    (plant.share / "arm-07").mkdir()
    with zipfile.ZipFile(plant.share / "arm-07" / "backup.zip", "w") as archive:
        for name, data in content("arm-07").items():
            archive.writestr(zipfile.ZipInfo(name, saved.astimezone(ZoneInfo(ZONE)).timetuple()[:6]), data)
    plant.ready()
    assert plant.run("mark", "edit", "arm-07", "--at", (saved + timedelta(hours=3)).isoformat()).code == 0
    assert plant.ask().json["verdict"] == "clear"
    plant.config.write_text(right, encoding="utf-8")
    assert plant.ask().json["verdict"] == "hold", "nobody has read its times by this zone yet"
    plant.look()
    assert plant.ask().codes == {"edited-since"}
    (found,) = plant.sets()
    assert (found["proof"], found["captured_at"]) == (
        "read-back",
        utc(saved.replace(second=saved.second // 2 * 2, microsecond=0)),
    )
