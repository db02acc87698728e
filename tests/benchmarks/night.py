"""`guard report` over 500 arms with 50 sets each: how long the whole process takes, and how large the page is."""

from __future__ import annotations

import subprocess
from datetime import timedelta

from guard.clock import now
from tests.benchmarks.measure import guard_command, seconds, workplace, write_configuration

ARMS, SETS_EACH, ROUNDS = 500, 50, 5
LIMIT_S, LIMIT_BYTES = 3.0, 2_000_000

RECIPE = """
[recipes.standard]
[recipes.standard.parts.programs]
files = ["programs/**"]
[recipes.standard.parts.axis-zero]
files = ["axis-zero.csv"]
"""


def main() -> None:
    """Save the sets, look, prove, plan events, then report."""
    with workplace(__doc__ or "") as folder:
        arms = [f"arm-{n:04}" for n in range(ARMS)]
        write_configuration(folder, arms, RECIPE)
        for number, arm in enumerate(arms):
            for age in range(SETS_EACH):
                saved = now() - timedelta(days=age + number % 10, hours=1)
                folder_of_set = folder / "share" / arm / f"{saved:%Y-%m-%d_%H%M}"
                (folder_of_set / "programs").mkdir(parents=True)
                (folder_of_set / "programs" / "p.txt").write_text(f"move {arm} {age}\n", encoding="utf-8")
                (folder_of_set / "axis-zero.csv").write_text(f"axis,{arm}\n", encoding="utf-8")
        guard = [*guard_command(), "--config", str(folder / "guard.toml")]
        for words in (["init", str(folder), "--share", str(folder / "share"), "--yes"], ["look"], ["prove", "--due"]):
            subprocess.run([*guard, *words], check=True, stdout=subprocess.DEVNULL)
        for day in range(1, 11):
            event = ["event", "add", "--kind", "power-down", "--start", f"in {day}d", "--for", "8h", "--all"]
            subprocess.run([*guard, *event], check=True, stdout=subprocess.DEVNULL)
        took = min(seconds([*guard, "report"], folder) for _ in range(ROUNDS))
        (page,) = (folder / "state" / "reports").glob("*.html")
        size = page.stat().st_size
        print(
            f"report: {took:.2f} s ({_within(took, LIMIT_S)}), page {size / 1000:.0f} kB ({_within(size, LIMIT_BYTES)})"
        )


def _within(measured: float, limit: float) -> str:
    return f"{'within' if measured <= limit else 'OVER'} {limit:g}"


if __name__ == "__main__":
    main()
