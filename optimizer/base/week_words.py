"""Hours of the week in words: ``Monday–Friday 16:00–21:00; holidays all day``.

Read next: ``writing``.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import groupby

import numpy as np

from optimizer.base.timegrid import BoolArray
from optimizer.base.units import MINUTES_PER_DAY
from optimizer.base.words import later, say
from optimizer.base.writing import Writing

DAYS = (
    later("Monday"), later("Tuesday"), later("Wednesday"), later("Thursday"), later("Friday"),
    later("Saturday"), later("Sunday"),
)  # fmt: skip


def week_words(held: BoolArray, writing: Writing) -> str:
    """Return the hours of a week that are held, shape (7, S) with S slots a day, in words.

    With an eighth row the week has holidays, which are no weekday.
    """
    days: dict[tuple[tuple[int, int], ...], list[int]] = {}
    for day, slots in enumerate(held):
        if spans := tuple(spans_of(slots)):
            days.setdefault(spans, []).append(day)
    return "; ".join(
        f"{days_words(on, len(held))}"
        f" {', '.join(_span_words(span, held.shape[1], writing) for span in spans)}"
        for spans, on in days.items()
    )


def spans_of(held: BoolArray) -> Iterator[tuple[int, int]]:
    """Yield first and end of each run of slots that are held."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], held.astype(int), [0]])))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def days_words(days: list[int], of: int = 7) -> str:
    """Return days in words: ``Monday–Friday``, ``Monday, Sunday``, ``every day``; 7 is holidays."""
    if len(days) == of:
        return say("every day")
    runs = []
    for _, run in groupby(
        enumerate(day for day in days if day < len(DAYS)), lambda each: each[1] - each[0]
    ):
        names = [say(DAYS[day]) for _, day in run]
        runs.append(f"{names[0]}–{names[-1]}" if len(names) > 2 else ", ".join(names))
    return ", ".join([*runs, *([say("holidays")] if len(DAYS) in days else [])])


def _span_words(span: tuple[int, int], slots: int, writing: Writing) -> str:
    minutes = MINUTES_PER_DAY // slots
    if span == (0, slots):
        return say("all day")
    return f"{writing.time(span[0] * minutes)}–{writing.time(span[1] * minutes)}"
