"""Plans under the tariffs with new words: on three sites the objective is the bill of the plan's flows."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest

import optimizer.planning.plan as plan_module
from optimizer.base.timegrid import calendar_months
from optimizer.billing.bill import bill_flows
from optimizer.billing.tariff import compile_cost, read_tariff, shipped_tariffs
from optimizer.cost.expression import linear_cost
from optimizer.planning.plan import Plan, make_plan
from optimizer.planning.printed import solve_printed
from tests.laws.cases import (
    AC_PLANT,
    CREDIT,
    DC_PLANT,
    DEMAND,
    FLAT,
    PER_MONTH,
    TAX,
    TWO_RATES,
    cost_of,
    grid_of,
    problem_of,
    weather,
)

SITES = {
    "ac": AC_PLANT,
    "dc": DC_PLANT,
    "no stored export": replace(AC_PLANT, may_export_stored=False, import_limit_kw=6.0),
}
TARIFFS = (
    "half_weight_nights", "price_table", "daily_demand", "net_years_and_baseline", "hours_of_use",
    "lower_of_two", "shared_export", "booked_and_coincident", "net_year_in_blocks", "shared_blocks",
)  # fmt: skip


@pytest.mark.parametrize("site", SITES)
@pytest.mark.parametrize("name", TARIFFS)
def test_the_objective_is_the_bill(name: str, site: str) -> None:
    grid = grid_of(5 * 24, 60, "2025-03-29T00:00")  # clocks change, a month and a netting year end
    cost = compile_cost(read_tariff(shipped_tariffs()[name]), grid, calendar_months(grid))
    plant = SITES[site]
    problem = problem_of(plant, grid, *weather(grid, 4), cost)
    plan = make_plan(problem, cost)
    wear = plant.wear_per_kwh * float(plan.flows.discharge_kwh.sum())
    bill = bill_flows(cost, plan.flows)
    assert plan.proof.objective == pytest.approx(bill.total_as_planned + wear, abs=1e-5)
    assert plan.proof.objective == pytest.approx(plan.proof.recomputed, abs=1e-5)


# --- one of two branches -------------------------------------------------------------------------

WEEK = grid_of(24 * 7, 60)
SHORT, LONG = [TWO_RATES, DEMAND], [
    FLAT | {"name": "long", "per_kwh": 0.19}, DEMAND | {"name": "long kw", "per_kw": 5.0},
]  # fmt: skip
BRANCHES: dict[str, Any] = {"kind": "branches", "name": "branch", "branches": [
    {"of": ["energy", "demand"]}, {"of": ["long", "long kw"]}]}  # fmt: skip


def planned(charges: list[dict[str, Any]], seed: int = 4, grid: Any = WEEK) -> Plan:
    cost = cost_of(charges, grid)
    return make_plan(problem_of(AC_PLANT, grid, *weather(grid, seed), cost), cost)


@pytest.mark.parametrize("over", ["period", "year"])
@pytest.mark.parametrize("seed", [4, 5, 6])
def test_the_best_plan_of_the_lower_bill_is_the_better_one_of_the_two(over: str, seed: int) -> None:
    """The least of min(A, B) is the lower one of the least of A and the least of B."""
    rest = [CREDIT, PER_MONTH]
    alone = [planned([*sheet, *rest], seed).proof.objective for sheet in (SHORT, LONG)]
    branches = BRANCHES | {"taken": "lower", "counted_over": over}
    both = planned([*SHORT, *LONG, branches, *rest], seed)
    assert abs(alone[0] - alone[1]) > 0.1
    assert both.proof.objective == pytest.approx(min(alone), abs=1e-4)


def test_trying_each_choice_finds_what_the_search_over_integers_does(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    charges = [*SHORT, *LONG, BRANCHES | {"taken": "lower"}, CREDIT]
    tried = planned(charges).proof.objective
    monkeypatch.setattr(plan_module, "FEW_CHOICES", 0)
    assert planned(charges).proof.objective == pytest.approx(tried, abs=1e-4)


def test_the_higher_bill_is_planned_without_integers_and_never_below_either() -> None:
    alone = [planned(sheet).proof.objective for sheet in (SHORT, LONG)]
    charges = [*SHORT, *LONG, BRANCHES | {"taken": "higher"}]
    assert linear_cost(cost_of(charges, WEEK).total, WEEK.count).is_convex
    assert planned(charges).proof.objective >= max(alone) - 1e-6


def test_a_lower_bill_takes_a_binary_for_each_branch_and_period_and_of_a_year_once() -> None:
    grid = grid_of(24 * 70, 60, "2025-05-01")  # May, June and some of July
    for over, parts in (("period", 3), ("year", 1)):
        branches = BRANCHES | {"taken": "lower", "counted_over": over}
        cost = linear_cost(cost_of([*SHORT, *LONG, branches, TAX], grid).total, grid.count)
        assert sum(part.needs_integers for part in cost.parts) == parts


def test_where_branches_meet_at_their_hours_the_stand_in_of_a_plan_is_the_bill() -> None:
    """0.30 − 0.19 a kWh over 24 h are the 2.64 a kW that the second branch is dearer."""
    hours = 24.0 * 30 / 7  # of the seven days of June that are there, 24 h
    charges = [
        FLAT, DEMAND, LONG[0], LONG[1] | {"per_kw": DEMAND["per_kw"] + 24 * 0.11},
        BRANCHES | {"demand": "demand", "branches": [
            {"of": ["energy", "demand"], "from_h": 0.0}, {"of": ["long", "long kw"], "from_h": hours}]},
    ]  # fmt: skip
    cost = cost_of(charges, WEEK)
    for seed in range(6):
        plan = planned(charges, seed)
        bill = bill_flows(cost, plan.flows)
        assert bill.total == pytest.approx(bill.total_as_planned, abs=1e-6)
    assert any("a plan counts the lowest of the branches" in note for note in cost.notes)


# --- a rebate against earlier days ---------------------------------------------------------------


def test_a_called_event_is_planned_by_its_price_and_raises_no_baseline() -> None:
    grid = grid_of(24 * 12, 60)  # twelve days from Monday 2 June; the event is on Thursday 12 June
    rebate = {"kind": "baseline_rebate", "name": "rebate", "per_kwh": 2.0, "hours": ["12:00-16:00"],
              "dates": [date(2025, 6, 12)], "baseline": {"earlier_days": 5}}  # fmt: skip
    load, cost = np.full(grid.count, 0.5), cost_of([FLAT, rebate], grid)
    site = replace(AC_PLANT, wear_per_kwh=0.01)
    plans = [
        make_plan(problem_of(site, grid, load, 0 * load, made), made)
        for made in (cost, cost_of([FLAT], grid))
    ]
    event = (grid.day == 10) & (grid.minute_of_day >= 720) & (grid.minute_of_day < 960)
    earlier = (grid.day < 10) & (grid.minute_of_day >= 720) & (grid.minute_of_day < 960)
    assert plans[0].flows.import_kwh[event] == pytest.approx(0, abs=1e-7)
    assert plans[0].flows.import_kwh[earlier] == pytest.approx(0.5, abs=1e-6)
    assert plans[1].flows.import_kwh[event] == pytest.approx(0.5)
    paid = bill_flows(cost, plans[0].flows).by_charge()["rebate"]
    assert paid == pytest.approx(
        -2.0 * 4 * 0.5
    )  # 0.5 kW on each earlier day, nothing in four hours
    assert any("a plan reads it as a price of 2 a kWh" in note for note in cost.notes)


def test_notes_say_what_of_a_year_and_of_a_baseline_is_not_there() -> None:
    branches = BRANCHES | {"taken": "lower", "counted_over": "year"}
    rebate = {"kind": "baseline_rebate", "name": "rebate", "per_kwh": 2.0, "hours": ["12:00-16:00"],
              "dates": [date(2025, 6, 2), date(2025, 6, 5)], "baseline": {"earlier_days": 5}}  # fmt: skip
    shared = CREDIT | {"shared": {"given_pct": 25.0, "received_kwh": {"2025-07": 9.0}}}
    notes = cost_of([*SHORT, *LONG, branches, rebate, shared], WEEK).notes
    for told in (
        "of the year that begins in 2025 only 7 days are counted",
        "the event of 2025-06-02 has 0 of 5 earlier days in the series: no baseline, and no rebate",
        "the event of 2025-06-05 has 2 of 5 earlier days in the series, whose mean is taken",
        "25 % of this meter's export is credited on other meters and not here",
        "no received_kwh for 2025-06; nothing is counted",
    ):
        assert any(told in note for note in notes), told


def test_the_printed_equations_stop_when_their_time_is_over() -> None:
    cost = cost_of([*SHORT, *LONG, BRANCHES | {"taken": "lower"}, CREDIT], WEEK)
    problem = problem_of(AC_PLANT, WEEK, *weather(WEEK, 4), cost)
    assert solve_printed(problem, 1e-4, -1e9) is None
    found = solve_printed(problem, 60.0, -1e9)
    assert found is not None
    assert found.value == pytest.approx(make_plan(problem, cost).proof.objective, abs=1e-4)
