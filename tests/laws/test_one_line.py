"""One line a season under one cap: tried outright, smoothed over caps, chosen on weeks kept back."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from optimizer.cost.expression import linear_cost
from optimizer.cost.prices import Prices
from optimizer.forecasting.weeks import Year
from optimizer.scenario.horizon import Horizon
from optimizer.search import choose as choosing
from optimizer.search.drafts import Draft
from optimizer.search.fit import years_for
from optimizer.search.one_line import (
    CAP_FACTORS,
    NEAR_CAPS,
    best_line,
    lines,
    own_seasons,
    smoothed,
)
from optimizer.search.score import InUse, Season, Task
from optimizer.settings.controls import Controls
from optimizer.settings.windows import no_windows
from tests.builders import run_through
from tests.laws.cases import AC_PLANT, DEMAND, FLAT, cost_of, grid_of
from tests.laws.sites import TEN_WEEKS, season_of, site, task_of, weather_of

CONTROLS = Controls(import_cap=True, windows_per_day=2, minutes=60)


def season_on(tariff: str) -> Season:
    plan, _ = site(AC_PLANT, TEN_WEEKS, tariff)
    return season_of(task_of(AC_PLANT, TEN_WEEKS, tariff, CONTROLS), plan)


def test_smoothing_is_the_mean_over_caps_beside_worked_out_by_hand() -> None:
    scores = np.array([[0.0], [0.0], [-10.0], [0.0], [0.0], [-5.0], [-5.0], [-5.0]])
    # Two caps on either side; beyond the last cap the last score goes on: (0 - 5 - 5 - 5 - 5) / 5.
    assert NEAR_CAPS == 2
    expected = [-2, -2, -2, -3, -4, -3, -4, -5]
    assert smoothed(scores)[:, 0] == pytest.approx(expected)


def test_the_line_that_is_taken_is_best_with_those_beside_it() -> None:
    season = season_on("demand")
    taken = best_line(season)
    means = {}
    for grid in lines(season):
        for level in range(len(grid[0])):
            scores = [season.score(row[level]) if row[level] is not None else 0.0 for row in grid]
            for place, row in enumerate(grid):
                beside = [min(max(place + by, 0), len(grid) - 1) for by in (-2, -1, 0, 1, 2)]
                if row[level] is not None:
                    mean = float(np.mean([scores[each] for each in beside]))
                    means[row[level]] = min(mean, means.get(row[level], 0.0))
    assert means[taken] == pytest.approx(min(means.values()))
    assert min(means.values()) < 0


def test_every_line_is_one_window_under_a_cap_the_same_on_all_days() -> None:
    season = season_on("demand")
    found = [line for grid in lines(season) for row in grid for line in row if line]
    assert len(found) > len(CAP_FACTORS)
    for line in found:
        assert len(set(line)) == 1
        assert len(line[0]) == 1
        assert np.isfinite(line[0][0].cap_kw)
        assert season.stored.takes(line)


def test_without_charged_powers_there_is_no_line() -> None:
    season = season_on("two rates")
    assert best_line(season) == season.empty


def test_about_settings_in_use_there_is_no_line() -> None:
    """Else changes that earn their sum would give way to no change wherever weeks kept back are even."""
    plan, _ = site(AC_PLANT, TEN_WEEKS, "demand")
    task = task_of(AC_PLANT, TEN_WEEKS, "demand", CONTROLS)
    typed = (((Draft(60, 240, "charge", 80.0, 2.0),),)) * len(CONTROLS.day_sets())
    years = years_for(weather_of(plan), None)
    season = Season(task, range(1, 13), years, [task.plan_flows], in_use=InUse(typed, 5.0))
    assert best_line(season) == season.empty


@pytest.mark.parametrize(
    ("gains", "expected"),
    [
        ([[3.0, -1.0], [-2.0, 0.5]], [True, False]),  # 1.0 and -0.5 over both folds
        ([[0.0, -1.0], [0.0, 2.0]], [True, True]),
    ],
)
def test_both_folds_together_say_where_lines_do_better(
    gains: list[list[float]], expected: list[bool]
) -> None:
    line = (((0, 1440),),)
    trials: list[Any] = [
        SimpleNamespace(
            gain_of_lines=lambda of=of: np.array(of), fitted=SimpleNamespace(lines=(line, line))
        )
        for of in gains
    ]
    assert choosing._where_lines_do_better(trials) == expected


def year_of_months_with_peaks(dark: set[int]) -> tuple[Task, Year]:
    """Return a year with 4 kW for four hours each evening of some months and 2 kW in the others.

    The battery holds 8.5 kWh, less than the 14 of the dark evenings: a cap for the light ones empties it.
    """
    grid = grid_of(24 * 365, 60, "2025-01-01")
    is_evening = np.isin(grid.minute_of_day // 60, [17, 18, 19, 20])
    load = 0.5 + np.where(is_evening, np.where(np.isin(grid.month, list(dark)), 3.5, 1.5), 0.0)
    none = np.zeros(grid.count)
    cost = linear_cost(cost_of([FLAT, DEMAND | {"per_kw": 15.0}], grid).total, grid.count)
    horizon = Horizon(AC_PLANT, grid, load, none, AC_PLANT.low_kwh)
    run = run_through(AC_PLANT, grid, load, none, no_windows(0.0), AC_PLANT.low_kwh)
    prices = Prices(*np.full((4, grid.count), 0.3))
    task = Task(horizon, CONTROLS, cost, run.flows, run.stored_kwh, prices, 0.0, 100.0)
    return task, Year(load, none, 1.0, tuple(grid.dates))


def test_the_loads_own_seasons_are_found() -> None:
    dark = {11, 12, 1, 2}
    task, year = year_of_months_with_peaks(dark)
    months = list(range(1, 13))
    halves = ((1, 2, 3, 10, 11, 12), (4, 5, 6, 7, 8, 9))
    found = own_seasons(task, [year], months, [halves, (tuple(months),)])
    assert found is not None
    assert set(map(frozenset, found)) == {frozenset(dark), frozenset(months) - dark}


def test_own_seasons_that_are_hardly_better_are_not_tried() -> None:
    task, year = year_of_months_with_peaks({11, 12, 1, 2})
    months = list(range(1, 13))
    own = ((1, 2, 11, 12), (3, 4, 5, 6, 7, 8, 9, 10))
    assert own_seasons(task, [year], months, [own]) is None
