"""The compiled control without foresight: what each level is worth at each step, and the run forward.

Backward, what a level costs from a step on is the mean over days like it, each of which goes on in its
own class of sun; forward, each step takes the cheapest of a few orders, by what it costs now and what
the level that it leaves costs from there. All flows are those of ``simulation.step``.

Four levels decide. Where a kWh more in the battery saves less the fuller it is, the best thing to do is to
fill from the grid up to the level at which it saves as much as it costs, to store PV up to the level at
which it saves as much as it earns, to cover the building down to the level at which it saves as much
as the grid asks, and to sell down to the level at which it saves as much as it earns. So few orders
are tried at each level, and none of them needs a grid of powers.

Where highest powers are charged, the highest so far is part of the state, on a few *rungs*: on each the
step may import so much and no more, as its cap, and what a level costs is known for each. A step may
climb to any rung above; from there on up to it is free. So what a rung costs is the least of all from it
upwards, and a step is worked out once for each. Import beyond a cap that the battery could not avoid climbs
too. With one rung and no cap nothing is charged. Read next: ``without_foresight``.
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
    OUTSIDE,
    POWER,
    REACHED_KWH,
    SELL,
    TARGET,
    WHOLE_DAY,
    Asked,
    Numbers,
    Order,
    asked_of,
    is_resting,
    order_of,
    step,
)

COVERING, FILLING, SELLING, IDLING, ORDERS_TRIED = range(5)
"""Rows of the orders that are tried, and how many there are."""

(
    STORED, RESTING, RESTS, HERE, MOVED, DISCHARGED, IMPORTED,
    LEAST, BEST, LEVEL, GIVEN, TAKEN, STATES,
) = range(13)  # fmt: skip
"""Rows of what is known of each lane: its state, what one order does, the best so far; how many there are."""

OVERLOAD_COST, BEYOND_CYCLES_COST = 1000.0, 10.0
"""A kWh beyond the connection's limit, and one beyond a day's cycles, in money: as in the score."""

CHEAPER = 1e-12
"""Another order is taken only if it costs so much less."""


class Terms(NamedTuple):
    """Prices and limits of T steps, shape (T,), and the wear of a kWh. [money per kWh, kWh]

    ``floor`` is the lowest level of each step, ``day_discharge`` what a day's cycles allow; ``limits`` has
    shape (3, T), see ``site.limits.WAYS``; ``day`` and ``slot`` place a step on calendar and clock.
    ``caps``, shape (T, rungs), is the import of a step that no rung is left for, infinite where none
    counts; the stretch that ``ends`` with a step, or −1, costs its ``charge``, shape (stretches, rungs).
    """

    buy: FloatArray
    sell: FloatArray
    floor: FloatArray
    limits: FloatArray
    day: IntArray
    slot: IntArray
    caps: FloatArray
    ends: IntArray
    charge: FloatArray
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
def faded(kwh: FloatArray, kept: float) -> FloatArray:
    """Return what is known of a flow when each of T steps begins, and after the last, shape (T + 1,).

    It is the flow so far, of which each step leaves a share. [kWh]
    """
    known = np.zeros(len(kwh) + 1)
    for t in range(len(kwh)):
        known[t + 1] = kept * known[t] + kwh[t]
    return known


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def class_of(sun: float, edges: FloatArray) -> int:
    """Return how many edges lie below what is known of the sun."""
    found = 0
    for edge in edges:
        found += sun > edge
    return found


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def cost_at(level: float, rung: float, cost: FloatArray, n: Numbers) -> float:
    """Return what a level costs from a step on, between the rungs and levels worked out. [money]"""
    last = cost.shape[1] - 1
    place = (level - n.low) / (n.high - n.low) * last
    below = min(max(int(place), 0), last - 1)
    share = place - below
    row = int(rung)
    between: float = (1 - share) * cost[row, below] + share * cost[row, below + 1]
    if rung > row:
        higher = (1 - share) * cost[row + 1, below] + share * cost[row + 1, below + 1]
        between += (rung - row) * (higher - between)
    return between


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def rung_of(imported: float, caps: FloatArray) -> float:
    """Return the rung that an import needs, between those that there are; the last at most. [1]"""
    above = 0
    while above < len(caps) and imported > caps[above]:
        above += 1
    if above == 0 or above == len(caps):
        return float(max(above - 1, 0))
    below = caps[above - 1]
    place: float = above - 1 + (imported - below) / (caps[above] - below)
    return place


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def write_after(after: FloatArray, t: int, cost: FloatArray, c: Terms) -> None:
    """Write what follows a step, shape (classes, rungs, levels): behind a stretch all begins anew."""
    ended = c.ends[t]
    for k in range(after.shape[0]):
        for rung in range(after.shape[1]):
            for j in range(after.shape[2]):
                if ended < 0:
                    after[k, rung, j] = cost[t + 1, k, rung, j]
                else:
                    after[k, rung, j] = cost[t + 1, k, 0, j] + c.charge[ended, rung]


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
def write_rows(
    rows: FloatArray, t: int, cost: FloatArray, cap: float, c: Terms, n: Numbers
) -> float:
    """Write the orders to try at a step; return up to which level PV is worth storing. [kWh]"""
    to_battery, from_battery = n.eta_dc * n.eta_charge, n.eta_ac * n.eta_discharge
    floor = c.floor[t]
    buy, sell, wear = c.buy[t], c.sell[t], c.wear * n.eta_discharge
    rows[:] = 0.0
    for row in rows:
        row[TARGET], row[FLOOR], row[CAP] = n.high, floor, cap
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
def try_orders(  # noqa: C901, PLR0913 - states, what may be ordered there, and what follows
    rows: FloatArray, stores_to: float, lanes: FloatArray, used: float, rung: float, x: Asked,
    t: int, cost: FloatArray, c: Terms, n: Numbers,
) -> None:  # fmt: skip
    """Write the least cost from each lane's state on, the order that has it, and what moves.

    A lane is one of the states that meet a step on the same rung; steps of lanes are worked out side by
    side, as in the score.
    """
    cap, many = rows[COVERING, CAP], lanes.shape[1]
    beyond_floor = rows[SELLING, FLOOR] + REACHED_KWH
    for i in range(many):
        lanes[LEAST, i] = np.inf
    for number in range(ORDERS_TRIED):
        if number == FILLING and n.low >= rows[FILLING, TARGET] - REACHED_KWH:
            continue
        if number == SELLING and n.high <= beyond_floor:
            continue
        order = order_of(rows[number], n)
        if n.restart > 0.0:
            for i in range(many):
                rests = is_resting(
                    lanes[RESTING, i] > 0.0, lanes[STORED, i], rows[number, FLOOR], n
                )
                lanes[RESTS, i] = 1.0 if rests else 0.0
        step_lanes(order, lanes, used, x, c.buy[t], c.sell[t], c, n)
        for i in range(many):
            stored = lanes[STORED, i]
            if number == FILLING and stored >= rows[FILLING, TARGET] - REACHED_KWH:
                continue
            if number == SELLING and stored <= beyond_floor:
                continue
            if number == IDLING and (
                (stored <= stores_to and used < c.day_discharge) or stored >= n.high - REACHED_KWH
            ):
                continue
            imported = lanes[IMPORTED, i]
            climbed = max(rung_of(imported, c.caps[t]), rung) if imported > cap else rung
            whole = lanes[HERE, i] + cost_at(lanes[MOVED, i], climbed, cost, n)
            if whole < lanes[LEAST, i] - CHEAPER:
                lanes[LEAST, i], lanes[BEST, i] = whole, number
                lanes[LEVEL, i], lanes[GIVEN, i] = lanes[MOVED, i], lanes[DISCHARGED, i]
                lanes[TAKEN, i] = imported


@njit(cache=True, inline="always", error_model="numpy")  # type: ignore[untyped-decorator]
def step_lanes(
    order: Order, lanes: FloatArray, used: float, x: Asked, buy: float, sell: float, c: Terms,
    n: Numbers,
) -> None:  # fmt: skip
    """Take all lanes through a step under one order, and write what it costs and what moves."""
    for i in range(lanes.shape[1]):
        moved = step(order, lanes[STORED, i], lanes[RESTS, i] > 0.0, x, n, True, False)
        imported = max(-moved.net, 0.0)
        here = buy * imported - sell * max(moved.net, 0.0) + c.wear * moved.discharge
        over, beyond = imported - x.import_limit, used + moved.discharge - c.day_discharge
        here = here + OVERLOAD_COST * (over if over > 0.0 else 0.0)
        beyond = min(beyond, moved.discharge)
        lanes[HERE, i] = here + BEYOND_CYCLES_COST * (beyond if beyond > 0.0 else 0.0)
        lanes[MOVED, i] = moved.stored
        lanes[DISCHARGED, i] = moved.discharge
        lanes[IMPORTED, i] = imported


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def work_backward(  # noqa: C901, PLR0912 - in order
    days: Days, c: Terms, n: Numbers, cost: FloatArray
) -> None:
    """Write what each class of sun, rung and level costs from each step on.

    ``cost`` has shape (T + 1, classes, rungs, levels); the last step's is given. [money]
    """
    count, classes, rungs, levels = cost.shape
    rows = np.zeros((classes, rungs, ORDERS_TRIED, ENTRY + 1))
    stores_to = np.zeros((classes, rungs))
    after = np.zeros((classes, rungs, levels))
    seen = np.zeros(classes)
    least = np.zeros(levels)
    lanes = np.zeros((STATES, levels))
    for j in range(levels):
        lanes[STORED, j] = n.low + (n.high - n.low) / (levels - 1) * j
    for t in range(count - 2, -1, -1):
        day, slot, then = c.day[t], c.slot[t], min(t + 1, count - 2)
        write_after(after, t, cost, c)
        for k in range(classes):
            for rung in range(rungs):
                cap = c.caps[t, rung]
                stores_to[k, rung] = write_rows(rows[k, rung], t, after[k, rung], cap, c, n)
        for k in range(classes):
            seen[k] = 0.0
            for rung in range(rungs):
                for j in range(levels):
                    cost[t, k, rung, j] = 0.0
        for i in range(days.first[day], days.first[day + 1]):
            like = days.like[i]
            now = class_of(days.sun[like, slot], days.edges[day, slot])
            next_class = class_of(days.sun[like, slot + 1], days.edges[c.day[then], c.slot[then]])
            x = asked_of(days.load[like, slot], days.pv[like, slot], c.limits, t, n)
            seen[now] += 1.0
            for j in range(levels):
                least[j] = np.inf
            for rung in range(rungs - 1, -1, -1):
                try_orders(
                    rows[next_class, rung], stores_to[next_class, rung], lanes, 0.0, float(rung), x,
                    t, after[next_class], c, n,
                )  # fmt: skip
                for j in range(levels):
                    lowest = lanes[LEAST, j]
                    least[j] = min(lowest, least[j]) if c.caps[t, 0] < np.inf else lowest
                    cost[t, now, rung, j] += least[j]
        days_like = days.first[day + 1] - days.first[day]
        for rung in range(rungs):
            for j in range(levels):
                whole = 0.0
                for k in range(classes):
                    whole += cost[t, k, rung, j]
                for k in range(classes):
                    mean = cost[t, k, rung, j] / seen[k] if seen[k] > 0.0 else whole / days_like
                    cost[t, k, rung, j] = mean


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def run_forward(  # noqa: PLR0913 - arrays in, arrays out
    load_kwh: FloatArray, pv_kwh: FloatArray, sun: FloatArray, edges: FloatArray, c: Terms,
    n: Numbers, start_kwh: float, cost: FloatArray, table: FloatArray,
) -> None:  # fmt: skip
    """Write the order taken in each step to ``table``, shape (T, columns), for the replay.

    ``sun`` has shape (T + 1,): what is known when each step begins, and after the last. What is known of
    a step is its load and PV, the class of sun, the level, and the rung reached.
    """
    used, reached = 0.0, 0.0
    lanes, taken = np.zeros((STATES, 1)), np.zeros((STATES, 1))
    lanes[STORED, 0] = start_kwh
    _, classes, rungs, levels = cost.shape
    rows = np.zeros((ORDERS_TRIED, ENTRY + 1))
    after = np.zeros((classes, rungs, levels))
    here = np.zeros(levels)
    last = len(load_kwh) - 1
    for t in range(last + 1):
        then = min(t + 1, last)
        k = class_of(sun[t + 1], edges[c.day[then], c.slot[then]])
        write_after(after, t, cost, c)
        x = asked_of(load_kwh[t], pv_kwh[t], c.limits, t, n)
        used = 0.0 if t > 0 and c.day[t] != c.day[t - 1] else used
        taken[LEAST, 0] = np.inf
        counts = c.caps[t, 0] < np.inf
        for rung in range(int(reached), rungs if counts else int(reached) + 1):
            # First the rung that is reached, which lies between two; then those above it.
            up, share = min(rung + 1, rungs - 1), max(reached - rung, 0.0)
            for j in range(levels):
                here[j] = (1 - share) * after[k, rung, j] + share * after[k, up, j]
            cap = c.caps[t, rung]
            cap += share * (c.caps[t, up] - cap) if share > 0.0 and counts else 0.0
            stores_to = write_rows(rows, t, here, cap, c, n)
            try_orders(rows, stores_to, lanes, used, rung + share, x, t, after[k], c, n)
            if lanes[LEAST, 0] < taken[LEAST, 0] - CHEAPER:
                for state in range(STATES):
                    taken[state, 0] = lanes[state, 0]
                for column in range(table.shape[1]):
                    table[t, column] = rows[int(lanes[BEST, 0]), column]
        rests = is_resting(lanes[RESTING, 0] > 0.0, lanes[STORED, 0], table[t, FLOOR], n)
        lanes[RESTING, 0] = 1.0 if rests else 0.0
        reached = max(reached, rung_of(taken[TAKEN, 0], c.caps[t])) if counts else reached
        reached = 0.0 if c.ends[t] >= 0 else reached
        lanes[STORED, 0] = taken[LEVEL, 0]
        used += taken[GIVEN, 0]
