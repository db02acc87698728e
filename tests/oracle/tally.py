"""How often each finding was in the answers, so that one sees what was put to the test and what was not."""

from __future__ import annotations

from collections import Counter

HELD, UNKNOWN, CAUTION = "hold", "unknown", "caution"
CODES: dict[str, tuple[str, ...]] = {
    "no-backup": (HELD,),
    "incomplete-set": (HELD, CAUTION),
    "damaged-set": (HELD, CAUTION),
    "stale-backup": (HELD,),
    "edited-since": (HELD,),
    "not-read-back": (HELD,),
    "too-few-copies": (CAUTION,),
    "wrong-arm": (HELD,),
    "refiled-copy": (CAUTION,),
    "clock-doubt": (CAUTION,),
    "mixed-times": (CAUTION,),
    "axis-zero-moved": (CAUTION,),
    "shrunk-set": (CAUTION,),
    "restore-test-due": (CAUTION,),
    "odd-entry": (CAUTION,),
    "unsettled-newer": (CAUTION,),
    "share-offline": (UNKNOWN,),
    "share-doubt": (UNKNOWN, CAUTION),
    "share-unseen": (UNKNOWN,),
    "cell-age-unknown": (UNKNOWN, CAUTION),
    "cell-due-soon": (CAUTION,),
    "cell-overdue": (HELD, CAUTION),
    "cell-alarm": (HELD, CAUTION),
    "charge-short": (HELD, CAUTION),
    "loss-likely": (HELD, CAUTION),
    "window-open": (HELD,),
    "window-closing": (HELD,),
    "window-over": (HELD,),
    "awaiting-proof": (HELD, CAUTION),
    "memory-differs": (HELD,),
    "not-powered-long-enough": (HELD, CAUTION),
    "power-must-stay-on": (HELD,),
    "event-conflict": (CAUTION,),
    "spare-missing": (HELD, CAUTION),
    "old-when-put-in": (CAUTION,),
}
"""Contract, "Finding codes and their default levels"; the last one is told by `guard explain` alone."""


class Tally:
    """In how many answers each code was, by level, of the oracle's and of the tool's."""

    def __init__(self) -> None:
        self.oracle: Counter[tuple[str, str]] = Counter()
        self.tool: Counter[tuple[str, str]] = Counter()
        self.verdicts: Counter[str] = Counter()  # the oracle's

    def add(self, other: Tally) -> None:
        """Count what another one counted."""
        self.oracle += other.oracle
        self.tool += other.tool
        self.verdicts += other.verdicts

    def exercised(self) -> set[str]:
        """The codes that both of them gave."""
        return {code for code, _ in self.oracle.keys() & self.tool.keys()}

    def lines(self) -> list[str]:
        """One line a code, the level before the counts: the oracle's, then the tool's."""
        return [
            f"{code:24}"
            + "   ".join(f"{level} {self.oracle[code, level]}/{self.tool[code, level]}" for level in levels)
            for code, levels in CODES.items()
        ]
