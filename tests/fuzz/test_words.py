"""Questions, times, durations, names and whatever else is typed after `guard`."""

from __future__ import annotations

from hypothesis import example, given
from hypothesis import strategies as st

from guard.cli.main import COMMANDS
from tests.fuzz.bounds import Guard, fuzzed

SCRAPS = st.sampled_from(
    "is arm 7 arm-07 arm-09 safe to power down may i change the memory cell on tomorrow friday at 6:00 06:00 for two"
    " weeks 8h 9999999999y -1h 2026-13-45 2026-11-25T08:00:00Z 0001-01-01 9999-12-31 in and , . ? what is due finishing"
    " \x1b[2J \x00 \u202e \ud800 ٣ 𝟟 ½ not if".split(" ")
)
TYPED = st.lists(SCRAPS | st.text(max_size=12), max_size=14).map(" ".join)
LENGTHS = st.sampled_from(["8h", "0s", "-1h", "9" * 40 + "y", "1e9h", "", "8 h", "٣h", "nan", "inf"]) | st.text(
    max_size=9
)
OPTIONS = st.sampled_from(
    "--arm --at --off-for --action --all --json --area --last --from --to --yes --by --why --until --finding --set"
    " --sums --correct --note --kind --start --for --title --people --minutes-each --due-within --on".split()
)
HARMLESS = sorted(set(COMMANDS) - {"carry", "demo", "serve", "init", "survey", "keep", "swap"})
"""Not those that wait, that set things up elsewhere, or that people are to confirm."""


@fuzzed(150)
@given(TYPED)
@example("\ud800")
@example("is arm 7 safe to power down in " + "9" * 5000 + "h")
def test_questions(guard: Guard, text: str) -> None:
    guard("ask", "--", text)


@fuzzed(80)
@given(TYPED, LENGTHS)
def test_times_and_lengths(guard: Guard, when: str, length: str) -> None:
    guard("ask", "--arm", "arm-07", f"--at={when}", f"--off-for={length}")


@fuzzed(120)
@given(st.sampled_from(HARMLESS), st.lists(OPTIONS | SCRAPS | TYPED, max_size=6))
@example("prove", ["\ud800"])
def test_any_words(guard: Guard, command: str, words: list[str]) -> None:
    guard(command, *[word for word in words if word not in ("--config", "--out")])
