"""The compiled loop of an outage: the building on its inverter, with no grid, until it goes dark.

In each step PV serves the loads first, then fills the battery; the battery gives the rest, down to the
maker's floor (the reserve is what it is kept for). The building goes dark where the loads exceed the
inverter, where the battery cannot give the power, or where it is empty; in the last case the part of
the step that was carried counts. It is plain Python underneath (``carry.py_func``), which a test holds
against a loop of its own. Read next: ``outages``.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.simulation.step import (
    Numbers,
    asked_of,
    given_down_to,
    idle,
    level_after,
    room_in,
)

CARRIED, EMPTY, POWER, OVERLOAD = range(4)
"""Why an outage's count ends: the horizon, an empty battery, its power, the inverter's limit."""


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def carry(  # noqa: PLR0913 - arrays in, arrays out
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    level_kwh: FloatArray,
    first: int,
    end: int,
    horizon: int,
    n: Numbers,
    steps: FloatArray,
    why: IntArray,
) -> None:
    """Write how many steps outages last that begin at ``first`` to before ``end``, shape (T,).

    ``level_kwh`` is what is stored when each step begins, ``n.low`` the level down to which it is drawn.
    Behind the last step the first follows.
    """
    count = len(load_kwh)
    no_grid = np.zeros((3, 1))
    for start in range(first, end):
        stored = level_kwh[start]
        steps[start] = horizon
        why[start] = CARRIED
        for k in range(horizon):
            t = (start + k) % count
            x = asked_of(load_kwh[t], pv_kwh[t], no_grid, 0, n)
            if (x.load if n.pv_on_dc else x.load - x.pv) > n.ac:
                steps[start], why[start] = k, OVERLOAD
                break
            stored = idle(stored, n)
            if x.need <= 0.0:
                charge = min(x.surplus, room_in(stored, n))
                stored = level_after(stored, charge, 0.0, n, True)
                continue
            if x.need > n.discharge:
                steps[start], why[start] = k, POWER
                break
            usable = given_down_to(n.low, stored, n)
            if x.need > usable:
                steps[start], why[start] = k + usable / x.need, EMPTY
                break
            stored = level_after(stored, 0.0, x.need, n, True)
