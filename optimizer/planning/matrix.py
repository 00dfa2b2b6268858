"""The equations of ``model`` as arrays, written by whole families of columns and rows.

A general modelling layer calls a rule for every step; here numpy writes all steps of a family at
once. Columns and rows bear the names and the order of the Pyomo model, and a test holds every
coefficient, limit and price against it.

The equations stand twice, and are held together. ``model.py`` has them as ordinary Pyomo rules,
to be read beside the printed page; ``matrix.py`` writes the same columns and rows with numpy, by
whole families, in 10 ms for a year of hours (Pyomo's symbolic templates, which stood here before,
took ten times as long and were no public interface). A test holds every coefficient, limit and
price of 18 problems to Pyomo's reading, another the optimum of a year to Pyomo's own interface to
the solver.

Read next: ``compact``, which makes the arrays smaller.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

import numpy as np
import scipy.sparse as sparse
from numpy.typing import ArrayLike

from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.planning.cost_rows import CostRows
from optimizer.planning.problem import (
    OPPOSITES,
    Limits,
    OneWay,
    Problem,
    flow_variables,
    rows_of,
    steps_of_filling,
)
from optimizer.planning.spans import edges_of


@dataclass(frozen=True)
class Family:
    """A run of columns or rows that share a name: ``[start, start + count)``."""

    start: int
    count: int

    @property
    def span(self) -> slice:
        """The family's places in the arrays."""
        return slice(self.start, self.start + self.count)

    @property
    def places(self) -> IntArray:
        """The same as numbers, shape (count,)."""
        return np.arange(self.start, self.start + self.count)


@dataclass(frozen=True)
class Bounds:
    """The least and the largest value of each column, and of each row."""

    columns: tuple[FloatArray, FloatArray]
    rows: tuple[FloatArray, FloatArray]


@dataclass(frozen=True)
class Matrix:
    """min cost·x + offset, row_low ≤ table·x ≤ row_high, low ≤ x ≤ high.

    ``columns`` and ``rows`` name the families of the model's variables and constraints. ``edges``
    are the steps at which its horizon may be cut into months.
    """

    cost: FloatArray
    offset: float
    low: FloatArray
    high: FloatArray
    is_integer: IntArray
    row_low: FloatArray
    row_high: FloatArray
    table: sparse.csc_array
    columns: dict[str, Family]
    rows: dict[str, Family]
    step_h: float = 1.0
    edges: tuple[int, ...] = (0,)

    @property
    def bounds(self) -> Bounds:
        """All that can change beside the costs while the coefficients stay."""
        return Bounds((self.low, self.high), (self.row_low, self.row_high))

    def has_coefficients_of(self, other: Matrix) -> bool:
        """Whether the two differ in costs and limits only."""
        return (
            self.columns == other.columns
            and self.rows == other.rows
            and np.array_equal(self.table.indptr, other.table.indptr)
            and np.array_equal(self.table.indices, other.table.indices)
            and np.array_equal(self.table.data, other.table.data)
        )


def matrix_of(problem: Problem, limits: Limits, one_way: OneWay) -> Matrix:
    """Return the arrays of a problem; parameters as for ``model.build_model``."""
    rows = rows_of(problem.cost, limits)
    writer = _Writer()
    _declare_columns(writer, problem, limits, rows, one_way)
    _balance_both_buses(writer, problem)
    _carry_stored_energy(writer, problem)
    _obey_permissions(writer, problem)
    _tell_origin_of_export(writer, problem)
    _limit_cycles(writer, problem)
    for name, family in rows.families.items():
        writer.rows(name, -np.inf, family.high)
        for kind, (row, place, share) in family.entries.items():
            writer.put_at(row, kind, place, share)
    for pair, steps in one_way.items():
        _run_one_way(writer, pair, steps, limits)
    return replace(writer.matrix(), step_h=problem.grid.step_h, edges=edges_of(problem))


@dataclass
class _Writer:
    """Columns and rows in the making; ``put`` writes into the rows declared last."""

    columns: dict[str, Family] = field(default_factory=dict)
    row_families: dict[str, Family] = field(default_factory=dict)
    cost: list[FloatArray] = field(default_factory=list)
    low: list[FloatArray] = field(default_factory=list)
    high: list[FloatArray] = field(default_factory=list)
    is_integer: list[IntArray] = field(default_factory=list)
    row_low: list[FloatArray] = field(default_factory=list)
    row_high: list[FloatArray] = field(default_factory=list)
    entry_rows: list[IntArray] = field(default_factory=list)
    entry_columns: list[IntArray] = field(default_factory=list)
    entry_values: list[FloatArray] = field(default_factory=list)

    def column(
        self,
        name: str,
        count: int,
        *,
        cost: ArrayLike = 0.0,
        low: ArrayLike = 0.0,
        high: ArrayLike = np.inf,
        whole: bool = False,
    ) -> None:
        """Append a family of columns."""
        self.columns[name] = Family(_end(self.columns), count)
        for kept, values in ((self.cost, cost), (self.low, low), (self.high, high)):
            kept.append(np.broadcast_to(np.asarray(values, dtype=float), (count,)))
        self.is_integer.append(np.full(count, int(whole)))

    def rows(self, name: str, low: ArrayLike, high: FloatArray) -> None:
        """Append a family of rows."""
        self.row_families[name] = Family(_end(self.row_families), len(high))
        self.row_low.append(np.broadcast_to(np.asarray(low, dtype=float), high.shape))
        self.row_high.append(high)

    def put(self, column: str, value: ArrayLike, place: IntArray | None = None) -> None:
        """Write one entry into each row: of the column of the same number, or at ``place``."""
        count = next(reversed(self.row_families.values())).count
        at = np.arange(count) if place is None else place
        self.put_at(np.arange(count), column, at, value)

    def put_at(self, row: IntArray, column: str, place: IntArray, value: ArrayLike) -> None:
        """Write entries at rows counted from the family's first."""
        self.entry_rows.append(row + next(reversed(self.row_families.values())).start)
        self.entry_columns.append(place + self.columns[column].start)
        self.entry_values.append(np.broadcast_to(np.asarray(value, dtype=float), row.shape))

    def matrix(self) -> Matrix:
        """Return all arrays."""
        shape = _end(self.row_families), _end(self.columns)
        places = np.concatenate(self.entry_rows), np.concatenate(self.entry_columns)
        table = sparse.csc_array((np.concatenate(self.entry_values), places), shape=shape)
        table.eliminate_zeros()
        return Matrix(
            np.concatenate(self.cost), 0.0, np.concatenate(self.low), np.concatenate(self.high),
            np.concatenate(self.is_integer),
            row_low=np.concatenate(self.row_low), row_high=np.concatenate(self.row_high),
            table=table, columns=self.columns, rows=self.row_families
        )  # fmt: skip


def _end(families: dict[str, Family]) -> int:
    last = next(reversed(families.values()), Family(0, 0))
    return last.start + last.count


def _declare_columns(
    writer: _Writer, problem: Problem, limits: Limits, rows: CostRows, one_way: OneWay
) -> None:
    """(9) and (0): the limits and the price of every variable."""
    count, plant = problem.grid.count, problem.plant
    price: dict[str, ArrayLike] = {
        "import_": problem.cost.weight("import_kwh"),
        "export_": problem.cost.weight("export_kwh"),
        "stored_export": problem.cost.weight("stored_export_kwh"),
        "discharge": plant.wear_per_kwh,
    }
    for name in flow_variables(problem.cost):
        writer.column(name, count, cost=price.get(name, 0.0), high=getattr(limits, name))
    low, high = problem.low_kwh, np.full(count, float(plant.high_kwh))
    worth = np.zeros(count)
    if problem.end_kwh is None:
        worth[-1] = problem.leftover_per_kwh
    else:
        low[-1] = high[-1] = problem.end_kwh
    writer.column("stored", count, cost=-worth, low=low, high=high)
    start = problem.start_kwh
    levels = (plant.low_kwh, plant.high_kwh) if start is None else (start, start)
    writer.column(
        "start", 1, cost=problem.start_price_per_kwh or 0.0, low=levels[0], high=levels[1]
    )
    writer.column("part", len(rows.low), cost=rows.cost, low=rows.low)
    writer.column("which", len(rows.which), high=1.0, whole=True)
    for pair, steps in one_way.items():
        writer.column(f"way{pair}", len(steps), high=1.0, whole=True)


def _balance_both_buses(writer: _Writer, problem: Problem) -> None:
    """(1) and (2): what enters a bus leaves it."""
    plant, nothing = problem.plant, np.zeros(problem.grid.count)
    writer.rows("ac_bus", problem.load_kwh, problem.load_kwh)
    writer.put("import_", 1.0)
    writer.put("pv_used", 0.0 if plant.pv_on_dc_side else 1.0)
    writer.put("to_ac", plant.to_ac_efficiency)
    writer.put("export_", -1.0)
    writer.put("to_dc", -1.0)
    if plant.pv_on_dc_side:
        writer.rows("dc_bus", nothing, nothing)
        writer.put("pv_used", 1.0)
        writer.put("discharge", 1.0)
        writer.put("to_dc", plant.to_dc_efficiency)
        writer.put("charge", -1.0)
        writer.put("to_ac", -1.0)
        return
    writer.rows("out_of_battery", nothing, nothing)
    writer.put("discharge", 1.0)
    writer.put("to_ac", -1.0)
    writer.rows("into_battery", nothing, nothing)
    writer.put("to_dc", plant.to_dc_efficiency)
    writer.put("charge", -1.0)


def _carry_stored_energy(writer: _Writer, problem: Problem) -> None:
    """(3): the battery keeps what it does not lose; before the first step it holds the start."""
    plant, count = problem.plant, problem.grid.count
    kept = plant.kept_per_step(problem.grid.step_h)
    settled = np.full(count, (1 - kept) * plant.low_kwh)
    step = np.arange(count)
    writer.rows("battery", settled, settled)
    writer.put("stored", 1.0)
    writer.put_at(step[1:], "stored", step[:-1], -kept)
    writer.put_at(step[:1], *(("stored", step[-1:]) if problem.is_cyclic else ("start", step[:1])),
                  -kept)  # fmt: skip
    writer.put("charge", -plant.charge_efficiency)
    writer.put("discharge", 1 / plant.discharge_efficiency)


def _obey_permissions(writer: _Writer, problem: Problem) -> None:
    """(4) and (5): so much filling from the grid, no export of stored energy."""
    plant, nothing = problem.plant, np.zeros(problem.grid.count)
    limited = steps_of_filling(problem)
    if len(limited):
        writer.rows("filling", -np.inf, problem.horizon.limits.fill_kwh[limited])
        writer.put("to_dc", 1.0, limited)
        writer.put("pv_used", -1.0, limited)
    if not plant.may_export_stored:
        writer.rows("no_stored_export", -np.inf, nothing)
        writer.put("export_", 1.0)
        writer.put("pv_used", -plant.pv_to_ac_efficiency)


def _tell_origin_of_export(writer: _Writer, problem: Problem) -> None:
    """(10): what is exported is PV first, and the rest is stored energy."""
    if "stored_export" not in writer.columns:
        return
    nothing = np.zeros(problem.grid.count)
    writer.rows("origin", nothing, nothing)
    writer.put("export_", 1.0)
    writer.put("stored_export", -1.0)
    writer.put("pv_used", -problem.plant.pv_to_ac_efficiency)
    writer.put("pv_kept", 1.0)


def _limit_cycles(writer: _Writer, problem: Problem) -> None:
    """(6): the discharge of a day stays within the cycles allowed."""
    plant, day = problem.plant, problem.grid.day
    if plant.cycles_per_day is None:
        return
    allowed = plant.cycles_per_day * plant.capacity_kwh
    writer.rows("cycles", -np.inf, np.full(int(day[-1]) + 1, allowed))
    writer.put_at(day, "discharge", np.arange(problem.grid.count), 1.0)


def _run_one_way(writer: _Writer, pair: int, steps: IntArray, limits: Limits) -> None:
    """(8): first ≤ limit·way and second ≤ limit·(1 − way), way in {0, 1}."""
    first, second = OPPOSITES[pair]
    most_first, most_second = (getattr(limits, name)[steps] for name in OPPOSITES[pair])
    writer.rows(f"way{pair}_{first}", -np.inf, np.zeros(len(steps)))
    writer.put(first, 1.0, steps)
    writer.put(f"way{pair}", -most_first)
    writer.rows(f"way{pair}_{second}", -np.inf, most_second)
    writer.put(second, 1.0, steps)
    writer.put(f"way{pair}", most_second)
