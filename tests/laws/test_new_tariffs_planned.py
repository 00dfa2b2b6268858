"""Plans under the tariffs with new words: on three sites the objective is the bill of the plan's flows."""

from __future__ import annotations

from dataclasses import replace

import pytest

from optimizer.base.timegrid import calendar_months
from optimizer.billing.bill import bill_flows
from optimizer.billing.tariff import compile_cost, read_tariff, shipped_tariffs
from optimizer.planning.plan import make_plan
from tests.laws.cases import AC_PLANT, DC_PLANT, grid_of, problem_of, weather

SITES = {
    "ac": AC_PLANT,
    "dc": DC_PLANT,
    "no stored export": replace(AC_PLANT, may_export_stored=False, import_limit_kw=6.0),
}
TARIFFS = (
    "half_weight_nights", "price_table", "daily_demand", "net_years_and_baseline", "booked_and_coincident",
    "net_year_in_blocks", "shared_blocks",
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
