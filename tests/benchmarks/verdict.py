"""The verdicts of 10,000 arms with all rules in one process, each with sets, marks and cells of its own, against 2 s."""

from __future__ import annotations

import gc
import statistics
import time
from datetime import date, timedelta

from guard.model import ArmFacts, FittedCell
from guard.rules.verdict import verdict
from tests.facts import ARM, DAY, HOUR, MEMORY_CELL, NOW, POSITION_CELL, Question, given, mark, proven

ARMS, SETS_EACH = 10_000, 10
ROUNDS = 5
LIMIT_S = 2.0
MEMORY = MEMORY_CELL._replace(capacity_mah=1000.0, standby_ua=20.0)
POSITION = POSITION_CELL._replace(capacity_mah=2400.0, standby_ua=60.0)


def main() -> None:
    """Put the facts together, then judge each arm once a round."""
    facts = [_arm(number) for number in range(ARMS)]
    times = []
    for later in range(ROUNDS):
        question = Question("power-down", NOW + later * HOUR, 8 * HOUR)
        asked = [each._replace(as_of=NOW + timedelta(seconds=later)) for each in facts]
        gc.collect()
        gc.freeze()  # the monitor never holds the facts of so many arms at once
        start = time.perf_counter()
        answers = [verdict(each, question) for each in asked]
        times.append(time.perf_counter() - start)
    levels = sorted({answer.level for answer in answers})
    median = statistics.median(times)
    word = "within" if median <= LIMIT_S else "OVER"
    print(f"{ARMS} arms with {SETS_EACH} sets each, found {', '.join(levels)}")
    print(f"{median:.2f} s, {median / ARMS * 1e6:.0f} µs an arm ({word} {LIMIT_S} s)")


def _arm(number: int) -> ArmFacts:
    """An arm that is saved about daily and edited now and then, with cells of its own age."""
    ages = (timedelta(days=each, minutes=number) + HOUR for each in range(SETS_EACH))
    sets = tuple(proven(age, path=f"arm-{number:05}/{each:02}") for each, age in enumerate(ages))
    marks = (mark("edit", NOW - 9 * DAY), mark("powered-off", NOW - 40 * DAY), mark("powered-on", NOW - 37 * DAY))
    cells = (
        FittedCell(MEMORY, date(2023, 1, 1) + timedelta(days=number % 1300)),
        FittedCell(POSITION, date(2025, 12, 1) + timedelta(days=number % 350)),
    )
    return given(*sets, marks=marks, cells=cells, arm=ARM._replace(id=f"arm-{number:05}")).facts


if __name__ == "__main__":
    main()
