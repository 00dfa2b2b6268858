"""The only physics: what the equipment does in one step, under one order.

In this order (where makers differ, ``site.behaviour`` decides):

1. PV serves the building first; only in a ``charge`` window it fills the battery first.
2. PV surplus is stored, then exported, and what may not be exported is not used.
3. The window's action moves the battery within power, level and inverter limits.
   Where the equipment idles outside windows, steps 2 and 3 do nothing to the battery.
4. Import above the window's cap, or above what rules and connection allow, first reduces charging; then the
   battery meets it, down to the lowest level allowed. What is still too much is overload.

Replay, score and outages are loops around these functions, which numba writes into each loop. They are
scalar and free of branches where lanes run side by side, so that a processor works on several at once:
every way a step can go is worked out, and each lane takes its own. All are plain Python underneath
(``.py_func``). A new behaviour of equipment is an edit here. Read next: ``replay_kernel``.
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numba import njit

from optimizer.base.timegrid import FloatArray
from optimizer.cost.expression import EDGE_SLACK
from optimizer.simulation.compiled_code import keep_compiled_code
from optimizer.site.equipment import Plant

keep_compiled_code(EDGE_SLACK)

CHARGE, HOLD, COVER, SELL, IDLE = range(5)
ACTION_CODE = {"charge": CHARGE, "hold": HOLD, "cover": COVER, "sell": SELL, "idle": IDLE}

ACTION, TARGET, FLOOR, GRID, POWER, CAP, WHOLE_DAY, LOWEST, OUTSIDE, ENTRY = range(10)
"""Columns of a table of orders. Energies in kWh per step; row 0 holds where nothing is typed in.

``LOWEST`` is the level down to which the battery may meet a cap: the floor of the season. [kWh]
``OUTSIDE`` is the row that holds once a window has ended early: that outside windows in that season,
under the same limit. ``ENTRY`` is the same for rows of one window, under a limit beside it or not.
"""

NO_CAP = 1e8
"""Import limits above this do not bind. [kWh per step]"""

REACHED_KWH = 1e-9
"""A level this near is reached."""


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
    may_export_stored: bool
    pv_charges_first: bool
    export_first: bool
    cap_uses_battery: bool
    ends_at_target: bool
    restart: float
    standby: float
    running_loss: float
    least: float
    slowed: float
    slow_end: float

    @classmethod
    def of(cls, plant: Plant, step_h: float) -> Numbers:
        """Return the kernel's numbers of a plant for steps of a length. [kWh per step]"""
        habits = plant.behaviour
        return cls(
            plant.low_kwh, plant.high_kwh, plant.charge_kw * step_h, plant.discharge_kw * step_h,
            plant.charge_efficiency, plant.discharge_efficiency, plant.kept_per_step(step_h),
            plant.ac_limit_kw * step_h, plant.to_ac_efficiency, plant.to_dc_efficiency,
            plant.pv_on_dc_side, plant.pv_ac_limit_kw * step_h, plant.may_export_stored,
            habits.pv_charges_first, habits.surplus_first == "export",
            habits.cap_uses_battery, habits.at_target == "ends",
            habits.floor_restart_pct / 100 * plant.capacity_kwh, habits.standby_kw * step_h,
            habits.running_loss_kw * step_h, habits.least_power_kw * step_h,
            *_slowing(plant, step_h),
        )  # fmt: skip


def _slowing(plant: Plant, step_h: float) -> tuple[float, float]:
    """Return what share of the way to which level a step charges at most, where charging slows.

    Power that falls linearly with the level lets it near a level, at or above a full battery, by the
    same share in each step, however long steps are. The share is that of a charge at the battery's
    terminals: divided by the efficiency. [1, kWh]
    """
    habits, capacity = plant.behaviour, plant.capacity_kwh
    if not habits.slows or not plant.charge_kw:
        return 1.0, np.inf
    begin = habits.slow_above_pct / 100 * capacity
    per_h = (1 - habits.slow_to_pct / 100) * plant.charge_kw / (capacity - begin)
    eta = plant.charge_efficiency
    return -math.expm1(-per_h * eta * step_h) / eta, begin + plant.charge_kw / per_h


class Asked(NamedTuple):
    """What a step asks for before the battery moves, at the battery's terminals. [kWh]

    ``load`` holds the standby of the equipment, ``pv`` is cut at the PV's own inverter. ``surplus`` is
    PV beyond the building, ``need`` what the battery would have to give for no import, ``most_out`` what
    the inverter still lets through, ``pv_first`` the PV that fills the battery outside charge windows.
    ``import_limit``, ``export_limit`` and ``fill_limit`` are what rules and connection allow, the last
    of what the grid may give to the battery, at its terminals in a hybrid plant.
    """

    load: float
    pv: float
    surplus: float
    need: float
    most_out: float
    pv_first: float
    import_limit: float
    export_limit: float
    fill_limit: float


class Order(NamedTuple):
    """What a window orders in a step, in a form in which all actions are worked out alike. [kWh]

    Does it sell (1 or 0), how much at most; how much may it cover; target and floor; what the grid may
    give, at the battery's terminals in a hybrid plant; the import cap, and the same at the battery's
    terminals; the level down to which a cap is met. Where an action has no use for one, a value stands
    there that changes nothing. ``stores`` is the PV surplus that may be stored: all or nothing.
    """

    sells: float
    sale: float
    covers: float
    up_to: float
    down_to: float
    bought: float
    allowed: float
    allowed_out: float
    not_below: float
    stores: float


ORDERS = len(Order._fields)
"""How many numbers an order has."""


class Moved(NamedTuple):
    """What came of a step: the level after it; charge and discharge at the battery's terminals. [kWh]

    ``net`` is export less import; what may not be exported is left out.
    """

    stored: float
    charge: float
    discharge: float
    net: float


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def asked_of(load: float, pv: float, limits: FloatArray, t: int, n: Numbers) -> Asked:
    """Return what step t asks for; ``limits`` has shape (3, T), see ``site.limits.WAYS``."""
    import_limit, export_limit, fill_limit = limits[0, t], limits[1, t], limits[2, t]
    load += n.standby
    ac_as_dc = n.ac / n.eta_ac
    if n.pv_on_dc:
        surplus = pv - min(load / n.eta_ac, ac_as_dc)
        need, most_out = load / n.eta_ac - pv, max(ac_as_dc - pv, 0.0)
    else:
        pv = min(pv, n.pv_own_ac)
        surplus = min((pv - load) * n.eta_dc, n.ac * n.eta_dc)
        need, most_out = (load - pv) / n.eta_ac, ac_as_dc
    if n.pv_charges_first:
        pv_first = pv if n.pv_on_dc else min(pv, n.ac) * n.eta_dc
    elif n.export_first:
        pv_first = min(beyond_limit(pv, need + export_limit / n.eta_ac, n), surplus)
    else:
        pv_first = surplus
    fill_limit = fill_limit * n.eta_dc if n.pv_on_dc else fill_limit
    return Asked(
        load, pv, surplus, need, most_out, pv_first, import_limit, export_limit, fill_limit
    )  # fmt: skip


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def beyond_limit(pv: float, to_limit: float, n: Numbers) -> float:
    """Return the PV that the inverter or the export does not take, at the battery's terminals. [kWh]

    ``to_limit`` is what the battery could give before the export's limit is reached.
    """
    if n.pv_on_dc:
        return max(-to_limit, pv - n.ac / n.eta_ac)
    return -to_limit * n.eta_ac * n.eta_dc


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def order_of(row: FloatArray, n: Numbers) -> Order:
    """Return a row of the table of orders as an order."""
    action = int(row[ACTION])
    grid, allowed = row[GRID], row[CAP]
    return Order(
        1.0 if action == SELL else 0.0,
        row[POWER] / n.eta_ac if action == SELL else 0.0,
        np.inf if action == COVER else 0.0,
        row[TARGET] if action == CHARGE else -np.inf,
        row[FLOOR],
        min(grid, n.ac) * n.eta_dc if n.pv_on_dc else grid,
        allowed,
        allowed / n.eta_ac,
        row[LOWEST],
        0.0 if action == IDLE else np.inf,
    )


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def write_order(orders: FloatArray, column: int, row: FloatArray, n: Numbers) -> None:
    """Write a row of the table of orders to a column of ``orders``, shape (ORDERS, columns)."""
    for place, value in enumerate(order_of(row, n)):
        orders[place, column] = value


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def order_in(o: FloatArray, i: int) -> Order:
    """Return the order in a column of an array, shape (ORDERS, columns)."""
    return Order(
        o[0, i], o[1, i], o[2, i], o[3, i], o[4, i], o[5, i], o[6, i], o[7, i], o[8, i], o[9, i]
    )  # fmt: skip


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def idle(stored: float, n: Numbers) -> float:
    """Return what standing losses leave of the stored energy in a step. [kWh]"""
    return n.low + n.kept * (stored - n.low)


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def charge_to(level: float, stored: float, n: Numbers) -> float:
    """Return what must be charged to reach a level, the loss of running included. [kWh]"""
    missing = max(level - stored, 0.0)
    missing = missing + n.running_loss if missing > REACHED_KWH else missing
    return missing / n.eta_charge


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def slow_charge(stored: float, n: Numbers) -> float:
    """Return what a step charges at most where charging slows near full. [kWh]"""
    return n.slowed * (n.slow_end - stored)


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def room_in(stored: float, n: Numbers) -> float:
    """Return how much the battery takes in a step. [kWh]"""
    room: float = min(min(n.charge, slow_charge(stored, n)), charge_to(n.high, stored, n))
    return room


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def given_down_to(floor: float, stored: float, n: Numbers) -> float:
    """Return how much the level above a floor gives, the loss of running taken off. [kWh]"""
    return max(stored - floor - n.running_loss, 0.0) * n.eta_discharge


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def most_sold(x: Asked, n: Numbers) -> float:
    """Return what the battery may give before the export's limit is reached. [kWh]"""
    return x.need + (x.export_limit / n.eta_ac if n.may_export_stored else 0.0)


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def most_in_under(allowed: float, x: Asked, n: Numbers) -> float:
    """Return how much charging keeps the import at what is allowed; below zero if none does. [kWh]"""
    if n.pv_on_dc:
        past_building = x.pv + (allowed - x.load) * n.eta_dc
        left_over = x.pv - min((x.load - allowed) / n.eta_ac, n.ac / n.eta_ac)
        most_in: float = left_over if x.load > allowed else past_building
    else:
        most_in = (allowed + x.pv - x.load) * n.eta_dc
    return most_in


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def level_after(stored: float, charge: float, discharge: float, n: Numbers, alone: bool) -> float:
    """Return the stored energy after a step. [kWh]"""
    if not alone or charge > 0.0:
        risen = stored + max(n.eta_charge * charge - n.running_loss, 0.0)
        stored = risen if charge > 0.0 else stored
    if not alone or discharge > 0.0:
        fallen = stored - (discharge / n.eta_discharge + n.running_loss)
        stored = fallen if discharge > 0.0 else stored
    return stored


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def net_export(x: Asked, charge: float, discharge: float, n: Numbers, alone: bool) -> float:
    """Return export less import of a step; what may not be exported is left out. [kWh]"""
    if n.pv_on_dc:
        through = x.pv + discharge - charge
        net = n.eta_ac * min(through, n.ac / n.eta_ac) - x.load
        if not alone or through < 0.0:
            inward = through / n.eta_dc - x.load
            net = net if through >= 0.0 else inward
    else:
        net = x.pv + n.eta_ac * discharge - charge / n.eta_dc - x.load
    bounded: float = min(net, x.export_limit)
    return bounded


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def step(
    order: Order, stored: float, resting: bool, x: Asked, n: Numbers, capped: bool, alone: bool
) -> Moved:  # fmt: skip
    """Return what comes of a step.

    ``capped`` says whether a limit of import could bind. One step ``alone`` branches around what makes
    no difference; side by side with others it may not. Both are written out where this is used, so that
    the compiler leaves out what they leave out.
    """
    stored = idle(stored, n)
    bought = min(order.bought, x.fill_limit)
    usable = given_down_to(order.down_to, stored, n)
    above_floor = min(min(n.discharge, 0.0 if resting else usable), x.most_out)

    charge = 0.0
    if not alone or x.pv_first > 0.0:
        charge = max(min(min(x.pv_first, order.stores), room_in(stored, n)), 0.0)
        charge = 0.0 if charge < n.least else charge
    if not alone or order.up_to > stored:
        want = min(room_in(stored, n), charge_to(order.up_to, stored, n))
        if n.pv_on_dc:
            filled = min(want, x.pv + bought)
        else:
            filled = min(min(want / n.eta_dc, x.pv + bought), n.ac) * n.eta_dc
        charge = max(charge, filled)
    discharge = 0.0
    if not alone or charge == 0.0:
        cover = max(min(min(x.need, above_floor), order.covers), 0.0)
        discharge = 0.0 if charge > 0.0 else cover
    if not alone or order.sells > 0.0:
        # Sold energy may not push the export beyond its limit; if none can be, PV beyond is stored.
        to_limit = most_sold(x, n)
        sold = max(min(min(order.sale, above_floor), to_limit), 0.0)
        fill = max(min(min(beyond_limit(x.pv, to_limit, n), x.surplus), room_in(stored, n)), 0.0)
        fill = 0.0 if sold > 0.0 else fill
        charge = fill if order.sells > 0.0 else charge
        discharge = sold if order.sells > 0.0 else discharge

    # Import above the cap first reduces charging; then the battery meets it.
    if capped:
        allowed = min(order.allowed, x.import_limit)
        charge = max(min(charge, most_in_under(allowed, x, n)), 0.0)
        above_low = given_down_to(order.not_below, stored, n)
        allowed_out = min(order.allowed_out, x.import_limit / n.eta_ac)
        to_cap = min(min(x.need - allowed_out, n.discharge), above_low)
        helped = max(discharge, min(to_cap, x.most_out))
        helps = n.cap_uses_battery and charge == 0.0
        discharge = helped if helps else discharge
    charge = charge if charge >= n.least else 0.0
    discharge = discharge if discharge >= n.least else 0.0
    net = net_export(x, charge, discharge, n, alone)
    return Moved(level_after(stored, charge, discharge, n, alone), charge, discharge, net)


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def is_resting(resting: bool, stored: float, floor: float, n: Numbers) -> bool:
    """Tell whether the battery rests at its floor until its level has risen again.

    A full battery rests no longer, even if there is no room to rise by so much.
    """
    if stored <= floor + REACHED_KWH:
        return n.restart > 0.0
    return resting and stored < min(floor + n.restart, n.high) - REACHED_KWH


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def ended_entry(
    ended: int, row: int, stored: float, table: FloatArray, new_day: bool, n: Numbers
) -> int:
    """Return the entry of the charge window that has ended early, or −1.

    A level that so little is missing to, or so slowly, that the battery rests is reached. A window that
    holds the whole day begins again at midnight.
    """
    entry = int(table[row, ENTRY])
    if entry != ended or (new_day and table[row, WHOLE_DAY] > 0.0):
        ended = -1
    if table[row, ACTION] != CHARGE or row == 0:
        return ended
    missing = min(charge_to(table[row, TARGET], stored, n), slow_charge(stored, n))
    return entry if missing <= REACHED_KWH or missing < n.least else ended


@njit(cache=True, forceinline=True, error_model="numpy")  # type: ignore[untyped-decorator]
def row_now(ended: int, row: int, table: FloatArray) -> int:
    """Return the row that holds in a step: another one where its window has ended early."""
    return int(table[row, OUTSIDE]) if table[row, ENTRY] == ended else row
