"""What one unit more of the equipment would save: a second plan, solved from where the first one stands.

Where several optimal plans or prices exist, the shadow prices of one optimum give the slope of the cost to
one side or the other, or something between. The slope towards *more* is that of a plan with a little
more: its shadow prices hold from there down to the first plan. All that moves with a size is moved: with
the battery its floor, reserve, ceiling, start and end, which are shares of it.
Source: directional derivatives of a linear program in its right-hand side, any textbook of linear
programming. Read next: ``plan``.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from optimizer.base.errors import Interrupted, SolveError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import BoolArray, FloatArray
from optimizer.cost.expression import LinearCost
from optimizer.planning.linear import LinearSolver, dual_bound
from optimizer.planning.matrix import Matrix, matrix_of
from optimizer.planning.pieces import fixed_directions
from optimizer.planning.problem import Limits, OneWay, Problem
from optimizer.planning.solver import Solution
from optimizer.planning.tangent import (
    LITTLE,
    bigger_battery,
    bigger_connection,
    bigger_export,
    bigger_inverter,
    faster_charging,
    faster_discharging,
    resized,
)
from optimizer.site.equipment import UNLIMITED_KW, Plant

SECONDS = 60.0
"""Most time for one second plan. [s]"""

TOUCHES_KWH = 1e-6
"""A flow as near as this to a limit may be held by it. [kWh]"""

SAME_COST = 1e-6
"""Two readings of one plan's cost that differ by less are the same. [money]"""

MORE: dict[str, tuple[Callable[[Plant, float], Plant], Callable[[Plant], float]]] = {
    "battery capacity, per kWh": (bigger_battery, lambda plant: plant.usable_kwh),
    "charging power, per kW": (faster_charging, lambda plant: plant.charge_kw),
    "discharging power, per kW": (faster_discharging, lambda plant: plant.discharge_kw),
    "inverter, per kW": (bigger_inverter, lambda plant: plant.ac_limit_kw),
    "import limit, per kW": (bigger_connection, lambda plant: plant.import_limit_kw),
    "export limit, per kW": (bigger_export, lambda plant: plant.export_limit_kw),
}
"""What there may be more of: how a plant with more comes about, and how much there is."""


@dataclass(frozen=True)
class Nearby:
    """A plan from which others are solved that differ a little.

    ``cost`` is the one that was planned with, where it is not the problem's own (one side of each wide
    kink); ``one_way`` and ``ways`` are the directions that were chosen, ``which`` the tariff's choices:
    both are kept. ``value`` holds the plan's columns.
    """

    problem: Problem
    cost: LinearCost
    value: FloatArray
    solver: LinearSolver
    slack_kw: float
    one_way: OneWay
    ways: Mapping[int, BoolArray]
    which: FloatArray

    @cached_property
    def worths(self) -> dict[str, float]:
        """Saving over the horizon by one unit more of each thing, above 0. [money per unit]"""
        found = {
            name: self.worth(grown)
            for name, (grown, there_is) in MORE.items()
            if there_is(self.problem.plant) < UNLIMITED_KW
        }
        return {name: worth for name, worth in found.items() if abs(worth) > 1e-9}

    def worth(self, grown: Callable[[Plant, float], Plant]) -> float:
        """Return what the horizon's cost falls by for one unit more of something. [money per unit]

        Parameters
        ----------
        grown : callable
            Gives the plant with so many units more. The battery's start and end stay the same share
            above its lowest level. 0 if no second plan is found in time.
        """
        other = resized(self.problem, grown(self.problem.plant, LITTLE))
        try:
            return self._saved_by(other) / LITTLE
        except Interrupted:
            raise
        except SolveError:
            return 0.0

    def _saved_by(self, other: Problem) -> float:
        """Return what a slightly different problem costs less, by its own shadow prices. [money]"""
        here = self._program(self.problem, self.cost)
        there = self._program(other, self.cost)
        if self._holds_in(here, there):
            return 0.0
        found = self._solved(there)
        if self.cost is not self.problem.cost and not self._is_exact(other, there, found):
            here, there = (self._program(each, each.cost) for each in (self.problem, other))
            found = self._solved(there)
        return dual_bound(here, found.row_price) - dual_bound(there, found.row_price)

    def _solved(self, matrix: Matrix) -> Solution:
        end = time.monotonic() + SECONDS
        return self.solver.solve_near(matrix, lambda: max(end - time.monotonic(), 0.01))

    def _program(self, problem: Problem, cost: LinearCost) -> Matrix:
        limits = fixed_directions(Limits.of(problem, self.slack_kw), self.one_way, self.ways)
        matrix = matrix_of(replace(problem, cost=cost), limits, {})
        whole = matrix.is_integer.astype(bool)
        low, high = matrix.low.copy(), matrix.high.copy()
        low[whole] = high[whole] = np.round(self.which)
        return replace(matrix, low=low, high=high, is_integer=0 * matrix.is_integer)

    def _holds_in(self, here: Matrix, there: Matrix) -> bool:
        """Whether the plan stands at no limit that moved: then it stays the cheapest."""
        if not np.array_equal(here.table.data, there.table.data):
            return False
        moved = (here.high != there.high) & (self.value > here.high - TOUCHES_KWH)
        moved |= (here.low != there.low) & (self.value < here.low + TOUCHES_KWH)
        rows = (here.row_low != there.row_low) | (here.row_high != there.row_high)
        return not (moved.any() or rows.any())

    def _is_exact(self, other: Problem, matrix: Matrix, found: Solution) -> bool:
        """Whether the sides of wide kinks that were planned with are right for this plan too."""
        columns = (matrix.columns[name].span for name in ("import_", "export_", "pv_used"))
        bought, sold, pv = (np.maximum(found.value[span], 0) for span in columns)
        stored = np.maximum(sold - other.plant.pv_to_ac_efficiency * pv, 0)
        flows = Flows.of_meter(other.grid, bought, sold, stored_export_kwh=stored)
        return abs(other.cost.value(flows) - self.cost.value(flows)) <= SAME_COST
