"""One plant again by its seed, or many: `python -m tests.oracle SEED`, `python -m tests.oracle --plants 2000`."""

from __future__ import annotations

import argparse
import shutil
import sys
import tempfile
import traceback
from collections import Counter
from pathlib import Path

from tests.oracle.calling import IN_MEMORY, Caller
from tests.oracle.comparing import Difference
from tests.oracle.story import Story
from tests.oracle.tally import Tally


def tell_one(seed: int, root: Path, caller: Caller) -> Story:
    """One plant; a story that breaks off counts as a difference."""
    story = Story(seed, root, caller)
    try:
        story.run()
    except Exception:  # noqa: BLE001 - whatever it is, it is told with its seed
        story.found.append(Difference("broke off", traceback.format_exc()))
    return story


def main() -> int:
    """Compare; the exit code is 1 where anything differs."""
    parser = argparse.ArgumentParser(prog="python -m tests.oracle", description=__doc__)
    parser.add_argument("seed", nargs="?", type=int, default=0, help="the seed of the plant, or of the first one")
    parser.add_argument("--plants", type=int, default=1, metavar="N", help="so many plants, each with the next seed")
    parser.add_argument("--keep", type=Path, metavar="DIR", help="leave the plants below this folder")
    args = parser.parse_args()
    kinds: Counter[str] = Counter()
    differing = 0
    tally = Tally()
    caller = Caller()
    with tempfile.TemporaryDirectory(dir=IN_MEMORY) as scratch:
        for seed in range(args.seed, args.seed + args.plants):
            root = (args.keep or Path(scratch)) / f"plant-{seed}"
            story = tell_one(seed, root, caller)
            if args.keep is None:
                shutil.rmtree(root)
            tally.add(story.tally)
            if args.plants == 1:
                print("\n".join(story.lines))
            for found in story.found:
                print(f"seed {seed}: {found}", flush=True)
            kinds.update({found.kind for found in story.found})
            differing += bool(story.found)
    caller.close()
    print("In how many answers each finding was, the oracle's and the tool's:\n" + "\n".join(tally.lines()))
    said = f"{sum(tally.verdicts.values())} answers: {dict(tally.verdicts)}"
    print(f"{args.plants} plants from seed {args.seed}, {said}; {differing} plants differ: {dict(kinds)}")
    return 1 if differing else 0


if __name__ == "__main__":
    sys.exit(main())
