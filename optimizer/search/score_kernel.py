"""The compiled score: what many sets of windows cost, run side by side through the steps.

A *lane* is one set of windows. All lanes go through a step together, in loops without branches, so
that the processor works on several at once (SIMD): every way a step can go is worked out, and each
lane takes its own. What a step does is told in ``kernel.move``; the steps here are the same to the last
bit. Loops over lanes stay free of calls and of exceptions, or else they are not compiled so; how fast
they then are is measured by ``tests/bench/measure.py``. Read next: ``replay.replay``.
"""

from __future__ import annotations

from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.cost.expression import EDGE_SLACK
from optimizer.replay.kernel import (
    ACTION,
    BEYOND_CYCLES_COST,
    CAP,
    CHARGE,
    COVER,
    FLOOR,
    GRID,
    LOWEST,
    OVERLOAD_COST,
    PART_CHOICE,
    PART_PEAK,
    POWER,
    REACHED_KWH,
    SELL,
    TARGET,
    Numbers,
    Pricing,
    Terms,
    beyond_limit,
    ended_row,
    is_resting,
    terms_of,
)

# isort: split
import numpy as np
from numba import njit

LANES = 16
"""Sets of windows that one call runs through the steps, at most."""

VECTOR = 8
"""Lanes are rounded up to a multiple of this: the rest of a vector costs as much as half of them."""

SELLS, SALE, COVERS, UP_TO, DOWN_TO, BOUGHT, ALLOWED, ALLOWED_OUT, NOT_BELOW, ORDERS = range(10)
"""Rows of a lane's order, and how many there are: is it to sell, how much at most, how much it may
cover, target, floor, what the grid may give, import allowed, and the same at the battery's terminals.
Where an action has no use for a row, a value stands there that changes nothing. [kWh]"""

STORED, COST, GIVEN, USED, RESTING, STATES = range(6)
"""Rows of what is known of each lane, and how many there are; ``USED`` is discharged today."""


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def write_order(order: FloatArray, lane: int, row: FloatArray, n: Numbers) -> None:
    """Write a row of the table of orders as a lane's order, shape (ORDERS, LANES)."""
    action = int(row[ACTION])
    grid = row[GRID] if n.may_charge_from_grid else 0.0
    allowed = min(row[CAP], n.import_limit)
    order[SELLS, lane] = 1.0 if action == SELL else 0.0
    order[SALE, lane] = row[POWER] / n.eta_ac if action == SELL else 0.0
    order[COVERS, lane] = np.inf if action == COVER else 0.0
    order[UP_TO, lane] = row[TARGET] if action == CHARGE else -np.inf
    order[DOWN_TO, lane] = row[FLOOR]
    order[BOUGHT, lane] = min(grid, n.ac) * n.eta_dc if n.pv_on_dc else grid
    order[ALLOWED, lane] = allowed
    order[ALLOWED_OUT, lane] = allowed / n.eta_ac
    order[NOT_BELOW, lane] = row[LOWEST]


@njit(cache=True, inline="always", error_model="numpy")  # type: ignore[untyped-decorator]
def move_lanes(  # noqa: PLR0913, PLR0915 - in the order of ``kernel.move``
    order: FloatArray, lanes: FloatArray, live: int, x: Terms, pv_first: float,
    pv_when_selling: float, to_limit: float, buy: float, sell: float, wear: float, n: Numbers,
    imported: FloatArray, exported: FloatArray, capped: bool,
) -> None:  # fmt: skip
    """Take all lanes through one step.

    ``capped``, whether a limit of import could bind, is written out where this is used, so that the
    compiler leaves out what it leaves out.
    """
    most_through = n.ac / n.eta_ac
    for i in range(live):
        stored = n.low + n.kept * (lanes[STORED, i] - n.low)
        missing = max(n.high - stored, 0.0)
        missing = missing + n.running_loss if missing > REACHED_KWH else missing
        room = min(n.charge, missing / n.eta_charge)
        usable = max(stored - order[DOWN_TO, i] - n.running_loss, 0.0)
        usable = 0.0 if lanes[RESTING, i] > 0.0 else usable
        above_floor = min(min(n.discharge, usable * n.eta_discharge), x.most_out)

        sold = max(min(min(order[SALE, i], above_floor), to_limit), 0.0)
        fill = max(min(pv_when_selling, room), 0.0)
        fill = 0.0 if sold > 0.0 else fill
        charge = max(min(pv_first, room), 0.0)
        charge = 0.0 if charge < n.least else charge
        missing = max(order[UP_TO, i] - stored, 0.0)
        missing = missing + n.running_loss if missing > REACHED_KWH else missing
        want = min(room, missing / n.eta_charge)
        if n.pv_on_dc:
            filled = min(want, x.pv + order[BOUGHT, i])
        else:
            filled = min(min(want / n.eta_dc, x.pv + order[BOUGHT, i]), n.ac) * n.eta_dc
        charge = max(charge, filled)
        cover = max(min(min(x.need, above_floor), order[COVERS, i]), 0.0)
        cover = 0.0 if charge > 0.0 else cover
        charge = fill if order[SELLS, i] > 0.0 else charge
        discharge = sold if order[SELLS, i] > 0.0 else cover

        if capped:
            allowed = order[ALLOWED, i]
            if n.pv_on_dc:
                past_building = x.pv + (allowed - x.load) * n.eta_dc
                left_over = x.pv - min((x.load - allowed) / n.eta_ac, most_through)
                most_in = left_over if x.load > allowed else past_building
            else:
                most_in = (allowed + x.pv - x.load) * n.eta_dc
            charge = max(min(charge, most_in), 0.0)
            above_low = max(stored - order[NOT_BELOW, i] - n.running_loss, 0.0) * n.eta_discharge
            to_cap = min(min(x.need - order[ALLOWED_OUT, i], n.discharge), above_low)
            helped = max(discharge, min(to_cap, x.most_out))
            helps = n.cap_uses_battery and charge == 0.0
            discharge = helped if helps else discharge
        charge = charge if charge >= n.least else 0.0
        discharge = discharge if discharge >= n.least else 0.0

        if n.pv_on_dc:
            through = x.pv + discharge - charge
            outward = n.eta_ac * min(through, most_through) - x.load
            inward = through / n.eta_dc - x.load
            net = outward if through >= 0.0 else inward
        else:
            net = x.pv + n.eta_ac * discharge - charge / n.eta_dc - x.load
        net = min(net, n.export_limit)
        risen = stored + max(n.eta_charge * charge - n.running_loss, 0.0)
        stored = risen if charge > 0.0 else stored
        fallen = stored - (discharge / n.eta_discharge + n.running_loss)
        lanes[STORED, i] = fallen if discharge > 0.0 else stored
        lanes[GIVEN, i] = discharge

        beyond = -net - n.import_limit
        cost = lanes[COST, i] - (buy if net < 0.0 else sell) * net
        cost = cost + (OVERLOAD_COST * beyond if beyond > 0.0 else 0.0)
        lanes[COST, i] = cost + wear * discharge
        imported[i] = max(-net, 0.0)
        exported[i] = max(net, 0.0)


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def score_many(  # noqa: C901, PLR0912, PLR0913, PLR0915 - what a step asks for, then all lanes
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    table: FloatArray,
    face_of_step: IntArray,
    faces: IntArray,
    n: Numbers,
    start_kwh: float,
    c: Pricing,
    imported: FloatArray,
    exported: FloatArray,
    cost: FloatArray,
) -> None:
    """Write the cost of replays to ``cost``: energy, parts of the bill, wear, less what is left.

    ``faces`` has shape (C, F): for each of C ≤ ``LANES`` sets of windows and each clock slot of each
    day set the row of ``table`` that holds; ``face_of_step``, shape (T,), says which of the F holds
    in a step. ``imported`` and ``exported``, shape (T, LANES), are room to work in.
    """
    many, count = faces.shape
    live = -(-many // VECTOR) * VECTOR
    lanes = np.zeros((STATES, LANES))
    for i in range(live):
        lanes[STORED, i] = start_kwh
    orders = np.zeros((count, ORDERS, LANES))
    least_allowed = np.full(count, np.inf)
    for face in range(count):
        for i in range(live):
            write_order(orders[face], i, table[faces[min(i, many - 1), face]], n)
            least_allowed[face] = min(least_allowed[face], orders[face, ALLOWED, i])
    ended = np.full(LANES, -1)
    of_now = np.zeros((ORDERS, LANES))
    has_parts = len(c.part_kind) > 0
    notes_export = has_parts and len(c.export_step) > 0
    counts_cycles = np.isfinite(c.day_discharge)
    for t in range(len(load_kwh)):
        x = terms_of(load_kwh[t], pv_kwh[t], n)
        face = face_of_step[t]
        order, least = orders[face], least_allowed[face]
        new_day = t > 0 and c.day[t] != c.day[t - 1]
        if n.ends_at_target:
            order, least = of_now, 0.0
            for i in range(live):
                row = faces[min(i, many - 1), face]
                ended[i] = ended_row(ended[i], row, lanes[STORED, i], table, new_day, n)
                write_order(order, i, table[0 if row == ended[i] else row], n)
        if n.restart > 0.0:
            for i in range(live):
                rests = is_resting(lanes[RESTING, i] > 0.0, lanes[STORED, i], order[DOWN_TO, i], n)
                lanes[RESTING, i] = 1.0 if rests else 0.0

        to_limit = x.need + n.export_limit / n.eta_ac
        if n.pv_charges_first:
            pv_first = x.pv if n.pv_on_dc else min(x.pv, n.ac) * n.eta_dc
        elif n.export_first:
            pv_first = min(beyond_limit(x, to_limit, n), x.surplus)
        else:
            pv_first = x.surplus
        if not n.may_export_stored:
            to_limit = min(to_limit, x.need)
        pv_when_selling = min(beyond_limit(x, to_limit, n), x.surplus)
        # Most steps are far below any limit of import: then none makes a difference in any lane.
        through_building = (least - x.load) if n.pv_on_dc else (least + x.pv - x.load)
        most_in = through_building * n.eta_dc + (x.pv if n.pv_on_dc else 0.0)
        capped = x.load > least or x.need > least / n.eta_ac or most_in < n.charge
        imports, exports = imported[t * has_parts], exported[t * notes_export]
        if capped:
            move_lanes(order, lanes, live, x, pv_first, pv_when_selling, to_limit, c.buy[t],
                       c.sell[t], c.wear, n, imports, exports, True)  # fmt: skip
        else:
            move_lanes(order, lanes, live, x, pv_first, pv_when_selling, to_limit, c.buy[t],
                       c.sell[t], c.wear, n, imports, exports, False)  # fmt: skip
        if counts_cycles:
            for i in range(live):
                used = (0.0 if new_day else lanes[USED, i]) + lanes[GIVEN, i]
                beyond = min(max(used - c.day_discharge, 0.0), lanes[GIVEN, i])
                lanes[USED, i] = used
                lanes[COST, i] += BEYOND_CYCLES_COST * beyond
    for i in range(live):
        lanes[COST, i] -= c.leftover * (lanes[STORED, i] - start_kwh)
    if has_parts:
        add_parts_of_the_bill(imported, exported, lanes[COST, :live], c)
    for i in range(many):
        cost[i] = lanes[COST, i]


@njit(cache=True)  # type: ignore[untyped-decorator]
def parts_of_the_bill(imported: FloatArray, exported: FloatArray, c: Pricing) -> float:
    """Return what the parts of the bill that are not linear come to; flows have shape (T,)."""
    total = np.zeros(1)
    add_parts_of_the_bill(imported.reshape(-1, 1), exported.reshape(-1, 1), total, c)
    return float(total[0])


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def add_parts_of_the_bill(  # noqa: C901, PLR0912 - in order
    imported: FloatArray, exported: FloatArray, total: FloatArray, c: Pricing
) -> None:
    """Add to the totals of W lanes, shape (W,), what the parts of the bill that are not linear come to.

    ``imported`` and ``exported`` have shape (T, W or more).
    """
    live = len(total)
    added = np.zeros(live)
    group = highest_powers(imported, live, c)
    value = np.zeros((len(c.part_kind), live))
    x = np.zeros(live)
    chosen = np.zeros(live, dtype=np.int64)
    for p in range(len(value)):
        if c.part_kind[p] == PART_PEAK:
            k = c.part_peak[p]
            first, end = c.peak_first_group[k], c.peak_first_group[k + 1]
            if c.peak_highest[k] == 1:
                for g in range(first, end):
                    for i in range(live):
                        value[p, i] = max(value[p, i], group[g, i]) if g > first else group[g, i]
            else:
                for i in range(live):
                    value[p, i] = mean_of_highest(group, first, end, i, c.peak_highest[k])
        else:
            begin = c.part_first_form[p]
            for f in range(begin, c.part_first_form[p + 1]):
                write_form(f, imported, exported, value, x, c)
                if c.part_kind[p] != PART_CHOICE:
                    for i in range(live):
                        value[p, i] = x[i] if f == begin else max(value[p, i], x[i])
                elif f == begin:
                    for i in range(live):
                        chosen[i] = f + 1
                    for e in range(c.part_first_edge[p], c.part_first_edge[p + 1]):
                        for i in range(live):
                            chosen[i] += x[i] + EDGE_SLACK >= c.edges[e]
                else:
                    for i in range(live):
                        value[p, i] = x[i] if f == chosen[i] else value[p, i]
        for i in range(live):
            added[i] += c.part_factor[p] * value[p, i]
    for i in range(live):
        total[i] += added[i]


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def mean_of_highest(group: FloatArray, first: int, end: int, lane: int, count: int) -> float:
    """Return the mean of a lane's ``count`` highest values from row ``first`` up to ``end``."""
    rising = np.full(count, -np.inf)
    for g in range(first, end):
        if group[g, lane] > rising[0]:
            place = 0
            while place + 1 < count and rising[place + 1] < group[g, lane]:
                rising[place] = rising[place + 1]
                place += 1
            rising[place] = group[g, lane]
    total = 0.0
    for place in range(count):
        total += rising[place]
    return total / count


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def highest_powers(imported: FloatArray, live: int, c: Pricing) -> FloatArray:
    """Return the highest power of each group of demand intervals, shape (G, lanes)."""
    group = np.empty((len(c.group_reached), live))
    for g in range(len(group)):
        for i in range(live):
            group[g, i] = c.group_reached[g]
    power = np.zeros(live)
    pairs = len(c.peak_step)
    for k in range(pairs):
        t, interval = c.peak_step[k], c.peak_interval[k]
        if k == 0 or interval != c.peak_interval[k - 1]:
            for i in range(live):
                power[i] = c.interval_elsewhere[interval]
        for i in range(live):
            power[i] += imported[t, i]
        if k == pairs - 1 or interval != c.peak_interval[k + 1]:
            g, share = c.interval_group[interval], c.interval_share[interval]
            for i in range(live):
                group[g, i] = max(group[g, i], power[i] * share)
    return group


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def write_form(
    f: int,
    imported: FloatArray,
    exported: FloatArray,
    value: FloatArray,
    x: FloatArray,
    c: Pricing,
) -> None:
    """Write to ``x``, shape (lanes,), what a form comes to, given the values of the parts before."""
    for i in range(len(x)):
        x[i] = c.form_constant[f]
    for k in range(c.form_first_import[f], c.form_first_import[f + 1]):
        t, weight = c.import_step[k], c.import_weight[k]
        for i in range(len(x)):
            x[i] += weight * imported[t, i]
    for k in range(c.form_first_export[f], c.form_first_export[f + 1]):
        t, weight = c.export_step[k], c.export_weight[k]
        for i in range(len(x)):
            x[i] += weight * exported[t, i]
    for k in range(c.form_first_part[f], c.form_first_part[f + 1]):
        part, factor = c.form_part[k], c.form_part_factor[k]
        for i in range(len(x)):
            x[i] += factor * value[part, i]
