"""What limited each step of a replay: the same physics, with what was asked for and allowed written down.

Read next: ``evaluation.step_reason``.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.scenario.horizon import Horizon
from optimizer.simulation.replay import Orders, Replay
from optimizer.simulation.step import (
    FLOOR,
    Numbers,
    asked_of,
    beyond_limit,
    charge_to,
    ended_entry,
    given_down_to,
    idle,
    is_resting,
    most_in_under,
    most_sold,
    net_export,
    order_of,
    row_now,
    slow_charge,
    step,
)

(
    ROW, RESTING, NEED, BARE, USABLE, ABOVE_LOW, THROUGH, TO_EXPORT_LIMIT, PV, PV_FIRST, PV_BEYOND,
    PV_SOLD, FULL, SLOW, TARGET, BOUGHT, FILL, ALLOWED, UNDER_LIMIT, CHARGED, DISCHARGED, NET,
) = range(22)  # fmt: skip
"""Rows of a trace, each with a value for every step. Energies at the battery's terminals. [kWh]

``ROW`` of the table of orders holds, after a window that ended early too; ``RESTING`` is 1 or 0. ``NEED``
is what the battery would have to give for no import, ``BARE`` the import without it. ``USABLE`` lies above
the order's level, ``ABOVE_LOW`` above the floor; the inverter lets ``THROUGH``; ``TO_EXPORT_LIMIT`` may be
sold. ``PV`` delivers, of which ``PV_FIRST`` may fill the battery outside charge windows; ``PV_BEYOND`` is
left after the building, of which ``PV_SOLD`` neither inverter nor export take while the battery sells.
``FULL``, ``SLOW`` and ``TARGET`` are charges up to a full battery, to what it takes near full, and to the
order's level. ``BOUGHT`` is what the order lets the grid give, ``FILL`` what rules do; ``ALLOWED`` is the
import allowed, ``UNDER_LIMIT`` the charge that keeps to it. The last three are the step itself, worked out
again.
"""


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def trace_through(  # noqa: PLR0913 - arrays in, arrays out
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    limits: FloatArray,
    day: IntArray,
    table: FloatArray,
    of_step: IntArray,
    before_kwh: FloatArray,
    n: Numbers,
    out: FloatArray,
) -> None:
    """Write what limited each step to ``out``, shape (22, T), from the levels before each of them."""
    resting = False
    ended = -1
    for t in range(len(load_kwh)):
        stored, row = before_kwh[t], of_step[t]
        x = asked_of(load_kwh[t], pv_kwh[t], limits, t, n)
        if n.ends_at_target:
            ended = ended_entry(ended, row, stored, table, t > 0 and day[t] != day[t - 1], n)
            row = row_now(ended, row, table)
        resting = is_resting(resting, stored, table[row, FLOOR], n)
        order = order_of(table[row], n)
        allowed = min(order.allowed, x.import_limit)
        moved = step(order, stored, resting, x, n, True, True)
        stored = idle(stored, n)
        out[ROW, t] = row
        out[RESTING, t] = resting
        out[NEED, t] = x.need
        out[BARE, t] = max(-net_export(x, 0.0, 0.0, n, False), 0.0)
        out[USABLE, t] = given_down_to(order.down_to, stored, n)
        out[ABOVE_LOW, t] = given_down_to(order.not_below, stored, n)
        out[THROUGH, t] = x.most_out
        out[TO_EXPORT_LIMIT, t] = most_sold(x, n)
        out[PV, t] = x.pv
        out[PV_FIRST, t] = x.pv_first
        out[PV_BEYOND, t] = x.surplus
        out[PV_SOLD, t] = min(beyond_limit(x.pv, most_sold(x, n), n), x.surplus)
        out[FULL, t] = charge_to(n.high, stored, n)
        out[SLOW, t] = slow_charge(stored, n)
        out[TARGET, t] = charge_to(order.up_to, stored, n)
        out[BOUGHT, t] = order.bought
        out[FILL, t] = x.fill_limit
        out[ALLOWED, t] = allowed
        out[UNDER_LIMIT, t] = most_in_under(allowed, x, n)
        out[CHARGED, t] = moved.charge
        out[DISCHARGED, t] = moved.discharge
        out[NET, t] = moved.net


def trace_of(horizon: Horizon, orders: Orders, run: Replay) -> FloatArray:
    """Return what limited each step of a replay of these orders, shape (22, T), in the rows named here."""
    grid = horizon.grid
    out = np.zeros((NET + 1, grid.count))
    trace_through(
        horizon.load_kwh, horizon.pv_kwh, np.ascontiguousarray(horizon.limits.kwh), grid.day,
        orders.table, orders.of_step, run.before_kwh, Numbers.of(horizon.plant, grid.step_h), out,
    )  # fmt: skip
    return out
