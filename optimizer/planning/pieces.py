"""Solves a plan with integers in pieces, and proves how good the whole is.

Integers come in clusters: the evenings on which selling pays more than buying costs, the months
whose energy lies in one block or another. The battery's level ties one to the next. Handed over
whole, a year of them takes the solver minutes. So the horizon is cut: once a day around days whose
flows need a direction, and around the steps of each part of the bill that needs integers. Each piece
is a small problem of its own: energy that enters and leaves it over its edges is priced at the
shadow price of stored energy, and flows that make a part of the bill reaching over several pieces at
the shadow prices of that part's rows (Lagrangian relaxation). Two things follow:

- the pieces' choices make a whole plan, a linear program with those choices fixed;
- the sum of the pieces' costs is a bound: no plan whatever costs less.

The fixed plan gives new shadow prices, with which the pieces are solved again, until both meet or
nothing changes. See Geoffrion, *Lagrangean relaxation for integer programming*, Mathematical
Programming Study 2 (1974).

Months in pieces. With a year of falling blocks, the tree search took 113 s on a metered home of
half-hours, and hours-of-demand blocks left a gap of 15 % after 120 s. Cut around the steps of
each part that needs integers, each month is a small problem with two or three choices: 43 s for
the latter, proven. Banks whose credits expire hang together over the year and are handed over
whole (25 s on the same homes).

Integers day by day. Where selling pays more than buying costs, or burning energy pays, the LP
runs flows both ways at once. Binaries over a whole year took HiGHS 25 s on the third demo, and on
a metered home of half-hours left a gap of 2.5 % after 150 s. Cut once a day, with energy and peaks
priced at the LP's shadow prices, each day is a tiny problem; the joined directions give a plan,
the sum of the days a bound. On both cases the bound met the plan exactly in the first round, in 8
and 17 s on the busy machine.

Days are cut in the middle of their longest time with the fewest integers. A cut among them misses most:
at noon, where stored energy is paid more than PV, a fortnight kept a gap of 47 %; at midnight 21 %; in
the quiet time it was proven at once. Five days of negative prices, most so at noon, kept 44 % cut at
noon and 9 % cut in the quiet time, in 30 s. A year of them has 365 hard pieces, so each has its fair
share of the time; one that takes longer keeps a gap (17 % of the cost after 240 s; 94 % after 600 s,
where one piece after another took all). If the sum's gap is above 1e-5, the whole is handed to the
tree search with the time that is left, and the gap is told.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

import numpy as np

from optimizer.base.errors import Infeasible, StoppedEarly
from optimizer.base.flows import FlowName, Flows
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray, TimeGrid
from optimizer.cost.expression import Form, LinearCost, Peak
from optimizer.planning.cost_rows import COLUMN_OF_FLOW, CostRows
from optimizer.planning.linear import LinearSolver, solve_with_fixed_integers
from optimizer.planning.matrix import Matrix, matrix_of
from optimizer.planning.problem import (
    NATURAL_SLACK_KW,
    OPPOSITES,
    Limits,
    OneWay,
    Problem,
    rows_of,
)
from optimizer.planning.solver import FAILURES, Solution, solve
from optimizer.planning.spans import clusters_of, span_of

MAX_ROUNDS = 8

PIECES_SHARE = 0.6
"""All pieces together may take this share of the time that is left, so that they can be joined. [1]"""

LENIENT = 3.0
"""A piece may take so many times its fair share of that; one that takes longer keeps a gap. [1]"""

ONE_PIECE = 1e-4
"""A piece with a larger gap was not solved to its end. [1]"""

LEAST_S = 0.1
"""... but at least so long. [s]"""


@dataclass(frozen=True)
class Pieced:
    """A whole plan made of pieces: an LP with directions fixed, and the proven bound.

    ``cost`` is the one that was planned with, where it is not the problem's own; ``slack_kw`` how far
    natural limits stood off.
    """

    matrix: Matrix
    solution: Solution
    bound: float
    cost: LinearCost | None = None
    slack_kw: float = NATURAL_SLACK_KW

    @property
    def gap(self) -> float:
        """Distance of the plan's cost to the bound, as a share of its cost. [1]"""
        cost = self.solution.objective
        return max(cost - self.bound, 0.0) / max(abs(cost), 1.0)


def solve_in_pieces(
    problem: Problem,
    limits: Limits,
    one_way: OneWay,
    guess: Pieced,
    good_enough: float,
    seconds_left: Callable[[], float],
    solver: LinearSolver | None = None,
) -> Pieced | None:
    """Plan piece by piece and join the pieces.

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
    solver : LinearSolver, optional
        The one that found the optimum without integers.

    Returns
    -------
    Pieced or None
        The best plan found with the best bound; None if the joined pieces clash, or the horizon
        cannot be cut.
    """
    cut = cut_of(problem, one_way)
    if cut is None:
        return None
    prices, matrix = guess.solution, guess.matrix
    best: Pieced | None = None
    bound = -np.inf
    tried: set[bytes] = set()
    for _ in range(MAX_ROUNDS):
        try:
            chosen, lower = _solve_pieces(
                problem, limits, one_way, cut, prices, matrix=matrix, seconds_left=seconds_left
            )
            bound = max(bound, lower)
            if chosen.signature in tried:
                break
            tried.add(chosen.signature)
            matrix = matrix_of(problem, fixed_directions(limits, one_way, chosen.ways), {})
            prices = solve_with_choices(matrix, chosen.which, seconds_left(), solver)
        except Infeasible:
            return best
        except StoppedEarly:
            if best is None:
                raise
            break
        if best is None or prices.objective < best.solution.objective:
            best = Pieced(matrix, prices, bound)
        best = replace(best, bound=bound)
        if best.gap <= good_enough or not chosen.are_proven:  # the next round has less time
            break
    return replace(best, bound=bound) if best is not None else None


def solve_with_choices(
    matrix: Matrix, which: FloatArray, seconds: float, solver: LinearSolver | None = None
) -> Solution:
    """Solve the LP that is left once the choices of the tariff are made.

    At the edge of a step the last digits decide, so there it is solved from nothing.
    """
    values = np.zeros(len(matrix.cost))
    values[matrix.columns["which"].span] = which
    return solve_with_fixed_integers(matrix, values, seconds, None if len(which) else solver)


def choices_at(cost: LinearCost, which: IntArray, flows: Flows) -> FloatArray:
    """Return the tariff's binaries for given flows, shape (B,) of ``which``.

    ``which`` tells the part of each binary; a part's binaries stand in the order of its options.
    """
    values = cost.part_values(flows)
    chosen = np.zeros(len(which))
    for number in np.unique(which):
        places = np.flatnonzero(which == number)
        chosen[places[cost.parts[number].decided_by(flows, values)]] = 1.0
    return chosen


# --- where to cut --------------------------------------------------------------------------------


@dataclass(frozen=True)
class Cut:
    """First steps of the pieces, and the piece of each part of the cost, −1 if it is in several."""

    edges: list[int]
    piece_of_part: IntArray


def cut_of(problem: Problem, one_way: OneWay) -> Cut | None:
    """Return where to cut; None if all integers hang together."""
    parts, count = problem.cost.parts, problem.grid.count
    clusters = clusters_of(parts)
    spans = [span_of(parts, members, count) for members in clusters]
    whole = [
        span for span, members in zip(spans, clusters, strict=True)
        if any(parts[number].needs_integers for number in members) and span[0] < span[1]
    ]  # fmt: skip
    edges = {0, *(edge for span in whole for edge in span), *_edges_of_days(problem, one_way)}
    edges = {e for e in edges if e < count and not any(low < e < high for low, high in whole)}
    starts = sorted(edges)
    if len(starts) < 2:
        return None
    piece_of_part = np.full(len(parts), -1, dtype=np.int64)
    for (low, high), members in zip(spans, clusters, strict=True):
        first = int(np.searchsorted(starts, low, side="right")) - 1
        last = int(np.searchsorted(starts, max(high - 1, low), side="right")) - 1
        if first == last:
            piece_of_part[members] = first
    return Cut(starts, piece_of_part)


def _edges_of_days(problem: Problem, one_way: OneWay) -> set[int]:
    """Return the cuts before and after each day that needs integers for its directions."""
    if not one_way:
        return set()
    steps = np.unique(np.concatenate(list(one_way.values())))
    minute = _quiet_minute(problem.grid, steps)
    cuts = np.flatnonzero(problem.grid.minute_of_day == minute)
    place = np.searchsorted(cuts, steps, side="right")
    return {
        int(cuts[k])
        for number in np.unique(place)
        for k in (number - 1, number)
        if 0 <= k < len(cuts)
    }


def _quiet_minute(grid: TimeGrid, steps: IntArray) -> int:
    """Return the middle of the longest time of the day with the fewest integers; else midnight. [min]"""
    slots = 24 * 60 // grid.step_minutes
    count = np.bincount(grid.minute_of_day[steps] // grid.step_minutes, minlength=slots)
    busy = np.flatnonzero(count > count.min())
    if not len(busy):
        return 0
    gap = np.diff(busy, append=busy[0] + slots)
    longest = int(gap.argmax())
    return int((busy[longest] + gap[longest] // 2 + 1) % slots) * grid.step_minutes


# --- one piece after another ---------------------------------------------------------------------


@dataclass(frozen=True)
class Chosen:
    """What the pieces chose: directions (True: the first of the pair), and the tariff's choices.

    ``are_proven`` tells whether each piece was solved to its end.
    """

    ways: dict[int, BoolArray]
    which: FloatArray
    are_proven: bool = True

    @property
    def signature(self) -> bytes:
        """Equal for equal choices."""
        ways = b"".join(self.ways[pair].tobytes() for pair in sorted(self.ways))
        return ways + self.which.tobytes()


def _solve_pieces(
    problem: Problem,
    limits: Limits,
    one_way: OneWay,
    cut: Cut,
    prices: Solution,
    matrix: Matrix,
    seconds_left: Callable[[], float],
) -> tuple[Chosen, float]:
    """Solve every piece; return what they chose, and the bound."""
    rows = rows_of(problem.cost, limits)
    energy, total = _priced_flows(problem, cut, rows, prices, matrix)
    carried = -prices.row_price[matrix.rows["battery"].span] * problem.plant.kept_per_step(
        problem.grid.step_h
    )
    ways = {pair: np.zeros(len(steps), dtype=bool) for pair, steps in one_way.items()}
    which = np.zeros(len(rows.which))
    whole_s, are_proven = seconds_left(), True
    if whole_s < LEAST_S * len(cut.edges):
        raise FAILURES["kTimeLimit"]()
    for number, first in enumerate(cut.edges):
        end = [*cut.edges, problem.grid.count][number + 1]
        fair_s = (seconds_left() - (1 - PIECES_SHARE) * whole_s) / (len(cut.edges) - number)
        members = np.flatnonzero(cut.piece_of_part == number)
        piece = _piece(problem, energy, members, carried, first, end=end)
        inside = {
            pair: np.flatnonzero((steps >= first) & (steps < end))
            for pair, steps in one_way.items()
        }
        local = {p: one_way[p][places] - first for p, places in inside.items() if len(places)}
        part = matrix_of(piece, _slice(limits, first, end), local)
        try:
            solution = solve(part, max(LENIENT * fair_s, LEAST_S))
        except StoppedEarly:  # without integers it is a bound, and its larger flows are directions
            solution = solve(replace(part, is_integer=0 * part.is_integer), seconds_left())
            are_proven = False
        are_proven &= solution.gap <= ONE_PIECE
        total += solution.objective - solution.gap * abs(solution.objective)
        for pair in local:
            way, steps = part.columns[f"way{pair}"].span, local[pair]
            runs = [solution.value[part.columns[name].span][steps] for name in OPPOSITES[pair]]
            is_whole = bool((np.abs(solution.value[way] - 0.5) > 0.5 - 1e-4).all())
            ways[pair][inside[pair]] = solution.value[way] > 0.5 if is_whole else runs[0] >= runs[1]
        of_members = np.flatnonzero(np.isin(rows.which, members))
        which[of_members] = np.round(solution.value[part.columns["which"].span])
    return Chosen(ways, which, are_proven), total


def _priced_flows(
    problem: Problem, cut: Cut, rows: CostRows, prices: Solution, matrix: Matrix
) -> tuple[dict[FlowName, FloatArray], float]:
    """Return the flows that are billed, priced with their share in parts, (T,), and what parts add beyond.

    Only parts that lie in several pieces are priced; the others stand in their piece.
    """
    weight: dict[FlowName, FloatArray] = {
        name: problem.cost.weight(name).copy()
        for name in COLUMN_OF_FLOW
        if COLUMN_OF_FLOW[name] in matrix.columns
    }
    part_price, value = rows.cost.copy(), 0.0
    of_kind = {COLUMN_OF_FLOW[name]: row for name, row in weight.items()} | {"part": part_price}
    for name, family in rows.families.items():
        pressure = np.maximum(-prices.row_price[matrix.rows[name].span], 0.0)
        pressure[cut.piece_of_part[family.part] >= 0] = 0.0
        value -= float(pressure @ family.high)
        for kind, (row, place, share) in family.entries.items():
            if kind in of_kind:
                np.add.at(of_kind[kind], place, pressure[row] * share)
    least = np.minimum(part_price * rows.low, part_price * rows.most)
    value += float(least[cut.piece_of_part[rows.part] < 0].sum())
    return weight, value


def _piece(
    problem: Problem,
    energy: dict[FlowName, FloatArray],
    members: IntArray,
    carried: FloatArray,
    first: int,
    end: int,
) -> Problem:
    """Return a stretch of the problem whose ends are bought and sold at the shadow price."""
    is_first, is_last = first == 0, end == problem.grid.count
    chooses_start = problem.chooses_start or not is_first
    weights = {name: priced[first:end] for name, priced in energy.items()}
    horizon = replace(
        problem.horizon,
        grid=problem.grid.part(first, end - first),
        load_kwh=problem.load_kwh[first:end],
        pv_kwh=problem.pv_kwh[first:end],
    )
    return replace(
        problem,
        horizon=horizon,
        cost=cost_of_piece(problem.cost, members, weights, first, end),
        chooses_start=chooses_start,
        start_price_per_kwh=float(carried[first]) if chooses_start else None,
        end_kwh=problem.end_kwh if is_last else None,
        leftover_per_kwh=_end_worth(problem, carried, end),
    )


def cost_of_piece(
    cost: LinearCost, members: IntArray, weights: dict[FlowName, FloatArray], first: int, end: int
) -> LinearCost:
    """Return the parts that lie in a piece, on its own steps, with the flows' prices."""
    number_of = {int(member): number for number, member in enumerate(members)}

    def moved(form: Form) -> Form:
        flows = {flow: (steps - first, weight) for flow, (steps, weight) in form.weights.items()}
        return Form(form.constant, flows, {number_of[n]: f for n, f in form.parts.items()})

    parts = []
    for member in members:
        part = cost.parts[member]
        node = part.node
        if isinstance(node, Peak):
            node = replace(node, steps=node.steps - first)
        parts.append(replace(part, node=node, forms=tuple(moved(form) for form in part.forms)))
    every = np.arange(end - first)
    used = {number_of[n]: f for n, f in cost.total.parts.items() if n in number_of}
    total = Form(0.0, {name: (every, priced) for name, priced in weights.items()}, used)
    return LinearCost(end - first, total, tuple(parts))


def _end_worth(problem: Problem, carried: FloatArray, end: int) -> float:
    """Return the worth of a kWh at a piece's end: the price at which the next one buys it."""
    if end < problem.grid.count:
        return float(carried[end])
    if problem.is_cyclic:
        return float(carried[0])
    return problem.leftover_per_kwh


def _slice(limits: Limits, first: int, end: int) -> Limits:
    return Limits(**{name: values[first:end] for name, values in vars(limits).items()})


def fixed_directions(limits: Limits, one_way: OneWay, ways: Mapping[int, BoolArray]) -> Limits:
    """Return limits that let only the chosen one of two opposite flows run."""
    changed = {name: values.copy() for name, values in vars(limits).items()}
    for pair, steps in one_way.items():
        first, second = OPPOSITES[pair]
        changed[first][steps[~ways[pair]]] = 0.0
        changed[second][steps[ways[pair]]] = 0.0
    return Limits(**changed)
