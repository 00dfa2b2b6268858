"""What in a scenario looks like a slip: a unit, a fraction for per cent, another convention, another year.

Each is told with the values and the likely cause, and nothing is refused for it: there are batteries of
megawatts, and floors of a tenth of a per cent. Read next: ``remarks``.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date

from optimizer.base.timegrid import zone_remark
from optimizer.base.units import number
from optimizer.forecasting.recipe import ForecastRecipe, PvRecipe
from optimizer.metering.forecast import Forecast
from optimizer.scenario.scenario_file import ScenarioFile
from optimizer.site.equipment import UNLIMITED_KW, Plant

W_FOR_KW = 50
"""A power so many times another that it goes with is taken for W (1,000 times) and asked about."""

OLD_YEARS, FAR_YEARS = 5, 10
"""A forecast that ended, or begins, so many years from today is asked about."""

ABOVE_PLATE = 1.05
"""PV yields more than its modules' rating for minutes only (common practice, no published source)."""

AWAY_DEG = 60
"""A tilted roof that faces the pole within so many degrees is asked about, for it has the least sun."""

FLAT_DEG = 10


def doubts(
    file: ScenarioFile, plant: Plant, forecast: Forecast, today: date | None = None
) -> Iterator[str]:
    """Yield what looks like a slip in the scenario or does not go with its forecast, as sentences."""
    yield from _fractions(file)
    yield from _watts(file, plant)
    yield from _modules(file, forecast)
    if isinstance(file.forecast, ForecastRecipe):
        yield from _roofs_facing_away(file.forecast)
    yield from filter(None, [zone_remark(file.zone)])
    yield from _age(forecast, today or date.today())  # noqa: DTZ011 - a day off does not matter


def _fractions(file: ScenarioFile) -> Iterator[str]:
    state, recipe = file.state, file.forecast
    given: dict[str, object] = {
        "battery.floor_pct": file.battery.floor_pct,
        "battery.ceiling_pct": file.battery.ceiling_pct,
        "reserve_pct": file.reserve_pct,
        "state.start_pct": state.start_pct,
        "state.end_pct": state.end_pct,
        "outage.share_pct": file.outage.share_pct,
        "behaviour.floor_restart_pct": file.behaviour.floor_restart_pct,
        **{f"duty_pct of the load {load.name!r}": load.duty_pct for load in file.loads},
    }
    if isinstance(recipe, ForecastRecipe) and isinstance(recipe.pv, PvRecipe):
        given["forecast.pv.losses_pct"] = recipe.pv.losses_pct
        per_k = recipe.pv.temperature_pct_per_k
        if -0.02 < per_k < 0:
            yield (
                f"forecast.pv.temperature_pct_per_k is {per_k:g} and is read as per cent: if it is a"
                f" fraction, write {100 * per_k:g}."
            )
    for key, value in given.items():
        if isinstance(value, float | int) and 0 < value < 1:
            yield (
                f"{key} is {value:g} and is read as {value:g} %: if it is a fraction, write"
                f" {100 * value:g}."
            )


def _watts(file: ScenarioFile, plant: Plant) -> Iterator[str]:
    """Yield powers that are out of all proportion to what they go with."""
    limit, recipe = plant.ac_limit_kw, file.forecast
    battery_kw = max(plant.charge_kw, plant.discharge_kw)
    if limit > W_FOR_KW * battery_kw:
        yield _asked("inverter.ac_limit_kw", limit, f"a battery of {battery_kw:g} kW")
    elif battery_kw > W_FOR_KW * limit:
        yield _asked(
            "battery.discharge_kw or charge_kw", battery_kw, f"an inverter of {limit:g} kW"
        )
    equipment_kw = min(limit, battery_kw)
    beside = f"equipment of {equipment_kw:g} kW"
    roofs = _roofs(recipe) if isinstance(recipe, ForecastRecipe) else []
    powers = {
        "pv.peak_kw": file.pv.peak_kw,
        "pv.ac_limit_kw": file.pv.ac_limit_kw,
        "inverter.surge_kw": file.inverter.surge_kw,
        **{f"peak_kw of roof {place}": peak for place, peak in enumerate(roofs, start=1)},
    }
    for key, value in powers.items():
        if value is not None and value > W_FOR_KW * equipment_kw:
            yield _asked(key, value, beside)
    for key, value in (
        ("connection.import_limit_kw", plant.import_limit_kw),
        ("connection.export_limit_kw", plant.export_limit_kw),
    ):
        if 10 * W_FOR_KW * equipment_kw < value < UNLIMITED_KW:
            yield _asked(key, value, beside)


def _asked(key: str, value: float, beside: str) -> str:
    return f"{key} is {value:,g} kW beside {beside}: if it is in W, write {value / 1000:g}."


def _roofs(recipe: ForecastRecipe) -> list[float]:
    return [roof.peak_kw for roof in recipe.pv.roofs] if isinstance(recipe.pv, PvRecipe) else []


def _modules(file: ScenarioFile, forecast: Forecast) -> Iterator[str]:
    stated, highest = file.pv.peak_kw, float(forecast.pv_kwh.max()) / forecast.grid.step_h
    if stated is not None and highest > ABOVE_PLATE * stated:
        yield (
            f"The PV reaches {number(highest, 2)} kW, more than the modules' pv.peak_kw of"
            f" {number(stated, 2)} kW: modules were added, it is the inverter's rating, or the series has"
            " another unit (kWh of a step under a head of kW, or the other way round)."
        )


def _roofs_facing_away(recipe: ForecastRecipe) -> Iterator[str]:
    """Yield roofs that face the nearer pole, as they seem to where south is called 0."""
    if not isinstance(recipe.pv, PvRecipe) or recipe.place is None:
        return
    is_north = recipe.place.latitude_deg >= 0
    for place, roof in enumerate(recipe.pv.roofs, start=1):
        from_north = min(roof.azimuth_deg, 360 - roof.azimuth_deg)
        away = from_north if is_north else 180 - from_north
        if away <= AWAY_DEG and roof.tilt_deg > FLAT_DEG:
            turned = (roof.azimuth_deg + 180) % 360
            yield (
                f"Roof {place} has azimuth {roof.azimuth_deg:g} and so faces"
                f" {'north' if is_north else 'south'}, away from the sun; azimuths run clockwise from"
                f" north, 180 is south. If yours are counted from south, west above zero, write {turned:g}."
            )


def _age(forecast: Forecast, today: date) -> Iterator[str]:
    first, last = forecast.grid.dates[0], forecast.grid.dates[-1]
    if today.year - last.year >= OLD_YEARS:
        yield (
            f"The forecast ended on {last}, {today.year - last.year} years ago: weekdays, holidays and prices"
            " are those of then. If it is what a meter counted, name it under forecast.load.meters and"
            " give forecast.first; else check the year."
        )
    elif first.year - today.year >= FAR_YEARS:
        yield f"The forecast begins on {first}, {first.year - today.year} years from now: check the year."
