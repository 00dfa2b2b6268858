"""Jobs side by side: results in order, at the same time, and never more threads than allowed."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from functools import partial

import pytest

from optimizer.base import parallel as workers
from optimizer.base.parallel import is_worker, side_by_side


@pytest.fixture(autouse=True)
def three_workers(monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    monkeypatch.setattr(workers, "WORKERS", 3)
    workers.workers.cache_clear()
    yield
    workers.workers().shutdown()
    workers.workers.cache_clear()


def test_jobs_run_at_the_same_time_and_their_results_keep_their_order() -> None:
    """Each job waits until all three have begun: one after another they would wait in vain."""
    meet = threading.Barrier(3, timeout=20)

    def job(number: int) -> int:
        meet.wait()
        return number

    assert side_by_side([partial(job, number) for number in range(3)]) == [0, 1, 2]


def test_jobs_of_a_job_stay_in_its_thread() -> None:
    def inner() -> tuple[int, bool]:
        return threading.get_ident(), is_worker()

    def outer() -> list[tuple[int, bool]]:
        return [inner(), *side_by_side([inner] * 5)]

    for found in side_by_side([outer] * 4):
        assert set(found) == {(found[0][0], True)}
    assert inner() == (threading.get_ident(), False)


@pytest.mark.parametrize("count", [1, 3])
def test_one_worker_or_one_job_needs_no_thread(count: int, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(workers, "WORKERS", 1 if count > 1 else 3)
    assert side_by_side([threading.get_ident] * count) == [threading.get_ident()] * count


def test_the_first_job_that_fails_is_told() -> None:
    def job(number: int) -> int:
        if number:
            raise ValueError(str(number))
        return number

    with pytest.raises(ValueError, match="1"):
        side_by_side([partial(job, number) for number in range(3)])
