"""Solves the printed equations through Pyomo's own solver interface: a second opinion on a plan.

Only this and ``model`` load Pyomo, which the extra ``verify`` brings. Where the relaxed equations let flows
run both ways, those steps get their binaries and all is solved again.

A year with choices of direction takes a tree search minutes, so there the plan is not searched for anew.
That it can be run, and what it costs, is seen from its own flows (``plain.balance``, ``plain.bill``); left is
that none costs less. The year is cut into stretches where no part of the bill reaches over, and each is
solved for itself by the printed equations, energy over its edges being bought and sold at the worth of
stored energy that was written beside the plan. Whatever that worth is, the sum is a bound (Lagrangian
relaxation, see ``pieces``): the plan of the whole, cut up, is a plan of each stretch, and what one sells
the next one buys. A wrong worth makes the bound lower, never too high. If the bound lies too low, the
stretches' directions are joined and the year solved with them, which may find a cheaper plan; then the
whole is searched.
Read next: ``workflows.verify``.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass, replace
from importlib.util import find_spec

import numpy as np

from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.planning.pieces import cost_of_piece, fixed_directions
from optimizer.planning.problem import NATURAL_SLACK_KW, OPPOSITES, Limits, Problem
from optimizer.planning.spans import clusters_of, span_of

BOTH_WAYS_KWH = 1e-5
BEST_TO = 1e-5
"""With integers all is proven to this share of the cost."""

MAX_ROUNDS = 12

MOST_WHOLE = 40_000
"""More steps than these are not solved whole: a year of 5 minutes would take Pyomo gigabytes."""

STRETCH_DAYS = 6.0
"""Stretches are at least so long: shorter ones bound less well, longer ones take the tree longer."""

NOON, MIDNIGHT = 12 * 60, 0
"""Where they are cut: evenings need directions, or sunny hours if stored energy is paid more. [min]"""


@dataclass(frozen=True)
class Printed:
    """What the printed equations prove: no plan costs less than ``bound``. [money]

    ``value`` is what the plan found costs; None if the time was over before one was found that runs no
    flow both ways, or none was looked for. ``steps_with_integers`` counts those of the last round,
    ``stretches`` the parts of the horizon that the bound was added up from; 1 if it was solved whole.
    """

    bound: float
    value: float | None
    steps_with_integers: int
    stretches: int = 1


def has_pyomo() -> bool:
    """Tell whether Pyomo is installed."""
    return find_spec("pyomo") is not None


def solve_printed(
    problem: Problem, time_limit_s: float, enough: float, worth: FloatArray | None = None
) -> Printed | None:
    """Solve the printed equations; None if the time was over before anything was proven.

    Parameters
    ----------
    problem : Problem
        What is planned, on T steps.
    time_limit_s : float
        Most time. [s]
    enough : float
        It ends as soon as no plan can cost less: one that runs no flow both ways, and costs that, needs
        no more proof. [money]
    worth : array, optional
        Shape (T,), worth of a stored kWh at the end of each step, where the plan has integers or many
        steps: stretches are then solved before the whole. [money per kWh]
    """
    until, begun = time.monotonic() + time_limit_s, None
    if worth is not None and len(edges := _edges(problem)) > 1:
        begun, ways = _in_stretches(problem, edges, worth, until)
        is_short = problem.grid.count <= MOST_WHOLE
        if begun is not None and begun.bound < enough and ways is not None and is_short:
            joined, _ = _solved(problem, ways, until, -np.inf)
            if joined is not None and joined.value is not None and joined.value < enough:
                return replace(begun, value=joined.value)
        if begun is not None and (begun.bound >= enough or time.monotonic() >= until):
            return begun
    if problem.grid.count > MOST_WHOLE:
        return begun
    whole, _ = _solved(problem, None, until, enough)
    if whole is None or (begun is not None and whole.value is None and whole.bound < begun.bound):
        return begun
    return whole


# The whole, or one stretch ---------------------------------------------------------------------------


def _solved(
    problem: Problem, given: Limits | None, until: float, enough: float
) -> tuple[Printed | None, dict[str, FloatArray]]:
    """Solve, with binaries where flows run both ways; return the proof, and the flows of the last round."""
    import pyomo.environ as pyo

    from optimizer.planning.model import build_model

    bound, one_way, flows = -np.inf, dict[int, IntArray](), dict[str, FloatArray]()
    limits = given or Limits.of(problem, NATURAL_SLACK_KW)
    for _ in range(MAX_ROUNDS):
        if time.monotonic() >= until:
            break
        model = build_model(problem, limits, one_way)
        solver = pyo.SolverFactory("appsi_highs")
        solver.config.time_limit = max(until - time.monotonic(), 0.01)
        solver.config.load_solution = False
        solver.config.mip_gap = BEST_TO / 2
        found = solver.solve(model)
        if found.problem.lower_bound is not None:
            bound = max(bound, float(found.problem.lower_bound) + problem.cost.constant)
        if str(found.solver.termination_condition) != "optimal":
            break
        solver.load_vars()
        flows, count = _flows(model), sum(map(len, one_way.values()))
        both = _both_ways(flows)
        if both and bound >= enough:
            break
        if not both:
            value = float(pyo.value(model.cost)) + problem.cost.constant
            return Printed(bound, value, count), flows
        limits = given or Limits.of(problem, 0.0)
        empty = np.zeros(0, dtype=np.int64)
        one_way = {
            pair: np.union1d(one_way.get(pair, empty), both.get(pair, empty)).astype(np.int64)
            for pair in one_way.keys() | both.keys()
        }
    count = sum(map(len, one_way.values()))
    return None if bound == -np.inf else Printed(bound, None, count), flows


def _flows(model: object) -> dict[str, FloatArray]:
    """Return the flows of a solved model that have an opposite, shapes (T,). [kWh]"""
    names = [name for pair in OPPOSITES for name in pair if hasattr(model, name)]
    return {
        name: np.array([entry.value or 0.0 for entry in getattr(model, name).values()])
        for name in names
    }


def _both_ways(flows: dict[str, FloatArray]) -> dict[int, IntArray]:
    found = {}
    for pair, (first, second) in enumerate(OPPOSITES):
        if first in flows:
            both = np.minimum(flows[first], flows[second]) > BOTH_WAYS_KWH
            if both.any():
                found[pair] = np.flatnonzero(both).astype(np.int64)
    return found


# Stretch by stretch ----------------------------------------------------------------------------------


def _edges(problem: Problem) -> list[int]:
    """Return the first steps of stretches between which only stored energy passes."""
    parts, count, grid = problem.cost.parts, problem.grid.count, problem.grid
    inside = np.zeros(count + 1, dtype=np.int64)
    for members in clusters_of(parts):
        low, high = span_of(parts, members, count)
        if low + 1 < high:
            inside[low + 1] += 1
            inside[high] -= 1
    free = np.cumsum(inside)[:count] == 0
    minutes = (MIDNIGHT, NOON) if problem.cost.prices("stored_export_kwh") else (NOON, MIDNIGHT)
    at = [np.flatnonzero(free & (grid.minute_of_day == minute)) for minute in minutes]
    edges = [0]
    for step in (at[0] if len(at[0]) else at[1]).tolist():
        if min(step - edges[-1], count - step) >= STRETCH_DAYS * 24 / grid.step_h:
            edges.append(step)
    return [0] if problem.is_cyclic else edges


def _in_stretches(
    problem: Problem, edges: Sequence[int], worth: FloatArray, until: float
) -> tuple[Printed | None, Limits | None]:
    """Return the bound that stretches add up to, and limits that keep their directions.

    None where the time was over before all of them were solved, or one of them still ran both ways.
    """
    bound, count, runs = problem.cost.constant, 0, list[dict[str, FloatArray]]()
    are_plans = True
    for first, end in zip(edges, [*edges[1:], problem.grid.count], strict=True):
        stretch = _stretch(problem, worth, first, end)
        proof, flows = _solved(stretch, Limits.of(stretch, 0.0), until, np.inf)
        if proof is None:
            return None, None
        bound, count = bound + proof.bound, count + proof.steps_with_integers
        are_plans &= proof.value is not None
        runs.append(flows)
    printed = Printed(bound, None, count, len(edges))
    if not are_plans:
        return printed, None
    every = np.arange(problem.grid.count)
    joined = {name: np.concatenate([run[name] for run in runs]) for name in runs[0]}
    pairs = {pair: two for pair, two in enumerate(OPPOSITES) if two[0] in joined}
    ways = {pair: joined[first] >= joined[second] for pair, (first, second) in pairs.items()}
    return printed, fixed_directions(Limits.of(problem), dict.fromkeys(ways, every), ways)


def _stretch(problem: Problem, worth: FloatArray, first: int, end: int) -> Problem:
    """Return the steps from ``first`` to before ``end``; energy over their edges has its worth."""
    kept = problem.plant.kept_per_step(problem.grid.step_h)
    is_first, is_last = first == 0, end == problem.grid.count
    parts, last = problem.cost.parts, problem.grid.count - 1
    members = np.array(sorted(
        number for cluster in clusters_of(parts)
        if first <= min(span_of(parts, cluster, problem.grid.count)[0], last) < end
        for number in cluster
    ), dtype=np.int64)  # fmt: skip
    weights = {flow: problem.cost.weight(flow)[first:end] for flow in problem.cost.total.weights}
    part = problem.on(
        grid=problem.grid.part(first, end - first),
        load_kwh=problem.load_kwh[first:end],
        pv_kwh=problem.pv_kwh[first:end],
    )
    return replace(
        part,
        cost=cost_of_piece(problem.cost, members, weights, first, end),
        chooses_start=problem.chooses_start or not is_first,
        start_price_per_kwh=problem.start_price_per_kwh if is_first else kept * float(worth[first]),
        end_kwh=problem.end_kwh if is_last else None,
        leftover_per_kwh=problem.leftover_per_kwh if is_last else kept * float(worth[end]),
    )
