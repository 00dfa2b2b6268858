"""A plan cut into pieces costs what the plan solved whole costs, and its bound is never above that."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest

from optimizer.cost.expression import linear_cost
from optimizer.planning import pieces as pieces_module
from optimizer.planning import plan as plan_module
from optimizer.planning.matrix import matrix_of
from optimizer.planning.pieces import (
    Pieced,
    cut_of,
    solve_in_pieces,
    solve_with_choices,
)
from optimizer.planning.problem import Limits, Problem, rows_of
from optimizer.planning.solver import solve
from tests.builders import posed
from tests.laws.cases import AC_PLANT, CREDIT, DC_PLANT, DEMAND, FLAT, cost_of, grid_of, weather
from tests.laws.test_twins import plant

GRID = grid_of(16 * 24, 60, "2025-06-28T00:00")
READS = [date(2025, 6, day) for day in (28,)] + [date(2025, 7, day) for day in (2, 6, 10, 14)]
FALLING = {
    "kind": "energy",
    "name": "energy",
    "blocks": {
        "blocks": [
            {"up_to_kwh": 40.0, "per_kwh": 0.4},
            {"up_to_kwh": 90.0, "per_kwh": 0.15},
            {"per_kwh": 0.05},
        ]
    },
}
STEPS = {
    "kind": "step_fee",
    "name": "fee",
    "by": "demand",
    "steps": [
        {"from": 0.0, "amount": 1.0},
        {"from": 1.5, "amount": 5.0},
        {"from": 3.0, "amount": 14.0},
    ],
}
YEARLY = DEMAND | {"name": "yearly", "counted_over": "year", "per_kw": 6.0}
RATCHET = DEMAND | {"name": "memory", "ratchet": {"pct": 90.0}, "hours": ["16:00-21:00"]}
HOURS = {
    "kind": "energy",
    "name": "hours",
    "blocks": {
        "blocks": [{"up_to_h": 12.0, "per_kwh": 0.2}, {"per_kwh": 0.02}],
        "demand": "demand",
    },
}
DEAR = CREDIT | {"per_kwh": 0.6, "hours": ["18:00-20:00"]}

CASES: dict[str, list[dict[str, Any]]] = {
    "falling blocks": [FALLING, CREDIT],
    "falling blocks and a demand of the year": [FALLING, CREDIT, YEARLY],
    "falling blocks and a ratchet": [FALLING, CREDIT, RATCHET],
    "steps of demand": [FLAT, CREDIT, DEMAND, STEPS],
    "hours of demand": [DEMAND, HOURS, CREDIT],
    "dear export": [FLAT, DEAR, YEARLY],
}


def relaxed_problem(charges: list[dict[str, Any]], plant: Any, seed: int) -> tuple[Problem, Pieced]:
    cost = cost_of(charges, GRID, read_dates=READS)
    load, pv = weather(GRID, seed)
    problem = posed(
        GRID, plant, load, pv, linear_cost(cost.total, GRID.count), plant.low_kwh, None, 0.1
    )
    matrix = matrix_of(problem, Limits.of(problem), {})
    relaxed = replace(matrix, is_integer=0 * matrix.is_integer)
    solution = solve(relaxed, 60)
    return problem, Pieced(relaxed, solution, solution.objective)


def evenings(charges: list[dict[str, Any]]) -> dict[int, Any]:
    if DEAR not in charges:
        return {}
    hour = GRID.minute_of_day // 60
    return {0: np.flatnonzero((hour >= 18) & (hour < 20))}


def whole_cost(problem: Problem, limits: Limits, one_way: dict[int, Any]) -> float:
    return solve(matrix_of(problem, limits, one_way), 120).objective


@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
@pytest.mark.parametrize("name", CASES)
@pytest.mark.sweep(every=20)
def test_the_sum_of_the_pieces_is_never_above_the_whole(name: str, plant: Any) -> None:
    problem, guess = relaxed_problem(CASES[name], plant, 1)
    limits, one_way = Limits.of(problem, natural_slack_kw=0.0), evenings(CASES[name])
    assert gap_to_whole(problem, limits, one_way, guess) >= -2e-6


def gap_to_whole(problem: Problem, limits: Limits, one_way: dict[int, Any], guess: Pieced) -> float:
    """Return by what share the bound of the pieces lies below the cost of the whole."""
    whole = whole_cost(problem, limits, one_way)
    cut = cut_of(problem, one_way)
    assert cut is not None
    _, bound = pieces_module._solve_pieces(
        problem, limits, one_way, cut, guess.solution, guess.matrix, lambda: 60.0
    )
    return (whole - bound) / max(abs(whole), 1.0)


@pytest.mark.parametrize("name", sorted(CASES.keys() - {n for n in CASES if "dear" in n}))
@pytest.mark.sweep(every=2)
def test_the_choices_of_the_pieces_make_a_plan_near_the_whole(name: str) -> None:
    for seed in (1, 2):
        problem, guess = relaxed_problem(CASES[name], AC_PLANT, seed)
        limits = Limits.of(problem, natural_slack_kw=0.0)
        whole = whole_cost(problem, limits, {})
        pieced = solve_in_pieces(problem, limits, {}, guess, 1e-9, lambda: 60.0)
        assert pieced is not None
        assert pieced.bound <= whole + 2e-6 * abs(whole)
        assert whole - 2e-6 * abs(whole) <= pieced.solution.objective <= 1.05 * whole


@pytest.mark.parametrize(
    "name", ["falling blocks", "hours of demand", "falling blocks and a ratchet"]
)
def test_wrong_choices_only_overstate_a_plan_and_are_put_right(name: str) -> None:
    problem, guess = relaxed_problem(CASES[name], AC_PLANT, 1)
    limits = Limits.of(problem)
    matrix = matrix_of(problem, limits, {})
    which = rows_of(problem.cost, limits).which
    luck = np.random.default_rng(3)
    wrong = np.zeros(len(which))
    for part in np.unique(which):
        wrong[luck.choice(np.flatnonzero(which == part))] = 1.0
    held = Pieced(matrix, solve_with_choices(matrix, wrong, 60), guess.bound)
    settled = plan_module._settled(problem, limits, held)

    def excess(answer: Pieced) -> float:
        """Return how far the solver's cost lies above what the flows cost."""
        flows = plan_module._flows(problem, answer)
        wear = problem.plant.wear_per_kwh * flows.discharge_kwh.sum()
        left = problem.leftover_per_kwh * answer.solution.value[matrix.columns["stored"].span][-1]
        exact = problem.cost.value(flows) - problem.cost.constant + wear - left
        return answer.solution.objective - float(exact)

    assert excess(held) > 0.01
    assert excess(settled) == pytest.approx(0, abs=1e-6)
    assert settled.solution.objective < held.solution.objective


def test_a_cost_whose_integers_hang_together_is_not_cut() -> None:
    expiring = {"kind": "net_energy", "name": "net", "per_kwh": 0.2, "expire_after_periods": 1}
    problem, _ = relaxed_problem([expiring], AC_PLANT, 1)
    assert cut_of(problem, {}) is None


def test_pieces_end_where_billing_periods_end_and_keep_their_parts() -> None:
    problem, _ = relaxed_problem([FALLING, CREDIT, YEARLY], AC_PLANT, 1)
    cut = cut_of(problem, {})
    assert cut is not None
    assert cut.edges == [0, 96, 192, 288]
    in_several = [number for number, piece in enumerate(cut.piece_of_part) if piece < 0]
    assert in_several == [number for number, _ in problem.cost.peaks()]


FAULTS: dict[str, tuple[str, str, str]] = {
    "flows of parts in several pieces not priced": ("_priced_flows", "pressure[row] * share", "0 * share"),
    "parts of one piece priced again": (
        "_priced_flows", "pressure[cut.piece_of_part[family.part] >= 0] = 0.0", "pass"),
    "energy sold at one price and bought at another": (
        "_piece", "float(carried[first])", "3 * float(carried[first])"),
}  # fmt: skip


def test_the_right_bound_lies_close_below_the_whole() -> None:
    for case in ("falling blocks and a demand of the year", "falling blocks and a ratchet"):
        problem, guess = relaxed_problem(CASES[case], AC_PLANT, 1)
        share = gap_to_whole(problem, Limits.of(problem, natural_slack_kw=0.0), {}, guess)
        assert -1e-3 < share < 0.2


@pytest.mark.sweep(every=3)
@pytest.mark.parametrize("fault", FAULTS)
def test_a_wrong_bound_shows_against_the_whole(fault: str, monkeypatch: pytest.MonkeyPatch) -> None:
    name, right, wrong = FAULTS[fault]
    plant(monkeypatch, pieces_module, name, right, wrong)
    shares = []
    for case in ("falling blocks and a demand of the year", "falling blocks and a ratchet"):
        problem, guess = relaxed_problem(CASES[case], AC_PLANT, 1)
        limits = Limits.of(problem, natural_slack_kw=0.0)
        shares.append(gap_to_whole(problem, limits, {}, guess))
    # A wrong bound lies above the whole, or far below it; the right one does neither.
    assert min(shares) < -1e-3 or max(shares) > 0.2


def test_pieces_whose_time_is_over_still_make_a_plan_and_a_bound(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """None of the pieces is solved with its integers: their relaxations bound it and give directions."""
    problem, guess = relaxed_problem(CASES["dear export"], DC_PLANT, 1)
    limits, one_way = (
        Limits.of(problem, natural_slack_kw=0.0),
        evenings(CASES["dear export"]),
    )
    whole = whole_cost(problem, limits, one_way)

    def without_time(matrix: Any, seconds: float) -> Any:
        if matrix.is_integer.any():
            raise pieces_module.FAILURES["kTimeLimit"]()
        return solve(matrix, seconds)

    monkeypatch.setattr(pieces_module, "solve", without_time)
    pieced = solve_in_pieces(problem, limits, one_way, guess, 1e-9, lambda: 60.0)
    assert pieced is not None
    assert pieced.bound <= whole + 2e-6 * abs(whole) <= pieced.solution.objective + 1e-5
    for first, second in [("import_", "export_")]:
        runs = [pieced.solution.value[pieced.matrix.columns[n].span] for n in (first, second)]
        assert np.minimum(*runs)[one_way[0]].max() < 1e-6
