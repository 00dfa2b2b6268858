"""The compiled inner loop: what the equipment does in each step, and what that costs.

What the equipment does in a step, in this order (where makers differ, ``site.behaviour`` decides):

1. PV serves the building first; only in a ``charge`` window it fills the battery first.
2. PV surplus is stored, then exported, and what may not be exported is not used.
3. The window's action moves the battery within power, level and inverter limits.
4. Import above the window's cap, or above the connection's limit, first reduces charging; then the
   battery meets it, down to the lowest level allowed. What is still too much is overload.

``step_through`` writes one replay down; ``score_kernel`` only adds up what many sets of windows cost.
All are plain Python underneath (``step_through.py_func``), which the tests hold against the compiled
code. Read next: ``search.score_kernel``.
"""

from __future__ import annotations

from typing import NamedTuple

from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.cost.expression import EDGE_SLACK
from optimizer.replay.compiled_code import keep_compiled_code
from optimizer.site.equipment import Plant

keep_compiled_code(EDGE_SLACK)

from numba import njit  # noqa: E402 - numba reads the cache folder when it is imported

CHARGE, HOLD, COVER, SELL = range(4)
ACTION_CODE = {"charge": CHARGE, "hold": HOLD, "cover": COVER, "sell": SELL}

IMPORT, EXPORT, CHARGED, DISCHARGED, PV_USED, LOSS, STORED, OVERLOAD = range(8)
"""Rows of what a replay writes down, each with a value for every step."""

ACTION, TARGET, FLOOR, GRID, POWER, CAP, WHOLE_DAY, LOWEST, OUTSIDE = range(9)
"""Columns of a table of orders. Energies in kWh per step; row 0 holds outside windows.

``LOWEST`` is the level down to which the battery may meet a cap: the floor of the season. [kWh]
``OUTSIDE`` is the row that holds outside windows in that season.
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
    import_limit: float
    export_limit: float
    may_charge_from_grid: bool
    may_export_stored: bool
    pv_charges_first: bool
    export_first: bool
    cap_uses_battery: bool
    ends_at_target: bool
    restart: float
    standby: float
    running_loss: float
    least: float

    @classmethod
    def of(cls, plant: Plant, step_h: float) -> Numbers:
        """Return the kernel's numbers of a plant for steps of a length."""
        habits = plant.behaviour
        return cls(
            plant.low_kwh, plant.high_kwh, plant.charge_kw * step_h, plant.discharge_kw * step_h,
            plant.charge_efficiency, plant.discharge_efficiency, plant.kept_per_step(step_h),
            plant.ac_limit_kw * step_h, plant.to_ac_efficiency, plant.to_dc_efficiency,
            plant.pv_on_dc_side, plant.pv_ac_limit_kw * step_h, plant.import_limit_kw * step_h,
            plant.export_limit_kw * step_h, plant.may_charge_from_grid, plant.may_export_stored,
            habits.pv_charges_first, habits.surplus_first == "export",
            habits.cap_uses_battery, habits.at_target == "ends",
            habits.floor_restart_pct / 100 * plant.capacity_kwh, habits.standby_kw * step_h,
            habits.running_loss_kw * step_h, habits.least_power_kw * step_h,
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


class Terms(NamedTuple):
    """What a step asks for before the battery moves, at the battery's terminals. [kWh]

    ``surplus`` is PV beyond the building, ``need`` what the battery would have to give for no import,
    ``most_out`` what the inverter still lets through. ``pv`` is cut at the PV's own inverter.
    """

    load: float
    pv: float
    surplus: float
    need: float
    most_out: float


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def terms_of(load: float, pv: float, n: Numbers) -> Terms:
    """Return what a step asks for."""
    load += n.standby
    ac_as_dc = n.ac / n.eta_ac
    if n.pv_on_dc:
        surplus = pv - min(load / n.eta_ac, ac_as_dc)
        return Terms(load, pv, surplus, load / n.eta_ac - pv, max(ac_as_dc - pv, 0.0))
    pv = min(pv, n.pv_own_ac)
    surplus = min((pv - load) * n.eta_dc, n.ac * n.eta_dc)
    return Terms(load, pv, surplus, (load - pv) / n.eta_ac, ac_as_dc)


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def from_pv(x: Terms, room: float, n: Numbers) -> float:
    """Return how much PV fills the battery outside charge windows."""
    if n.pv_charges_first:
        all_pv = x.pv if n.pv_on_dc else min(x.pv, n.ac) * n.eta_dc
        return max(min(all_pv, room), 0.0)
    if not n.export_first:
        return max(min(x.surplus, room), 0.0)
    beyond = beyond_limit(x, x.need + n.export_limit / n.eta_ac, n)
    stored: float = max(min(beyond, x.surplus, room), 0.0)
    return stored


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def beyond_limit(x: Terms, to_limit: float, n: Numbers) -> float:
    """Return the PV that the inverter or the export does not take, at the battery's terminals.

    ``to_limit`` is what the battery could give before the export's limit is reached.
    """
    if n.pv_on_dc:
        return max(-to_limit, x.pv - n.ac / n.eta_ac)
    return -to_limit * n.eta_ac * n.eta_dc


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def charge_to(level: float, stored: float, n: Numbers) -> float:
    """Return what must be charged to reach a level, the loss of running included."""
    missing = max(level - stored, 0.0)
    if missing > REACHED_KWH:
        missing += n.running_loss
    return missing / n.eta_charge


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def move(  # noqa: C901, PLR0912, PLR0913, PLR0915 - in the order of the module's list
    action: int, target: float, floor: float, grid: float, power: float, cap: float,
    lowest: float, x: Terms, stored: float, resting: bool, n: Numbers,
) -> tuple[float, float]:  # fmt: skip
    """Return what is charged and what is discharged in a step, at the battery's terminals."""
    room = min(n.charge, charge_to(n.high, stored, n))
    usable = 0.0 if resting else max(stored - floor - n.running_loss, 0.0)
    above_floor = min(n.discharge, usable * n.eta_discharge)
    charge = 0.0
    discharge = 0.0
    if action == SELL:
        # Sold energy may not push the export beyond its limit, nor leave at all if forbidden.
        to_limit = x.need + n.export_limit / n.eta_ac
        if not n.may_export_stored:
            to_limit = min(to_limit, x.need)
        discharge = max(min(power / n.eta_ac, above_floor, x.most_out, to_limit), 0.0)
        if discharge == 0.0:
            # Sun beyond the export limit, or beyond the inverter, is stored after all.
            charge = max(min(beyond_limit(x, to_limit, n), x.surplus, room), 0.0)
    else:
        charge = from_pv(x, room, n)
        if charge < n.least:
            charge = 0.0
        if action == CHARGE and stored < target:
            if not n.may_charge_from_grid:
                grid = 0.0
            want = min(room, charge_to(target, stored, n))
            if n.pv_on_dc:
                filled = min(want, x.pv + min(grid, n.ac) * n.eta_dc)
            else:
                filled = min(want / n.eta_dc, x.pv + grid, n.ac) * n.eta_dc
            charge = max(charge, filled)
        elif action == COVER and charge == 0.0:
            discharge = max(min(x.need, above_floor, x.most_out), 0.0)

    # Import above the cap first reduces charging; then the battery meets it.
    allowed = min(cap, n.import_limit)
    if allowed < NO_CAP:
        if charge > 0.0:
            if not n.pv_on_dc:
                most_in = (allowed + x.pv - x.load) * n.eta_dc
            elif x.load > allowed:
                most_in = x.pv - min((x.load - allowed) / n.eta_ac, n.ac / n.eta_ac)
            else:
                most_in = x.pv + (allowed - x.load) * n.eta_dc
            charge = max(min(charge, most_in), 0.0)
        need_at_cap = x.need - allowed / n.eta_ac
        if charge == 0.0 and need_at_cap > discharge and n.cap_uses_battery:
            above_low = max(stored - lowest - n.running_loss, 0.0) * n.eta_discharge
            discharge = max(discharge, min(need_at_cap, n.discharge, above_low, x.most_out))
    return (charge if charge >= n.least else 0.0), (discharge if discharge >= n.least else 0.0)


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def net_export(x: Terms, charge: float, discharge: float, n: Numbers) -> float:
    """Return export less import of a step; what may not be exported is left out. [kWh]"""
    if not n.pv_on_dc:
        net = x.pv + n.eta_ac * discharge - charge / n.eta_dc - x.load
    else:
        through = x.pv + discharge - charge
        if through >= 0.0:
            net = n.eta_ac * min(through, n.ac / n.eta_ac) - x.load
        else:
            net = through / n.eta_dc - x.load
    return min(net, n.export_limit)


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def after(stored: float, charge: float, discharge: float, n: Numbers) -> float:
    """Return the stored energy after a step."""
    if charge > 0.0:
        stored += max(n.eta_charge * charge - n.running_loss, 0.0)
    if discharge > 0.0:
        stored -= discharge / n.eta_discharge + n.running_loss
    return stored


@njit(cache=True)  # type: ignore[untyped-decorator]
def step_through(
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    day: IntArray,
    table: FloatArray,
    of_step: IntArray,
    n: Numbers,
    start_kwh: float,
    out: FloatArray,
) -> None:
    """Run every step and write flows, stored energy and overload to ``out``, shape (8, T)."""
    stored = start_kwh
    resting = False
    ended = -1
    for t in range(len(load_kwh)):
        row = of_step[t]
        x = terms_of(load_kwh[t], pv_kwh[t], n)
        if n.ends_at_target:
            ended = ended_row(ended, row, stored, table, t > 0 and day[t] != day[t - 1], n)
            if row == ended:
                row = int(table[row, OUTSIDE])
        floor = table[row, FLOOR]
        resting = is_resting(resting, stored, floor, n)
        stored = n.low + n.kept * (stored - n.low)
        charge, discharge = move(
            int(table[row, ACTION]), table[row, TARGET], floor, table[row, GRID],
            table[row, POWER], table[row, CAP], table[row, LOWEST], x, stored, resting, n,
        )  # fmt: skip
        net = net_export(x, charge, discharge, n)
        stored = after(stored, charge, discharge, n)

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
        out[OVERLOAD, t] = max(-net - n.import_limit, 0.0)


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def is_resting(resting: bool, stored: float, floor: float, n: Numbers) -> bool:
    """Tell whether the battery rests at its floor until its level has risen again.

    A full battery rests no longer, even if there is no room to rise by so much.
    """
    if stored <= floor + REACHED_KWH:
        return n.restart > 0.0
    return resting and stored < min(floor + n.restart, n.high) - REACHED_KWH


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def ended_row(
    ended: int, row: int, stored: float, table: FloatArray, new_day: bool, n: Numbers
) -> int:
    """Return the row of the charge window that has ended early, or −1.

    A level that so little is missing to that the battery rests is reached. A window that holds the
    whole day begins again at midnight.
    """
    if row != ended or (new_day and table[row, WHOLE_DAY] > 0.0):
        ended = -1
    if table[row, ACTION] != CHARGE or row == 0:
        return ended
    missing = charge_to(table[row, TARGET], stored, n)
    return row if missing <= REACHED_KWH or missing < n.least else ended


@njit(cache=True, inline="always")  # type: ignore[untyped-decorator]
def form_value(
    f: int, imported: FloatArray, exported: FloatArray, value: FloatArray, c: Pricing
) -> float:
    """Return what a form comes to, given the values of the parts before it."""
    x: float = c.form_constant[f]
    for i in range(c.form_first_import[f], c.form_first_import[f + 1]):
        x += c.import_weight[i] * imported[c.import_step[i]]
    for i in range(c.form_first_export[f], c.form_first_export[f + 1]):
        x += c.export_weight[i] * exported[c.export_step[i]]
    for i in range(c.form_first_part[f], c.form_first_part[f + 1]):
        x += c.form_part_factor[i] * value[c.form_part[i]]
    return x
