"""Runs settings through a forecast step by step, as the equipment would: with no foresight.

What the equipment does in a step, in this order:

1. PV serves the building first; only in a ``charge`` window it fills the battery first.
2. PV surplus is stored, then exported, and what may not be exported is not used.
3. The window's action moves the battery within power, level and inverter limits.
4. Import above the window's cap, or above the connection's limit, first reduces charging; then the
   battery meets it, down to the floor. What is still too much is counted as overload.

The kernel is compiled by numba and is plain Python without it (``step_through.py_func``).
Read next: ``search``.
"""

from __future__ import annotations

import math
import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from optimizer.flows import Flows
from optimizer.settings.windows import Settings, Window, weekdays_of
from optimizer.site.equipment import Plant
from optimizer.timegrid import FloatArray, IntArray, TimeGrid, clock_slots
from optimizer.units import ENERGY_TOLERANCE_KWH


def _compiled_cache() -> None:
    """Let compiled code be kept in the user's cache folder, not beside the installed package."""
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    os.environ.setdefault("NUMBA_CACHE_DIR", str(Path(base) / "tariffwright"))


_compiled_cache()

from numba import njit  # noqa: E402 - numba reads the cache folder when it is imported

CHARGE, HOLD, COVER, SELL = range(4)
ACTION_CODE = {"charge": CHARGE, "hold": HOLD, "cover": COVER, "sell": SELL}

IMPORT, EXPORT, CHARGED, DISCHARGED, PV_USED, LOSS, STORED, OVERLOAD = range(8)
"""Rows of what a replay writes down, each with a value for every step."""


class Numbers(NamedTuple):
    """A plant as energies per step, for the kernel. [kWh]"""

    low: float
    high: float
    charge: float
    discharge: float
    eta_charge: float
    eta_discharge: float
    kept: float
    ac: float
    eta_ac: float
    eta_dc: float
    pv_on_dc: bool
    pv_own_ac: float
    import_limit: float
    export_limit: float
    may_charge_from_grid: bool
    may_export_stored: bool

    @classmethod
    def of(cls, plant: Plant, step_h: float) -> Numbers:
        """Return the kernel's numbers of a plant for steps of a length."""
        return cls(
            plant.low_kwh, plant.high_kwh, plant.charge_kw * step_h, plant.discharge_kw * step_h,
            plant.charge_efficiency, plant.discharge_efficiency, plant.kept_per_step(step_h),
            plant.ac_limit_kw * step_h, plant.to_ac_efficiency, plant.to_dc_efficiency,
            plant.pv_on_dc_side, plant.pv_ac_limit_kw * step_h, plant.import_limit_kw * step_h,
            plant.export_limit_kw * step_h, plant.may_charge_from_grid, plant.may_export_stored,
        )  # fmt: skip


class Orders(NamedTuple):
    """What holds in each step: a row of ``table`` for each window, row 0 for outside windows.

    ``table`` has the columns action, target, floor, grid, power and cap, energies in kWh per step;
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


@njit(cache=True)  # type: ignore[untyped-decorator]
def step_through(  # noqa: C901, PLR0912, PLR0915 - one loop, in the order of the module's list
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    table: FloatArray,
    of_step: IntArray,
    n: Numbers,
    start_kwh: float,
    out: FloatArray,
) -> None:
    """Run every step and write flows, stored energy and overload to ``out``, shape (8, T)."""
    stored = start_kwh
    ac_as_dc = n.ac / n.eta_ac
    for t in range(len(load_kwh)):
        row = of_step[t]
        action = int(table[row, 0])
        target, floor = table[row, 1], table[row, 2]
        grid, power = table[row, 3], table[row, 4]
        load, pv = load_kwh[t], pv_kwh[t]
        if not n.may_charge_from_grid:
            grid = 0.0
        allowed = min(table[row, 5], n.import_limit)
        stored = n.low + n.kept * (stored - n.low)
        room = min(n.charge, max(n.high - stored, 0.0) / n.eta_charge)
        above_low = min(n.discharge, max(stored - n.low, 0.0) * n.eta_discharge)
        above_floor = min(n.discharge, max(stored - floor, 0.0) * n.eta_discharge)

        # What the battery would have to give (+) or could take (−) for no import and no export,
        # at its terminals, and how much more than the PV the inverter lets through.
        if n.pv_on_dc:
            surplus = pv - min(load / n.eta_ac, ac_as_dc)
            need = load / n.eta_ac - pv
            need_at_cap = (load - allowed) / n.eta_ac - pv
            most_out = max(ac_as_dc - pv, 0.0)
        else:
            pv = min(pv, n.pv_own_ac)
            surplus = min((pv - load) * n.eta_dc, n.ac * n.eta_dc)
            need = (load - pv) / n.eta_ac
            need_at_cap = (load - pv - allowed) / n.eta_ac
            most_out = ac_as_dc

        charge = 0.0
        discharge = 0.0
        if action == SELL:
            # Sold energy may not push the export beyond its limit, nor leave at all if forbidden.
            if n.pv_on_dc:
                to_limit = (n.export_limit + load) / n.eta_ac - pv
            else:
                to_limit = (n.export_limit + load - pv) / n.eta_ac
            if not n.may_export_stored:
                to_limit = min(to_limit, need)
            discharge = max(min(power / n.eta_ac, above_floor, most_out, to_limit), 0.0)
            if discharge == 0.0 and to_limit < 0.0 and surplus > 0.0:
                beyond = -to_limit if n.pv_on_dc else -to_limit * n.eta_ac * n.eta_dc
                charge = min(beyond, surplus, room)
        else:
            charge = max(min(surplus, room), 0.0)
            if action == CHARGE and stored < target:
                want = min(room, (target - stored) / n.eta_charge)
                if n.pv_on_dc:
                    filled = min(want, pv + min(grid, n.ac) * n.eta_dc)
                else:
                    filled = min(want / n.eta_dc, pv + grid, n.ac) * n.eta_dc
                charge = max(charge, filled)
            elif action == COVER:
                discharge = max(min(need, above_floor, most_out), 0.0)

        # Import above the cap first reduces charging; then the battery meets it.
        if charge > 0.0:
            if n.pv_on_dc:
                if load > allowed:
                    most_in = pv - (load - allowed) / n.eta_ac
                else:
                    most_in = pv + (allowed - load) * n.eta_dc
            else:
                most_in = (allowed + pv - load) * n.eta_dc
            charge = max(min(charge, most_in), 0.0)
        if charge == 0.0 and need_at_cap > discharge:
            discharge = max(discharge, min(need_at_cap, above_low, most_out))

        # Settle both buses: what is left over is exported, or else not taken from the PV.
        if n.pv_on_dc:
            through = pv + discharge - charge
            if through >= 0.0:
                inverted = min(through, ac_as_dc)
                beyond = n.eta_ac * inverted - load - n.export_limit
                if beyond > 0.0:
                    inverted -= beyond / n.eta_ac
                net = n.eta_ac * inverted - load
                out[PV_USED, t] = inverted + charge - discharge
                out[LOSS, t] = (1 - n.eta_ac) * inverted
            else:
                net = through / n.eta_dc - load
                out[PV_USED, t] = pv
                out[LOSS, t] = -through / n.eta_dc * (1 - n.eta_dc)
        else:
            net = pv + n.eta_ac * discharge - charge / n.eta_dc - load
            unused = max(net - n.export_limit, 0.0)
            net -= unused
            out[PV_USED, t] = pv - unused
            out[LOSS, t] = (1 - n.eta_ac) * discharge + charge * (1 / n.eta_dc - 1)
        out[IMPORT, t] = max(-net, 0.0)
        out[EXPORT, t] = max(net, 0.0)
        stored += n.eta_charge * charge - discharge / n.eta_discharge
        out[CHARGED, t] = charge
        out[DISCHARGED, t] = discharge
        out[STORED, t] = stored
        out[OVERLOAD, t] = max(-net - n.import_limit, 0.0)


def replay(
    plant: Plant,
    grid: TimeGrid,
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    settings: Settings,
    start_kwh: float,
) -> Replay:
    """Run settings through T steps of load and PV.

    Parameters
    ----------
    plant : Plant
        The equipment.
    grid : TimeGrid
        The T steps.
    load_kwh, pv_kwh : array
        Shape (T,), each ≥ 0. [kWh per step]
    settings : Settings
        The windows.
    start_kwh : float
        Stored energy before the first step. [kWh]

    Returns
    -------
    Replay
        What the meter, the battery and the PV would have seen.
    """
    orders = orders_of(settings, plant, grid)
    out = np.zeros((OVERLOAD + 1, grid.count))
    numbers = Numbers.of(plant, grid.step_h)
    step_through(load_kwh, pv_kwh, orders.table, orders.of_step, numbers, start_kwh, out)
    flows = Flows(
        grid, out[IMPORT], out[EXPORT], out[CHARGED], out[DISCHARGED], out[PV_USED], load_kwh,
        out[LOSS],
    )  # fmt: skip
    overload = float(out[OVERLOAD].sum())
    return Replay(
        flows=flows,
        stored_kwh=out[STORED],
        start_kwh=start_kwh,
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
    """Return what the settings order in each step; a step obeys the window at its beginning."""
    floor_kwh = plant.level_kwh(settings.floor_pct)
    rows = [order_row(None, plant, grid.step_h, floor_kwh)]
    of_step = np.zeros(grid.count, dtype=np.int64)
    slot = grid.minute_of_day // grid.step_minutes
    for season in settings.seasons:
        in_season = np.isin(grid.month, season.months)
        for day_set in season.day_sets:
            inside = in_season & np.isin(grid.weekday, weekdays_of(day_set))
            face = np.zeros(clock_slots(grid.step_minutes), dtype=np.int64)
            for window in day_set.windows:
                face[window.minutes()[:: grid.step_minutes]] = len(rows)
                rows.append(order_row(window, plant, grid.step_h, floor_kwh))
            of_step[inside] = face[slot[inside]]
    return Orders(np.array(rows), of_step)


def order_row(
    window: Window | None, plant: Plant, step_h: float, floor_kwh: float
) -> tuple[float, ...]:
    """Return a window as the kernel reads it: action, target, floor, grid, power, cap. [kWh]

    Without a window the equipment covers the net load down to the floor.
    """
    if window is None:
        return (COVER, plant.high_kwh, floor_kwh, 0.0, 0.0, math.inf)

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
    )


