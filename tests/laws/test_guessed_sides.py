"""A cost with one side of its wide kinks is never above the cost, and a plan made with it is the same.

Wide kinks compare sums over several periods: banks, net energy carried on, blocks of a year.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from optimizer.base.flows import Flows
from optimizer.cost.expression import linear_cost
from optimizer.planning import plan as plan_module
from optimizer.planning.plan import make_plan
from tests.laws.cases import (
    AC_PLANT,
    CREDIT,
    DC_PLANT,
    DEMAND,
    FLAT,
    cost_of,
    grid_of,
    problem_of,
    random_meter,
    weather,
)

GRID = grid_of(24 * 40, 60, "2025-06-11")
RATES = [
    {"name": "peak", "per_kwh": 0.4, "hours": ["16:00-21:00"]},
    {"name": "rest", "per_kwh": 0.1, "otherwise": True},
]
NET = {"kind": "net_energy", "name": "net", "rates": RATES}
RISING = {"kind": "energy", "name": "energy", "blocks": {"blocks": [
    {"up_to_kwh": 500.0, "per_kwh": 0.1}, {"per_kwh": 0.4}], "counted_over": "year"}}  # fmt: skip
BANK = {"kind": "credit_bank", "name": "bank", "credits": ["export"], "offset": ["energy"]}
LEAST = {"kind": "minimum", "name": "least", "amount": 25.0, "per": "month", "of": "all above"}

CASES: dict[str, list[dict[str, Any]]] = {
    "net energy carried": [NET, DEMAND],
    "net energy over the year": [NET | {"netted_over": "year"}],
    "net energy and a ratchet": [NET, DEMAND | {"ratchet": {"pct": 80.0}}],
    "blocks of the year that rise": [RISING, CREDIT],
    "a high block never reached": [RISING | {"blocks": RISING["blocks"] | {"blocks": [
        {"up_to_kwh": 1e5, "per_kwh": 0.1}, {"per_kwh": 0.4}]}}, CREDIT],
    "a bank": [FLAT, CREDIT | {"per_kwh": 0.25}, BANK],
    "a bank and a minimum of what it offsets": [FLAT, LEAST | {"of": ["energy"]}, CREDIT, BANK],
}  # fmt: skip


@pytest.mark.parametrize("name", CASES)
def test_the_cost_of_one_side_is_never_above_and_meets_where_it_was_taken(name: str) -> None:
    cost = linear_cost(cost_of(CASES[name], GRID).total, GRID.count)
    assert cost.has_wide_kinks
    meters = [random_meter(GRID, seed) for seed in range(4)]
    meters += [Flows.of_meter(GRID, m.import_kwh * 0.2, m.export_kwh) for m in meters[:2]]
    for taken in meters:
        simple = cost.taken_at(taken)
        assert simple.value(taken) == pytest.approx(cost.value(taken))
        for other in meters:
            assert simple.value(other) <= cost.value(other) + 1e-9


def test_a_cost_without_wide_kinks_says_so() -> None:
    monthly = NET | {"left_over": "lost"}
    cost = linear_cost(cost_of([FLAT, CREDIT, DEMAND, LEAST, monthly], GRID).total, GRID.count)
    assert not cost.has_wide_kinks


@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
@pytest.mark.parametrize("name", CASES)
@pytest.mark.sweep(every=3)
def test_a_plan_costs_the_same_whether_a_side_was_guessed_or_not(
    name: str, plant: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    cost = cost_of(CASES[name], GRID)
    load, pv = weather(GRID, 2)
    problem = problem_of(plant, GRID, load, pv, cost)
    guessed = make_plan(problem, cost)
    monkeypatch.setattr(plan_module, "_with_guessed_sides", lambda *_: None)
    solved = make_plan(problem, cost)
    assert guessed.proof.objective == pytest.approx(solved.proof.objective, abs=1e-6)
    assert guessed.proof.kind == solved.proof.kind == "linear program"


def test_some_guesses_are_right_and_some_are_not(monkeypatch: pytest.MonkeyPatch) -> None:
    """Otherwise the law above would not have looked at both ways."""
    outcomes = []
    real = plan_module._with_guessed_sides

    def watched(*arguments: Any) -> Any:
        answer = real(*arguments)
        outcomes.append(answer is not None)
        return answer

    monkeypatch.setattr(plan_module, "_with_guessed_sides", watched)
    for charges in CASES.values():
        cost = cost_of(charges, GRID)
        make_plan(problem_of(AC_PLANT, GRID, *weather(GRID, 2), cost), cost)
    assert len(outcomes) == len(CASES)
    assert 0 < np.sum(outcomes) < len(CASES)
