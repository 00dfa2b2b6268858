"""How far a long job is: what goes on, the share done, the best saving so far, about how long it still takes.

A job says beforehand what its stages take, in replays of a year: searches count theirs, other stages were
measured beside them (``workflows.plan``). A search that finds nothing new ends before its work is done, so
the share may leap; it never falls. Time left is time taken times what is left over what is done, hence
"about". Jobs that say nothing beforehand are told by ``ROUGHLY``.
"""

from __future__ import annotations

import threading
import time
from collections.abc import Callable, Sequence

Progress = Callable[[str], None]
"""Is handed a line of text at each stage of a job: a ``Told`` where a ``Course`` hands it out."""

LINES_S = 2.0
"""So long after a line the next one of the same stage is told. [s]"""

EARLY = 0.1
"""No time left is told before this share is done."""

ROUGHLY = {
    "planning": 0.05,
    "looking for windows": 0.25,
    "looking for floors": 0.4,
    "looking for the fewest": 0.25,
    "looking for windows without": 0.5,
    "weighing": 0.7,
    "replaying the windows on weeks": 0.75,
    "searching": 0.3,
    "asking what richer": 0.8,
    "asking what a second card": 0.9,
    "replaying the windows and": 0.95,
}
"""How far a job is when a stage begins, roughly: measured on the demos."""


class Told(str):
    """A line of progress: text that a person reads, and what it is made of.

    Attributes
    ----------
    what : str
        What goes on.
    share : float
        Of the job that is done, from 0 to 1; it never falls.
    saved : str or None
        What the best windows so far save over the forecast, with its currency, where that is known.
    seconds_left : float or None
        About how long the job still takes, once that can be told. [s]
    """

    __slots__ = ("saved", "seconds_left", "share", "what")

    what: str
    share: float
    saved: str | None
    seconds_left: float | None

    def __new__(
        cls, what: str, share: float, saved: str | None = None, seconds_left: float | None = None
    ) -> Told:
        """Put the line together."""
        parts = [f"{100 * share:.0f} %"]
        if saved is not None:
            parts.append(f"best so far saves {saved}")
        if seconds_left is not None:
            parts.append(f"about {seconds_left:.0f} s left")
        line = super().__new__(cls, f"{what} ({', '.join(parts)})" if 0 < share < 1 else what)
        line.what, line.share, line.saved, line.seconds_left = what, share, saved, seconds_left
        return line


class Course:
    """The course of a job, told to a listener; call it with what begins.

    Parameters
    ----------
    listener : callable
        Is handed a ``Told`` at each stage, and now and then while work is counted.
    clock : callable
        Returns seconds.
    """

    def __init__(self, listener: Progress, clock: Callable[[], float] = time.monotonic) -> None:
        self.saved: str | None = None
        self._listener, self._clock = listener, clock
        self._begun = self._told_at = clock()
        self._stages: Sequence[tuple[str, float]] = ()
        self._total = self._done = self._share = self._end = 0.0
        self._what = ""
        self._lock = threading.Lock()

    def expect(self, stages: Sequence[tuple[str, float]]) -> None:
        """Say what stages follow: how their lines begin, and their work in replays of a year."""
        self._stages = stages
        self._total = sum(work for _, work in stages)

    def __call__(self, what: str) -> None:
        """Tell what begins."""
        with self._lock:
            self._what = what
            before = 0.0
            for begins, work in self._stages:
                if what.startswith(begins):
                    self._done = max(self._done, before)
                    self._end = max(self._end, before + work)
                before += work
            if not self._stages:
                roughly = [share for begins, share in ROUGHLY.items() if what.startswith(begins)]
                self._share = max([self._share, *roughly])
            if what == "done":
                self._share = 1.0
            self._tell()

    def count(self, work: float) -> None:
        """Count work that is done in the stage. [replays of a year]"""
        with self._lock:
            self._done = min(self._done + work, max(self._end, self._done))
            if self._stages and self._clock() - self._told_at >= LINES_S:
                self._tell()

    def _tell(self) -> None:
        now = self._clock()
        if self._total:
            self._share = max(self._share, self._done / self._total)
        left = None
        if self._stages and EARLY <= self._share < 1:
            left = (now - self._begun) * (1 - self._share) / self._share
        self._told_at = now
        self._listener(Told(self._what, self._share, self.saved, left))


def course_of(progress: Progress) -> Course:
    """Return the course that a job is told on: the one handed in, or a new one."""
    return progress if isinstance(progress, Course) else Course(progress)


def quiet(_text: str) -> None:
    """Ignore progress."""
