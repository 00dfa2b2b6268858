"""The scenario file: one site, its equipment, what it may do, its tariff and its forecast.

Read next: ``cost.expression``.
"""

from __future__ import annotations

import gzip
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from optimizer.base.calendar import EVERY_DAY, Days
from optimizer.base.documents import (
    Source,
    digest_of,
    digest_of_text,
    files_of,
    is_folder,
    read_document,
)
from optimizer.base.errors import ScenarioError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import (
    BillingPeriods,
    TimeGrid,
    calendar_months,
    joined_grid,
    meter_read_periods,
)
from optimizer.forecasting.build import Expected, expected_from
from optimizer.forecasting.recipe import ForecastRecipe
from optimizer.forecasting.weeks import Material
from optimizer.metering.forecast import Forecast
from optimizer.metering.forecast_csv import forecast_in, read_forecast
from optimizer.metering.meter_csv import read_so_far
from optimizer.metering.series import Table
from optimizer.scenario.doubts import doubts
from optimizer.scenario.scenario_file import ScenarioFile
from optimizer.settings.controls import Controls
from optimizer.site.equipment import (
    Plant,
)

SCENARIO_FILE = "scenario.yaml"


ENTRY_SHARE = 0.01
"""A window must save this share of the most that any number of them saves, too.

Common practice, no published source: a large site does not count the sum that a home does.
"""

DAYS_PER_YEAR = 365


@dataclass(frozen=True)
class Scenario:
    """A scenario, read and checked: equipment as numbers, forecast on its grid.

    ``expected`` is there if the forecast was made from a recipe. ``so_far`` is what the meter has
    counted up to the forecast's first step, ``periods`` the billing periods of its steps and the
    forecast's together. ``inputs`` are the SHA-256 of the file and of the series that it names, by name,
    as they were when they had been read.
    """

    name: str
    folder: Path
    file: ScenarioFile
    source: Source
    plant: Plant
    forecast: Forecast
    material: Material
    periods: BillingPeriods
    so_far: Flows | None = None
    expected: Expected | None = None
    inputs: Mapping[str, str] = field(default_factory=dict)

    @property
    def is_invented(self) -> bool:
        """Whether scenario and series both say that they are: a copy with its own series is a building."""
        return self.file.invented and _data_invented(self.file, self.folder)

    @property
    def controls(self) -> Controls:
        """What settings the equipment accepts."""
        return self.file.controls

    @property
    def whole_kw(self) -> float | None:
        """Power that is 100 % where the equipment takes per cent; None where it takes kW. [kW]"""
        return self.controls.whole_kw_of(self.plant.ac_limit_kw)

    @property
    def worth_typing(self) -> float:
        """What a window must save over the forecast to be worth entering. [money]"""
        return self.file.worth_typing * self.forecast.grid.days / DAYS_PER_YEAR

    def asking(self, worth_typing: float) -> Scenario:
        """Return the same with another sum that a window must save a year."""
        return replace(self, file=self.file.model_copy(update={"worth_typing": worth_typing}))

    @property
    def critical_kw(self) -> float:
        """Mean power of the critical loads together. [kW]"""
        return sum(load.mean_kw for load in self.file.loads if load.critical)

    @property
    def makers_floor_kwh(self) -> float:
        """Level down to which an outage may draw the battery: below the reserve, which is for it. [kWh]"""
        return self.file.battery.floor_pct / 100 * self.plant.capacity_kwh

    @property
    def start_kwh(self) -> float:
        """Stored energy at the start; the lowest allowed level where none is given. [kWh]"""
        pct = self.file.state.start_pct
        return self.plant.low_kwh if pct is None else self.plant.level_kwh(pct)

    @property
    def end_kwh(self) -> float | None:
        """Stored energy wanted at the end; None if free. [kWh]"""
        pct = self.file.state.end_pct
        if pct == "free":
            return None
        return self.start_kwh if pct == "same" else self.plant.level_kwh(float(pct))


def read_scenario(path: Path, days: Days = EVERY_DAY) -> Scenario:
    """Read a scenario folder, or its ``scenario.yaml``, with its forecast of some days.

    Raises
    ------
    InputError
        What is wrong in the scenario file or in the forecast, all findings of a file together.
    """
    file_path = path / SCENARIO_FILE if is_folder(path) else path
    file, source = read_document(file_path, ScenarioFile, ScenarioError)
    return scenario_of(file, source, days=days)


def scenario_of(
    file: ScenarioFile, source: Source, series: Table | None = None, days: Days = EVERY_DAY
) -> Scenario:
    """Return the scenario that a file describes.

    ``series`` is the forecast where no file holds it; other files are looked for beside the source.
    Of the forecast only some days are kept; plausible years are made of all of it.

    Raises
    ------
    InputError
        What is wrong in the forecast, or between it and the file.
    """
    plant = Plant.of(
        file.battery,
        file.inverter,
        file.pv,
        file.connection,
        file.permissions,
        file.reserve_pct,
        file.behaviour,
    )
    folder = source.path.parent
    if series is None:
        expected, forecast = _forecast_of(file, folder, source, plant, days)
    else:
        expected, forecast = None, forecast_in(series, file.zone, plant)
    whole = forecast
    if expected is None:
        forecast = _part_of(forecast, days, source)
    if days != EVERY_DAY:
        dates = forecast.grid.dates
        asked = f"Only {dates[0]} to {dates[-1]} is looked at, as was asked."
        forecast = replace(forecast, notes=(asked, *forecast.notes))
    found = [
        *doubts(file, plant, forecast),
        *_left_over(file, folder),
        *_on_limits(file, forecast.grid),
    ]
    forecast = replace(forecast, notes=(*forecast.notes, *found))
    so_far, grid = None, forecast.grid
    if file.state.metered is not None:
        so_far, notes = read_so_far(folder / file.state.metered, forecast.grid, plant.size_kw)
        forecast = replace(forecast, notes=(*forecast.notes, *notes))
        grid = joined_grid(so_far.grid, forecast.grid)
    if expected is not None:
        material = expected.material
    else:
        others = (_other_year(name, folder, file, forecast, plant) for name in file.other_years)
        material = Material((whole, *others), holds_forecast=True)
    periods = _periods_on(grid, file, source)
    return Scenario(
        file.scenario, folder, file, source, plant, forecast, material, periods, so_far, expected,
        _inputs(source),
    )  # fmt: skip


def _inputs(source: Source) -> dict[str, str]:
    """Return the digest of a scenario file, and of the files that it names."""
    first, *others = files_of(source)
    series = {os.path.relpath(path, first.parent): digest_of(path) for path in others}
    return {SCENARIO_FILE: digest_of_text(source.text)} | series


def _data_invented(file: ScenarioFile, folder: Path) -> bool:
    """Return whether the head of a series that the forecast is made of calls it invented."""
    recipe = file.forecast
    names = [recipe] if isinstance(recipe, str) else recipe.load.meters or []
    return not names or any("invented" in _head_of(folder / name) for name in names)


def _head_of(path: Path) -> str:
    try:
        with (gzip.open if path.suffix == ".gz" else open)(path, "rb") as opened:
            head = opened.readline(1000).decode("utf-8", "replace")
    except OSError:
        return ""
    return head.lower() if head.startswith("#") else ""


def _left_over(file: ScenarioFile, folder: Path) -> Iterator[str]:
    if file.invented and not _data_invented(file, folder):
        yield (
            "scenario.yaml says invented: true, but its series do not: it is told as a building. If it is"
            " one, remove invented: true and its first comment."
        )


def _on_limits(file: ScenarioFile, grid: TimeGrid) -> Iterator[str]:
    """Yield how limits of phases were reckoned, and of which rules hours cut steps."""
    if file.connection.phases is not None:
        yield file.connection.phases.remark()
    for rule in file.connection.limits:
        if rule.cuts(grid.step_minutes):
            yield (
                f"Hours of the rule {rule.rule!r} begin or end inside steps of {grid.step_minutes} min;"
                " such a step is held wholly."
            )


def _periods_on(grid: TimeGrid, file: ScenarioFile, source: Source) -> BillingPeriods:
    if file.read_dates is None:
        return calendar_months(grid)
    return meter_read_periods(grid, file.read_dates, source.where(("read_dates",)))


def periods_elsewhere(scenario: Scenario, grid: TimeGrid) -> BillingPeriods:
    """Return the billing periods of other steps; calendar months where no read dates enclose them."""
    try:
        return _periods_on(grid, scenario.file, scenario.source)
    except ScenarioError:
        return calendar_months(grid)


def _part_of(forecast: Forecast, days: Days, source: Source) -> Forecast:
    """Return the steps of some days of a forecast that is read from a CSV."""
    dates = forecast.grid.dates
    first, last = days.within(dates[0], dates[-1])
    if not dates[0] <= first <= last <= dates[-1]:
        raise ScenarioError(
            f"asked for are the days {first} to {last}, the forecast holds {dates[0]} to {dates[-1]}",
            where=source.where(("forecast",)),
            mend="Ask for days that it holds, or let meters make it: forecast: {load: {meters: [...]}}.",
        )
    wanted = np.flatnonzero([first <= dates[day] <= last for day in forecast.grid.day])
    part = forecast.part(int(wanted[0]), len(wanted))
    return replace(part, notes=forecast.notes)


def _forecast_of(
    file: ScenarioFile, folder: Path, source: Source, plant: Plant, days: Days
) -> tuple[Expected | None, Forecast]:
    """Return the forecast, and what it was made of if it was not read from a CSV."""
    if not isinstance(file.forecast, ForecastRecipe):
        return None, read_forecast(folder / file.forecast, file.zone, plant)
    if file.other_years:
        raise ScenarioError(
            "other_years go with a forecast that is read from a CSV",
            where=source.where(("other_years",)),
            mend="Name them under forecast.load.meters, beside the others.",
        )
    expected = expected_from(file.forecast, folder, file.zone, plant, source, days)
    return expected, expected.forecast


def _other_year(
    name: str, folder: Path, file: ScenarioFile, forecast: Forecast, plant: Plant
) -> Forecast:
    other = read_forecast(folder / name, file.zone, plant)
    if other.grid.step_minutes != forecast.grid.step_minutes:
        raise ScenarioError(
            f"the other year has steps of {other.grid.step_minutes} min, the forecast of"
            f" {forecast.grid.step_minutes} min",
            where=folder / name,
            mend="Bring both to the same steps.",
        )
    return other
