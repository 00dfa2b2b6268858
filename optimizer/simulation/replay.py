"""Runs settings through a forecast step by step, as the equipment would: with no foresight.

Read next: ``search.local_search``.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np

from optimizer.base.flows import Flows
from optimizer.base.timegrid import FloatArray, IntArray, TimeGrid, clock_slots
from optimizer.base.units import ENERGY_TOLERANCE_KWH
from optimizer.scenario.horizon import Horizon
from optimizer.settings.menu import Outside
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
from optimizer.simulation.step import ACTION_CODE, CAP, ENTRY, OUTSIDE, Numbers
from optimizer.site.equipment import Plant

Row = tuple[float, ...]

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
    return replay_of(horizon, orders_of(settings, horizon.plant, horizon.grid))


def replay_of(horizon: Horizon, orders: Orders) -> Replay:
    """Run orders through a horizon step by step, whatever they come from."""
    plant, grid = horizon.plant, horizon.grid
    out = run_part(horizon, orders, slice(0, grid.count), horizon.start_kwh)
    flows = Flows(
        grid, out[IMPORT], out[EXPORT], out[CHARGED], out[DISCHARGED], out[PV_USED],
        horizon.load_kwh, out[LOSS], pv_to_ac=plant.pv_to_ac_efficiency,
    )  # fmt: skip
    overload = float(out[OVERLOAD].sum())
    return Replay(
        flows=flows,
        stored_kwh=out[STORED],
        start_kwh=horizon.start_kwh,
        overload_kwh=overload if overload > ENERGY_TOLERANCE_KWH else 0.0,
        days_beyond_cycles=_days_beyond_cycles(plant, grid, out[DISCHARGED]),
    )


def run_part(horizon: Horizon, orders: Orders, part: slice, start_kwh: float) -> FloatArray:
    """Run some steps from a level; return what ``replay_kernel`` writes down, shape (8, steps). [kWh]"""
    grid = horizon.grid
    out = np.zeros((OVERLOAD + 1, part.stop - part.start))
    step_through(
        horizon.load_kwh[part], horizon.pv_kwh[part],
        np.ascontiguousarray(horizon.limits.kwh[:, part]), grid.day[part], orders.table,
        orders.of_step[part], Numbers.of(horizon.plant, grid.step_h), start_kwh, out,
    )  # fmt: skip
    return out


def _days_beyond_cycles(plant: Plant, grid: TimeGrid, discharge_kwh: FloatArray) -> int:
    if plant.cycles_per_day is None:
        return 0
    allowed = plant.cycles_per_day * plant.capacity_kwh
    of_day = np.bincount(grid.day, weights=discharge_kwh)
    return int((of_day > allowed * (1 + 1e-9) + ENERGY_TOLERANCE_KWH).sum())


def orders_of(settings: Settings, plant: Plant, grid: TimeGrid) -> Orders:
    """Return what the settings order in each step; a step obeys the windows at its beginning.

    Equal windows of several day sets share a row: one that runs over midnight goes on from Friday
    to Saturday. A window that begins on a day comes before one that goes on from the day before. Where
    windows of several actions hold, the one of the first action in ``precedence`` does; a limit that is
    not named there holds beside the others.
    """
    base_kwh = plant.level_kwh(settings.floor_pct)
    table = OrderTable(order_row(None, plant, grid.step_h, base_kwh))
    of_step = np.zeros(grid.count, dtype=np.int64)
    minute, weekday = settings.clock_of(grid)
    slot = minute // grid.step_minutes
    for season in settings.seasons:
        in_season = np.isin(grid.month, season.months)
        floor_kwh, outside = base_kwh, 0
        beyond = settings.outside if any(part.windows for part in season.day_sets) else None
        if season.floor_pct is not None or beyond is not None:
            floor_kwh = max(plant.level_kwh(season.floor_pct or 0.0), base_kwh)
            outside = table.add(order_row(None, plant, grid.step_h, floor_kwh, beyond or "cover"))
        held = _Day(outside, settings, clock_slots(grid.step_minutes))
        for day_set in season.day_sets:
            for window in day_set.windows:
                row = order_row(window, plant, grid.step_h, floor_kwh, beyond or "cover")
                number = table.add_once((window.begin, window.finish, *row), row, outside)
                held.put(window, number, day_set.weekdays, grid.step_minutes)
        of_step[in_season] = held.rows(table)[weekday[in_season], slot[in_season]]
    return Orders(table.rows(), of_step)


class OrderTable:
    """A table of orders while it is made: the row for each window, and for each under a limit."""

    def __init__(self, as_it_comes: Row) -> None:
        self._rows = np.empty((64, ENTRY + 1))
        self._known: dict[tuple[object, ...], int] = {}
        self._count = 0
        self.add(as_it_comes)

    def add(self, row: Row) -> int:
        """Add a row that goes on as it is; return its number."""
        return self._append((*row, self._count, self._count))

    def add_once(self, key: tuple[object, ...], row: Row, outside: int) -> int:
        """Add the row of a window, unless it stands there; return its number."""
        number = self._known.setdefault((*key, outside), self._count)
        if number == self._count:
            self._append((*row, outside, number))
        return number

    def under(self, row: int, limit: int) -> int:
        """Return the row that does what one does, under the cap of another."""
        cap = float(self._rows[limit, CAP])
        outside = int(self._rows[row, OUTSIDE])
        if max(self._rows[row, CAP], self._rows[outside, CAP]) <= cap:
            return row
        key = ("under", row, cap)
        if key not in self._known:
            then = outside if outside == row else self.under(outside, limit)
            number = self._known[key] = self._count
            whole = self._rows[row].copy()
            whole[CAP] = min(whole[CAP], cap)
            whole[OUTSIDE] = number if then == row else then
            whole[ENTRY] = number if then == row else whole[ENTRY]
            self._append(tuple(whole))
        return self._known[key]

    def _append(self, row: Row) -> int:
        if self._count == len(self._rows):
            self._rows = np.concatenate([self._rows, np.empty_like(self._rows)])
        self._rows[self._count] = row
        self._count += 1
        return self._count - 1

    def rows(self) -> FloatArray:
        """Return the table, with the columns that ``step`` names."""
        return self._rows[: self._count]


class _Day:
    """What holds at each slot of each weekday of a season, while windows are put there."""

    def __init__(self, outside: int, settings: Settings, slots: int) -> None:
        self.outside, self.goes_on = outside, int(settings.after_midnight == "next day")
        self.ranks = tuple[str, ...](settings.precedence or ("any",))
        self._empty = np.full((7, slots), NO_WINDOW)
        self._layers: dict[str, tuple[IntArray, IntArray]] = {}

    def put(self, window: Window, row: int, weekdays: Sequence[int], step_minutes: int) -> None:
        """Put a window's row where it holds: what begins on a day, and what goes on from before."""
        layer = window.action if window.action in {"limit", *self.ranks} else "any"
        begun, went_on = self._layers.setdefault(layer, (self._empty.copy(), self._empty.copy()))
        days = np.array(weekdays)
        small = window.small_hours()[::step_minutes]
        begun[np.ix_(days, window.minutes()[::step_minutes] & ~small)] = row
        went_on[np.ix_((days + self.goes_on) % 7, small)] = row

    def rows(self, table: OrderTable) -> IntArray:
        """Return the row that holds, shape (7, slots)."""
        held = np.full(self._empty.shape, self.outside)
        for action in reversed(self.ranks):
            if action in self._layers:
                begun, went_on = self._layers[action]
                held = np.where(
                    begun != NO_WINDOW, begun, np.where(went_on != NO_WINDOW, went_on, held)
                )
        if "limit" in self._layers and "limit" not in self.ranks:
            begun, went_on = self._layers["limit"]
            limits = np.where(begun != NO_WINDOW, begun, went_on)
            for place in zip(*np.nonzero(limits != NO_WINDOW), strict=True):
                held[place] = table.under(int(held[place]), int(limits[place]))
        return held


def order_row(
    window: Window | None,
    plant: Plant,
    step_h: float,
    floor_kwh: float,
    outside: Outside = "cover",
) -> Row:
    """Return a window as the kernel reads it, in the columns that it names up to ``LOWEST``. [kWh]

    Without a window the equipment does what it does ``outside``: it covers the net load down to the
    floor, holds or idles. A window that only limits does the same, under its cap.
    """

    def per_step(power_kw: float | None, otherwise: float) -> float:
        return otherwise if power_kw is None else power_kw * step_h

    cap = per_step(None if window is None else window.import_cap_kw, math.inf)
    if window is None or window.action == "limit":
        code = float(ACTION_CODE[outside])
        whole_day = 0.0 if window is None else float(window.whole_day)
        return (code, plant.high_kwh, floor_kwh, 0.0, 0.0, cap, whole_day, floor_kwh)
    until, down_to = window.until_pct, window.down_to_pct
    return (
        float(ACTION_CODE[window.action]),
        plant.high_kwh if until is None else plant.level_kwh(until),
        floor_kwh if down_to is None else max(plant.level_kwh(down_to), floor_kwh),
        per_step(window.grid_kw, plant.charge_kw * step_h / plant.to_dc_efficiency),
        per_step(window.power_kw, plant.discharge_kw * step_h),
        cap,
        float(window.whole_day),
        floor_kwh,
    )
