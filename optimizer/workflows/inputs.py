"""What a brief is to plan, search and replay: the horizon, the problem, the task, groups of months.

Read next: ``solve``.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from optimizer.base.timegrid import FloatArray
from optimizer.base.units import number
from optimizer.cost.expression import linear_cost
from optimizer.evaluation.comparison import Judge
from optimizer.planning.plan import Plan
from optimizer.planning.problem import Problem
from optimizer.scenario.brief import Brief
from optimizer.search.choose import groupings_for
from optimizer.search.fit import MonthGroups
from optimizer.search.score import Task
from optimizer.settings.controls import Controls
from optimizer.settings.windows import Settings
from optimizer.simulation.horizon import Horizon


def horizon_of(brief: Brief) -> Horizon:
    """Return what settings are run through."""
    scenario = brief.scenario
    return Horizon(
        scenario.plant, scenario.forecast.grid, scenario.forecast.load_kwh,
        scenario.forecast.pv_kwh, _start_kwh(brief), brief.floors_kwh,
    )  # fmt: skip


def _start_kwh(brief: Brief) -> float:
    """Return the stored energy at the start, not below the first month's floor. [kWh]"""
    first = brief.scenario.forecast.grid.dates[0].month
    return max(brief.scenario.start_kwh, brief.floors_kwh.get(first, 0.0))


def _end_kwh(brief: Brief) -> float | None:
    """Return the stored energy wanted at the end, not below the last month's floor; None if free."""
    scenario = brief.scenario
    if scenario.file.state.end_pct == "free" or scenario.end_kwh is None:
        return None
    last = scenario.forecast.grid.dates[-1].month
    wanted = _start_kwh(brief) if scenario.file.state.end_pct == "same" else scenario.end_kwh
    return max(wanted, brief.floors_kwh.get(last, 0.0))


def _lowest_kwh(brief: Brief) -> FloatArray | None:
    """Return the lowest level of each step, shape (T,); None where no month has a floor of its own."""
    if not brief.floors_kwh:
        return None
    of_month = np.array([brief.floors_kwh.get(month, 0.0) for month in range(1, 13)])
    floor: FloatArray = of_month[brief.scenario.forecast.grid.month - 1]
    return floor


def problem_of(brief: Brief) -> Problem:
    """Return the site as the plan sees it."""
    scenario, grid = brief.scenario, brief.scenario.forecast.grid
    return Problem(
        grid,
        scenario.plant,
        scenario.forecast.load_kwh,
        scenario.forecast.pv_kwh,
        linear_cost(brief.cost.total, grid.count),
        _start_kwh(brief),
        _end_kwh(brief),
        scenario.file.state.leftover_per_kwh,
        lowest_kwh=_lowest_kwh(brief),
    )


def with_floor_of(in_use: Settings, brief: Brief) -> Brief:
    """Return the brief with the floors that are typed in, where they are the higher ones: they are kept."""
    plant = brief.scenario.plant
    floors = {
        month: plant.level_kwh(season.floor_pct)
        for season in in_use.seasons
        if season.floor_pct is not None and plant.level_kwh(season.floor_pct) > plant.low_kwh
        for month in season.months
    }
    brief = replace(brief, floors_kwh=floors)
    floor_kwh = plant.level_kwh(in_use.floor_pct)
    if floor_kwh <= plant.low_kwh:
        return brief
    note = f"The floor of {number(in_use.floor_pct)} % that is typed in is kept."
    forecast = replace(brief.scenario.forecast, notes=(*brief.scenario.forecast.notes, note))
    scenario = replace(
        brief.scenario, plant=replace(plant, low_kwh=floor_kwh), forecast=forecast
    )  # fmt: skip
    return replace(brief, scenario=scenario)


def groupings_of(brief: Brief, controls: Controls) -> list[MonthGroups]:
    """Return the groups of months to try, the tariff's own seasons first.

    Months of unlike floors are not grouped: the highest would hold for all.
    """
    grid = brief.scenario.forecast.grid
    seasons = brief.tariff.season_of_months(grid)
    every = groupings_for(seasons, grid.months, controls.season_sets)
    floor = brief.floors_kwh.get
    alike = [
        groups for groups in every
        if all(len({floor(month) for month in group}) == 1 for group in groups)
    ]  # fmt: skip
    by_floor: dict[float | None, list[int]] = {}
    for month in grid.months:
        by_floor.setdefault(floor(month), []).append(month)
    return alike or [tuple(map(tuple, by_floor.values()))]


def task_of(brief: Brief, plan: Plan) -> Task:
    """Return what windows are searched for: equipment, cost, and the plan to start from."""
    horizon, judge = horizon_of(brief), Judge(brief.cost, plan)
    return Task(
        plant=horizon.plant,
        controls=brief.scenario.controls,
        grid=horizon.grid,
        cost=plan.problem.cost,
        plan_flows=plan.flows,
        plan_stored_kwh=plan.stored_kwh,
        prices=plan.step_prices,
        start_kwh=horizon.start_kwh,
        stored_worth=judge.end_worth,
        can_save=judge.cost_of(horizon.run(horizon.plain())) - plan.cost,
        floors_kwh=brief.floors_kwh,
        worth_typing=brief.scenario.worth_typing,
    )
