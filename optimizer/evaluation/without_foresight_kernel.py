"""The compiled control without foresight: what each level is worth at each step, and the run forward.

Backward, what a level costs from a step on is the mean over days like it, each of which goes on in its
own class of sun; forward, each step takes the cheapest of a few orders, by what it costs now and what
the level that it leaves costs from there. All flows are those of ``simulation.step``.

Four levels decide. Where a kWh more in the battery saves less the fuller it is, the best thing to do is to
fill from the grid up to the level at which it saves as much as it costs, to store PV up to the level at
which it saves as much as it earns, to cover the building down to the level at which it saves as much
as the grid asks, and to sell down to the level at which it saves as much as it earns. So few orders
are tried at each level, and none of them needs a grid of powers. Read next: ``without_foresight``.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.simulation.step import (
    ACTION,
    CAP,
    CHARGE,
    COVER,
    ENTRY,
    FLOOR,
    GRID,
    IDLE,
    LOWEST,
    NO_CAP,
    OUTSIDE,
    POWER,
    REACHED_KWH,
    SELL,
    TARGET,
    WHOLE_DAY,
    Asked,
    Numbers,
    asked_of,
    is_resting,
    order_of,
    step,
)

COVERING, FILLING, SELLING, IDLING, ORDERS_TRIED = range(5)
"""Rows of the orders that are tried, and how many there are."""

OVERLOAD_COST, BEYOND_CYCLES_COST = 1000.0, 10.0
"""A kWh beyond the connection's limit, and one beyond a day's cycles, in money: as in the score."""

CHEAPER = 1e-12
"""Another order is taken only if it costs so much less."""


class Terms(NamedTuple):
    """Prices and limits of T steps, shape (T,), and the wear of a kWh. [money per kWh, kWh]

    ``floor`` is the lowest level of each step, ``day_discharge`` what a day's cycles allow; ``limits`` has
    shape (3, T), see ``site.limits.WAYS``; ``day`` and ``slot`` place a step on calendar and clock.
    """

    buy: FloatArray
    sell: FloatArray
    floor: FloatArray
    limits: FloatArray
    day: IntArray
    slot: IntArray
    wear: float
    day_discharge: float


class Days(NamedTuple):
    """Days like each day of the year, and what was known of the sun on them.

    ``load`` and ``pv``, shape (N, slots), hold N days; ``sun``, shape (N, slots + 1), what was known
    when each slot began, and at the end. The days like day d are ``like[first[d]:first[d + 1]]``.
    ``edges``, shape (D, slots, classes − 1), part them.
    """

    load: FloatArray
    pv: FloatArray
    sun: FloatArray
    like: IntArray
    first: IntArray
    edges: FloatArray


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def known_sun(pv_kwh: FloatArray, kept: float) -> FloatArray:
    """Return what is known of the sun when each of T steps begins, and after the last, shape (T + 1,).

    It is the PV so far, of which each step leaves a share. [kWh]
    """
    sun = np.zeros(len(pv_kwh) + 1)
    for t in range(len(pv_kwh)):
        sun[t + 1] = kept * sun[t] + pv_kwh[t]
    return sun


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def class_of(sun: float, edges: FloatArray) -> int:
    """Return how many edges lie below what is known of the sun."""
    found = 0
    for edge in edges:
        found += sun > edge
    return found


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def cost_at(level: float, cost: FloatArray, n: Numbers) -> float:
    """Return what a level costs from a step on, between the levels worked out. [money]"""
    last = len(cost) - 1
    place = (level - n.low) / (n.high - n.low) * last
    below = min(max(int(place), 0), last - 1)
    share = place - below
    between: float = (1 - share) * cost[below] + share * cost[below + 1]
    return between


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def best_level(price: float, cost: FloatArray, n: Numbers) -> float:
    """Return the level at which one more kWh saves as much as it costs; the lowest of equal ones. [kWh]"""
    best = 0
    for i in range(1, len(cost)):
        grown = (n.high - n.low) / (len(cost) - 1) * (i - best)
        if cost[i] + price * grown < cost[best] - CHEAPER:
            best = i
    return n.low + (n.high - n.low) / (len(cost) - 1) * best


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def write_rows(rows: FloatArray, t: int, cost: FloatArray, c: Terms, n: Numbers) -> float:
    """Write the orders to try at a step; return up to which level PV is worth storing. [kWh]"""
    to_battery, from_battery = n.eta_dc * n.eta_charge, n.eta_ac * n.eta_discharge
    floor = c.floor[t]
    buy, sell, wear = c.buy[t], c.sell[t], c.wear * n.eta_discharge
    rows[:] = 0.0
    for row in rows:
        row[TARGET], row[FLOOR], row[CAP] = n.high, floor, np.inf
        row[WHOLE_DAY], row[LOWEST], row[OUTSIDE], row[ENTRY] = 1.0, floor, t, t
    rows[COVERING, ACTION] = COVER
    rows[COVERING, FLOOR] = max(best_level(buy * from_battery - wear, cost, n), floor)
    rows[FILLING, ACTION] = CHARGE
    rows[FILLING, TARGET] = best_level(buy / to_battery, cost, n)
    rows[FILLING, GRID] = n.charge / n.eta_dc
    rows[SELLING, ACTION] = SELL
    rows[SELLING, FLOOR] = max(best_level(sell * from_battery - wear, cost, n), floor)
    rows[SELLING, POWER] = n.discharge
    rows[IDLING, ACTION] = IDLE
    stores_to: float = best_level(sell / to_battery, cost, n)
    return stores_to


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def best_order(  # noqa: PLR0913 - a state, what may be ordered there, and what follows
    rows: FloatArray, stores_to: float, stored: float, resting: bool, used: float, x: Asked,
    t: int, cost: FloatArray, c: Terms, n: Numbers,
) -> tuple[float, int, float, float]:  # fmt: skip
    """Return the least cost from a state on, the order that has it, and what moves.

    What moves is the level after it, and the discharge.
    """
    least, best, level, given = np.inf, -1, stored, 0.0
    beyond_floor = rows[SELLING, FLOOR] + REACHED_KWH
    for number in range(ORDERS_TRIED):
        if number == FILLING and stored >= rows[FILLING, TARGET] - REACHED_KWH:
            continue
        if number == SELLING and stored <= beyond_floor:
            continue
        if number == IDLING and (
            (stored <= stores_to and used < c.day_discharge) or stored >= n.high - REACHED_KWH
        ):
            continue
        order = order_of(rows[number], n)
        rests = is_resting(resting, stored, rows[number, FLOOR], n)
        capped = min(order.allowed, x.import_limit) < NO_CAP
        moved = step(order, stored, rests, x, n, capped, True)
        imported = max(-moved.net, 0.0)
        here = c.buy[t] * imported - c.sell[t] * max(moved.net, 0.0) + c.wear * moved.discharge
        here += OVERLOAD_COST * max(imported - x.import_limit, 0.0)
        beyond = min(used + moved.discharge - c.day_discharge, moved.discharge)
        here += BEYOND_CYCLES_COST * max(beyond, 0.0)
        whole = here + cost_at(moved.stored, cost, n)
        if whole < least - CHEAPER:
            least, best = whole, number
            level, given = moved.stored, moved.discharge
    return least, best, level, given


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def work_backward(days: Days, c: Terms, n: Numbers, cost: FloatArray) -> None:
    """Write what each class of sun and level costs from each step on.

    ``cost`` has shape (T + 1, classes, levels); the last step's is given. [money]
    """
    count, classes, levels = cost.shape
    rows = np.zeros((classes, ORDERS_TRIED, ENTRY + 1))
    stores_to = np.zeros(classes)
    seen = np.zeros(classes)
    level_kwh = np.linspace(n.low, n.high, levels)
    rests = n.restart < 0.0  # never; a constant here would have the orders compiled once more
    for t in range(count - 2, -1, -1):
        day, slot, then = c.day[t], c.slot[t], min(t + 1, count - 2)
        for k in range(classes):
            stores_to[k] = write_rows(rows[k], t, cost[t + 1, k], c, n)
        cost[t] = 0.0
        seen[:] = 0.0
        for i in range(days.first[day], days.first[day + 1]):
            like = days.like[i]
            now = class_of(days.sun[like, slot], days.edges[day, slot])
            next_class = class_of(days.sun[like, slot + 1], days.edges[c.day[then], c.slot[then]])
            x = asked_of(days.load[like, slot], days.pv[like, slot], c.limits, t, n)
            seen[now] += 1.0
            for j in range(levels):
                least, _, _, _ = best_order(
                    rows[next_class], stores_to[next_class], level_kwh[j], rests, 0.0, x, t,
                    cost[t + 1, next_class], c, n,
                )  # fmt: skip
                cost[t, now, j] += least
        for j in range(levels):
            whole = cost[t, :, j].sum() / seen.sum()
            for k in range(classes):
                cost[t, k, j] = cost[t, k, j] / seen[k] if seen[k] > 0.0 else whole


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def run_forward(  # noqa: PLR0913 - arrays in, arrays out
    load_kwh: FloatArray, pv_kwh: FloatArray, sun: FloatArray, edges: FloatArray, c: Terms,
    n: Numbers, start_kwh: float, cost: FloatArray, table: FloatArray,
) -> None:  # fmt: skip
    """Write the order taken in each step to ``table``, shape (T, columns), for the replay.

    ``sun`` has shape (T + 1,): what is known when each step begins, and after the last. What is known of
    a step is its load and PV, the class of sun and the level.
    """
    stored, resting, used = start_kwh, n.restart < 0.0, 0.0  # as above
    rows = np.zeros((ORDERS_TRIED, ENTRY + 1))
    last = len(load_kwh) - 1
    for t in range(last + 1):
        then = min(t + 1, last)
        k = class_of(sun[t + 1], edges[c.day[then], c.slot[then]])
        stores_to = write_rows(rows, t, cost[t + 1, k], c, n)
        x = asked_of(load_kwh[t], pv_kwh[t], c.limits, t, n)
        used = 0.0 if t > 0 and c.day[t] != c.day[t - 1] else used
        _, best, stored_after, given = best_order(
            rows, stores_to, stored, resting, used, x, t, cost[t + 1, k], c, n
        )
        resting = is_resting(resting, stored, rows[best, FLOOR], n)
        for column in range(ENTRY + 1):  # a row at once brings a message and its strings to compile
            table[t, column] = rows[best, column]
        stored = stored_after
        used += given
