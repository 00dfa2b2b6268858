"""Plausible years: the metered weeks put together anew, with more or less load and sun.

A year is made of whole weeks, so that load and PV of a day stay together and weekdays stay weekdays;
each week comes from the same time of the year, or, where none was metered then, from the time at
which days are as long. Weeks are told apart by turns into two folds: what is fitted on the weeks of
one fold can be judged on the other, which it has not seen. Prices stay where they are on the
calendar.

One material for years and forecasts. Plausible years of the search and members of a forecast are
the same thing: whole weeks drawn from a pool. The forecast to show is made of the nearest weeks,
so it has real peaks; folds stay folds of the metered weeks, so that what is judged was not fitted
to, even where the forecast itself was never metered. Additions are laid on the steps of the
forecast, not on the material.

The other half of the year. A season that was never metered takes weeks from the time at which
days are as long (October from February), counted 25 days farther away. With the last third of a
year unknown, all five metered sites lose less money so than with their last week or mean days.

Weeks stay in their month. A year made of every other week fills the gaps with the neighbouring
week of the same month. Filled from weeks up to 24 days off, one bad week counted in the demand of
three months.

Read next: ``build``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from optimizer.base.calendar import Holidays
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray, TimeGrid, clock_slots
from optimizer.metering.forecast import Forecast

REACH_DAYS = 24
"""How far from its own time of the year a week may be taken."""

MIRROR_DAY = 6.0
"""Days are as long so many days before this day of the year as after it.

Between the shortest day, which sets the sun, and the coldest weeks, which set the heating (common
practice, no published source).
"""

MIRROR_DAYS = 25.0
"""A week of the other half of the year counts as so much farther away: heat and habits differ."""

BEYOND_REACH_DAYS = 10.0
"""Where no week lies within reach, those are taken that are this little farther than the nearest."""

AGE_DAYS = 14.0
"""A week of half the weight counts as so much farther away, where the nearest is wanted."""

LEAST_WEEKS = 8
"""Fewer whole weeks than this are not told apart: nothing would be left to judge on."""

SATURDAY, SUNDAY = 5, 6
NO_HOLIDAYS = Holidays()

DAYS_PER_YEAR = 365.25
WHOLE = 1 - 1e-9
"""A day of which more than this share is metered is whole; there are days of 23 and 25 hours."""


@dataclass(frozen=True)
class Year:
    """Load and PV on the steps of the forecast, shape (T,), and what the year counts. [kWh]

    ``metered_on`` says for each day of the grid on which day its load and PV were metered.
    """

    load_kwh: FloatArray
    pv_kwh: FloatArray
    weight: float
    metered_on: tuple[date, ...]


@dataclass(frozen=True)
class Variant:
    """How a year is made: its own weeks where they may be used, or others; times factors."""

    weight: float
    resampled: bool = True
    load_factor: float = 1.0
    pv_factor: float = 1.0


@dataclass(frozen=True)
class Material:
    """From what years are made.

    Parameters
    ----------
    sources : tuple of Forecast
        Metered (or computed) series of the site in the same steps, the most like the future first.
    weights : tuple of float
        How often a week of each is drawn beside those of the others; all alike if empty.
    holidays : Holidays
        Days that go like Sundays, in the sources and in what is made.
    holds_forecast : bool
        Whether the forecast is the first of the sources, so that it is a year as metered itself.
    is_metered : bool
        Whether the sources were metered; of computed ones none can be kept back to judge on.
    added_kwh : array, optional
        Shape (T,), load that is added on the steps of the forecast, such as a car. [kWh per step]
    pv_times : array, optional
        Shape (T,), by which PV is multiplied on the steps of the forecast.
    """

    sources: tuple[Forecast, ...]
    weights: tuple[float, ...] = ()
    holidays: Holidays = NO_HOLIDAYS
    holds_forecast: bool = False
    is_metered: bool = True
    added_kwh: FloatArray | None = None
    pv_times: FloatArray | None = None


class Weather:
    """The metered weeks from which years are put together.

    Parameters
    ----------
    forecast : Forecast
        The forecast; every year is made on its steps.
    material : Material, optional
        From what years are made; from the forecast's own weeks without it.
    keep : callable
        Tells of a week, by its Monday, whether it may be used; all may without it.
    """

    def __init__(
        self,
        forecast: Forecast,
        material: Material | None = None,
        keep: Callable[[date], bool] = lambda _monday: True,
    ) -> None:
        self.forecast = forecast
        self.material = material or Material((forecast,), holds_forecast=True)
        self._keep = keep
        self._is_whole = True
        self._load, self._pv = list[FloatArray](), list[FloatArray]()
        self._date: list[date] = []
        self._weeks: list[list[int]] = []
        self._monday: list[date] = []
        self._weight: list[float] = []
        sources = self.material.sources
        for source, weight in zip(
            sources, self.material.weights or [1.0] * len(sources), strict=True
        ):
            self._take(source, weight)
        self._place = np.array([_place_in_year(monday) for monday in self._monday])
        rank = {monday: number for number, monday in enumerate(sorted(set(self._monday)))}
        self._fold = np.array([rank[monday] % 2 for monday in self._monday], dtype=np.int64)
        grid = forecast.grid
        self._mondays = [day - timedelta(days=day.weekday()) for day in grid.dates]
        self._slot = grid.minute_of_day // grid.step_minutes
        self._load_of_day = np.array(self._load)
        self._pv_of_day = np.array(self._pv)

    @property
    def has_weeks(self) -> bool:
        """Whether there is any whole week to make years of."""
        return bool(self._weeks)

    @property
    def has_folds(self) -> bool:
        """Whether there are enough metered weeks to fit on some and judge on others."""
        return self.material.is_metered and len(set(self._monday)) >= LEAST_WEEKS

    def _take(self, source: Forecast, weight: float) -> None:
        grid = source.grid
        load = by_day(source.load_kwh, grid)
        pv = by_day(source.pv_kwh, grid)
        first = len(self._load)
        self._load += list(load)
        self._pv += list(pv)
        self._date += grid.dates
        whole = np.bincount(grid.day, weights=grid.day_share) > WHOLE
        holidays = self.material.holidays.among(grid.dates)
        for number, day in enumerate(grid.dates[: len(grid.dates) - 6]):
            if day.weekday() != 0 or not whole[number : number + 7].all():
                continue
            if not self._keep(day):
                self._is_whole = False
            else:
                days = _without_holidays(grid.dates[number : number + 7], holidays)
                self._weeks.append([first + number + weekday for weekday in days])
                self._monday.append(day)
                self._weight.append(weight)

    def year(self, variant: Variant, fold: int | None, luck: np.random.Generator) -> Year:
        """Return a year made of the weeks of a fold, or of all weeks."""
        grid = self.forecast.grid
        is_own = fold is None and not variant.resampled and self._is_whole
        if (self.material.holds_forecast and (is_own or not self.has_folds)) or not self._weeks:
            load_kwh = self.forecast.load_kwh * variant.load_factor
            pv_kwh = self.forecast.pv_kwh * variant.pv_factor
            return Year(load_kwh, pv_kwh, variant.weight, tuple(grid.dates))
        week_of: dict[date, int] = {}
        day = np.zeros(len(self._mondays), dtype=np.int64)
        holidays = self.material.holidays.among(grid.dates)
        for number, monday in enumerate(self._mondays):
            if monday not in week_of:
                week_of[monday] = self._week_for(monday, fold, variant, luck)
            day_made = grid.dates[number]
            weekday = SUNDAY if day_made in holidays else day_made.weekday()
            day[number] = self._weeks[week_of[monday]][weekday]
        day_of_step = day[grid.day]
        load_kwh = self._load_of_day[day_of_step, self._slot]
        pv_kwh = self._pv_of_day[day_of_step, self._slot]
        if self.material.added_kwh is not None:
            load_kwh = load_kwh + self.material.added_kwh
        if self.material.pv_times is not None:
            pv_kwh = pv_kwh * self.material.pv_times
        return Year(
            load_kwh * variant.load_factor,
            pv_kwh * variant.pv_factor,
            variant.weight,
            tuple(self._date[number] for number in day),
        )

    def _week_for(
        self, monday: date, fold: int | None, variant: Variant, luck: np.random.Generator
    ) -> int:
        is_any = fold is None or not self.has_folds
        allowed = np.ones(len(self._weeks), dtype=bool) if is_any else self._fold == fold
        apart = days_apart(self._place, _place_in_year(monday))
        if not variant.resampled:
            return self._nearest(monday, allowed, apart)
        near = np.flatnonzero(allowed & (apart <= REACH_DAYS))
        if not len(near):
            least = float(apart[allowed].min())
            near = np.flatnonzero(allowed & (apart <= least + BEYOND_REACH_DAYS))
        weight = np.array(self._weight)[near]
        if np.ptp(weight) == 0:
            return int(near[luck.integers(len(near))])
        return int(luck.choice(near, p=weight / weight.sum()))

    def _nearest(self, monday: date, allowed: BoolArray, apart: FloatArray) -> int:
        """Return a week itself, or else the nearest allowed one, of the same month if there is one.

        A bad day then counts in the month in which it was metered, and hardly in any other.
        """
        if monday in self._monday and allowed[own := self._monday.index(monday)]:
            return own
        other_month = np.array([_month(each) != _month(monday) for each in self._monday])
        older = AGE_DAYS * np.log2(max(self._weight) / np.array(self._weight))
        far = np.where(allowed, apart + other_month * REACH_DAYS + older, np.inf)
        return int(far.argmin())


def days_apart(place: FloatArray, other: float) -> FloatArray:
    """Return how far days of the year are from another, or from the day that is as long. [days]"""

    def around(days: FloatArray) -> FloatArray:
        days = np.abs(days) % DAYS_PER_YEAR
        return np.minimum(days, DAYS_PER_YEAR - days)

    mirrored = around(2 * MIRROR_DAY - place - other)
    return np.minimum(around(place - other), mirrored + MIRROR_DAYS)


def _without_holidays(week: Sequence[date], holidays: set[date]) -> list[int]:
    """Return for each weekday the one to take.

    Of a holiday from Monday to Friday it is a near workday, of one on a Saturday the Sunday.
    """
    free = [number for number, day in enumerate(week) if day not in holidays]
    taken = []
    for number in range(7):
        like = [other for other in free if (other < SATURDAY) == (number < SATURDAY)]
        is_kept = number == SUNDAY or number in free or not like
        taken.append(number if is_kept else min(like, key=lambda other: abs(other - number)))
    return taken


def _month(monday: date) -> int:
    """Return the month in which most of a week lies."""
    return (monday + timedelta(days=3)).month


def _place_in_year(monday: date) -> float:
    """Return the day of the year of a week's Thursday."""
    return float((monday + timedelta(days=3)).timetuple().tm_yday)


def by_day(values: FloatArray, grid: TimeGrid) -> FloatArray:
    """Return values by day and clock slot, shape (D, slots).

    Where clocks go forward the missing slots take the value before; where they go back the first
    of the two counts.
    """
    slot: IntArray = grid.minute_of_day // grid.step_minutes
    table = np.full((len(grid.dates), clock_slots(grid.step_minutes)), np.nan)
    _, first = np.unique(grid.day * table.shape[1] + slot, return_index=True)
    table[grid.day[first], slot[first]] = values[first]
    for column in range(1, table.shape[1]):
        gap = np.isnan(table[:, column])
        table[gap, column] = table[gap, column - 1]
    return np.asarray(np.nan_to_num(table))
