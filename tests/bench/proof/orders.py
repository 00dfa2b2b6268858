"""The orders that controls accept, and what each does in each step: what a proof looks through.

An order is what a window says apart from its times. Read next: ``proof_labels``.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np

from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.base.units import MINUTES_PER_DAY
from optimizer.search.drafts import Draft
from optimizer.settings.controls import Controls
from optimizer.simulation.step import ACTION_CODE, COVER, Numbers
from optimizer.site.equipment import Plant
from tests.bench.proof import bounds_kernel as inner

LEAST_CELLS = 144
"""Cells of stored energy; some more are taken if the levels of windows then lie on nodes."""

MOST_ROW_NODES = 20_000_000
"""Nodes of all rows together; each takes 36 bytes."""

WIDENED = 1 + 2e-7
"""By this, what is stored in single precision is enlarged, so that it is not rounded below."""


def no_window(plant: Plant) -> tuple[float, ...]:
    """Return the order that holds outside windows: cover down to the floor."""
    return (
        float(COVER), plant.high_kwh, plant.low_kwh, 0.0, 0.0, math.inf, 0.0, plant.low_kwh,
        0.0,
    )  # fmt: skip


def orders_of_controls(controls: Controls, plant: Plant, most_load_kw: float) -> Iterator[Draft]:
    """Yield one draft for each different order that a window may give; times are left empty.

    Values that cannot bind stand once: as the power of the equipment, or as an infinite cap.
    """
    low, high = plant.soc_pct(plant.low_kwh), plant.soc_pct(plant.high_kwh)
    multiples = np.arange(0, 100 + 1e-9, controls.soc_step_pct)
    above = [float(pct) for pct in multiples if low - 1e-6 <= pct < high - 1e-9]
    until, down_to = [*above, high], sorted({low, *above})
    most_in = plant.full_power_kw("charge")
    step_kw = controls.menu.lists[0].power_kw(plant.ac_limit_kw).step
    powers_in = [0.0, *_below(most_in, step_kw), most_in]
    powers_out = [*_below(plant.discharge_kw, step_kw), plant.discharge_kw]
    caps = [math.inf]
    if controls.import_cap:
        caps += [0.0, *_below(most_load_kw + most_in, controls.power_step_kw)]
    for action in controls.actions:
        for cap in caps:
            if action == "hold":
                yield Draft(0, 0, action, 0.0, 0.0, cap)
            elif action == "charge":
                yield from (Draft(0, 0, action, u, p, cap) for u in until for p in powers_in)
            elif action == "sell":
                yield from (Draft(0, 0, action, d, p, cap) for d in down_to for p in powers_out)
            else:
                plain = math.isinf(cap)
                yield from (
                    Draft(0, 0, action, d, 0.0, cap) for d in down_to if not (plain and d == low)
                )


def count_of_orders(controls: Controls, plant: Plant, most_load_kw: float) -> float:
    """Return about how many orders the controls accept, without listing them."""
    levels = 100 / controls.soc_step_pct + 1
    powers = plant.charge_kw / controls.menu.lists[0].power_kw(plant.ac_limit_kw).step + 2
    caps = 1 + controls.import_cap * (most_load_kw + plant.charge_kw) / controls.power_step_kw
    each = {"hold": 1.0, "charge": levels * powers, "sell": levels * powers, "cover": levels}
    return caps * sum(each[action] for action in controls.actions)


def _below(most: float, step: float) -> list[float]:
    count = math.ceil(most / step - 1e-9)
    return [round(number * step, 9) for number in range(1, count)]


def order_of(draft: Draft, plant: Plant, step_h: float) -> tuple[float, ...]:
    """Return a draft as the kernel reads it, in the columns that it names. [kWh]"""
    level = plant.level_kwh(draft.level_pct)
    most_in = plant.full_power_kw("charge")
    return (
        float(ACTION_CODE[draft.action]),
        level if draft.action == "charge" else plant.high_kwh,
        level if draft.action in {"cover", "sell"} else plant.low_kwh,
        min(draft.power_kw, most_in) * step_h if draft.action == "charge" else 0.0,
        min(draft.power_kw, plant.discharge_kw) * step_h if draft.action == "sell" else 0.0,
        draft.cap_kw * step_h,
        float(draft.length == MINUTES_PER_DAY),
        plant.low_kwh,
        0.0,
    )


@dataclass(frozen=True)
class Rows:
    """What orders do in each step, by nodes of stored energy.

    Node j stands for a stored energy of ``low`` + j × ``cell``. [kWh] The rows of step t are those
    from ``first[t]`` to before ``first[t + 1]``, R in all; orders that do the same share one.
    ``at``, ``net`` and ``extra`` have shape (R, J + 1), ``bend_…`` (R, J), see ``rows_of_step``.
    ``row_of``, shape (S, O), tells each order's row in each step, ``order_of_row``, shape (R,), one
    order of each row.
    """

    low: float
    cell: float
    first: IntArray
    at: FloatArray
    net: FloatArray
    extra: FloatArray
    bend_at: FloatArray
    bend_net: FloatArray
    bend_extra: FloatArray
    row_of: IntArray
    order_of_row: IntArray

    @property
    def nodes(self) -> int:
        """Number of nodes J + 1."""
        return int(self.at.shape[1])

    @property
    def count(self) -> int:
        """Number of rows R."""
        return int(self.first[-1])

    def levels(self) -> FloatArray:
        """Return the stored energy of each node, shape (J + 1,). [kWh]"""
        return np.asarray(self.low + self.cell * np.arange(self.nodes), dtype=np.float64)

    def between(self, values: FloatArray, level: float) -> float:
        """Return what values at the nodes, shape (J + 1,), come to at a stored energy. [kWh]"""
        return float(np.interp(level, self.levels(), values))


def rows_of(
    plant: Plant, numbers: Numbers, table: FloatArray, load_kwh: FloatArray, pv_kwh: FloatArray,
    limits: FloatArray, start_kwh: float,
) -> Rows | None:  # fmt: skip
    """Return what orders, shape (O, 7), do in each of S steps; None if that is too much to keep."""
    low, high = min(plant.low_kwh, start_kwh), max(plant.high_kwh, start_kwh)
    cells = _cells(low, high, table)
    cell = (high - low) / cells
    orders = len(table)
    nodes = [np.zeros((orders, cells + 1)) for _ in range(3)]
    bends = [np.zeros((orders, cells)) for _ in range(3)]
    found: list[list[np.ndarray]] = [[] for _ in range(6)]
    row_of = np.zeros((len(load_kwh), orders), dtype=np.int64)
    first = np.zeros(len(load_kwh) + 1, dtype=np.int64)
    for t in range(len(load_kwh)):
        count = inner.rows_of_step(
            float(load_kwh[t]), float(pv_kwh[t]), limits, t, table, numbers, low, cell, plant.wear_per_kwh,
            _has_jumps(plant), *nodes, *bends, row_of[t],
        )  # fmt: skip
        for kept, part in zip(found[:3], nodes, strict=True):
            kept.append(part[:count].copy())
        for kept, part in zip(found[3:], bends, strict=True):
            kept.append((part[:count] * WIDENED).astype(np.float32))
        row_of[t] += first[t]
        first[t + 1] = first[t] + count
        if first[t + 1] * (cells + 1) > MOST_ROW_NODES:
            return None
    joined = [np.concatenate(found.pop(0)) for _ in range(6)]
    order_of_row = np.zeros(int(first[-1]), dtype=np.int64)
    for order in reversed(range(orders)):
        order_of_row[row_of[:, order]] = order
    return Rows(
        low=low, cell=cell, first=first, at=joined[0], net=joined[1], extra=joined[2],
        bend_at=joined[3], bend_net=joined[4], bend_extra=joined[5], row_of=row_of,
        order_of_row=order_of_row,
    )  # fmt: skip


def _has_jumps(plant: Plant) -> bool:
    """Tell whether charge or discharge can set in with more than nothing."""
    habits = plant.behaviour
    return bool(habits.running_loss_kw or habits.least_power_kw or habits.pv_charges_first)


def _cells(low: float, high: float, table: FloatArray) -> int:
    """Return a number of cells with which the levels of windows lie nearest to nodes."""
    levels = np.unique(table[:, [1, 2]].clip(low, high))

    def off(cells: int) -> float:
        places = (levels - low) / (high - low) * cells
        return float(np.round(np.abs(places - np.round(places)).sum(), 6))

    return min(range(LEAST_CELLS, LEAST_CELLS * 3 // 2), key=off)
