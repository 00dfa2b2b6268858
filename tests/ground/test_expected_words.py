"""What is told of a forecast does not contradict what it is made of."""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from types import SimpleNamespace

import numpy as np

from optimizer.evaluation.fit_check import pv_findings
from optimizer.forecasting.build import _with_pv_of_roofs
from optimizer.forecasting.ensemble import Ensemble
from optimizer.forecasting.recipe import ForecastRecipe
from optimizer.metering.forecast import Forecast
from optimizer.report.forecast import outside_words
from tests.laws.cases import DC_PLANT, grid_of

ROOFS = [
    {"peak_kw": 4, "tilt_deg": 30, "azimuth_deg": 180},
    {"peak_kw": 2, "tilt_deg": 30, "azimuth_deg": 90},
]
PLACE = {"latitude_deg": 48.0, "longitude_deg": 11.0}
GRID = grid_of(48)


def recipe(pv: object) -> ForecastRecipe:
    load = {"profile": "H0", "kwh_per_year": 3500}
    return ForecastRecipe.model_validate(
        {"first": date(2027, 1, 1), "load": load, "pv": pv, "place": PLACE}
    )


def flat(load: float, pv: float = 1.0) -> Forecast:
    return Forecast(GRID, np.full(GRID.count, load), np.full(GRID.count, pv))


def test_the_pv_of_roofs_is_what_the_roofs_say_and_not_the_highest_step() -> None:
    file = SimpleNamespace(pv=SimpleNamespace(peak_kw=None), forecast=recipe({"roofs": ROOFS}))
    plant = replace(DC_PLANT, ac_limit_kw=3.0)
    ratio = next(pv_findings(SimpleNamespace(forecast=flat(1.0), plant=plant, file=file)))
    assert "2 (6 kW, by the roofs ÷ 3 kW)" in ratio.value


def test_a_meter_without_pv_is_not_told_to_be_planned_without_where_roofs_give_it() -> None:
    note = "meter.csv: no PV column; planned without PV."
    told = _with_pv_of_roofs(note, recipe({"roofs": ROOFS}))
    assert told == "meter.csv: no PV column; its PV is computed from the roofs."
    assert _with_pv_of_roofs(note, recipe("none")) == note


def test_a_forecast_outside_its_own_plausible_seasons_says_what_it_is() -> None:
    ensemble = Ensemble(tuple(flat(load) for load in np.linspace(1.0, 2.0, 21)), 1)
    (told,) = outside_words(flat(0.9), ensemble)
    assert "load, kWh below" in told
    assert "PV" not in told.split("reach in")[1].split("highest load less")[0]
    assert outside_words(flat(1.5), ensemble) == []
