"""Solves the printed equations through Pyomo's own solver interface: a second opinion on a plan.

Only this and ``model`` load Pyomo, which the extra ``verify`` brings. Where the relaxed equations let flows
run both ways, those steps get their binaries and all is solved again. Read next: ``workflows.verify``.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from importlib.util import find_spec

import numpy as np

from optimizer.base.timegrid import IntArray
from optimizer.planning.problem import NATURAL_SLACK_KW, OPPOSITES, Limits, Problem

BOTH_WAYS_KWH = 1e-5
BEST_TO = 1e-5
"""With integers all is proven to this share of the cost."""

MAX_ROUNDS = 12


@dataclass(frozen=True)
class Printed:
    """What the printed equations prove: no plan costs less than ``bound``. [money]

    ``value`` is what the plan found costs; None if the time was over before one was found that runs no
    flow both ways. ``steps_with_integers`` counts those of the last round.
    """

    bound: float
    value: float | None
    steps_with_integers: int


def has_pyomo() -> bool:
    """Tell whether Pyomo is installed."""
    return find_spec("pyomo") is not None


def solve_printed(problem: Problem, time_limit_s: float, enough: float) -> Printed | None:
    """Solve the printed equations; None if the time was over before anything was proven.

    It ends as soon as no plan can cost less than ``enough``: one that runs no flow both ways, and costs
    that, needs no more proof. [money]
    """
    import pyomo.environ as pyo

    from optimizer.planning.model import build_model

    begun, bound = time.monotonic(), -np.inf
    slack, one_way = NATURAL_SLACK_KW, dict[int, IntArray]()
    for _ in range(MAX_ROUNDS):
        left = time_limit_s - (time.monotonic() - begun)
        if left <= 0:
            break
        model = build_model(problem, Limits.of(problem, slack), one_way)
        solver = pyo.SolverFactory("appsi_highs")
        solver.config.mip_gap = BEST_TO / 2
        # Both are told here: what the configuration says of them is overwritten by the call.
        found = solver.solve(model, load_solutions=False, timelimit=left)
        if found.problem.lower_bound is not None:
            bound = max(bound, float(found.problem.lower_bound) + problem.cost.constant)
        if str(found.solver.termination_condition) != "optimal":
            break
        solver.load_vars()
        count = sum(map(len, one_way.values()))
        both = _both_ways(model)
        if both and bound >= enough:
            break
        if not both:
            return Printed(bound, float(pyo.value(model.cost)) + problem.cost.constant, count)
        slack = 0.0
        empty = np.zeros(0, dtype=np.int64)
        one_way = {
            pair: np.union1d(one_way.get(pair, empty), both.get(pair, empty)).astype(np.int64)
            for pair in one_way.keys() | both.keys()
        }
    return None if bound == -np.inf else Printed(bound, None, sum(map(len, one_way.values())))


def _both_ways(model: object) -> dict[int, IntArray]:
    found = {}
    for pair, names in enumerate(OPPOSITES):
        if not all(hasattr(model, name) for name in names):
            continue
        first, second = (
            np.array([entry.value or 0.0 for entry in getattr(model, name).values()])
            for name in names
        )
        steps = np.flatnonzero(np.minimum(first, second) > BOTH_WAYS_KWH)
        if len(steps):
            found[pair] = steps.astype(np.int64)
    return found
