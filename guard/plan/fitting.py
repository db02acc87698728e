"""Jobs of one length, each with a window to begin in, among a number of people: is there an order in which all fit? Pure.

By the barriers of B. Simons, "Multiprocessor scheduling of unit-time jobs with arbitrary release
times and deadlines", SIAM Journal on Computing 12 (1983), from memory; held to brute force in
tests/test_fitting.py. Whoever is free takes the job whose window closes first. Where one comes too
late, the last job before it that could have waited has to, until the more urgent ones can begin.
"""

from __future__ import annotations

from collections.abc import Sequence
from heapq import heappop, heappush

from guard.record import Record


class Job(Record):
    """One job: the first and the last minute at which it may begin, both inside, and its place in the walking order."""

    name: str
    first: int
    last: int
    place: int = 0


class Begun(Record):
    """A job and the minute at which it begins."""

    job: Job
    at: int


def fitted_in(jobs: Sequence[Job], people: int, length: int) -> tuple[Begun, ...] | None:
    """The jobs in the order of their beginnings, each as early as may be; None where no order exists in which all fit.

    No more than ``people`` are under way at any time. The last one begins no later than in any other order.
    """
    waits: dict[int, int] = {}
    while True:
        begun, late = _in_turn(jobs, people, length, waits)
        if late is None:
            return tuple(begun)
        able = [place for place, each in enumerate(begun) if each.job.last > late.last]
        if not able:
            return None
        urgent = [each.job for each in begun[able[-1] + 1 :]] + [late]
        waits[able[-1]] = min(job.first for job in urgent)


def _in_turn(jobs: Sequence[Job], people: int, length: int, waits: dict[int, int]) -> tuple[list[Begun], Job | None]:
    """The jobs by urgency up to the first one that comes too late, and that one. ``waits`` holds back whoever is at a place."""
    coming = sorted(jobs, key=lambda job: job.first, reverse=True)
    ready: list[tuple[int, int, str, Job]] = []
    begun: list[Begun] = []
    for place in range(len(jobs)):
        at = begun[-1].at if begun else min(job.first for job in jobs)
        if place >= people:
            at = max(at, begun[place - people].at + length)
        at = max(at, waits.get(place, at))
        if not ready and coming:
            at = max(at, coming[-1].first)
        while coming and coming[-1].first <= at:
            job = coming.pop()
            heappush(ready, (job.last, job.place, job.name, job))
        job = heappop(ready)[-1]
        if at > job.last:
            return begun, job
        begun.append(Begun(job, at))
    return begun, None


def latest_first(jobs: Sequence[Job], people: int, length: int) -> int | None:
    """The latest minute at which the first of the jobs may begin so that all still fit; None where they never do.

    Time runs backwards for it: what must have begun by then may begin from then on.
    """
    backwards = [Job(job.name, -job.last, -job.first, -job.place) for job in jobs]
    begun = fitted_in(backwards, people, length)
    return None if not begun else -begun[-1].at
