"""Carries out questions: many side by side, each piece of work once, on all lanes.

A lane keeps to a family while there is work for it, for it has that one compiled; a family's base comes
first, since all its other runs start from it. Of a family's work that of the earliest question is done
first, so that whole cases come out one after the other, and a study says something long before it is over.
Money that is to be summed up goes before all else, as much of it in one piece as is there.
What a loop does hangs on what came in, never on how much waits: a hundred thousand cases take a hundred
times as long as a thousand. Read next: ``run``.
"""

from __future__ import annotations

import heapq
import time
from collections import Counter, defaultdict, deque
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from optimizer.base.errors import InputError
from optimizer.base.progress import Progress
from optimizer.economics.valued import Summary
from optimizer.studies.answer_store import LEDGER, Ledger
from optimizer.studies.answers import Answer, Summed, Sums, SumsAsked
from optimizer.studies.cases import Manner
from optimizer.studies.estimate import Pace, duration
from optimizer.studies.executors import Lanes
from optimizer.studies.questions import Asking, Failed, Found, Question, Wanted
from optimizer.studies.worker import Job

TELL_EVERY_S = 10.0
"""How often it is told how far the work is. [s]"""

FIRST_TOLD = 2
"""So many first answers are told at once."""

GROWTH = 1.5
"""A table so far is made when there are so many times the rows of the last: all of them together take no
longer than the whole one, times a number."""

WAIT_S = 1.0

MOST_SUMS = 50
"""So many sums at most are one piece of work: a fifth of a second."""

SUMS = "sums"


@dataclass
class _Waiting:
    """Work that is wanted, and who waits for it; ``given`` is when a lane got it. [s]"""

    wanted: Wanted
    asked_by: list[int] = field(default_factory=list)
    given: float = 0.0
    is_first_of_lane: bool = False


class CarryingOut:
    """The questions of one study on its lanes.

    Parameters
    ----------
    ledger : Ledger
        What is known already, and where answers are kept.
    lanes : Lanes
        Where work is done.
    manner : Manner
        How much windows are searched for, and how cycles are counted.
    progress : callable
        Is told how far the work is.
    clock : callable
        Returns seconds.
    """

    def __init__(
        self,
        ledger: Ledger,
        lanes: Lanes,
        manner: Manner,
        progress: Progress,
        clock: Callable[[], float] = time.monotonic,
    ) -> None:
        self._ledger, self._lanes = ledger, lanes
        self.manner, self._progress, self._clock = manner, progress, clock
        self._waiting: dict[str, _Waiting] = {}
        self._queued: defaultdict[str, list[tuple[int, int, str]]] = defaultdict(list)
        self._order = 0
        self._on_lane: dict[str, set[str]] = {}
        self._family_of: dict[str, str] = {}
        self._at_work: Counter[str] = Counter()
        self._sums: deque[tuple[int, Sums]] = deque()
        self._summing: dict[str, list[int]] = {}
        self._results: dict[int, Any] = {}
        self._pace = Pace(manner.effort)
        self.done = 0
        self._told = clock()
        self._rows_told = 0

    def results(
        self,
        questions: Sequence[Question],
        so_far: Callable[[list[Any]], object] = lambda _results: None,
        weights: Sequence[float] | None = None,
        to_come: float = 0.0,
    ) -> list[Any]:
        """Return what the questions come to, in their order; one that failed comes to its ``Failed``.

        Parameters
        ----------
        questions : sequence of Question
            What is asked; earlier ones are answered first.
        so_far : callable
            Is now and then given the same, as far as it is known; None stands for the rest.
        weights : sequence of float, optional
            How much work each question is beside others, for the time that is told; 1 without it.
        to_come : float
            How much work comes after these questions, in the same measure.
        """
        self._results, self._questions, self._rows_told = {}, questions, 0
        self._pace.begin(weights or [1.0] * len(questions), to_come)
        for number in range(len(questions)):
            self._go_on(number, None)
        known_before = len(self._results)
        while self._waiting or self._sums or self._summing:
            self._give_out()
            came = list(self._lanes.answers(WAIT_S))
            self._ledger.add_all([
                (job.key, answer) for _, job, answer in came
                if job.kind != SUMS and not isinstance(answer, Summed)
            ])  # fmt: skip
            for lane, job, answer in came:
                self._is_free(lane, job.key)
                if job.kind == SUMS:
                    self._take_sums(job.key, answer)
                else:
                    self._take(job)
            answered = len(self._results) - known_before
            if answered >= max(1, self._rows_told * GROWTH):
                so_far(self._in_order())
                is_early = self._rows_told < FIRST_TOLD
                self._rows_told = answered
                self._tell(at_once=is_early)
            else:
                self._tell(at_once=False)
        return self._in_order()

    def known(self, question: Asking[Found]) -> Found:
        """Return what a question comes to whose work is all done already, and kept."""
        try:
            wanted = next(question)
            while (answer := self._ledger.get(self._key_of(wanted))) is not None:
                wanted = question.send(answer)
        except StopIteration as end:
            found: Found = end.value
            return found
        raise InputError(
            "an answer that was there is gone from the ledger",
            where=LEDGER,
            mend="Do the study again: what is lost is done anew.",
        )

    def _in_order(self) -> list[Any]:
        return [self._results.get(number) for number in range(len(self._questions))]

    def _go_on(self, number: int, answer: Answer | Summary | None) -> None:
        """Send a question its answer, and all others that are known, until it wants something new."""
        question = self._questions[number]
        try:
            wanted = question.send(answer)
            while not isinstance(wanted, Sums):
                key = self._key_of(wanted)
                if (known := self._ledger.get(key)) is None:
                    break
                wanted = question.send(known)
        except StopIteration as end:
            self._answered(number, end.value)
            return
        except Failed as failure:
            self._answered(number, failure)
            return
        if isinstance(wanted, Sums):
            self._sums.append((number, wanted))
            return
        if key not in self._waiting:
            self._waiting[key] = _Waiting(wanted)
            self._order += 1
            heapq.heappush(self._queued[wanted.family.key], (number, self._order, key))
            if wanted.kind == "base":
                self._pace.wants_base(key)
        self._waiting[key].asked_by.append(number)

    def _answered(self, number: int, result: Any) -> None:
        self._results[number] = result
        self._pace.answered(number)

    def _key_of(self, wanted: Wanted) -> str:
        return wanted.family.key_of(wanted.run, self.manner, wanted.kind, wanted.more)

    def _job_of(self, key: str, wanted: Wanted) -> Job:
        base = None
        if wanted.kind != "base":
            base = self._ledger.get(self._key_of(Wanted(wanted.family, "base", wanted.family.own)))
        return Job(key, wanted.family.key, wanted.kind, wanted.run, self.manner, base, wanted.more)

    def _give_out(self) -> None:
        """Give each lane that has room a piece of work."""
        for lane in self._lanes.names():
            running = self._on_lane.setdefault(lane, set())
            while (self._sums or self._queued) and len(running) < self._lanes.in_flight:
                if self._sums:
                    self._give_sums(lane, running)
                else:
                    self._give(lane, running)

    def _give_sums(self, lane: str, running: set[str]) -> None:
        """Give a lane all the sums that are there, up to a number; it keeps its family."""
        given = [self._sums.popleft() for _ in range(min(len(self._sums), MOST_SUMS))]
        self._order += 1
        key = f"{SUMS} {self._order}"
        self._summing[key] = [number for number, _ in given]
        running.add(key)
        asked = SumsAsked(tuple(sums for _, sums in given))
        self._lanes.give(lane, b"", Job(key, SUMS, SUMS, None, self.manner, more=asked))

    def _give(self, lane: str, running: set[str]) -> None:
        family = self._best_family(lane)
        _, _, key = heapq.heappop(self._queued[family])
        if not self._queued[family]:
            del self._queued[family]
        waiting = self._waiting[key]
        waiting.given, waiting.is_first_of_lane = self._clock(), lane not in self._family_of
        self._at_work.subtract([self._family_of[lane]] if lane in self._family_of else [])
        self._at_work[family] += 1
        self._family_of[lane] = family
        running.add(key)
        self._lanes.give(lane, waiting.wanted.family.packed, self._job_of(key, waiting.wanted))

    def _best_family(self, lane: str) -> str:
        """Return the lane's own family, or of those with fewest lanes the one that is wanted first."""
        own = self._family_of.get(lane)
        if own in self._queued:
            return str(own)
        return min(
            self._queued, key=lambda family: (self._at_work[family], self._queued[family][0])
        )

    def _is_free(self, lane: str, key: str) -> None:
        """Note that a lane has done a piece of work."""
        for running in (self._on_lane.get(lane, set()), *self._on_lane.values()):
            if key in running:  # a cluster may do it elsewhere than was asked
                running.remove(key)
                break

    def _take_sums(self, key: str, answer: Answer | Summed) -> None:
        """Hand each sum to the question that asked for it; where their process died each has failed."""
        numbers = self._summing.pop(key)
        each = answer.each if isinstance(answer, Summed) else [answer] * len(numbers)
        for number, found in zip(numbers, each, strict=True):
            self._go_on(number, found)

    def _take(self, job: Job) -> None:
        """Hand an answer that is kept now to all who wait for it."""
        self.done += 1
        waiting = self._waiting.pop(job.key)
        seconds = self._clock() - waiting.given
        self._pace.took(
            job.key, job.kind, seconds, waiting.asked_by[0], is_first=waiting.is_first_of_lane
        )
        answer = self._ledger.get(job.key)
        for number in waiting.asked_by:
            self._go_on(number, answer)

    def _tell(self, *, at_once: bool) -> None:
        """Tell how far the work is, if it is time to."""
        now = self._clock()
        if not at_once and now - self._told < TELL_EVERY_S:
            return
        self._told = now
        answered, count = len(self._results), len(self._questions)
        told = f"{answered} of {count} answered, {self.done} pieces of work done"
        left = self._pace.left(len(self._on_lane))
        if left is not None and answered < count:
            told += f", about {duration(left)} more"
        elif not any(self._on_lane.values()):
            told += "; no worker takes work now"
        self._progress(told)
