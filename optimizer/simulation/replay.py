"""Runs settings through a forecast step by step, as the equipment would: with no foresight.

Read next: ``search.local_search``.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from optimizer.base.flows import Flows
from optimizer.base.timegrid import FloatArray, IntArray, TimeGrid, clock_slots
from optimizer.base.units import ENERGY_TOLERANCE_KWH
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import Settings, Window
from optimizer.simulation.replay_kernel import (
    CHARGED,
    DISCHARGED,
    EXPORT,
    IMPORT,
    LOSS,
    OVERLOAD,
    PV_USED,
    STORED,
    step_through,
)
from optimizer.simulation.step import ACTION_CODE, COVER, Numbers
from optimizer.site.equipment import Plant

NO_WINDOW = -1
"""Stands at a slot of a day in which no window holds."""


class Orders(NamedTuple):
    """What holds in each step: a row of ``table`` for each window, row 0 for outside windows.

    ``table`` has the columns that ``kernel`` names, energies in kWh per step;
    ``of_step`` has shape (T,).
    """

    table: FloatArray
    of_step: IntArray


@dataclass(frozen=True)
class Replay:
    """What settings lead to: flows, stored energy (T,), and what the equipment could not do.

    ``overload_kwh`` is import beyond the connection's limit that nothing could avoid.
    ``days_beyond_cycles`` counts days on which more was discharged than the cycles allow.
    """

    flows: Flows
    stored_kwh: FloatArray
    start_kwh: float
    overload_kwh: float
    days_beyond_cycles: int

    @property
    def before_kwh(self) -> FloatArray:
        """What is stored when each step begins, shape (T,). [kWh]"""
        return np.concatenate([[self.start_kwh], self.stored_kwh[:-1]])


def replay(horizon: Horizon, settings: Settings) -> Replay:
    """Run settings through a horizon step by step.

    Returns
    -------
    Replay
        What the meter, the battery and the PV would have seen.
    """
    plant, grid = horizon.plant, horizon.grid
    orders = orders_of(settings, plant, grid)
    out = np.zeros((OVERLOAD + 1, grid.count))
    step_through(
        horizon.load_kwh, horizon.pv_kwh, horizon.limits.kwh, grid.day, orders.table,
        orders.of_step, Numbers.of(plant, grid.step_h), horizon.start_kwh, out,
    )  # fmt: skip
    flows = Flows(
        grid, out[IMPORT], out[EXPORT], out[CHARGED], out[DISCHARGED], out[PV_USED],
        horizon.load_kwh, out[LOSS],
    )  # fmt: skip
    overload = float(out[OVERLOAD].sum())
    return Replay(
        flows=flows,
        stored_kwh=out[STORED],
        start_kwh=horizon.start_kwh,
        overload_kwh=overload if overload > ENERGY_TOLERANCE_KWH else 0.0,
        days_beyond_cycles=_days_beyond_cycles(plant, grid, out[DISCHARGED]),
    )


def _days_beyond_cycles(plant: Plant, grid: TimeGrid, discharge_kwh: FloatArray) -> int:
    if plant.cycles_per_day is None:
        return 0
    allowed = plant.cycles_per_day * plant.capacity_kwh
    of_day = np.bincount(grid.day, weights=discharge_kwh)
    return int((of_day > allowed * (1 + 1e-9) + ENERGY_TOLERANCE_KWH).sum())


def orders_of(settings: Settings, plant: Plant, grid: TimeGrid) -> Orders:
    """Return what the settings order in each step; a step obeys the window at its beginning.

    Equal windows of several day sets share a row: one that runs over midnight goes on from Friday
    to Saturday. A window that begins on a day comes before one that goes on from the day before.
    """
    base_kwh = plant.level_kwh(settings.floor_pct)
    rows = [order_row(None, plant, grid.step_h, base_kwh)]
    row_of: dict[tuple[float, ...], int] = {}
    of_step = np.zeros(grid.count, dtype=np.int64)
    slot = grid.minute_of_day // grid.step_minutes
    goes_on = int(settings.after_midnight == "next day")
    for season in settings.seasons:
        in_season = np.isin(grid.month, season.months)
        floor_kwh, outside = base_kwh, 0
        if season.floor_pct is not None:
            floor_kwh, outside = max(plant.level_kwh(season.floor_pct), base_kwh), len(rows)
            rows.append(order_row(None, plant, grid.step_h, floor_kwh, outside))
        begun = np.full((7, clock_slots(grid.step_minutes)), NO_WINDOW)
        went_on = begun.copy()
        for day_set in season.day_sets:
            days = np.array(day_set.weekdays)
            later = (days + goes_on) % 7
            for window in day_set.windows:
                row = order_row(window, plant, grid.step_h, floor_kwh, outside)
                number = row_of.setdefault((window.begin, window.finish, *row), len(rows))
                if number == len(rows):
                    rows.append(row)
                small = window.small_hours()[:: grid.step_minutes]
                begun[np.ix_(days, window.minutes()[:: grid.step_minutes] & ~small)] = number
                went_on[np.ix_(later, small)] = number
        begun[begun == NO_WINDOW] = went_on[begun == NO_WINDOW]
        begun[begun == NO_WINDOW] = outside
        of_step[in_season] = begun[grid.weekday[in_season], slot[in_season]]
    return Orders(np.array(rows), of_step)


def order_row(
    window: Window | None, plant: Plant, step_h: float, floor_kwh: float, outside: int = 0
) -> tuple[float, ...]:
    """Return a window as the kernel reads it, in the columns that it names. [kWh]

    Without a window the equipment covers the net load down to the floor. ``outside`` is the row that
    holds outside windows.
    """
    if window is None:
        return (COVER, plant.high_kwh, floor_kwh, 0.0, 0.0, math.inf, 0.0, floor_kwh, outside)

    def per_step(power_kw: float | None, otherwise: float) -> float:
        return otherwise if power_kw is None else power_kw * step_h

    until, down_to = window.until_pct, window.down_to_pct
    return (
        ACTION_CODE[window.action],
        plant.high_kwh if until is None else plant.level_kwh(until),
        floor_kwh if down_to is None else max(plant.level_kwh(down_to), floor_kwh),
        per_step(window.grid_kw, plant.charge_kw * step_h / plant.to_dc_efficiency),
        per_step(window.power_kw, plant.discharge_kw * step_h),
        per_step(window.import_cap_kw, math.inf),
        float(window.whole_day),
        floor_kwh,
        outside,
    )
