"""Threads that work side by side; compiled code runs in them at the same time.

What is found never depends on how many there are: jobs share nothing that they change, and results
come in the order of the jobs.

Threads take whole jobs, a fold or a season each, and only within a lone job halves of a batch: so
the moves of one are made, in Python, while another's are scored. Nothing that is found depends on
their number.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from functools import lru_cache
from typing import TypeVar, cast

WORKERS = min(os.cpu_count() or 1, 4)

Result = TypeVar("Result")
Other = TypeVar("Other")

_here = threading.local()


def use(count: int) -> None:
    """Set the number of threads; a worker process uses one."""
    global WORKERS
    WORKERS = count


def is_worker() -> bool:
    """Tell whether this thread is one of several that work side by side already."""
    return getattr(_here, "is_worker", False)


def side_by_side(jobs: Sequence[Callable[[], Result]]) -> list[Result]:
    """Return the results of jobs that run at the same time, in the order of the jobs.

    Jobs of a job run one after another: its thread has only one processor to itself. If a job
    fails, its error is raised, the first job's first, once all are over.
    """
    if WORKERS == 1 or len(jobs) < 2 or is_worker():
        return [job() for job in jobs]

    def run(job: Callable[[], Result]) -> Result:
        _here.is_worker = True
        return job()

    running = [workers().submit(run, job) for job in jobs]
    return [each.result() for each in running]


def both(one: Callable[[], Result], other: Callable[[], Other]) -> tuple[Result, Other]:
    """Return the results of two jobs that run at the same time."""
    first, second = side_by_side([one, other])
    return cast("Result", first), cast("Other", second)


def ahead(job: Callable[[], object]) -> None:
    """Begin a job that only makes ready what is needed later, and do not wait for it.

    Its result and its errors are dropped: who needs what it could not make ready meets them again.
    """
    if WORKERS > 1:
        workers().submit(job)


@lru_cache(maxsize=1)
def workers() -> ThreadPoolExecutor:
    """Return the threads."""
    return ThreadPoolExecutor(WORKERS)
