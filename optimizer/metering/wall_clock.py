"""Puts stamps of the wall clock in time, whatever the order of the rows.

Of an hour that comes twice in autumn, only the order of the rows shows which came first. So
the rows of that day must stand in order, from old to new or from new to old; else the two remain
open, and a reader may go on only if both say the same. Read next: ``series``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.base.clock import SECONDS_PER_DAY
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray
from optimizer.metering.local_time import clock_of_zone

SKIPPED = -1
"""Stands for the instant of a clock time that never was."""

LONGEST_REPEAT_S = 3600
"""Clocks are put back by an hour at most."""

MOSTLY = 0.75
"""Share of rows after the one before them that makes an order; 0.5 if shuffled. [1]"""


@dataclass(frozen=True)
class Placed:
    """The instants of N wall-clock times, SKIPPED where the clock skips them; which remain open.

    ``is_open`` marks times of an hour that came twice, whose order is open.
    """

    instants_s: IntArray
    is_open: BoolArray


def direction(times_s: IntArray) -> int:
    """Return 1 for rows rising in time, -1 for falling, 0 for neither; times of shape (N,). [s]"""
    jumps = np.diff(times_s)
    moving = int((jumps != 0).sum())
    if not moving:
        return 1
    for sign in (1, -1):
        if (sign * jumps > 0).sum() >= MOSTLY * moving:
            return sign
    return 0


def placed(wall_s: IntArray, zone: str) -> Placed:
    """Place wall-clock times in a zone: of a repeated hour the first is daylight-saving time.

    Parameters
    ----------
    wall_s : array of int, shape (N,)
        Wall-clock times in the file's order. [s, as if the clock stood in UTC]
    zone : str
        IANA name.
    """
    first, second = _instants(wall_s, zone)
    is_open, is_second = (np.zeros(len(wall_s), dtype=bool) for _ in range(2))
    _, number, counts = np.unique(wall_s, return_inverse=True, return_counts=True)
    twice = np.flatnonzero((first != second) & (counts[number] > 1))
    runs = direction(wall_s) if len(twice) else 0
    days = wall_s // SECONDS_PER_DAY
    for day in np.unique(days[twice]):
        mine = twice[days[twice] == day]
        sign = _order_of_day(wall_s[days == day], runs)
        is_open[mine] = (counts[number[mine]] > 2) | (sign == 0)
        in_order = mine[::-1] if sign < 0 else mine
        _, firsts = np.unique(wall_s[in_order], return_index=True)
        is_second[mine] = True
        is_second[in_order[firsts]] = False
    return Placed(np.where(is_second, second, first), is_open)


def _instants(wall_s: IntArray, zone: str) -> tuple[IntArray, IntArray]:
    """Return the first and the last instant at which the clock shows each time, else SKIPPED."""
    if not len(wall_s):
        return wall_s, wall_s
    clock = clock_of_zone(zone, int(wall_s.min()), int(wall_s.max()))
    begins = clock.changes_s + clock.offsets_s[1:]
    ends = clock.changes_s + clock.offsets_s[:-1]
    first = np.searchsorted(ends, wall_s, side="right")
    last = np.searchsorted(begins, wall_s, side="right")
    is_shown = first <= last  # else it lies between the end of one offset and the begin of the next
    return tuple(
        np.asarray(np.where(is_shown, wall_s - clock.offsets_s[at], SKIPPED))
        for at in (first, last)
    )  # type: ignore[return-value]  # two of them


def _order_of_day(wall_s: IntArray, runs: int) -> int:
    """Return whether the rows of a day stand from old to new (1), new to old (-1) or neither (0)."""
    jumps = np.diff(wall_s)
    fitting = [sign for sign in (1, -1) if _is_in_order(sign * jumps)]
    return runs if runs in fitting else 0


def _is_in_order(jumps: IntArray) -> bool:
    """Return whether times never fall, or rise but for one step back, as the clock is put back."""
    back = jumps[jumps < 0]
    is_put_back = len(back) == 1 and int(back[0]) >= -LONGEST_REPEAT_S
    return len(back) == 0 or (is_put_back and not (jumps == 0).any())


def same_twins(
    wall_s: IntArray, is_open: BoolArray, values: Sequence[FloatArray | Sequence[str]]
) -> int | None:
    """Return the position of an open time whose rows differ, else None; each of N values or texts."""
    firsts: dict[int, int] = {}
    rows = np.flatnonzero(is_open).tolist()
    for row in rows:
        firsts.setdefault(int(wall_s[row]), row)
    differing = [
        int(wall_s[row])
        for row in rows
        if any(not _is_same(one[row], one[firsts[int(wall_s[row])]]) for one in values)
    ]
    return firsts[min(differing)] if differing else None


def _is_same(one: float | str, other: float | str) -> bool:
    return one == other or (one != one and other != other)


def open_words(wall_s: int, zone: str) -> tuple[str, str]:
    """Return what is wrong where two rows of a repeated hour could be either one, and the mend."""
    when = str(np.datetime64(wall_s, "s").astype("datetime64[m]"))
    return (
        f"the time {when} comes twice on the clock of {zone}, and the rows of that day do not stand"
        " in order, so nothing tells which of its rows came first",
        "Sort the rows of that day as time passed, or give stamps with offsets.",
    )
