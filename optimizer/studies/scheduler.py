"""Carries out questions: many side by side, each piece of work once, on all lanes.

A lane keeps to a family while there is work for it, for it has that one compiled; a family's base comes
first, since all its other runs start from it. Read next: ``run``.
"""

from __future__ import annotations

import time
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from typing import Any

from optimizer.base.progress import Progress
from optimizer.studies.answer_store import Ledger
from optimizer.studies.answers import Answer
from optimizer.studies.cases import Family, Manner
from optimizer.studies.estimate import duration
from optimizer.studies.executors import Lanes
from optimizer.studies.questions import Failed, Question, Wanted
from optimizer.studies.worker import Job

TELL_EVERY_S = 10.0
"""How often it is told how far the work is. [s]"""

WAIT_S = 1.0


@dataclass
class _Waiting:
    """Work that is wanted, and who waits for it."""

    job: Job
    family: Family
    asked_by: list[int] = field(default_factory=list)
    lane: str | None = None


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
    """

    def __init__(self, ledger: Ledger, lanes: Lanes, manner: Manner, progress: Progress) -> None:
        self._ledger, self._lanes = ledger, lanes
        self.manner, self._progress = manner, progress
        self._waiting: dict[str, _Waiting] = {}
        self._on_lane: dict[str, str] = {}
        self._family_of: dict[str, str] = {}
        self._results: dict[int, Any] = {}
        self._known_before = 0
        self.done = 0
        self._began = self._told = time.monotonic()

    def results(
        self,
        questions: Sequence[Question],
        so_far: Callable[[list[Any]], object] = lambda _results: None,
    ) -> list[Any]:
        """Return what the questions come to, in their order; one that failed comes to its ``Failed``.

        ``so_far`` is now and then given the same, as far as it is known; None stands for the rest.
        """
        self._results = {}
        self._questions = questions
        self._began = time.monotonic()
        for number in range(len(questions)):
            self._go_on(number, None)
        self._known_before = len(self._results)
        while self._waiting:
            self._give_out()
            for lane, job, answer in self._lanes.answers(WAIT_S):
                self._take(lane, job, answer)
            if self._tell():
                so_far(self._in_order())
        return self._in_order()

    def _in_order(self) -> list[Any]:
        return [self._results.get(number) for number in range(len(self._questions))]

    def _go_on(self, number: int, answer: Answer | None) -> None:
        """Send a question its answer, and all others that are known, until it wants something new."""
        question = self._questions[number]
        try:
            wanted = question.send(answer)  # type: ignore[arg-type]
            while (key := self._key_of(wanted)) and (known := self._ledger.get(key)) is not None:
                wanted = question.send(known)
        except StopIteration as end:
            self._results[number] = end.value
            return
        except Failed as failure:
            self._results[number] = failure
            return
        if key not in self._waiting:
            self._waiting[key] = _Waiting(self._job_of(key, wanted), wanted.family)
        self._waiting[key].asked_by.append(number)

    def _key_of(self, wanted: Wanted) -> str:
        return wanted.family.key_of(wanted.run, self.manner, wanted.kind, wanted.more)

    def _job_of(self, key: str, wanted: Wanted) -> Job:
        base = None
        if wanted.kind != "base":
            base = self._ledger.get(self._key_of(Wanted(wanted.family, "base", wanted.family.own)))
        return Job(key, wanted.family.key, wanted.kind, wanted.run, self.manner, base, wanted.more)

    def _give_out(self) -> None:
        """Give each idle lane a piece of work."""
        by_family: dict[str, list[str]] = defaultdict(list)
        for key, waiting in self._waiting.items():
            if waiting.lane is None:
                by_family[waiting.job.family].append(key)
        for lane in self._lanes.names():
            if lane in self._on_lane or not by_family:
                continue
            family = self._best_family(lane, by_family)
            key = by_family[family].pop(0)
            if not by_family[family]:
                del by_family[family]
            waiting = self._waiting[key]
            waiting.lane = lane
            self._on_lane[lane], self._family_of[lane] = key, family
            self._lanes.give(lane, waiting.family.packed, waiting.job)

    def _best_family(self, lane: str, by_family: dict[str, list[str]]) -> str:
        """Return the lane's own family, or one that few lanes work on and much is left of."""
        own = self._family_of.get(lane)
        if own in by_family:
            return str(own)
        others = [self._family_of[other] for other in self._on_lane if other != lane]
        return min(by_family, key=lambda family: (others.count(family), -len(by_family[family])))

    def _take(self, lane: str, job: Job, answer: Answer) -> None:
        self._on_lane = {each: key for each, key in self._on_lane.items() if key != job.key}
        self._ledger.add(job.key, answer)
        self.done += 1
        for number in self._waiting.pop(job.key).asked_by:
            self._go_on(number, self._ledger.get(job.key))

    def _tell(self) -> bool:
        """Tell how far the work is, if it is time to; return whether it was."""
        now = time.monotonic()
        if now - self._told < TELL_EVERY_S:
            return False
        self._told = now
        answered, count = len(self._results), len(self._questions)
        told = f"{answered} of {count} answered, {self.done} pieces of work done"
        since = answered - self._known_before
        if since:
            left = (now - self._began) * (count - answered) / since
            told += f", at this pace about {duration(left)} more"
        elif not self._on_lane:
            told += "; no worker takes work now"
        self._progress(told)
        return True
