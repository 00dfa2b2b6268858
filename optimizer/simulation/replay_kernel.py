"""The compiled replay: one set of orders through all steps, every flow written down.

It is plain Python underneath (``step_through.py_func``), which the tests hold against the compiled code.
Read next: ``search.score_kernel``.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.simulation.step import (
    FLOOR,
    NO_CAP,
    ORDERS,
    Numbers,
    asked_of,
    ended_entry,
    is_resting,
    order_in,
    row_now,
    step,
    write_order,
)

IMPORT, EXPORT, CHARGED, DISCHARGED, PV_USED, LOSS, STORED, OVERLOAD = range(8)
"""Rows of what a replay writes down, each with a value for every step."""


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def step_through(  # noqa: PLR0913 - arrays in, arrays out
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    limits: FloatArray,
    day: IntArray,
    table: FloatArray,
    of_step: IntArray,
    n: Numbers,
    start_kwh: float,
    out: FloatArray,
) -> None:
    """Run every step and write flows, stored energy and overload to ``out``, shape (8, T).

    ``limits``, shape (3, T), has what import, export and filling from the grid may be in each step.
    """
    stored = start_kwh
    resting = False
    ended = -1
    orders = np.empty((ORDERS, len(table)))
    for row in range(len(table)):
        write_order(orders, row, table[row], n)
    for t in range(len(load_kwh)):
        row = of_step[t]
        x = asked_of(load_kwh[t], pv_kwh[t], limits, t, n)
        if n.ends_at_target:
            ended = ended_entry(ended, row, stored, table, t > 0 and day[t] != day[t - 1], n)
            row = row_now(ended, row, table)
        resting = is_resting(resting, stored, table[row, FLOOR], n)
        order = order_in(orders, row)
        capped = min(order.allowed, x.import_limit) < NO_CAP
        stored, charge, discharge, net = step(order, stored, resting, x, n, capped, True)

        # Where the energy of both buses went; PV that finds no way out is not used.
        if n.pv_on_dc:
            if x.pv + discharge - charge >= 0.0:
                inverted = max((net + x.load) / n.eta_ac, 0.0)
                used, loss = inverted + charge - discharge, (1 - n.eta_ac) * inverted
            else:
                used = x.pv
                loss = (charge - discharge - x.pv) / n.eta_dc * (1 - n.eta_dc)
        else:
            used = net + x.load + charge / n.eta_dc - n.eta_ac * discharge
            loss = (1 - n.eta_ac) * discharge + charge * (1 / n.eta_dc - 1)
        out[PV_USED, t] = used
        out[LOSS, t] = loss + n.standby
        out[IMPORT, t] = max(-net, 0.0)
        out[EXPORT, t] = max(net, 0.0)
        out[CHARGED, t] = charge
        out[DISCHARGED, t] = discharge
        out[STORED, t] = stored
        out[OVERLOAD, t] = max(-net - x.import_limit, 0.0)
