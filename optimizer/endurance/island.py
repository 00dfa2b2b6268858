"""The compiled loop of an outage: the building on its inverter, with no grid, until it goes dark.

In each step PV serves the loads first, then fills the battery; the battery gives the rest, down to the
maker's floor (the reserve is what it is kept for). The building goes dark where the loads exceed the
inverter, where the battery cannot give the power, or where it is empty; in the last case the part of
the step that was carried counts. It is plain Python underneath (``carry.py_func``), which a test holds
against a loop of its own. Read next: ``outages``.
"""

from __future__ import annotations

from typing import NamedTuple

from numba import njit

import optimizer.settings.kernel  # noqa: F401 - tells numba, before it is imported, where to keep code
from optimizer.site.equipment import Plant
from optimizer.timegrid import FloatArray, IntArray

CARRIED, EMPTY, POWER, OVERLOAD = range(4)
"""Why an outage's count ends: the horizon, an empty battery, its power, the inverter's limit."""


class Island(NamedTuple):
    """A plant without a grid, as energies per step. [kWh]"""

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
    standby: float
    running_loss: float

    @classmethod
    def of(cls, plant: Plant, floor_kwh: float, step_h: float) -> Island:
        """Return the numbers of a plant whose battery may be drawn down to a floor."""
        habits = plant.behaviour
        return cls(
            floor_kwh, plant.high_kwh, plant.charge_kw * step_h, plant.discharge_kw * step_h,
            plant.charge_efficiency, plant.discharge_efficiency, plant.kept_per_step(step_h),
            plant.ac_limit_kw * step_h, plant.to_ac_efficiency, plant.to_dc_efficiency,
            plant.pv_on_dc_side, plant.pv_ac_limit_kw * step_h, habits.standby_kw * step_h,
            habits.running_loss_kw * step_h,
        )  # fmt: skip


@njit(cache=True, nogil=True)  # type: ignore[untyped-decorator]
def carry(  # noqa: PLR0913 - arrays in, arrays out
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    level_kwh: FloatArray,
    first: int,
    end: int,
    horizon: int,
    n: Island,
    steps: FloatArray,
    why: IntArray,
) -> None:
    """Write for outages beginning at the steps ``first`` to before ``end`` how many steps they last.

    ``level_kwh`` is what is stored when each step begins. Behind the last step the first follows.
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
