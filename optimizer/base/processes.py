"""Processes that work side by side: each has one thread, is deaf to Ctrl-C, and goes when its parent does.

Each is a pool of its own, so that one that dies is known by what it did, and takes nothing else along.
"""

from __future__ import annotations

import contextlib
import multiprocessing
import os
import signal
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from typing import TypeVar

Item = TypeVar("Item")
Result = TypeVar("Result")

LOOK_EVERY_S = 0.5
"""How often a process looks whether the one that began it is still there. [s]"""

ONE_THREAD = {
    "OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1",
    "NUMBA_NUM_THREADS": "1",
}  # fmt: skip
"""Libraries that would take every processor for themselves in every process."""


def new_process(begin: Callable[[], None]) -> ProcessPoolExecutor:
    """Return a new process that has called ``begin``, a function of a module."""
    with _environment(ONE_THREAD), _deaf_to_interrupts():
        pool = ProcessPoolExecutor(
            1, multiprocessing.get_context("spawn"), initializer=_begin, initargs=(os.getpid(), begin)
        )  # fmt: skip
        pool.submit(os.getpid)  # begins the process while all this holds
    return pool


def end_process(pool: ProcessPoolExecutor) -> None:
    """Stop a process at once."""
    for process in list((pool._processes or {}).values()):
        process.terminate()
    pool.shutdown(wait=False, cancel_futures=True)


def each_in_a_process(
    work: Callable[[Item], Result],
    items: Sequence[Item],
    count: int,
    begin: Callable[[], None],
    died: Callable[[Item], Result],
) -> Iterator[tuple[int, Result]]:
    """Yield the place of each item and what its work came to, as they come.

    Parameters
    ----------
    work : callable
        A function of a module; what it raises is raised here.
    items : sequence
        What there is to do, each once.
    count : int
        Processes side by side.
    begin : callable
        What a new process does first.
    died : callable
        What an item comes to over which a process died.
    """
    idle = [new_process(begin) for _ in range(min(count, len(items)))]
    waiting = list(enumerate(items))[::-1]
    running: dict[Future[Result], tuple[int, ProcessPoolExecutor]] = {}
    try:
        while waiting or running:
            while idle and waiting:
                place, item = waiting.pop()
                pool = idle.pop()
                try:
                    future = pool.submit(work, item)
                except BrokenProcessPool:  # it died while it was idle
                    pool = new_process(begin)
                    future = pool.submit(work, item)
                running[future] = place, pool
            for done in wait(running, return_when=FIRST_COMPLETED).done:
                place, pool = running.pop(done)
                if isinstance(done.exception(), BrokenProcessPool):
                    pool.shutdown(wait=False)
                    pool = new_process(begin)
                    yield place, died(items[place])
                else:
                    yield place, done.result()
                idle.append(pool)
    finally:
        for pool in [*idle, *(pool for _, pool in running.values())]:
            end_process(pool)


@contextlib.contextmanager
def _deaf_to_interrupts() -> Iterator[None]:
    """Let processes that begin now ignore Ctrl-C from their first moment; this one stops them."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = signal.signal(signal.SIGINT, signal.SIG_IGN)
    try:
        yield
    finally:
        signal.signal(signal.SIGINT, before)


@contextlib.contextmanager
def _environment(values: dict[str, str]) -> Iterator[None]:
    before = {name: os.environ.get(name) for name in values}
    os.environ.update(values)
    try:
        yield
    finally:
        for name, value in before.items():
            if value is None:
                del os.environ[name]
            else:
                os.environ[name] = value


def _begin(parent: int, begin: Callable[[], None]) -> None:
    """Make a new process one of several: one thread, gone when its parent is."""
    begin()

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(LOOK_EVERY_S)
        os._exit(1)

    threading.Thread(target=watch, daemon=True).start()
