"""What a question must not load: each of these would cost more than the answer."""

from __future__ import annotations

import sys
from datetime import timedelta

from guard.store.database import LONG_LOG_BYTES
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


def test_no_answer_reads_a_long_log_of_those_before(plant: Plant) -> None:
    for number in range(40):
        plant.save("arm-07", age=timedelta(hours=2 + number))
    plant.init()
    plant.look()
    log = plant.root / "state" / "catalogue.db-wal"
    assert not log.exists() or log.stat().st_size <= LONG_LOG_BYTES
    plant.prove()
    log, longest = log.with_name("ledger.db-wal"), 0
    for _ in range(30):
        assert plant.ask("arm-07").json["verdict"] == "clear"
        longest = max(longest, log.stat().st_size if log.exists() else 0)
    assert LONG_LOG_BYTES / 2 < longest <= LONG_LOG_BYTES
