"""Hold what was metered against what the results of a season ago promised."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from optimizer.base.progress import Progress, quiet
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.billing.tariff import compile_cost
from optimizer.evaluation.review import (
    Review,
    Seen,
    coverage_notes,
    overlap,
    refuse_what_hides_the_load,
    review_of,
)
from optimizer.metering.forecast_csv import read_battery, read_forecast
from optimizer.metering.meter_csv import read_meter
from optimizer.scenario.brief import Brief
from optimizer.scenario.scenario import periods_elsewhere
from optimizer.settings.check import read_settings
from optimizer.workflows.in_use import (
    has_tariff_of_promise,
    promise_path,
    settings_path,
    tariff_of_promise,
)
from optimizer.workflows.inputs import horizon_of


def review(brief: Brief, previous: Path, metered: Path, progress: Progress = quiet) -> Review:
    """Hold what was metered against what the results of a season ago promised.

    ``previous`` is the folder of that season's results, ``metered`` a CSV of what was metered since.

    Raises
    ------
    InputError
        If the promise or the meter cannot be read, or do not overlap.
    """
    scenario, zone = brief.scenario, brief.scenario.file.zone
    settings = read_settings(settings_path(previous), scenario.controls, scenario.plant)
    promised = read_forecast(promise_path(previous), zone, scenario.plant)
    refuse_what_hides_the_load(metered, has_pv=bool(promised.pv_kwh.any()))
    real = read_forecast(metered, zone, scenario.plant)
    meter, _ = read_meter(metered, zone)
    progress("replaying the season as it was promised and as it was")
    promised_days = promised.grid.days
    promised, real, meter = overlap(
        promised, real, meter, metered, scenario.plant.pv_to_ac_efficiency
    )
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
        _battery_on(real.grid, read_battery(metered, zone, scenario.plant)),
    )  # fmt: skip
    seen = Seen(horizons[0], horizons[1], meter, settings, then, brief.tariff)
    return replace(result, notes=notes, seen=seen)


def _battery_on(
    grid: TimeGrid, metered: tuple[TimeGrid, FloatArray, FloatArray] | None
) -> tuple[FloatArray, FloatArray] | None:
    """Return what a battery did on some of the metered steps; None if it was not metered on all."""
    if metered is None:
        return None
    whole, charge, discharge = metered
    inside = (whole.utc >= grid.utc[0]) & (whole.utc <= grid.utc[-1])
    return (charge[inside], discharge[inside]) if inside.sum() == grid.count else None
