"""Jobs of one length with windows among several people: the order that is found, held to brute force."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

from hypothesis import given, settings
from hypothesis import strategies as st

from guard.plan.fitting import Begun, Job, fitted_in, latest_first


def schedules(jobs: Sequence[Job], people: int, length: int) -> list[tuple[int, ...]]:
    """Every choice of beginnings inside the windows that keeps no more than so many people busy: all of them tried."""
    choices = product(*(range(job.first, job.last + 1) for job in jobs))
    return [each for each in choices if is_possible(each, people, length)]


def is_possible(beginnings: Sequence[int], people: int, length: int) -> bool:
    return all(sum(begun <= at < begun + length for begun in beginnings) <= people for at in beginnings)


@st.composite
def windows(draw: st.DrawFn) -> list[Job]:
    spans = draw(st.lists(st.tuples(st.integers(0, 8), st.integers(-1, 4), st.integers(0, 3)), max_size=5))
    return [Job(f"arm-{n}", first, first + room, place) for n, (first, room, place) in enumerate(spans)]


SMALL = {"jobs": windows(), "people": st.integers(1, 3), "length": st.integers(1, 4)}


@settings(max_examples=300)
@given(**SMALL)
def test_an_order_is_found_where_there_is_one_and_none_where_there_is_none(
    jobs: list[Job], people: int, length: int
) -> None:
    found, all_there_are = fitted_in(jobs, people, length), schedules(jobs, people, length)
    assert (found is None) == (not all_there_are)
    if found is not None:
        assert sorted(each.job.name for each in found) == sorted(job.name for job in jobs)
        assert all(each.job.first <= each.at <= each.job.last for each in found)
        assert is_possible([each.at for each in found], people, length)


@settings(max_examples=300)
@given(**SMALL)
def test_the_last_one_begins_no_later_and_the_first_one_no_earlier_than_must_be(
    jobs: list[Job], people: int, length: int
) -> None:
    found, all_there_are = fitted_in(jobs, people, length), schedules(jobs, people, length)
    if found:
        assert found[-1].at == min(max(each) for each in all_there_are)
        assert latest_first(jobs, people, length) == max(min(each) for each in all_there_are)
    else:
        assert latest_first(jobs, people, length) is None


def test_an_urgent_job_that_comes_soon_is_waited_for() -> None:
    """Whoever took the first job at once would be busy when the urgent one can begin."""
    patient, urgent = Job("patient", 0, 10), Job("urgent", 1, 1)
    assert fitted_in([patient, urgent], 1, 3) == (Begun(urgent, 1), Begun(patient, 4))


def test_at_the_last_minute_of_its_window_a_job_fits_and_a_minute_later_it_does_not() -> None:
    first = Job("first", 0, 0)
    assert fitted_in([first, Job("second", 0, 5)], 1, 5) is not None
    assert fitted_in([first, Job("second", 0, 4)], 1, 5) is None


def test_three_hundred_arms_are_ordered_while_a_person_waits() -> None:
    jobs = [Job(f"arm-{n}", (n * 37) % 500, 500 + (n * 91) % 4000) for n in range(300)]
    found = fitted_in(jobs, 4, 20)
    assert found is not None
    assert len(found) == 300
