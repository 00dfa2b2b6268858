"""Lanes on which work is done: processes of this machine, or workers of a Dask cluster.

A lane does one piece of work at a time, so a process keeps the family that it has compiled, and no more
solver threads run than there are processors. What a lane answers comes into one queue. A lane whose
process died is replaced and its work given out once more; a second death is an answer too, so that one
impossible case does not stop a study. Read next: ``answer_store``.
"""

from __future__ import annotations

import contextlib
import queue
import time
from collections.abc import Callable, Iterator
from concurrent.futures import Future, ProcessPoolExecutor
from concurrent.futures.process import BrokenProcessPool
from dataclasses import replace
from typing import Any, Protocol

from optimizer.base.errors import InputError
from optimizer.base.processes import end_process, new_process
from optimizer.planning.solver import use_one_thread
from optimizer.studies.answers import Answer, Failure, Summed, answer_of, text_of
from optimizer.studies.fingerprint import fingerprint
from optimizer.studies.worker import Job, work

ASK_EVERY_S = 5.0
"""How often a scheduler is asked which workers are there. [s]"""

DIED = "the process died over it, twice; it may have run out of memory"


class Lanes(Protocol):
    """Where work is done; a lane takes ``in_flight`` pieces at a time."""

    in_flight: int

    def names(self) -> list[str]:
        """Return the lanes that take work now."""

    def give(self, lane: str, packed: bytes, job: Job) -> None:
        """Let a lane do a job of the family that is packed."""

    def answers(self, wait_s: float) -> Iterator[tuple[str, Job, Answer | Summed]]:
        """Yield what has been answered, waiting for the first as long as said. [s]"""

    def close(self) -> None:
        """Stop what is running."""


class _Answering:
    """Puts what futures bring into a queue, with lane and job."""

    def __init__(self) -> None:
        self._queue: queue.SimpleQueue[tuple[str, bytes, Job, Any]] = queue.SimpleQueue()

    def watch(self, future: Any, lane: str, packed: bytes, job: Job) -> None:
        """Note a future whose answer is awaited."""
        future.add_done_callback(lambda done: self._queue.put((lane, packed, job, done)))

    def done(self, wait_s: float) -> Iterator[tuple[str, bytes, Job, Any]]:
        """Yield the futures that are done."""
        with contextlib.suppress(queue.Empty):
            yield self._queue.get(timeout=wait_s)
            while True:
                yield self._queue.get_nowait()


class Processes:
    """Processes of this machine, each with one thread.

    Each has one piece of work at a time: one that dies is known by what it did.
    """

    in_flight = 1

    def __init__(self, count: int) -> None:
        self._answering = _Answering()
        self._pools: dict[str, ProcessPoolExecutor] = {}
        self._died: set[str] = set()
        for number in range(count):
            self._pools[f"process {number + 1}"] = new_process(use_one_thread)

    def names(self) -> list[str]:
        """Return all lanes."""
        return list(self._pools)

    def give(self, lane: str, packed: bytes, job: Job) -> None:
        """Let a process do a job."""
        try:
            future: Future[Answer | Summed] = self._pools[lane].submit(work, packed, job)
        except BrokenProcessPool:  # it died while it was idle
            self._pools[lane] = new_process(use_one_thread)
            future = self._pools[lane].submit(work, packed, job)
        self._answering.watch(future, lane, packed, job)

    def answers(self, wait_s: float) -> Iterator[tuple[str, Job, Answer | Summed]]:
        """Yield what has been answered; replace processes that died."""
        for lane, packed, job, future in self._answering.done(wait_s):
            failure = future.exception()
            if failure is None:
                yield lane, job, future.result()
            elif isinstance(failure, BrokenProcessPool):
                self._pools[lane].shutdown(wait=False)
                self._pools[lane] = new_process(use_one_thread)
                if job.key in self._died:
                    yield lane, job, Failure(DIED)
                else:
                    self._died.add(job.key)
                    self.give(lane, packed, job)
            else:
                raise failure

    def close(self) -> None:
        """Stop all processes at once; what they were at is not lost, only not done."""
        for pool in self._pools.values():
            end_process(pool)


class Here:
    """The process that asks, for a study of few cases and for tests."""

    in_flight = 1

    def __init__(self) -> None:
        self._waiting: list[tuple[bytes, Job]] = []

    def names(self) -> list[str]:
        """Return the one lane."""
        return ["here"]

    def give(self, lane: str, packed: bytes, job: Job) -> None:
        """Keep a job until answers are asked for."""
        del lane
        self._waiting.append((packed, job))

    def answers(self, wait_s: float) -> Iterator[tuple[str, Job, Answer | Summed]]:
        """Do what is waiting."""
        del wait_s
        waiting, self._waiting = self._waiting, []
        for packed, job in waiting:
            yield "here", job, work(packed, job)

    def close(self) -> None:
        """Drop what is waiting."""
        self._waiting.clear()


class Cluster:
    """Workers of an existing Dask cluster.

    A worker that dies takes nothing along: Dask gives its work to another, and what a family holds can
    be made again anywhere, since it is a piece of work itself. What all runs of a family need, its brief and
    the answer of its base, is sent once. A worker has the next piece at hand while it does one.

    The scheduler is trusted: what it hands out is unpickled here and on the workers, which is to run
    its code. So is everybody who can reach its address.

    Raises
    ------
    InputError
        If Dask is not installed, or the scheduler does not answer.
    """

    in_flight = 2

    def __init__(self, address: str, wait_s: float = 10.0) -> None:
        try:
            from distributed import Client
        except ImportError:
            raise InputError(
                "Dask is not installed",
                where="--cluster",
                mend="Install it on this machine and on the workers: pip install 'tariffwright[cluster]'.",
            ) from None
        try:
            self._client = Client(address, timeout=wait_s, set_as_default=False)
            self._client.wait_for_workers(1, timeout=wait_s)
        except (OSError, ValueError, TimeoutError) as failure:
            raise InputError(
                f"the scheduler at {address} does not answer with a worker: {failure}",
                where="--cluster",
                mend="Check the address, such as tcp://host:8786, and that workers are running.",
            ) from None
        self._answering = _Answering()
        self._sent: dict[str, Any] = {}
        self._running: dict[str, Any] = {}
        self._known: set[str] = set()
        self._names: list[str] = []
        self._asked = -ASK_EVERY_S

    def names(self) -> list[str]:
        """Return the addresses of the workers that were there when it was asked last, some seconds ago.

        Raises
        ------
        InputError
            If the scheduler is gone, or a worker has another program than this one.
        """
        now = time.monotonic()
        if self._names and now - self._asked < ASK_EVERY_S:
            return self._names
        self._asked = now
        try:
            found = list(self._client.scheduler_info(n_workers=-1)["workers"])
            new = [name for name in found if name not in self._known]
            programs = self._client.run(fingerprint, workers=new, on_error="return") if new else {}
        except (OSError, RuntimeError, TimeoutError) as failure:
            raise InputError(
                f"the scheduler does not answer any more: {failure}",
                where="--cluster",
                mend="What was done is kept; give the same command again once it is there.",
            ) from None
        for worker, program in programs.items():
            if program != fingerprint():
                raise InputError(
                    f"the worker {worker} has another version of this program, or of a library, or none",
                    where="--cluster",
                    mend="Install the same versions on all workers.",
                )
        self._known.update(new)
        self._names = found
        return found

    def give(self, lane: str, packed: bytes, job: Job) -> None:
        """Let a worker do a job; another may take it if that one is gone."""
        brief = self._once(f"tariffwright-{job.family}", bytes, packed)
        base = None
        if job.base is not None:
            base = self._once(f"tariffwright-base-{job.family}", answer_of, text_of(job.base))
        future = self._client.submit(
            work_on_worker, brief, base, replace(job, base=None),
            workers=[lane], allow_other_workers=True, pure=False, retries=3,
        )  # fmt: skip
        self._running[job.key] = future
        self._answering.watch(future, lane, packed, job)

    def _once(self, key: str, made_by: Callable[[Any], Any], content: Any) -> Any:
        """Return what stands for content on the workers, sent when it is needed first."""
        if key not in self._sent:
            self._sent[key] = self._client.submit(made_by, content, key=key)
        return self._sent[key]

    def answers(self, wait_s: float) -> Iterator[tuple[str, Job, Answer | Summed]]:
        """Yield what has been answered."""
        for lane, packed, job, future in self._answering.done(wait_s):
            self._running.pop(job.key, None)
            if future.status == "finished":
                yield lane, job, future.result()
            elif future.status in {"cancelled", "lost"}:
                for key in (f"tariffwright-{job.family}", f"tariffwright-base-{job.family}"):
                    self._sent.pop(key, None)
                self.give(lane, packed, job)
            else:
                yield lane, job, Failure(f"{DIED} ({future.exception()!r})")

    def close(self) -> None:
        """Let go of the cluster; it stays as it was."""
        for future in self._running.values():
            future.cancel()
        self._client.close()


def work_on_worker(packed: bytes, base: Answer | None, job: Job) -> Answer | Summed:
    """Do a job on a worker, with one thread."""
    use_one_thread()
    return work(packed, replace(job, base=base))
