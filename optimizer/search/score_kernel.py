"""The compiled score: what many sets of windows cost, run side by side through the steps.

A *lane* is one set of windows. All lanes go through a step together, in loops without branches, so
that the processor works on several at once (SIMD): every way a step can go is worked out, and each
lane takes its own. What a step does is told in ``simulation.step``. Loops over lanes stay free of
calls and of exceptions, or else they are not compiled so; how fast
they then are is measured by ``tests/bench/measure.py``.

Side by side. The score runs up to 32 sets of windows through the steps together, in vector
registers: a step is written without branches, so that the compiler lays eight neighbours side by
side. It took 3.3 ns for a step of one set of windows (AVX-512, quiet machine), 10.8 with one set
after the other and the same operations; eight sets take two thirds of the time of sixteen, for
the chain from level to level is what a processor waits for. The costs are the same to the last
bit. Tried and left out: reciprocals for divisions (3.0 ns, but not the replay's last bits), what
a step asks for worked out once for all (5 %), one block of eight (too short a loop for the
compiler to lay side by side). Thirty-two sets take a tenth less than twice sixteen.

Compiled when a program is first run. A step is inlined by the compiler and not by numba, which
types a function anew wherever it writes it out: 2.8 s of a processor in place of 10.9 for this loop.

Read next: ``simulation.replay``.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numba import njit

from optimizer.base.timegrid import BoolArray, FloatArray, IntArray
from optimizer.cost.expression import EDGE_SLACK
from optimizer.simulation.step import (
    ORDERS,
    Asked,
    Numbers,
    Order,
    asked_of,
    ended_entry,
    is_resting,
    order_in,
    row_now,
    step,
    write_order,
)

LANES = 32
"""Sets of windows that one call runs through the steps, at most."""

VECTOR = 8
"""Lanes are rounded up to a multiple of this: the rest of a vector costs as much as half of them."""

ONE_BY_ONE = 3
"""Fewer lanes go one after the other: a vector takes as long as so many."""

ALLOWED, DOWN_TO = Order._fields.index("allowed"), Order._fields.index("down_to")
"""Rows of an order that are looked at before the step."""

STORED, COST, GIVEN, USED, RESTING, STATES = range(6)
"""Rows of what is known of each lane, and how many there are; ``USED`` is discharged today."""


class Pricing(NamedTuple):
    """A cost, for the kernel: weights per step, and the parts of the bill that are not linear.

    ``buy`` and ``sell`` have shape (T,); ``less_for_stored`` too, by how much less a kWh earns that is
    exported out of the battery, or (0,) where it earns the same. The i-th pair of ``peak_step`` and
    ``peak_interval`` says that a step belongs to a demand interval; an interval's energy, with what it
    has ``elsewhere``, times its share is its power, and the highest power of a group, or what it
    ``reached`` elsewhere, its value. A peak is the mean of the ``peak_highest`` highest of its groups, of
    import, or of export where its pairs say ``peak_exports``. Parts
    are worked out in order: a peak, the largest of its forms, or the form that the first one chooses
    by ``edges``. A form is a constant plus import, export, export out of the battery (``sold``) and
    earlier parts, each times a weight.
    ``…_first`` say where the entries of each row begin, and where the last one ends.
    """

    buy: FloatArray
    sell: FloatArray
    less_for_stored: FloatArray
    wear: float
    leftover: float
    day: IntArray
    day_discharge: float
    peak_step: IntArray
    peak_interval: IntArray
    peak_exports: BoolArray
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
    form_first_sold: IntArray
    sold_step: IntArray
    sold_weight: FloatArray
    form_first_part: IntArray
    form_part: IntArray
    form_part_factor: FloatArray


class PerStep(NamedTuple):
    """What of a ``Pricing`` is needed in the loop over steps; ``notes_…`` say which flows its parts need."""

    buy: FloatArray
    sell: FloatArray
    less_for_stored: FloatArray
    wear: float
    leftover: float
    day: IntArray
    day_discharge: float
    notes_import: bool
    notes_export: bool
    notes_sold: bool

    @classmethod
    def of(cls, c: Pricing) -> PerStep:
        """Return what of a pricing is needed in the loop over steps."""
        has_parts = len(c.part_kind) > 0
        of_export = len(c.export_step) > 0 or bool(c.peak_exports.any())
        return cls(
            c.buy, c.sell, c.less_for_stored, c.wear, c.leftover, c.day, c.day_discharge,
            has_parts, has_parts and of_export, has_parts and len(c.sold_step) > 0,
        )  # fmt: skip


PART_PEAK, PART_LARGEST, PART_CHOICE = range(3)

OVERLOAD_COST = 1000.0
"""A kWh beyond the connection's limit, in money: no settings that can avoid it are worth it."""

BEYOND_CYCLES_COST = 10.0
"""A kWh discharged beyond a day's cycles, in money: above any usual price of energy."""


@njit(cache=True, inline="always", error_model="numpy")  # type: ignore[untyped-decorator]
def step_lanes(  # noqa: PLR0913 - what a lane knows, and what its step costs
    order: FloatArray, lanes: FloatArray, live: int, x: Asked, buy: float, sell: float,
    wear: float, n: Numbers, imported: FloatArray, exported: FloatArray, capped: bool,
) -> None:  # fmt: skip
    """Take all lanes through one step."""
    for i in range(live):
        moved = step(
            order_in(order, i), lanes[STORED, i], lanes[RESTING, i] > 0.0, x, n, capped, False
        )
        net = moved.net
        lanes[STORED, i] = moved.stored
        lanes[GIVEN, i] = moved.discharge
        beyond = -net - x.import_limit
        cost = lanes[COST, i] - (buy if net < 0.0 else sell) * net
        cost = cost + (OVERLOAD_COST * beyond if beyond > 0.0 else 0.0)
        lanes[COST, i] = cost + wear * moved.discharge
        imported[i] = max(-net, 0.0)
        exported[i] = max(net, 0.0)


def score_many(  # noqa: PLR0913 - arrays in, costs out
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    limits: FloatArray,
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
    in a step. ``limits``, shape (3, T), has what import, export and filling from the grid may be in
    each step. ``imported`` and ``exported``, shape (T, LANES), are room to work in.
    """
    per_step, total = PerStep.of(c), np.zeros(LANES)
    sold = np.zeros((len(load_kwh) if per_step.notes_sold else 1, LANES))
    live = lanes_through(
        load_kwh, pv_kwh, limits, table, face_of_step, faces, n, start_kwh, per_step,
        imported, exported, sold, total,
    )  # fmt: skip
    if len(c.part_kind):  # compiled only where a bill has such parts
        add_parts_of_the_bill(imported, exported, sold, total[:live], c)
    cost[:] = total[: len(faces)]


@njit(cache=True, nogil=True, error_model="numpy")  # type: ignore[untyped-decorator]
def lanes_through(  # noqa: C901, PLR0912, PLR0913, PLR0915 - what a step asks for, then all lanes
    load_kwh: FloatArray,
    pv_kwh: FloatArray,
    limits: FloatArray,
    table: FloatArray,
    face_of_step: IntArray,
    faces: IntArray,
    n: Numbers,
    start_kwh: float,
    c: PerStep,
    imported: FloatArray,
    exported: FloatArray,
    sold: FloatArray,
    total: FloatArray,
) -> int:
    """Run all lanes through the steps: costs to ``total``, shape (LANES,), flows to the others.

    Returns how many lanes were run: some more than there are sets of windows. Parts of the bill are not
    counted yet.
    """
    many, count = faces.shape
    live: int = many if many < ONE_BY_ONE else -(-many // VECTOR) * VECTOR
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
    tells_origin = len(c.less_for_stored) > 0
    counts_cycles = np.isfinite(c.day_discharge)
    for t in range(len(load_kwh)):
        x = asked_of(load_kwh[t], pv_kwh[t], limits, t, n)
        face = face_of_step[t]
        order, least = orders[face], least_allowed[face]
        new_day = t > 0 and c.day[t] != c.day[t - 1]
        if n.ends_at_target:
            order, least = of_now, 0.0
            for i in range(live):
                row = faces[min(i, many - 1), face]
                ended[i] = ended_entry(ended[i], row, lanes[STORED, i], table, new_day, n)
                write_order(order, i, table[row_now(ended[i], row, table)], n)
        if n.restart > 0.0:
            for i in range(live):
                rests = is_resting(lanes[RESTING, i] > 0.0, lanes[STORED, i], order[DOWN_TO, i], n)
                lanes[RESTING, i] = 1.0 if rests else 0.0

        least = min(least, x.import_limit)
        # Most steps are far below any limit of import: then none makes a difference in any lane.
        through_building = (least - x.load) if n.pv_on_dc else (least + x.pv - x.load)
        most_in = through_building * n.eta_dc + (x.pv if n.pv_on_dc else 0.0)
        capped = x.load > least or x.need > least / n.eta_ac or most_in < n.charge
        imports, exports = imported[t * c.notes_import], exported[t * c.notes_export]
        if capped:
            step_lanes(
                order, lanes, live, x, c.buy[t], c.sell[t], c.wear, n, imports, exports, True
            )
        else:
            step_lanes(
                order, lanes, live, x, c.buy[t], c.sell[t], c.wear, n, imports, exports, False
            )
        if tells_origin:  # what the battery gives beyond the building, see ``base.flows``
            for i in range(live):
                stored_out = max(n.eta_ac * lanes[GIVEN, i] - x.load, 0.0)
                lanes[COST, i] += c.less_for_stored[t] * stored_out
                sold[t * c.notes_sold, i] = stored_out
        if counts_cycles:
            for i in range(live):
                used = (0.0 if new_day else lanes[USED, i]) + lanes[GIVEN, i]
                beyond = min(max(used - c.day_discharge, 0.0), lanes[GIVEN, i])
                lanes[USED, i] = used
                lanes[COST, i] += BEYOND_CYCLES_COST * beyond
    for i in range(live):
        lanes[COST, i] -= c.leftover * (lanes[STORED, i] - start_kwh)
    for i in range(live):
        total[i] = lanes[COST, i]
    return live


@njit(cache=True)  # type: ignore[untyped-decorator]
def parts_of_the_bill(
    imported: FloatArray, exported: FloatArray, sold: FloatArray, c: Pricing
) -> float:
    """Return what the parts of the bill that are not linear come to; flows have shape (T,)."""
    total = np.zeros(1)
    add_parts_of_the_bill(
        imported.reshape(-1, 1), exported.reshape(-1, 1), sold.reshape(-1, 1), total, c
    )
    return float(total[0])


@njit(cache=True, error_model="numpy")  # type: ignore[untyped-decorator]
def add_parts_of_the_bill(  # noqa: C901, PLR0912 - in order
    imported: FloatArray, exported: FloatArray, sold: FloatArray, total: FloatArray, c: Pricing
) -> None:
    """Add to the totals of W lanes, shape (W,), what the parts of the bill that are not linear come to.

    ``imported``, ``exported`` and ``sold`` have shape (T, W or more).
    """
    live = len(total)
    added = np.zeros(live)
    group = highest_powers(imported, exported, live, c)
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
                write_form(f, imported, exported, sold, value, x, c)
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
def highest_powers(imported: FloatArray, exported: FloatArray, live: int, c: Pricing) -> FloatArray:
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
        flows = exported if c.peak_exports[k] else imported
        for i in range(live):
            power[i] += flows[t, i]
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
    sold: FloatArray,
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
    for k in range(c.form_first_sold[f], c.form_first_sold[f + 1]):
        t, weight = c.sold_step[k], c.sold_weight[k]
        for i in range(len(x)):
            x[i] += weight * sold[t, i]
    for k in range(c.form_first_part[f], c.form_first_part[f + 1]):
        part, factor = c.form_part[k], c.form_part_factor[k]
        for i in range(len(x)):
            x[i] += factor * value[part, i]
