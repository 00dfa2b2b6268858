"""Counts energies and money in units that suit a site, so that the solver's tolerances do too.

The solver takes 1e-7 of whatever it is given for nothing: of a site of one watt, or of prices of a
millionth, that is the very thing that is planned. So a program is handed over in units in which usual
limits, prices and coefficients are neither tiny nor huge; those of most sites are kWh and the
tariff's currency, and nothing changes. Units are powers of two: no digit is lost.

Of energy a narrower range is taken as it is: a price that the solver takes for nothing, 1e-7, is money
after all times thousands of kWh (2 of 450 drawn plans could not be proven at first, with it none).

A unit must stay far below what it counts. Once units lay four digits apart and the nearest was taken:
an office of 100 kWh a step was counted by 8,192 kWh, the solver's tolerance was 0.0008 kWh, and 4 of 51
such plans were refused, for bill and objective differed or energies did not add up.

Read next: ``solver``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np

from optimizer.base.timegrid import FloatArray
from optimizer.planning.matrix import Matrix

if TYPE_CHECKING:
    from optimizer.planning.solver import Solution

LEAST_ENERGY, MOST_ENERGY = 0.5, 2.0**7
LEAST, MOST = 2.0**-6, 2.0**12
"""Limits of energy, and other values, that lie between the least and the most are counted as they are."""

AIM = 2.0**5
"""All others are counted by a unit of which they come to about so many."""

ROUNDING = 1e-9
"""Of prices, what is less than this share of the highest comes of arithmetic, not of the tariff."""

DEPTH = 4
"""So deep parts of a bill stand in each other's rows where prices are looked for."""

CHOICES = ("which", "way")
"""How the names of columns begin that are nought or one."""


@dataclass(frozen=True)
class Units:
    """What counts as one of each column and each row, shapes (columns,) and (rows,), and of money."""

    columns: FloatArray
    rows: FloatArray
    money: float

    @classmethod
    def of(cls, matrix: Matrix) -> Units:
        """Return the units that suit limits, prices and rows of a program; a made small one has its own."""
        if "import_" not in matrix.columns:
            return cls(np.ones(len(matrix.cost)), np.ones(len(matrix.row_low)), 1.0)
        flow, parts = matrix.columns["import_"].span, matrix.columns["part"].span
        bought, worth = _prices(matrix)
        kwh = _usual(matrix.high[flow], LEAST_ENERGY, MOST_ENERGY)
        money = kwh * _usual(bought)
        columns = np.full(len(matrix.cost), kwh)
        for name, family in matrix.columns.items():
            if name.startswith(CHOICES):
                columns[family.span] = 1.0
        # of kW, kWh or money: such that a unit of it costs one of money
        columns[parts] = np.where(worth > 0, money / _units(worth), kwh)
        table = matrix.table.copy()
        table.data = np.abs(table.data) * np.repeat(columns, np.diff(table.indptr))
        return cls(columns, _units(table.max(axis=1).toarray().ravel()), money)

    @property
    def are_plain(self) -> bool:
        """Whether they are kWh and the tariff's currency throughout."""
        return self.money == 1.0 and bool((self.columns == 1).all() and (self.rows == 1).all())

    def into(self, matrix: Matrix) -> Matrix:
        """Return the program in these units; choices stay nought or one."""
        if self.are_plain:
            return matrix
        table = matrix.table.copy()
        table.data = table.data * np.repeat(self.columns, np.diff(table.indptr))
        table.data = table.data / self.rows[table.indices]
        return replace(
            matrix, cost=matrix.cost * self.columns / self.money, offset=matrix.offset / self.money,
            low=matrix.low / self.columns, high=matrix.high / self.columns,
            row_low=matrix.row_low / self.rows, row_high=matrix.row_high / self.rows, table=table,
        )  # fmt: skip

    def back(self, solution: Solution) -> Solution:
        """Return a solution in kWh and money."""
        if self.are_plain:
            return solution
        return replace(
            solution,
            value=solution.value * self.columns,
            objective=solution.objective * self.money,
            row_price=_worth(solution.row_price, self.money, self.rows),
            column_price=_worth(solution.column_price, self.money, self.columns),
        )


def _worth(prices: FloatArray, money: float, units: FloatArray) -> FloatArray:
    """Return prices in money; an answer with integers has none."""
    return prices * money / units if len(prices) else prices


def _prices(matrix: Matrix) -> tuple[FloatArray, FloatArray]:
    """Return what import costs a kWh, directly or by parts of the bill, and what a unit of each part costs.

    A part that stands in the row of another has its price by that row.
    """
    flow, parts = matrix.columns["import_"].span, matrix.columns["part"].span
    cost = np.abs(matrix.cost)
    cost[cost < ROUNDING * cost.max(initial=0.0)] = 0.0
    of_parts, worth = abs(matrix.table[:, parts]).tocoo(), cost[parts].copy()
    rows = np.zeros(len(matrix.row_low))
    for _ in range(DEPTH):
        np.maximum.at(rows, of_parts.row, worth[of_parts.col] / of_parts.data)
        more = np.zeros(len(worth))
        np.maximum.at(more, of_parts.col, rows[of_parts.row] * of_parts.data)
        worth = np.where(worth > 0, worth, more)
    in_rows = abs(matrix.table[:, flow]).max(axis=1).toarray().ravel()
    return np.concatenate([cost[flow], rows * in_rows]), worth


def _usual(values: FloatArray, least: float = LEAST, most: float = MOST) -> float:
    """Return the unit that suits the middle of the values that are not nought."""
    found = values[(values > 0) & np.isfinite(values)]
    return float(_units(np.median(found, keepdims=True), least, most)[0]) if len(found) else 1.0


def _units(values: FloatArray, least: float = LEAST, most: float = MOST) -> FloatArray:
    """Return a unit for each value: one where it is usual, or nought, else a power of two well below it."""
    plain = ((values >= least) & (values < most)) | (values == 0)
    return np.exp2(np.round(np.log2(np.where(plain, AIM, values) / AIM)))
