"""The fast way to a plan gives the optimum of the printed equations, and always the same plan."""

from __future__ import annotations

import os
from dataclasses import replace
from typing import Any

import numpy as np
import pyomo.environ as pyo
import pytest

from optimizer.base.errors import DisagreementError, Infeasible, StoppedEarly, Undecided
from optimizer.base.timegrid import FloatArray
from optimizer.cost.expression import linear_cost
from optimizer.planning import linear as linear_module
from optimizer.planning.compact import Compact
from optimizer.planning.linear import (
    CHECK_EVERY,
    LinearSolver,
    is_proven,
)
from optimizer.planning.matrix import Matrix, matrix_of
from optimizer.planning.model import build_model
from optimizer.planning.months import joined_basis
from optimizer.planning.problem import Limits, Problem
from optimizer.planning.solver import Instance, Solution, run_side_by_side, solve
from optimizer.planning.spans import edges_of
from tests.laws.cases import (
    AC_PLANT,
    CREDIT,
    DC_PLANT,
    DEMAND,
    FLAT,
    STORED_CREDIT,
    TAX,
    TWO_RATES,
    cost_of,
    grid_of,
    problem_of,
    weather,
)
from tests.laws.test_matrix import PROBLEMS

SAME_KW = 1e-6
"""Two plans closer than this are the same."""

NET = {"kind": "net_energy", "name": "net", "per_kwh": 0.3, "netted_over": "year"}
BANK = {"kind": "credit_bank", "name": "bank", "credits": ["export"], "offset": ["energy"]}
RISING = {"kind": "energy", "name": "energy", "blocks": {"blocks": [
    {"up_to_kwh": 300.0, "per_kwh": 0.1}, {"per_kwh": 0.4}]}}  # fmt: skip
YEARLY = DEMAND | {"name": "yearly", "counted_over": "year", "per_kw": 20.0}
RATCHET = DEMAND | {"ratchet": {"pct": 80.0}}
TARIFFS: dict[str, list[dict[str, Any]]] = {
    "one price, many ties": [FLAT, CREDIT],
    "export worth nothing": [TWO_RATES],
    "export worth what import costs": [FLAT, CREDIT | {"per_kwh": 0.3}],
    "PV alone is paid": [TWO_RATES, CREDIT | {"origin": "pv"}],
    "PV in a bank": [FLAT, CREDIT | {"origin": "pv", "per_kwh": 0.25}, STORED_CREDIT, BANK],
    "demand": [TWO_RATES, CREDIT, DEMAND, TAX],
    "a ratchet": [TWO_RATES, CREDIT, RATCHET],
    "the three highest": [TWO_RATES, CREDIT, DEMAND | {"highest": 3, "one_per": "day"}],
    "a yearly peak": [FLAT, CREDIT, DEMAND, YEARLY],
    "rising blocks": [RISING, CREDIT, DEMAND],
    "net energy of the year": [NET, DEMAND],
    "a bank": [FLAT, CREDIT | {"per_kwh": 0.25}, BANK],
}
MONTHS = grid_of(24 * 80, 60, "2025-06-01")
PLANTS = {
    "ac": AC_PLANT,
    "dc": DC_PLANT,
    "without losses": replace(
        AC_PLANT, charge_efficiency=1.0, discharge_efficiency=1.0, to_ac_efficiency=1.0,
        to_dc_efficiency=1.0, standing_loss_per_day=0.0, wear_per_kwh=0.0,
    ),
    "dc without losses": replace(
        DC_PLANT, charge_efficiency=1.0, discharge_efficiency=1.0, to_ac_efficiency=1.0,
        to_dc_efficiency=1.0, standing_loss_per_day=0.0, wear_per_kwh=0.0,
    ),
    "ac, permitted little": replace(
        AC_PLANT, may_charge_from_grid=False, may_export_stored=False, cycles_per_day=0.7
    ),
    "dc, permitted little": replace(
        DC_PLANT, may_charge_from_grid=False, may_export_stored=False, export_limit_kw=2.0
    ),
}  # fmt: skip
TABLE = [(plant, tariff) for plant in PLANTS for tariff in TARIFFS]


def solve_linear(matrix: Matrix, seconds: float) -> Solution:
    """Return the solution of one linear program, from nothing."""
    return LinearSolver().solve(matrix, lambda: seconds)


def problem_for(plant: str, tariff: str) -> Problem:
    load, pv = weather(MONTHS, 4)
    return problem_of(PLANTS[plant], MONTHS, load, pv, cost_of(TARIFFS[tariff], MONTHS))


def matrix_for(problem: Problem) -> Matrix:
    return matrix_of(problem, Limits.of(problem), {})


def flows_kw(matrix: Matrix, solution: Solution) -> FloatArray:
    """Return the mean power of all flows; the parts of the cost are not the plan's."""
    places = [
        family.places
        for family in matrix.columns.values()
        if family.count == matrix.columns["stored"].count
    ]
    return solution.value[np.concatenate(places)] / matrix.step_h


def assert_same_plan(matrix: Matrix, first: Solution, second: Solution) -> None:
    np.testing.assert_allclose(flows_kw(matrix, first), flows_kw(matrix, second), atol=SAME_KW)


@pytest.fixture
def fallbacks(monkeypatch: pytest.MonkeyPatch) -> list[Matrix]:
    """Count how often the plain way had to stand in; only where a test says so may it."""
    used: list[Matrix] = []
    plainly = linear_module._solved_plainly

    def counted(matrix: Matrix, seconds_left: Any) -> Solution:
        used.append(matrix)
        return plainly(matrix, seconds_left)

    monkeypatch.setattr(linear_module, "_solved_plainly", counted)
    return used


# --- the same optimum ---------------------------------------------------------------------------


@pytest.mark.parametrize("name", [name for name, (_, one_way) in PROBLEMS.items() if not one_way])
def test_the_small_program_costs_what_the_whole_one_costs_and_its_prices_prove_it(
    name: str, fallbacks: list[Matrix]
) -> None:
    problem, _ = PROBLEMS[name]
    matrix = matrix_for(problem)
    matrix = replace(matrix, is_integer=0 * matrix.is_integer)
    compact = Compact.of(matrix)
    program = compact.program(matrix)
    assert len(program.cost) < len(matrix.cost)
    assert len(program.row_low) <= len(matrix.row_low)
    plain, found = solve(matrix, 60), solve_linear(matrix, 60)
    assert found.objective == pytest.approx(plain.objective, rel=1e-9, abs=1e-9)
    assert is_proven(matrix, found)
    assert is_proven(matrix, compact.whole(matrix, solve(program, 60)))
    assert not fallbacks


@pytest.mark.parametrize(("plant", "tariff"), TABLE)
@pytest.mark.sweep(every=14)
def test_the_plan_is_the_same_cold_and_warm_whole_and_in_months_with_one_worker_and_with_two(
    plant: str, tariff: str, fallbacks: list[Matrix]
) -> None:
    problem = problem_for(plant, tariff)
    matrix = matrix_for(problem)
    assert len(matrix.edges) >= 2
    whole = LinearSolver().solve(replace(matrix, edges=(0,)), lambda: 60.0)
    assert whole.objective == pytest.approx(solve(matrix, 60).objective, rel=1e-9)
    for workers in (1, 2):
        assert_same_plan(matrix, whole, LinearSolver(workers).solve(matrix, lambda: 60.0))
    kept = LinearSolver()
    plant_before = replace(
        problem.plant, high_kwh=7.0, charge_kw=3.0, discharge_kw=4.0, ac_limit_kw=5.0
    )
    horizon_before = replace(
        problem.horizon, plant=plant_before,
        load_kwh=problem.load_kwh * 1.1, pv_kwh=problem.pv_kwh * 0.9,
    )  # fmt: skip
    before = replace(problem, horizon=horizon_before)
    kept.solve(matrix_for(before), lambda: 60.0)
    compiled = kept._kept[0].compact
    assert_same_plan(matrix, whole, kept.solve(matrix, lambda: 60.0))
    assert kept._kept[0].compact is compiled, "a change of sizes and loads compiled anew"
    assert not fallbacks


@pytest.mark.parametrize("plant", ["ac", "dc"])
def test_other_prices_are_solved_warm_to_the_plan_of_a_cold_start(plant: str) -> None:
    problem = problem_for(plant, "demand")
    dearer = [TWO_RATES | {"rates": [r | {"per_kwh": 1.3 * r["per_kwh"]} for r in
              TWO_RATES["rates"]]}, CREDIT, DEMAND | {"per_kw": 5.0}, TAX]  # type: ignore[attr-defined, operator] # fmt: skip
    cost = linear_cost(cost_of(dearer, MONTHS).total, MONTHS.count)
    kept = LinearSolver()
    kept.solve(matrix_for(problem), lambda: 60.0)
    compiled = kept._kept[0].compact
    matrix = matrix_for(replace(problem, cost=cost))
    assert_same_plan(matrix, solve_linear(matrix, 60), kept.solve(matrix, lambda: 60.0))
    assert kept._kept[0].compact is compiled


def shuffled(compact: Compact, seed: int) -> tuple[Compact, np.ndarray, np.ndarray]:
    """Return the same small program with columns and rows in another order, and the orders."""
    luck = np.random.default_rng(seed)
    columns = luck.permutation(len(compact.kept_columns))
    kept, bounded = (luck.permutation(len(p)) for p in (compact.kept_rows, compact.bounded))
    rows = np.concatenate([kept, len(kept) + bounded])
    return (
        replace(
            compact,
            spread=compact.spread[:, columns],
            kept_columns=compact.kept_columns[columns],
            kept_rows=compact.kept_rows[kept],
            bounded=compact.bounded[bounded],
            table=compact.table[rows][:, columns].tocsc(),
        ),
        columns,
        rows,
    )


@pytest.mark.parametrize(
    ("plant", "tariff"),
    [("ac", "one price, many ties"), ("dc", "demand"), ("without losses", "a ratchet"),
     ("dc without losses", "one price, many ties"), ("ac", "export worth what import costs")],
)  # fmt: skip
def test_the_order_of_columns_and_rows_does_not_choose_the_plan(
    plant: str, tariff: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    matrix = replace(matrix_for(problem_for(plant, tariff)), edges=(0,))
    straight = solve_linear(matrix, 60)
    compiled = Compact.of
    for seed in (1, 2):
        monkeypatch.setattr(Compact, "of", lambda m, s=seed: shuffled(compiled(m), s)[0])
        assert_same_plan(matrix, straight, solve_linear(matrix, 60))


@pytest.mark.parametrize("plant", ["ac", "dc"])
@pytest.mark.long
def test_a_year_costs_what_pyomos_own_interface_finds_for_the_printed_equations(
    plant: str,
) -> None:
    grid = grid_of(24 * 365, 60, "2025-01-01")
    load, pv = weather(grid, 8)
    cost = cost_of([TWO_RATES, CREDIT, DEMAND], grid)
    problem = problem_of(PLANTS[plant], grid, load, pv, cost)
    model = build_model(problem, Limits.of(problem), {})
    solver = pyo.SolverFactory("appsi_highs")
    solver.solve(model)
    assert solve_linear(matrix_for(problem), 60).objective == pytest.approx(
        pyo.value(model.cost), rel=1e-9
    )


# --- months -------------------------------------------------------------------------------------


def test_the_horizon_is_cut_between_billing_months_and_not_inside_one() -> None:
    problem = problem_for("ac", "demand")
    days = [MONTHS.dates[int(MONTHS.day[edge])] for edge in edges_of(problem)]
    assert [(day.month, day.day) for day in days] == [(6, 1), (7, 1)]
    assert edges_of(problem_for("ac", "net energy of the year"))[1:]


def test_a_short_horizon_is_not_cut() -> None:
    problem, _ = PROBLEMS["peaks"]
    assert edges_of(problem) == (0,)
    assert joined_basis(matrix_for(problem), (0,), 60.0) is None


def test_a_month_that_has_no_plan_of_its_own_does_not_stop_the_whole() -> None:
    """A load above the import limit on the first of a month, met from what was stored before."""
    load, pv = np.full(MONTHS.count, 0.5), np.zeros(MONTHS.count)
    first = edges_of(problem_for("ac", "demand"))[1]
    load[first] = 5.0
    plant = replace(AC_PLANT, import_limit_kw=3.0)
    cost = cost_of([FLAT, DEMAND], MONTHS)
    matrix = matrix_for(problem_of(plant, MONTHS, load, pv, cost))
    assert first in matrix.edges
    program = Compact.of(matrix).program(matrix)
    assert joined_basis(program, matrix.edges, 60.0) is None
    assert solve_linear(matrix, 60).objective == pytest.approx(
        solve(matrix, 60).objective, rel=1e-9
    )


def test_joined_months_start_the_year_near_its_end() -> None:
    matrix = matrix_for(problem_for("dc", "demand"))
    program = Compact.of(matrix).program(matrix)
    cold, joined = Instance(program, presolve=False), Instance(program, presolve=False)
    start = joined_basis(program, matrix.edges, 60.0)
    assert start is not None
    joined.start_from(start)
    assert joined.run(60.0, near=True) < 0.2 * cold.run(60.0)


def test_months_side_by_side_leave_standard_output_as_it_was(
    capfd: pytest.CaptureFixture[str],
) -> None:
    matrix = matrix_for(problem_for("ac", "demand"))
    program = Compact.of(matrix).program(matrix)
    run_side_by_side([replace(program, columns={}, rows={})] * 6, 60.0, 3)
    os.write(1, b"still here\n")
    assert capfd.readouterr().out == "still here\n"


def test_pieces_that_clash_are_told_as_infeasible() -> None:
    matrix = matrix_for(problem_for("ac", "demand"))
    program = Compact.of(matrix).program(matrix)
    beyond = np.full(len(program.row_low), 1e6)
    clash = replace(program, row_low=beyond, row_high=beyond)
    with pytest.raises(Infeasible):
        run_side_by_side([program, clash], 60.0, 2)
    with pytest.raises(StoppedEarly):
        LinearSolver().solve(matrix, lambda: 1e-9)


# --- ties ---------------------------------------------------------------------------------------


def plan_of(prices: list[float], pv: list[float], export: float, **changes: Any) -> Matrix:
    count = len(prices)
    grid = grid_of(count)
    rates = [{"name": f"h{i}", "per_kwh": p, "hours": [f"{i:02d}:00-{i + 1:02d}:00"]}
             for i, p in enumerate(prices)]  # fmt: skip
    charges = [{"kind": "energy", "name": "energy", "rates": [
        *rates, {"name": "rest", "per_kwh": 9.0, "otherwise": True}]},
        CREDIT | {"per_kwh": export}]  # fmt: skip
    plant = replace(PLANTS["without losses"], low_kwh=0.0, high_kwh=10.0, **changes)
    load = np.zeros(count)
    load[-1] = 2.0
    return matrix_for(problem_of(plant, grid, load, np.array(pv), cost_of(charges, grid)))


def test_of_two_cheap_hours_the_later_one_charges() -> None:
    matrix = plan_of([0.1, 0.1, 0.3, 0.5], [0.0] * 4, 0.0)
    charge = solve_linear(matrix, 60).value[matrix.columns["charge"].span]
    np.testing.assert_allclose(charge, [0.0, 2.0, 0.0, 0.0], atol=1e-9)


def test_sun_that_nobody_pays_for_is_still_exported() -> None:
    matrix = plan_of([0.1, 0.1, 0.1], [3.0, 0.0, 0.0], 0.0)
    solution = solve_linear(matrix, 60)
    assert solution.value[matrix.columns["pv_used"].span][0] == pytest.approx(3.0)


def test_equal_prices_for_both_directions_do_not_run_both() -> None:
    matrix = plan_of([0.2, 0.2, 0.2], [1.0, 0.0, 0.0], 0.2)
    solution = solve_linear(matrix, 60)
    both = np.minimum(*(solution.value[matrix.columns[n].span] for n in ("import_", "export_")))
    np.testing.assert_allclose(both, 0.0, atol=1e-12)


def test_a_real_difference_in_price_far_below_the_tie_price_still_decides() -> None:
    """Charging at 0 is cheaper by less than the tie price of holding it for two hours."""
    matrix = plan_of([0.1, 0.1 + 5e-7, 0.1 + 5e-7, 0.5], [0.0] * 4, 0.0)
    solution = solve_linear(matrix, 60)
    assert solution.objective == pytest.approx(2.0 * 0.1, abs=1e-9)
    assert solution.value[matrix.columns["charge"].span][0] == pytest.approx(2.0)


def test_where_ties_cannot_be_settled_in_time_the_cheapest_plan_stands(
    monkeypatch: pytest.MonkeyPatch, fallbacks: list[Matrix]
) -> None:
    run = Instance.run

    def never_ending(self: Instance, seconds: float, **how: bool) -> int:
        if how.get("primal"):
            raise StoppedEarly("no end", where="the plan", mend="none")
        return run(self, seconds, **how)

    matrix = matrix_for(problem_for("without losses", "one price, many ties"))
    right = solve_linear(matrix, 60)
    monkeypatch.setattr(Instance, "run", never_ending)
    assert solve_linear(matrix, 60).objective == pytest.approx(right.objective, rel=1e-9)


# --- guards -------------------------------------------------------------------------------------


def test_a_proof_fails_for_a_broken_limit_a_dearer_plan_and_for_wrong_prices() -> None:
    matrix = matrix_for(problem_for("dc", "demand"))
    good = solve_linear(matrix, 60)
    assert is_proven(matrix, good)
    places = matrix.columns
    broken = good.value.copy()
    broken[places["export_"].start] -= 0.01
    assert not is_proven(matrix, replace(good, value=broken))
    dearer = solve_linear(
        replace(matrix, cost=matrix.cost * np.linspace(1, 1.2, len(matrix.cost))), 60
    )
    assert not is_proven(matrix, replace(good, value=dearer.value))
    wrong = good.row_price.copy()
    wrong[matrix.rows["ac_bus"].span] += 0.01
    assert not is_proven(matrix, replace(good, row_price=wrong))


def lie_about_values(monkeypatch: pytest.MonkeyPatch, of: Instance | None = None) -> None:
    """Make one instance of the solver, or all, tell values that are a thousandth too high."""
    told, told_priced = Instance.solution, Instance.solution_priced

    def bent(self: Instance, found: Solution) -> Solution:
        return replace(found, value=found.value * 1.001) if of in (None, self) else found

    monkeypatch.setattr(Instance, "solution", lambda self: bent(self, told(self)))
    monkeypatch.setattr(
        Instance, "solution_priced", lambda self, cost: bent(self, told_priced(self, cost))
    )


def about_to_solve_warm() -> tuple[Matrix, Solution, LinearSolver]:
    """Return a program, its answer, and a solver that solved one like it, with less PV."""
    problem = problem_for("ac", "demand")
    matrix, kept = matrix_for(problem), LinearSolver()
    kept.solve(matrix_for(problem.on(pv_kwh=problem.pv_kwh * 0.8)), lambda: 60.0)
    return matrix, solve_linear(matrix, 60), kept


def test_a_wrong_warm_answer_is_found_out_and_solved_from_nothing(
    monkeypatch: pytest.MonkeyPatch, fallbacks: list[Matrix]
) -> None:
    matrix, right, kept = about_to_solve_warm()
    stood = kept._kept[0].instance
    lie_about_values(monkeypatch, of=stood)
    assert_same_plan(matrix, right, kept.solve(matrix, lambda: 60.0))
    assert kept._kept[0].instance is not stood
    assert not fallbacks


def test_an_answer_that_no_way_can_prove_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    lie_about_values(monkeypatch)
    with pytest.raises(DisagreementError, match="breaks a limit or is not the cheapest"):
        solve_linear(matrix_for(problem_for("ac", "demand")), 60)


def test_one_warm_answer_in_so_many_is_found_a_second_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    problem, _ = PROBLEMS["peaks"]
    made: list[Matrix] = []
    compiled = Compact.of

    def counted(matrix: Matrix) -> Compact:
        made.append(matrix)
        return compiled(matrix)

    monkeypatch.setattr(Compact, "of", counted)
    kept = LinearSolver()
    for number in range(2 * CHECK_EVERY + 1):
        kept.solve(matrix_for(problem.on(load_kwh=problem.load_kwh + number / 100)), lambda: 60.0)
    assert len(made) == 3


def test_a_cold_answer_that_costs_less_than_the_warm_one_is_told(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    problem, _ = PROBLEMS["peaks"]
    matrix = matrix_for(problem)
    kept = LinearSolver()
    kept.solve(matrix, lambda: 60.0)
    kept._kept[0].solved = CHECK_EVERY - 1
    again = linear_module._solve_again
    monkeypatch.setattr(
        linear_module,
        "_solve_again",
        lambda *given: replace(again(*given), objective=again(*given).objective + 1.0),
    )
    with pytest.raises(DisagreementError, match="solved again"):
        kept.solve(matrix, lambda: 60.0)


@pytest.mark.parametrize("lost", range(4))
def test_a_run_without_an_answer_is_made_up_for_by_another_way(
    lost: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The first runs end undecided: warm, then from nothing, then plainly; the next way is as good."""
    matrix, right, kept = about_to_solve_warm()
    run, calls = Instance.run, []

    def undecided(self: Instance, *arguments: Any, **named: Any) -> int:
        calls.append(1)
        if len(calls) <= lost:
            raise Undecided("no answer", where="the plan", mend="none")
        return run(self, *arguments, **named)

    monkeypatch.setattr(Instance, "run", undecided)
    found = kept.solve(matrix, lambda: 60.0)
    assert found.objective == pytest.approx(right.objective)
    assert is_proven(matrix, found)
    assert len(calls) > lost


def test_where_no_way_has_an_answer_that_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    def undecided(*arguments: Any, **named: Any) -> int:
        raise Undecided("no answer", where="the plan", mend="none")

    monkeypatch.setattr(Instance, "run", undecided)
    with pytest.raises(Undecided, match="no answer"):
        solve_linear(matrix_for(problem_for("ac", "demand")), 60)
