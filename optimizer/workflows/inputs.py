"""What a brief is to plan, search and replay: the horizon, the problem, the task, groups of months.

Read next: ``solve``.
"""

from __future__ import annotations

from dataclasses import replace

from optimizer.base.units import number
from optimizer.cost.expression import linear_cost
from optimizer.evaluation.comparison import Judge
from optimizer.planning.plan import Plan
from optimizer.planning.problem import Problem
from optimizer.scenario.brief import Brief
from optimizer.scenario.horizon import Horizon
from optimizer.search.choose import groupings_for
from optimizer.search.fit import MonthGroups
from optimizer.search.score import Task
from optimizer.settings.controls import Controls
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import replay
from optimizer.site.floors import Floors


def horizon_of(brief: Brief) -> Horizon:
    """Return what settings are run through; it begins no lower than the first month's floor."""
    scenario, forecast = brief.scenario, brief.scenario.forecast
    start_kwh = max(scenario.start_kwh, brief.floors.at(forecast.grid.dates[0].month))
    return Horizon(
        scenario.plant, forecast.grid, forecast.load_kwh, forecast.pv_kwh, start_kwh, brief.floors
    )


def problem_of(brief: Brief) -> Problem:
    """Return the site as the plan sees it; it ends no lower than the last month's floor."""
    scenario, horizon = brief.scenario, horizon_of(brief)
    state, end_kwh = scenario.file.state, scenario.end_kwh
    if end_kwh is not None:
        wanted = horizon.start_kwh if state.end_pct == "same" else end_kwh
        end_kwh = max(wanted, brief.floors.at(horizon.grid.dates[-1].month))
    cost = linear_cost(brief.cost.total, horizon.grid.count)
    return Problem(horizon, cost, end_kwh, state.leftover_per_kwh)


def with_floor_of(in_use: Settings, brief: Brief) -> Brief:
    """Return the brief with the floors that are typed in, where they are the higher ones: they are kept."""
    plant = brief.scenario.plant
    floors = {
        month: plant.level_kwh(season.floor_pct)
        for season in in_use.seasons
        if season.floor_pct is not None and plant.level_kwh(season.floor_pct) > plant.low_kwh
        for month in season.months
    }
    brief = replace(brief, floors=Floors(floors))
    floor_kwh = plant.level_kwh(in_use.floor_pct)
    if floor_kwh <= plant.low_kwh:
        return brief
    note = f"The floor of {number(in_use.floor_pct)} % that is typed in is kept."
    scenario = replace(brief.scenario, plant=replace(plant, low_kwh=floor_kwh))
    return replace(brief, scenario=scenario).noting(note)


def groupings_of(brief: Brief, controls: Controls) -> list[MonthGroups]:
    """Return the groups of months to try, the tariff's own seasons first.

    Months of unlike floors are not grouped: the highest would hold for all.
    """
    grid = brief.scenario.forecast.grid
    seasons = brief.tariff.season_of_months(grid)
    every = groupings_for(seasons, grid.months, controls.season_sets)
    floor = brief.floors.at
    alike = [
        groups for groups in every
        if all(len({floor(month) for month in group}) == 1 for group in groups)
    ]  # fmt: skip
    by_floor: dict[float, list[int]] = {}
    for month in grid.months:
        by_floor.setdefault(floor(month), []).append(month)
    return alike or [tuple(map(tuple, by_floor.values()))]


def task_of(brief: Brief, plan: Plan) -> Task:
    """Return what windows are searched for: equipment, cost, and the plan to start from."""
    horizon, judge = horizon_of(brief), Judge(brief.cost, plan)
    return Task(
        horizon=horizon,
        controls=brief.scenario.controls,
        cost=plan.problem.cost,
        plan_flows=plan.flows,
        plan_stored_kwh=plan.stored_kwh,
        prices=plan.step_prices,
        stored_worth=judge.end_worth,
        can_save=judge.cost_of(replay(horizon, horizon.plain())) - plan.cost,
        worth_typing=brief.scenario.worth_typing,
    )
