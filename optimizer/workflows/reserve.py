"""A wished endurance: the floors under which plan and windows give it, and what floors cost.

Floors are tried with little work; the ones that hold are then planned and searched in full. Read next:
``endurance.reserve``, ``valuation.reserves``.

A floor is a level of the plan too: the plan beside the windows keeps the same floors, so that the
kept share compares like with like. Where the sun alone cannot keep them the plan is one without,
which the report says.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from optimizer.base.errors import ScenarioError
from optimizer.base.progress import Progress, quiet
from optimizer.base.units import number, percent
from optimizer.evaluation.comparison import Judge
from optimizer.evaluation.out_of_sample import AS_METERED
from optimizer.outages.reserve import Reserve, Wish, least_level, traded
from optimizer.outages.reserve_price import ReserveCurve, reserve_curve
from optimizer.planning.linear import LinearSolver
from optimizer.scenario.brief import Brief
from optimizer.scenario.scenario import Scenario
from optimizer.search.fit import MonthGroups, fit, years_for
from optimizer.search.stored import multiples_between
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import replay
from optimizer.site.floors import Floors
from optimizer.workflows.inputs import groupings_of, horizon_of, problem_of
from optimizer.workflows.solve import Solved

TRYING_REPLAYS = 2_000
"""Work allowed for windows under floors that are only tried, in replays."""

USUAL_HOURS, LEVELS = 8.0, 9
"""The endurance that floors are told with where none is wished for, and how many floors are priced."""

PRICING_S = 600.0
"""Most time for the plan under one floor. [s]"""


def wish_of(scenario: Scenario, hours: float | None = None) -> Wish:
    """Return the endurance that a scenario wishes for, or its like for so many hours."""
    outage = scenario.file.outage
    critical = outage.carries == "critical"
    return Wish(
        hours if hours is not None else outage.hours or 0.0, outage.share_pct / 100,
        scenario.critical_kw if critical else None, outage.pv_runs, scenario.makers_floor_kwh,
    )  # fmt: skip


def with_endurance(
    first: Solved, solved: Callable[[Brief], Solved], progress: Progress
) -> tuple[Solved, Reserve]:
    """Find floors under which windows give the wished endurance at little cost, and what they cost.

    Floors are tried with windows of little work, so others may be cheaper by a little. The share is
    that over all outages, in the mean over the plausible years that windows are fitted to.

    Raises
    ------
    ScenarioError
        If not even a battery that is never drawn on gives it.
    """
    brief, scenario = first.brief, first.brief.scenario
    wish, controls = wish_of(scenario), scenario.controls
    progress(
        f"looking for floors that give {number(wish.hours)} h in {percent(wish.share)} of outages"
    )
    year = (tuple(scenario.forecast.grid.months),)
    groups = first.found.groups if controls.floor_by_season else year
    levels = _levels_of(scenario)
    years = years_for(brief.weather, None)

    def under(places: Sequence[int]) -> Brief:
        floors = Floors.of_groups(groups, [levels[place] for place in places])
        return replace(brief, floors=brief.floors.raised(floors)) if any(places) else brief

    def share(brief: Brief, settings: Settings) -> float:
        return float(wish.shares(horizon_of(brief), years, settings, year)[0])

    @cache
    def judged(places: tuple[int, ...]) -> tuple[bool, float]:
        there, settings = under(places), first.found.settings
        horizon = horizon_of(there)
        if any(places):
            task = replace(first.task, horizon=horizon)
            settings = fit(task, years, first.found.groups, TRYING_REPLAYS).settings("tried")
        cost = Judge(brief.cost, first.plan).cost_of(replay(horizon, settings))
        gift = first.task.stored_worth * (horizon.start_kwh - first.task.horizon.start_kwh)
        return share(there, settings) >= wish.share, cost + gift

    level = least_level(len(levels), lambda place: judged((place,) * len(groups))[0])
    places = None if level is None else traded((level,) * len(groups), len(levels), judged)
    case = first
    while places is not None and any(places):
        case = solved(under(places))
        if share(case.brief, case.found.settings) >= wish.share:
            break
        of_groups = wish.shares(horizon_of(case.brief), years, case.found.settings, groups)
        open_ = [group for group, place in enumerate(places) if place < len(levels) - 1]
        if not open_:
            places = None
            break
        worst = min(open_, key=lambda group: of_groups[group])
        places = tuple(place + (group == worst) for group, place in enumerate(places))
    if places is None:
        full = under([len(levels) - 1] * len(groups))
        raise ScenarioError(
            f"no floor gives {number(wish.hours)} h in {percent(wish.share)} of outages; a battery that"
            f" is kept full gives them in {percent(share(full, horizon_of(full).plain()))}",
            where=scenario.source.where(("outage", "hours")),
            mend="Wish for fewer hours or a smaller share, carry critical loads only, or add batteries.",
        )
    kept = [
        max(levels[place], brief.floors.over(g)) for g, place in zip(groups, places, strict=True)
    ]
    return case, _reserve_of(first, case, wish, kept, groups)


def _levels_of(scenario: Scenario) -> list[float]:
    """Return the floors that can be typed in, rising, from the lowest level in use on. [kWh]"""
    plant = scenario.plant
    low_pct, high_pct = plant.soc_pct(plant.low_kwh), plant.soc_pct(plant.high_kwh)
    steps = multiples_between(scenario.controls.soc_step_pct, low_pct, high_pct)
    return [plant.low_kwh, *(plant.level_kwh(pct) for pct in steps if low_pct < pct <= high_pct)]


def _reserve_of(
    first: Solved, case: Solved, wish: Wish, levels: Sequence[float], groups: MonthGroups
) -> Reserve:
    """Return what the floors bring and cost.

    What a higher start gives, and a higher end keeps, is taken for what stored energy is worth at the end.
    """
    plant, weather = case.brief.scenario.plant, case.brief.weather
    before, after = (horizon_of(each.brief) for each in (first, case))
    judge = Judge(first.brief.cost, first.plan)
    gift = judge.end_worth * (after.start_kwh - before.start_kwh)
    kept = 0.0
    if first.plan.problem.end_kwh is not None:
        kept = judge.end_worth * float(case.plan.stored_kwh[-1] - first.plan.stored_kwh[-1])
    is_planned = case is first or bool(case.plan.problem.horizon.floors)
    unseen = []
    for fold, settings in enumerate(case.found.fitted_on):
        other = weather.year(AS_METERED, 1 - fold, np.random.default_rng(fold))
        there = after.with_weather(other.load_kwh, other.pv_kwh)
        unseen.append(float(wish.lasting(there, settings).mean()))
    return Reserve(
        wish,
        tuple(
            (group, round(float(plant.soc_pct(level)), 9))
            for group, level in zip(groups, levels, strict=True)
            if case is not first
        ),
        judge.cost_of(replay(after, case.found.settings))
        - judge.cost_of(replay(before, first.found.settings))
        + gift,
        case.plan.cost - first.plan.cost + gift - kept if is_planned else None,
        float(wish.lasting(before, first.found.settings).mean()),
        float(wish.lasting(after, case.found.settings).mean()),
        float(np.mean(unseen)) if unseen else None,
    )


@dataclass(frozen=True)
class FloorPrices:
    """What higher floors cost in the cheapest plan, and how many outages then last."""

    brief: Brief
    curve: ReserveCurve


def price_floors(brief: Brief, progress: Progress = quiet) -> FloorPrices:
    """Say what floors cost in the cheapest plan: for the whole year, and for each season of the tariff."""
    scenario, plant = brief.scenario, brief.scenario.plant
    wish = wish_of(scenario, scenario.file.outage.hours or USUAL_HOURS)
    year = tuple(scenario.forecast.grid.months)
    groups = tuple(dict.fromkeys([year, *groupings_of(brief, scenario.controls)[0]]))
    low_pct, high_pct = plant.soc_pct(plant.low_kwh), plant.soc_pct(plant.high_kwh)
    step = scenario.controls.soc_step_pct
    even = np.round(np.linspace(low_pct, high_pct, LEVELS) / step) * step
    levels = np.unique(np.clip([low_pct, *even], low_pct, high_pct)).tolist()
    curve = reserve_curve(
        problem_of(brief), brief.cost, horizon_of(brief), wish, groups, levels,
        PRICING_S,
        LinearSolver(), progress,
    )  # fmt: skip
    return FloorPrices(brief, curve)
