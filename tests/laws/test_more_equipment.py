"""What one unit more would save, against second plans of the site with a little more of it.

The second plan is made from nothing, of a plant written out here: a battery's floor, reserve, ceiling and
start are shares of it and move along.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.planning.plan import Plan, make_plan
from optimizer.planning.problem import Problem
from optimizer.site.equipment import Plant
from optimizer.site.floors import Floors
from tests.laws.cases import AC_PLANT, DC_PLANT, grid_of, named_cost, problem_of, weather

WEEK = grid_of(24 * 7)
LOAD, PV = weather(WEEK, 5)
STEP = 1e-3


def battery(plant: Plant, floor: float, capacity_kwh: float = 5.0) -> Plant:
    """A battery with a floor or reserve of a share of it, and a ceiling of 95 %."""
    return replace(
        plant, low_kwh=floor * capacity_kwh, high_kwh=0.95 * capacity_kwh, capacity_kwh=capacity_kwh,
        ac_limit_kw=9.0,
    )  # fmt: skip


TEN = {
    "floor of a tenth": (battery(AC_PLANT, 0.1), "two rates", 0.5, "same"),
    "reserve of three tenths": (battery(AC_PLANT, 0.3), "two rates", 0.6, "same"),
    "reserve of half": (battery(AC_PLANT, 0.5), "two rates", 0.9, "same"),
    "reserve of three quarters": (battery(AC_PLANT, 0.75), "two rates", 0.75, "same"),
    "hybrid, reserve": (battery(DC_PLANT, 0.4), "two rates", 0.5, "same"),
    "demand, reserve": (battery(AC_PLANT, 0.3), "demand", 0.5, "same"),
    "hybrid, demand, floor": (battery(DC_PLANT, 0.2), "demand", 0.6, "same"),
    "flat, reserve": (battery(DC_PLANT, 0.4), "flat", 0.4, "same"),
    "starts full, ends free": (battery(AC_PLANT, 0.2), "two rates", 0.9, "free"),
    "sells dearer than it buys": (battery(AC_PLANT, 0.3), "sell above buy", 0.5, "same"),
}


def problem(plant: Plant, tariff: str, start: float, end: str) -> Problem:
    start_kwh = start * plant.capacity_kwh
    return problem_of(
        plant, WEEK, LOAD, PV, named_cost(tariff, WEEK), start_kwh=start_kwh,
        end_kwh=None if end == "free" else start_kwh,
    )  # fmt: skip


def cost(plant: Plant, tariff: str, start: float, end: str) -> float:
    return make_plan(problem(plant, tariff, start, end), named_cost(tariff, WEEK)).proof.objective


def plan(plant: Plant, tariff: str, start: float, end: str) -> Plan:
    return make_plan(problem(plant, tariff, start, end), named_cost(tariff, WEEK))


@pytest.mark.parametrize("name", TEN)
def test_a_kwh_more_of_battery_saves_what_a_second_plan_says(name: str) -> None:
    plant, *rest = TEN[name]
    kwh = plant.capacity_kwh + STEP
    grown = battery(plant, plant.low_kwh / plant.capacity_kwh, kwh)
    real = (cost(plant, *rest) - cost(grown, *rest)) / STEP
    assert real > 0.01, "worth nothing, this would show nothing"
    told = plan(plant, *rest).nearby.worths["battery capacity, per kWh"]
    assert told == pytest.approx(real, rel=0.01)


@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["beside", "hybrid"])
@pytest.mark.parametrize("tariff", ["flat", "two rates", "demand"])
def test_a_connection_that_lets_nothing_out_is_worth_what_the_first_bit_saves(
    plant: Plant, tariff: str
) -> None:
    """At no export at all the shadow price is one of many; that of a little more is the one."""
    shut = replace(plant, export_limit_kw=0.0)
    real = (
        cost(shut, tariff, 0.3, "same")
        - cost(replace(shut, export_limit_kw=STEP), tariff, 0.3, "same")
    ) / STEP
    told = plan(shut, tariff, 0.3, "same").nearby.worths.get("export limit, per kW", 0.0)
    assert real > 0.01
    assert told == pytest.approx(real, rel=0.01)


@pytest.mark.parametrize(
    ("name", "field"),
    [
        ("charging power, per kW", "charge_kw"),
        ("discharging power, per kW", "discharge_kw"),
        ("inverter, per kW", "ac_limit_kw"),
    ],
)
def test_a_kw_more_saves_what_a_second_plan_says(name: str, field: str) -> None:
    tight = {"charge_kw": 0.6, "discharge_kw": 0.6, "ac_limit_kw": 0.8}
    plant = replace(battery(AC_PLANT, 0.3, 12.0), **{field: tight[field]})
    more = replace(plant, **{field: tight[field] + STEP})
    real = (cost(plant, "two rates", 0.5, "same") - cost(more, "two rates", 0.5, "same")) / STEP
    assert real > 0.01
    told = plan(plant, "two rates", 0.5, "same").nearby.worths[name]
    assert told == pytest.approx(real, rel=0.01)


def test_floors_of_months_grow_with_the_battery() -> None:
    plant = battery(AC_PLANT, 0.1)
    (month,) = WEEK.months

    def with_floor(of: Plant) -> Problem:
        floors = Floors({month: 0.4 * of.capacity_kwh})
        return problem(of, "two rates", 0.7, "same").on(floors=floors)

    here = make_plan(with_floor(plant), named_cost("two rates", WEEK))
    there = make_plan(with_floor(battery(plant, 0.1, 5.0 + STEP)), named_cost("two rates", WEEK))
    real = (here.proof.objective - there.proof.objective) / STEP
    assert here.nearby.worths["battery capacity, per kWh"] == pytest.approx(real, rel=0.01)


@pytest.mark.parametrize("seed", range(6))
def test_at_a_kink_it_is_the_side_of_more(seed: int) -> None:
    """A battery just as large as the load that it can cover: one more is worth nothing, one less costs."""
    luck = np.random.default_rng(seed)
    day = grid_of(24)
    load = np.where((day.minute_of_day >= 16 * 60) & (day.minute_of_day < 21 * 60), 1.0, 0.0)
    load = load * luck.uniform(0.5, 1.5)
    out = AC_PLANT.discharge_efficiency * AC_PLANT.to_ac_efficiency
    kwh = float(load.sum()) / out
    plant = replace(
        AC_PLANT,
        low_kwh=0.0,
        high_kwh=kwh,
        capacity_kwh=kwh,
        standing_loss_per_day=0.0,
        ac_limit_kw=9.0,
    )
    tariff = named_cost("two rates", day)
    kwargs = {"start_kwh": 0.0, "end_kwh": 0.0}

    def at(size: float) -> Plan:
        of = replace(plant, high_kwh=size, capacity_kwh=size)
        return make_plan(problem_of(of, day, load, 0 * load, tariff, **kwargs), tariff)

    less, more = (at(kwh + change).proof.objective for change in (-STEP, STEP))
    assert less - at(kwh).proof.objective > 0.1 * STEP
    assert more == pytest.approx(at(kwh).proof.objective, abs=1e-7)
    assert at(kwh).nearby.worths.get("battery capacity, per kWh", 0.0) == pytest.approx(0, abs=1e-6)
