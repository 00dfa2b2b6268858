"""What to change about settings in use for the coming season, and what it is worth."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from optimizer.base.parallel import ahead
from optimizer.base.progress import Progress, quiet
from optimizer.base.units import number, percent
from optimizer.billing.bill import bill_flows
from optimizer.evaluation.comparison import Judge
from optimizer.evaluation.out_of_sample import OTHER_YEARS, sureness_of
from optimizer.evaluation.renewal import (
    DAYS_PER_MONTH,
    CostOf,
    Renewal,
    default_per_change,
    renewal_of,
)
from optimizer.forecasting.weeks import Year
from optimizer.planning.linear import LinearSolver
from optimizer.planning.plan import Plan
from optimizer.scenario.brief import Brief
from optimizer.search.choose import EFFORTS
from optimizer.search.renewing import find_anew, find_changes
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import replay
from optimizer.workflows.inputs import groupings_of, horizon_of, task_of, with_floor_of
from optimizer.workflows.outage import outages_under
from optimizer.workflows.reserve import wish_of, with_endurance
from optimizer.workflows.results import SearchResult, fits_under, outcome_of
from optimizer.workflows.solve import (
    DEFAULT_TIME_LIMIT_S,
    PLANNING_S,
    Solved,
    cheapest_plan,
    make_ready,
)

SEED = 20_270_301
"""Of the plausible seasons in which changes are valued; those of the search have another."""


@dataclass(frozen=True, repr=False)
class RenewResult(SearchResult):
    """What to change about the settings in use."""

    renewal: Renewal


def renew(
    brief: Brief,
    in_use: Settings,
    *,
    least_per_month: float | None = None,
    effort: str = "normal",
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: Progress = quiet,
) -> RenewResult:
    """Find the few changes to settings in use that earn their keep in the coming season.

    ``least_per_month`` is what each change must earn; a share of the possible saving without it. [money]
    Floors that are typed in are kept, and raised where the endurance that is wished for asks for more.

    Raises
    ------
    SolveError
        If no plan can be made.
    ScenarioError
        If no floor gives the endurance that is wished for.
    """
    brief = with_floor_of(in_use, brief)
    ahead(partial(make_ready, brief))
    solver = LinearSolver()
    plan = cheapest_plan(brief, time_limit_s, progress, solver)
    days = brief.scenario.forecast.grid.days
    per_change = _default_per_change(brief, plan)
    if least_per_month is not None:
        per_change = least_per_month * days / DAYS_PER_MONTH

    def changed(brief: Brief, plan: Plan | None = None) -> Solved:
        plan = plan or cheapest_plan(brief, time_limit_s, progress, solver)
        task = task_of(brief, plan)
        progress("looking for the fewest changes that are worth it")
        few = find_changes(task, brief.weather, in_use, EFFORTS[effort], per_change, progress)
        return Solved(brief, plan, task, few)

    case, reserve = changed(brief, plan), None
    if brief.scenario.file.outage.hours is not None:
        case, reserve = with_endurance(case, changed, progress)
    brief, plan, task, few = case.brief, case.plan, case.task, case.found
    progress("looking for windows without regard to those in use")
    groupings = groupings_of(brief, task.controls)
    anew = find_anew(task, brief.weather, in_use, groupings, EFFORTS[effort], progress)
    progress("weighing the changes")
    luck = np.random.default_rng(SEED)
    years = [brief.weather.year(variant, None, luck) for variant in OTHER_YEARS]
    renewal = renewal_of(
        in_use, few, anew, _costs_in(brief, plan, years), [1 / len(years)] * len(years),
        brief.scenario.plant, task.controls.menu, days, per_change,
    )  # fmt: skip
    found = few if renewal.after == few.settings else anew
    sureness = sureness_of(
        found, brief.weather, plan.problem, brief.cost, horizon_of(brief),
        PLANNING_S[effort], progress, solver,
    )  # fmt: skip
    brief = _with_note_on_endurance(brief, renewal.after)
    return RenewResult(
        brief,
        plan,
        outcome_of(brief, plan, renewal.after, in_use, renewal.anew),
        found=found,
        sureness=sureness,
        effort=effort,
        outages=outages_under(brief, renewal.after),
        fits=tuple(fits_under(brief, renewal.after)),
        renewal=renewal,
        reserve=reserve,
    )


def _default_per_change(brief: Brief, plan: Plan) -> float:
    """Return what each change must earn over the season where nothing is stated. [money]"""
    horizon = horizon_of(brief)
    bare = replay(horizon, horizon.plain()).flows
    return default_per_change(task_of(brief, plan).can_save, bill_flows(brief.cost, bare).gross)


def _with_note_on_endurance(brief: Brief, settings: Settings) -> Brief:
    """Return the brief with a note if settings do not give the endurance that is wished for."""
    if brief.scenario.file.outage.hours is None:
        return brief
    wish = wish_of(brief.scenario)
    share = float(wish.lasting(horizon_of(brief), settings).mean())
    if share >= wish.share:
        return brief
    return brief.noting(
        f"Wished for are {number(wish.hours)} h in {percent(wish.share)} of outages; with these floors"
        f" {percent(share)} last so long on the forecast."
    )


def _costs_in(brief: Brief, plan: Plan, years: Sequence[Year]) -> CostOf:
    """Return a function that tells what settings cost in each of some plausible seasons."""
    judge, horizon = Judge(brief.cost, plan), horizon_of(brief)
    horizons = [replace(horizon, load_kwh=year.load_kwh, pv_kwh=year.pv_kwh) for year in years]
    return lambda settings: [judge.cost_of(replay(each, settings)) for each in horizons]
