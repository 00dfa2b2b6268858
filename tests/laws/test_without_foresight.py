"""The control without foresight: a case worked out on paper, and the laws that it keeps on any site."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from typing import Any

import numpy as np
import pytest

from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.billing.bill import bill_flows
from optimizer.cost.expression import LinearCost, linear_cost
from optimizer.cost.prices import Prices
from optimizer.evaluation.comparison import Judge
from optimizer.evaluation.out_of_sample import AS_METERED
from optimizer.evaluation.rungs import rungs_of
from optimizer.evaluation.without_foresight import (
    ENERGY_ALONE,
    HIGHEST_POWERS,
    Control,
    WithoutForesight,
    without_foresight,
)
from optimizer.forecasting.weeks import Year
from optimizer.planning.plan import make_plan
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import no_windows
from optimizer.simulation.replay import replay
from tests.builders import hourly_grid, simple_plant
from tests.laws.cases import AC_PLANT, DC_PLANT, DEMAND, FLAT, STEP_FEE, cost_of
from tests.laws.sites import TEN_WEEKS, site, weather_of

DAYS = 16
PATTERN = (0, 0, 0, 0, 1, 0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 1)
"""Dull and sunny days in which any four follow each other once (de Bruijn): three days tell nothing of the next."""


def sun_of(shift: int) -> FloatArray:
    """Return hourly PV: 4 kWh at noon of each sunny day. [kWh]"""
    pv = np.zeros((DAYS, 24))
    pv[:, 12] = [4.0 * PATTERN[(day + shift) % DAYS] for day in range(DAYS)]
    return pv.ravel()


def evenings() -> FloatArray:
    """Return an hourly load of 4 kWh at six in the evening. [kWh]"""
    load = np.zeros((DAYS, 24))
    load[:, 18] = 4.0
    return load.ravel()


def linear(*charges: dict[str, Any], grid: TimeGrid) -> LinearCost:
    """Return the cost of some charges."""
    return linear_cost(cost_of(charges, grid).total, grid.count)


@pytest.mark.parametrize(("night", "expected"), [(0.10, DAYS * 0.40 - 8 * 0.08), (0.20, 8 * 1.20)])
def test_it_fills_at_night_only_if_that_pays_in_the_mean_of_sunny_and_dull_days(night, expected):
    # Battery of 4 kWh, no losses. Filled at night: 4 × night, and on sunny days 4 kWh of PV are sold
    # for 0.08. Not filled: 1.20 in the evening of a dull day, nothing on a sunny one. In the mean of
    # both, equally likely: 4 × night − 0.04 against 0.60; at 0.10 filling is better, at 0.20 it is not.
    grid = hourly_grid(24 * DAYS)
    buy = np.where(grid.minute_of_day < 6 * 60, night, 0.30)
    sell = np.full(grid.count, 0.02)
    prices = Prices(buy, sell, np.zeros(grid.count), sell)
    years = [
        Year(
            evenings(), sun_of(shift), 1.0, tuple(date(2001 + shift, 1, 1 + d) for d in range(DAYS))
        )
        for shift in range(DAYS)
    ]
    horizon = Horizon(simple_plant(4, 4), grid, evenings(), sun_of(0), 0.0)
    rungs = rungs_of(
        linear(FLAT, DEMAND | {"per_kw": 0.0}, grid=grid),
        replay(horizon, no_windows(0.0)).flows,
        years,
        horizon,
    )
    flows = Control.taught(years, horizon, prices, 0.0, rungs, ENERGY_ALONE).run(horizon).flows
    assert flows.import_kwh @ buy - flows.export_kwh @ prices.sell == pytest.approx(expected)


def test_the_best_found_is_never_told_below_the_windows():
    assert WithoutForesight(control=80.0, windows=90.0).saved == 90.0
    assert WithoutForesight(control=80.0, windows=90.0).is_windows
    assert WithoutForesight(control=120.0, windows=90.0).kept_share == 0.75
    assert WithoutForesight(control=-1.0, windows=0.0).kept_share is None


@pytest.mark.parametrize(
    ("plant", "tariff"),
    [
        (AC_PLANT, "sell above buy"),
        (DC_PLANT, "two rates"),
        (AC_PLANT, "demand"),
        (DC_PLANT, "demand"),
    ],
)
def test_it_saves_no_more_than_plans_of_the_same_weeks_and_the_same_each_time(plant, tariff):
    plan, cost = site(plant, TEN_WEEKS, tariff)
    weather, judge = weather_of(plan), Judge(cost, plan)
    none = no_windows(plant.soc_pct(plant.low_kwh))
    horizon = replace(plan.problem.horizon, start_kwh=plan.start_kwh)
    found = without_foresight((none, none), weather, judge, horizon)
    assert found is not None
    assert found == without_foresight((none, none), weather, judge, horizon)
    assert found.windows == 0.0
    can_save = []
    for fold in (0, 1):
        year = weather.year(AS_METERED, fold, np.random.default_rng(0))
        there = horizon.with_weather(year.load_kwh, year.pv_kwh)
        problem = replace(
            plan.problem, horizon=there, end_kwh=None, leftover_per_kwh=judge.end_worth
        )
        best = make_plan(problem, cost)
        plain = replay(there, none)
        left = judge.end_worth * (plain.stored_kwh[-1] - best.stored_kwh[-1])
        wear = plant.wear_per_kwh * (
            plain.flows.discharge_kwh.sum() - best.flows.discharge_kwh.sum()
        )
        bills = bill_flows(cost, plain.flows).total - bill_flows(cost, best.flows).total
        can_save.append(bills + wear - left)
    assert 0 < found.control <= np.mean(can_save) + 1e-6


def test_none_is_told_where_no_weeks_are_kept_back():
    plan, cost = site(AC_PLANT, TEN_WEEKS, "two rates")
    judge = Judge(cost, plan)
    assert without_foresight((), weather_of(plan), judge, plan.problem.horizon) is None


def test_it_keeps_a_known_peak_as_low_as_the_battery_can():
    # 1 kW all day and 4 kW from six to seven; energy at one price, 5 per kW of the highest hour.
    # A battery of 2 kWh, without losses, lowers 4 kW to 2 kW and no further; it is refilled with 1 kW
    # in two of the other hours, which is 2 kW as well.
    grid = hourly_grid(24 * DAYS)
    load = np.ones((DAYS, 24))
    load[:, 18] = 4.0
    horizon = Horizon(simple_plant(2, 2), grid, load.ravel(), np.zeros(grid.count), 0.0)
    flat = np.full(grid.count, 0.10)
    prices = Prices(flat, 0 * flat, 0 * flat, 0 * flat)
    years = [Year(load.ravel(), np.zeros(grid.count), 1.0, tuple(grid.dates))]
    plain = replay(horizon, no_windows(0.0)).flows
    assert plain.import_kwh.max() == 4.0  # nothing fills it
    rungs = rungs_of(linear(FLAT, {**DEMAND, "per_kw": 5.0}, grid=grid), plain, years, horizon)
    flows = Control.taught(years, horizon, prices, 0.0, rungs, HIGHEST_POWERS).run(horizon).flows
    assert flows.import_kwh.max() == pytest.approx(2.0)


def test_rungs_cost_what_the_tariff_asks_for_them():
    # Up to 4 kW without a battery of 2 kW: rungs at 0, 1, 2, 3, 4 and 6 kW. Each kW costs 3, the fee
    # is 3 a month below 2 kW and 9 from there on.
    grid = hourly_grid(24 * 31)
    load = np.ones(grid.count)
    load[18] = 4.0
    horizon = Horizon(simple_plant(2, 2), grid, load, np.zeros(grid.count), 0.0)
    planned = replay(horizon, no_windows(0.0)).flows
    years = [Year(load, np.zeros(grid.count), 1.0, tuple(grid.dates))]
    rungs = rungs_of(linear(FLAT, DEMAND, STEP_FEE, grid=grid), planned, years, horizon)
    assert rungs.caps[18] == pytest.approx([0, 1, 2, 3, 4, 6])
    assert rungs.charge == pytest.approx(np.array([[3, 6, 15, 18, 21, 27]]))
    assert list(np.flatnonzero(rungs.ends >= 0)) == [grid.count - 1]
