"""Makes the program smaller without changing it: flows that follow from others are substituted out.

Each equation (1) to (3) can be solved for one flow: the AC bus for import, the battery or the DC bus
for charge, and where PV is not on the battery's side the inverter's two directions are what the
battery gives and takes. Such a flow x = t + T·rest leaves the columns; its limits become a row over
the rest, or limits of the one flow that it equals. The simplex method then has half the columns
and two thirds of the rows to work on, and the optimum is the same: values and shadow prices of the
whole program are computed back. Measured in tests/bench/RESULTS.md.

A smaller program. ``compact.py`` solves the AC bus for import, and the battery (in a hybrid the
DC bus) for charge; elsewhere than in a hybrid the inverter's two directions are what the battery
gives and takes. It is exact and works on the arrays, so that every charge, permission and hybrid
comes along; values and shadow prices of the whole are computed back. Of the other choices,
solving the battery of a hybrid for ``to_dc`` as well needed half the iterations on a year of
hours and twice the time on quarter-hours.

Presolve is off on the small program: with it everything took 5 to 40 % longer.

Read next: ``solver``.
"""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import dataclass, replace

import numpy as np
import scipy.sparse as sparse

from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.planning.matrix import Family, Matrix
from optimizer.planning.solver import Solution

EQUAL_FLOWS = {"to_ac": "discharge", "to_dc": "charge"}
"""Flows that are a multiple of another, where PV is not on the battery's side."""

SOLVED_FOR = {"import_": "ac_bus", "to_ac": "out_of_battery", "to_dc": "into_battery",
              "charge": "battery"}  # fmt: skip
"""For each flow that is substituted out, the equation that is solved for it."""

SOLVED_FOR_IN_HYBRID = {"import_": "ac_bus", "charge": "dc_bus"}

SOLVED_FOR_ORIGIN = {"pv_kept": "origin"}
"""The same where the program tells the origin of what is exported."""

NOTHING = 1e-13
"""Sums of coefficients below this are rounding."""


@dataclass(frozen=True)
class Compact:
    """How c columns and r rows represent a program with C columns and R rows.

    ``spread`` (C, c) and ``shift`` (C, R) give the whole from the rest: x = spread·y + shift·row_low.
    ``kept_columns`` (c,) and ``kept_rows`` number what stays; ``bounded`` numbers the columns whose
    limits became rows, after the rows that were kept. ``table`` (r, c) has the coefficients.
    """

    solved_for: dict[str, str]
    spread: sparse.csr_array
    shift: sparse.csr_array
    kept_columns: IntArray
    kept_rows: IntArray
    bounded: IntArray
    table: sparse.csc_array
    columns: dict[str, Family]
    rows: dict[str, Family]

    @classmethod
    def of(cls, matrix: Matrix) -> Compact:
        """Choose what to substitute and compute the smaller table."""
        solved_for = SOLVED_FOR_IN_HYBRID if "dc_bus" in matrix.rows else SOLVED_FOR
        solved_for = solved_for | (SOLVED_FOR_ORIGIN if "origin" in matrix.rows else {})
        equal = [flow for flow in EQUAL_FLOWS if flow in solved_for]
        spread, shift = _substituted(matrix, solved_for, equal)
        kept_columns, columns = _without(matrix.columns, tuple(solved_for))
        kept_rows, rows = _without(matrix.rows, tuple(solved_for.values()))
        spread = spread[:, kept_columns]
        bounded_flows = [flow for flow in solved_for if flow not in equal]
        for flow in bounded_flows:
            start = sum(family.count for family in rows.values())
            rows[f"limits of {flow}"] = Family(start, matrix.columns[flow].count)
        bounded = np.concatenate([matrix.columns[flow].places for flow in bounded_flows])
        table = sparse.vstack([matrix.table.tocsr()[kept_rows] @ spread, spread[bounded]])
        return cls(
            solved_for, spread, shift, kept_columns, kept_rows, bounded=bounded, table=_tidy(table).tocsc(),
            columns=columns, rows=rows
        )  # fmt: skip

    def program(self, matrix: Matrix) -> Matrix:
        """Return the smaller program of a matrix that has the same coefficients."""
        low, high = self._limits(matrix)
        shift = self.shift @ matrix.row_low
        moved = (matrix.table @ shift)[self.kept_rows]
        off = shift[self.bounded]
        return Matrix(
            self.spread.T @ matrix.cost,
            matrix.offset + float((matrix.cost * shift).sum()),
            low[self.kept_columns],
            high[self.kept_columns],
            matrix.is_integer[self.kept_columns],
            row_low=np.concatenate([matrix.row_low[self.kept_rows] - moved, low[self.bounded] - off]),
            row_high=np.concatenate([matrix.row_high[self.kept_rows] - moved, high[self.bounded] - off]),
            table=self.table, columns=self.columns, rows=self.rows
        )  # fmt: skip

    def whole(self, matrix: Matrix, solution: Solution) -> Solution:
        """Return the whole program's values and shadow prices from those of the smaller one."""
        value = self.spread @ solution.value + self.shift @ matrix.row_low
        row_price, column_price = np.zeros(len(matrix.row_low)), np.zeros(len(matrix.cost))
        kept = len(self.kept_rows)
        row_price[self.kept_rows] = solution.row_price[:kept]
        column_price[self.bounded] = solution.row_price[kept:]
        column_price[self.kept_columns] = solution.column_price
        for flow, other in self._equal_flows:
            self._share_price(matrix, flow, other, column_price)
        table = matrix.table
        for flow, row in self.solved_for.items():
            span, family = matrix.columns[flow].span, matrix.rows[row]
            of_flow = table[:, span]
            factor = of_flow[family.span].diagonal()
            rest = matrix.cost[span] - of_flow.T @ row_price - column_price[span]
            row_price[family.span] = rest / factor
        return replace(
            solution,
            value=np.clip(value, matrix.low, matrix.high),
            row_price=row_price,
            column_price=column_price,
        )

    @property
    def _equal_flows(self) -> list[tuple[str, str]]:
        return [(flow, other) for flow, other in EQUAL_FLOWS.items() if flow in self.solved_for]

    def _limits(self, matrix: Matrix) -> tuple[FloatArray, FloatArray]:
        """Return all columns' limits, those of equal flows taken together."""
        low, high = matrix.low.copy(), matrix.high.copy()
        for flow, other in self._equal_flows:
            factor = _factor(matrix, flow, other)
            span, same = matrix.columns[flow].span, matrix.columns[other].span
            low[same] = np.maximum(low[same], low[span] / factor)
            high[same] = np.minimum(high[same], high[span] / factor)
        return low, high

    def _share_price(self, matrix: Matrix, flow: str, other: str, column_price: FloatArray) -> None:
        """Give the price of a common limit to the flow whose own limit is the tighter one."""
        factor = _factor(matrix, flow, other)
        span, same = matrix.columns[flow].span, matrix.columns[other].span
        price = column_price[same].copy()
        tighter = np.where(
            price < 0,
            matrix.high[span] / factor < matrix.high[same],
            matrix.low[span] / factor > matrix.low[same],
        )
        column_price[span] = np.where(tighter, price / factor, 0.0)
        column_price[same] = np.where(tighter, 0.0, price)


def _factor(matrix: Matrix, flow: str, other: str) -> float:
    """Return flow ÷ other of two flows that are multiples of each other."""
    row = matrix.rows[SOLVED_FOR[flow]].start
    table = matrix.table
    first, second = (matrix.columns[name].start for name in (flow, other))
    return float(-table[row, second] / table[row, first])


def _substituted(
    matrix: Matrix, solved_for: dict[str, str], equal: list[str]
) -> tuple[sparse.csr_array, sparse.csr_array]:
    """Return ``spread`` over all columns, and ``shift``; the equal flows first."""
    row_count, column_count = len(matrix.row_low), len(matrix.cost)
    table = matrix.table.tocsr()
    spread = sparse.csr_array(sparse.eye_array(column_count))
    shift = sparse.csr_array((column_count, row_count))
    for flow in sorted(solved_for, key=lambda flow: flow not in equal):
        family, column = matrix.rows[solved_for[flow]], matrix.columns[flow]
        equation = table[family.span]
        by = sparse.diags_array(1 / equation[:, column.span].diagonal())
        itself = _picked(column, column_count)
        rest = _tidy(((itself - by @ equation) @ spread).tocsr())
        constant = by @ _picked(family, row_count) + (itself - by @ equation) @ shift
        uses = spread[:, column.span]
        spread = _tidy((spread - uses @ itself + uses @ rest).tocsr())
        shift = _tidy((shift + uses @ constant).tocsr())
    return spread, shift


def _picked(family: Family, count: int) -> sparse.csr_array:
    """Return the rows of an identity that belong to a family."""
    ones = np.ones(family.count), (np.arange(family.count), family.places)
    return sparse.csr_array(ones, shape=(family.count, count))


def _tidy(table: sparse.csr_array) -> sparse.csr_array:
    table.data[np.abs(table.data) < NOTHING] = 0.0
    table.eliminate_zeros()
    table.sort_indices()
    return table


def _without(
    families: dict[str, Family], gone: Collection[str]
) -> tuple[IntArray, dict[str, Family]]:
    """Return the places of all other families, and where these stand once they move together."""
    places, moved, start = [np.zeros(0, dtype=np.int64)], {}, 0
    for name, family in families.items():
        if name not in gone:
            places.append(family.places)
            moved[name] = Family(start, family.count)
            start += family.count
    return np.concatenate(places), moved
