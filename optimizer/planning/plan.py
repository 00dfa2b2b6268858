"""From a problem to a proven plan: solve, check that no flow runs both ways, recompute the money.

The relaxation lets import and export, or charge and discharge, run at once where that pays: with a
sell price above the buy price, with negative prices, or to dump energy. Where it happens the steps
get integers and the problem is solved again, and the plan says so. Read next: ``settings.windows``.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from optimizer.billing.bill import Bill, bill_flows
from optimizer.billing.tariff import TariffCost
from optimizer.errors import DisagreementError, Infeasible, StoppedEarly
from optimizer.flows import Flows
from optimizer.planning.matrix import Matrix, compile_model, templates
from optimizer.planning.model import OPPOSITES, Limits, Problem, build_model
from optimizer.planning.solver import Solution, least_clash, solve, solve_with_fixed_integers
from optimizer.site.equipment import UNLIMITED_KW
from optimizer.timegrid import FloatArray, IntArray
from optimizer.units import ENERGY_TOLERANCE_KWH, MONEY_TOLERANCE, MONEY_TOLERANCE_RELATIVE

MAX_ROUNDS = 12
"""Rounds of adding integers; by then every step that pays for running both ways has one."""

BOTH_WAYS_KWH = 1e-5
"""Two opposite flows above this in one step are more than the solver's rounding."""

Progress = Callable[[str], None]


@dataclass(frozen=True)
class ShadowPrices:
    """What one unit more would save or cost, from the LP's dual values.

    ``energy`` is the cost of one more kWh of load at each step, ``stored`` the worth of one more
    stored kWh at the end of each step, shapes (T,). [money per kWh]
    ``limits`` is the saving over the horizon by one more kWh or kW of each limit that binds.
    """

    energy: FloatArray
    stored: FloatArray
    limits: dict[str, float]


@dataclass(frozen=True)
class Proof:
    """How the plan is known to be the cheapest.

    ``gap`` is the proven distance to the best possible cost as a share; 0 for a solved LP.
    ``integer_steps`` counts the steps that needed a binary, ``rounds`` the solves.
    """

    kind: str
    gap: float
    integer_steps: int
    rounds: int
    iterations: int
    seconds: float
    objective: float
    recomputed: float


@dataclass(frozen=True)
class Plan:
    """The cheapest operation: flows, stored energy, bill, and why it is the cheapest.

    ``stored_kwh`` has shape (T,), the energy at the end of each step. ``cost`` is what was
    minimised: the bill, plus wear, less the worth of what is left at the end.
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


def make_plan(
    problem: Problem,
    tariff_cost: TariffCost,
    *,
    time_limit_s: float = 600.0,
    progress: Progress = lambda _text: None,
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
        Is told what goes on.

    Returns
    -------
    Plan
        With flows in which nothing runs both ways at once.

    Raises
    ------
    Infeasible
        If limits clash; names them and the step.
    StoppedEarly
        If the time is over before there is a usable answer.
    DisagreementError
        If the bill of the plan's flows is not the LP's objective.
    """
    begun = time.monotonic()
    limits = Limits.of(problem)
    one_way = _steps_known_to_need_integers(problem, limits)
    for rounds in range(1, MAX_ROUNDS + 1):
        matrix = _matrix(problem, limits, one_way)
        left = max(time_limit_s - (time.monotonic() - begun), 0.01)
        try:
            solution = solve(matrix, left)
        except Infeasible:
            raise _explained(problem, matrix) from None
        both = _both_ways(matrix, solution)
        if not any(len(steps) for steps in both.values()):
            break
        one_way = _joined(one_way, both)
        count = sum(len(steps) for steps in one_way.values())
        progress(f"{count} steps would run both ways at once; solving again with integers there")
    else:
        raise StoppedEarly(
            f"flows still run both ways at once after {MAX_ROUNDS} rounds of adding integers",
            where="the plan",
            mend="Check the tariff for sell prices above buy prices and for negative prices.",
        )
    return _plan(problem, tariff_cost, matrix, solution, one_way, rounds, time.monotonic() - begun)


def _matrix(problem: Problem, limits: Limits, one_way: dict[int, IntArray]) -> Matrix:
    with templates():
        model = build_model(problem, limits, one_way)
    return compile_model(model)


def _steps_known_to_need_integers(problem: Problem, limits: Limits) -> dict[int, IntArray]:
    """Return the steps at which selling pays more than buying costs, and both are possible."""
    count = problem.grid.count
    buy = problem.cost.weight("import_kwh", count)
    sell = -problem.cost.weight("export_kwh", count)
    steps = np.flatnonzero((sell > buy + 1e-12) & (limits.import_ > 0) & (limits.export_ > 0))
    return {0: steps} if len(steps) else {}


def _both_ways(matrix: Matrix, solution: Solution) -> dict[int, IntArray]:
    found = {}
    for number, (first, second) in enumerate(OPPOSITES):
        a = solution.value[matrix.columns[first].span]
        b = solution.value[matrix.columns[second].span]
        found[number] = np.flatnonzero(np.minimum(a, b) > BOTH_WAYS_KWH)
    return found


def _joined(one_way: dict[int, IntArray], both: dict[int, IntArray]) -> dict[int, IntArray]:
    """Add steps; of a battery and its inverter both get integers, else one burns for the other."""
    dump = np.union1d(both[1], both[2])
    wanted = {0: both[0], 1: dump, 2: dump}
    empty = np.zeros(0, dtype=np.int64)
    joined = {k: np.union1d(one_way.get(k, empty), steps) for k, steps in wanted.items()}
    return {k: steps.astype(np.int64) for k, steps in joined.items() if len(steps)}


def _plan(  # noqa: PLR0913 - gathers what the rounds left behind
    problem: Problem,
    tariff_cost: TariffCost,
    matrix: Matrix,
    solution: Solution,
    one_way: dict[int, IntArray],
    rounds: int,
    seconds: float,
) -> Plan:
    flows = _flows(problem, matrix, solution)
    stored = solution.value[matrix.columns["stored"].span]
    bill = bill_flows(tariff_cost, flows)
    wear = problem.plant.wear_per_kwh * float(flows.discharge_kwh.sum())
    left = problem.leftover_per_kwh * float(stored[-1]) if problem.end_kwh is None else 0.0
    recomputed = bill.total + wear - left
    objective = solution.objective + problem.cost.constant
    _compare(objective, recomputed, bill.gross + abs(wear) + abs(left))
    priced = solution if not one_way else solve_with_fixed_integers(matrix, solution.value)
    proof = Proof(
        kind="linear program" if not one_way else "mixed-integer program",
        gap=solution.gap,
        integer_steps=sum(len(steps) for steps in one_way.values()),
        rounds=rounds,
        iterations=solution.iterations,
        seconds=seconds,
        objective=objective,
        recomputed=recomputed,
    )
    start = problem.start_kwh if problem.start_kwh is not None else float(stored[-1])
    prices = _shadow_prices(problem, matrix, priced)
    return Plan(problem, flows, stored, start, bill, wear, recomputed, prices, proof)


def _flows(problem: Problem, matrix: Matrix, solution: Solution) -> Flows:
    def column(name: str) -> FloatArray:
        return np.maximum(solution.value[matrix.columns[name].span], 0.0)

    plant = problem.plant
    loss = (1 - plant.to_ac_efficiency) * column("to_ac")
    loss = loss + (1 - plant.to_dc_efficiency) * column("to_dc")
    return Flows(
        problem.grid, column("import_"), column("export_"), column("charge"), column("discharge"),
        column("pv_used"), problem.load_kwh, loss,
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


def _shadow_prices(problem: Problem, matrix: Matrix, solution: Solution) -> ShadowPrices:
    plant, h = problem.plant, problem.grid.step_h

    def saved(column: str, limit_kwh: float, factor: float = 1.0) -> float:
        """Return the saving by one unit more of a limit, where the column sits on that limit."""
        family = matrix.columns[column].span
        price, high = solution.column_price[family], matrix.high[family]
        at_limit = np.isclose(high, limit_kwh) & (price < 0)
        return float(-price[at_limit].sum()) * factor

    inverter = saved("to_ac", plant.ac_limit_kw * h / plant.to_ac_efficiency, h)
    inverter = inverter / plant.to_ac_efficiency + saved("to_dc", plant.ac_limit_kw * h, h)
    worth = {
        "battery capacity, per kWh": saved("stored", plant.high_kwh),
        "charging power, per kW": saved("charge", plant.charge_kw * h, h),
        "discharging power, per kW": saved("discharge", plant.discharge_kw * h, h),
        "inverter, per kW": inverter,
        "import limit, per kW": saved("import_", plant.import_limit_kw * h, h),
        "export limit, per kW": saved("export_", plant.export_limit_kw * h, h),
    }
    return ShadowPrices(
        energy=solution.row_price[matrix.rows["ac_bus"].span],
        stored=-solution.row_price[matrix.rows["battery"].span],
        limits={name: value for name, value in worth.items() if value > 1e-9},
    )


def _explained(problem: Problem, matrix: Matrix) -> Infeasible:
    """Say which limits clash, at which step and by how much."""
    clash = least_clash(matrix)
    h, grid, plant = problem.grid.step_h, problem.grid, problem.plant
    short = clash.columns[matrix.columns["import_"].span]
    off_end = float(clash.columns[matrix.columns["stored"].span].max())
    if short.max() > ENERGY_TOLERANCE_KWH:
        worst = int(short.argmax())
        steps = int((short > ENERGY_TOLERANCE_KWH).sum())
        return Infeasible(
            f"the load of {problem.load_kwh[worst] / h:.2f} kW cannot be met: the connection's"
            f" import limit of {plant.import_limit_kw:g} kW and the battery"
            f" ({plant.discharge_kw:g} kW, {plant.usable_kwh:g} kWh usable) fall short by"
            f" {short[worst] / h:.2f} kW ({steps} such steps)",
            where=f"step {grid.label(worst)}",
            mend="Raise connection.import_limit_kw, lower the load, or start with more stored.",
        )
    if off_end > ENERGY_TOLERANCE_KWH and problem.end_kwh is not None:
        return Infeasible(
            f"the wanted end state of {problem.end_kwh:.2f} kWh cannot be reached: it is missed by"
            f" at least {off_end:.2f} kWh",
            where=f"step {grid.label(grid.count - 1)}",
            mend="Set state.end_pct: free or nearer to state.start_pct, or plan a longer forecast.",
        )
    limit = "none" if plant.export_limit_kw >= UNLIMITED_KW else f"{plant.export_limit_kw:g} kW"
    family, step = _first_row(matrix, clash.rows)
    return Infeasible(
        f"the limits of {family} cannot be kept (export limit {limit})",
        where=f"step {grid.label(min(step, grid.count - 1))}",
        mend="Loosen the limits of battery, connection or permissions at this step.",
    )


def _first_row(matrix: Matrix, rows: FloatArray) -> tuple[str, int]:
    for name, family in matrix.rows.items():
        broken = np.flatnonzero(rows[family.span] > ENERGY_TOLERANCE_KWH)
        if len(broken):
            return name, int(broken[0])
    return "the equipment", 0
