"""Single files and folders that cannot be read, are slow, or move while they are read."""

from __future__ import annotations

from datetime import timedelta

import pytest

from guard.clock import now
from tests.faults.daemon import Daemon, Witness, answers, nothing_lost_or_doubled, rows, until
from tests.faults.faulty import Faulty
from tests.plant import Plant, content, stamp

HOUR = timedelta(hours=1)


@pytest.mark.parametrize("error", ["EIO", "EACCES", "ESTALE"])
def test_a_file_then_a_folder_fails_and_recovers(plant: Plant, faults: Faulty, error: str) -> None:
    path = plant.save("arm-07")
    with Daemon(plant), Witness(plant) as witness:
        until("it is clear", answers(plant, "clear"))
        name = stamp(now() - HOUR)
        newer = f"arm-07/{name}"
        faults.fail(f"{newer}/memory.bin", "read", error)
        plant.save("arm-07", HOUR, name=name)
        with witness.during("file"):
            until("the file is tried", faults.hits)
        faults.clear()
        until("it is clear again", answers(plant, "clear", path=newer))

        faults.fail(newer, "list", error)
        with witness.during("folder"):
            until("it is noticed", lambda: rows(plant, "SELECT 1 FROM sets WHERE trouble IS NOT NULL"))
        faults.clear()
        until("it is clear again", answers(plant, "clear", path=newer))
    assert "clear" not in witness.verdicts("file") | witness.verdicts("folder")
    nothing_lost_or_doubled(plant, path, newer, besides={(newer, "read-back"): 2})  # proven anew after the trouble


def test_a_folder_is_renamed_while_it_is_read(plant: Plant, faults: Faulty) -> None:
    path = plant.save("arm-07")
    with Daemon(plant), Witness(plant) as witness:
        until("it is clear", answers(plant, "clear"))
        name = stamp(now() - HOUR)
        early, late = f"arm-07/{name}", f"arm-07/{stamp(now() - HOUR / 2)}"
        faults.fail(f"{early}/memory.bin", "read", "0.7")
        plant.save("arm-07", HOUR, name=name)
        until("it is being read", faults.hits)
        (plant.share / early).rename(plant.share / late)
        with witness.during("renamed"):
            until("the new name is known", lambda: {each["path"] for each in plant.sets()} == {path, late})
        faults.clear()
        until("it is clear again", answers(plant, "clear", path=late))
    assert "clear" not in witness.verdicts("renamed")
    nothing_lost_or_doubled(plant, path, late, besides={(early, "gone"): 1})


def test_it_ends_in_time_while_it_reads(plant: Plant, faults: Faulty) -> None:
    path = plant.save("arm-07", files=content("arm-07") | {f"programs/{n:03}.txt": b"move" for n in range(100)})
    faults.fail(f"{path}/programs", "read", "0.2")
    daemon = Daemon(plant)
    daemon.start()
    until("it is being read", faults.hits)
    daemon.stop()
    assert faults.hits() < 100
    faults.clear()
    with Daemon(plant):
        until("it is clear", answers(plant, "clear"))
    nothing_lost_or_doubled(plant, path)


def test_files_that_do_not_answer_keep_no_question_waiting(plant: Plant, faults: Faulty) -> None:
    """As where a server went away of which the system still holds the names of folders."""
    path = plant.save("arm-07")
    plant.look()
    plant.prove()
    assert plant.ask().json["verdict"] == "clear"
    faults.fail(f"{path}/programs", "stat", "30")
    asked = plant.ask()
    assert (asked.json["verdict"], asked.codes) == ("unknown", {"share-offline"})
    assert "it has not answered for 20 s" in asked.out
