"""A retention plan over 1,000 arms with 100 sets each: the rules alone in one process, against 2 s."""

from __future__ import annotations

import statistics
import time
from datetime import timedelta
from zoneinfo import ZoneInfo

from guard.model import ArmFacts
from guard.rules.retention import Schedule, decisions, identity
from tests.facts import ARM, DAY, HOUR, given, mark, proven

ARMS, SETS_EACH = 1000, 100
ROUNDS = 5
LIMIT_S = 2.0
USUAL = Schedule(14 * DAY, 14, 8, 12, 5, 3)


def main() -> None:
    """Put the facts together, then time plans over all of them."""
    facts = [_arm(number) for number in range(ARMS)]
    zone = ZoneInfo("Europe/Berlin")
    times = []
    for _ in range(ROUNDS):
        start = time.perf_counter()
        found = [each for arm in facts for each in decisions(arm, USUAL, zone)]
        plan = identity(found)
        times.append(time.perf_counter() - start)
    released = sum(not each.keep for each in found)
    median = statistics.median(times)
    verdict = "within" if median <= LIMIT_S else "OVER"
    print(f"plan {plan} over {ARMS} arms with {SETS_EACH} sets each: {released} released")
    print(f"{median:.2f} s ({verdict} {LIMIT_S} s)")


def _arm(number: int) -> ArmFacts:
    """An arm that was saved every ten days or so for three years, and edited now and then."""
    ages = (timedelta(days=11 * each, minutes=number) + HOUR for each in range(SETS_EACH))
    sets = tuple(proven(age, path=f"arm-{number:04}/{each:03}") for each, age in enumerate(ages))
    marks = tuple(mark("edit", sets[each].first_seen + DAY) for each in (3, 30, 60))
    return given(*sets, marks=marks, arm=ARM._replace(id=f"arm-{number:04}")).facts


if __name__ == "__main__":
    main()
