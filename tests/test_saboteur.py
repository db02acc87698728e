"""A short run of the saboteur; `python -m tests.saboteur` makes long ones."""

from __future__ import annotations

from pathlib import Path

from tests.saboteur.drive import run

ACTS, SEED = 8, 1


def test_a_few_acts(tmp_path: Path) -> None:
    run(tmp_path, ACTS, SEED, print)
