"""The page of a forecast: mean days by hand, and the figures that the terminal tells."""

from __future__ import annotations

import re
from pathlib import Path

from optimizer.report.forecast import figure_rows
from optimizer.report.forecast_page import forecast_page, mean_days, write_forecast
from optimizer.scenario.brief import read_brief
from optimizer.workflows.forecast import forecast
from tests.report.test_nothing_there import scenario_in


def test_the_mean_day_of_a_level_load_and_a_sine_of_sun(tmp_path: Path) -> None:
    """Ten days of January: 0.5 kW always is 12 kWh a day; the sun reaches 2 kW at noon.

    Σ sin(k π/12) for k = 1 … 11 is cot(π/24) = 7.596, so that PV gives 15.19 kWh a day.
    """
    result = forecast(read_brief(scenario_in(tmp_path, load=0.5, pv=2.0, capacity_kwh=10.0)), 3)
    (figure,) = mean_days(result)
    spoken = re.search(r'aria-label="([^"]+)"', figure)
    assert spoken is not None
    assert spoken[1] == (
        "Mean day, January: load 12 kWh, at most 0.5 kW; PV 15.2 kWh, at most 2 kW."
    )
    page = forecast_page(result)
    for name, cells in figure_rows(result):
        assert name in page
        assert all(f">{cell}</td>" in page for cell in cells)
    out = tmp_path / "out"
    names = [path.name for path in write_forecast(result, out)]
    assert names == ["forecast.csv", "members", "forecast.json", "forecast.html"]
    assert (out / "forecast.html").read_text(encoding="utf-8") == page
