"""The story on one page: read, bill, plan, find windows, replay, judge.

Each name leads to the folder that tells more. There is no arithmetic here.
"""

from __future__ import annotations

import importlib
from collections.abc import Callable, Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from optimizer.billing.bill import bill_flows
from optimizer.billing.cost import linear_cost
from optimizer.billing.tariff import compile_cost
from optimizer.documents import Source
from optimizer.paperwork import MEMBERS, MEMBERS_SEED, Brief, metered_of, read_brief, weather_of
from optimizer.planning.linear import LinearSolver
from optimizer.planning.plan import Plan, make_plan
from optimizer.planning.problem import Problem
from optimizer.report.account import Account, ProofLine
from optimizer.report.history import promise_path, settings_in_use, settings_path, tariff_of_promise
from optimizer.settings.choosing import EFFORTS, Found, find_settings, groupings_for
from optimizer.settings.fitting import MonthGroups, years_for
from optimizer.settings.proven import gap_of
from optimizer.settings.reasons import Course, Prices, reasons_for
from optimizer.settings.refusals import read_settings, refuse
from optimizer.settings.renewing import find_anew, find_changes
from optimizer.settings.richer import Richer, enriched, what_richer_would_bring
from optimizer.settings.season import Season, Task
from optimizer.settings.windows import Settings, no_windows
from optimizer.settings.workers import ahead, both
from optimizer.site.controls import Controls
from optimizer.site.expected.build import again_from
from optimizer.site.expected.ensemble import ensemble_of
from optimizer.site.expected.weeks import Material, Weather, Year
from optimizer.site.forecast import Forecast
from optimizer.site.readers.forecast_csv import read_forecast
from optimizer.site.readers.meter_csv import read_meter
from optimizer.site.scenario import Scenario
from optimizer.timegrid import calendar_months
from optimizer.valuation.backtest import (
    BackTest,
    Tried,
    divided,
    errors_of,
    last_week_again,
    mean_day_of_month,
)
from optimizer.valuation.outcome import NOTHING_TO_SAVE, Judge, Outcome, cases_of
from optimizer.valuation.renewal import DAYS_PER_MONTH, CostOf, default_per_change, renewal_of
from optimizer.valuation.review import Review, overlap, refuse_hidden_load, review_of
from optimizer.valuation.sureness import sureness_of

Progress = Callable[[str], None]
DEFAULT_TIME_LIMIT_S = 600.0
PROOF_STEPS = {"quick": 2e8, "normal": 1e9, "thorough": 2e10}
"""Work allowed for the proof, in replayed steps, by effort."""

PLANNING_S = {"quick": 0.0, "normal": 120.0, "thorough": 600.0}
"""Most seconds for planning weeks that the windows were not fitted to, by effort."""


def course_of(brief: Brief) -> Course:
    """Return what settings are run through."""
    scenario = brief.scenario
    return Course(
        scenario.plant, scenario.forecast.grid, scenario.forecast.load_kwh,
        scenario.forecast.pv_kwh, scenario.start_kwh,
    )  # fmt: skip


def groupings_of(brief: Brief, controls: Controls) -> list[MonthGroups]:
    """Return the groups of months to try, the tariff's own seasons first."""
    grid = brief.scenario.forecast.grid
    seasons = brief.tariff.season_of_months(grid)
    return groupings_for(seasons, grid.months, controls.season_sets)


def plan_scenario(
    path: Path,
    *,
    effort: str = "normal",
    in_use_path: Path | None = None,
    most_windows: int | None = None,
    with_curve: bool = True,
    with_proof: bool = True,
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: Progress,
) -> Account:
    """Do the main job: from a scenario to settings, and what they are worth."""
    progress("reading the scenario and its tariff")
    brief = read_brief(path)
    in_use = (
        read_settings(in_use_path, brief.scenario.controls, brief.scenario.plant)
        if in_use_path
        else None
    )
    solver = LinearSolver()
    ahead(partial(make_ready, brief))
    plan = cheapest_plan(brief, time_limit_s, progress, solver)
    progress("looking for windows that keep the saving")
    task = task_of(brief, plan)
    found = windows_for(brief, task, effort, in_use, progress)
    found = found if most_windows is None else found.at_most(most_windows)
    progress("replaying the windows on weeks that they were not fitted to")
    sureness, richer = both(
        lambda: sureness_of(
            found, weather_of(brief), plan.problem, brief.cost, course_of(brief),
            PLANNING_S[effort], progress, solver,
        ),
        lambda: None if effort == "quick" else richer_for(brief, task, found, progress),
    )  # fmt: skip
    progress("replaying the windows and adding up the bills")
    account = account_of(brief, plan, found.settings, in_use)
    proof = None
    if with_proof:
        proof = proof_of(brief, plan, task, found, account.outcome, PROOF_STEPS[effort], progress)
    return replace(
        account, found=found, sureness=sureness, richer=richer, effort=effort,
        with_curve=with_curve, proof=proof,
    )  # fmt: skip


def renew_settings(
    path: Path,
    previous: Path | None = None,
    *,
    least_per_month: float | None = None,
    effort: str = "normal",
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: Progress,
) -> Account:
    """Say what to change about settings in use for the coming season, and what it is worth.

    ``previous`` is the folder of last season's results, or a settings file; the scenario's history
    tells what is in use without it. ``least_per_month`` is what each change must earn; a share of the
    possible saving without it.
    """
    progress("reading the scenario, its tariff and the settings in use")
    brief = read_brief(path)
    in_use = in_use_of(brief.scenario, previous)
    ahead(partial(make_ready, brief))
    return renewed_account(brief, in_use, least_per_month, effort, time_limit_s, progress)


def renewed_account(
    brief: Brief,
    in_use: Settings,
    least_per_month: float | None,
    effort: str,
    time_limit_s: float,
    progress: Progress,
) -> Account:
    """Do the same where scenario and settings are read already."""
    solver = LinearSolver()
    plan = cheapest_plan(brief, time_limit_s, progress, solver)
    task, days = task_of(brief, plan), brief.scenario.forecast.grid.days
    bare = course_of(brief).run(no_windows(in_use.floor_pct)).flows
    per_change = default_per_change(task.can_save, bill_flows(brief.cost, bare).gross)
    if least_per_month is not None:
        per_change = least_per_month * days / DAYS_PER_MONTH
    progress("looking for the fewest changes that are worth it")
    few = find_changes(task, weather_of(brief), in_use, EFFORTS[effort], per_change, progress)
    progress("looking for windows without regard to those in use")
    groupings = groupings_of(brief, task.controls)
    anew = find_anew(task, weather_of(brief), in_use, groupings, EFFORTS[effort], progress)
    progress("weighing the changes")
    years = years_for(weather_of(brief), None)
    renewal = renewal_of(
        in_use, few, anew, costs_in(brief, plan, years), [year.weight for year in years],
        brief.scenario.plant, days, per_change,
    )  # fmt: skip
    found = few if renewal.after == few.settings else anew
    sureness = sureness_of(
        found, weather_of(brief), plan.problem, brief.cost, course_of(brief),
        PLANNING_S[effort], progress, solver,
    )  # fmt: skip
    account = account_of(brief, plan, renewal.after, in_use, renewal.anew)
    return replace(
        account, found=found, sureness=sureness, effort=effort, with_curve=False, renewal=renewal
    )


def in_use_of(scenario: Scenario, previous: Path | None) -> Settings:
    """Return the settings in use: those of some results, or what the history says."""
    if previous is not None:
        return read_settings(settings_path(previous), scenario.controls, scenario.plant)
    settings, path = settings_in_use(scenario.folder)
    refuse(settings, scenario.controls, scenario.plant, Source(path, None))
    return settings


def review_season(path: Path, previous: Path, metered_path: Path, progress: Progress) -> Review:
    """Hold what was metered against what the results of a season ago promised."""
    progress("reading the scenario, the promise and the meter")
    brief = read_brief(path)
    scenario, zone = brief.scenario, brief.scenario.file.zone
    settings = read_settings(settings_path(previous), scenario.controls, scenario.plant)
    promised = read_forecast(promise_path(previous), zone, scenario.plant)
    refuse_hidden_load(metered_path)
    real = read_forecast(metered_path, zone, scenario.plant)
    meter, _ = read_meter(metered_path, zone)
    progress("replaying the season as it was promised and as it was")
    promised, real, meter = overlap(promised, real, meter, metered_path)
    periods = calendar_months(real.grid)
    then = tariff_of_promise(previous, brief.tariff)
    courses = [
        replace(course_of(brief), grid=each.grid, load_kwh=each.load_kwh, pv_kwh=each.pv_kwh,
                start_kwh=scenario.plant.low_kwh)
        for each in (promised, real)
    ]  # fmt: skip
    return review_of(
        courses[0], courses[1], meter, settings, compile_cost(then, real.grid, periods),
        compile_cost(brief.tariff, real.grid, periods),
    )  # fmt: skip


def costs_in(brief: Brief, plan: Plan, years: Sequence[Year]) -> CostOf:
    """Return a function that tells what settings cost in each of some plausible seasons."""
    judge, course = Judge(brief.cost, plan), course_of(brief)
    courses = [replace(course, load_kwh=year.load_kwh, pv_kwh=year.pv_kwh) for year in years]
    return lambda settings: [judge.cost_of(each.run(settings)) for each in courses]


def replay_settings(
    path: Path,
    settings_path: Path,
    *,
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: Progress,
) -> Account:
    """Say what given settings would cost, measured against the cheapest plan."""
    progress("reading the scenario, its tariff and the settings")
    brief = read_brief(path)
    settings = read_settings(settings_path, brief.scenario.controls, brief.scenario.plant)
    plan = cheapest_plan(brief, time_limit_s, progress)
    progress("replaying the settings and adding up the bills")
    return account_of(brief, plan, settings)


def back_test(path: Path, *, effort: str, progress: Progress) -> BackTest:
    """Hold the forecast, made from the first part of what was metered, against the rest.

    Settings are fitted to it and to two simple forecasts in the same way, and run through the rest.
    """
    progress("reading the scenario, its tariff and what was metered")
    return back_test_of(read_brief(path), effort, progress)


def back_test_of(brief: Brief, effort: str, progress: Progress) -> BackTest:
    """Do the same for a scenario that is read already."""
    series, recipe = metered_of(brief.scenario)
    *earlier, last = series
    past, rest = divided(last)
    ours = again_from([*earlier, past], rest.grid, recipe)
    drawn = ensemble_of(Weather(ours.forecast, ours.material), MEMBERS, MEMBERS_SEED).members
    simple = (last_week_again(past, rest.grid), mean_day_of_month(past, rest.grid))
    actual = brief_on(brief, rest, Material((rest,)))
    plan = cheapest_plan(actual, DEFAULT_TIME_LIMIT_S, progress)
    judge, course = Judge(actual.cost, plan), course_of(actual)
    tried = []
    for name, forecast, material, members in (
        ("this program's", ours.forecast, ours.material, drawn),
        ("the last week again", simple[0], Material(simple[:1]), simple[:1]),
        ("mean day of each month", simple[1], Material(simple[1:]), simple[1:]),
    ):
        progress(f"planning on the forecast: {name}")
        assumed = brief_on(brief, forecast, material)
        guess = cheapest_plan(assumed, DEFAULT_TIME_LIMIT_S, lambda _told: None)
        found = windows_for(assumed, task_of(assumed, guess), effort, None, lambda _told: None)
        cost = judge.cost_of(course.run(found.settings))
        errors = errors_of(members, rest)
        tried.append(Tried(name, *errors, found.settings, cost, cost - plan.cost))
    plain = no_windows(course.plant.soc_pct(course.plant.low_kwh))
    return BackTest(
        (past.grid.dates[0], past.grid.dates[-1]), (rest.grid.dates[0], rest.grid.dates[-1]),
        tuple(tried), judge.cost_of(course.run(plain)), plan.cost,
    )  # fmt: skip


def brief_on(brief: Brief, forecast: Forecast, material: Material) -> Brief:
    """Return the same site and tariff with another forecast, and nothing known from before it."""
    periods = calendar_months(forecast.grid)
    scenario = replace(
        brief.scenario, forecast=forecast, material=material, periods=periods, so_far=None,
        expected=None,
    )  # fmt: skip
    return replace(
        brief, scenario=scenario, cost=compile_cost(brief.tariff, forecast.grid, periods)
    )


def cheapest_plan(
    brief: Brief, time_limit_s: float, progress: Progress, solver: LinearSolver | None = None
) -> Plan:
    """Find the cheapest operation by linear programming."""
    scenario, grid = brief.scenario, brief.scenario.forecast.grid
    progress(f"planning {grid.count:,} steps of {grid.step_minutes} min by linear programming")
    problem = Problem(
        grid,
        scenario.plant,
        scenario.forecast.load_kwh,
        scenario.forecast.pv_kwh,
        linear_cost(brief.cost.total, grid.count),
        scenario.start_kwh,
        scenario.end_kwh,
        scenario.file.state.leftover_per_kwh,
    )
    return make_plan(
        problem, brief.cost, time_limit_s=time_limit_s, progress=progress, solver=solver
    )


def make_ready(brief: Brief) -> None:
    """Load what comes after the plan: the compiled replay and score, and what draws the report.

    The solver leaves a processor free for it. Windows are searched for nowhere here: one replay and
    one score of no windows are made, so that each is loaded for data of just these types.
    """
    course = course_of(brief)
    run = course.run(no_windows(course.plant.soc_pct(course.plant.low_kwh)))
    count = course.grid.count
    task = Task(
        course.plant, brief.scenario.controls, course.grid, linear_cost(brief.cost.total, count),
        run.flows, run.stored_kwh, Prices(*np.zeros((3, count))), course.start_kwh, 0.0, 0.0,
    )  # fmt: skip
    Season(task, course.grid.months[:1], years_for(weather_of(brief), None)[:1], [run.flows])
    importlib.import_module("optimizer.report.files")


def task_of(brief: Brief, plan: Plan) -> Task:
    """Return what windows are searched for: equipment, cost, and the plan to start from."""
    course, judge = course_of(brief), Judge(brief.cost, plan)
    plain = no_windows(course.plant.soc_pct(course.plant.low_kwh))
    return Task(
        plant=course.plant,
        controls=brief.scenario.controls,
        grid=course.grid,
        cost=plan.problem.cost,
        plan_flows=plan.flows,
        plan_stored_kwh=plan.stored_kwh,
        prices=prices_of(plan),
        start_kwh=course.start_kwh,
        stored_worth=judge.end_worth,
        can_save=judge.cost_of(course.run(plain)) - plan.cost,
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
    """Return how much more any settings that the controls accept could save on the forecast."""
    if outcome.can_save <= NOTHING_TO_SAVE:
        return None
    progress("proving how much more any such windows could save")
    gap = gap_of(
        found.settings, task, brief.scenario.forecast, found.groups,
        outcome.can_save - outcome.saved + plan.open_cost, most_work,
    )  # fmt: skip
    return ProofLine(gap, gap / outcome.can_save)


def prices_of(plan: Plan) -> Prices:
    """Return the money per kWh of import, export and stored energy at the plan."""
    cost = plan.problem.cost
    return Prices(
        cost.marginal("import_kwh", plan.flows),
        -cost.marginal("export_kwh", plan.flows),
        plan.prices.stored,
    )


def account_of(
    brief: Brief,
    plan: Plan,
    settings: Settings,
    in_use: Settings | None = None,
    anew: Settings | None = None,
) -> Account:
    """Replay the settings and the equipment without them, and put the bills side by side."""
    course, judge = course_of(brief), Judge(brief.cost, plan)
    prices = prices_of(plan)
    cases = cases_of(course, settings, judge, in_use, anew)
    reasons = reasons_for(
        settings, course, judge.costs_of, prices, brief.tariff.currency, brief.scenario.whole_kw
    )
    outcome = Outcome(cases, settings, tuple(reasons))
    return Account(brief.scenario, brief.tariff, brief.cost, plan, outcome, prices)
