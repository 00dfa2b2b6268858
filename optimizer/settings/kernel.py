"""The compiled inner loop: what the equipment does in each step, and what that costs.

What the equipment does in a step, in this order:

1. PV serves the building first; only in a ``charge`` window it fills the battery first.
2. PV surplus is stored, then exported, and what may not be exported is not used.
3. The window's action moves the battery within power, level and inverter limits.
4. Import above the window's cap, or above the connection's limit, first reduces charging; then the
   battery meets it, down to the lowest level allowed. What is still too much is overload.

All three functions stay in this file: numba's cache does not notice changes in imported functions. They
are plain Python underneath (``step_through.py_func``), which the tests hold against the compiled
code. Read next: ``replay``.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import NamedTuple

from optimizer.billing.cost import EDGE_SLACK
from optimizer.site.equipment import Plant
from optimizer.timegrid import FloatArray, IntArray


def _compiled_cache() -> None:
    """Let compiled code be kept in the user's cache folder, not beside the installed package."""
    base = os.environ.get("XDG_CACHE_HOME") or str(Path.home() / ".cache")
    os.environ.setdefault("NUMBA_CACHE_DIR", str(Path(base) / "tariffwright"))


_compiled_cache()

import numpy as np  # noqa: E402
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


class Pricing(NamedTuple):
    """A cost, for the kernel: weights per step, and the parts of the bill that are not linear.

    ``buy`` and ``sell`` have shape (T,). The i-th pair of ``peak_step`` and ``peak_interval`` says
    that a step belongs to a demand interval; an interval's energy, with what it has ``elsewhere``,
    times its share is its power, and the highest power of a group, or what it ``reached``
    elsewhere, its value. A peak is the mean of the ``peak_highest`` highest of its groups. Parts
    are worked out in order: a peak, the largest of its forms, or the form that the first one chooses
    by ``edges``. A form is a constant plus import, export and earlier parts, each times a weight.
    ``…_first`` say where the entries of each row begin, and where the last one ends.
    """

    buy: FloatArray
    sell: FloatArray
    wear: float
    leftover: float
    day: IntArray
    day_discharge: float
    peak_step: IntArray
    peak_interval: IntArray
    interval_elsewhere: FloatArray
    interval_share: FloatArray
    interval_group: IntArray
    group_reached: FloatArray
    peak_first_group: IntArray
    peak_highest: IntArray
    part_kind: IntArray
    part_peak: IntArray
    part_first_form: IntArray
    part_first_edge: IntArray
    edges: FloatArray
    part_factor: FloatArray
    form_constant: FloatArray
    form_first_import: IntArray
    import_step: IntArray
    import_weight: FloatArray
    form_first_export: IntArray
    export_step: IntArray
    export_weight: FloatArray
    form_first_part: IntArray
    form_part: IntArray
    form_part_factor: FloatArray


PART_PEAK, PART_LARGEST, PART_CHOICE = range(3)

OVERLOAD_COST = 1000.0
"""A kWh beyond the connection's limit, in money: no settings that can avoid it are worth it."""

BEYOND_CYCLES_COST = 10.0
"""A kWh discharged beyond a day's cycles, in money: above any usual price of energy."""


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
            if discharge == 0.0:
                # Sun beyond the export limit, or beyond the inverter, is stored after all.
                at_ac = -to_limit * n.eta_ac * n.eta_dc
                beyond = max(-to_limit, pv - ac_as_dc) if n.pv_on_dc else at_ac
                charge = max(min(beyond, surplus, room), 0.0)
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
                    most_in = pv - min((load - allowed) / n.eta_ac, ac_as_dc)
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


@njit(cache=True)  # type: ignore[untyped-decorator]
def score(
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    table: FloatArray,
    of_step: IntArray,
    n: Numbers,
    start_kwh: float,
    out: FloatArray,
    c: Pricing,
) -> float:
    """Return the cost of a replay: energy, parts of the bill, wear, less the worth of what is left."""
    step_through(load_kwh, pv_kwh, table, of_step, n, start_kwh, out)
    steps = len(load_kwh)
    total: float = -c.leftover * (out[STORED, steps - 1] - start_kwh)
    used = 0.0
    for t in range(steps):
        total += c.buy[t] * out[IMPORT, t] - c.sell[t] * out[EXPORT, t]
        total += c.wear * out[DISCHARGED, t] + OVERLOAD_COST * out[OVERLOAD, t]
        if t > 0 and c.day[t] != c.day[t - 1]:
            used = 0.0
        used += out[DISCHARGED, t]
        total += BEYOND_CYCLES_COST * min(max(used - c.day_discharge, 0.0), out[DISCHARGED, t])
    total += parts_of_the_bill(out, c)
    return total


@njit(cache=True)  # type: ignore[untyped-decorator]
def parts_of_the_bill(out: FloatArray, c: Pricing) -> float:  # noqa: C901, PLR0912 - in order
    """Return what the parts of the bill that are not linear come to."""
    group = c.group_reached.copy()
    power = c.interval_elsewhere.copy()
    for i in range(len(c.peak_step)):
        power[c.peak_interval[i]] += out[IMPORT, c.peak_step[i]]
    for i in range(len(power)):
        group[c.interval_group[i]] = max(group[c.interval_group[i]], power[i] * c.interval_share[i])
    value = np.zeros(len(c.part_kind))
    total = 0.0
    for p in range(len(value)):
        if c.part_kind[p] == PART_PEAK:
            k = c.part_peak[p]
            first, end = c.peak_first_group[k], c.peak_first_group[k + 1]
            if c.peak_highest[k] == 1:
                value[p] = np.max(group[first:end])
            else:
                rising = np.sort(group[first:end])
                value[p] = np.mean(rising[len(rising) - c.peak_highest[k] :])
        else:
            chosen = -1
            for f in range(c.part_first_form[p], c.part_first_form[p + 1]):
                if chosen >= 0 and f != chosen:
                    continue
                x = c.form_constant[f]
                for i in range(c.form_first_import[f], c.form_first_import[f + 1]):
                    x += c.import_weight[i] * out[IMPORT, c.import_step[i]]
                for i in range(c.form_first_export[f], c.form_first_export[f + 1]):
                    x += c.export_weight[i] * out[EXPORT, c.export_step[i]]
                for i in range(c.form_first_part[f], c.form_first_part[f + 1]):
                    x += c.form_part_factor[i] * value[c.form_part[i]]
                if c.part_kind[p] == PART_CHOICE and f == c.part_first_form[p]:
                    chosen = f + 1
                    for e in range(c.part_first_edge[p], c.part_first_edge[p + 1]):
                        if x + EDGE_SLACK >= c.edges[e]:
                            chosen += 1
                elif f == c.part_first_form[p] or f == chosen or x > value[p]:
                    value[p] = x
        total += c.part_factor[p] * value[p]
    return total
