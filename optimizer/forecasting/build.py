"""Makes the forecast of the coming season from the recipe: a set of plausible years, and one to show.

The one to show is made of the metered weeks that are nearest in the year, the most recent first; it
is a year of real days with their peaks, not a mean. Plausible years are drawn from the same material.
Read next: ``scenario``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path

import numpy as np

from optimizer.base.calendar import EVERY_DAY, Days
from optimizer.base.documents import Source
from optimizer.base.errors import ScenarioError, SeriesError
from optimizer.base.timegrid import FloatArray, TimeGrid, zone_named
from optimizer.base.units import number
from optimizer.forecasting.additions import Layer, layer_of
from optimizer.forecasting.behind_meter import estimated_pv
from optimizer.forecasting.profiles import profile_kwh
from optimizer.forecasting.recipe import ForecastRecipe, Place, PvRecipe
from optimizer.forecasting.sun import RoofModel, TypicalYear, read_typical_year
from optimizer.forecasting.weeks import DAYS_PER_YEAR, Material, Variant, Weather
from optimizer.metering.forecast import Forecast
from optimizer.metering.forecast_csv import WITHOUT_PV, read_forecast, read_net, read_pv
from optimizer.site.equipment import UNLIMITED_KW, Plant

AS_EXPECTED = Variant(1.0, resampled=False)
SEED = 20_270_101
COMPUTED_YEARS = 6
"""How many years of PV are computed where none was metered; plausible years are drawn from them."""

WEEKS_OF_A_YEAR = 52
ODD_FACTOR = 1.6
"""Yields so many times those computed, or less by as much, are another roof's."""

FAR_DEG = 3.0
"""A weather file from so much farther north, south, east or west is of another climate."""

FARTHEST_FROM_NOON_H = 3.5
"""No zone's clock is farther from the sun's (common practice, no published source)."""

FEW_WEEKS = 20
"""Of a season that is longer, so few metered weeks show too little."""

LONGEST_WAIT_YEARS = 10
"""No forecast begins so long after what was metered."""

LEAST_TREND_WEEKS = 26
"""So many weeks must have been metered twice for a trend to be told."""

LARGEST_TREND = 0.2
"""A larger change from year to year is another building, no trend."""


@dataclass(frozen=True)
class Expected:
    """What is expected: the forecast to show, what plausible years are made of, and what was added.

    ``metered`` are the series it rests on, as they were metered; empty where none were.
    """

    forecast: Forecast
    material: Material
    layers: tuple[Layer, ...]
    metered: tuple[Forecast, ...]
    about: tuple[str, ...]


def expected_from(
    recipe: ForecastRecipe, folder: Path, zone: str, plant: Plant, source: Source,
    days: Days = EVERY_DAY,
) -> Expected:  # fmt: skip
    """Make what is expected from a scenario's recipe.

    Parameters
    ----------
    recipe : ForecastRecipe
        What stands under ``forecast``.
    folder : Path
        The scenario's folder, in which the files it names lie.
    zone : str
        Zone of the wall clock.
    plant : Plant
        The equipment: how the PV is coupled, and sizes that make wrong units visible.
    source : Source
        Where the recipe stands.
    days : Days
        Those that are asked for in place of the recipe's.

    Raises
    ------
    InputError
        If a file cannot be used, or meters do not suffice.
    """
    metered = read_meters(recipe, folder, zone, plant)

    def where(*key: str | int) -> str:
        return source.where(("forecast", *key))

    grid = _coming_grid(recipe, metered, zone, where("last"), days)
    typical = _typical_year(recipe, folder)
    _refuse_night_at_noon(recipe, grid, where("place", "longitude_deg"))
    about: list[str] = []
    step = grid.step_minutes
    metered = tuple(_with_steps(series, step, where("step_minutes")) for series in metered)
    if metered:
        _refuse_odd_meters(metered, recipe, grid, where)
        trend = _measured_trend(metered, recipe, where("load", "trend_pct_per_year"), about)
        material = from_meters(metered, grid, recipe, trend, about)
        if recipe.pv == "none" or (isinstance(recipe.pv, PvRecipe) and not recipe.is_behind):
            material = _with_other_pv(material, recipe, plant, typical, about)
    else:
        material = _from_profile(grid, recipe, plant, typical, about)
    layers = tuple(
        layer_of(
            addition, grid, recipe.holidays, None if typical is None else typical.day_mean_c,
            southern=_is_southern(recipe),
        )
        for addition in recipe.added
    )  # fmt: skip
    if layers:
        material = replace(
            material,
            added_kwh=np.sum([layer.load_kwh for layer in layers], axis=0),
            pv_times=np.prod([layer.pv_times for layer in layers], axis=0),
        )
    notes = [_with_pv_of_roofs(note, recipe) for series in metered for note in series.notes]
    notes += [estimate for series in metered if (estimate := _estimate_of(series, recipe))]
    return as_expected(material, grid, layers, metered, (*about, *notes))


def _estimate_of(series: Forecast, recipe: ForecastRecipe) -> str:
    """Return how far an estimate of PV can be trusted, with the days of its meter if there are several."""
    days = series.grid.dates
    several = len(recipe.load.meters or ()) > 1
    told = f"{days[0]} to {days[-1]}: " if several else ""
    return f"{told}{series.estimate}" if series.estimate else ""


def _with_pv_of_roofs(note: str, recipe: ForecastRecipe) -> str:
    """Return a note on a meter's file; without a PV column there, PV may still come from the roofs."""
    if not isinstance(recipe.pv, PvRecipe):
        return note
    return note.replace(WITHOUT_PV, "its PV is computed from the roofs")


def again_from(past: Sequence[Forecast], grid: TimeGrid, recipe: ForecastRecipe) -> Expected:
    """Return what would have been expected on a grid, had only a past been metered; nothing added."""
    where = "the scenario's forecast (load.trend_pct_per_year)"
    about: list[str] = []
    trend = _given_trend(recipe)
    if _is_two_years(past):
        trend = _measured_trend(past, recipe, where, about)
    material = from_meters(past, grid, recipe, trend, about)
    return as_expected(material, grid, about=tuple(about))


def as_expected(
    material: Material,
    grid: TimeGrid,
    layers: tuple[Layer, ...] = (),
    metered: tuple[Forecast, ...] = (),
    about: tuple[str, ...] = (),
) -> Expected:
    """Return what is expected on a grid, made of material.

    Raises
    ------
    SeriesError
        If the material has not one whole week.
    """
    blank = Forecast(grid, np.zeros(grid.count), np.zeros(grid.count))
    weather = Weather(blank, material)
    if not weather.has_weeks:
        first = material.sources[0].grid
        raise SeriesError(
            f"the meters hold no whole week, from Monday to Sunday ({first.days:.1f} days)",
            where="the scenario's forecast (load.meters)",
            mend="Give more days: at least one week, better a year.",
        )
    made = weather.year(AS_EXPECTED, None, np.random.default_rng(SEED))
    estimate = next((each.estimate for each in material.sources if each.estimate), "")
    forecast = Forecast(grid, made.load_kwh, made.pv_kwh, about, estimate)
    return Expected(forecast, material, layers, metered, about)


# --- meters --------------------------------------------------------------------------------------


def from_meters(
    metered: Sequence[Forecast],
    grid: TimeGrid,
    recipe: ForecastRecipe,
    trend: float,
    about: list[str],
) -> Material:
    """Return metered years, the most recent first, with their weights and grown by the trend.

    ``trend`` is the growth of the load a year, as a fraction.
    """
    years = [year for series in metered for year in years_of(series)]
    years.sort(key=lambda year: year.grid.instant(-1), reverse=True)
    begin = grid.instant(0)
    ages = [
        (begin - year.grid.instant(-1)).total_seconds() / 86400 / DAYS_PER_YEAR for year in years
    ]
    half_life = recipe.load.half_life_years
    weights = tuple(float(0.5 ** min((age - ages[0]) / half_life, 30.0)) for age in ages)
    if trend:
        years = [_grown(year, grid, trend) for year in years]
        about.append(f"The load grows by {number(100 * trend)} % a year from when it was metered.")
    first = min(year.grid.dates[0] for year in years)
    last, weeks = years[0].grid.dates[-1], sum(map(number_of_weeks, years))
    about.append(
        f"Made of {weeks} whole {'week' if weeks == 1 else 'weeks'} metered from {first} to {last}; a week is"
        " taken from its own time of the year, or, if none was metered then, from that at which days are"
        " as long."
    )
    if weeks < FEW_WEEKS and grid.days > 7 * weeks:
        about.append(
            "So few weeks make the season look more alike than it will be: the spread says little."
        )
    return Material(tuple(years), weights, recipe.holidays)


def years_of(series: Forecast) -> list[Forecast]:
    """Return a series cut into stretches of 52 weeks, back from its last Monday; the latest first."""
    grid = series.grid
    mondays = [n for n, day in enumerate(grid.dates) if day.weekday() == 0]
    if len(mondays) <= WEEKS_OF_A_YEAR:
        return [series]
    first_of_day = np.searchsorted(grid.day, np.arange(len(grid.dates)))
    is_whole = len(grid.dates) - mondays[-1] >= 7
    day = mondays[-1] + (7 if is_whole else 0)
    edges = [grid.count]
    while (day := day - 7 * WEEKS_OF_A_YEAR) > 6:
        edges.append(int(first_of_day[day]))
    edges.append(0)
    return [series.part(begin, end - begin) for end, begin in pairwise(edges)]


def number_of_weeks(series: Forecast) -> int:
    """Return how many whole weeks, from Monday on, a series holds."""
    dates = series.grid.dates
    return sum(day.weekday() == 0 for day in dates[: len(dates) - 6])


def _grown(year: Forecast, grid: TimeGrid, trend: float) -> Forecast:
    """Return a metered year with its load grown to the middle of the forecast."""
    middle, its_middle = (
        each.instant(0) + (each.instant(-1) - each.instant(0)) / 2 for each in (grid, year.grid)
    )
    age = (middle - its_middle).total_seconds() / 86400 / DAYS_PER_YEAR
    return replace(year, load_kwh=year.load_kwh * (1 + trend) ** age)


def _measured_trend(
    metered: Sequence[Forecast], recipe: ForecastRecipe, where: str, about: list[str]
) -> float:
    """Return the growth of the load a year, as a fraction: as given, or from weeks metered twice.

    Raises
    ------
    ScenarioError
        If it is to be measured, but too few weeks were metered in two years.
    """
    if recipe.load.trend_pct_per_year != "measured":
        return _given_trend(recipe)
    daily: dict[date, float] = {}
    for series in metered:
        sums = np.bincount(series.grid.day, weights=series.load_kwh)
        daily |= dict(zip(series.grid.dates, sums.tolist(), strict=True))
    year = timedelta(days=7 * WEEKS_OF_A_YEAR)
    pairs = [(daily[day], daily[day + year]) for day in sorted(daily) if day + year in daily]
    if len(pairs) < 7 * LEAST_TREND_WEEKS:
        raise ScenarioError(
            f"the trend is to be measured, but the days metered in two years are only {len(pairs)}"
            f" ({7 * LEAST_TREND_WEEKS} are needed)",
            where=where,
            mend="Give meters of two years, or write the trend in per cent.",
        )
    before, after = np.array(pairs).sum(axis=0)
    grown = (after / before) ** (DAYS_PER_YEAR / year.days) - 1 if before > 0 else 0.0
    if abs(grown) > LARGEST_TREND:
        about.append(
            f"From year to year the load changed by {number(100 * grown, 0)} %: that is another use of the"
            f" building, no trend; {number(100 * LARGEST_TREND, 0)} % a year is the most that is taken."
        )
    return float(np.clip(grown, -LARGEST_TREND, LARGEST_TREND))


def _refuse_odd_meters(
    metered: Sequence[Forecast],
    recipe: ForecastRecipe,
    grid: TimeGrid,
    where: Callable[..., str],
) -> None:
    """Refuse meters that count a time twice, know PV only in part, or are too old.

    Raises
    ------
    ScenarioError
        With what is odd.
    """
    in_order = sorted(metered, key=lambda series: series.grid.instant(0))
    for one, other in pairwise(in_order):
        if other.grid.instant(0) <= one.grid.instant(-1):
            raise ScenarioError(
                f"two of the meters hold the time from {other.grid.label(0)} to"
                f" {one.grid.label(one.grid.count - 1)}",
                where=where("load", "meters"),
                mend="Let each time stand in one file.",
            )
    has_pv = [bool(series.pv_kwh.any()) for series in metered]
    if any(has_pv) and not all(has_pv) and not isinstance(recipe.pv, PvRecipe):
        assert recipe.load.meters is not None
        name = recipe.load.meters[has_pv.index(False)]
        raise ScenarioError(
            f"{name} holds no PV, but other meters do: its weeks would go without sun",
            where=where("load", "meters", has_pv.index(False)),
            mend="Leave that file out, or give the PV behind it under pv_meters.",
        )
    years = (grid.instant(0) - in_order[-1].grid.instant(-1)).days / DAYS_PER_YEAR
    if years > LONGEST_WAIT_YEARS:
        raise ScenarioError(
            f"the forecast begins {years:.0f} years after the last metered day; at most"
            f" {LONGEST_WAIT_YEARS} are taken",
            where=where("first"),
            mend="Give newer meters, or an earlier first day.",
        )


def _given_trend(recipe: ForecastRecipe) -> float:
    given = recipe.load.trend_pct_per_year
    return 0.0 if given == "measured" else float(given) / 100


def _is_two_years(metered: Sequence[Forecast]) -> bool:
    """Tell whether enough weeks were metered twice for a trend."""
    weeks = sum(number_of_weeks(series) for series in metered)
    return weeks >= WEEKS_OF_A_YEAR + LEAST_TREND_WEEKS + 1


def read_meters(
    recipe: ForecastRecipe, folder: Path, zone: str, plant: Plant
) -> tuple[Forecast, ...]:
    """Return what the meters of a recipe counted, with PV behind net meters estimated.

    Raises
    ------
    InputError
        If a file cannot be used, or such roofs cannot give what was exported.
    """
    found = []
    for place, name in enumerate(recipe.load.meters or ()):
        pv = None
        if recipe.is_behind:
            net = read_net(folder / name, zone, plant)
            pv = estimated_pv(net, _roof_model(recipe, plant, None), plant.pv_to_ac_efficiency)
        if recipe.load.pv_meters is not None:
            pv = read_pv(folder / recipe.load.pv_meters[place], zone, plant)
        found.append(read_forecast(folder / name, zone, plant, pv))
    return tuple(found)


def _with_steps(series: Forecast, step_minutes: int, where: str) -> Forecast:
    """Return a series in longer steps, of whole ones.

    Raises
    ------
    ScenarioError
        If it is wanted in shorter steps than were metered.
    """
    grid = series.grid
    if grid.step_minutes == step_minutes:
        return series
    if grid.step_minutes > step_minutes:
        raise ScenarioError(
            f"step_minutes is {step_minutes}, but the meters have steps of {grid.step_minutes} min",
            where=where,
            mend=f"Write step_minutes: {grid.step_minutes}, or supply finer readings.",
        )
    each = step_minutes // grid.step_minutes
    first = int(np.flatnonzero(grid.minute_of_day % step_minutes == 0)[0])
    count = (grid.count - first) // each
    longer = TimeGrid(grid.instant(first), step_minutes, count, grid.zone)
    load, pv = (
        values[first : first + count * each].reshape(count, each).sum(axis=1)
        for values in (series.load_kwh, series.pv_kwh)
    )
    return replace(series, grid=longer, load_kwh=load, pv_kwh=pv)


def _coming_grid(
    recipe: ForecastRecipe, metered: Sequence[Forecast], zone: str, where: str, days: Days
) -> TimeGrid:
    """Return the steps of the coming season.

    Raises
    ------
    ScenarioError
        If it would end before it begins.
    """
    first = days.first or recipe.first
    if first is None:
        first = max(series.grid.dates[-1] for series in metered) + timedelta(days=1)
    first, last = days.within(first, recipe.last or _year_after(first) - timedelta(days=1))
    if last < first:
        told = "" if days.first or recipe.first else ", the day after the last that is metered"
        raise ScenarioError(
            f"the last day is {last}, the first {first}{told}",
            where=where,
            mend="Give a later last day, or an earlier first.",
        )
    step: int = recipe.step_minutes or max((s.grid.step_minutes for s in metered), default=60)
    return grid_of_days(first, last, step, zone)


def grid_of_days(first: date, last: date, step_minutes: int, zone: str) -> TimeGrid:
    """Return the steps from the beginning of one local day to the end of another."""
    info = zone_named(zone)
    after = last + timedelta(days=1)
    begin, end = (
        datetime(day.year, day.month, day.day, tzinfo=info).astimezone(UTC)
        for day in (first, after)
    )
    count = int((end - begin) / timedelta(minutes=step_minutes))
    return TimeGrid(begin, step_minutes, count, zone)


def _year_after(day: date) -> date:
    """Return the same day of the next year; of 29 February the 1 March."""
    if (day.month, day.day) == (2, 29):
        return date(day.year + 1, 3, 1)
    return day.replace(year=day.year + 1)


# --- without meters ------------------------------------------------------------------------------


def _from_profile(
    grid: TimeGrid,
    recipe: ForecastRecipe,
    plant: Plant,
    typical: TypicalYear | None,
    about: list[str],
) -> Material:
    """Return computed years, in whole weeks around the forecast."""
    profile, kwh = recipe.load.profile, recipe.load.kwh_per_year
    assert profile is not None
    assert kwh is not None
    about.append(
        f"The load is the standard profile {profile} with {number(kwh, 0)} kWh a year: the mean of many"
        " customers. A single building has sharper peaks, so demand charges come out too low."
    )
    days = grid.dates
    begin = days[0] - timedelta(days=days[0].weekday())
    end = days[-1] + timedelta(days=6 - days[-1].weekday())
    whole = grid_of_days(begin, end, grid.step_minutes, grid.zone)
    southern = _is_southern(recipe)
    load = profile_kwh(profile, kwh, whole, recipe.holidays, southern=southern)
    none = np.zeros(whole.count)
    if not isinstance(recipe.pv, PvRecipe):
        return Material((Forecast(whole, load, none),), (), recipe.holidays, is_metered=False)
    every = _computed_pv(recipe, whole, plant, typical, COMPUTED_YEARS, about)
    sources = tuple(Forecast(whole, load, pv) for pv in every)
    return Material(sources, (), recipe.holidays, is_metered=False)


def _with_other_pv(
    material: Material,
    recipe: ForecastRecipe,
    plant: Plant,
    typical: TypicalYear | None,
    about: list[str],
) -> Material:
    """Return metered loads with PV that is computed, or with none."""
    if not isinstance(recipe.pv, PvRecipe):
        dark = tuple(replace(s, pv_kwh=np.zeros(s.grid.count)) for s in material.sources)
        return replace(material, sources=dark)
    about.append("Load and PV come from different weather: their days do not belong together.")
    sources = list[Forecast]()
    copies = -(-COMPUTED_YEARS // len(material.sources))
    for number_, series in enumerate(material.sources):
        every = _computed_pv(recipe, series.grid, plant, typical, copies, about, SEED + number_)
        sources += [replace(series, pv_kwh=pv) for pv in every]
    weights = tuple(weight for weight in material.weights for _ in range(copies))
    return replace(material, sources=tuple(sources), weights=weights)


def _computed_pv(
    recipe: ForecastRecipe,
    grid: TimeGrid,
    plant: Plant,
    typical: TypicalYear | None,
    count: int,
    about: list[str],
    seed: int = SEED,
) -> list[FloatArray]:
    model = _roof_model(recipe, plant, typical)
    pv, place = model.recipe, model.place
    years = model.years_kwh(grid, count, seed)
    sun = f"the weather file {pv.weather_file}" if pv.weather_file else "clear skies and cloudiness"
    told = [f"PV is computed from roof facts with {sun}."]
    factor = model.quote_factor[np.unique(grid.month) - 1]
    if pv.kwh_per_month is not None:
        told.append("Each month is brought to the yield that is given for it.")
    if factor.min() < 1 / ODD_FACTOR or factor.max() > ODD_FACTOR:
        told.append(
            f"The yields given are {number(float(factor.min()), 2)} to {number(float(factor.max()), 2)}"
            " times what such roofs give there: check peak_kw, tilt, azimuth and place."
        )
    if typical is not None and _is_elsewhere(typical.place, place):
        told.append(
            f"The weather file is of {typical.place.latitude_deg:g}°, {typical.place.longitude_deg:g}°,"
            " far from the site."
        )
    about[:] = list(dict.fromkeys([*about, *told]))
    return years


def _roof_model(recipe: ForecastRecipe, plant: Plant, typical: TypicalYear | None) -> RoofModel:
    pv, place = recipe.pv, recipe.place
    assert isinstance(pv, PvRecipe)
    assert place is not None
    stated = plant.pv_ac_limit_kw if plant.pv_ac_limit_kw < UNLIMITED_KW else None
    limit = None if plant.pv_on_dc_side else RoofModel.own_limit_kw(pv, stated)
    return RoofModel(pv, place, limit, typical)


def _is_elsewhere(one: Place, other: Place) -> bool:
    return (
        abs(one.latitude_deg - other.latitude_deg) > FAR_DEG
        or abs(one.longitude_deg - other.longitude_deg) > FAR_DEG
    )


def _typical_year(recipe: ForecastRecipe, folder: Path) -> TypicalYear | None:
    if not isinstance(recipe.pv, PvRecipe) or recipe.pv.weather_file is None:
        return None
    return read_typical_year(folder / recipe.pv.weather_file)


def _refuse_night_at_noon(recipe: ForecastRecipe, grid: TimeGrid, where: str) -> None:
    """Refuse a longitude at which the sun is highest far from noon by the clock of the zone.

    Raises
    ------
    ScenarioError
        With the clock time at which it would be highest.
    """
    if recipe.place is None:
        return
    offset_h = float(np.median(grid.utc_offset_minutes)) / 60
    highest = 12 + offset_h - recipe.place.longitude_deg / 15
    if abs((highest - 12.5 + 12) % 24 - 12) > FARTHEST_FROM_NOON_H:
        raise ScenarioError(
            f"at longitude {recipe.place.longitude_deg:g}° the sun would be highest at about"
            f" {int(highest % 24):02d}:00 by the clock of {grid.zone}",
            where=where,
            mend="Check its sign: east of Greenwich is above zero, west below.",
        )


def _is_southern(recipe: ForecastRecipe) -> bool:
    return recipe.place is not None and recipe.place.latitude_deg < 0
