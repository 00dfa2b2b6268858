"""The linear program as a textbook writes it, handed to the solver as plain arrays.

Six columns a step: import, export, charge, discharge, stored energy and curtailed PV; the rows are
the balance of the site, of the battery, and for each demand interval its mean power below the month's
highest. It shares nothing with the program's own arrays but the problem, so that the two are compared
in time and in cost. A hybrid needs its DC side too, which makes eight columns.
"""

from __future__ import annotations

import highspy
import numpy as np
import scipy.sparse as sparse

from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.planning.problem import Problem


class _Rows:
    """Columns and rows in the making."""

    def __init__(self, steps: int) -> None:
        self.every = np.arange(steps)
        self.cost: list[FloatArray] = []
        self.low: list[FloatArray] = []
        self.high: list[FloatArray] = []
        self.row_low: list[FloatArray] = []
        self.row_high: list[FloatArray] = []
        self.entries: list[tuple[IntArray, IntArray, FloatArray]] = []
        self.columns = self.rows = 0

    def column(self, cost: object, low: object, high: object, count: int = 0) -> IntArray:
        size = count or len(self.every)
        for kept, value in ((self.cost, cost), (self.low, low), (self.high, high)):
            kept.append(np.broadcast_to(np.asarray(value, dtype=float), (size,)))
        self.columns += size
        return np.arange(self.columns - size, self.columns)

    def row(self, low: FloatArray, high: FloatArray) -> IntArray:
        self.row_low.append(low)
        self.row_high.append(high)
        self.rows += len(low)
        return np.arange(self.rows - len(low), self.rows)

    def put(self, rows: IntArray, columns: IntArray, value: object) -> None:
        self.entries.append((rows, columns, np.broadcast_to(np.asarray(value, float), rows.shape)))

    def solved(self) -> float:
        row, column, value = (np.concatenate(part) for part in zip(*self.entries, strict=True))
        table = sparse.csc_array((value, (row, column)), shape=(self.rows, self.columns))
        lp = highspy.HighsLp()
        lp.num_col_, lp.num_row_ = self.columns, self.rows
        lp.col_cost_ = np.concatenate(self.cost)
        lp.col_lower_, lp.col_upper_ = np.concatenate(self.low), np.concatenate(self.high)
        lp.row_lower_, lp.row_upper_ = np.concatenate(self.row_low), np.concatenate(self.row_high)
        lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
        lp.a_matrix_.start_, lp.a_matrix_.index_ = table.indptr, table.indices
        lp.a_matrix_.value_ = table.data
        solver = highspy.Highs()
        solver.setOptionValue("output_flag", False)
        solver.setOptionValue("threads", 1)
        solver.passModel(lp)
        solver.run()
        if solver.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            raise SystemExit(f"the plain program has no optimum: {solver.getModelStatus()}")
        return float(solver.getInfo().objective_function_value)


def plain_cost(problem: Problem) -> float:
    """Return the least cost by the plain program, solved from nothing with the solver's defaults."""
    plant, h, load = problem.plant, problem.grid.step_h, problem.load_kwh
    rows = _Rows(problem.grid.count)
    every = rows.every
    buy, sell = (problem.cost.weight(name) for name in ("import_kwh", "export_kwh"))
    bought = rows.column(buy, 0.0, plant.import_limit_kw * h)
    sold = rows.column(sell, 0.0, plant.export_limit_kw * h)
    low, high = (np.full(len(every), level) for level in (plant.low_kwh, plant.high_kwh))
    if problem.end_kwh is not None:
        low[-1] = high[-1] = problem.end_kwh
    stored = rows.column(0.0, low, high)
    if plant.pv_on_dc_side:
        curtailed = rows.column(0.0, 0.0, problem.pv_kwh)
        charge = rows.column(0.0, 0.0, plant.charge_kw * h)
        discharge = rows.column(plant.wear_per_kwh, 0.0, plant.discharge_kw * h)
        out = rows.column(0.0, 0.0, plant.ac_limit_kw * h / plant.to_ac_efficiency)
        back = rows.column(0.0, 0.0, plant.ac_limit_kw * h)
        site = rows.row(load, load)
        bus = rows.row(-problem.pv_kwh, -problem.pv_kwh)
        rows.put(site, out, plant.to_ac_efficiency)
        rows.put(site, back, -1.0)
        for column, share in ((discharge, 1.0), (back, plant.to_dc_efficiency),
                              (charge, -1.0), (out, -1.0), (curtailed, -1.0)):  # fmt: skip
            rows.put(bus, column, share)
        gain, loss = plant.charge_efficiency, 1 / plant.discharge_efficiency
    else:
        pv = np.minimum(problem.pv_kwh, plant.pv_ac_limit_kw * h)
        curtailed = rows.column(0.0, 0.0, pv)
        most = min(plant.ac_limit_kw, plant.charge_kw / plant.to_dc_efficiency)
        charge = rows.column(0.0, 0.0, most * h)
        most = min(plant.ac_limit_kw / plant.to_ac_efficiency, plant.discharge_kw)
        discharge = rows.column(plant.wear_per_kwh, 0.0, most * h)
        site = rows.row(load - pv, load - pv)
        rows.put(site, discharge, plant.to_ac_efficiency)
        rows.put(site, charge, -1.0)
        rows.put(site, curtailed, -1.0)
        gain = plant.charge_efficiency * plant.to_dc_efficiency
        loss = 1 / plant.discharge_efficiency
    rows.put(site, bought, 1.0)
    rows.put(site, sold, -1.0)
    _battery(rows, problem, stored, charge, discharge, gain, loss)
    _demand(rows, problem, bought)
    return rows.solved()


def _battery(
    rows: _Rows,
    problem: Problem,
    stored: IntArray,
    charge: IntArray,
    discharge: IntArray,
    gain: float,
    loss: float,
) -> None:
    kept = problem.plant.kept_per_step(problem.grid.step_h)
    settled = np.full(len(rows.every), (1 - kept) * problem.plant.low_kwh)
    settled[0] += kept * (problem.start_kwh or 0.0)
    balance = rows.row(settled, settled)
    rows.put(balance, stored, 1.0)
    rows.put(balance[1:], stored[:-1], -kept)
    rows.put(balance, charge, -gain)
    rows.put(balance, discharge, loss)


def _demand(rows: _Rows, problem: Problem, bought: IntArray) -> None:
    for number, peak in problem.cost.peaks():
        price = problem.cost.total.parts[number]
        highest = rows.column(price, 0.0, np.inf, count=1)
        count = len(peak.hours)
        power = rows.row(np.full(count, -np.inf), np.zeros(count))
        rows.put(power[peak.interval], bought[peak.steps], 1 / peak.hours[peak.interval])
        rows.put(power, np.repeat(highest, count), -1.0)
