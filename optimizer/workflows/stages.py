"""The stages of the story, each from a brief to what comes next; ``story`` puts them in order.

Each leads to the folder that tells more. Read next: ``paperwork``.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable
from dataclasses import replace
from functools import partial

import numpy as np

from optimizer.base.errors import Infeasible, ScenarioError
from optimizer.base.timegrid import FloatArray
from optimizer.base.units import number
from optimizer.cost.expression import linear_cost
from optimizer.cost.prices import Prices
from optimizer.evaluation.comparison import NOTHING_TO_SAVE, Judge, Outcome, cases_of
from optimizer.evaluation.fit_check import Finding, findings_of, findings_of_replay
from optimizer.evaluation.reasons import reasons_for
from optimizer.outages.outages import Outages, carried_kwh, outages_of
from optimizer.planning.linear import LinearSolver
from optimizer.planning.plan import Plan, make_plan
from optimizer.planning.problem import Problem
from optimizer.replay.horizon import Horizon
from optimizer.search.choose import EFFORTS, Found, find_settings, groupings_for
from optimizer.search.fit import MonthGroups, years_for
from optimizer.search.proven import gap_of
from optimizer.search.richer import Richer, enriched, what_richer_would_bring
from optimizer.search.score import Season, Task
from optimizer.settings.controls import Controls
from optimizer.settings.windows import Settings, no_windows
from optimizer.workflows.paperwork import Brief, weather_of
from optimizer.workflows.results import Account, ProofLine

Progress = Callable[[str], None]

TELLING_SHARE = 0.99
"""A proof is told if its bound lies below this share of what the cheapest plan saves beyond the windows."""


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


def make_ready(brief: Brief) -> None:
    """Load what comes after the plan: the compiled replay and score, and what draws the report.

    The solver leaves a processor free for it. Windows are searched for nowhere here: one replay and
    one score of no windows are made, so that each is loaded for data of just these types.
    """
    horizon = horizon_of(brief)
    run = horizon.run(no_windows(horizon.plant.soc_pct(horizon.plant.low_kwh)))
    count = horizon.grid.count
    task = Task(
        horizon.plant, brief.scenario.controls, horizon.grid, linear_cost(brief.cost.total, count),
        run.flows, run.stored_kwh, Prices(*np.zeros((3, count))), horizon.start_kwh, 0.0, 0.0,
    )  # fmt: skip
    Season(task, horizon.grid.months[:1], years_for(weather_of(brief), None)[:1], [run.flows])
    importlib.import_module("optimizer.report.files")


def cheapest_plan(
    brief: Brief, time_limit_s: float, progress: Progress, solver: LinearSolver | None = None
) -> Plan:
    """Find the cheapest operation by linear programming.

    Where the sun alone fills the battery, floors may be out of reach in winter; the plan then only
    begins and ends as high as they ask for.
    """
    grid = brief.scenario.forecast.grid
    progress(f"planning {grid.count:,} steps of {grid.step_minutes} min by linear programming")
    problem = problem_of(brief)
    planned = partial(
        make_plan, tariff_cost=brief.cost, time_limit_s=time_limit_s, progress=progress,
        solver=solver,
    )  # fmt: skip
    try:
        return planned(problem)
    except Infeasible:
        if problem.lowest_kwh is None:
            raise
        return planned(replace(problem, lowest_kwh=None))


def prices_of(plan: Plan) -> Prices:
    """Return the money per kWh of import, export and stored energy at the plan."""
    cost = plan.problem.cost
    return Prices(
        cost.marginal("import_kwh", plan.flows),
        -cost.marginal("export_kwh", plan.flows),
        plan.prices.stored,
    )


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
        prices=prices_of(plan),
        start_kwh=horizon.start_kwh,
        stored_worth=judge.end_worth,
        can_save=judge.cost_of(horizon.run(horizon.plain())) - plan.cost,
        floors_kwh=brief.floors_kwh,
        worth_typing=brief.scenario.worth_typing,
    )


def windows_for(
    brief: Brief, task: Task, effort: str, in_use: Settings | None, progress: Progress
) -> Found:
    """Find the few windows that cost least in plausible years; none if none are better."""
    starts = [] if in_use is None else [in_use]
    groupings = groupings_of(brief, task.controls)
    return find_settings(
        task, weather_of(brief), brief.scenario.name, groupings, EFFORTS[effort], starts, progress
    )


def richer_for(brief: Brief, task: Task, found: Found, progress: Progress) -> Richer | None:
    """Return what richer controls would save more, if that is much."""
    progress("asking what richer controls would bring")
    groupings = groupings_of(brief, enriched(task.controls))
    return what_richer_would_bring(task, weather_of(brief), found, groupings)


def proof_of(
    brief: Brief,
    plan: Plan,
    task: Task,
    found: Found,
    outcome: Outcome,
    most_work: float,
    progress: Progress,
) -> ProofLine | None:
    """Return how much more any settings that the controls accept could save on the forecast.

    None if there is nothing to save, if floors are raised or windows go on into the next day, of which
    the proof knows nothing, or if it tells no more than the cheapest plan does, which the kept share
    says already.
    """
    controls = brief.scenario.controls
    if outcome.can_save <= NOTHING_TO_SAVE or brief.floors_kwh or controls.goes_on_next_day:
        return None
    progress("proving how much more any such windows could save")
    beyond = outcome.can_save - outcome.saved + plan.open_cost
    gap = gap_of(
        found.settings, task, brief.scenario.forecast, found.groups, beyond, most_work
    )  # fmt: skip
    line = ProofLine(gap, gap / outcome.can_save)
    return line if line.is_exact or gap < TELLING_SHARE * beyond else None


def outages_under(brief: Brief, settings: Settings, *, critical_only: bool = False) -> Outages:
    """Begin an outage at each step of the forecast, as the settings leave the battery there.

    Critical loads alone are carried if that is asked for here or in the scenario.

    Raises
    ------
    ScenarioError
        If only critical loads are to be carried, but none are listed.
    """
    scenario, horizon = brief.scenario, horizon_of(brief)
    outage = scenario.file.outage
    critical_only = critical_only or outage.carries == "critical"
    if critical_only and not scenario.critical_kw:
        raise ScenarioError(
            "no load is critical, so none is to be carried",
            where=scenario.source.where(("loads",)),
            mend="List loads, and write critical: true for those that must go on.",
        )
    load_kwh, pv_kwh = carried_kwh(
        horizon.load_kwh, horizon.pv_kwh, horizon.grid.step_h,
        scenario.critical_kw if critical_only else None, pv_runs=outage.pv_runs,
    )  # fmt: skip
    run = horizon.run(settings)
    found = outages_of(horizon.plant, run, load_kwh, pv_kwh, scenario.makers_floor_kwh)
    return replace(found, critical_only=critical_only)


def fits_under(brief: Brief, settings: Settings) -> list[Finding]:
    """Return whether equipment and loads fit together, and what the settings ask of them."""
    horizon, scenario = horizon_of(brief), brief.scenario
    run = horizon.run(settings)
    bare = replace(horizon, plant=horizon.plant.without_battery(), start_kwh=0.0).run(
        no_windows(0.0)
    )
    cost = linear_cost(brief.cost.total, horizon.grid.count)
    price = -cost.marginal("export_kwh", run.flows)
    replayed = findings_of_replay(scenario, run, bare, price, brief.tariff.currency)
    return [*findings_of(scenario), *replayed]


def account_of(
    brief: Brief,
    plan: Plan,
    settings: Settings,
    in_use: Settings | None = None,
    anew: Settings | None = None,
) -> Account:
    """Replay the settings and the equipment without them, and put the bills side by side."""
    horizon, judge = horizon_of(brief), Judge(brief.cost, plan)
    cases = cases_of(horizon, settings, judge, in_use, anew)
    reasons = reasons_for(
        settings, horizon, judge.priced, brief.tariff.currency, brief.scenario.whole_kw
    )
    outcome = Outcome(cases, settings, tuple(reasons))
    return Account(brief.scenario, brief.tariff, brief.cost, plan, outcome, prices_of(plan))
