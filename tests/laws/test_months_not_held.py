"""A season that is typed in but not in the forecast: nothing is made up about what it saves."""

from __future__ import annotations

import numpy as np

from optimizer.settings.reasons import Course, Prices, reasons_for
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from tests.laws.cases import AC_PLANT, grid_of, weather

JUNE = grid_of(48, 60, "2025-06-02")


def test_windows_of_months_that_the_forecast_lacks_are_called_kept() -> None:
    night = Window(start="01:00", end="05:00", action="charge", until_pct=80)
    seasons = [
        SeasonSet(months=months, day_sets=[DaySet(days="every day", windows=[night])])
        for months in ([6], [10, 11])
    ]
    settings = Settings(settings="in use", floor_pct=10, seasons=seasons)
    course = Course(AC_PLANT, JUNE, *weather(JUNE, 1), 1.0)
    prices = Prices(*np.full((3, JUNE.count), 0.3))
    held, lacking = reasons_for(
        settings, course, lambda run: {"energy": float(run.flows.import_kwh.sum())}, prices, "EUR"
    )
    assert "saves" in held.why
    assert lacking.why == "stays as it is typed in: the forecast holds no such day"
    assert "0.00" not in lacking.why
