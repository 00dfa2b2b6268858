"""The forecast as a set: plausible seasons side by side, and how far they spread.

Members are drawn with a seed, so that the same scenario gives the same set; each pairs load and PV of
the same real days, where both were metered.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.base.timegrid import FloatArray
from optimizer.forecasting.weeks import Variant, Weather
from optimizer.metering.forecast import Forecast

DRAWN = Variant(1.0)


MEMBERS, MEMBERS_SEED = 12, 1
"""How many plausible seasons a forecast is, and the seed they are drawn with, unless asked otherwise."""


@dataclass(frozen=True)
class Spread:
    """What one year in ten stays at or below, half of all years, and nine in ten."""

    p10: float
    p50: float
    p90: float

    @classmethod
    def of(cls, values: Sequence[float] | FloatArray) -> Spread:
        """Return the spread of values."""
        return cls(*(float(value) for value in np.percentile(values, (10, 50, 90))))


@dataclass(frozen=True)
class Ensemble:
    """Plausible seasons on the same steps, and the seed that they were drawn with."""

    members: tuple[Forecast, ...]
    seed: int

    def spread(self, figure: Callable[[Forecast], float]) -> Spread:
        """Return how a figure spreads over the members."""
        return Spread.of([figure(member) for member in self.members])


def ensemble_of(weather: Weather, count: int, seed: int) -> Ensemble:
    """Draw plausible seasons from the metered weeks.

    Parameters
    ----------
    weather : Weather
        The weeks, and the steps on which seasons are made.
    count : int
        How many; at least 1.
    seed : int
        The same seed draws the same.
    """
    luck = np.random.default_rng(seed)
    years = [weather.year(DRAWN, None, luck) for _ in range(count)]
    grid = weather.forecast.grid
    members = tuple(Forecast(grid, year.load_kwh, year.pv_kwh) for year in years)
    return Ensemble(members, seed)


def highest_load_kw(forecast: Forecast) -> float:
    """Return the highest mean load of a step. [kW]"""
    return float(forecast.load_kwh.max()) / forecast.grid.step_h


def highest_net_kw(forecast: Forecast) -> float:
    """Return the highest mean power of a step that PV leaves over of the load. [kW]"""
    return float((forecast.load_kwh - forecast.pv_kwh).max()) / forecast.grid.step_h


def monthly_net_peaks_kw(forecast: Forecast) -> FloatArray:
    """Return the highest power of each calendar month that PV leaves over, shape (months,). [kW]"""
    grid = forecast.grid
    month = np.array([12 * day.year + day.month for day in grid.dates])[grid.day]
    net = (forecast.load_kwh - forecast.pv_kwh) / grid.step_h
    return np.array([net[month == each].max() for each in np.unique(month)])
