"""Work done ahead in forked processes: the same results in the same order, whatever becomes of a worker."""

from __future__ import annotations

import json
import os
import subprocess
import sys
import threading
from textwrap import dedent

import pytest

from guard.share.ahead import ahead
from guard.share.listing import SetUnreadable

JOBS = list(range(9))

needs_two_processors = pytest.mark.skipif(
    not hasattr(os, "sched_getaffinity") or len(os.sched_getaffinity(0)) < 2, reason="needs two processors"
)


def squared(job: int) -> tuple[int, int]:
    return job * job, os.getpid()


def results(jobs: list[int]) -> list[tuple[int, int]]:
    return [result() for result in ahead(squared, jobs, squared)]


def test_results_come_in_the_order_of_the_jobs() -> None:
    assert [square for square, _ in results(JOBS)] == [job * job for job in JOBS]


@needs_two_processors
def test_the_work_is_shared_among_other_processes() -> None:
    told = alone(
        """
        processes = {result() for result in ahead(lambda _: os.getpid(), JOBS, lambda _: os.getpid())}
        print(2 <= len(processes) <= MOST_WORKERS, os.getpid() in processes)
        """
    )
    assert told == "True False"


def test_one_job_is_done_here() -> None:
    assert results([3]) == [(9, os.getpid())]


def test_no_job_gives_no_result() -> None:
    assert results([]) == []


def test_a_process_with_threads_does_not_fork() -> None:
    done = threading.Event()
    other = threading.Thread(target=done.wait)
    other.start()
    try:
        assert {process for _, process in results(JOBS)} == {os.getpid()}
    finally:
        done.set()
        other.join()


def test_what_was_raised_is_raised_for_that_job_alone() -> None:
    def odd_ones_fail(job: int) -> int:
        if job % 2:
            raise SetUnreadable(f"{job} cannot be read")
        return job

    seen: list[object] = []
    for result in ahead(odd_ones_fail, JOBS, odd_ones_fail):
        try:
            seen.append(result())
        except SetUnreadable as error:
            seen.append(str(error))
    assert seen == [f"{job} cannot be read" if job % 2 else job for job in JOBS]


@needs_two_processors
def test_what_a_killed_worker_owed_is_done_here() -> None:
    told = alone(
        """
        here = os.getpid()

        def deadly(job):
            if job == 4 and os.getpid() != here:
                os.kill(os.getpid(), signal.SIGKILL)
            return job, os.getpid() == here

        results = [result() for result in ahead(deadly, JOBS, deadly)]
        print([job for job, _ in results] == JOBS, [job for job, done_here in results if done_here])
        """
    )
    before, _, done_here = told.partition(" ")
    assert before == "True"
    assert 4 in json.loads(done_here)
    assert len(json.loads(done_here)) < len(JOBS)


@needs_two_processors
def test_workers_end_when_nobody_takes_the_rest() -> None:
    told = alone(
        """
        large = ahead(bytes, [1 << 20] * 9, bytes)
        next(large)()
        large.close()
        try:
            os.waitpid(-1, os.WNOHANG)
        except ChildProcessError:
            print("no child is left")
        """
    )
    assert told == "no child is left"


def alone(code: str) -> str:
    """What a program prints that has no thread but its own; a test runner may have more."""
    program = "import os, signal\nfrom guard.share.ahead import MOST_WORKERS, ahead\nJOBS = list(range(9))\n" + dedent(
        code
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True, timeout=60)
    return done.stdout.strip()
