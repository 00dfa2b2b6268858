"""Lanes that only let time pass, on a clock of their own, and questions like those of a study."""

from __future__ import annotations

import heapq
from collections.abc import Callable, Generator, Iterator
from dataclasses import dataclass
from functools import cached_property

from optimizer.studies.answers import Answer, Searched, Summed
from optimizer.studies.questions import Wanted
from optimizer.studies.table import UNKNOWN
from optimizer.studies.worker import Job

ANSWER = Searched(UNKNOWN)


@dataclass(frozen=True)
class VirtualFamily:
    """Stands for a site on a tariff; its runs are numbers."""

    key: str
    own: int = 0

    @cached_property
    def packed(self) -> bytes:
        return b""

    def key_of(self, run: int, _manner: object, kind: str, _more: object) -> str:
        return f"{self.key} {kind} {run}"


class VirtualLanes:
    """So many lanes; a piece of work takes what ``seconds`` says, the first of a lane its start more."""

    def __init__(
        self,
        count: int,
        seconds: Callable[[Job], float],
        start_s: float = 0.0,
        in_flight: int = 1,
        answer: Callable[[Job], Answer | Summed] = lambda _job: ANSWER,
    ) -> None:
        self.now, self.in_flight, self.done = 0.0, in_flight, []
        self._names = [f"lane {number}" for number in range(count)]
        self._seconds, self._start_s, self._answer = seconds, start_s, answer
        self._free_at: dict[str, float] = {}
        self._running: list[tuple[float, int, str, Job]] = []
        self._order = 0

    def clock(self) -> float:
        return self.now

    def names(self) -> list[str]:
        return self._names

    def give(self, lane: str, _packed: bytes, job: Job) -> None:
        begin = max(self._free_at.get(lane, self._start_s), self.now)
        self._free_at[lane] = begin + self._seconds(job)
        self._order += 1
        heapq.heappush(self._running, (self._free_at[lane], self._order, lane, job))

    def answers(self, wait_s: float) -> Iterator[tuple[str, Job, Answer | Summed]]:
        until = self.now + wait_s
        if not self._running or self._running[0][0] > until:
            self.now = until
            return
        self.now = self._running[0][0]
        while self._running and self._running[0][0] <= self.now:
            _, _, lane, job = heapq.heappop(self._running)
            self.done.append(job)
            yield lane, job, self._answer(job)

    def close(self) -> None:
        """Nothing runs."""


def case_of(family: VirtualFamily, first: int, years: int) -> Generator[Wanted, Answer, int]:
    """Ask for the base, then for one year after the other, as a battery that ages."""
    yield Wanted(family, "base", family.own)  # type: ignore[arg-type]
    for year in range(years):
        yield Wanted(family, "run", first + year)  # type: ignore[arg-type]
    return first
