"""A bill is an expression: a small algebra of cost nodes with two readings.

``evaluate`` reads a node in plain arithmetic and gives the bill of some flows. ``linear_cost``
reads the same node as weights and peaks; the plan turns these into LP columns and rows, the
search scores replays with them. The set of charges is open, the set of nodes is small and closed:

==============  =====================================================  =======================
node            what                                                   in the LP
==============  =====================================================  =======================
``FlowSum``     weighted sum of one flow over steps                    linear
``Peak``        highest mean power over demand intervals               a variable, rows ``≥``
``Scale``       a factor times a node                                  keeps or turns curvature
``Sum``         the sum of nodes                                       sum
``Constant``    an amount                                              constant
==============  =====================================================  =======================

The two readings must agree on any flows: tests pin the LP's flows to random meters, and every run
compares the plan's bill with the LP's objective. Read next: ``charges.base``.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np

from optimizer.flows import FlowName, Flows
from optimizer.timegrid import FloatArray, IntArray


@dataclass(frozen=True, eq=False)
class FlowSum:
    """Σ weight × energy over chosen steps of one flow.

    ``steps`` and ``weights`` have shape (S,); weights are money per kWh, or 1 to count energy.
    """

    flow: FlowName
    steps: IntArray
    weights: FloatArray


@dataclass(frozen=True, eq=False)
class Peak:
    """Highest mean power over the demand intervals of chosen steps. [kW]

    Parameters
    ----------
    steps : array
        Shape (S,), the steps looked at, rising.
    interval : array
        Shape (S,), the number of the demand interval of each step, rising from 0 without holes.
    step_h : float
        Length of a step. [h]
    at_least_kw : float
        A peak already reached; the result is never below it.
    """

    flow: FlowName
    steps: IntArray
    interval: IntArray
    step_h: float
    at_least_kw: float = 0.0

    @cached_property
    def first_of_interval(self) -> IntArray:
        """Positions in ``steps`` at which each interval begins, shape (I,)."""
        return np.flatnonzero(np.diff(self.interval, prepend=-1)).astype(np.int64)

    @cached_property
    def hours(self) -> FloatArray:
        """Length of each interval as far as the grid covers it, shape (I,). [h]"""
        return np.bincount(self.interval).astype(np.float64) * self.step_h

    def interval_kw(self, energy_kwh: FloatArray) -> FloatArray:
        """Return the mean power of each interval, shape (I,). [kW]"""
        sums = np.add.reduceat(energy_kwh[self.steps], self.first_of_interval)
        return np.asarray(sums, dtype=np.float64) / self.hours


@dataclass(frozen=True, eq=False)
class Scale:
    """A factor times another node."""

    factor: float
    of: Node


@dataclass(frozen=True, eq=False)
class Sum:
    """The sum of nodes."""

    terms: tuple[Node, ...]


@dataclass(frozen=True, eq=False)
class Constant:
    """An amount that no flow changes."""

    amount: float


Node = FlowSum | Peak | Scale | Sum | Constant


def evaluate(node: Node, flows: Flows) -> float:
    """Return the value of a node for given flows: money, kWh or kW as the node says."""
    match node:
        case FlowSum():
            return float(getattr(flows, node.flow)[node.steps] @ node.weights)
        case Peak():
            highest = node.interval_kw(getattr(flows, node.flow)).max(initial=0.0)
            return max(float(highest), node.at_least_kw)
        case Scale():
            return node.factor * evaluate(node.of, flows)
        case Sum():
            return sum(evaluate(term, flows) for term in node.terms)
        case Constant():
            return node.amount


@dataclass(frozen=True)
class LinearCost:
    """A node as weights and peaks: constant + Σ weights·flow + Σ rate × peak.

    ``weights`` holds, for each flow that costs or earns, money per kWh, shape (T,).
    ``peaks`` holds each distinct peak once, with its net rate. [money per kW]
    """

    constant: float
    weights: dict[FlowName, FloatArray]
    peaks: tuple[tuple[float, Peak], ...]

    @property
    def is_convex(self) -> bool:
        """Whether the cost is convex in the flows, so that the plan is an LP.

        Linear terms are; a peak is convex, so its net rate must not be negative.
        """
        return all(rate >= 0 for rate, _ in self.peaks)

    def weight(self, flow: FlowName, count: int) -> FloatArray:
        """Return money per kWh of a flow at each of T steps; zeros where it costs nothing."""
        return self.weights.get(flow, np.zeros(count))

    def value(self, flows: Flows) -> float:
        """Return the cost of some flows, from the weights and peaks alone."""
        energy = sum(float(w @ getattr(flows, name)) for name, w in self.weights.items())
        demand = sum(rate * evaluate(peak, flows) for rate, peak in self.peaks)
        return self.constant + energy + demand


def linear_cost(node: Node, count: int) -> LinearCost:
    """Read a node as weights and peaks on a grid of ``count`` steps."""
    constants: list[float] = []
    weights: dict[FlowName, FloatArray] = {}
    rates: dict[Peak, float] = {}

    def add(part: Node, factor: float) -> None:
        match part:
            case FlowSum():
                row = weights.setdefault(part.flow, np.zeros(count))
                np.add.at(row, part.steps, factor * part.weights)
            case Peak():
                rates[part] = rates.get(part, 0.0) + factor
            case Scale():
                add(part.of, factor * part.factor)
            case Sum():
                for term in part.terms:
                    add(term, factor)
            case Constant():
                constants.append(factor * part.amount)

    add(node, 1.0)
    peaks = tuple((rate, peak) for peak, rate in rates.items() if rate != 0)
    return LinearCost(sum(constants), weights, peaks)
