"""What the search finds can be typed in, costs no more than no windows, and is found again."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.billing.bill import bill_flows
from optimizer.billing.cost import linear_cost
from optimizer.planning.plan import Plan, make_plan
from optimizer.settings import moves, search
from optimizer.settings import season as season_module
from optimizer.settings.refusals import refusals
from optimizer.settings.replay import replay
from optimizer.settings.search import Found, find_settings, month_groups
from optimizer.settings.season import Task
from optimizer.settings.windows import Settings, no_windows
from optimizer.site.controls import DAY_SETS, Controls
from optimizer.site.equipment import Plant
from optimizer.timegrid import TimeGrid
from optimizer.units import MINUTES_PER_DAY
from tests.laws.cases import (
    AC_PLANT,
    DC_PLANT,
    DEMAND,
    FLAT,
    SOURCE,
    TARIFFS,
    cost_of,
    floats,
    grid_of,
    law,
    named_cost,
    problem_of,
    weather,
)

REPLAYS = 400
"""Replays for a search in these tests; enough for a descent and a few restarts."""

STORED_WORTH = 0.12
HOURS = grid_of(24 * 8, 60, "2025-06-26")  # five days of June, three of July
THREE_DAYS = grid_of(72, 60, "2025-06-29")  # two of June, one of July; quick to plan with integers
HALF_HOURS = grid_of(48 * 7, 30)
QUARTERS = grid_of(96 * 7, 15)
FIVES = grid_of(288 * 3, 5)
NEEDS_INTEGERS = {"negative prices", "everything"}
NARROW = replace(AC_PLANT, low_kwh=5.5, high_kwh=9.5)  # 55 to 95 %
NO_GRID = replace(AC_PLANT, may_charge_from_grid=False)
SMALL = replace(AC_PLANT, low_kwh=2.3, high_kwh=8.1, charge_kw=2.2, discharge_kw=1.7)


def grid_for(tariff: str, grid: TimeGrid = HALF_HOURS) -> TimeGrid:
    """Return the grid, or a short one where the plan takes long to prove."""
    return THREE_DAYS if tariff in NEEDS_INTEGERS else grid


@lru_cache(maxsize=64)
def site(plant: Plant, grid: TimeGrid, tariff: str) -> tuple[Plan, Any]:
    load, pv = weather(grid, 12)
    cost = named_cost(tariff, grid)
    problem = problem_of(plant, grid, load, pv, cost, leftover_per_kwh=STORED_WORTH)
    return make_plan(problem, cost), cost


def task_of(plant: Plant, grid: TimeGrid, tariff: str, controls: Controls) -> Task:
    plan, cost = site(plant, grid, tariff)
    problem = plan.problem
    none = cost_of_settings(problem, cost, no_windows(0.0))
    saved = none - (plan.cost + STORED_WORTH * plan.start_kwh)
    return Task(plant, controls, grid, problem.load_kwh, problem.pv_kwh, problem.cost, plan.flows,
                plan.stored_kwh, plan.start_kwh, STORED_WORTH, saved)  # fmt: skip


def cost_of_settings(problem: Any, cost: Any, settings: Settings) -> float:
    """Return bill and wear of a replay, less the worth of what it added to the battery."""
    plant, start = problem.plant, problem.start_kwh
    run = replay(plant, problem.grid, problem.load_kwh, problem.pv_kwh, settings, start)
    wear = plant.wear_per_kwh * float(run.flows.discharge_kwh.sum())
    return (
        bill_flows(cost, run.flows).total + wear - STORED_WORTH * float(run.stored_kwh[-1] - start)
    )


@pytest.fixture
def find(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Found]:
    def found(task: Task, groups: list[list[int]] | None = None, replays: int = REPLAYS) -> Found:
        monkeypatch.setattr(search, "STEP_BUDGET", replays * task.grid.count)
        return find_settings(task, "found", groups or [list(range(1, 13))])

    return found


def check_no_overlap(settings: Settings) -> None:
    for season in settings.seasons:
        for day_set in season.day_sets:
            taken = np.zeros(MINUTES_PER_DAY, dtype=int)
            for window in day_set.windows:
                begin, end = window.begin, window.finish
                end = end if end > begin else end + MINUTES_PER_DAY
                np.add.at(taken, np.arange(begin, end) % MINUTES_PER_DAY, 1)
            assert taken.max(initial=0) <= 1


def check_accepted(settings: Settings, controls: Controls, plant: Plant = AC_PLANT) -> None:
    assert refusals(settings, controls, plant, SOURCE) == []
    check_no_overlap(settings)
    assert len(settings.seasons) <= controls.season_sets
    for season in settings.seasons:
        assert tuple(part.days for part in season.day_sets) == tuple(controls.day_sets())
        for part in season.day_sets:
            assert len(part.windows) <= controls.windows_per_day
            for window in part.windows:
                assert window.action in controls.actions
                if controls.power_step_pct is not None:
                    pct = 100 * (window.grid_kw or window.power_kw or 0.0) / plant.ac_limit_kw
                    assert pct <= 100 + 1e-6
                    assert (
                        abs(pct - round(pct / controls.power_step_pct) * controls.power_step_pct)
                        < 1e-5
                    )
                assert window.begin % controls.minutes == window.finish % controls.minutes == 0
                assert controls.import_cap or window.import_cap_kw is None
                assert controls.over_midnight or window.begin < (window.finish or MINUTES_PER_DAY)


CONTROLS: dict[str, dict[str, Any]] = {
    "poor": {"windows_per_day": 1, "day_types": "every_day", "season_sets": 1, "minutes": 60,
             "actions": ["charge", "cover"], "soc_step_pct": 10.0, "power_step_kw": 1.0},
    "no sell": {"actions": ["charge", "hold", "cover"], "day_types": "every_day"},
    "only cover": {"actions": ["cover"], "minutes": 60},
    "hold and sell": {"actions": ["hold", "sell"], "windows_per_day": 2},
    "usual": {},
    "import cap": {"import_cap": True, "windows_per_day": 3},
    "rich": {"windows_per_day": 8, "season_sets": 12, "minutes": 5, "import_cap": True,
             "soc_step_pct": 1.0, "power_step_kw": 0.05},
    "coarse": {"soc_step_pct": 50.0, "power_step_kw": 3.0, "import_cap": True},
    "fine clock": {"minutes": 10, "import_cap": True},
    "odd steps": {"soc_step_pct": 12.5, "power_step_kw": 0.35, "minutes": 15, "import_cap": True},
    "three day sets": {"day_types": "weekday_saturday_sunday", "windows_per_day": 2},
    "each day": {"day_types": "each_day", "windows_per_day": 2, "minutes": 15},
    "per cent of power": {"power_step_pct": 1.0, "soc_step_pct": 1.0, "import_cap": True},
    "thirds of power": {"power_step_pct": 100 / 3, "power_step_kw": 0.25, "import_cap": True},
    "days that end": {"over_midnight": False, "import_cap": True},
    "none": {"windows_per_day": 0},
}  # fmt: skip
GRIDS = {"5 min": FIVES, "15 min": QUARTERS, "30 min": HALF_HOURS, "60 min": HOURS}


@pytest.mark.parametrize("step", GRIDS)
@pytest.mark.parametrize("name", CONTROLS)
def test_the_controls_accept_what_is_found_for_them(
    name: str, step: str, find: Callable[..., Found]
) -> None:
    controls = Controls(**CONTROLS[name])
    grid = GRIDS[step]
    tariff = "demand" if controls.import_cap else "sell above buy"
    task = task_of(AC_PLANT, grid, tariff, controls)
    check_accepted(find(task, replays=150 if step == "5 min" else REPLAYS).settings, controls)


@pytest.mark.parametrize("tariff", TARIFFS)
@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT, SMALL], ids=["ac", "dc", "small"])
def test_found_windows_never_cost_more_than_none_on_the_days_they_were_found_on(
    plant: Plant, tariff: str, find: Callable[..., Found]
) -> None:
    controls = Controls(import_cap=True)
    task = task_of(plant, grid_for(tariff), tariff, controls)
    plan, cost = site(plant, grid_for(tariff), tariff)
    found = find(task).settings
    with_windows, without = (
        cost_of_settings(plan.problem, cost, settings)
        for settings in (found, no_windows(found.floor_pct))
    )
    check_accepted(found, controls, plant)
    assert with_windows <= without + 1e-9
    planned = plan.cost + STORED_WORTH * plan.start_kwh
    assert planned <= with_windows + 1e-5
    if found.entries():
        assert (
            with_windows
            < without - found.entries() * 0.9 * season_module.MIN_WORTH_SHARE * task.can_save
        )


@pytest.mark.parametrize("tariff", TARIFFS)
def test_windows_found_for_two_seasons_cost_no_more_than_none(
    tariff: str, find: Callable[..., Found]
) -> None:
    """Each season is searched by itself, from where the plan enters it."""
    task = task_of(AC_PLANT, grid_for(tariff, HOURS), tariff, Controls())
    plan, cost = site(AC_PLANT, grid_for(tariff, HOURS), tariff)
    found = find(task, [[6], [7]]).settings
    assert [season.months for season in found.seasons] == [[6], [7]]
    with_windows, without = (
        cost_of_settings(plan.problem, cost, settings)
        for settings in (found, no_windows(found.floor_pct))
    )
    assert with_windows <= without + 1e-9


@st.composite
def random_controls(draw: Callable[..., Any]) -> Controls:
    """Draw controls from poor to rich; cover is always there, as scenarios demand."""
    extra = draw(st.sets(st.sampled_from(["charge", "hold", "sell"])))
    return Controls(
        windows_per_day=draw(st.integers(0, 6)),
        day_types=draw(st.sampled_from(sorted(DAY_SETS))),
        season_sets=draw(st.integers(1, 4)),
        minutes=draw(st.sampled_from([5, 10, 15, 30, 60])),
        over_midnight=draw(st.booleans()),
        actions=sorted(extra | {"cover"}),
        import_cap=draw(st.booleans()),
        power_step_kw=draw(floats(0.05, 4)),
        power_step_pct=draw(st.none() | st.integers(1, 1000).map(lambda parts: 100 / parts)),
        soc_step_pct=100 / draw(st.integers(2, 100)),
    )


def searched(controls: Controls, plant: Plant, grid: TimeGrid, tariff: str, replays: int) -> Found:
    before = search.STEP_BUDGET
    search.STEP_BUDGET = replays * grid.count
    try:
        return find_settings(task_of(plant, grid, tariff, controls), "found", [[6, 7]])
    finally:
        search.STEP_BUDGET = before


@law(40)
@given(
    random_controls(),
    st.sampled_from([AC_PLANT, DC_PLANT, SMALL, NO_GRID]),
    st.sampled_from([HALF_HOURS, HOURS]),
    st.sampled_from(sorted(TARIFFS)),
)
def test_whatever_the_controls_are_they_accept_what_is_found(
    controls: Controls, plant: Plant, grid: TimeGrid, tariff: str
) -> None:
    grid = grid_for(tariff, grid)
    found = searched(controls, plant, grid, tariff, 120)
    plan, cost = site(plant, grid, tariff)
    check_accepted(found.settings, controls, plant)
    with_windows, without = (
        cost_of_settings(plan.problem, cost, settings)
        for settings in (found.settings, no_windows(found.settings.floor_pct))
    )
    assert with_windows <= without + 1e-9


@law(40)
@given(st.integers(0, 99), st.integers(2, 100), st.integers(0, 10**6))
def test_there_is_a_level_that_can_be_typed_in_however_little_room_the_battery_has(
    low_pct: int, parts: int, seed: int
) -> None:
    step_pct = 100 / parts
    high_pct = low_pct + 1 + seed % (100 - low_pct)
    levels = season_module.multiples_between(step_pct, float(low_pct), float(high_pct))
    assert len(levels) >= 1
    assert levels.min() >= low_pct - 1e-9
    assert levels.max() <= 100 + 1e-9
    np.testing.assert_allclose(levels / step_pct, np.round(levels / step_pct), atol=1e-6)


@pytest.mark.parametrize("name", ["usual", "rich"])
def test_the_same_search_finds_the_same_windows_again(
    name: str, find: Callable[..., Found]
) -> None:
    task = task_of(AC_PLANT, HALF_HOURS, "demand", Controls(**CONTROLS[name]))
    first, second = find(task), find(task)
    assert first == second
    assert first.settings.entries() > 0
    assert first.replays > 100


def test_a_search_stops_when_its_budget_is_used_up(find: Callable[..., Found]) -> None:
    task = task_of(AC_PLANT, HALF_HOURS, "demand", Controls())
    assert find(task, replays=50).replays <= 52
    assert find(task, replays=50).replays < find(task, replays=300).replays <= 302


def test_a_longer_search_never_finds_worse_windows(find: Callable[..., Found]) -> None:
    task = task_of(AC_PLANT, HALF_HOURS, "demand", Controls())
    plan, cost = site(AC_PLANT, HALF_HOURS, "demand")

    def counted(settings: Settings) -> float:
        season = season_module.Season(task, range(1, 13))
        return (
            cost_of_settings(plan.problem, cost, settings) + season.min_worth * settings.entries()
        )

    costs = [counted(find(task, replays=n).settings) for n in (60, 200, 600)]
    assert costs[0] >= costs[1] - 1e-9
    assert costs[1] >= costs[2] - 1e-9
    assert costs[2] < costs[0]


def test_a_search_saves_money_where_night_energy_is_cheap(find: Callable[..., Found]) -> None:
    plan, cost = site(AC_PLANT, HALF_HOURS, "two rates")
    found = find(task_of(AC_PLANT, HALF_HOURS, "two rates", Controls())).settings
    without = cost_of_settings(plan.problem, cost, no_windows(found.floor_pct))
    best = plan.cost + STORED_WORTH * plan.start_kwh
    kept = (without - cost_of_settings(plan.problem, cost, found)) / (without - best)
    assert 0.3 < kept <= 1.0


def test_a_cheap_night_is_used_by_two_windows_where_none_may_run_over_midnight(
    find: Callable[..., Found],
) -> None:
    plan, cost = site(AC_PLANT, HALF_HOURS, "two rates")
    controls = Controls(over_midnight=False, day_types="every_day")
    found = find(task_of(AC_PLANT, HALF_HOURS, "two rates", controls)).settings
    without = cost_of_settings(plan.problem, cost, no_windows(found.floor_pct))
    best = plan.cost + STORED_WORTH * plan.start_kwh
    check_accepted(found, controls)
    assert (without - cost_of_settings(plan.problem, cost, found)) / (without - best) > 0.3


def test_monthly_sets_of_many_windows_in_five_minutes_are_found_on_a_forecast_of_hours(
    find: Callable[..., Found],
) -> None:
    """Starts fall on the steps of the forecast, between which nothing is known."""
    rich = {"windows_per_day": 8, "season_sets": 12, "minutes": 5, "day_types": "each_day"}
    controls = Controls(**rich, soc_step_pct=1.0)
    found = find(task_of(AC_PLANT, HOURS, "two rates", controls), [[6], [7]]).settings
    check_accepted(found, controls)
    windows = [found.window(place) for place in found.places()]
    assert len(found.seasons) == 2
    assert windows
    assert all(window.begin % 60 == window.finish % 60 == 0 for window in windows)


@pytest.mark.parametrize("plant", [NO_GRID, replace(NO_GRID, pv_on_dc_side=True)], ids=["ac", "dc"])
def test_no_grid_power_is_tried_where_the_grid_may_not_charge_the_battery(
    plant: Plant, find: Callable[..., Found]
) -> None:
    task = task_of(plant, HALF_HOURS, "sell above buy", Controls())
    season = season_module.Season(task, range(1, 13))
    charging = [draft for draft in moves.candidates_for(season) if draft.action == "charge"]
    assert charging
    assert all(draft.power_kw == 0 for draft in charging)
    changed = [draft for one in moves.changes(((charging[0],), ()), season) for draft in one[0]]
    assert all(draft.power_kw == 0 for draft in changed if draft.action == "charge")
    found = find(task).settings
    check_accepted(found, task.controls, plant)
    windows = [found.window(place) for place in found.places()]
    assert all(window.grid_kw == 0 for window in windows if window.action == "charge")


def test_settings_are_searched_month_by_month_as_the_tariff_groups_them() -> None:
    summer = ["winter"] * 5 + ["summer"] * 4 + ["winter"] * 3
    every = list(range(1, 13))
    assert month_groups(summer, every, 2) == [[1, 2, 3, 4, 5, 10, 11, 12], [6, 7, 8, 9]]
    assert month_groups(summer, every, 1) == [every]
    assert month_groups([""] * 12, [3, 4], 4) == [[3, 4]]
    for most in range(1, 5):
        groups = month_groups([""] * 12, every, most)
        assert sorted(month for group in groups for month in group) == every
        assert len(groups) <= most


def test_the_checks_of_this_file_refuse_what_they_should() -> None:
    from optimizer.settings.windows import DaySet, SeasonSet, Window

    def settings_of(*windows: Window) -> Settings:
        day_set = DaySet.model_construct(days="every day", windows=list(windows))
        season = SeasonSet.model_construct(months=[6], day_sets=[day_set])
        return Settings.model_construct(settings="wrong", floor_pct=10.0, seasons=[season])

    night = Window(start="22:00", end="06:00", action="charge", until_pct=82.0)
    early = Window(start="05:00", end="07:00", action="hold")
    odd = Window(start="10:07", end="11:00", action="hold")
    controls = Controls(day_types="every_day", actions=["charge", "hold", "cover"])
    with pytest.raises(AssertionError):
        check_no_overlap(settings_of(night, early))
    for wrong in (settings_of(night), settings_of(odd)):
        with pytest.raises(AssertionError):
            check_accepted(wrong, controls)
    check_accepted(settings_of(early), controls)


def test_the_cost_used_here_is_the_one_that_the_search_lowers() -> None:
    """Bill and wear less what was added: for no windows it is the search's own first figure."""
    task = task_of(DC_PLANT, THREE_DAYS, "everything", Controls())
    plan, cost = site(DC_PLANT, THREE_DAYS, "everything")
    own = season_module.Season(task, range(1, 13)).cost(((), ()))
    fixed = linear_cost(cost.total, THREE_DAYS.count).constant
    expected = cost_of_settings(plan.problem, cost, no_windows(0.0)) - fixed
    assert own == pytest.approx(expected)


@pytest.mark.parametrize("step_pct", [50.0, 25.0, 20.0])
@pytest.mark.parametrize("tariff", ["two rates", "demand", "sell above buy"])
def test_no_level_below_the_floor_is_found_where_the_steps_are_coarse(
    step_pct: float, tariff: str, find: Callable[..., Found]
) -> None:
    controls = Controls(soc_step_pct=step_pct, import_cap=True)
    task = task_of(NARROW, HOURS, tariff, controls)
    check_accepted(find(task).settings, controls, NARROW)


def test_a_demand_charge_on_every_day_is_lowered_by_windows_in_both_day_sets(
    find: Callable[..., Found],
) -> None:
    """A cap on weekdays alone saves nothing while weekends set the peak, and the other way round."""
    days = grid_of(24 * 9, start="2025-06-06T00:00")  # a Friday
    load = np.where(days.minute_of_day // 60 == 18, 4.0, 0.5)  # each evening an hour of 4 kW
    cost = cost_of([FLAT, DEMAND | {"per_kw": 20.0}], days)
    problem = problem_of(AC_PLANT, days, load, 0 * load, cost)
    plan = make_plan(problem, cost)
    controls = Controls(day_types="weekday_weekend", import_cap=True)
    task = Task(
        AC_PLANT, controls, days, load, 0 * load, problem.cost, plan.flows, plan.stored_kwh,
        AC_PLANT.low_kwh, 0.0, 40.0,
    )  # fmt: skip
    found = find(task, replays=2500).settings
    (season,) = found.seasons
    assert all(day_set.windows for day_set in season.day_sets)
    run = replay(AC_PLANT, days, load, 0 * load, found, AC_PLANT.low_kwh)
    assert run.flows.import_kwh.max() < 3.0  # without windows 4 kW
