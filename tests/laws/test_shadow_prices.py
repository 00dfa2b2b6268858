"""Shadow prices are what a second plan, with a little more of something, really costs or saves.

A convex cost has a slope to either side; a shadow price lies between the two. Where they are the
same, as at nearly all steps of these sites, it has to be that slope.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from optimizer.billing.tariff import TariffCost
from optimizer.planning.matrix import Matrix, matrix_of
from optimizer.planning.plan import Plan, make_plan
from optimizer.planning.problem import Limits, Problem
from optimizer.planning.solver import solve
from optimizer.planning.tangent import (
    bigger_battery,
    bigger_connection,
    bigger_export,
    bigger_inverter,
    faster_charging,
    faster_discharging,
    resized,
)
from tests.laws.cases import (
    AC_PLANT,
    CREDIT,
    DC_PLANT,
    FLAT,
    cost_of,
    grid_of,
    problem_of,
    weather,
)

LITTLE = 1e-4
SLACK = 2e-4
GRID = grid_of(24)
LOAD, PV = weather(GRID, 1)

THREE_RATES = {
    "kind": "energy",
    "name": "energy",
    "rates": [
        {"name": "night", "per_kwh": 0.1, "hours": ["00:00-06:00"]},
        {"name": "evening", "per_kwh": 0.5, "hours": ["17:00-21:00"]},
        {"name": "day", "per_kwh": 0.3, "otherwise": True},
    ],
}
DEMAND = {"kind": "demand", "name": "demand", "per_kw": 8.0, "interval_minutes": 60}
EVENING_CREDIT = {
    "kind": "export_credit",
    "name": "export",
    "rates": [
        {"name": "evening", "per_kwh": 0.45, "hours": ["17:00-21:00"]},
        {"name": "rest", "per_kwh": 0.05, "otherwise": True},
    ],
}
STORED_CREDIT = {
    "kind": "export_credit", "name": "stored", "origin": "battery", "per_kwh": 0.41,
    "hours": ["17:00-21:00"],
}  # fmt: skip
TARIFFS = {
    "three rates": [THREE_RATES, CREDIT],
    "demand": [FLAT, CREDIT, DEMAND],
    "evening sale": [THREE_RATES, EVENING_CREDIT],
    "stored energy paid less": [THREE_RATES, EVENING_CREDIT | {"origin": "pv"}, STORED_CREDIT],
}

WIDE = {"high_kwh": 60.0, "capacity_kwh": 60.0, "ac_limit_kw": 20.0}
PLANTS: dict[str, tuple[dict[str, float], bool]] = {
    "small battery": ({"high_kwh": 4.0, "ac_limit_kw": 20.0}, True),
    "small battery without sun": ({"high_kwh": 4.0, "ac_limit_kw": 20.0}, False),
    "wide battery": (WIDE, True),
    "wide battery without sun": (WIDE, False),
    "small inverter": (WIDE | {"ac_limit_kw": 1.5}, True),
    "small inverter without sun": (WIDE | {"ac_limit_kw": 1.5}, False),
    "small connection": (WIDE | {"import_limit_kw": 4.0}, False),
    "small export": (WIDE | {"export_limit_kw": 1.0}, True),
}
LIMITS = {
    "battery capacity, per kWh": bigger_battery,
    "charging power, per kW": faster_charging,
    "discharging power, per kW": faster_discharging,
    "inverter, per kW": bigger_inverter,
    "import limit, per kW": bigger_connection,
    "export limit, per kW": bigger_export,
}


@dataclass(frozen=True)
class Site:
    """A plant under a tariff; a plan of it is always a linear program."""

    problem: Problem
    cost: TariffCost

    def plan(self, **changes: Any) -> Plan:
        ends = {name: changes.pop(name) for name in ("end_kwh",) if name in changes}
        plan = make_plan(replace(self.problem.on(**changes), **ends), self.cost)
        assert plan.proof.kind == "linear program"
        return plan


def site(coupling: str, tariff: str, plant: str, **ends: Any) -> Site:
    changes, sunny = PLANTS[plant]
    base = replace(AC_PLANT if coupling == "ac" else DC_PLANT, **changes)
    cost = cost_of(TARIFFS[tariff], GRID)
    ends = {"start_kwh": 3.0, "end_kwh": 3.0} | ends
    return Site(problem_of(base, GRID, LOAD, PV if sunny else 0 * PV, cost, **ends), cost)


ROWS = [
    (coupling, tariff, plant) for coupling in ("ac", "dc") for tariff in TARIFFS for plant in PLANTS
]


def slopes(below: float, here: float, above: float) -> tuple[float, float]:
    """Return the slopes to the left and to the right, with room for rounding."""
    left, right = (here - below) / LITTLE, (above - here) / LITTLE
    assert left <= right + SLACK, "a least cost is convex"
    return left, right


def check(price: float, left: float, right: float, what: str) -> None:
    assert left - SLACK <= price <= right + SLACK, f"{what}: {price} not in {left} to {right}"


def around(count: int) -> Iterator[tuple[int, np.ndarray]]:
    for step in range(count):
        change = np.zeros(count)
        change[step] = LITTLE
        yield step, change


@pytest.mark.parametrize(("coupling", "tariff", "plant"), ROWS)
@pytest.mark.sweep(every=5)
def test_an_energy_price_is_what_a_little_more_load_costs(
    coupling: str, tariff: str, plant: str
) -> None:
    case = site(coupling, tariff, plant)
    plan = case.plan()
    same = 0
    for step, change in list(around(GRID.count))[::3]:
        below, above = (case.plan(load_kwh=LOAD + sign * change).cost for sign in (-1, 1))
        left, right = slopes(below, plan.cost, above)
        same += right - left < SLACK
        check(float(plan.prices.energy[step]), left, right, GRID.label(step))
    assert same >= 4, "nearly all steps should have one slope"


def cost_with_more_stored(matrix: Matrix, step: int, more_kwh: float) -> float:
    low, high = matrix.row_low.copy(), matrix.row_high.copy()
    row = matrix.rows["battery"].start + step
    low[row] += more_kwh
    high[row] += more_kwh
    return solve(replace(matrix, row_low=low, row_high=high), 60).objective


@pytest.mark.parametrize(("coupling", "tariff", "plant"), ROWS)
@pytest.mark.sweep(every=5)
def test_a_stored_price_is_what_a_little_more_stored_energy_saves(
    coupling: str, tariff: str, plant: str
) -> None:
    case = site(coupling, tariff, plant)
    plan = case.plan()
    matrix = matrix_of(case.problem, Limits.of(case.problem), {})
    here = solve(matrix, 60).objective
    same = 0
    for step in range(0, GRID.count - 1, 3):
        below, above = (cost_with_more_stored(matrix, step, s * LITTLE) for s in (-1, 1))
        left, right = slopes(below, here, above)
        same += right - left < SLACK
        check(-float(plan.prices.stored[step]), left, right, GRID.label(step))
    assert same >= 4, "nearly all steps should have one slope"


@pytest.mark.parametrize(("coupling", "tariff", "plant"), ROWS)
@pytest.mark.sweep(every=5)
def test_the_worth_of_a_limit_is_what_a_little_more_of_it_saves(
    coupling: str, tariff: str, plant: str
) -> None:
    case = site(coupling, tariff, plant)
    plan = case.plan()
    told = plan.nearby.worths
    assert told.keys() <= LIMITS.keys()
    for name, grown in LIMITS.items():
        other = resized(case.problem, grown(case.problem.plant, LITTLE))
        saved = (plan.cost - make_plan(other, case.cost).cost) / LITTLE
        assert told.get(name, 0.0) == pytest.approx(saved, abs=SLACK), name


BINDING = {
    "battery capacity, per kWh": "small battery",
    "charging power, per kW": "wide battery without sun",
    "discharging power, per kW": "wide battery",
    "inverter, per kW": "small inverter",
    "import limit, per kW": "small connection",
    "export limit, per kW": "small export",
}


@pytest.mark.parametrize("name", LIMITS)
def test_every_limit_binds_somewhere_in_the_table(name: str) -> None:
    """Without a row in which a limit is worth something, its law would say nothing."""
    case = site("ac", "evening sale", BINDING[name])
    more = resized(case.problem, LIMITS[name](case.problem.plant, 0.01))
    assert make_plan(more, case.cost).cost < case.plan().cost - 1e-4


def test_a_kwh_stored_in_the_evening_is_worth_the_price_it_avoids() -> None:
    """0.5 per kWh in the evening, less what discharging and the inverter lose, less the wear."""
    plant = replace(AC_PLANT, high_kwh=4.0, standing_loss_per_day=0.0)
    cost = cost_of([THREE_RATES, CREDIT], GRID)
    plan = make_plan(problem_of(plant, GRID, LOAD, 0 * PV, cost), cost)
    worth = plant.discharge_efficiency * (plant.to_ac_efficiency * 0.5 - plant.wear_per_kwh)
    evening = (GRID.minute_of_day >= 17 * 60) & (GRID.minute_of_day < 21 * 60)
    assert LOAD[evening].sum() > 5.0  # more than the battery holds, so the grid meets the rest
    assert plan.stored_kwh[17] < 4.0
    assert plan.prices.stored[17] == pytest.approx(worth, abs=1e-6)


def test_the_energy_price_where_the_battery_idles_is_the_tariffs_price() -> None:
    plant = AC_PLANT.without_battery()
    cost = cost_of([THREE_RATES, CREDIT], GRID)
    problem = problem_of(plant, GRID, LOAD + 0.1, 0 * PV, cost, start_kwh=0.0, end_kwh=0.0)
    hour = GRID.minute_of_day // 60
    prices = np.select([hour < 6, (hour >= 17) & (hour < 21)], [0.1, 0.5], 0.3)
    np.testing.assert_allclose(make_plan(problem, cost).prices.energy, prices)


def test_a_pinned_end_at_the_brim_moves_with_the_brim() -> None:
    """Full at the start and wanted full at the end, a larger battery is both."""
    plant = replace(AC_PLANT, high_kwh=4.0, ac_limit_kw=20.0)
    cost = cost_of([THREE_RATES, CREDIT], GRID)
    problem = problem_of(plant, GRID, LOAD, 0 * PV, cost, start_kwh=4.0, end_kwh=4.0)
    case = Site(problem, cost)
    times = 1 + LITTLE / plant.capacity_kwh
    moved = {"low_kwh": plant.low_kwh * times, "high_kwh": 4.0 * times}
    grown = case.plan(
        plant=replace(plant, capacity_kwh=plant.capacity_kwh * times, **moved),
        start_kwh=4.0 * times, end_kwh=4.0 * times,
    )  # fmt: skip
    saved = (case.plan().cost - grown.cost) / LITTLE
    told = case.plan().nearby.worths.get("battery capacity, per kWh", 0.0)
    assert told == pytest.approx(saved, abs=SLACK)
