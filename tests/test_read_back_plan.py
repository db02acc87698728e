"""Which sets a night reads back: the oldest proofs first, a share of all, within the budget."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta

from hypothesis import given
from hypothesis import strategies as st

from guard.plan.read_back import Proven, tonight

NOW = datetime(2026, 11, 25, 0, tzinfo=UTC)
DAY = timedelta(days=1)
WITHIN = 30 * DAY
NO_LIMIT = 1 << 60

SETS = st.lists(
    st.builds(
        lambda days, size: (None if days is None else NOW - days * DAY, size),
        st.one_of(st.none(), st.integers(-2, 40)),
        st.integers(0, 1000),
    ),
    max_size=20,
).map(lambda rows: [Proven(number, last, size) for number, (last, size) in enumerate(rows)])


def ids(chosen: list[Proven]) -> list[int]:
    return [each.id for each in chosen]


def test_never_read_then_oldest_proof_first() -> None:
    sets = [Proven(1, NOW - 20 * DAY, 10), Proven(2, None, 10), Proven(3, NOW - 25 * DAY, 10)]
    assert ids(tonight(sets, NOW, WITHIN, NO_LIMIT)) == [2, 3, 1]


def test_a_share_of_the_young_proofs_each_night() -> None:
    sets = [Proven(n, NOW - DAY * 10, 10) for n in range(30)]
    assert len(tonight(sets, NOW, WITHIN, NO_LIMIT)) == 2  # 30 sets in 15 nights


def test_all_that_are_past_half_the_time_allowed() -> None:
    sets = [Proven(n, NOW - 15 * DAY, 10) for n in range(30)]
    assert len(tonight(sets, NOW, WITHIN, NO_LIMIT)) == 30


def test_a_proof_from_the_future_is_no_proof() -> None:
    sets = [Proven(1, NOW + DAY, 10), *(Proven(n, NOW - DAY, 10) for n in range(2, 30))]
    assert 1 in ids(tonight(sets, NOW, WITHIN, NO_LIMIT))


def test_the_budget_is_inside() -> None:
    sets = [Proven(n, None, 10) for n in range(5)]
    assert ids(tonight(sets, NOW, WITHIN, 30)) == [0, 1, 2]
    assert ids(tonight(sets, NOW, WITHIN, 29)) == [0, 1]


def test_what_was_read_already_this_night_counts() -> None:
    sets = [Proven(n, None, 10) for n in range(5)]
    assert ids(tonight(sets, NOW, WITHIN, 30, read_bytes=20)) == [0]
    assert ids(tonight(sets, NOW, WITHIN, 30, read_bytes=30)) == []


def test_a_set_larger_than_the_budget_is_read_when_its_turn_comes() -> None:
    assert ids(tonight([Proven(1, None, 100)], NOW, WITHIN, 30)) == [1]
    assert ids(tonight([Proven(0, None, 10), Proven(1, None, 100)], NOW, WITHIN, 30)) == [0]


@given(SETS)
def test_within_half_the_time_allowed_every_set_has_its_turn(sets: list[Proven]) -> None:
    there, now = {each.id: each for each in sets}, NOW
    read: set[int] = set()
    for _ in range(15):
        for each in tonight(there.values(), now, WITHIN, NO_LIMIT):
            there[each.id] = each._replace(last_read_at=now)
            read.add(each.id)
        now += DAY
    young = {each.id for each in sets if each.last_read_at is not None and NOW - DAY < each.last_read_at <= NOW}
    sized = {each.id for each in sets if each.bytes}
    assert sized - read <= young


@given(SETS, st.integers(0, 3000))
def test_never_more_than_the_budget_but_for_one_set(sets: list[Proven], budget: int) -> None:
    chosen = tonight(sets, NOW, WITHIN, budget)
    assert sum(each.bytes for each in chosen) <= budget or sum(1 for each in chosen if each.bytes) == 1


@given(SETS, st.randoms())
def test_the_order_in_which_sets_are_given_changes_nothing(sets: list[Proven], random: object) -> None:
    shuffled = list(sets)
    random.shuffle(shuffled)  # type: ignore[attr-defined]
    assert tonight(shuffled, NOW, WITHIN, 500) == tonight(sets, NOW, WITHIN, 500)
