"""Forecasts made from what people have: meters, net meters, profiles, roofs, and what comes on top."""

from __future__ import annotations

from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
import pvlib
import pytest
from pydantic import ValidationError

from optimizer.base.calendar import Holidays
from optimizer.base.documents import Source
from optimizer.base.errors import ScenarioError, SeriesError
from optimizer.base.timegrid import TimeGrid
from optimizer.forecasting.additions import layer_of, place_in_plain_year
from optimizer.forecasting.build import (
    Expected,
    expected_from,
    grid_of_days,
    number_of_weeks,
    years_of,
)
from optimizer.forecasting.ensemble import ensemble_of, monthly_net_peaks_kw
from optimizer.forecasting.profiles import profile_kwh
from optimizer.forecasting.recipe import Car, ForecastRecipe, HeatPump, LoadRecipe, OtherUse
from optimizer.forecasting.sun import read_typical_year
from optimizer.forecasting.weeks import Weather
from optimizer.metering.forecast import Forecast
from optimizer.site.equipment import Inverter
from tests.builders import local_grid, simple_plant

PLANT = simple_plant(10, 5, inverter=Inverter(ac_limit_kw=5, efficiency_pct=100))
SOURCE = Source(Path("scenario.yaml"), {})
DUBLIN, SYDNEY, KIRITIMATI = "Europe/Dublin", "Australia/Sydney", "Pacific/Kiritimati"
NONE = Holidays()
GREENSBORO = Path(pvlib.__file__).parent / "data" / "723170TYA.CSV"


def write(path: Path, grid: TimeGrid, **columns: Any) -> str:
    """Write a CSV of a grid and return its name."""
    names = list(columns)
    values = [np.broadcast_to(columns[name], grid.count) for name in names]
    rows = [
        ",".join([stamp.isoformat(), *(f"{column[n]:.6f}" for column in values)])
        for n, stamp in enumerate(grid.local)
    ]
    path.write_text("\n".join([",".join(["time", *names]), *rows]), encoding="utf-8")
    return path.name


def made(folder: Path, zone: str = DUBLIN, **words: Any) -> Expected:
    recipe = ForecastRecipe.model_validate(words)
    return expected_from(recipe, folder, zone, PLANT, SOURCE)


def coded_year(zone: str, first: str, days: int, minutes: int = 60) -> tuple[TimeGrid, np.ndarray]:
    """Return a grid, and for each step a load that tells weekday and hour: 1.07 is Tuesday, 7:00."""
    grid = local_grid(f"{first}T00:00", zone, days * 24 * 60 // minutes, minutes)
    hour = grid.minute_of_day / 60
    return grid, (grid.weekday + hour / 100) * grid.step_h


# --- the span of the forecast ----------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "first", "last", "hours"),
    [
        (DUBLIN, "2026-07-01", "2027-06-30", 8760),  # a year that starts in July
        (DUBLIN, "2027-03-28", "2027-03-28", 23),  # clocks go forward
        (DUBLIN, "2027-10-31", "2027-10-31", 25),  # and back
        (DUBLIN, "2028-01-01", "2028-12-31", 8784),  # a leap year
        (SYDNEY, "2027-04-04", "2027-04-04", 25),  # in the south clocks go back in April
        (KIRITIMATI, "2027-01-01", "2027-12-31", 8760),  # 14 hours east of UTC
        ("Pacific/Apia", "2027-01-01", "2027-01-02", 48),
    ],
)
def test_a_forecast_covers_whole_local_days(zone: str, first: str, last: str, hours: int) -> None:
    grid = grid_of_days(date.fromisoformat(first), date.fromisoformat(last), 60, zone)
    assert grid.count == hours
    assert (grid.dates[0], grid.dates[-1]) == (date.fromisoformat(first), date.fromisoformat(last))
    assert grid.minute_of_day[0] == 0


@pytest.mark.parametrize("zone", [DUBLIN, SYDNEY, KIRITIMATI])
def test_the_year_after_the_meter_has_each_hour_on_its_weekday(tmp_path: Path, zone: str) -> None:
    """A load that tells weekday and hour is forecast as it would be metered, but for clock changes."""
    grid, load = coded_year(zone, "2025-07-01", 366)
    name = write(tmp_path / "meter.csv", grid, load_kwh=load)
    expected = made(tmp_path, zone, load={"meters": [name]})
    coming = expected.forecast.grid
    assert (coming.dates[0], coming.dates[-1]) == (date(2026, 7, 2), date(2027, 7, 1))
    truth = coming.weekday + coming.minute_of_day / 60 / 100
    wrong = np.flatnonzero(np.abs(expected.forecast.load_kwh - truth) > 1e-6)
    assert len(wrong) <= 2  # the hour that a clock change left out of the metered week


def test_a_forecast_from_29_february_ends_on_the_last_of_february(tmp_path: Path) -> None:
    grid, load = coded_year(DUBLIN, "2027-03-01", 365)
    name = write(tmp_path / "meter.csv", grid, load_kwh=load)
    coming = made(tmp_path, load={"meters": [name]}).forecast.grid
    assert (coming.dates[0], coming.dates[-1]) == (date(2028, 2, 29), date(2029, 2, 28))


def test_a_week_or_a_day_is_forecast_in_the_same_way(tmp_path: Path) -> None:
    grid, load = coded_year(DUBLIN, "2026-01-05", 28)
    name = write(tmp_path / "meter.csv", grid, load_kwh=load)
    tomorrow = made(tmp_path, load={"meters": [name]}, last=date(2026, 2, 2)).forecast
    assert tomorrow.grid.count == 24
    assert tomorrow.load_kwh == pytest.approx(tomorrow.grid.minute_of_day / 6000)  # a Monday


def test_finer_meters_are_added_up_to_the_steps_wanted(tmp_path: Path) -> None:
    grid, _ = coded_year(DUBLIN, "2026-01-05", 21, 15)
    name = write(tmp_path / "meter.csv", grid, load_kwh=0.25)
    hours = made(tmp_path, load={"meters": [name]}, step_minutes=60, last=date(2026, 2, 1))
    assert hours.forecast.grid.step_minutes == 60
    assert hours.forecast.load_kwh == pytest.approx(1.0)
    with pytest.raises(ScenarioError, match="steps of 15 min"):
        made(tmp_path, load={"meters": [name]}, step_minutes=5)


# --- meters ----------------------------------------------------------------------------------


def test_a_net_meter_with_known_pv_tells_the_load(tmp_path: Path) -> None:
    """By hand: 1.5 imported + 2 of PV − 0.5 exported = 3 kWh of load."""
    grid, _ = coded_year(DUBLIN, "2026-01-05", 14)
    name = write(tmp_path / "net.csv", grid, import_kwh=1.5, export_kwh=0.5, pv_kwh=2.0)
    expected = made(tmp_path, load={"meters": [name]}, last=date(2026, 1, 25))
    assert expected.forecast.load_kwh == pytest.approx(3.0)
    assert expected.forecast.pv_kwh == pytest.approx(2.0)


def test_a_battery_behind_the_meter_is_taken_out(tmp_path: Path) -> None:
    """1 imported + 2 of PV + 0.7 discharged − 0.2 exported − 0.5 charged = 3 kWh."""
    grid, _ = coded_year(DUBLIN, "2026-01-05", 14)
    name = write(
        tmp_path / "net.csv", grid, import_kw=1.0, export_kwh=0.2, pv_kwh=2.0, charge_kwh=0.5,
        discharge_kwh=0.7,
    )  # fmt: skip
    expected = made(tmp_path, load={"meters": [name]}, last=date(2026, 1, 25))
    assert expected.forecast.load_kwh == pytest.approx(3.0)


def test_pv_may_lie_in_a_file_of_its_own(tmp_path: Path) -> None:
    grid, _ = coded_year(DUBLIN, "2026-01-05", 14)
    longer, _ = coded_year(DUBLIN, "2026-01-03", 20)
    name = write(tmp_path / "net.csv", grid, import_kwh=1.0, export_kwh=0.5)
    pv = write(tmp_path / "pv.csv", longer, pv_kwh=longer.minute_of_day / 1000)
    expected = made(tmp_path, load={"meters": [name], "pv_meters": [pv]}, last=date(2026, 1, 25))
    coming = expected.forecast.grid.minute_of_day / 1000
    assert expected.forecast.pv_kwh == pytest.approx(coming)
    assert expected.forecast.load_kwh == pytest.approx(np.maximum(0.5 + coming, 0))


def test_what_passes_the_inverter_is_taken_after_its_efficiency(tmp_path: Path) -> None:
    """DC-coupled, 90 % each way: 1 imported − 0.2 exported + 0.9 · (2 + 1 − 0.5) = 3.05 kWh of load.

    At night 2 kWh charge from the grid: 5 imported − 2 ÷ 0.9 = 2.78 kWh.
    """
    inverter = Inverter(ac_limit_kw=5, efficiency_pct=90)
    plant = simple_plant(10, 5, coupling="dc", inverter=inverter)
    grid, _ = coded_year(DUBLIN, "2026-01-05", 14)
    day = grid.minute_of_day >= 720
    name = write(
        tmp_path / "net.csv", grid, import_kwh=np.where(day, 1.0, 5.0),
        export_kwh=np.where(day, 0.2, 0.0), pv_kwh=np.where(day, 2.0, 0.0),
        discharge_kwh=np.where(day, 1.0, 0.0), charge_kwh=np.where(day, 0.5, 2.0),
    )  # fmt: skip
    recipe = ForecastRecipe(load=LoadRecipe(meters=[name]), last=date(2026, 1, 25))
    load = expected_from(recipe, tmp_path, DUBLIN, plant, SOURCE).forecast
    coming = load.grid.minute_of_day >= 720
    assert load.load_kwh[coming] == pytest.approx(3.05)
    assert load.load_kwh[~coming] == pytest.approx(5 - 2 / 0.9)


def test_meters_that_hold_a_time_twice_are_refused(tmp_path: Path) -> None:
    one, other = (
        write(tmp_path / f"{day}.csv", coded_year(DUBLIN, f"2026-01-{day}", 14)[0], load_kwh=1.0)
        for day in ("05", "12")
    )
    with pytest.raises(ScenarioError, match="two of the meters hold the time from 2026-01-12"):
        made(tmp_path, load={"meters": [one, other]})


def test_meters_without_the_pv_that_others_have_are_refused(tmp_path: Path) -> None:
    old, new = coded_year(DUBLIN, "2026-01-05", 14)[0], coded_year(DUBLIN, "2026-01-19", 14)[0]
    names = [
        write(tmp_path / "old.csv", old, load_kwh=1.0),
        write(tmp_path / "new.csv", new, load_kwh=1.0, pv_kwh=0.5),
    ]
    with pytest.raises(ScenarioError, match=r"old\.csv holds no PV"):
        made(tmp_path, load={"meters": names})


def test_few_weeks_for_a_year_are_told(tmp_path: Path) -> None:
    grid, load = coded_year(DUBLIN, "2026-01-05", 7)
    name = write(tmp_path / "meter.csv", grid, load_kwh=load)
    about = made(tmp_path, load={"meters": [name]}).about
    assert any("1 whole week metered" in note for note in about)
    assert any("the spread says little" in note for note in about)


def test_the_sun_at_midnight_is_refused(tmp_path: Path) -> None:
    place = {"latitude_deg": 40.7, "longitude_deg": 74}
    with pytest.raises(ScenarioError, match="the sun would be highest at about 03:00"):
        made(
            tmp_path,
            "America/New_York",
            first=date(2027, 1, 1),
            load=FROM_BILL,
            place=place,
            pv=ROOF,
        )


def test_a_quote_for_another_roof_is_told(tmp_path: Path) -> None:
    expected = made(
        tmp_path, "America/New_York", first=date(2027, 1, 1), load=FROM_BILL, place=GREEN,
        pv=ROOF | {"kwh_per_month": [400.0] * 5 + [8000.0] + [400.0] * 6},
    )  # fmt: skip
    assert any("times what such roofs give" in note for note in expected.about)


@pytest.mark.parametrize(
    ("columns", "words"),
    [
        ({"import_kwh": 1.0, "export_kwh": 0.5}, "PV behind the meter is not known"),
        ({"import_kwh": 0.1, "export_kwh": 1.5, "pv_kwh": 0.6}, "kWh below zero"),
    ],
)
def test_a_net_meter_that_hides_the_load_is_refused(
    tmp_path: Path, columns: dict[str, float], words: str
) -> None:
    grid, _ = coded_year(DUBLIN, "2026-01-05", 14)
    name = write(tmp_path / "net.csv", grid, **columns)
    with pytest.raises(SeriesError, match=words):
        made(tmp_path, load={"meters": [name]})


def test_a_little_export_is_no_wrong_unit_and_columns_not_used_are_told(tmp_path: Path) -> None:
    """A watt-hour of export an hour is what a meter counts of an inverter that regulates."""
    grid, _ = coded_year(DUBLIN, "2026-01-05", 14)
    net = write(tmp_path / "net.csv", grid, import_kwh=1.5, export_kwh=0.001, pv_kwh=2.0)
    last = date(2026, 1, 25)
    expected = made(tmp_path, load={"meters": [net]}, last=last)
    assert expected.forecast.load_kwh == pytest.approx(3.499)
    both = write(tmp_path / "both.csv", grid, load_kwh=1.0, import_kwh=1.5, pv_kwh=2.0)
    expected = made(tmp_path, load={"meters": [both]}, last=last)
    assert expected.forecast.load_kwh == pytest.approx(1.0)
    assert any("columns not used: import_kwh" in note for note in expected.about)


def test_meters_in_different_steps_are_brought_to_the_longest(tmp_path: Path) -> None:
    fine, coarse = (
        write(tmp_path / f"{minutes}.csv", coded_year(DUBLIN, first, 35, minutes)[0], load_kwh=kwh)
        for first, minutes, kwh in (("2026-01-05", 15, 0.25), ("2026-02-09", 60, 1.0))
    )
    expected = made(tmp_path, load={"meters": [fine, coarse]})
    assert expected.forecast.grid.step_minutes == 60
    assert expected.forecast.load_kwh == pytest.approx(1.0)


def test_what_was_computed_cannot_be_kept_back(tmp_path: Path) -> None:
    expected = made(
        tmp_path, "America/New_York", first=date(2027, 1, 1), load=FROM_BILL, place=GREEN, pv=ROOF
    )
    assert not Weather(expected.forecast, expected.material).has_folds


def test_recent_years_weigh_more_and_the_nearest_is_taken_first(tmp_path: Path) -> None:
    old, new = (local_grid(f"{year}-01-01T00:00", DUBLIN, 8760) for year in (2023, 2025))
    names = [write(tmp_path / f"{n}.csv", g, load_kwh=n) for n, g in ((1.0, old), (3.0, new))]
    expected = made(tmp_path, load={"meters": names, "half_life_years": 2})
    assert expected.forecast.load_kwh == pytest.approx(3.0)
    newest, oldest = expected.material.weights[0], expected.material.weights[-1]
    # One and three stretches of 52 weeks: each two years earlier weighs half.
    assert newest == pytest.approx(1.0, abs=0.01)
    assert oldest == pytest.approx(0.5, rel=0.02)


def test_the_trend_is_measured_from_weeks_of_two_years(tmp_path: Path) -> None:
    """The load grows by 0.03 every 364 days, so 1.03 ** (365.25 / 364) a year."""
    grid = local_grid("2024-01-01T00:00", DUBLIN, 24 * 728)
    load = np.where(grid.day < 364, 1.0, 1.03)
    name = write(tmp_path / "two_years.csv", grid, load_kwh=load)
    expected = made(tmp_path, load={"meters": [name], "trend_pct_per_year": "measured"})
    yearly = 1.03 ** (365.25 / 364)
    # The last stretch was metered about a year before the forecast: its middle to the middle.
    newest = expected.material.sources[0]
    middle = expected.forecast.grid.utc[expected.forecast.grid.count // 2]
    years = (middle - newest.grid.utc[newest.grid.count // 2]).days / 365.25
    assert newest.load_kwh == pytest.approx(1.03 * yearly**years, rel=1e-3)
    assert expected.forecast.load_kwh.mean() == pytest.approx(1.03 * yearly, rel=5e-3)
    short = write(tmp_path / "year.csv", local_grid("2025-01-01T00:00", DUBLIN, 8760), load_kwh=1.0)
    with pytest.raises(ScenarioError, match="trend"):
        made(tmp_path, load={"meters": [short], "trend_pct_per_year": "measured"})


def test_two_years_are_cut_into_stretches_of_52_weeks() -> None:
    grid = local_grid("2024-01-01T00:00", DUBLIN, 24 * 731)  # Monday to Wednesday, 31 December
    series = Forecast(grid, np.ones(grid.count), np.zeros(grid.count))
    latest, earlier, *rest = years_of(series)
    assert latest.grid.dates[0] == date(2025, 1, 6) - (date(2025, 1, 6) - date(2024, 12, 30))
    assert latest.grid.dates[-1] == date(2025, 12, 31)
    assert number_of_weeks(latest) == 52
    assert earlier.grid.dates[-1] < latest.grid.dates[0]
    assert sum(s.grid.count for s in (latest, earlier, *rest)) == grid.count


def test_a_meter_of_less_than_a_week_is_refused(tmp_path: Path) -> None:
    grid, load = coded_year(DUBLIN, "2026-01-06", 6)
    name = write(tmp_path / "meter.csv", grid, load_kwh=load)
    with pytest.raises(SeriesError, match="no whole week"):
        made(tmp_path, load={"meters": [name]})


# --- without meters --------------------------------------------------------------------------


ROOF = {"roofs": [{"peak_kw": 4, "tilt_deg": 30, "azimuth_deg": 180}]}
GREEN = {"latitude_deg": 36.1, "longitude_deg": -79.95, "altitude_m": 273}
FROM_BILL = {"profile": "H0", "kwh_per_year": 3000}


def test_a_profile_comes_to_the_kwh_of_the_bill(tmp_path: Path) -> None:
    """997.45 of 1,000 kWh in 2023 without holidays, as published."""
    expected = made(
        tmp_path, "Etc/GMT-1", first=date(2023, 1, 1), last=date(2023, 12, 31), step_minutes=15,
        load=FROM_BILL,
    )  # fmt: skip
    assert expected.forecast.load_kwh.sum() == pytest.approx(3 * 997.45, abs=0.02)
    assert any("sharper peaks" in note for note in expected.about)


def test_south_of_the_equator_the_profile_has_its_winter_in_july() -> None:
    grid = local_grid("2026-01-01T00:00", SYDNEY, 8760)
    south = profile_kwh("H0", 3000, grid, NONE, southern=True)
    north = profile_kwh("H0", 3000, grid, NONE, southern=False)
    for kwh, colder in ((south, 7), (north, 1)):
        warmer = 8 - colder
        assert kwh[grid.month == colder].sum() > 1.25 * kwh[grid.month == warmer].sum()


def test_yields_printed_on_a_quote_set_the_months(tmp_path: Path) -> None:
    wanted = [150.0, 200, 330, 400, 470, 480, 490, 440, 340, 270, 170, 130]
    expected = made(
        tmp_path, "America/New_York", first=date(2027, 1, 1), load=FROM_BILL, place=GREEN,
        pv=ROOF | {"kwh_per_month": wanted},
    )  # fmt: skip
    grids = [source.grid for source in expected.material.sources]
    months = np.mean([
        np.bincount(grid.month, weights=source.pv_kwh, minlength=13)[1:]
        for grid, source in zip(grids, expected.material.sources, strict=True)
    ], axis=0)  # fmt: skip
    # Sources run from Monday, 28 December, to Sunday, 2 January: January and December are longer.
    assert months[1:11] == pytest.approx(wanted[1:11], rel=0.01)


def test_a_southern_roof_looks_north_and_yields_most_in_december(tmp_path: Path) -> None:
    place = {"latitude_deg": -33.9, "longitude_deg": 151.2}
    yields = {}
    for azimuth in (0, 180):
        roof = {"roofs": [{"peak_kw": 4, "tilt_deg": 25, "azimuth_deg": azimuth}]}
        expected = made(
            tmp_path, SYDNEY, first=date(2027, 1, 1), load=FROM_BILL, place=place, pv=roof
        )
        grid, pv = expected.forecast.grid, expected.forecast.pv_kwh
        yields[azimuth] = pv.sum()
        by_month = np.bincount(grid.month, weights=pv)[1:]
        assert by_month[[11, 0]].min() > 1.3 * by_month[[5, 6]].max()
        noon = pv.reshape(-1)[(grid.minute_of_day >= 660) & (grid.minute_of_day < 840)].sum()
        assert noon > 0.3 * pv.sum()
        assert pv[grid.minute_of_day < 240].sum() == pytest.approx(0, abs=1e-6)
    assert yields[0] > 1.15 * yields[180]


def test_the_sun_is_highest_at_noon_14_hours_east_of_utc(tmp_path: Path) -> None:
    place = {"latitude_deg": 1.87, "longitude_deg": -157.4}
    expected = made(
        tmp_path, KIRITIMATI, first=date(2027, 3, 1), last=date(2027, 3, 28), load=FROM_BILL,
        place=place, pv=ROOF,
    )  # fmt: skip
    grid = expected.forecast.grid
    mean = np.bincount(grid.minute_of_day // 60, weights=expected.forecast.pv_kwh)
    assert mean.argmax() in (11, 12)


def test_a_weather_file_gives_pv_and_its_days_are_mixed(tmp_path: Path) -> None:
    (tmp_path / "greensboro.csv").write_bytes(GREENSBORO.read_bytes())
    expected = made(
        tmp_path, "America/New_York", first=date(2028, 1, 1), last=date(2028, 12, 31),
        load=FROM_BILL, place=GREEN, pv=ROOF | {"weather_file": "greensboro.csv"},
    )  # fmt: skip
    leap_day = np.flatnonzero(expected.forecast.grid.day == 59)
    assert len(leap_day) == 24
    totals = [source.pv_kwh.sum() for source in expected.material.sources]
    assert len(set(totals)) == len(totals)
    assert np.ptp(totals) < 0.1 * np.mean(totals)


EPW_HEAD = """\
LOCATION,Invented Town,XX,XXX,made up,000000,36.1,-79.95,-5.0,273.0
DESIGN CONDITIONS,0
TYPICAL/EXTREME PERIODS,0
GROUND TEMPERATURES,0
HOLIDAYS/DAYLIGHT SAVINGS,No,0,0,0
COMMENTS 1,invented
COMMENTS 2,
DATA PERIODS,1,1,Data,Sunday, 1/ 1,12/31
"""


def test_an_epw_file_is_read_hour_by_hour(tmp_path: Path) -> None:
    """Fields in the order of the format: 6 dry bulb, 13 GHI, 14 DNI, 15 DHI, 21 wind speed."""
    grid = local_grid("2023-01-01T00:00", "Etc/GMT+5", 8760)
    rows = []
    for stamp in grid.local:
        fields = ["0"] * 35
        fields[:6] = [str(stamp.year), str(stamp.month), str(stamp.day), str(stamp.hour + 1), "60",
                      "?"]  # fmt: skip
        fields[6], fields[21] = "12.5", "2.0"
        fields[13:16] = ["500", "300", "200"] if 8 <= stamp.hour < 16 else ["0", "0", "0"]
        rows.append(",".join(fields))
    path = tmp_path / "town.epw"
    path.write_text(EPW_HEAD + "\n".join(rows), encoding="utf-8")
    typical = read_typical_year(path)
    assert typical.ghi.sum() == 500 * 8 * 365
    assert typical.ghi[8] == 500
    assert typical.ghi[7] == 0
    assert set(typical.air_c) == {12.5}
    assert typical.offset_h == -5


@pytest.mark.parametrize(
    ("name", "text", "words"),
    [
        ("weather.txt", "x", "a weather file ends in"),
        ("weather.epw", "nothing of use", "no weather file that can be read"),
        ("missing.epw", None, "no such file"),
    ],
)
def test_a_weather_file_that_is_none_is_told(
    tmp_path: Path, name: str, text: str | None, words: str
) -> None:
    if text is not None:
        (tmp_path / name).write_text(text, encoding="utf-8")
    with pytest.raises(SeriesError, match=words):
        read_typical_year(tmp_path / name)


# --- what comes on top -----------------------------------------------------------------------


WEEK = local_grid("2027-03-01T00:00", DUBLIN, 24 * 7)


def test_a_car_charges_from_the_first_of_its_hours_until_it_is_full() -> None:
    """9 kWh at 4 kW from 22:00: 4, 4 and 1 kWh, on Friday night over midnight."""
    car = Car(kind="car", kwh_per_day=9, hours="22:00-06:00", power_kw=4, days=["friday"])
    layer = layer_of(car, WEEK, NONE, None, southern=False)
    used = {(int(WEEK.weekday[n]), int(WEEK.minute_of_day[n] // 60)): float(layer.load_kwh[n])
            for n in np.flatnonzero(layer.load_kwh)}  # fmt: skip
    assert used == {(4, 22): 4.0, (4, 23): 4.0, (5, 0): 1.0}
    assert layer.added_kwh == pytest.approx(9.0)


@pytest.mark.parametrize(
    ("hours", "power", "expected"),
    [
        ("12:10-12:50", None, {12: 3.0}),  # within a step
        ("18:30-20:00", None, {18: 1.0, 19: 2.0}),  # 3 kWh over an hour and a half
        ("18:30-21:00", 2.0, {18: 1.0, 19: 2.0}),  # at 2 kW: one half-hour and one hour
        ("23:30-00:30", None, {23: 1.5, 0: 1.5}),
    ],
)
def test_hours_that_cut_steps_take_their_share(
    hours: str, power: float | None, expected: dict[int, float]
) -> None:
    use = OtherUse(kind="other_use", kwh_per_day=3, hours=hours, power_kw=power, days=["tuesday"])
    load = layer_of(use, WEEK, NONE, None, southern=False).load_kwh
    found = {int(WEEK.minute_of_day[n] // 60): float(load[n]) for n in np.flatnonzero(load)}
    assert found == pytest.approx(expected)


def test_another_use_without_a_power_is_spread_over_its_hours() -> None:
    use = OtherUse(kind="other_use", name="workshop", kwh_per_day=6, hours="08:00-11:00",
                   days=["weekdays"], first=date(2027, 3, 3))  # fmt: skip
    layer = layer_of(use, WEEK, NONE, None, southern=False)
    assert layer.name == "workshop"
    assert layer.added_kwh == pytest.approx(3 * 6)  # Wednesday to Friday
    assert set(np.round(layer.load_kwh, 9)) == {0.0, 2.0}


@pytest.mark.parametrize("southern", [False, True])
def test_a_heat_pump_uses_its_kwh_in_a_year_and_most_in_winter(southern: bool) -> None:
    grid = grid_of_days(date(2027, 1, 1), date(2027, 12, 31), 60, SYDNEY if southern else DUBLIN)
    pump = HeatPump(kind="heat_pump", kwh_per_year=3650, hot_water_pct=20)
    layer = layer_of(pump, grid, NONE, None, southern=southern)
    assert layer.added_kwh == pytest.approx(3650, rel=2e-3)
    months = np.bincount(grid.month, weights=layer.load_kwh)[1:]
    winter, summer = (months[6], months[0]) if southern else (months[0], months[6])
    assert summer == pytest.approx(0.2 * 3650 / 365.25 * 31, rel=1e-3)  # hot water alone
    assert winter > 4 * summer


def test_a_heat_pump_follows_the_temperatures_of_a_weather_file() -> None:
    """Half a year at 5 °C and half at 25 °C: all heating falls into the cold half, evenly."""
    cold = np.where(np.arange(365) < 182, 5.0, 25.0)
    grid = grid_of_days(date(2027, 1, 1), date(2027, 12, 31), 60, DUBLIN)
    pump = HeatPump(kind="heat_pump", kwh_per_year=1820, hot_water_pct=0)
    daily = np.bincount(grid.day, weights=layer_of(pump, grid, NONE, cold, southern=False).load_kwh)
    assert daily[:182] == pytest.approx(1820 / 182, rel=2e-3)
    assert daily[182:] == pytest.approx(0)


def test_more_pv_multiplies_the_pv_from_its_first_day(tmp_path: Path) -> None:
    grid, load = coded_year(DUBLIN, "2026-01-05", 14)
    name = write(tmp_path / "meter.csv", grid, load_kwh=load, pv_kwh=1.0)
    expected = made(
        tmp_path, load={"meters": [name]}, last=date(2026, 1, 25),
        added=[{"kind": "more_pv", "times": 2.5, "first": date(2026, 1, 22)}],
    )  # fmt: skip
    of_day = expected.forecast.pv_kwh.reshape(-1, 24).mean(axis=1)
    assert of_day == pytest.approx([1, 1, 1, 2.5, 2.5, 2.5, 2.5])


def test_what_is_added_is_in_every_plausible_season(tmp_path: Path) -> None:
    grid, load = coded_year(DUBLIN, "2026-01-05", 70)
    name = write(tmp_path / "meter.csv", grid, load_kwh=load, pv_kwh=1.0)
    words: dict[str, Any] = {"load": {"meters": [name]}, "last": date(2026, 5, 31)}
    plain = made(tmp_path, **words)
    car = {"kind": "car", "kwh_per_day": 5, "hours": "01:00-06:00"}
    more = made(tmp_path, **words, added=[car])
    for before, after in zip(
        ensemble_of(Weather(plain.forecast, plain.material), 3, seed=7).members,
        ensemble_of(Weather(more.forecast, more.material), 3, seed=7).members,
        strict=True,
    ):
        assert after.load_kwh - before.load_kwh == pytest.approx(more.layers[0].load_kwh)


def test_29_february_goes_like_the_28th() -> None:
    days = [date(2028, 1, 1), date(2028, 2, 28), date(2028, 2, 29), date(2028, 3, 1),
            date(2028, 12, 31)]  # fmt: skip
    assert place_in_plain_year(days).tolist() == [0, 58, 58, 59, 364]


# --- the set ---------------------------------------------------------------------------------


def test_a_seed_draws_the_same_set_and_members_pair_load_and_pv(tmp_path: Path) -> None:
    grid, _ = coded_year(DUBLIN, "2025-01-01", 365)
    day = np.array([d.toordinal() for d in grid.dates], dtype=float)[grid.day]
    code = day - day.min() + 1
    name = write(tmp_path / "meter.csv", grid, load_kwh=code / 100, pv_kwh=code / 1000)
    expected = made(tmp_path, load={"meters": [name]})
    weather = Weather(expected.forecast, expected.material)
    one, same, other = (ensemble_of(weather, 4, seed) for seed in (1, 1, 2))
    for member, again in zip(one.members, same.members, strict=True):
        assert (member.load_kwh == again.load_kwh).all()
        assert member.load_kwh == pytest.approx(10 * member.pv_kwh)
    assert any(
        (a.load_kwh != b.load_kwh).any() for a, b in zip(one.members, other.members, strict=True)
    )
    spread = one.spread(lambda member: float(member.load_kwh.sum()))
    assert spread.p10 < spread.p50 < spread.p90


def test_monthly_peaks_are_of_load_less_pv() -> None:
    grid = local_grid("2026-01-30T00:00", DUBLIN, 4 * 24, 60)
    load, pv = np.ones(grid.count), np.zeros(grid.count)
    load[5], pv[5] = 9.0, 3.0
    load[50] = 4.0
    assert monthly_net_peaks_kw(Forecast(grid, load, pv)) == pytest.approx([6.0, 4.0])


def test_mistakes_in_a_recipe_are_told_by_the_key() -> None:
    for words, told in (
        ({"load": {}}, "has neither meters and a profile"),
        ({"load": {"profile": "H0"}}, "kwh_per_year belong together"),
        ({"load": FROM_BILL}, "the key 'first' is missing"),
        ({"load": FROM_BILL, "first": date(2027, 1, 1), "pv": ROOF}, "without a place"),
        ({"load": FROM_BILL, "first": date(2027, 1, 1), "pv": "metered"}, "there are no meters"),
        ({"load": {"meters": ["a"]}, "added": [
            {"kind": "car", "kwh_per_day": 30, "hours": "22:00-24:00", "power_kw": 7}]},
         "do not fit into 2 hours"),
    ):  # fmt: skip
        with pytest.raises(ValidationError, match=told) as failure:
            ForecastRecipe.model_validate(words)
        assert failure.value.errors()[0]["ctx"]["error"].mend
