"""Floors by season: what holds of replays, of scores and of the plan where months have their own."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.planning.plan import make_plan
from optimizer.search.fit import fit, settings_of, years_for
from optimizer.settings.check import read_settings
from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, no_windows
from optimizer.site.equipment import Plant
from optimizer.site.floors import Floors
from tests.builders import run_through
from tests.laws.cases import AC_PLANT, DC_PLANT, Case, cases, floats, law, named_cost, problem_of
from tests.laws.sites import (
    ALL_MONTHS,
    HOURS,
    cost_of_settings,
    season_of,
    site,
    task_for,
    weather_of,
)
from tests.laws.test_season import RICH, some_drafts

JUNE, JULY = 6, 7
PLANTS = pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])


def with_floor_by_season(settings: Settings, floor_pct: float) -> Settings:
    """Return the same settings with the floor written in the season, none for the year."""
    (season,) = settings.seasons
    seasons = [SeasonSet(months=season.months, floor_pct=floor_pct, day_sets=season.day_sets)]
    return Settings(settings=settings.settings, floor_pct=0.0, seasons=seasons)


@given(cases())
@law(100)
def test_a_floor_written_in_the_season_of_the_whole_year_is_the_floor_of_the_year(
    case: Case,
) -> None:
    runs = [
        run_through(case.plant, case.grid, case.load_kwh, case.pv_kwh, settings, case.start_kwh)
        for settings in (
            case.settings, with_floor_by_season(case.settings, case.settings.floor_pct)
        )
    ]  # fmt: skip
    np.testing.assert_array_equal(runs[0].stored_kwh, runs[1].stored_kwh)
    np.testing.assert_array_equal(runs[0].flows.import_kwh, runs[1].flows.import_kwh)


@given(cases(), floats(0, 1))
@law(100)
def test_nothing_is_drawn_below_the_floor_of_a_month(case: Case, share: float) -> None:
    """Neither loads, nor sales, nor an import cap; what was below it already is only left alone."""
    plant, (season,) = case.plant, case.settings.seasons
    floor_pct = max(case.settings.floor_pct, 20.0)
    any_level = {"down_to_pct": None, "until_pct": None}
    day_sets = [
        day_set.model_copy(
            update={"windows": [w.model_copy(update=any_level) for w in day_set.windows]}
        )
        for day_set in season.day_sets
    ]
    sets = [SeasonSet(months=[JUNE], floor_pct=floor_pct, day_sets=day_sets)]
    settings = Settings(settings="june", floor_pct=0.0, seasons=sets)
    floor = max(plant.level_kwh(floor_pct), plant.low_kwh)
    start = floor + share * max(plant.high_kwh - floor, 0.0)
    run = run_through(plant, case.grid, case.load_kwh, case.pv_kwh, settings, start)
    before = np.concatenate([[start], run.stored_kwh[:-1]])
    inside = case.grid.month == JUNE
    standing = (before - plant.low_kwh) * (1 - plant.kept_per_step(case.grid.step_h))
    least = np.minimum(before - np.maximum(standing, 0.0), floor)
    assert (run.stored_kwh[inside] >= least[inside] - 1e-9).all()


@PLANTS
@pytest.mark.parametrize("tariff", ["two rates", "demand", "steps and a bank"])
def test_scores_under_floors_are_those_of_replays(plant: Plant, tariff: str) -> None:
    plan, cost = site(plant, HOURS, tariff)
    task = task_for(plan, cost, Controls(**RICH, floor_by_season=True))
    floors = Floors({JUNE: plant.level_kwh(45), JULY: plant.level_kwh(45)})
    task = replace(task, horizon=replace(task.horizon, floors=floors))
    years = years_for(weather_of(plan), None)
    season = season_of(task, plan, years)
    many = some_drafts(season, 4, 12)
    tried = [settings_of("tried", ALL_MONTHS, [drafts], task) for drafts in many]
    assert {settings.seasons[0].floor_pct for settings in tried} == {45.0}
    costs = season.costs(many)
    real = np.array([[cost_of_settings(plan, cost, each, y) for y in years] for each in tried])
    np.testing.assert_allclose(costs - costs[0], real - real[0], atol=1e-9)
    assert np.ptp(real) > 0.1


def test_a_search_under_floors_hands_out_what_the_controls_accept_and_what_keeps_them(
    tmp_path: Path,
) -> None:
    plan, cost = site(AC_PLANT, HOURS, "two rates")
    floors = {JUNE: AC_PLANT.level_kwh(30), JULY: AC_PLANT.level_kwh(60)}
    controls = Controls(windows_per_day=2, floor_by_season=True)
    task = task_for(plan, cost, controls)
    task = replace(task, horizon=replace(task.horizon, floors=Floors(floors)))
    found = fit(task, years_for(weather_of(plan), None), ((JUNE,), (JULY,)), 200)
    settings = found.settings("floors")
    assert [s.floor_pct for s in settings.seasons] == [pytest.approx(30), pytest.approx(60)]
    path = tmp_path / "settings.yaml"
    path.write_text(settings.model_dump_json(exclude_none=True), encoding="utf-8")
    assert read_settings(path, controls, AC_PLANT) == settings
    problem = plan.problem
    start = AC_PLANT.level_kwh(60)
    run = run_through(AC_PLANT, problem.grid, problem.load_kwh, problem.pv_kwh, settings, start)
    standing_kwh = AC_PLANT.capacity_kwh * AC_PLANT.standing_loss_per_day
    for month, floor in floors.items():
        inside = run.stored_kwh[HOURS.month == month]
        reached = int(np.argmax(inside >= floor))
        assert inside[reached] >= floor
        assert (inside[reached:] >= floor - standing_kwh).all()
        assert inside[reached:].min() < floor + 1.0


def test_floors_by_month_without_windows_are_grouped_into_seasons() -> None:
    settings = no_windows(10.0, {1: 40.0, 2: 40.0, 6: 5.0, 7: 20.0})
    assert [(s.months, s.floor_pct) for s in settings.seasons] == [([1, 2], 40.0), ([7], 20.0)]


@PLANTS
def test_the_plan_keeps_floors_and_pays_for_them(plant: Plant) -> None:
    plan, _ = site(plant, HOURS, "two rates")
    problem = plan.problem
    lowest = np.where(HOURS.month == JULY, plant.level_kwh(70), plant.low_kwh)
    cost = named_cost("two rates", HOURS)
    free = problem_of(plant, HOURS, problem.load_kwh, problem.pv_kwh, cost)
    unbound, held = (
        make_plan(each, cost)
        for each in (free, free.on(floors=Floors({JULY: plant.level_kwh(70)})))
    )
    assert (held.stored_kwh >= lowest - 1e-6).all()
    assert (unbound.stored_kwh < lowest - 0.5).any()
    assert held.cost > unbound.cost + 0.01


@given(st.integers(0, 100))
@law(20)
def test_a_floor_lower_than_the_years_changes_nothing(floor_pct: int) -> None:
    plan, _ = site(AC_PLANT, HOURS, "two rates")
    problem = plan.problem
    base = no_windows(100.0)
    lower = Settings(
        settings="lower", floor_pct=100.0,
        seasons=[SeasonSet(months=[JUNE, JULY], floor_pct=floor_pct, day_sets=[DaySet(days="every day")])],
    )  # fmt: skip
    runs = [
        run_through(AC_PLANT, HOURS, problem.load_kwh, problem.pv_kwh, each, AC_PLANT.high_kwh)
        for each in (base, lower)
    ]
    np.testing.assert_array_equal(runs[0].stored_kwh, runs[1].stored_kwh)
