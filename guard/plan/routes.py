"""Who goes where: jobs of one length shared out among people, each of whom walks through neighbouring areas. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

from guard.plan.fitting import Begun, Job, fitted_in


def shared_out(jobs: Sequence[Job], people: int, length: int) -> tuple[tuple[Job, ...], ...] | None:
    """Each person's jobs in their order; None where no order exists in which all are made in time.

    Where the windows leave the choice, everybody walks through neighbouring areas.
    """
    if not jobs:
        return ()
    people = min(people, len(jobs))
    walks = tuple(_walk(part, length) for part in _parts(jobs, people))
    if all(walk is not None for walk in walks):
        return tuple(walk for walk in walks if walk is not None)
    begun = fitted_in(jobs, people, length)
    return None if begun is None else _to_the_nearest(begun, people, length)


def _parts(jobs: Sequence[Job], people: int) -> list[Sequence[Job]]:
    """The jobs, which stand by area, in so many parts that differ by one job at most."""
    cuts = [len(jobs) * number // people for number in range(people + 1)]
    return [jobs[first:last] for first, last in pairwise(cuts)]


def _walk(part: Sequence[Job], length: int) -> tuple[Job, ...] | None:
    """One person's jobs as they stand, those with a window of their own when that opens or closes; None where that never fits."""
    walk = tuple(sorted(part, key=lambda job: (job.last, job.first, job.place)))
    at = walk[0].first
    for job in walk:
        if max(at, job.first) > job.last:
            begun = fitted_in(part, 1, length)
            return None if begun is None else tuple(each.job for each in begun)
        at = max(at, job.first) + length
    return walk


def _to_the_nearest(begun: Sequence[Begun], people: int, length: int) -> tuple[tuple[Job, ...], ...]:
    """Gives each job to one who is free then: to whoever was at the arm nearest before it in the walking order."""
    walks: list[list[Begun]] = [[] for _ in range(people)]
    far = len(begun) // people
    for each in begun:
        free = [walk for walk in walks if not walk or walk[-1].at + length <= each.at]
        min(free, key=lambda walk: abs(walk[-1].job.place - each.job.place) if walk else far).append(each)
    return tuple(tuple(each.job for each in walk) for walk in walks if walk)
