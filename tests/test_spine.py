"""From a share to an answer: the way a backup goes, step by step, through the real command line."""

from __future__ import annotations

from datetime import timedelta

from tests.plant import Plant


def test_a_fresh_complete_proven_set_is_clear(plant: Plant) -> None:
    path = plant.save("arm-07")
    plant.ready()

    asked = plant.ask("arm-07")

    assert (asked.code, asked.answer["verdict"], asked.codes) == (0, "clear", set())
    assert asked.answer["set"]["path"] == path
    assert asked.answer["set"]["proof"] == "read-back"
    assert asked.answer["then"] == "hold"


def test_without_a_read_back_it_is_a_hold(plant: Plant) -> None:
    plant.save("arm-07")
    plant.init()
    plant.look()

    asked = plant.ask("arm-07")

    assert (asked.code, asked.codes, asked.answer["set"]) == (20, {"not-read-back"}, None)


def test_an_old_set_is_a_hold_and_a_fresh_one_lifts_it(plant: Plant) -> None:
    plant.save("arm-07", timedelta(days=8))
    plant.ready()
    before = plant.ask("arm-07")

    plant.save("arm-07")
    plant.look()
    plant.prove()

    assert (before.code, before.codes) == (20, {"stale-backup"})
    assert plant.ask("arm-07").code == 0
