"""What one plan says of other sites, against their plans: a bound below, and the slope right there."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.base.errors import DisagreementError
from optimizer.planning.linear import LinearSolver
from optimizer.planning.matrix import matrix_of
from optimizer.planning.plan import Plan, make_plan
from optimizer.planning.problem import Limits, Problem
from optimizer.planning.tangent import (
    bigger_battery,
    bigger_connection,
    bigger_inverter,
    resized,
)
from optimizer.site.equipment import Plant
from tests.laws.cases import (
    AC_PLANT,
    DC_PLANT,
    grid_of,
    law,
    named_cost,
    plants,
    problem_of,
    weather,
)

FORTNIGHT = grid_of(24 * 14)
LOAD, PV = weather(FORTNIGHT, 5)
LITTLE = 1e-3


def planned(
    plant: Plant,
    tariff: str,
    *,
    load_times: float = 1.0,
    pv_times: float = 1.0,
    above_low: float = 1.0,
) -> Plan:
    start = plant.low_kwh + above_low
    cost = named_cost(tariff, FORTNIGHT)
    problem = problem_of(
        plant, FORTNIGHT, load_times * LOAD, pv_times * PV, cost, start_kwh=start, end_kwh=start
    )
    return make_plan(problem, cost)


SMALL = {"high_kwh": 3.8, "low_kwh": 0.4, "capacity_kwh": 4.0, "ac_limit_kw": 9.0}
TIGHT = {"ac_limit_kw": 1.2}
LINE = {"import_limit_kw": 3.2, "high_kwh": 30.0, "capacity_kwh": 32.0}

TEN: list[tuple[str, Plant, str, float, Callable[[Plant, float], Plant]]] = [
    ("small battery", replace(AC_PLANT, **SMALL), "two rates", 1.0, bigger_battery),
    ("small hybrid battery", replace(DC_PLANT, **SMALL), "two rates", 1.0, bigger_battery),
    ("small battery, demand", replace(AC_PLANT, **SMALL), "demand", 1.0, bigger_battery),
    ("small hybrid battery, demand", replace(DC_PLANT, **SMALL), "demand", 1.0, bigger_battery),
    ("flat price, sun", replace(DC_PLANT, **SMALL), "flat", 1.0, bigger_battery),
    ("PV paid apart", replace(AC_PLANT, **SMALL), "PV paid apart", 1.0, bigger_battery),
    ("PV paid apart, hybrid", replace(DC_PLANT, **SMALL), "PV paid apart", 1.0, bigger_battery),
    ("small inverter", replace(AC_PLANT, **TIGHT), "two rates", 1.0, bigger_inverter),
    ("small hybrid inverter", replace(DC_PLANT, **TIGHT), "two rates", 1.5, bigger_inverter),
    ("small inverter, demand", replace(AC_PLANT, **TIGHT), "demand", 1.0, bigger_inverter),
    ("small connection", replace(AC_PLANT, **LINE), "two rates", 0.0, bigger_connection),
    ("small connection, hybrid", replace(DC_PLANT, **LINE), "two rates", 0.0, bigger_connection),
]


@pytest.mark.parametrize(("plant", "tariff", "pv_times", "grown"), [row[1:] for row in TEN],
                         ids=[row[0] for row in TEN])  # fmt: skip
def test_a_worth_is_what_a_second_plan_saves(
    plant: Plant, tariff: str, pv_times: float, grown: Callable[[Plant, float], Plant]
) -> None:
    """Ten cases, to 1 %; each worth something, or the law would say nothing."""
    plan = planned(plant, tariff, pv_times=pv_times)
    worth = plan.nearby.worth(grown)

    def cost(by: float) -> float:
        moved = resized(plan.problem, grown(plant, by))
        return make_plan(moved, named_cost(tariff, FORTNIGHT)).cost

    difference = (cost(-LITTLE) - cost(LITTLE)) / (2 * LITTLE)
    assert worth > 0.01
    assert worth == pytest.approx(difference, rel=0.01)


@pytest.mark.parametrize("tariff", ["flat", "two rates", "demand"])
def test_the_bound_meets_the_cost_where_it_was_planned(tariff: str) -> None:
    plan = planned(DC_PLANT, tariff)
    assert plan.tangent is not None
    assert plan.tangent.least_cost(plan.problem) == pytest.approx(plan.cost, abs=1e-6)


@law(40)
@given(plants(), st.floats(0.3, 3.0), st.floats(0.5, 2.0), st.floats(0.0, 2.0))
def test_no_other_site_costs_less_than_the_bound(
    plant: Plant, size: float, load_times: float, pv_times: float
) -> None:
    plant = replace(  # any load can be met, and any end
        plant, import_limit_kw=AC_PLANT.import_limit_kw, may_charge_from_grid=True
    )
    plan = planned(plant, "demand")
    assert plan.tangent is not None
    other_plant = bigger_battery(plant, (size - 1) * plant.capacity_kwh)
    other = planned(
        replace(other_plant, charge_kw=plant.charge_kw * size), "demand",
        load_times=load_times, pv_times=pv_times, above_low=0.5 * size,
    )  # fmt: skip
    bound = plan.tangent.least_cost(other.problem)
    assert bound <= other.cost + 1e-5


def test_a_plan_with_integers_has_no_tangent() -> None:
    grid = grid_of(48)
    load, pv = weather(grid, 1)
    cost = named_cost("sell above buy", grid)
    plan = make_plan(problem_of(AC_PLANT, grid, load, pv, cost), cost)
    assert plan.proof.kind == "mixed-integer program"
    assert plan.tangent is None


def test_another_plant_with_other_rows_is_refused() -> None:
    plan = planned(AC_PLANT, "flat")
    assert plan.tangent is not None
    other = plan.problem.on(plant=replace(AC_PLANT, cycles_per_day=1.0))
    with pytest.raises(DisagreementError, match="rows cannot bound"):
        plan.tangent.least_cost(other)


def program_of(problem: Problem):
    return matrix_of(problem, Limits.of(problem), {})


def test_a_repeatable_solver_answers_the_same_whatever_it_solved_before() -> None:
    """To the last bit: in another order, and in another solver that is given the bases."""
    sizes = [4.0, 9.0, 6.0, 15.0]
    programs = [
        program_of(planned(bigger_battery(AC_PLANT, kwh - 10), "demand").problem) for kwh in sizes
    ]
    first = LinearSolver(1, [], collects_bases=True)
    first.solve(programs[0], lambda: 60.0)
    assert len(first.bases) == 1
    forth = [first.solve(program, lambda: 60.0) for program in programs[1:]]
    back = [first.solve(program, lambda: 60.0) for program in reversed(programs[1:])][::-1]
    second = LinearSolver(1, first.bases)
    elsewhere = [second.solve(program, lambda: 60.0) for program in programs[:0:-1]][::-1]
    for one, *others in zip(forth, back, elsewhere, strict=True):
        for other in others:
            np.testing.assert_array_equal(one.value, other.value)
            np.testing.assert_array_equal(one.row_price, other.row_price)
            assert one.objective == other.objective
