"""The compiled loop of an outage: the building on its inverter, with no grid, until it goes dark.

In each step PV serves the loads first, then fills the battery; the battery gives the rest, down to the
maker's floor (the reserve is what it is kept for). The building goes dark where the loads exceed the
inverter, where the battery cannot give the power, or where it is empty; in the last case the part of
the step that was carried counts. It is plain Python underneath (``carry.py_func``), which a test holds
against a loop of its own. Read next: ``outages``.
"""

from __future__ import annotations

from optimizer.replay.kernel import Numbers  # first: it tells numba where to keep code

# isort: split

from numba import njit

from optimizer.base.timegrid import FloatArray, IntArray

CARRIED, EMPTY, POWER, OVERLOAD = range(4)
"""Why an outage's count ends: the horizon, an empty battery, its power, the inverter's limit."""


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
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
    """Write for outages beginning at the steps ``first`` to before ``end`` how many steps they last.

    ``level_kwh`` is what is stored when each step begins, ``n.low`` the level down to which it is drawn.
    Behind the last step the first follows.
    """
    count = len(load_kwh)
    for start in range(first, end):
        stored = level_kwh[start]
        steps[start] = horizon
        why[start] = CARRIED
        for k in range(horizon):
            t = (start + k) % count
            load = load_kwh[t] + n.standby
            pv = pv_kwh[t] if n.pv_on_dc else min(pv_kwh[t], n.pv_own_ac)
            if (load if n.pv_on_dc else load - pv) > n.ac:
                steps[start], why[start] = k, OVERLOAD
                break
            stored = n.low + n.kept * (stored - n.low)
            if n.pv_on_dc:
                need = load / n.eta_ac - pv
            elif load > pv:
                need = (load - pv) / n.eta_ac
            else:
                need = -min(pv - load, n.ac) * n.eta_dc
            if need <= 0.0:
                room = max(n.high - stored, 0.0) + n.running_loss
                charge = min(-need, n.charge, room / n.eta_charge)
                stored += max(n.eta_charge * charge - n.running_loss, 0.0)
                continue
            if need > n.discharge:
                steps[start], why[start] = k, POWER
                break
            usable = max(stored - n.low - n.running_loss, 0.0) * n.eta_discharge
            if need > usable:
                steps[start], why[start] = k + usable / need, EMPTY
                break
            stored -= need / n.eta_discharge + n.running_loss
