"""`python -m tests.saboteur --acts 500 --seed 7`: the acts one by one, and where an invariant did not hold."""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from pathlib import Path
from random import SystemRandom

from tests.saboteur.drive import run
from tests.saboteur.judge import Violated


def main() -> int:
    """Run the saboteur; exit code 1 where an invariant did not hold."""
    parser = argparse.ArgumentParser(prog="python -m tests.saboteur", description=__doc__)
    parser.add_argument("--acts", type=int, default=500, metavar="N", help="how often to act (default: 500)")
    parser.add_argument("--seed", type=int, metavar="N", help="the seed of an earlier run, to have the same acts again")
    parser.add_argument("--at", type=Path, metavar="DIR", help="where to work, and to leave all as it was at the end")
    args = parser.parse_args()
    seed = SystemRandom().randrange(10**6) if args.seed is None else args.seed
    print(f"seed {seed}", flush=True)
    began = time.monotonic()
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as scratch:
        try:
            done = run(args.at or Path(scratch), args.acts, seed, lambda text: print(text, flush=True))
        except Violated as violated:
            print(f"\nviolated: {violated}\nagain: python -m tests.saboteur --acts {args.acts} --seed {seed}")
            return 1
    print(f"{sum(done.values())} acts in {time.monotonic() - began:.0f} s, every invariant held: {dict(done)}")
    return 0


if __name__ == "__main__":
    sys.exit(main())
