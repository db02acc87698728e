"""The bounds themselves: each is seen to be broken, so that no other test here passes because nothing is watched."""

from __future__ import annotations

import threading

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from tests.fuzz import bounds
from tests.fuzz.bounds import Guard, TakesTooLong, bounded, controls, told_at_once_where_slow


def test_time_is_counted_though_nothing_works_meanwhile() -> None:
    with pytest.raises(AssertionError, match="s of standing still for a wait"), bounded("a wait"):
        threading.Event().wait(2.3)


def test_what_never_ends_is_stopped(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(bounds, "HANGS_AFTER_S", 1)
    with pytest.raises(AssertionError, match="1 s and no end of a wait"), bounded("a wait"):
        threading.Event().wait()


def test_what_takes_too_long_is_told_with_its_input_at_once() -> None:
    """Made smaller, it would take as long each time."""
    tried = set()

    @settings(database=None)
    @told_at_once_where_slow
    @given(st.binary())
    def test(data: bytes) -> None:
        tried.add(data)
        if len(data) > 3:
            raise TakesTooLong

    with pytest.raises(TakesTooLong) as raised:
        test()
    slow = [data for data in tried if len(data) > 3]
    assert len(slow) == 1
    assert f"data={slow[0]!r}" in "".join(raised.value.__notes__)


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
