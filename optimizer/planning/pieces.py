"""Solves a plan with integers in pieces, and proves how good the whole is.

Steps that need integers come in clusters (the evenings on which selling pays more than buying
costs), and the battery's level ties one day to the next. Handed over whole, a year of them takes
the solver minutes. So the horizon is cut into days at noon. Each day is a small problem of its own:
energy that enters and leaves it over its edges is priced at the shadow price of stored energy, and
flows that make a peak or another part of the bill at the shadow prices of that part's rows
(Lagrangian relaxation). Two things follow:

- the days' choices of direction make a whole plan, a linear program with those directions fixed;
- the sum of the days' costs is a bound: no plan whatever costs less.

The fixed plan gives new shadow prices, with which the days are solved again, until both meet or
nothing changes. See Geoffrion, *Lagrangean relaxation for integer programming*, Mathematical
Programming Study 2 (1974).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from optimizer.billing.cost import Form, LinearCost
from optimizer.errors import Infeasible
from optimizer.flows import FlowName
from optimizer.planning.cost_rows import COLUMN_OF_FLOW
from optimizer.planning.matrix import Matrix, compile_model, templates
from optimizer.planning.model import OPPOSITES, Limits, Problem, build_model, rows_of
from optimizer.planning.solver import Solution, solve
from optimizer.timegrid import BoolArray, FloatArray, IntArray

MAX_ROUNDS = 8

OneWay = Mapping[int, IntArray]
"""For each pair of opposite flows, by its number, the steps that need a binary."""


@dataclass(frozen=True)
class Pieced:
    """A whole plan made of pieces: an LP with directions fixed, and the proven bound."""

    matrix: Matrix
    solution: Solution
    bound: float

    @property
    def gap(self) -> float:
        """Distance of the plan's cost to the bound, as a share of its cost."""
        cost = self.solution.objective
        return max(cost - self.bound, 0.0) / max(abs(cost), 1.0)


def solve_matrix(problem: Problem, limits: Limits, one_way: OneWay) -> Matrix:
    """Return the arrays of a problem."""
    with templates():
        model = build_model(problem, limits, one_way)
    return compile_model(model)


def solve_in_pieces(
    problem: Problem,
    limits: Limits,
    one_way: OneWay,
    guess: Pieced,
    good_enough: float,
    seconds_left: Callable[[], float],
) -> Pieced | None:
    """Plan day by day and join the days.

    Parameters
    ----------
    problem, limits, one_way
        What is planned, and which steps need integers.
    guess : Pieced
        An optimum without these integers; its shadow prices are the first to be tried.
    good_enough : float
        Relative gap at which to stop.
    seconds_left : callable
        Time that is left. [s]

    Returns
    -------
    Pieced or None
        The best plan found with the best bound; None if the joined days clash, or the cost itself
        needs integers.
    """
    if not problem.cost.is_convex:
        return None
    edges = _edges(problem, one_way)
    prices, matrix = guess.solution, guess.matrix
    best: Pieced | None = None
    bound = -np.inf
    tried: set[bytes] = set()
    for _ in range(MAX_ROUNDS):
        ways, lower = _solve_days(problem, limits, one_way, edges, prices, matrix, seconds_left)
        bound = max(bound, lower)
        signature = b"".join(ways[pair].tobytes() for pair in sorted(ways))
        if signature in tried:
            break
        tried.add(signature)
        matrix = solve_matrix(problem, fixed_directions(limits, one_way, ways), {})
        try:
            prices = solve(matrix, seconds_left())
        except Infeasible:
            return best
        if best is None or prices.objective < best.solution.objective:
            best = Pieced(matrix, prices, bound)
        best = replace(best, bound=bound)
        if best.gap <= good_enough:
            break
    return replace(best, bound=bound) if best is not None else None


def _edges(problem: Problem, one_way: OneWay) -> list[int]:
    """Return where pieces begin: at noon before and after each day that needs integers."""
    noon = np.flatnonzero(problem.grid.minute_of_day == 12 * 60)
    steps = np.unique(np.concatenate(list(one_way.values())))
    place = np.searchsorted(noon, steps, side="right")
    edges = {0}
    for number in np.unique(place):
        edges |= {int(noon[k]) for k in (number - 1, number) if 0 <= k < len(noon)}
    return sorted(edges)


def _solve_days(
    problem: Problem,
    limits: Limits,
    one_way: OneWay,
    edges: list[int],
    prices: Solution,
    matrix: Matrix,
    seconds_left: Callable[[], float],
) -> tuple[dict[int, BoolArray], float]:
    """Solve every piece; return the directions chosen (True: the first of the pair) and the bound."""
    count = problem.grid.count
    energy, total = _priced_flows(problem, limits, prices, matrix)
    carried = -prices.row_price[matrix.rows["battery"].span] * problem.plant.kept_per_step(
        problem.grid.step_h
    )
    ways = {pair: np.zeros(len(steps), dtype=bool) for pair, steps in one_way.items()}
    for first, end in zip(edges, [*edges[1:], count], strict=True):
        piece = _piece(problem, energy, carried, first, end)
        inside = {
            pair: np.flatnonzero((steps >= first) & (steps < end))
            for pair, steps in one_way.items()
        }
        local = {p: one_way[p][places] - first for p, places in inside.items() if len(places)}
        part = solve_matrix(piece, _cut(limits, first, end), local)
        solution = solve(part, seconds_left())
        total += solution.objective - solution.gap * abs(solution.objective)
        for pair in local:
            ways[pair][inside[pair]] = solution.value[part.columns[f"way{pair}"].span] > 0.5
    return ways, total


def _priced_flows(
    problem: Problem, limits: Limits, prices: Solution, matrix: Matrix
) -> tuple[dict[FlowName, FloatArray], float]:
    """Return import and export priced with their share in parts, (T,), and what parts add beyond."""
    rows = rows_of(problem.cost, limits)
    weight: dict[FlowName, FloatArray] = {
        name: problem.cost.weight(name).copy() for name in COLUMN_OF_FLOW
    }
    part_price, value = rows.cost.copy(), 0.0
    of_kind = {COLUMN_OF_FLOW[name]: row for name, row in weight.items()} | {"part": part_price}
    for name, family in rows.families.items():
        pressure = np.maximum(-prices.row_price[matrix.rows[name].span], 0.0)
        value -= float(pressure @ family.high)
        for kind, (row, place, share) in family.entries.items():
            np.add.at(of_kind[kind], place, pressure[row] * share)
    value += float(np.minimum(part_price * rows.low, part_price * rows.most).sum())
    return weight, value


def _piece(
    problem: Problem,
    energy: dict[FlowName, FloatArray],
    carried: FloatArray,
    first: int,
    end: int,
) -> Problem:
    """Return a stretch of the problem whose ends are bought and sold at the shadow price."""
    is_first, is_last = first == 0, end == problem.grid.count
    whole_start = problem.start_kwh if is_first else None
    every = np.arange(end - first)
    weights = {name: (every, priced[first:end]) for name, priced in energy.items()}
    return replace(
        problem,
        grid=problem.grid.part(first, end - first),
        load_kwh=problem.load_kwh[first:end],
        pv_kwh=problem.pv_kwh[first:end],
        cost=LinearCost(end - first, Form(0.0, weights, {})),
        start_kwh=whole_start,
        start_price_per_kwh=None if whole_start is not None else float(carried[first]),
        end_kwh=problem.end_kwh if is_last else None,
        leftover_per_kwh=_end_worth(problem, carried, end),
    )


def _end_worth(problem: Problem, carried: FloatArray, end: int) -> float:
    """Return the worth of a kWh at a piece's end: the price at which the next one buys it."""
    if end < problem.grid.count:
        return float(carried[end])
    if problem.is_cyclic:
        return float(carried[0])
    return problem.leftover_per_kwh


def _cut(limits: Limits, first: int, end: int) -> Limits:
    return Limits(**{name: values[first:end] for name, values in vars(limits).items()})


def fixed_directions(limits: Limits, one_way: OneWay, ways: Mapping[int, BoolArray]) -> Limits:
    """Return limits that let only the chosen one of two opposite flows run."""
    changed = {name: values.copy() for name, values in vars(limits).items()}
    for pair, steps in one_way.items():
        first, second = OPPOSITES[pair]
        changed[first][steps[~ways[pair]]] = 0.0
        changed[second][steps[ways[pair]]] = 0.0
    return Limits(**changed)
