"""Planned sites on which windows are searched for, and what settings come to there by replay and bill."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import lru_cache

import numpy as np

from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.base.units import MINUTES_PER_DAY
from optimizer.billing.bill import bill_flows
from optimizer.billing.tariff import TariffCost
from optimizer.cost.expression import linear_cost
from optimizer.evaluation.out_of_sample import AS_METERED
from optimizer.forecasting.weeks import Material, Weather, Year
from optimizer.metering.forecast import Forecast
from optimizer.planning.plan import Plan, make_plan
from optimizer.scenario.brief import Brief
from optimizer.search.choose import Effort, Found, find_settings
from optimizer.search.fit import MonthGroups, years_for
from optimizer.search.score import Season, Task
from optimizer.settings.check import refusals
from optimizer.settings.controls import Controls
from optimizer.settings.windows import Settings, no_windows
from optimizer.site.equipment import Plant
from tests.builders import run_through
from tests.laws.cases import AC_PLANT, SOURCE, grid_of, named_cost, problem_of, weather

STORED_WORTH = 0.12
ALL_MONTHS: MonthGroups = (tuple(range(1, 13)),)
LITTLE = Effort(300, 1200)
"""Enough for a descent and a few restarts on a week."""

HOURS = grid_of(24 * 8, 60, "2025-06-26")  # five days of June, three of July
THREE_DAYS = grid_of(72, 60, "2025-06-29")  # two of June, one of July; quick to plan with integers
HALF_HOURS = grid_of(48 * 7, 30)
QUARTERS = grid_of(96 * 7, 15)
FIVES = grid_of(288 * 3, 5)
TEN_WEEKS = grid_of(24 * 7 * 10 + 24 * 3, 60, "2025-06-05")  # to the middle of August
NEEDS_INTEGERS = {"negative prices", "everything"}


def grid_for(tariff: str, grid: TimeGrid = HALF_HOURS) -> TimeGrid:
    """Return the grid, or a short one where the plan takes long to prove."""
    return THREE_DAYS if tariff in NEEDS_INTEGERS else grid


@lru_cache(maxsize=64)
def site(plant: Plant, grid: TimeGrid, tariff: str) -> tuple[Plan, TariffCost]:
    """Return the cheapest plan of a site with some weather, and its tariff."""
    load, pv = weather(grid, 12)
    cost = named_cost(tariff, grid)
    problem = problem_of(plant, grid, load, pv, cost, leftover_per_kwh=STORED_WORTH)
    return make_plan(problem, cost), cost


def weather_of(plan: Plan, others: Sequence[Forecast] = ()) -> Weather:
    """Return the weeks of a planned site."""
    problem = plan.problem
    forecast = Forecast(problem.grid, problem.load_kwh, problem.pv_kwh)
    return Weather(forecast, Material((forecast, *others), holds_forecast=True))


def task_for(plan: Plan, cost: TariffCost, controls: Controls, worth: float = STORED_WORTH) -> Task:
    """Return what settings are searched for on a planned site."""
    problem = plan.problem
    none = cost_of_settings(plan, cost, no_windows(0.0))
    can_save = none - (plan.cost + worth * plan.start_kwh)
    return Task(
        replace(problem.horizon, start_kwh=plan.start_kwh), controls, problem.cost, plan.flows,
        plan.stored_kwh, plan.step_prices, worth, can_save,
    )  # fmt: skip


def task_of(plant: Plant, grid: TimeGrid, tariff: str, controls: Controls) -> Task:
    """Return what settings are searched for on a site of the table of tariffs."""
    return task_for(*site(plant, grid, tariff), controls)


def season_of(task: Task, plan: Plan, years: Sequence[Year] | None = None) -> Season:
    """Return all months as one season, in the plausible years of the site or in others."""
    years = years_for(weather_of(plan), None) if years is None else years
    return Season(task, ALL_MONTHS[0], years, [task.plan_flows])


def found_for(
    plant: Plant,
    grid: TimeGrid,
    tariff: str,
    controls: Controls,
    groupings: Sequence[MonthGroups] = (ALL_MONTHS,),
    effort: Effort = LITTLE,
) -> Found:
    """Return what is found for a site of the table of tariffs."""
    plan, _ = site(plant, grid, tariff)
    task = task_of(plant, grid, tariff, controls)
    return find_settings(task, weather_of(plan), "found", groupings, effort)


def cost_of_settings(
    plan: Plan, cost: TariffCost, settings: Settings, year: Year | None = None
) -> float:
    """Return bill and wear of a replay, less the worth of what it added to the battery."""
    problem = plan.problem
    plant, start = problem.plant, plan.start_kwh
    load, pv = (problem.load_kwh, problem.pv_kwh) if year is None else (year.load_kwh, year.pv_kwh)
    run = run_through(plant, problem.grid, load, pv, settings, start)
    wear = plant.wear_per_kwh * float(run.flows.discharge_kwh.sum())
    bill = bill_flows(cost, run.flows).total_as_planned
    return bill + wear - STORED_WORTH * float(run.stored_kwh[-1] - start)


def saved_by_year(
    plan: Plan, cost: TariffCost, settings: Settings, years: Sequence[Year]
) -> FloatArray:
    """Return what settings save in each year against no windows, by replay and bill."""
    plain = no_windows(settings.floor_pct)
    return np.array([
        cost_of_settings(plan, cost, plain, year) - cost_of_settings(plan, cost, settings, year)
        for year in years
    ])  # fmt: skip


def weighted(values: FloatArray, years: Sequence[Year]) -> float:
    """Return the mean over years, each as its weight says."""
    return float(np.average(values, weights=[year.weight for year in years]))


def fixed_cost(plan: Plan, cost: TariffCost) -> float:
    """Return what the tariff asks whatever flows."""
    return linear_cost(cost.total, plan.problem.grid.count).constant


def check_no_overlap(settings: Settings) -> None:
    """Hold that no two windows of a day set share a minute."""
    for season in settings.seasons:
        for day_set in season.day_sets:
            taken = np.zeros(MINUTES_PER_DAY, dtype=int)
            for window in day_set.windows:
                begin, end = window.begin, window.finish
                end = end if end > begin else end + MINUTES_PER_DAY
                np.add.at(taken, np.arange(begin, end) % MINUTES_PER_DAY, 1)
            assert taken.max(initial=0) <= 1


def check_accepted(settings: Settings, controls: Controls, plant: Plant = AC_PLANT) -> None:
    """Hold that the controls can store the settings, by their own refusals and once more here."""
    assert refusals(settings, controls, plant, SOURCE) == []
    check_no_overlap(settings)
    assert len(settings.seasons) <= controls.season_sets
    for season in settings.seasons:
        assert tuple(part.days for part in season.day_sets) == tuple(controls.day_sets())
        for part in season.day_sets:
            assert len(part.windows) <= controls.windows_per_day
            for window in part.windows:
                assert window.action in controls.actions
                if controls.power_step_pct is not None:
                    pct = 100 * (window.grid_kw or window.power_kw or 0.0) / plant.ac_limit_kw
                    assert pct <= 100 + 1e-6
                    assert (
                        abs(pct - round(pct / controls.power_step_pct) * controls.power_step_pct)
                        < 1e-5
                    )
                assert window.begin % controls.minutes == window.finish % controls.minutes == 0
                assert controls.import_cap or window.import_cap_kw is None
                assert controls.over_midnight or window.begin < (window.finish or MINUTES_PER_DAY)


def half_of(brief: Brief, turn: int) -> Brief:
    """Return the site with every other week, made into a year, as its forecast."""
    forecast = brief.scenario.forecast
    weather = Weather(forecast, keep=lambda monday: monday.toordinal() // 7 % 2 == turn)
    year = weather.year(AS_METERED, None, np.random.default_rng(turn))
    made = Forecast(forecast.grid, year.load_kwh, year.pv_kwh)
    return brief.on(made, Material((made,), holds_forecast=True))


def wishing(brief: Brief, hours: float, *, by_season: bool, share_pct: float = 90.0) -> Brief:
    """Return the site with a wished endurance."""
    file = brief.scenario.file
    outage = file.outage.model_copy(update={"hours": hours, "share_pct": share_pct})
    controls = file.controls.model_copy(update={"floor_by_season": by_season})
    changed = file.model_copy(update={"outage": outage, "controls": controls})
    return replace(brief, scenario=replace(brief.scenario, file=changed))
