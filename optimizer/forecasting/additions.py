"""What is laid on top of a forecast: a car, a heat pump, another use, more PV. Each stays visible.

Read next: ``build``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date

import numpy as np

from optimizer.base.calendar import (
    HOLIDAY,
    Holidays,
    When,
    day_kinds,
    hours_of_span,
    minutes_in_spans,
    read_span,
)
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray, TimeGrid
from optimizer.forecasting.recipe import Addition, Car, HeatPump, MorePv, OtherUse

COLDEST_DAY = 20
"""Day of the year around which it is coldest in the north (common practice, no published source)."""

DAYS = 365.25


@dataclass(frozen=True)
class Layer:
    """One thing that comes on top: its load, shape (T,), and by what PV is multiplied, shape (T,).

    ``times`` is that factor while it is there.
    """

    name: str
    load_kwh: FloatArray
    pv_times: FloatArray
    times: float = 1.0

    @property
    def added_kwh(self) -> float:
        """Load that is added over the whole forecast. [kWh]"""
        return float(self.load_kwh.sum())


def layer_of(
    addition: Addition,
    grid: TimeGrid,
    holidays: Holidays,
    typical_c: FloatArray | None,
    *,
    southern: bool,
) -> Layer:
    """Return what an addition comes to on T steps.

    ``typical_c`` is the mean temperature of each day of a typical year, shape (365,), where it is
    known. [°C]
    """
    there = _days_there(addition, grid)
    none, ones = np.zeros(grid.count), np.ones(grid.count)
    name = addition.name or addition.kind.replace("_", " ")
    match addition:
        case Car() | OtherUse():
            return Layer(name, _daily(addition, grid, holidays, there), ones)
        case HeatPump():
            return Layer(name, _heat(addition, grid, there, typical_c, southern=southern), ones)
        case MorePv():
            factor = np.where(there[grid.day], addition.times, 1.0)
            return Layer(name, none, factor, addition.times)


def _days_there(addition: Addition, grid: TimeGrid) -> BoolArray:
    """Return the days on which an addition is there, shape (D,)."""
    return np.array([
        (addition.first is None or day >= addition.first)
        and (addition.last is None or day <= addition.last)
        for day in grid.dates
    ])  # fmt: skip


def _daily(use: Car | OtherUse, grid: TimeGrid, holidays: Holidays, there: BoolArray) -> FloatArray:
    """Return so many kWh a day, with the power given from the first hour on, or evenly.

    Hours that run over midnight belong to the day on which they begin. A step that they cut takes its
    share.
    """
    begin, _ = read_span(use.hours)
    minutes = minutes_in_spans([use.hours]).reshape(-1, grid.step_minutes).mean(axis=1)
    share = minutes[grid.minute_of_day // grid.step_minutes]
    is_over_midnight = bool(minutes_in_spans([use.hours])[0]) and begin > 0
    is_after = is_over_midnight & (grid.minute_of_day + grid.step_minutes <= begin)
    day = grid.day - is_after
    kinds = np.array(day_kinds(grid.dates, holidays))
    if "holidays" not in use.days:  # a weekday that is a holiday stays a weekday for a car
        plain = np.array([d.weekday() for d in grid.dates])
        kinds = np.where(kinds == HOLIDAY, plain, kinds)
    used = there & When(days=use.days).day_kind_mask()[kinds]
    inside = (share > 0) & (day >= 0) & used[np.maximum(day, 0)]
    steps = np.flatnonzero(inside)
    hours = share[steps] * grid.step_h
    load = np.zeros(grid.count)
    if use.power_kw is None:
        load[steps] = use.kwh_per_day * hours / hours_of_span(use.hours)
        return load
    most = use.power_kw * hours
    before = np.cumsum(most) - most
    first = np.flatnonzero(np.diff(day[steps], prepend=-1))
    used_up = before - np.repeat(before[first], np.diff(first, append=len(steps)))
    load[steps] = np.clip(use.kwh_per_day - used_up, 0.0, most)
    return load


def _heat(
    pump: HeatPump,
    grid: TimeGrid,
    there: BoolArray,
    typical_c: FloatArray | None,
    *,
    southern: bool,
) -> FloatArray:
    """Return a year's electricity, shared by how cold each day is, evenly over the day.

    Without temperatures the cold half of the year is that of a cosine around the coldest day.
    """
    if typical_c is None:
        coldest = COLDEST_DAY + (DAYS / 2 if southern else 0.0)
        cold = np.maximum(np.cos((np.arange(1, 366) - coldest) / DAYS * 2 * np.pi), 0.0)
    else:
        cold = np.maximum(pump.base_c - typical_c, 0.0)
    share = cold / cold.mean() if cold.any() else np.ones(365)
    hot_water = pump.hot_water_pct / 100
    per_day = pump.kwh_per_year / DAYS * ((1 - hot_water) * share + hot_water)
    of_day = np.where(there, per_day[place_in_plain_year(grid.dates)], 0.0)
    return np.asarray(of_day[grid.day] * grid.day_share)


def place_in_plain_year(days: Sequence[date]) -> IntArray:
    """Return the place of days in a year of 365, from 0 on; 29 February goes like the 28th."""
    plain = [date(2023, d.month, min(d.day, 28) if d.month == 2 else d.day) for d in days]
    return np.array([day.timetuple().tm_yday - 1 for day in plain], dtype=np.int64)
