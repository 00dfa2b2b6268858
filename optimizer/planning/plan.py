"""From a problem to a proven plan: solve, check that no flow runs both ways, recompute the money.

The relaxation lets import and export, or charge and discharge, run at once where that pays: with a
sell price above the buy price, with negative prices, or to dump energy. Where it happens the steps
get integers and the problem is solved again, and the plan says so. A tariff that is not convex
(falling blocks, step tables) takes integers from the start.

A peak that would earn is refused. The rows for a peak needed from above exist and are tested,
with one binary for each interval; no real tariff means it, so ``plan`` tells it as a mistake.

Read next: ``settings.windows``.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from html import escape
from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from optimizer.base.errors import (
    DisagreementError,
    Infeasible,
    SolveError,
    StoppedEarly,
    TariffError,
)
from optimizer.base.flows import Flows
from optimizer.base.progress import Progress, quiet
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray
from optimizer.base.units import ENERGY_TOLERANCE_KWH, MONEY_TOLERANCE, MONEY_TOLERANCE_RELATIVE
from optimizer.billing.bill import Bill, bill_flows
from optimizer.billing.tariff import TariffCost
from optimizer.cost.expression import Peak, nodes_in
from optimizer.cost.prices import Prices
from optimizer.planning.linear import LinearSolver, solve_with_fixed_integers
from optimizer.planning.matrix import Matrix, matrix_of
from optimizer.planning.nearby import Nearby
from optimizer.planning.pieces import (
    Pieced,
    choices_at,
    fixed_directions,
    solve_in_pieces,
    solve_with_choices,
)
from optimizer.planning.problem import (
    NATURAL_SLACK_KW,
    OPPOSITES,
    ORIGIN,
    Limits,
    Problem,
    rows_of,
)
from optimizer.planning.solver import FAILURES, Solution, least_clash, solve
from optimizer.planning.tangent import Tangent

if TYPE_CHECKING:
    import pandas as pd

MAX_ROUNDS = 12
"""Rounds of adding integers; by then every step that pays for running both ways has one."""

WIDER = 4
"""Where flows run both ways again, so many times as many steps around them get integers as before:
what burns energy moves on to the next step that has none."""

BOTH_WAYS_KWH = 1e-5
"""Two opposite flows above this in one step are more than the solver's rounding."""

GOOD_ENOUGH = 1e-5
"""A plan with integers is proven best to this share of its cost, if time allows."""

FEW_CHOICES = 8
"""So many ways to choose are solved one by one, where they hang together."""

PRICING_SECONDS = 120.0
"""Most time for the LP that gives the shadow prices of a plan with integers."""


@dataclass(frozen=True)
class ShadowPrices:
    """What one unit more would save or cost, from the LP's dual values.

    ``energy`` is the cost of one more kWh of load at each step, ``stored`` the worth of one more
    stored kWh at the end of each step, shapes (T,). [money per kWh]
    """

    energy: FloatArray
    stored: FloatArray


@dataclass(frozen=True)
class Proof:
    """How the plan is known to be the cheapest.

    ``gap`` is the proven distance to the best possible cost as a share; 0 for a solved LP.
    ``integer_steps`` counts the steps that needed a binary, ``tariff_integers`` the binaries of a
    tariff that is not convex, ``rounds`` the solves. ``recomputed`` is the cost of the plan's flows
    as planned: without the utility's roundings, and without what only a meter knows.
    """

    kind: str
    gap: float
    integer_steps: int
    tariff_integers: int
    rounds: int
    iterations: int
    seconds: float
    objective: float
    recomputed: float


@dataclass(frozen=True, repr=False)
class Plan:
    """The cheapest operation: flows, stored energy, bill, and why it is the cheapest.

    ``stored_kwh`` has shape (T,), the energy at the end of each step. ``cost`` is what was
    minimised: the bill, plus wear, less the worth of what is left at the end. ``tangent`` bounds the
    cost of sites like this one; a plan with integers has none. ``nearby`` holds what one unit more of
    the equipment would save; a plan with integers keeps its directions and choices there.
    """

    problem: Problem
    flows: Flows
    stored_kwh: FloatArray
    start_kwh: float
    bill: Bill
    wear: float
    cost: float
    prices: ShadowPrices
    proof: Proof
    nearby: Nearby
    tangent: Tangent | None = None

    @property
    def frame(self) -> pd.DataFrame:
        """Flows and stored energy [kWh], and prices [money per kWh], as a frame of T rows."""
        prices = self.step_prices
        return self.flows.frame.assign(
            stored_kwh=self.stored_kwh,
            buy_per_kwh=prices.buy,
            sell_per_kwh=prices.sell,
            stored_worth_per_kwh=prices.stored,
        )

    def __repr__(self) -> str:
        return f"<Plan: costs {self.cost:,.2f} {self.bill.currency}; {self.flows!r}>"

    def _repr_html_(self) -> str:
        return f"<p>{escape(repr(self))}</p>{self.frame.to_html(max_rows=12)}"

    @property
    def step_prices(self) -> Prices:
        """Prices of import, export and stored energy at the plan, shapes (T,). [money per kWh]"""
        cost, flows = self.problem.cost, self.flows
        sell = -cost.marginal("export_kwh", flows)
        return Prices(
            cost.marginal("import_kwh", flows),
            sell,
            self.prices.stored,
            sell_stored=sell - cost.marginal("stored_export_kwh", flows),
        )


def make_plan(
    problem: Problem,
    tariff_cost: TariffCost,
    *,
    time_limit_s: float = 600.0,
    progress: Progress = quiet,
    solver: LinearSolver | None = None,
) -> Plan:
    """Find the cheapest operation and prove it.

    Parameters
    ----------
    problem : Problem
        Plant, load, PV and cost on T steps.
    tariff_cost : TariffCost
        The tariff compiled for the same grid; its bill must equal the LP's objective.
    time_limit_s : float
        Time allowed for all solves. [s]
    progress : callable
        Receives progress messages.
    solver : LinearSolver, optional
        One that planned a similar problem before is several times faster; the plan is the same.

    Returns
    -------
    Plan
        With flows in which nothing runs both ways at once.

    Raises
    ------
    TariffError
        If discounts make a demand charge negative, so that a higher peak would earn.
    Infeasible
        If limits clash; names them and the step.
    StoppedEarly
        If the time is over before there is a usable answer.
    DisagreementError
        If the bill of the plan's flows is not the LP's objective.
    """
    begun = time.monotonic()
    _refuse_earning_peaks(problem, tariff_cost)
    limits = Limits.of(problem)
    linear = solver or LinearSolver()

    def seconds_left() -> float:
        return max(time_limit_s - (time.monotonic() - begun), 0.01)

    if not problem.cost.is_convex:
        progress("the tariff is not convex: choosing between its steps and blocks")
    try:
        answer = _with_guessed_sides(problem, limits, linear, seconds_left)
        if answer is None or _both_ways(answer):
            answer = _solved(problem, limits, linear, seconds_left)
    except Infeasible:
        raise _explained(problem, matrix_of(problem, limits, {})) from None
    one_way: dict[int, IntArray] = {}
    rounds, drafts = 1, [answer]
    if _both_ways(answer):
        limits = Limits.of(problem, natural_slack_kw=0.0)
        answer = replace(_solved(problem, limits, linear, seconds_left), slack_kw=0.0)
    while both := _both_ways(answer):
        if rounds == MAX_ROUNDS:
            raise StoppedEarly(
                f"flows still run both ways at once after {MAX_ROUNDS} rounds of adding integers",
                where="the plan",
                mend="Check the tariff for sell prices above buy prices and for negative prices.",
            )
        rounds += 1
        wider = _around(both, WIDER ** (rounds - 2) - 1, problem.grid.count)
        one_way = _joined(problem, limits, one_way, wider, _flows(problem, answer))
        count = sum(len(steps) for steps in one_way.values())
        progress(f"{count} choices of direction: some flows would run both ways at once")
        try:
            answer = _with_integers(problem, limits, one_way, answer, seconds_left, linear=linear)
            answer = _settled(problem, limits, answer)
        except StoppedEarly:
            drafts.append(answer)
            break
        drafts.append(answer)
    if one_way and (_both_ways(answer) or answer.gap > GOOD_ENOUGH):
        answer = _best_so_far(problem, limits, drafts, linear)
    priced = _priced(problem, one_way, answer, linear) if one_way else answer
    steps = sum(len(steps) for steps in one_way.values())
    seconds = time.monotonic() - begun
    nearby = _nearby(problem, one_way, answer, linear)
    return _plan(
        problem,
        tariff_cost,
        answer,
        priced,
        nearby,
        integer_steps=steps,
        rounds=rounds,
        seconds=seconds,
    )


def _solved(
    problem: Problem, limits: Limits, linear: LinearSolver, seconds_left: Callable[[], float]
) -> Pieced:
    """Solve, with the tariff's integers where it has some."""
    matrix = matrix_of(problem, limits, {})
    if not matrix.is_integer.any():
        solution = linear.solve(matrix, seconds_left)
        return Pieced(matrix, solution, solution.objective)
    relaxed = replace(matrix, is_integer=0 * matrix.is_integer)
    solution = linear.solve(relaxed, seconds_left)
    guess = Pieced(relaxed, solution, solution.objective)
    first = _with_choices_of(problem, limits, matrix, guess)
    try:
        found = _with_integers(problem, limits, {}, guess, seconds_left, linear=linear)
        answer = _settled(problem, limits, found)
    except StoppedEarly:
        if first is None:
            raise
        answer = first
    if first is not None and first.solution.objective < answer.solution.objective:
        answer = replace(first, bound=answer.bound)
    return answer


def _with_choices_of(
    problem: Problem, limits: Limits, matrix: Matrix, guess: Pieced
) -> Pieced | None:
    """Return the plan with the choices that the relaxed flows mean: usable, if not the best."""
    which = rows_of(problem.cost, limits).which
    chosen = choices_at(problem.cost, which, _flows(problem, guess))
    try:
        solution = solve_with_choices(matrix, chosen, PRICING_SECONDS)
    except SolveError:  # next to an edge no plan may stay on the side of the relaxed one
        return None
    return _settled(problem, limits, Pieced(matrix, solution, guess.bound))


def _settled(problem: Problem, limits: Limits, answer: Pieced) -> Pieced:
    """Make the tariff's choices as the flows mean them, until they do.

    A choice that is not the one of the flows only overstates their cost, so a plan that ran out of
    time, or that was joined from pieces, may hold one; with the right one it costs less.
    """
    which = rows_of(problem.cost, limits).which
    span = answer.matrix.columns["which"].span
    for _ in range(MAX_ROUNDS):
        value = answer.solution.value.copy()
        meant = choices_at(problem.cost, which, _flows(problem, answer))
        if not len(which) or (np.round(value[span]) == meant).all():
            break
        value[span] = meant
        try:
            solution = solve_with_fixed_integers(answer.matrix, value)
        except Infeasible:
            break
        if solution.objective >= answer.solution.objective - MONEY_TOLERANCE:
            break
        answer = replace(answer, solution=solution)
    return answer


def _with_guessed_sides(
    problem: Problem, limits: Limits, linear: LinearSolver, seconds_left: Callable[[], float]
) -> Pieced | None:
    """Solve with one side of each wide kink, and see whether it was the right one.

    Rows that tie the months of a year together make each step of the simplex method dear. The cost
    with one side of a kink is never above the cost, so if both agree at the optimum of the former,
    that is the optimum of the latter, and such rows are not needed. The sides are those of the
    building without a battery.
    """
    cost = problem.cost
    if not (cost.is_convex and cost.has_wide_kinks):
        return None
    net = problem.load_kwh - problem.pv_kwh
    flows = Flows.of_meter(problem.grid, np.maximum(net, 0), np.maximum(-net, 0))
    simple = cost.taken_at(flows)
    easier = replace(problem, cost=simple)
    matrix = matrix_of(easier, limits, {})
    solution = linear.solve(matrix, seconds_left)
    answer = Pieced(matrix, solution, solution.objective)
    flows = _flows(problem, answer)
    exact = cost.value(flows)
    if abs(exact - simple.value(flows)) > max(
        MONEY_TOLERANCE, MONEY_TOLERANCE_RELATIVE * abs(exact)
    ):
        return None
    objective = answer.solution.objective + simple.constant - cost.constant
    solution = replace(answer.solution, objective=objective)
    return replace(answer, solution=solution, bound=objective, cost=simple)


def _best_so_far(
    problem: Problem, limits: Limits, drafts: Sequence[Pieced], linear: LinearSolver
) -> Pieced:
    """Return the best plan that drafts lead to once all they run both ways runs as it mostly did.

    Each draft is the best of a looser program, so the highest of their bounds holds of all plans.

    Raises
    ------
    StoppedEarly
        If none of them leads to a plan.
    """
    found = [draft for draft in drafts if not _both_ways(draft)]
    for draft in (drafts[0], drafts[-1]):
        every = np.arange(problem.grid.count)
        pairs = (pair for pair, (first, _) in enumerate(OPPOSITES) if first in draft.matrix.columns)
        one_way: dict[int, IntArray] = dict.fromkeys(pairs, every)
        fixed = fixed_directions(limits, one_way, _ways(one_way, draft))
        matrix = matrix_of(problem, fixed, {})
        which = draft.solution.value[draft.matrix.columns["which"].span]
        with suppress(SolveError):
            solution = solve_with_choices(matrix, np.round(which), PRICING_SECONDS, linear)
            found.append(_settled(problem, fixed, replace(draft, matrix=matrix, solution=solution)))
    if not found:
        raise FAILURES["kTimeLimit"]()
    best = min(found, key=lambda each: each.solution.objective)
    return replace(best, bound=max(draft.bound for draft in drafts))


def _priced(
    problem: Problem, one_way: dict[int, IntArray], answer: Pieced, linear: LinearSolver
) -> Pieced:
    """Solve once more with directions fixed as found and natural limits that do not bind."""
    ways = _ways(one_way, answer)
    value, columns = answer.solution.value, answer.matrix.columns
    matrix = matrix_of(problem, fixed_directions(Limits.of(problem), one_way, ways), {})
    try:
        which = value[columns["which"].span]
        solution = solve_with_choices(matrix, which, PRICING_SECONDS, linear)
    except SolveError:  # the plan stands without; its own duals are the next best prices
        return answer
    return replace(answer, matrix=matrix, solution=solution)


def _ways(one_way: dict[int, IntArray], answer: Pieced) -> dict[int, BoolArray]:
    """Return, for each pair of opposites, at which of its steps the first one runs."""
    value, columns = answer.solution.value, answer.matrix.columns
    return {
        pair: value[columns[first].span][steps] >= value[columns[second].span][steps]
        for pair, steps in one_way.items()
        for first, second in [OPPOSITES[pair]]
    }


def _nearby(
    problem: Problem, one_way: dict[int, IntArray], answer: Pieced, linear: LinearSolver
) -> Nearby:
    """Return the plan as one from which others are solved; with choices of the tariff in a solver of its own.

    That solver never starts from another plan, for at the edge of a step the last digits decide.
    """
    value, which = answer.solution.value, answer.matrix.columns["which"]
    return Nearby(
        problem, answer.cost or problem.cost, value, LinearSolver() if which.count else linear,
        NATURAL_SLACK_KW if one_way else answer.slack_kw, one_way=one_way, ways=_ways(one_way, answer),
        which=value[which.span]
    )  # fmt: skip


def _refuse_earning_peaks(problem: Problem, tariff_cost: TariffCost) -> None:
    """Refuse a cost in which a higher peak would earn: no real tariff means that."""
    for number, peak in problem.cost.peaks():
        if problem.cost.parts[number].from_above:
            line = next(line for line in tariff_cost.lines if peak in nodes_in(line.quantity, Peak))
            raise TariffError(
                f"after all percentages the demand charge {line.name!r} falls where demand rises: a"
                " higher peak would earn money",
                where=line.where,
                mend="Check the percentages, credits and rates that stand on this charge.",
            )


def _with_integers(
    problem: Problem,
    limits: Limits,
    one_way: dict[int, IntArray],
    before: Pieced,
    seconds_left: Callable[[], float],
    linear: LinearSolver,
) -> Pieced:
    """Solve with integers: piece by piece, and whole only if the pieces leave a gap."""
    pieced = solve_in_pieces(
        problem, limits, one_way, before, GOOD_ENOUGH, seconds_left=seconds_left, solver=linear
    )
    if pieced is not None and pieced.gap <= GOOD_ENOUGH:
        return pieced
    matrix = matrix_of(problem, limits, one_way)
    if pieced is None and not one_way:
        best = _of_each_choice(matrix, rows_of(problem.cost, limits).which, seconds_left)
        if best is not None:
            return best
    try:
        whole = solve(matrix, seconds_left())
    except StoppedEarly:
        if pieced is None:
            raise
        return pieced
    except Infeasible:
        raise _explained(problem, matrix) from None
    bound = whole.objective - whole.gap * abs(whole.objective)
    if pieced is not None:
        bound = max(bound, pieced.bound)
        if pieced.solution.objective <= whole.objective:
            return replace(pieced, bound=bound)
    return Pieced(matrix, solve_with_fixed_integers(matrix, whole.value), bound)


def _of_each_choice(
    matrix: Matrix, which: IntArray, seconds_left: Callable[[], float]
) -> Pieced | None:
    """Return the best plan of all ways to choose, where these are few and all could be solved.

    A choice that ties a whole year together (the lower of two bills) has a poor relaxation: of a year of
    half hours with two branches the search took 100 s, each branch alone takes 4 s.
    """
    groups = [np.flatnonzero(which == part) for part in np.unique(which)]
    if not groups or math.prod(map(len, groups)) > FEW_CHOICES:
        return None
    best: Solution | None = None
    for places in product(*groups):
        chosen = np.zeros(len(which))
        chosen[list(places)] = 1.0
        try:
            found = solve_with_choices(matrix, chosen, seconds_left())
        except Infeasible:
            continue
        except StoppedEarly:
            return None
        if best is None or found.objective < best.objective:
            best = found
    return None if best is None else Pieced(matrix, best, best.objective)


def _both_ways(answer: Pieced) -> dict[int, IntArray]:
    """Return, for each pair of opposites that runs both ways anywhere, the steps where it does."""
    found = {}
    for number, (first, second) in enumerate(OPPOSITES):
        if first not in answer.matrix.columns:
            continue
        a = answer.solution.value[answer.matrix.columns[first].span]
        b = answer.solution.value[answer.matrix.columns[second].span]
        steps = np.flatnonzero(np.minimum(a, b) > BOTH_WAYS_KWH)
        if len(steps):
            found[number] = steps
    return found


def _around(both: Mapping[int, IntArray], reach: int, count: int) -> dict[int, IntArray]:
    """Return, of each pair, the steps that lie at most so far from its own, of all ``count`` steps."""
    found = {}
    for pair, steps in both.items():
        near = np.zeros(count + 1, dtype=np.int64)
        np.add.at(near, np.maximum(steps - reach, 0), 1)
        np.add.at(near, np.minimum(steps + reach + 1, count), -1)
        found[pair] = np.flatnonzero(np.cumsum(near)[:count] > 0)
    return found


def _joined(
    problem: Problem,
    limits: Limits,
    one_way: dict[int, IntArray],
    both: dict[int, IntArray],
    flows: Flows,
) -> dict[int, IntArray]:
    """Return the steps that need integers from now on.

    Where import and export ran at once, all steps get integers at which selling pays more than
    buying costs; of a battery and its inverter both do, else one burns for the other. Where stored
    energy was called PV, or PV stored energy, all steps do at which stored energy is paid more.
    """
    empty = np.zeros(0, dtype=np.int64)
    meter = both.get(0, empty)
    if len(meter):
        sell = -problem.cost.marginal("export_kwh", flows)
        buy = problem.cost.marginal("import_kwh", flows)
        meter = np.union1d(
            meter, np.flatnonzero((sell > buy) & (limits.import_ > 0) & (limits.export_ > 0))
        )
    origin = both.get(ORIGIN, empty)
    if len(origin):
        more = problem.cost.marginal("stored_export_kwh", flows) < 0
        possible = (limits.stored_export > 0) & (limits.pv_kept > 0)
        origin = np.union1d(origin, np.flatnonzero(more & possible))
    dump = np.union1d(both.get(1, empty), both.get(2, empty))
    joined = {
        pair: np.union1d(one_way.get(pair, empty), steps).astype(np.int64)
        for pair, steps in enumerate((meter, dump, dump, origin))
    }
    return {pair: steps for pair, steps in joined.items() if len(steps)}


def _plan(
    problem: Problem,
    tariff_cost: TariffCost,
    answer: Pieced,
    priced: Pieced,
    nearby: Nearby,
    integer_steps: int,
    rounds: int,
    seconds: float,
) -> Plan:
    matrix, solution = answer.matrix, answer.solution
    flows = _flows(problem, answer)
    stored = solution.value[matrix.columns["stored"].span]
    bill = bill_flows(tariff_cost, flows)
    wear = problem.plant.wear_per_kwh * float(flows.discharge_kwh.sum())
    left = problem.leftover_per_kwh * float(stored[-1]) if problem.end_kwh is None else 0.0
    recomputed = bill.total_as_planned + wear - left
    objective = solution.objective + problem.cost.constant
    _compare(objective, recomputed, bill.gross + abs(wear) + abs(left))
    tariff_integers = matrix.columns["which"].count
    has_integers = bool(integer_steps or tariff_integers)
    proof = Proof(
        kind="mixed-integer program" if has_integers else "linear program",
        gap=answer.gap if has_integers else 0.0,
        integer_steps=integer_steps,
        tariff_integers=tariff_integers,
        rounds=rounds,
        iterations=solution.iterations,
        seconds=seconds,
        objective=objective,
        recomputed=recomputed,
    )
    start = problem.start_kwh if problem.start_kwh is not None else float(stored[-1])
    prices = _shadow_prices(priced.matrix, priced.solution)
    cost = bill.total + wear - left
    tangent = None
    if not has_integers:
        planned_with = answer.cost or problem.cost
        tangent = Tangent(problem, planned_with, solution.row_price, answer.slack_kw)
    return Plan(
        problem,
        flows,
        stored,
        start,
        bill,
        wear=wear,
        cost=cost,
        prices=prices,
        proof=proof,
        nearby=nearby,
        tangent=tangent,
    )


def _flows(problem: Problem, answer: Pieced) -> Flows:
    def column(name: str) -> FloatArray:
        return np.maximum(answer.solution.value[answer.matrix.columns[name].span], 0.0)

    plant = problem.plant
    loss = (1 - plant.to_ac_efficiency) * column("to_ac")
    loss = loss + (1 - plant.to_dc_efficiency) * column("to_dc")
    return Flows(
        problem.grid, column("import_"), column("export_"), column("charge"), column("discharge"),
        pv_used_kwh=column("pv_used"), load_kwh=problem.load_kwh, loss_kwh=loss,
        pv_to_ac=plant.pv_to_ac_efficiency,
    )  # fmt: skip


def _compare(objective: float, recomputed: float, scale: float) -> None:
    allowed = max(MONEY_TOLERANCE, MONEY_TOLERANCE_RELATIVE * scale)
    if not abs(objective - recomputed) <= allowed:
        raise DisagreementError(
            f"the plan's objective is {objective:.6f}, but the bill of its flows gives"
            f" {recomputed:.6f}; they may differ by {allowed:.2g}",
            where="the plan",
            mend="This is a fault of the program: please report it with the scenario.",
        )


def _shadow_prices(matrix: Matrix, solution: Solution) -> ShadowPrices:
    return ShadowPrices(
        energy=solution.row_price[matrix.rows["ac_bus"].span],
        stored=-solution.row_price[matrix.rows["battery"].span],
    )


def _explained(problem: Problem, matrix: Matrix) -> Infeasible:
    """Say which limits clash, at which step and by how much.

    All else can always be kept, so what clashes is a load that nothing can meet, or an end state
    that cannot be reached, be it because nothing lets out what is stored.
    """
    ac_bus, battery = matrix.rows["ac_bus"], matrix.rows["battery"]
    last = battery.start + battery.count - 1
    missing = least_clash(
        matrix, np.append(np.arange(ac_bus.start, ac_bus.start + ac_bus.count), last)
    )
    short, left_over = np.maximum(missing[:-1], 0), np.maximum(-missing[:-1], 0)
    off_end = float(abs(missing[-1]))
    if short.max() <= ENERGY_TOLERANCE_KWH:  # what finds no way out has to stay in the battery
        off_end += float(left_over.sum())
    h, grid, plant = problem.grid.step_h, problem.grid, problem.plant
    if off_end > ENERGY_TOLERANCE_KWH and problem.end_kwh is not None:
        return Infeasible(
            f"the wanted end state of {problem.end_kwh:.2f} kWh cannot be reached: it is missed by"
            f" at least {off_end:.2f} kWh",
            where=f"step {grid.label(grid.count - 1)}",
            mend="Set state.end_pct: free or nearer to state.start_pct, or plan a longer forecast.",
        )
    worst = int(short.argmax())
    steps = int((short > ENERGY_TOLERANCE_KWH).sum())
    allowed_kw = float(problem.horizon.limits.import_kwh[worst]) / h
    rule = plant.rule_at(grid, worst, "import_kw")
    limit = (
        "the connection's import limit"
        if rule is None
        else f"the rule {rule!r} with its import limit"
    )
    return Infeasible(
        f"the load of {problem.load_kwh[worst] / h:.2f} kW cannot be met: {limit}"
        f" of {allowed_kw:g} kW and the battery"
        f" ({plant.discharge_kw:g} kW, {plant.usable_kwh:g} kWh usable) fall short by"
        f" {short[worst] / h:.2f} kW ({_steps(steps)})",
        where=f"step {grid.label(worst)}",
        mend="Raise connection.import_limit_kw, lower the load, or start with more stored."
        if rule is None
        else "Check the rule's hours and import_kw, lower the load then, or start with more stored.",
    )


def _steps(count: int) -> str:
    return "at this step alone" if count == 1 else f"at {count} steps, this one most"
