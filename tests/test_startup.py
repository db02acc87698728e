"""What a question must not load: each of these would cost more than the answer."""

from __future__ import annotations

import sys

from tests.plant import Plant

HEAVY = {
    "rich",
    "sqlite_utils",
    "blake3",
    "hashlib",
    "tomllib",
    "typing",
    "dataclasses",
    "inspect",
    "zipfile",
    "tarfile",
    "pathlib",
    "shutil",
    "zoneinfo",
    "guard.config",
    "guard.share.look",
    "guard.share.archive",
    "guard.cli.question",
}

LOADED = """
import sys
from guard.cli.main import main
main(sys.argv[1:])
sys.stderr.write("\\n".join(sys.modules))
"""


def test_an_answer_in_json_loads_nothing_heavy(plant: Plant) -> None:
    plant.save("arm-07")
    plant.ready()
    plant.ask("arm-07")
    words = ["ask", "--arm", "arm-07", "--action", "power-down", "--json"]
    done = plant.program(sys.executable, "-c", LOADED, "--config", str(plant.config), *words)
    assert done.json["verdict"] == "clear"
    assert HEAVY & set(done.err.split("\n")) == set()


def test_help_and_version_need_no_configuration(plant: Plant) -> None:
    for words in (("--help",), ("ask", "--help"), ("--version",), ("explain", "stale-backup")):
        done = plant.run(*words, env={"GUARD_CONFIG": "/nowhere"})
        assert (done.code, done.err) == (0, ""), words
