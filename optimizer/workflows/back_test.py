"""Hold forecasts, made from the first part of what was metered, against the rest."""

from __future__ import annotations

from optimizer.base.errors import SeriesError
from optimizer.base.progress import Progress, quiet
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
from optimizer.forecasting.build import again_from
from optimizer.forecasting.ensemble import MEMBERS, MEMBERS_SEED, ensemble_of
from optimizer.forecasting.recipe import ForecastRecipe, LoadRecipe, PvRecipe
from optimizer.forecasting.weeks import Material, Weather
from optimizer.metering.forecast import Forecast
from optimizer.scenario.brief import Brief
from optimizer.scenario.scenario import Scenario
from optimizer.simulation.replay import replay
from optimizer.workflows.inputs import horizon_of, task_of
from optimizer.workflows.solve import DEFAULT_TIME_LIMIT_S, cheapest_plan, windows_for


def back_test(brief: Brief, effort: str, progress: Progress = quiet) -> BackTest:
    """Hold the forecast, made from the first part of what was metered, against the rest.

    Settings are fitted to it and to two simple forecasts in the same way, and run through the rest.

    Raises
    ------
    SeriesError
        If nothing was metered.
    """
    series, recipe = _metered_of(brief.scenario)
    *earlier, last = series
    past, rest = divided(last)
    ours = again_from([*before(earlier, rest), past], rest.grid, recipe)
    drawn = ensemble_of(Weather(ours.forecast, ours.material), MEMBERS, MEMBERS_SEED).members
    simple = (last_week_again(past, rest.grid), mean_day_of_month(past, rest.grid))
    actual = brief.on(rest, Material((rest,), holds_forecast=True))
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
        assumed = brief.on(forecast, material)
        guess = cheapest_plan(assumed, DEFAULT_TIME_LIMIT_S, quiet)
        found = windows_for(assumed, task_of(assumed, guess), effort, None, quiet)
        cost = judge.cost_of(replay(horizon, found.settings))
        errors = errors_of(members, rest)
        tried.append(Tried(name, *errors, found.settings, cost, cost - plan.cost))
    plain = horizon.plain()
    return BackTest(
        (past.grid.dates[0], past.grid.dates[-1]), (rest.grid.dates[0], rest.grid.dates[-1]),
        tuple(tried), judge.cost_of(replay(horizon, plain)), plan.cost, _not_tested(recipe),
    )  # fmt: skip


def _metered_of(scenario: Scenario) -> tuple[list[Forecast], ForecastRecipe]:
    """Return what was metered at a site, the latest last, and how forecasts are made of it.

    A forecast that is read from a CSV is taken for what was metered.

    Raises
    ------
    SeriesError
        If nothing was metered.
    """
    recipe = scenario.file.forecast
    if isinstance(recipe, ForecastRecipe):
        metered = [] if scenario.expected is None else list(scenario.expected.metered)
    else:
        metered = list(scenario.material.sources)
        recipe = ForecastRecipe(load=LoadRecipe(meters=[recipe]))
    if not metered:
        raise SeriesError(
            "there are no meters, so the forecast cannot be held against anything",
            where=scenario.source.where(("forecast",)),
            mend="Give meters under forecast.load.meters, or leave --back-test out.",
        )
    return sorted(metered, key=lambda series: series.grid.instant(-1)), recipe


def _not_tested(recipe: ForecastRecipe) -> tuple[str, ...]:
    """Return what of a recipe the past says nothing of."""
    notes = []
    if isinstance(recipe.pv, PvRecipe):
        notes.append("PV is that of the meters; PV from roof facts is not held against anything.")
    if recipe.added:
        notes.append("What comes on top is left out.")
    return tuple(notes)
