"""The wall clock of a zone: its offsets from UTC, and the instants at which they change.

Read next: ``timegrid``.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

SECONDS_PER_DAY = 86_400

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)

_COARSE_S, _FINE_S = 6 * 3600, 15 * 60
"""Changes are looked for in steps of six hours, then on the quarter-hours on which clocks change."""


@dataclass(frozen=True)
class Clock:
    """Offset of the wall clock from UTC: ``offsets_s[i]`` before ``changes_s[i]``, C changes.

    Parameters
    ----------
    name : str
        What the clock follows, in words.
    zone : str or None
        IANA name; None if only a rule or the stamps are known.
    changes_s : array of int, shape (C,)
        Instants at which the offset changes, rising. [s since 1970 UTC]
    offsets_s : array of int, shape (C + 1,)
        Offsets before, between and after the changes. [s]
    """

    name: str
    zone: str | None
    changes_s: IntArray
    offsets_s: IntArray

    def offset_s(self, instants_s: IntArray) -> IntArray:
        """Return the offset at each instant, same shape. [s]"""
        return self.offsets_s[np.searchsorted(self.changes_s, instants_s, side="right")]

    def wall_s(self, instants_s: IntArray) -> IntArray:
        """Return wall-clock seconds of each instant, as if the clock stood in UTC. [s]"""
        return np.asarray(instants_s + self.offset_s(instants_s), dtype=np.int64)

    def is_near_change(self, instants_s: IntArray, within_s: int = 3600) -> BoolArray:
        """Return which instants lie within ``within_s`` of a change, shape (N,). [s]"""
        if not len(self.changes_s):
            return np.zeros(len(instants_s), dtype=bool)
        distance = np.abs(np.asarray(instants_s)[:, None] - self.changes_s[None, :])
        return np.asarray(distance.min(axis=1) <= within_s)

    def stamps(self, instants_s: IntArray) -> list[str]:
        """Return wall-clock stamps by ISO 8601 with offset, to the minute, shape (N,). [s]"""
        wall = np.datetime_as_string(self.wall_s(instants_s).astype("datetime64[s]"), unit="m")
        return [
            f"{moment}{offset_text(int(offset))}"
            for moment, offset in zip(wall, self.offset_s(instants_s), strict=True)
        ]

    def stamp(self, instant_s: int) -> str:
        """Return one such stamp."""
        return self.stamps(np.array([instant_s], dtype=np.int64))[0]


def offset_text(offset_s: int) -> str:
    """Return an offset as ISO 8601 writes it, e.g. ``-05:00``. [s]"""
    minutes = abs(offset_s) // 60
    return f"{'-' if offset_s < 0 else '+'}{minutes // 60:02d}:{minutes % 60:02d}"


def clock_of(zone: ZoneInfo, first_s: int, last_s: int) -> Clock:
    """Return the clock of a zone around a span of time. [s since 1970 UTC]"""
    begin, end = first_s - 2 * SECONDS_PER_DAY, last_s + 2 * SECONDS_PER_DAY
    years = range(_moment(begin).year, _moment(end).year + 1)
    changes = [
        (instant_s, offset_s)
        for year in years
        for instant_s, offset_s in _changes_in(zone, year)
        if begin < instant_s <= end
    ]
    offsets = [_offset_s(zone, begin), *(offset_s for _, offset_s in changes)]
    instants = np.array([instant_s for instant_s, _ in changes], dtype=np.int64)
    return Clock(zone.key, zone.key, instants, np.array(offsets, dtype=np.int64))


@lru_cache(maxsize=1000)
def _changes_in(zone: ZoneInfo, year: int) -> tuple[tuple[int, int], ...]:
    """Return the instants of a year, in UTC, at which the offset changes, each with the new one. [s]"""
    begin, end = (seconds_of(datetime(each, 1, 1, tzinfo=UTC)) for each in (year, year + 1))
    return tuple(
        (fine_s, offset_s)
        for coarse_s, _ in _steps_of_offset(zone, begin, end, _COARSE_S)
        for fine_s, offset_s in _steps_of_offset(zone, coarse_s - _COARSE_S, coarse_s, _FINE_S)
    )


def _steps_of_offset(zone: ZoneInfo, begin: int, end: int, step_s: int) -> list[tuple[int, int]]:
    """Return the instants after a beginning at which the offset is another than a step before. [s]"""
    found, before = [], _offset_s(zone, begin)
    for instant_s in range(begin + step_s, end + 1, step_s):
        offset_s = _offset_s(zone, instant_s)
        if offset_s != before:
            found.append((instant_s, offset_s))
        before = offset_s
    return found


def _offset_s(zone: ZoneInfo, instant_s: int) -> int:
    offset = _moment(instant_s).astimezone(zone).utcoffset()
    return 0 if offset is None else offset // timedelta(seconds=1)


def _moment(instant_s: int) -> datetime:
    return EPOCH + timedelta(seconds=instant_s)


def seconds_of(moment: datetime) -> int:
    """Return the whole seconds since 1970 UTC of an aware moment. [s]"""
    return (moment - EPOCH) // timedelta(seconds=1)
