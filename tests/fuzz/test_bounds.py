"""The bounds themselves: each is seen to be broken, so that no other test here passes because nothing is watched."""

from __future__ import annotations

import threading

import pytest

from tests.fuzz.bounds import Guard, bounded, controls


def test_time_is_counted_though_nothing_works_meanwhile() -> None:
    with pytest.raises(AssertionError, match="s of standing still for a wait"), bounded("a wait"):
        threading.Event().wait(2.3)


def test_memory_is_counted_though_it_is_given_back() -> None:
    with pytest.raises(AssertionError, match="KiB more memory for a text"), bounded("a text"):
        _fill()


def _fill() -> None:
    assert len(b"x" * (250 << 20))


@pytest.mark.parametrize("words", [("ask", "--all"), ("sets",)])
def test_what_is_harmless_is_within_all_bounds(guard: Guard, words: tuple[str, ...]) -> None:
    assert guard(*words, on_terminal=True).out


def test_a_write_outside_is_seen_whoever_does_it(guard: Guard) -> None:
    guard.may_write, before = [], guard.may_write
    try:
        with pytest.raises(AssertionError, match="wrote"):
            guard("mark", "edit", "arm-07")
    finally:
        guard.may_write = before


@pytest.mark.parametrize("text", ["\x1b[2J", "\r", "\t", "\x9b", "\u202e", "\u200b", "\u2028", "\x00", "\ud800"])
def test_what_steers_a_terminal_or_hides_something(text: str) -> None:
    assert controls(f"arm-07 {text}\n") == [text[0]]
