"""What is told beside the settings: the gap to any others, and what richer controls would bring."""

from __future__ import annotations

from dataclasses import replace
from itertools import product

import numpy as np
import pytest

from optimizer.forecasting.weeks import Weather
from optimizer.metering.forecast import Forecast
from optimizer.search.choose import Effort, find_settings
from optimizer.search.drafts import drafts_of
from optimizer.search.richer import enriched, lacks, what_richer_would_bring
from optimizer.search.score import Task
from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window, no_windows
from tests.bench.proof.branch_and_bound import prove
from tests.bench.proof.gap import gap_of
from tests.bench.proof.labels import Ground
from tests.laws.cases import AC_PLANT, grid_of
from tests.laws.sites import site, task_of

WEEK = grid_of(24 * 7, 60)
COARSE = Controls(
    windows_per_day=1, day_types="every_day", season_sets=1, minutes=60, soc_step_pct=50,
    power_step_kw=10, actions=["charge", "cover"],
)  # fmt: skip
GROUPS = (tuple(range(1, 13)),)

pytestmark = pytest.mark.long  # it judges the search from the benches


def forecast_of(task: Task) -> Forecast:
    plan, _ = site(AC_PLANT, task.grid, "two rates")
    return Forecast(task.grid, plan.problem.load_kwh, plan.problem.pv_kwh)


def ground_of(task: Task) -> Ground:
    forecast = forecast_of(task)
    return Ground(
        task.plant, task.controls, task.grid, np.arange(task.grid.count), forecast.load_kwh,
        forecast.pv_kwh, task.horizon.start_kwh, task.cost, task.plan_flows, task.stored_worth,
    )  # fmt: skip


def cost_on(task: Task, settings: Settings) -> float:
    """Return the cost of settings on the forecast as the proof counts it."""
    drafts = drafts_of(settings, GROUPS[0], task.controls, task.plant)
    return prove(ground_of(task), [drafts], most_work=1).cost


def charging(start: int, hours: int, until: float) -> Settings:
    end = f"{(start + hours - 1) % 24 + 1:02d}:00"
    window = Window(start=f"{start:02d}:00", end=end, action="charge", until_pct=until)
    day_set = DaySet(days="every day", windows=[window])
    seasons = [SeasonSet(months=list(GROUPS[0]), day_sets=[day_set])]
    return Settings(settings="one", floor_pct=no_floor(), seasons=seasons)


def no_floor() -> float:
    return round(AC_PLANT.soc_pct(AC_PLANT.low_kwh), 9)


def test_the_gap_is_never_less_than_what_other_settings_save_beyond_these() -> None:
    """All charge windows of some starts and lengths are tried out; none beats the bound."""
    task = task_of(AC_PLANT, WEEK, "two rates", COARSE)
    plain = no_windows(no_floor())
    gap = gap_of(plain, task, forecast_of(task), GROUPS, task.can_save, 3e8)
    cost = cost_on(task, plain)
    saved = [
        cost - cost_on(task, charging(start, hours, until))
        for start, hours, until in product(range(0, 24, 3), (2, 5, 8), (50.0, 100.0))
    ]
    assert max(saved) > 0.05 * task.can_save
    assert gap >= max(saved) - 1e-6
    assert gap <= task.can_save


def test_the_gap_of_no_windows_is_what_the_proven_best_saves_unless_the_plan_saves_less() -> None:
    task = task_of(AC_PLANT, WEEK, "two rates", COARSE)
    plain, forecast = no_windows(no_floor()), forecast_of(task)
    best = prove(ground_of(task), [], most_work=int(3e9))
    assert best.is_exact
    gap = gap_of(plain, task, forecast, GROUPS, np.inf, 3e9)
    assert gap == pytest.approx(cost_on(task, plain) - best.cost, abs=0.006 * task.can_save)
    assert gap > 0.01
    assert gap_of(plain, task, forecast, GROUPS, 0.01, 3e9) == pytest.approx(0.01)


@pytest.mark.parametrize(
    ("controls", "expected"),
    [
        (Controls(import_cap=True), []),
        (Controls(), ["import caps"]),
        (Controls(windows_per_day=1, import_cap=True), ["4 windows a day"]),
        (Controls(season_sets=1, day_types="every_day", import_cap=True),
         ["2 season sets", "windows of their own for weekends"]),
        (Controls(actions=["cover", "hold"], import_cap=True),
         ["the action 'charge'", "the action 'sell'"]),
    ],
)  # fmt: skip
def test_what_controls_lack_is_named(controls: Controls, expected: list[str]) -> None:
    assert lacks(controls, has_peaks=True, sells=True, buys=True) == expected
    assert lacks(enriched(controls), has_peaks=True, sells=True, buys=True) == []


def test_what_the_plant_may_not_do_or_the_tariff_does_not_ask_is_not_lacking() -> None:
    poor = Controls(actions=["cover", "hold"])
    assert lacks(poor, has_peaks=False, sells=False, buys=False) == []


def test_controls_that_cannot_charge_from_the_grid_are_told_what_it_would_bring() -> None:
    """With a cheap night and a dear day, nothing but charging at night saves much."""
    grid = grid_of(24 * 70, 60, "2025-01-06")
    poor = Controls(actions=["cover", "hold"], day_types="every_day", season_sets=1)
    task = task_of(AC_PLANT, grid, "two rates", poor)
    plan, _ = site(AC_PLANT, grid, "two rates")
    weather = Weather(Forecast(grid, plan.problem.load_kwh, plan.problem.pv_kwh))
    groups = [tuple(grid.months)]
    found = find_settings(task, weather, "poor", [tuple(groups)], Effort(300, 600))
    richer = what_richer_would_bring(task, weather, found, [tuple(groups)])
    assert richer is not None
    assert "the action 'charge'" in richer.lacking
    assert richer.saves_more > 0.1 * task.can_save
    rich = replace(task, controls=Controls(import_cap=True))
    assert what_richer_would_bring(rich, weather, found, [tuple(groups)]) is None
