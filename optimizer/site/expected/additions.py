"""What is laid on top of a forecast: a car, a heat pump, another use, more PV. Each stays visible.

Read next: ``build``.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Any

import numpy as np
from numpy.typing import NDArray

from optimizer.calendar import (
    HOLIDAY,
    Holidays,
    When,
    day_kinds,
    hours_of_span,
    minutes_in_spans,
    read_span,
)
from optimizer.site.expected.recipe import Addition, Car, HeatPump, MorePv, OtherUse
from optimizer.timegrid import BoolArray, FloatArray, IntArray, TimeGrid

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

    Hours that run over midnight belong to the day on which they begin.
    """
    begin, _ = read_span(use.hours)
    inside = minutes_in_spans([use.hours])[grid.minute_of_day]
    is_after_midnight = inside & (grid.minute_of_day < begin)
    day = grid.day - is_after_midnight
    kinds = np.array(day_kinds(grid.dates, holidays))
    mask = When(days=use.days).day_kind_mask()
    if "holidays" not in use.days:  # a weekday that is a holiday stays a weekday for a car
        plain = np.array([d.weekday() for d in grid.dates])
        kinds = np.where(kinds == HOLIDAY, plain, kinds)
    used = there & mask[kinds]
    inside &= (day >= 0) & used[np.maximum(day, 0)]
    day = np.where(inside, np.maximum(day, 0), 0)
    steps = np.bincount(day[inside], minlength=len(used))
    load = np.zeros(grid.count)
    if use.power_kw is None:
        load[inside] = (
            use.kwh_per_day * grid.step_h / _whole_hours(use, steps * grid.step_h)[day[inside]]
        )
        return load
    order = np.flatnonzero(inside)
    first_of_day = np.flatnonzero(np.diff(day[order], prepend=-1))
    place = np.arange(len(order)) - np.repeat(
        first_of_day, np.diff(first_of_day, append=len(order))
    )
    each = use.power_kw * grid.step_h
    load[order] = np.clip(use.kwh_per_day - place * each, 0.0, each)
    return load


def _whole_hours(use: Car | OtherUse, hours: NDArray[Any]) -> NDArray[Any]:
    """Return how long a use lasts on each day; a day that the grid cuts counts as if it were whole."""
    length = hours_of_span(use.hours)
    return np.where(np.abs(hours - length) <= 1.0, hours, length)


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
