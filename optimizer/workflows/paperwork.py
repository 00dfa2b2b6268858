"""The part of the story that needs no plan: what is read, checked and billed.

It knows neither the solver nor the search, so that its commands answer at once. Read next: ``plan``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path

from optimizer.base.documents import beginning_of, is_file, is_folder, read_document
from optimizer.base.errors import ScenarioError, SeriesError, TariffError
from optimizer.base.files import refuse_unwritable_file, write_file
from optimizer.base.timegrid import calendar_months, joined_grid, zone_remark
from optimizer.billing.bill import Bill, bill_flows
from optimizer.billing.history import NO_HISTORY, History
from optimizer.billing.odd import odd_values
from optimizer.billing.reconcile import Reconciled, read_paid_bill, reconcile
from optimizer.billing.running import with_known_steps
from optimizer.billing.tariff import (
    BILLS_SUFFIX,
    Tariff,
    TariffCost,
    compile_cost,
    find_tariff,
    is_tariff_text,
    read_tariff,
    refuse_unknown_history,
    remarks_over_a_year,
    shipped_tariffs,
)
from optimizer.billing.worked import (
    WorkedResult,
    bills_beside,
    check_worked_bill,
    read_worked_bills,
)
from optimizer.evaluation.fit_check import Finding, findings_of
from optimizer.forecast.ensemble import Ensemble, ensemble_of
from optimizer.forecast.recipe import ForecastRecipe, LoadRecipe
from optimizer.forecast.weeks import Weather
from optimizer.metering.forecast import FORECAST, Forecast
from optimizer.metering.found import Found, Request
from optimizer.metering.meter_csv import read_meter
from optimizer.metering.outside import read_any, refuse_same_file, tidy_csv
from optimizer.scenario.remarks import remarks
from optimizer.scenario.scenario import SCENARIO_FILE, Scenario, read_scenario
from optimizer.settings.check import read_settings
from optimizer.workflows.in_use import RenewalFile, accept, settings_path, undo

MEMBERS, MEMBERS_SEED = 12, 1
"""How many plausible seasons a forecast is, and the seed they are drawn with, unless asked otherwise."""


@dataclass(frozen=True)
class Brief:
    """A scenario with its tariff, compiled: all that is known before anything is planned.

    ``floors_kwh`` are higher floors of single months, where a wanted endurance asks for them.
    """

    scenario: Scenario
    tariff: Tariff
    cost: TariffCost
    floors_kwh: Mapping[int, float] = field(default_factory=dict)


def read_brief(path: Path) -> Brief:
    """Read a scenario folder and its tariff."""
    scenario = read_scenario(path)
    where = scenario.source.where(("tariff",))
    tariff = read_tariff(find_tariff(scenario.file.tariff, scenario.folder, where))
    state = scenario.file.state
    refuse_unknown_history(tariff, state, lambda key: scenario.source.where(("state", key)))
    cost = cost_for(scenario, tariff)
    return Brief(scenario, tariff, replace(cost, notes=(*cost.notes, *odd_values(tariff))))


def cost_for(scenario: Scenario, tariff: Tariff) -> TariffCost:
    """Return a tariff compiled for the forecast's steps, given what was metered before them."""
    grid, so_far = scenario.forecast.grid, scenario.so_far
    if so_far is None:
        return compile_cost(tariff, grid, scenario.periods, scenario.file.state)
    whole = joined_grid(so_far.grid, grid)
    cost = compile_cost(tariff, whole, scenario.periods, scenario.file.state)
    return with_known_steps(cost, so_far, grid)


def weather_of(brief: Brief) -> Weather:
    """Return the weeks from which plausible years are made."""
    return Weather(brief.scenario.forecast, brief.scenario.material)


def metered_of(scenario: Scenario) -> tuple[list[Forecast], ForecastRecipe]:
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
    return sorted(metered, key=lambda series: series.grid.utc[-1]), recipe


def make_forecast(path: Path, members: int, seed: int) -> tuple[Brief, Ensemble]:
    """Make the forecast of a scenario as a set of plausible seasons."""
    brief = read_brief(path)
    return brief, ensemble_of(weather_of(brief), members, seed)


def refuse_own_forecast(scenario: Scenario, out: Path) -> None:
    """Refuse to write a forecast over the one that a scenario reads.

    Raises
    ------
    ScenarioError
        If it would.
    """
    name = scenario.file.forecast
    if isinstance(name, str) and (scenario.folder / name).resolve() == (out / FORECAST).resolve():
        raise ScenarioError(
            "the forecast would be written over the scenario's own",
            where=str(out / FORECAST),
            mend="Name another folder with --out.",
        )


def accept_results(path: Path, results: Path, today: date) -> Path:
    """Put settings that are typed in now into a scenario's history; return the file.

    Raises
    ------
    InputError
        If there is no such scenario, its controls refuse the settings, or the results hold none.
    """
    scenario = read_scenario(path)
    read_settings(settings_path(results), scenario.controls, scenario.plant)
    return accept(results, scenario.folder, today)


def undo_last(path: Path, today: date) -> tuple[Path, RenewalFile]:
    """Mark the latest renewal of a scenario as undone; return its file and what it held.

    Raises
    ------
    InputError
        If there is no such scenario, or nothing to undo.
    """
    return undo(read_scenario(path).folder, today)


def read_outside(path: Path, request: Request, out: Path | None) -> Found:
    """Read meter data or prices as they were handed out; write one point as a tidy CSV."""
    if out is not None:
        refuse_same_file(path, out)
        refuse_unwritable_file(out)
    found = read_any(path, request)
    if out is not None:
        write_file(tidy_csv(found.chosen(request.point)), out)
    return found


def bill_meter(
    path: Path, tariff_name: str, zone: str, history_path: Path | None = None
) -> tuple[Bill, list[str]]:
    """Bill meter data alone, by calendar months."""
    flows, notes = read_meter(path, zone)
    tariff = read_tariff(find_tariff(tariff_name, Path(), "--tariff"))
    history = NO_HISTORY
    if history_path is not None:
        history, source = read_document(history_path, History, TariffError)
        refuse_unknown_history(tariff, history, lambda key: source.where((key,)))
    cost = compile_cost(tariff, flows.grid, calendar_months(flows.grid), history)
    return bill_flows(cost, flows), [*notes, *cost.notes, *odd_values(tariff)]


def reconcile_bill(
    path: Path, tariff_name: str, zone: str, paid_path: Path
) -> tuple[Reconciled, list[str]]:
    """Compare a bill that was paid with ours from meter data alone."""
    flows, notes = read_meter(path, zone)
    tariff = read_tariff(find_tariff(tariff_name, Path(), "--tariff"))
    paid, source = read_paid_bill(paid_path)
    refuse_unknown_history(tariff, paid, lambda key: source.where((key,)))
    compared = reconcile(tariff, flows, paid, str(source.path))
    return compared, [*notes, *compared.notes, *odd_values(tariff)]


def check_scenario(path: Path) -> tuple[list[str], list[Finding]]:
    """Read all that a scenario names; return what is odd in it, and whether its equipment fits."""
    brief = read_brief(path)
    notes = [*brief.scenario.forecast.notes, *brief.cost.notes, *remarks(brief.scenario)]
    return notes, findings_of(brief.scenario)


def tariff_named(what: Path) -> Path | None:
    """Return the tariff file that is meant, or None if a scenario is."""
    if is_folder(what) or what.name == SCENARIO_FILE:
        return None
    if what.name.endswith(BILLS_SUFFIX):
        return what.with_name(what.name.removesuffix(BILLS_SUFFIX) + ".yaml")
    if is_file(what):
        return what if is_tariff_text(beginning_of(what)) else None
    return shipped_tariffs().get(str(what))


def check_tariff(path: Path) -> tuple[list[WorkedResult], list[str]]:
    """Read a tariff, compile it over a year, and work out the bills that stand beside it.

    Returns
    -------
    list of WorkedResult, list of str
        The worked bills, none if there are none, and what is odd in the tariff.
    """
    tariff = read_tariff(path)
    remarks = [*remarks_over_a_year(tariff), *odd_values(tariff)]
    beside = bills_beside(path)
    if not is_file(beside):
        return [], remarks
    bills = read_worked_bills(beside)
    results = [
        WorkedResult(worked.entry.shows, tuple(check_worked_bill(tariff, worked)))
        for worked in bills
    ]
    return results, [*remarks, *_on_zone(bills[0].zone, beside)]


def _on_zone(zone: str, beside: Path) -> list[str]:
    return [f"{beside}: {remark}" for remark in [zone_remark(zone)] if remark]
