"""PV behind a net meter: invented homes whose PV the test knows, and what must hold of every estimate.

Their sun is reckoned here from the textbook formulas for declination and incidence, not by the program's
library; clouds and loads are drawn.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from typer.testing import CliRunner

from optimizer.base.documents import Source
from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.cli.app import app
from optimizer.forecasting.build import Expected, expected_from
from optimizer.forecasting.recipe import ForecastRecipe
from optimizer.site.equipment import Inverter, Plant
from tests.builders import local_grid, simple_plant

ZONE = "Europe/Dublin"
PLACE = {"latitude_deg": 53.3, "longitude_deg": -6.3}
ROOF = {"peak_kw": 5.0, "tilt_deg": 35.0, "azimuth_deg": 180.0}
SOURCE = Source(Path("scenario.yaml"), {})
AC = simple_plant(10, 5, inverter=Inverter(ac_limit_kw=6, efficiency_pct=90))
DC = simple_plant(10, 5, coupling="dc", inverter=Inverter(ac_limit_kw=6, efficiency_pct=90))


def sunny_kw(grid: TimeGrid, luck: np.random.Generator) -> FloatArray:
    """Return the PV of the roof: height and incidence of the sun, and clouds that come and go, (T,). [kW]

    Declination by Cooper (1969), beam by air mass as 0.7^(m^0.678) by Meinel (1976), both from memory; a tenth of
    it as diffuse light.
    """
    middle = grid.utc + np.timedelta64(30 * grid.step_minutes, "s")
    declination = np.radians(23.45) * np.sin(
        2 * np.pi * (284 + np.asarray(middle.day_of_year)) / 365
    )
    sun_h = np.asarray(middle.hour + middle.minute / 60) + PLACE["longitude_deg"] / 15
    angle = np.radians(15 * (sun_h - 12))
    latitude, tilt = np.radians(PLACE["latitude_deg"]), np.radians(ROOF["tilt_deg"])

    def height(of: float) -> FloatArray:
        """Return the sine of the sun's height, or of its incidence on a plane that faces south."""
        return np.sin(of) * np.sin(declination) + np.cos(of) * np.cos(declination) * np.cos(angle)

    up = np.maximum(height(latitude), 0.0)
    normal = np.where(up > 0, 0.7 ** (np.maximum(up, 0.01) ** -0.678), 0.0)
    beam = normal * np.maximum(height(latitude - tilt), 0.0)
    clear = 1.35 * ROOF["peak_kw"] * 0.8 * (beam + 0.1 * normal)
    share = np.ones(grid.count)
    for step in range(1, grid.count):
        change = luck.random() < 0.15
        is_clear = luck.random() < 0.4
        share[step] = (1.0 if is_clear else luck.uniform(0.1, 0.9)) if change else share[step - 1]
    return np.asarray(clear * share)


def used_kw(grid: TimeGrid, luck: np.random.Generator) -> FloatArray:
    """Return the load of a home: a base, evenings, and now and then a kettle or an oven, (T,). [kW]"""
    evening = np.exp(-0.5 * ((grid.minute_of_day / 60 - 19) / 2) ** 2)
    often = luck.random(grid.count) < 0.12
    return (
        0.25
        + 0.1 * luck.random(grid.count)
        + 0.5 * evening
        + often * luck.exponential(1.0, grid.count)
    )


def home(
    folder: Path, first: str, days: int, plant: Plant = AC, seed: int = 1, minutes: int = 60
) -> Any:
    """Write the net meter of an invented home; return its grid, PV on its own side, and load. [kWh]"""
    luck = np.random.default_rng(seed)
    grid = local_grid(f"{first}T00:00", ZONE, days * 1440 // minutes, minutes)
    pv, load = (each(grid, luck) * grid.step_h for each in (sunny_kw, used_kw))
    net = load - plant.pv_to_ac_efficiency * pv
    write(folder, grid, np.maximum(net, 0.0), np.maximum(-net, 0.0))
    return grid, pv, load


def write(folder: Path, grid: TimeGrid, import_kwh: FloatArray, export_kwh: FloatArray) -> None:
    rows = [
        f"{stamp.isoformat()},{bought!r},{sold!r}"
        for stamp, bought, sold in zip(
            grid.local, import_kwh.tolist(), export_kwh.tolist(), strict=True
        )
    ]
    (folder / "meter.csv").write_text(
        "\n".join(["time,import_kwh,export_kwh", *rows]), encoding="utf-8"
    )


def estimated(folder: Path, plant: Plant = AC, **pv: Any) -> Expected:
    words = {"roofs": [ROOF], "behind_meters": True} | pv
    recipe = {"place": PLACE, "load": {"meters": ["meter.csv"]}, "pv": words}
    return expected_from(ForecastRecipe.model_validate(recipe), folder, ZONE, plant, SOURCE)


def test_a_year_comes_out_near_the_truth(tmp_path: Path) -> None:
    _, pv, load = home(tmp_path, "2025-01-01", 365)
    found = estimated(tmp_path).metered[0]
    assert found.pv_kwh.sum() == pytest.approx(pv.sum(), rel=0.06)
    assert found.load_kwh.sum() == pytest.approx(load.sum(), rel=0.12)
    assert np.abs(found.pv_kwh - pv).sum() < 0.2 * pv.sum()
    exported = np.maximum(pv - load, 0.0)
    assert np.abs(found.pv_kwh - pv).sum() < 0.7 * np.abs(exported - pv).sum()


@pytest.mark.parametrize("plant", [AC, DC], ids=["ac", "dc"])
@pytest.mark.parametrize("seed", [1, 2, 3])
def test_import_and_export_are_given_back(tmp_path: Path, plant: Plant, seed: int) -> None:
    home(tmp_path, "2025-03-20", 28, plant, seed, minutes=30)
    counted = np.loadtxt(tmp_path / "meter.csv", delimiter=",", skiprows=1, usecols=(1, 2))
    found = estimated(tmp_path, plant).metered[0]
    net = found.load_kwh - plant.pv_to_ac_efficiency * found.pv_kwh
    np.testing.assert_allclose(net, counted[:, 0] - counted[:, 1], rtol=0, atol=1e-12)
    assert (found.load_kwh >= 0).all()
    assert (found.load_kwh >= counted[:, 0] - 1e-12).all()


def test_both_directions_within_a_step_are_kept(tmp_path: Path) -> None:
    """Registers count import and export of the same hour: the load is no less than the one, PV than the other."""
    grid, _, _ = home(tmp_path, "2025-06-02", 14)
    counted = np.loadtxt(tmp_path / "meter.csv", delimiter=",", skiprows=1, usecols=(1, 2))
    both = counted + np.where(counted[:, 1:] > 0, 0.2, 0.0)
    write(tmp_path, grid, both[:, 0], both[:, 1])
    found = estimated(tmp_path).metered[0]
    assert (found.load_kwh >= both[:, 0] - 1e-12).all()
    assert (found.pv_kwh >= both[:, 1]).all()
    np.testing.assert_allclose(found.load_kwh - found.pv_kwh, both[:, 0] - both[:, 1], atol=1e-12)


def test_nights_are_as_metered(tmp_path: Path) -> None:
    grid, _, load = home(tmp_path, "2025-06-02", 14)
    found = estimated(tmp_path).metered[0]
    night = grid.minute_of_day < 3 * 60
    assert not found.pv_kwh[night].any()
    np.testing.assert_allclose(found.load_kwh[night], load[night], atol=1e-12)


def test_roofs_told_too_small_change_little(tmp_path: Path) -> None:
    home(tmp_path, "2025-04-01", 90)
    right = estimated(tmp_path).metered[0].pv_kwh.sum()
    small = estimated(tmp_path, roofs=[ROOF | {"peak_kw": 4.4}]).metered[0].pv_kwh.sum()
    assert small == pytest.approx(right, rel=0.05)


def test_a_yield_that_is_known_is_kept(tmp_path: Path) -> None:
    grid, pv, _ = home(tmp_path, "2025-04-07", 84)
    wanted = 1.05 * float(pv.sum())
    found = estimated(tmp_path, kwh_per_year=wanted * 365.25 / grid.days)
    assert found.metered[0].pv_kwh.sum() == pytest.approx(wanted, rel=1e-6)
    assert "is the yield given" in found.forecast.estimate
    with pytest.raises(SeriesError, match="kwh_per_year comes to 22,998"):
        estimated(tmp_path, kwh_per_year=100_000)


def test_where_nothing_is_exported_the_typical_sky_decides(tmp_path: Path) -> None:
    """Sums by a clearness of 0.3 and 0.6 go as 1 to 2: only the sky is left to tell."""
    grid, _, load = home(tmp_path, "2025-04-07", 84)
    write(tmp_path, grid, load + 5.0, np.zeros(grid.count))
    dark, bright = (estimated(tmp_path, clearness=each) for each in (0.3, 0.6))
    sums = [each.metered[0].pv_kwh.sum() for each in (dark, bright)]
    assert sums[1] / sums[0] == pytest.approx(2, rel=1e-3)
    assert "kwh_per_year" in dark.forecast.estimate


def test_more_export_than_the_roofs_can_give_is_refused(tmp_path: Path) -> None:
    home(tmp_path, "2025-06-02", 14)
    with pytest.raises(SeriesError, match="more than such roofs give") as failure:
        estimated(tmp_path, roofs=[ROOF | {"peak_kw": 2.0}])
    assert "peak_kw" in str(failure.value)


@pytest.mark.parametrize("column", ["pv_kwh", "charge_kwh"])
def test_what_cannot_or_need_not_be_estimated_is_refused(tmp_path: Path, column: str) -> None:
    home(tmp_path, "2025-06-02", 14)
    lines = (tmp_path / "meter.csv").read_text(encoding="utf-8").splitlines()
    told = [f"{lines[0]},{column}", *(f"{line},0" for line in lines[1:])]
    (tmp_path / "meter.csv").write_text("\n".join(told), encoding="utf-8")
    with pytest.raises(SeriesError, match=r"metered|battery"):
        estimated(tmp_path)


SCENARIO = """\
scenario: Tarn Hollow
zone: Europe/Dublin
tariff: two_rates
battery: {capacity_kwh: 8, charge_kw: 3, discharge_kw: 3}
inverter: {ac_limit_kw: 5}
pv: {coupling: ac}
forecast:
  last: 2025-07-06
  place: {latitude_deg: 53.3, longitude_deg: -6.3}
  load: {meters: [meter.csv]}
  pv: {behind_meters: true, roofs: [{peak_kw: 5, tilt_deg: 35, azimuth_deg: 180}]}
"""
SETTINGS = """\
settings: as it comes
floor_pct: 0
seasons: []
"""


def test_every_result_says_that_it_rests_on_an_estimate(tmp_path: Path) -> None:
    """Terminal, data, page, and a forecast that is written and read again."""
    home(tmp_path, "2025-06-02", 28)
    (tmp_path / "scenario.yaml").write_text(SCENARIO)
    (tmp_path / "settings.yaml").write_text(SETTINGS)
    out = tmp_path / "out"
    run = ["replay", str(tmp_path), "--settings", str(tmp_path / "settings.yaml")]
    told = CliRunner().invoke(app, [*run, "--out", str(out), "--json"])
    record = json.loads(told.stdout)
    assert record["estimate"].startswith("PV and load are estimated")
    assert record["estimate"] in record["notes"]
    assert any("not metered but estimated" in each for each in record["cautions"])
    page = next(out.glob("*.html")).read_text(encoding="utf-8")
    assert page.count("PV and load are estimated") >= 2
    made = tmp_path / "made"
    CliRunner().invoke(app, ["forecast", str(tmp_path), "--out", str(made)])
    again = SCENARIO[: SCENARIO.index("forecast:")] + "forecast: made/forecast.csv\n"
    (tmp_path / "scenario.yaml").write_text(again)
    told = CliRunner().invoke(app, [*run, "--json"])
    assert json.loads(told.stdout)["estimate"] == record["estimate"]
