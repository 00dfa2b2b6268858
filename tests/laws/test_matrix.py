"""The arrays the solver gets are those of the printed equations, as Pyomo reads them, and every failure is told in the site's terms."""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import highspy
import numpy as np
import pyomo.environ as pyo
import pytest
from pyomo.repn import generate_standard_repn

from optimizer.base.errors import (
    Infeasible,
    InputError,
    Interrupted,
    SolveError,
    StoppedEarly,
    Unbounded,
    Undecided,
)
from optimizer.base.timegrid import IntArray
from optimizer.planning import solver
from optimizer.planning.matrix import Matrix, matrix_of
from optimizer.planning.model import build_model
from optimizer.planning.plan import make_plan
from optimizer.planning.problem import (
    FLOW_VARIABLES,
    OPPOSITES,
    ORIGIN_VARIABLES,
    Limits,
    Problem,
)
from optimizer.planning.solver import FAILURES, failure_of, solve
from optimizer.site.equipment import UNLIMITED_KW, Plant
from optimizer.site.floors import Floors
from optimizer.site.limits import TimedLimit
from tests.laws.cases import (
    AC_PLANT,
    CREDIT,
    DC_PLANT,
    DEMAND,
    FLAT,
    cost_of,
    grid_of,
    named_cost,
    problem_of,
    weather,
)

GRID = grid_of(30, start="2025-06-30T05:00")
QUARTERS = grid_of(26, 15, "2025-06-03T15:15")


def problem_for(plant: Plant, tariff: str, grid: Any = GRID, **ends: Any) -> Problem:
    return problem_of(plant, grid, *weather(grid, 9), named_cost(tariff, grid), **ends)


STRICT = {"may_charge_from_grid": False, "may_export_stored": False}
LIMITED = {"import_limit_kw": 5.0, "export_limit_kw": 1.0, "pv_ac_limit_kw": 2.0}
RULES = (
    TimedLimit(rule="evening", hours=["17:00-21:00"], import_kw=3.5, export_kw=1.0),
    TimedLimit(rule="mornings", hours=["05:00-09:00"], months=[7], fill_kw=1.5),
)
ONE_WAY = {0: np.array([3, 7]), 1: np.array([12]), 2: np.array([0, 29])}

PROBLEMS: dict[str, tuple[Problem, dict[int, IntArray]]] = {
    "ac": (problem_for(AC_PLANT, "flat"), {}),
    "dc": (problem_for(DC_PLANT, "two rates"), {}),
    "ac, forbidden": (problem_for(replace(AC_PLANT, **STRICT), "flat"), {}),
    "dc, forbidden": (problem_for(replace(DC_PLANT, **STRICT), "flat"), {}),
    "ac, limited": (problem_for(replace(AC_PLANT, **LIMITED), "negative prices"), {}),
    "ac, a small inverter": (problem_for(replace(AC_PLANT, ac_limit_kw=2.0), "negative prices"), {}),
    "ac, a small inverter that sells": (problem_for(replace(AC_PLANT, ac_limit_kw=2.0), "sell above buy"), {}),
    "ac, ruled": (problem_for(replace(AC_PLANT, rules=RULES), "flat"), {}),
    "dc, ruled": (problem_for(replace(DC_PLANT, rules=RULES), "demand"), ONE_WAY),
    "cycles": (problem_for(replace(AC_PLANT, cycles_per_day=0.4), "flat"), {}),
    "peaks": (problem_for(AC_PLANT, "demand"), {}),
    "a choice and a bank": (problem_for(AC_PLANT, "steps and a bank"), {}),
    "peaks of quarter-hours": (problem_for(DC_PLANT, "demand", QUARTERS), {}),
    "leftover": (problem_for(AC_PLANT, "everything", leftover_per_kwh=0.12), {}),
    "pinned end": (problem_for(AC_PLANT, "flat", start_kwh=3.0, end_kwh=4.0), {}),
    "bought start": (
        problem_for(AC_PLANT, "two rates", start_kwh=None, start_price_per_kwh=0.2), {},
    ),
    "cyclic": (problem_for(DC_PLANT, "demand", start_kwh=None), {}),
    "one-way integers, ac": (problem_for(AC_PLANT, "sell above buy"), ONE_WAY),
    "one-way integers, dc": (problem_for(DC_PLANT, "everything"), ONE_WAY),
    "PV paid apart, ac": (problem_for(AC_PLANT, "PV paid apart"), {3: np.array([2, 8])}),
    "PV paid apart, dc": (problem_for(DC_PLANT, "stored paid more"), ONE_WAY | {3: np.array([8])}),
    "floors": (
        problem_for(AC_PLANT, "demand", floors=Floors({6: 0.2 * AC_PLANT.capacity_kwh, 7: 0.6 * AC_PLANT.capacity_kwh})), {},
    ),
    "no battery": (problem_for(AC_PLANT.without_battery(), "demand", start_kwh=0.0), {}),
    "one step": (problem_for(AC_PLANT, "demand", grid_of(1)), {}),
    "all together": (
        problem_for(replace(DC_PLANT, **STRICT, **LIMITED, cycles_per_day=1.0), "everything",
                    start_kwh=2.0, leftover_per_kwh=0.05), ONE_WAY,
    ),
}  # fmt: skip


def ordinary_model(name: str) -> pyo.ConcreteModel:
    problem, one_way = PROBLEMS[name]
    return build_model(problem, Limits.of(problem), one_way)


def compiled(name: str) -> Matrix:
    problem, one_way = PROBLEMS[name]
    return matrix_of(problem, Limits.of(problem), one_way)


def ordinary_columns(model: pyo.ConcreteModel) -> tuple[dict[int, int], list[Any]]:
    entries = [v for variable in model.component_objects(pyo.Var) for v in variable.values()]
    return {id(entry): number for number, entry in enumerate(entries)}, entries


def row_of(body: Any, column_of: dict[int, int], count: int) -> tuple[np.ndarray, float]:
    """Return a linear body as coefficients and constant, by Pyomo's own reading."""
    repn = generate_standard_repn(body)
    assert repn.is_linear()
    row = np.zeros(count)
    for variable, coefficient in zip(repn.linear_vars, repn.linear_coefs, strict=True):
        row[column_of[id(variable)]] += coefficient
    return row, float(repn.constant)


def dense(matrix: Matrix) -> np.ndarray:
    assert matrix.table.has_canonical_format, "an entry stands twice"
    return matrix.table.toarray()


@pytest.mark.parametrize("name", PROBLEMS)
def test_rows_are_those_of_the_printed_equations(name: str) -> None:
    matrix, model = compiled(name), ordinary_model(name)
    column_of, entries = ordinary_columns(model)
    rows, lows, highs, families = [], [], [], {}
    for family in model.component_objects(pyo.Constraint):
        families[family.local_name] = (len(rows), len(family))
        for member in family.values():
            row, constant = row_of(member.body, column_of, len(entries))
            lower, upper = pyo.value(member.lower), pyo.value(member.upper)
            rows.append(row)
            lows.append(-np.inf if lower is None else lower - constant)
            highs.append(np.inf if upper is None else upper - constant)
    assert {n: (f.start, f.count) for n, f in matrix.rows.items()} == families
    np.testing.assert_allclose(dense(matrix), np.array(rows), atol=1e-15, rtol=1e-13)
    np.testing.assert_allclose(matrix.row_low, lows, atol=1e-13)
    np.testing.assert_allclose(matrix.row_high, highs, atol=1e-13)


@pytest.mark.parametrize("name", PROBLEMS)
def test_columns_have_the_limits_kinds_and_costs_of_the_printed_equations(name: str) -> None:
    matrix, model = compiled(name), ordinary_model(name)
    column_of, entries = ordinary_columns(model)
    variables = list(model.component_objects(pyo.Var))
    starts = np.cumsum([0, *(len(variable) for variable in variables)])
    families = {v.local_name: (s, len(v)) for v, s in zip(variables, starts, strict=False)}
    cost, offset = row_of(model.cost.expr, column_of, len(entries))
    assert {n: (c.start, c.count) for n, c in matrix.columns.items()} == families
    np.testing.assert_array_equal(matrix.low, [-np.inf if e.lb is None else e.lb for e in entries])
    np.testing.assert_array_equal(matrix.high, [np.inf if e.ub is None else e.ub for e in entries])
    np.testing.assert_array_equal(matrix.is_integer, [int(e.is_integer()) for e in entries])
    np.testing.assert_allclose(matrix.cost, cost, atol=1e-15)
    assert matrix.offset == pytest.approx(offset)


def test_the_table_of_problems_meets_every_family_of_rows_and_columns() -> None:
    rows = {family for name in PROBLEMS for family in compiled(name).rows}
    columns = {family for name in PROBLEMS for family in compiled(name).columns}
    ways = {f"way{pair}" for pair in range(len(OPPOSITES))}
    assert rows >= {
        "ac_bus",
        "dc_bus",
        "out_of_battery",
        "into_battery",
        "battery",
        "filling",
        "no_stored_export",
        "origin",
        "cycles",
        "intervals",
        "others",
    }
    flows = {*FLOW_VARIABLES, *ORIGIN_VARIABLES}
    assert columns == {*flows, "start", "stored", "part", "which", *ways}
    assert {way for way in ways for row in rows if row.startswith(f"{way}_")} == ways


def test_a_cyclic_plan_of_a_single_step_is_refused_before_it_reaches_the_solver() -> None:
    """The only step would also be the step before itself: two entries in one place."""
    with pytest.raises(InputError, match="at least two steps"):
        problem_for(AC_PLANT, "flat", grid_of(1), start_kwh=None)


# --- failures of the solver -------------------------------------------------------------------

STATUSES = sorted(highspy.HighsModelStatus.__members__)


@pytest.mark.parametrize("name", [name for name in STATUSES if name != "kOptimal"])
def test_every_end_of_the_solver_but_an_optimum_becomes_a_solve_error(name: str) -> None:
    error = failure_of(highspy.HighsModelStatus.__members__[name])
    assert isinstance(error, SolveError)
    assert min(len(error.what), len(error.where), len(error.mend)) > 5
    assert error.exit_code == (130 if name == "kInterrupt" else 3)
    assert not re.search(r"\bk[A-Z]", str(error)), "a bare code of the solver"


def test_the_table_of_failures_names_statuses_that_the_solver_has() -> None:
    assert len(STATUSES) > 10
    assert FAILURES.keys() < set(STATUSES)


@pytest.mark.parametrize(
    ("status", "kind"),
    [("kInfeasible", Infeasible), ("kUnboundedOrInfeasible", Infeasible), ("kUnbounded", Unbounded),
     ("kTimeLimit", StoppedEarly), ("kInterrupt", Interrupted), ("kIterationLimit", Undecided),
     ("kSolveError", Undecided), ("kUnknown", Undecided)],
)  # fmt: skip
def test_a_status_becomes_the_error_of_its_kind(status: str, kind: type[SolveError]) -> None:
    assert type(failure_of(highspy.HighsModelStatus.__members__[status])) is kind


def loosened(matrix: Matrix, change: Callable[[Matrix], None]) -> Matrix:
    copy = Matrix(
        **{k: v.copy() if isinstance(v, np.ndarray) else v for k, v in vars(matrix).items()}
    )
    change(copy)
    return copy


def test_an_endless_gain_is_told_as_unbounded() -> None:
    def no_limits(matrix: Matrix) -> None:
        matrix.high[:] = np.inf
        matrix.low[matrix.columns["pv_used"].span] = -np.inf
        matrix.cost[matrix.columns["export_"].span] = -1.0

    with pytest.raises((Unbounded, Infeasible)):
        solve(loosened(compiled("ac"), no_limits), 60)


def test_contradicting_limits_are_told_as_infeasible() -> None:
    def contradict(matrix: Matrix) -> None:
        matrix.high[matrix.columns["import_"].span] = 0.0
        matrix.high[matrix.columns["discharge"].span] = 0.0
        matrix.high[matrix.columns["pv_used"].span] = 0.0

    with pytest.raises(Infeasible):
        solve(loosened(compiled("ac"), contradict), 60)


def test_no_time_is_told_as_stopped_early() -> None:
    grid = grid_of(24 * 365)
    cost = named_cost("demand", grid)
    problem = problem_of(AC_PLANT, grid, *weather(grid, 3), cost)
    with pytest.raises(StoppedEarly, match="time allowed"):
        make_plan(problem, cost, time_limit_s=1e-9)


def test_an_interrupt_is_told_and_leaves_no_thread(monkeypatch: pytest.MonkeyPatch) -> None:
    import threading

    waited = threading.Thread.join
    calls = []

    def interrupted(self: threading.Thread, timeout: float | None = None) -> None:
        calls.append(self)
        if len(calls) == 1:
            raise KeyboardInterrupt
        waited(self, timeout)

    monkeypatch.setattr(solver.threading.Thread, "join", interrupted)
    with pytest.raises(StoppedEarly, match="interrupted"):
        solve(compiled("all together"), 60)
    assert not calls[0].is_alive()
    calls.clear()
    with pytest.raises(StoppedEarly, match="interrupted"):
        solve(compiled("peaks"), 60)  # without integers; its thread ends with the process
    assert calls[0].daemon


# --- what clashes -------------------------------------------------------------------------------

PEAK_STEP = 17
LOSSLESS = {
    "charge_efficiency": 1.0, "discharge_efficiency": 1.0, "to_ac_efficiency": 1.0,
    "to_dc_efficiency": 1.0, "standing_loss_per_day": 0.0,
}  # fmt: skip
COST = [FLAT, CREDIT, DEMAND]


def overloaded(plant: Plant, load_kw: float = 12.0) -> Problem:
    grid = grid_of(24)
    load = np.full(24, 1.0)
    load[PEAK_STEP] = load_kw
    return problem_of(plant, grid, load, np.zeros(24), cost_of(COST, grid))


def error_of(problem: Problem) -> Infeasible:
    with pytest.raises(Infeasible) as caught:
        make_plan(problem, cost_of(COST, problem.grid))
    return caught.value


@pytest.mark.parametrize("base", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
@pytest.mark.parametrize("losses", [{}, LOSSLESS], ids=["with losses", "without"])
def test_a_load_above_the_import_limit_is_told_with_step_load_and_limit(
    base: Plant, losses: dict[str, float]
) -> None:
    error = error_of(overloaded(replace(base, import_limit_kw=3.0, **losses)))
    assert "T17:00" in error.where
    assert "12.00 kW" in error.what
    assert "import limit of 3 kW" in error.what
    assert "import_limit_kw" in error.mend


@pytest.mark.parametrize("base", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
@pytest.mark.parametrize("load_kw", [8.0, 12.0])
@pytest.mark.parametrize("ac_limit_kw", [4.5, 20.0])
def test_raising_the_import_limit_by_the_told_shortfall_is_enough(
    base: Plant, load_kw: float, ac_limit_kw: float
) -> None:
    plant = replace(base, import_limit_kw=2.0, ac_limit_kw=ac_limit_kw)
    error = error_of(overloaded(plant, load_kw))
    told = re.search(r"fall short by ([\d.]+) kW", error.what)
    assert told, error.what
    mended = replace(plant, import_limit_kw=2.0 + float(told[1]) + 0.01)
    cost = cost_of(COST, grid_of(24))
    assert make_plan(overloaded(mended, load_kw), cost).flows.load_kwh[PEAK_STEP] == load_kw


@pytest.mark.parametrize("base", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
def test_an_end_that_cannot_be_reached_is_told_with_the_last_step_and_by_how_much(
    base: Plant,
) -> None:
    grid = grid_of(2)
    plant = replace(base, **LOSSLESS, charge_kw=2.0)
    problem = problem_of(plant, grid, np.ones(2), np.zeros(2), cost_of(COST, grid),
                         start_kwh=1.0, end_kwh=9.0)  # fmt: skip
    error = error_of(problem)
    assert "T01:00" in error.where
    assert "9.00 kWh cannot be reached" in error.what
    assert "at least 4.00 kWh" in error.what  # 9 wanted, 1 at the start and 2 kW for 2 hours
    assert "end_pct" in error.mend


@pytest.mark.parametrize("base", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
def test_an_end_below_what_can_be_discharged_is_told_too(base: Plant) -> None:
    grid = grid_of(2)
    plant = replace(base, **LOSSLESS, export_limit_kw=0.0)
    problem = problem_of(plant, grid, np.ones(2), np.zeros(2), cost_of(COST, grid),
                         start_kwh=9.0, end_kwh=2.0)  # fmt: skip
    error = error_of(problem)
    assert "T01:00" in error.where
    assert "at least 5.00 kWh" in error.what  # 7 too much, 2 hours of 1 kW load take 2


@pytest.mark.parametrize("base", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
def test_an_end_without_any_source_names_the_end_and_not_an_empty_step(base: Plant) -> None:
    grid = grid_of(24)
    plant = replace(base, may_charge_from_grid=False, import_limit_kw=UNLIMITED_KW)
    problem = problem_of(plant, grid, np.ones(24), np.zeros(24), cost_of(COST, grid),
                         start_kwh=2.0, end_kwh=6.0)  # fmt: skip
    error = error_of(problem)
    assert "6.00 kWh cannot be reached" in error.what
    assert "T23:00" in error.where
