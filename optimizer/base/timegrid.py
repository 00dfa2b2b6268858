"""The steps of time on which everything is counted, and the clock that people read.

Steps are equally long in absolute time; the wall clock is looked up in the site's zone. So a day
on which clocks change has 23 or 25 hours, and a window "02:00 to 05:00" is what the clock says.
A step bears the time at which it begins. Read next: ``calendar``.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from functools import cached_property, lru_cache
from itertools import pairwise
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

import numpy as np
from numpy.typing import NDArray

from optimizer.base.clock import SECONDS_PER_DAY, Clock, clock_of, seconds_of
from optimizer.base.errors import InputError, Mistake, ScenarioError, bounded
from optimizer.base.units import MINUTES_PER_DAY

if TYPE_CHECKING:
    import pandas as pd

IntArray = NDArray[np.int64]
FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]

STEP_MINUTES = (5, 15, 30, 60)


@lru_cache(maxsize=64)
def zone_named(name: str) -> ZoneInfo:
    """Return the time zone of an IANA name.

    Raises
    ------
    Mistake
        If there is no such zone.
    """
    try:
        return ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        raise Mistake(
            f"zone is {bounded(repr(name), 80)}, which is no time zone of the IANA list",
            f"Write a name such as {_near_zones(name)}.",
        ) from None


def known_zone(name: str, error: type[InputError], where: str) -> ZoneInfo:
    """Return the time zone of an IANA name that stands outside a document.

    Raises
    ------
    InputError
        The given kind, if there is no such zone.
    """
    try:
        return zone_named(name)
    except Mistake as mistake:
        raise error(mistake.what, where=where, mend=mistake.mend) from None


SPOKEN_ZONES = {
    "central europe": "Europe/Berlin", "cest": "Europe/Berlin", "eastern europe": "Europe/Helsinki",
    "pacific": "America/Los_Angeles", "pst": "America/Los_Angeles", "pdt": "America/Los_Angeles",
    "mountain": "America/Denver", "mdt": "America/Denver", "central": "America/Chicago",
    "cst": "America/Chicago", "cdt": "America/Chicago", "eastern": "America/New_York",
    "edt": "America/New_York", "british": "Europe/London", "bst": "Europe/London",
    "aest": "Australia/Sydney", "aedt": "Australia/Sydney",
}  # fmt: skip
"""Zones as people speak of them, and a place whose clock is meant most often (common practice)."""


def _near_zones(name: str) -> str:
    """Return names of the list that may be meant, else two examples."""
    if any(sign.isdigit() for sign in name):
        return "Europe/Dublin or Australia/Sydney"
    words = name.lower().replace("_", " ")
    for spoken, zone in SPOKEN_ZONES.items():
        if re.search(rf"\b{spoken}", words):
            return zone
    places = {zone.rpartition("/")[2].lower().replace("_", " "): zone
              for zone in sorted(available_timezones()) if "/" in zone}  # fmt: skip
    last = words[:60].rpartition("/")[2]
    near = difflib.get_close_matches(last, places, n=1, cutoff=0.8)
    return places[near[0]] if near else "Europe/Dublin or Australia/Sydney"


FIXED_ZONES = {"EST": "America/New_York", "MST": "America/Denver", "GMT": "Europe/London"}
"""Names of the IANA list that stand for an offset alone, with a place where clocks change."""


def zone_remark(name: str) -> str:
    """Return a sentence on a zone whose clock never changes though it may be meant to, else nothing."""
    if name in FIXED_ZONES:
        return (
            f"zone {name} has no daylight saving (summer time): where clocks are changed, write a place"
            f" such as {FIXED_ZONES[name]}."
        )
    fixed = re.fullmatch(r"Etc/GMT([+-])([1-9]\d?)", name)
    if fixed is None:
        return ""
    east = "−" if fixed[1] == "+" else "+"
    return (
        f"zone {name} is UTC{east}{fixed[2]} all year, without daylight saving (in these names the sign is"
        " turned round): where clocks are changed, write a place such as America/New_York."
    )


@dataclass(frozen=True)
class TimeGrid:
    """T equal steps of time from ``start`` on, read by the clock of ``zone``.

    Parameters
    ----------
    start : datetime
        Beginning of the first step, aware.
    step_minutes : int
        5, 15, 30 or 60.
    count : int
        Number of steps T, at least 1.
    zone : str
        IANA name of the zone whose wall clock the tariff and the equipment follow.

    Raises
    ------
    InputError
        If the step is of another length, or does not begin on a multiple of itself by the clock.
    """

    start: datetime
    step_minutes: int
    count: int
    zone: str

    def __post_init__(self) -> None:
        """Refuse grids whose steps do not fit the clock."""
        if self.step_minutes not in STEP_MINUTES:
            raise InputError(
                f"the step is {self.step_minutes} min; allowed are {STEP_MINUTES} min",
                where=f"series starting {self.start.isoformat()}",
                mend="Bring the series to one of these steps.",
            )
        if self.start.tzinfo is None or self.count < 1:
            raise InputError(
                f"a grid needs an aware start and at least one step, not {self.start!r} and"
                f" {self.count}",
                where="the time grid",
                mend="Give a start with a UTC offset and at least one step.",
            )
        known_zone(self.zone, InputError, "the time grid")
        off = np.flatnonzero(self.minute_of_day % self.step_minutes)
        if len(off) or self.start.second or self.start.microsecond:
            first = int(off[0]) if len(off) else 0
            raise InputError(
                f"a step begins at {self.moment(first):%H:%M:%S} by the clock of {self.zone}, which"
                f" is no multiple of {self.step_minutes} min",
                where=f"step {self.moment(first).isoformat()}",
                mend="Give time stamps that start intervals on the clock, or finer steps.",
            )

    @property
    def step_h(self) -> float:
        """Length of a step. [h]"""
        return self.step_minutes / 60

    @cached_property
    def instants_s(self) -> IntArray:
        """Beginning of each step, shape (T,). [s since 1970 UTC]"""
        first = seconds_of(self.start)
        return np.arange(self.count, dtype=np.int64) * (60 * self.step_minutes) + first

    @cached_property
    def _clock(self) -> Clock:
        first, last = (int(self.instants_s[n]) for n in (0, -1))
        return clock_of(zone_named(self.zone), first, last)

    @cached_property
    def _wall_s(self) -> IntArray:
        """Beginning of each step by the wall clock, shape (T,). [s, as if it stood in UTC]"""
        return self._clock.wall_s(self.instants_s)

    @cached_property
    def labels(self) -> list[str]:
        """Wall-clock beginning of each step, T of them, e.g. ``2025-07-03T14:15-05:00``."""
        return self._clock.stamps(self.instants_s)

    def instant(self, step: int) -> datetime:
        """Return the beginning of a step in UTC; −1 is the last."""
        return self.start.astimezone(UTC) + range(self.count)[step] * self.step

    def moment(self, step: int) -> datetime:
        """Return the beginning of a step by the wall clock."""
        return self.instant(step).astimezone(zone_named(self.zone))

    @property
    def step(self) -> timedelta:
        """Length of a step."""
        return timedelta(minutes=self.step_minutes)

    @cached_property
    def utc(self) -> pd.DatetimeIndex:
        """Beginning of each step in UTC, shape (T,); for tables of pandas, which it loads."""
        import pandas as pd

        start = pd.Timestamp(self.start.astimezone(UTC))
        return pd.date_range(start, periods=self.count, freq=f"{self.step_minutes}min")

    @cached_property
    def local(self) -> pd.DatetimeIndex:
        """Beginning of each step by the wall clock, with its offset, shape (T,); as ``utc``."""
        return self.utc.tz_convert(self.zone)

    @cached_property
    def minute_of_day(self) -> IntArray:
        """Wall-clock minute of the day at which each step begins, shape (T,)."""
        return self._wall_s // 60 % MINUTES_PER_DAY

    @cached_property
    def _days(self) -> tuple[IntArray, list[date]]:
        values, index = np.unique(self._wall_s // SECONDS_PER_DAY, return_inverse=True)
        return index.astype(np.int64), values.astype("datetime64[D]").tolist()

    @property
    def day(self) -> IntArray:
        """Number of the local day of each step, counted from 0, shape (T,)."""
        return self._days[0]

    @property
    def dates(self) -> list[date]:
        """The local days of the grid in order, D of them."""
        return self._days[1]

    @cached_property
    def weekday(self) -> IntArray:
        """Weekday of each step, Monday is 0, shape (T,)."""
        return np.array([d.weekday() for d in self.dates], dtype=np.int64)[self.day]

    @cached_property
    def winter_clock(self) -> tuple[IntArray, IntArray]:
        """Minute of the day and weekday by a clock that stays on winter time, each of shape (T,).

        Winter time is the smaller offset of the zone in January and July of each year.
        """
        years = np.array([d.year for d in self.dates])[self.day]
        winter = {int(year): winter_offset(int(year), self.zone) for year in np.unique(years)}
        summer = self.utc_offset_minutes - np.array([winter[int(year)] for year in years])
        day, minute = np.divmod(self._wall_s // 60 - summer, MINUTES_PER_DAY)
        return minute, (day + EPOCH_WEEKDAY) % 7

    @cached_property
    def month(self) -> IntArray:
        """Calendar month of each step, 1 to 12, shape (T,)."""
        return np.array([d.month for d in self.dates], dtype=np.int64)[self.day]

    @property
    def months(self) -> list[int]:
        """The calendar months that the grid touches, rising, each once."""
        return sorted({d.month for d in self.dates})

    @cached_property
    def utc_offset_minutes(self) -> IntArray:
        """Offset of the wall clock from UTC at each step, shape (T,). [min]"""
        return (self._wall_s - self.instants_s) // 60

    @cached_property
    def day_share(self) -> FloatArray:
        """Share of its local day that each step is, e.g. 1/23 on a short day, shape (T,). [1]"""
        hours = np.array([hours_of_day(d, self.zone) for d in self.dates])
        return self.step_h / hours[self.day]

    @property
    def days(self) -> float:
        """Local days covered, with parts of days. [days]"""
        return float(self.day_share.sum())

    def label(self, step: int) -> str:
        """Return the wall-clock beginning of a step, e.g. ``2025-07-03T14:15-05:00``."""
        return self.moment(step).isoformat(timespec="minutes")

    def part(self, first: int, count: int) -> TimeGrid:
        """Return the grid of ``count`` of the steps, beginning with the step ``first``."""
        return TimeGrid(self.instant(first), self.step_minutes, count, self.zone)


def joined_grid(first: TimeGrid, then: TimeGrid) -> TimeGrid:
    """Return the steps of two grids, of which one begins where the other ends, as one grid."""
    return TimeGrid(first.start, then.step_minutes, first.count + then.count, then.zone)


EPOCH_WEEKDAY = 3
"""1 January 1970 was a Thursday."""


def winter_offset(year: int, zone: str) -> int:
    """Return the offset of a zone's winter time from UTC. [min]"""
    info = zone_named(zone)
    offsets = [datetime(year, month, 15, 12, tzinfo=info).utcoffset() for month in (1, 7)]
    return min(int((offset or timedelta()) / timedelta(minutes=1)) for offset in offsets)


def hours_of_day(day: date, zone: str) -> float:
    """Return the length of a local day: 24, or 23 and 25 where clocks change. [h]"""
    info = zone_named(zone)
    begin = datetime(day.year, day.month, day.day, tzinfo=info).astimezone(UTC)
    after = day + timedelta(days=1)
    end = datetime(after.year, after.month, after.day, tzinfo=info).astimezone(UTC)
    return (end - begin) / timedelta(hours=1)


@dataclass(frozen=True)
class BillingPeriod:
    """One billing period: from the local midnight of ``first`` to that of ``end``."""

    first: date
    end: date

    @property
    def days(self) -> int:
        """Length of the whole period. [days]"""
        return (self.end - self.first).days

    @property
    def is_month(self) -> bool:
        """Whether the period is a calendar month."""
        month_after = (self.first.replace(day=1) + timedelta(days=32)).replace(day=1)
        return self.first.day == 1 and self.end == month_after

    @property
    def middle(self) -> date:
        """The day in the middle; its month and year stand for the period."""
        return self.first + timedelta(days=self.days // 2)

    @property
    def days_of_year(self) -> int:
        """Length of the calendar year of the first day. [days]"""
        return (date(self.first.year + 1, 1, 1) - date(self.first.year, 1, 1)).days

    @property
    def label(self) -> str:
        """A calendar month as ``2025-07``, another period by its first and last day."""
        if self.is_month:
            return f"{self.first:%Y-%m}"
        return f"{self.first} to {self.end - timedelta(days=1)}"


@dataclass(frozen=True)
class BillingPeriods:
    """The P billing periods of a grid and the period of each step, shape (T,)."""

    periods: tuple[BillingPeriod, ...]
    of_step: IntArray


def calendar_months(grid: TimeGrid) -> BillingPeriods:
    """Return the calendar months of a grid, with the period of each step, shape (T,)."""
    firsts = sorted({d.replace(day=1) for d in grid.dates})
    last = (firsts[-1] + timedelta(days=32)).replace(day=1)
    return _periods(grid, [*firsts, last])


def meter_read_periods(grid: TimeGrid, read_dates: Sequence[date], where: str) -> BillingPeriods:
    """Return the periods between meter reads, from local midnight, with that of each step, shape (T,).

    Raises
    ------
    ScenarioError
        If the dates do not rise, or leave a step of the grid outside every period.
    """
    for earlier, later in pairwise(read_dates):
        if later <= earlier:
            raise ScenarioError(
                f"read date {later} does not come after {earlier}",
                where=where,
                mend="List the dates in rising order, each once.",
            )
    if len(read_dates) < 2 or grid.dates[0] < read_dates[0] or grid.dates[-1] >= read_dates[-1]:
        span = f"{read_dates[0]} to {read_dates[-1]}" if read_dates else "none"
        raise ScenarioError(
            f"the read dates ({span}) do not enclose the days {grid.dates[0]} to {grid.dates[-1]}",
            where=where,
            mend="Add the read date before the first day and the one after the last day.",
        )
    used = [
        index
        for index, (first, end) in enumerate(pairwise(read_dates))
        if end > grid.dates[0] and first <= grid.dates[-1]
    ]
    return _periods(grid, list(read_dates[used[0] : used[-1] + 2]))


def _periods(grid: TimeGrid, edges: Sequence[date]) -> BillingPeriods:
    starts = np.array(edges[:-1], dtype="datetime64[D]")
    days = np.array(grid.dates, dtype="datetime64[D]")
    of_step = (np.searchsorted(starts, days, side="right") - 1)[grid.day]
    periods = tuple(BillingPeriod(first, end) for first, end in pairwise(edges))
    return BillingPeriods(periods, of_step.astype(np.int64))


def interval_of_step(grid: TimeGrid, minutes: int) -> IntArray:
    """Return the number of the clock-aligned interval of each step, rising, shape (T,).

    A repeated hour of the autumn clock change is an interval of its own. Where steps are longer
    than the interval, every step is its own interval.
    """
    block = grid.minute_of_day // max(minutes, grid.step_minutes)
    parts = np.stack([grid.day, grid.utc_offset_minutes, block])
    changed = np.any(np.diff(parts, axis=1) != 0, axis=0)
    return np.concatenate([[0], np.cumsum(changed)]).astype(np.int64)


def clock_slots(step_minutes: int) -> int:
    """Return the number of steps in 24 hours. [1]"""
    return MINUTES_PER_DAY // step_minutes
