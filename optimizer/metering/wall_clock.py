"""Puts stamps of the wall clock in time, whatever the order of the rows.

Of an hour that comes twice in autumn, only the order of the rows shows which came first. So
the rows of that day must stand in order, from old to new or from new to old; else the two remain
open, and a reader may go on only if both say the same. Read next: ``series``.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from optimizer.base.timegrid import BoolArray, IntArray, zone_named

SKIPPED = -1
"""Stands for the instant of a clock time that never was."""

DAY_S = 86_400
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
    wall = pd.DatetimeIndex(wall_s.astype("datetime64[s]")).tz_localize(None)
    info = zone_named(zone)
    first, second = (
        _instants(wall.tz_localize(info, ambiguous=np.full(len(wall), is_first), nonexistent="NaT"))
        for is_first in (True, False)
    )
    twice = np.flatnonzero((first != second) & wall.duplicated(keep=False))
    is_open = np.zeros(len(wall), dtype=bool)
    is_second = np.zeros(len(wall), dtype=bool)
    runs = direction(wall_s) if len(twice) else 0
    days = wall_s // DAY_S
    for day in np.unique(days[twice]):
        of_day = np.flatnonzero(days == day)
        mine = twice[days[twice] == day]
        sign = _order_of_day(wall_s[of_day], runs)
        counts = pd.Series(wall_s[mine]).map(pd.Series(wall_s[mine]).value_counts()).to_numpy()
        is_open[mine] = (counts > 2) | (sign == 0)
        keep: Literal["first", "last"] = "last" if sign < 0 else "first"
        is_second[mine] = pd.Series(wall_s[mine]).duplicated(keep=keep).to_numpy()
    return Placed(np.where(is_second, second, first), is_open)


def _instants(local: pd.DatetimeIndex) -> IntArray:
    utc = local.tz_convert("UTC").tz_localize(None)
    instants = utc.to_numpy("datetime64[s]").astype(np.int64)
    return np.asarray(np.where(utc.isna(), SKIPPED, instants))


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


def same_twins(wall_s: IntArray, is_open: BoolArray, values: list[pd.Series]) -> int | None:
    """Return the position of an open time whose rows differ, else None; arrays of shape (N,)."""
    rows = np.flatnonzero(is_open)
    if not len(rows):
        return None
    table = pd.DataFrame({n: one.to_numpy()[rows] for n, one in enumerate(values)})
    differ = table.groupby(wall_s[rows]).nunique(dropna=False).gt(1).any(axis=1)
    wrong = differ.index[differ.to_numpy()]
    return int(rows[np.flatnonzero(wall_s[rows] == wrong[0])[0]]) if len(wrong) else None


def open_words(wall_s: int, zone: str) -> tuple[str, str]:
    """Return what is wrong where two rows of a repeated hour could be either one, and the mend."""
    when = str(np.datetime64(wall_s, "s").astype("datetime64[m]"))
    return (
        f"the time {when} comes twice on the clock of {zone}, and the rows of that day do not stand"
        " in order, so nothing tells which of its rows came first",
        "Sort the rows of that day as time passed, or give stamps with offsets.",
    )
