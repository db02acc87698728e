"""The tool against the oracle: a second evaluation of verdicts that shares nothing with it.

A plant again by its seed: python -m tests.oracle SEED; very many: python -m tests.oracle --plants 2000
"""

from __future__ import annotations

import ast
import os
import time
from collections.abc import Iterator
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest

from tests.oracle.__main__ import tell_one
from tests.oracle.calling import IN_MEMORY, Caller
from tests.oracle.tally import CODES, Tally

HERE = Path(__file__).parent / "oracle"
MOST_S = 10.0
"""So long a batch may take, but for the fewest plants, which a computer that is busy takes longer for."""
FEWEST = 6
MOST_USUAL = {
    *("stale-backup", "not-read-back", "spare-missing"),
    *("loss-likely", "awaiting-proof", "not-powered-long-enough"),
}
"""What hardly any batch is without, however few plants there is time for."""


@pytest.fixture
def scratch() -> Iterator[Path]:
    with TemporaryDirectory(dir=IN_MEMORY) as made:
        yield Path(made)


@pytest.fixture(scope="module")
def caller() -> Iterator[Caller]:
    made = Caller()
    yield made
    made.close()


def imported(source: Path) -> set[str]:
    """The modules that a file imports, wherever in it."""
    found: set[str] = set()
    for node in ast.walk(ast.parse(source.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            found |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom):
            found.add(node.module or "")
    return found


def test_the_oracle_imports_nothing_of_the_tool_and_nothing_but_the_standard_library() -> None:
    import sys

    files = sorted(HERE.glob("*.py"))
    assert len(files) > 5
    for file in files:
        foreign = {name for name in imported(file) if name.split(".")[0] not in sys.stdlib_module_names}
        own = {name for name in foreign if name.startswith("tests.oracle")}
        calls_the_tool = {"guard"} if file.name == "warm.py" else set()
        assert foreign - own == calls_the_tool, file.name


def test_both_say_the_same(scratch: Path, caller: Caller, capsys: pytest.CaptureFixture[str]) -> None:
    first = int(os.environ.get("ORACLE_SEED", "1"))  # another one by hand, or very many by the command above
    with capsys.disabled():
        print(f"\nplants from seed {first}; one again: python -m tests.oracle {first}")
    end, seed, tally = time.monotonic() + MOST_S, first, Tally()
    while time.monotonic() < end or seed < first + FEWEST:
        story = tell_one(seed, scratch / f"plant-{seed}", caller)
        found = "\n".join(str(one) for one in story.found)
        assert not story.found, f"python -m tests.oracle {seed}\n{found}"
        tally.add(story.tally)
        seed += 1
    assert tally.exercised() >= MOST_USUAL


def test_the_oracle_counts_every_code_that_the_tool_explains() -> None:
    from guard.rules.findings import EXPLANATIONS

    known = {code: {level for level, _ in told.levels} for code, told in EXPLANATIONS.items()}
    assert {code: set(levels) for code, levels in CODES.items()} == known
