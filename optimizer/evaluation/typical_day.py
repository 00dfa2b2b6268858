"""The average day of a season: mean power, state of charge and prices by the clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from optimizer.base.flows import Flows
from optimizer.base.timegrid import BoolArray, FloatArray, TimeGrid, clock_slots
from optimizer.evaluation.comparison import Case
from optimizer.simulation.replay import Replay


@dataclass(frozen=True)
class TypicalDay:
    """Means over the days of a season, for each of S clock slots.

    ``power_kw`` holds one array of shape (S,) for each flow; ``soc_pct`` is the state of charge at
    the end of the slot, ``hour`` the slot's beginning. [kW, %, h]
    """

    hour: FloatArray
    power_kw: dict[str, FloatArray]
    soc_pct: FloatArray


SHOWN = ("load_kwh", "pv_used_kwh", "charge_kwh", "discharge_kwh", "import_kwh", "export_kwh")


ALL_WEEK = tuple(range(7))


def typical_day(
    case: Case | Replay, capacity_kwh: float, months: list[int], weekdays: Sequence[int] = ALL_WEEK
) -> TypicalDay:
    """Return the average day of a case, of some weekdays in some months.

    Parameters
    ----------
    case : Case or Replay
        Flows and stored energy of T steps.
    capacity_kwh : float
        What 100 % is. [kWh]
    months : list of int
        1 to 12; at least one lies in the grid.
    weekdays : sequence of int
        Monday is 0.
    """
    flows = case.flows
    grid = flows.grid
    inside = steps_of(grid, months, weekdays)
    return TypicalDay(
        hour=np.arange(clock_slots(grid.step_minutes), dtype=np.float64) * grid.step_h,
        power_kw={name: _mean(_energy(flows, name), grid, inside) / grid.step_h for name in SHOWN},
        soc_pct=100 * _mean(case.stored_kwh, grid, inside) / capacity_kwh,
    )


def mean_by_clock(
    values: FloatArray, grid: TimeGrid, months: list[int], weekdays: Sequence[int] = ALL_WEEK
) -> FloatArray:
    """Return the mean of values, shape (T,), for each clock slot of such days, shape (S,)."""
    return _mean(values, grid, steps_of(grid, months, weekdays))


def steps_of(grid: TimeGrid, months: list[int], weekdays: Sequence[int] = ALL_WEEK) -> BoolArray:
    """Return which steps lie on such weekdays of such months, shape (T,)."""
    return np.asarray(np.isin(grid.month, months) & np.isin(grid.weekday, weekdays))


def _energy(flows: Flows, name: str) -> FloatArray:
    return np.asarray(getattr(flows, name))


def _mean(values: FloatArray, grid: TimeGrid, inside: BoolArray) -> FloatArray:
    slots = clock_slots(grid.step_minutes)
    slot = (grid.minute_of_day // grid.step_minutes)[inside]
    sums = np.bincount(slot, weights=values[inside], minlength=slots)
    return np.asarray(sums / np.maximum(np.bincount(slot, minlength=slots), 1))
