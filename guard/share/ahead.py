"""Does work ahead in forked processes, one for each processor, where the system can fork.

Reading many small files is work for the processor, and the threads of Python take turns at it.
"""

from __future__ import annotations

import os
import pickle
import threading
from collections.abc import Callable, Iterator, Sequence
from functools import partial
from typing import Generic, NoReturn, TypeVar

Job = TypeVar("Job")
Result = TypeVar("Result")

MOST_WORKERS = 4
"""More would only make a disk seek to and fro."""


def ahead(
    work: Callable[[Job], Result], jobs: Sequence[Job], here: Callable[[Job], Result]
) -> Iterator[Callable[[], Result]]:
    """For each job, in order, a call that gives what ``work`` made of it, or raises what it raised.

    ``here`` does the same in this process, where it may show how far it has come.

    Each call is made before the next one is asked for. The workers run ahead as far as a pipe
    holds; what a worker that was killed still owed is done by the caller instead. A process that
    has threads does all the work itself, since a fork would copy their locks as they are.
    """
    count = min(_processors(), MOST_WORKERS, len(jobs))
    if count < 2 or threading.active_count() > 1:
        yield from (partial(here, job) for job in jobs)
        return
    workers = [_Worker(work, jobs[number::count], here) for number in range(count)]
    try:
        for number, job in enumerate(jobs):
            yield partial(workers[number % count].result, job)
    finally:
        for worker in workers:  # all before the first is waited for: each holds the pipes of those before it open
            worker.dismiss()
        for worker in workers:
            worker.wait()


def _processors() -> int:
    return len(os.sched_getaffinity(0)) if hasattr(os, "fork") and hasattr(os, "sched_getaffinity") else 1


class _Worker(Generic[Job, Result]):
    """A forked process that works through its jobs and sends what comes of each through a pipe."""

    def __init__(self, work: Callable[[Job], Result], jobs: Sequence[Job], here: Callable[[Job], Result]) -> None:
        self._here = here
        there, back = os.pipe()
        self._process = os.fork()
        if self._process == 0:
            os.close(there)  # or it would never notice that nobody reads
            _toil(work, jobs, back)
        os.close(back)
        self._results = os.fdopen(there, "rb")
        self._died = False

    def result(self, job: Job) -> Result:
        """What came of the next job, which is this one."""
        if not self._died:
            try:
                result, error = pickle.load(self._results)  # noqa: S301 - it comes from this program
            except (EOFError, pickle.UnpicklingError):
                self._died = True
            else:
                if error is not None:
                    raise error
                return result  # type: ignore[no-any-return]
        return self._here(job)

    def dismiss(self) -> None:
        """Take no more results. A worker that is not done will find its pipe closed, and end."""
        self._results.close()

    def wait(self) -> None:
        """Wait for the end of a worker that was dismissed."""
        os.waitpid(self._process, 0)


def _toil(work: Callable[[Job], Result], jobs: Sequence[Job], back: int) -> NoReturn:
    try:
        with os.fdopen(back, "wb") as pipe:
            for job in jobs:
                pickle.dump(_outcome(work, job), pipe, pickle.HIGHEST_PROTOCOL)
                pipe.flush()
    finally:
        os._exit(0)  # nothing that the two processes share is closed or flushed twice


def _outcome(work: Callable[[Job], Result], job: Job) -> tuple[Result | None, Exception | None]:
    try:
        return work(job), None
    except Exception as error:  # noqa: BLE001 - whoever takes the result deals with it
        return None, error
