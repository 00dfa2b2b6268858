"""How good a forecast is, told by the past: made from the first part, held against the rest.

Beside it stand two forecasts that anybody can make: the last week again and again, and the mean day of
each month. Errors are told in energy, in monthly peaks, and in the money lost by planning on them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.forecasting.ensemble import monthly_net_peaks_kw
from optimizer.forecasting.weeks import by_day
from optimizer.metering.forecast import Forecast
from optimizer.settings.windows import Settings

FIRST_SHARE = 2 / 3
"""How much of the metered days a forecast is made from; the rest is kept for holding it against."""

LEAST_DAYS = 42
"""Fewer metered days than this are not divided."""


@dataclass(frozen=True)
class Tried:
    """A forecast held against what was metered.

    ``load_error_kwh`` and ``pv_error_kwh`` are means of the absolute errors of days, ``peak_error_kw``
    that of the highest net power of months. ``cost`` is what its settings cost on the metered days,
    ``lost`` how much more that is than what the cheapest plan, made with hindsight, costs there.
    """

    name: str
    load_error_kwh: float
    pv_error_kwh: float
    peak_error_kw: float
    settings: Settings
    cost: float
    lost: float


@dataclass(frozen=True)
class BackTest:
    """All forecasts of one test, ours first, and what no windows and the cheapest plan cost."""

    first_part: tuple[date, date]
    rest: tuple[date, date]
    tried: tuple[Tried, ...]
    no_windows: float
    plan: float
    notes: tuple[str, ...] = ()


def divided(series: Forecast) -> tuple[Forecast, Forecast]:
    """Return the first part of a metered series and the rest, cut at the beginning of a month.

    Raises
    ------
    SeriesError
        If it is too short to be divided.
    """
    dates = series.grid.dates
    if len(dates) < LEAST_DAYS:
        raise SeriesError(
            f"only {len(dates)} days were metered; {LEAST_DAYS} are needed to hold a forecast against"
            " a part of them",
            where="the meters",
            mend="Give more days: best a year or more.",
        )
    wanted = round(FIRST_SHARE * len(dates))
    firsts = [n for n, day in enumerate(dates) if day.day == 1 and 14 <= n <= len(dates) - 14]
    cut = min(firsts, key=lambda n: abs(n - wanted), default=wanted)
    step = int(np.searchsorted(series.grid.day, cut))
    return series.part(0, step), series.part(step, series.grid.count - step)


def last_week_again(past: Forecast, grid: TimeGrid) -> Forecast:
    """Return a forecast in which every day goes like the same weekday of the last metered week."""
    load, pv = (by_day(values, past.grid) for values in (past.load_kwh, past.pv_kwh))
    last = past.grid.dates[-1]
    rows = []
    for day in grid.dates:
        back = last - timedelta(days=(last.weekday() - day.weekday()) % 7)
        rows.append(past.grid.dates.index(back))
    slot = grid.minute_of_day // grid.step_minutes
    row = np.array(rows)[grid.day]
    return Forecast(grid, load[row, slot], pv[row, slot])


def mean_day_of_month(past: Forecast, grid: TimeGrid) -> Forecast:
    """Return a forecast in which every day is the mean day of its month, or of the last one metered."""
    load, pv = (by_day(values, past.grid) for values in (past.load_kwh, past.pv_kwh))
    month = np.array([day.month for day in past.grid.dates])
    last = past.grid.dates[-1].month
    slot = grid.minute_of_day // grid.step_minutes
    both = []
    for values in (load, pv):
        of_month = {
            m: values[month == (m if (month == m).any() else last)].mean(axis=0)
            for m in range(1, 13)
        }
        table = np.array([of_month[day.month] for day in grid.dates])
        both.append(table[grid.day, slot])
    return Forecast(grid, both[0], both[1])


def before(series: Sequence[Forecast], rest: Forecast) -> list[Forecast]:
    """Return what of other series was metered before the rest begins."""
    begin = rest.grid.instants_s[0]
    counts = [(each, int((each.grid.instants_s < begin).sum())) for each in series]
    return [each.part(0, count) for each, count in counts if count]


def errors_of(members: Sequence[Forecast], actual: Forecast) -> tuple[float, float, float]:
    """Return the errors of a forecast in load and PV of days [kWh] and in monthly peaks [kW].

    Of several members the mean is held against the days, and the median against the peaks.
    """
    load, pv = (
        float(np.abs(_daily(members, name) - _daily([actual], name)).mean())
        for name in ("load_kwh", "pv_kwh")
    )
    peaks = np.median([monthly_net_peaks_kw(member) for member in members], axis=0)
    return load, pv, float(np.abs(peaks - monthly_net_peaks_kw(actual)).mean())


def _daily(members: Sequence[Forecast], name: str) -> FloatArray:
    sums = [np.bincount(each.grid.day, weights=getattr(each, name)) for each in members]
    return np.asarray(np.mean(sums, axis=0))
