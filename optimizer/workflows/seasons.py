"""The story from season to season: is the forecast good, what is to change, what came of it.

``story`` plans; here what was planned is held against the past and carried into the next season. There is
no arithmetic here either.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from functools import partial
from pathlib import Path

import numpy as np

from optimizer.base.documents import Source
from optimizer.base.parallel import ahead
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.base.units import number, percent
from optimizer.billing.bill import bill_flows
from optimizer.billing.tariff import compile_cost
from optimizer.evaluation.back_test import (
    BackTest,
    Tried,
    before,
    divided,
    errors_of,
    last_week_again,
    mean_day_of_month,
)
from optimizer.evaluation.comparison import Judge
from optimizer.evaluation.out_of_sample import OTHER_YEARS, sureness_of
from optimizer.evaluation.renewal import DAYS_PER_MONTH, CostOf, default_per_change, renewal_of
from optimizer.evaluation.review import (
    Review,
    coverage_notes,
    overlap,
    refuse_what_hides_the_load,
    review_of,
)
from optimizer.forecast.build import again_from
from optimizer.forecast.ensemble import ensemble_of
from optimizer.forecast.recipe import ForecastRecipe, PvRecipe
from optimizer.forecast.weeks import Material, Weather, Year
from optimizer.metering.forecast import Forecast
from optimizer.metering.forecast_csv import read_battery, read_forecast
from optimizer.metering.meter_csv import read_meter
from optimizer.outages.outages import Outages
from optimizer.planning.linear import LinearSolver
from optimizer.planning.plan import Plan
from optimizer.scenario.scenario import Scenario, periods_elsewhere
from optimizer.search.choose import EFFORTS
from optimizer.search.renewing import find_anew, find_changes
from optimizer.settings.check import read_settings, refuse
from optimizer.settings.windows import Settings, no_windows
from optimizer.workflows.in_use import (
    has_tariff_of_promise,
    history_of,
    promise_path,
    settings_in_use,
    settings_path,
    tariff_of_promise,
)
from optimizer.workflows.paperwork import (
    MEMBERS,
    MEMBERS_SEED,
    Brief,
    metered_of,
    read_brief,
    weather_of,
)
from optimizer.workflows.plan import DEFAULT_TIME_LIMIT_S, PLANNING_S
from optimizer.workflows.reserve import wish_of
from optimizer.workflows.results import Account
from optimizer.workflows.stages import (
    Progress,
    account_of,
    cheapest_plan,
    fits_under,
    groupings_of,
    horizon_of,
    make_ready,
    outages_under,
    task_of,
    windows_for,
    with_floor_of,
)

SEED = 20_270_301
"""Of the plausible seasons in which changes are valued; those of the search have another."""


def back_test(brief: Brief, effort: str, progress: Progress) -> BackTest:
    """Hold the forecast, made from the first part of what was metered, against the rest.

    Settings are fitted to it and to two simple forecasts in the same way, and run through the rest.
    """
    series, recipe = metered_of(brief.scenario)
    *earlier, last = series
    past, rest = divided(last)
    ours = again_from([*before(earlier, rest), past], rest.grid, recipe)
    drawn = ensemble_of(Weather(ours.forecast, ours.material), MEMBERS, MEMBERS_SEED).members
    simple = (last_week_again(past, rest.grid), mean_day_of_month(past, rest.grid))
    actual = brief_on(brief, rest, Material((rest,), holds_forecast=True))
    plan = cheapest_plan(actual, DEFAULT_TIME_LIMIT_S, progress)
    judge, horizon = Judge(actual.cost, plan), horizon_of(actual)
    tried = []
    for name, forecast, material, members in (
        ("this program's", ours.forecast, ours.material, drawn),
        ("the last week again", simple[0], Material(simple[:1], holds_forecast=True), simple[:1]),
        (
            "mean day of each month",
            simple[1],
            Material(simple[1:], holds_forecast=True),
            simple[1:],
        ),
    ):
        progress(f"planning on the forecast: {name}")
        assumed = brief_on(brief, forecast, material)
        guess = cheapest_plan(assumed, DEFAULT_TIME_LIMIT_S, lambda _told: None)
        found = windows_for(assumed, task_of(assumed, guess), effort, None, lambda _told: None)
        cost = judge.cost_of(horizon.run(found.settings))
        errors = errors_of(members, rest)
        tried.append(Tried(name, *errors, found.settings, cost, cost - plan.cost))
    plain = no_windows(horizon.plant.soc_pct(horizon.plant.low_kwh))
    return BackTest(
        (past.grid.dates[0], past.grid.dates[-1]), (rest.grid.dates[0], rest.grid.dates[-1]),
        tuple(tried), judge.cost_of(horizon.run(plain)), plan.cost, _not_tested(recipe),
    )  # fmt: skip


def _not_tested(recipe: ForecastRecipe) -> tuple[str, ...]:
    """Return what of a recipe the past says nothing of."""
    notes = []
    if isinstance(recipe.pv, PvRecipe):
        notes.append("PV is that of the meters; PV from roof facts is not held against anything.")
    if recipe.added:
        notes.append("What comes on top is left out.")
    return tuple(notes)


def brief_on(brief: Brief, forecast: Forecast, material: Material) -> Brief:
    """Return the same site and tariff with another forecast, and nothing known from before it."""
    periods = periods_elsewhere(brief.scenario, forecast.grid)
    scenario = replace(
        brief.scenario, forecast=forecast, material=material, periods=periods, so_far=None,
        expected=None,
    )  # fmt: skip
    return replace(
        brief, scenario=scenario, cost=compile_cost(brief.tariff, forecast.grid, periods)
    )


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
    brief = with_floor_of(in_use, brief)
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
    horizon = horizon_of(brief)
    bare = horizon.run(horizon.plain()).flows
    per_change = default_per_change(task.can_save, bill_flows(brief.cost, bare).gross)
    if least_per_month is not None:
        per_change = least_per_month * days / DAYS_PER_MONTH
    progress("looking for the fewest changes that are worth it")
    few = find_changes(task, weather_of(brief), in_use, EFFORTS[effort], per_change, progress)
    progress("looking for windows without regard to those in use")
    groupings = groupings_of(brief, task.controls)
    anew = find_anew(task, weather_of(brief), in_use, groupings, EFFORTS[effort], progress)
    progress("weighing the changes")
    luck = np.random.default_rng(SEED)
    years = [weather_of(brief).year(variant, None, luck) for variant in OTHER_YEARS]
    renewal = renewal_of(
        in_use, few, anew, costs_in(brief, plan, years), [1 / len(years)] * len(years),
        brief.scenario.plant, days, per_change,
    )  # fmt: skip
    found = few if renewal.after == few.settings else anew
    sureness = sureness_of(
        found, weather_of(brief), plan.problem, brief.cost, horizon_of(brief),
        PLANNING_S[effort], progress, solver,
    )  # fmt: skip
    brief = with_note_on_endurance(brief, renewal.after)
    account = account_of(brief, plan, renewal.after, in_use, renewal.anew)
    return replace(
        account, found=found, sureness=sureness, effort=effort, with_curve=False, renewal=renewal,
        outages=outages_under(brief, renewal.after), fits=tuple(fits_under(brief, renewal.after)),
    )  # fmt: skip


def with_note_on_endurance(brief: Brief, settings: Settings) -> Brief:
    """Return the brief with a note if settings do not give the endurance that is wished for."""
    if brief.scenario.file.outage.hours is None:
        return brief
    wish = wish_of(brief.scenario)
    share = float(wish.lasting(horizon_of(brief), settings).mean())
    if share >= wish.share:
        return brief
    note = (
        f"Wished for are {number(wish.hours)} h in {percent(wish.share)} of outages; with these floors"
        f" {percent(share)} last so long. Renewing leaves floors as they are; tariffwright plan finds"
        " higher ones."
    )
    forecast = replace(brief.scenario.forecast, notes=(*brief.scenario.forecast.notes, note))
    return replace(brief, scenario=replace(brief.scenario, forecast=forecast))


def in_use_of(scenario: Scenario, previous: Path | None) -> Settings:
    """Return the settings in use: those of some results, or what the history says."""
    if previous is not None:
        return read_settings(settings_path(previous), scenario.controls, scenario.plant)
    settings, path = settings_in_use(scenario.folder)
    refuse(settings, scenario.controls, scenario.plant, Source(path, None))
    return settings.as_stored(scenario.controls)


def study_outages(
    path: Path, previous: Path | None, *, critical_only: bool, progress: Progress
) -> tuple[Brief, Settings, Outages]:
    """Say how long the building goes on when the grid fails, under settings in use or no windows."""
    progress("reading the scenario and the settings in use")
    brief = read_brief(path)
    plant = brief.scenario.plant
    if previous is None and not history_of(brief.scenario.folder):
        settings = no_windows(round(plant.soc_pct(plant.low_kwh), 9))
    else:
        settings = in_use_of(brief.scenario, previous)
    progress("beginning an outage at each step")
    brief = with_floor_of(settings, brief)
    return brief, settings, outages_under(brief, settings, critical_only=critical_only)


def review_season(path: Path, previous: Path, metered_path: Path, progress: Progress) -> Review:
    """Hold what was metered against what the results of a season ago promised."""
    progress("reading the scenario, the promise and the meter")
    brief = read_brief(path)
    scenario, zone = brief.scenario, brief.scenario.file.zone
    settings = read_settings(settings_path(previous), scenario.controls, scenario.plant)
    promised = read_forecast(promise_path(previous), zone, scenario.plant)
    refuse_what_hides_the_load(metered_path, has_pv=bool(promised.pv_kwh.any()))
    real = read_forecast(metered_path, zone, scenario.plant)
    meter, _ = read_meter(metered_path, zone)
    progress("replaying the season as it was promised and as it was")
    promised_days = promised.grid.days
    promised, real, meter = overlap(promised, real, meter, metered_path)
    notes = real.notes + coverage_notes(promised_days, real.grid.days)
    if not has_tariff_of_promise(previous):
        notes += ("The tariff of the promise is not kept beside it; the one of now stands for it.",)
    periods = periods_elsewhere(scenario, real.grid)
    then = tariff_of_promise(previous, brief.tariff)
    horizons = [
        replace(horizon_of(brief), grid=each.grid, load_kwh=each.load_kwh, pv_kwh=each.pv_kwh,
                start_kwh=scenario.plant.level_kwh(settings.floor_in(each.grid.dates[0].month)))
        for each in (promised, real)
    ]  # fmt: skip
    result = review_of(
        horizons[0], horizons[1], meter, settings, compile_cost(then, real.grid, periods),
        compile_cost(brief.tariff, real.grid, periods), brief.tariff.currency,
        _battery_on(real.grid, read_battery(metered_path, zone, scenario.plant)),
    )  # fmt: skip
    return replace(result, notes=notes)


def _battery_on(
    grid: TimeGrid, metered: tuple[TimeGrid, FloatArray, FloatArray] | None
) -> tuple[FloatArray, FloatArray] | None:
    """Return what a battery did on some of the metered steps; None if it was not metered on all."""
    if metered is None:
        return None
    whole, charge, discharge = metered
    inside = (whole.utc >= grid.utc[0]) & (whole.utc <= grid.utc[-1])
    return (charge[inside], discharge[inside]) if inside.sum() == grid.count else None


def costs_in(brief: Brief, plan: Plan, years: Sequence[Year]) -> CostOf:
    """Return a function that tells what settings cost in each of some plausible seasons."""
    judge, horizon = Judge(brief.cost, plan), horizon_of(brief)
    horizons = [replace(horizon, load_kwh=year.load_kwh, pv_kwh=year.pv_kwh) for year in years]
    return lambda settings: [judge.cost_of(each.run(settings)) for each in horizons]
