"""What the search finds can be typed in, costs no more than no windows, and is found again."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.base.timegrid import TimeGrid
from optimizer.planning.plan import make_plan
from optimizer.search import choose as choosing
from optimizer.search import local_search as search
from optimizer.search import neighbours as moves
from optimizer.search import stored as stored_module
from optimizer.search.choose import Effort, Found, find_settings
from optimizer.search.fit import years_for
from optimizer.search.local_search import Search
from optimizer.settings.controls import DAY_SETS, Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.site.equipment import Plant
from tests.builders import run_through
from tests.laws.cases import (
    AC_PLANT,
    DC_PLANT,
    DEMAND,
    FLAT,
    TARIFFS,
    cost_of,
    floats,
    grid_of,
    law,
    problem_of,
)
from tests.laws.sites import (
    ALL_MONTHS,
    FIVES,
    HALF_HOURS,
    HOURS,
    LITTLE,
    QUARTERS,
    check_accepted,
    check_no_overlap,
    found_for,
    grid_for,
    saved_by_year,
    season_of,
    site,
    task_for,
    weather_of,
    weighted,
)

NARROW = replace(AC_PLANT, low_kwh=5.5, high_kwh=9.5)  # 55 to 95 %
NO_GRID = replace(AC_PLANT, may_charge_from_grid=False)
SMALL = replace(AC_PLANT, low_kwh=2.3, high_kwh=8.1, charge_kw=2.2, discharge_kw=1.7)


@pytest.fixture(autouse=True, scope="module")
def little_refining() -> Iterator[None]:
    """Settle what is left after a window was dropped with little work."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(choosing, "REFINING_REPLAYS", 60)
        yield


def check_saves(found: Found, plant: Plant, grid: TimeGrid, tariff: str) -> None:
    """Hold that the settings cost no more than none, in the mean of the years of the search."""
    plan, cost = site(plant, grid, tariff)
    years = years_for(weather_of(plan), None)
    saved = weighted(saved_by_year(plan, cost, found.settings, years), years)
    assert saved >= -1e-9
    assert saved == pytest.approx(found.sizes[found.recommended].seen, abs=1e-6)


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
@pytest.mark.sweep(every=3)
def test_the_controls_accept_what_is_found_for_them(name: str, step: str) -> None:
    controls = Controls(**CONTROLS[name])
    tariff = "demand" if controls.import_cap else "sell above buy"
    effort = Effort(0, 600) if step == "5 min" else LITTLE
    found = found_for(AC_PLANT, GRIDS[step], tariff, controls, effort=effort)
    for size in found.sizes:
        check_accepted(size.settings, controls)


@pytest.mark.parametrize("tariff", TARIFFS)
@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT, SMALL], ids=["ac", "dc", "small"])
@pytest.mark.sweep(every=4)
def test_found_windows_never_cost_more_than_none_in_the_years_they_were_found_on(
    plant: Plant, tariff: str
) -> None:
    controls, grid = Controls(import_cap=True), grid_for(tariff)
    found = found_for(plant, grid, tariff, controls)
    check_saves(found, plant, grid, tariff)
    plan, cost = site(plant, grid, tariff)
    can_save = task_for(plan, cost, controls).can_save
    metered = saved_by_year(plan, cost, found.settings, years_for(weather_of(plan), None)[:1])
    assert metered[0] <= can_save + 1e-5  # the plan is the cheapest of all
    if found.settings.entries():
        check_accepted(found.settings, controls, plant)
        assert found.sizes[found.recommended].seen > 0


@pytest.mark.parametrize("tariff", TARIFFS)
def test_windows_found_for_two_seasons_cost_no_more_than_none(tariff: str) -> None:
    """Each season is searched by itself, and again where one bears on the other."""
    grid = grid_for(tariff, HOURS)
    found = found_for(AC_PLANT, grid, tariff, Controls(), [((6,), (7,))])
    seasons = found.sizes[-1].settings.seasons
    assert [season.months for season in seasons] in ([[6], [7]], [])
    assert bool(seasons) == (found.sizes[-1].entries > 0)
    plan, cost = site(AC_PLANT, grid, tariff)
    saved = saved_by_year(plan, cost, found.settings, years_for(weather_of(plan), None))
    assert saved @ [0.3, 0.3, 0.2, 0.2] >= -1e-9


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
    found = found_for(plant, grid, tariff, controls, effort=Effort(0, 400))
    for size in found.sizes[1:]:
        check_accepted(size.settings, controls, plant)
    check_saves(found, plant, grid, tariff)


@law(40)
@given(st.integers(0, 99), st.integers(2, 100), st.integers(0, 10**6))
def test_there_is_a_level_that_can_be_typed_in_however_little_room_the_battery_has(
    low_pct: int, parts: int, seed: int
) -> None:
    step_pct = 100 / parts
    high_pct = low_pct + 1 + seed % (100 - low_pct)
    levels = stored_module.multiples_between(step_pct, float(low_pct), float(high_pct))
    assert len(levels) >= 1
    assert levels.min() >= low_pct - 1e-9
    assert levels.max() <= 100 + 1e-9
    np.testing.assert_allclose(levels / step_pct, np.round(levels / step_pct), atol=1e-6)


@pytest.mark.parametrize("name", ["usual", "rich"])
def test_the_same_search_finds_the_same_windows_again(name: str) -> None:
    first, second = (
        found_for(AC_PLANT, HALF_HOURS, "demand", Controls(**CONTROLS[name])) for _ in range(2)
    )
    assert first == second
    assert first.settings.entries() > 0
    assert first.replays > 100


def search_on(tariff: str, replays: float, seed: int = 1, **controls: Any) -> Search:
    plan, cost = site(AC_PLANT, HALF_HOURS, tariff)
    season = season_of(task_for(plan, cost, Controls(**controls)), plan)
    return Search(season, replays, seed)


def test_a_search_stops_when_its_work_is_done() -> None:
    """A search, and each of those for softer peaks before it, may go over its end by one batch.

    It also ranks the windows to add, and scores starts and windows that cap the whole day.
    """
    done = []
    for replays in (50, 2000, 6000):
        looked = search_on("demand", replays)
        before = looked.season.work
        looked.best()
        done.append(looked.season.work - before)
        once = len(looked.candidates) + len(looked.season.years) * (search.BATCH + 12)
        searches = 1 + len(search.SOFT_DAYS)
        assert done[-1] <= replays + searches * once
    assert done[0] < done[1] < done[2]


def test_a_search_that_may_work_more_finds_no_worse_windows_here() -> None:
    scores = []
    for replays in (500, 2000, 8000):
        looked = search_on("demand", replays, import_cap=True)
        scores.append(looked.season.score(looked.best()))
    assert scores[0] >= scores[1] >= scores[2]
    assert scores[2] < scores[0]


@law(25)
@given(st.integers(0, 10**6), st.sampled_from(["two rates", "demand", "sell above buy"]))
def test_a_search_returns_nothing_worse_than_its_starts_or_no_windows(
    seed: int, tariff: str
) -> None:
    looked = search_on(tariff, 200, seed, import_cap=True)
    season = looked.season
    start = shaken(looked, seed)
    known = season.score(start)
    best = looked.best([start])
    assert season.score(best) <= min(known, 0.0)
    assert all(season.accepts(part) for part in best)


def shaken(looked: Search, seed: int) -> Any:
    """Return windows that the controls accept, put together by chance."""
    luck, season = np.random.default_rng(seed), looked.season
    drafts = season.empty
    for _ in range(5):
        added = [looked.candidates[int(luck.integers(len(looked.candidates)))]]
        choices = list(moves.additions(drafts, moves.apart(season), season, added))
        drafts = choices[int(luck.integers(len(choices)))] if choices else drafts
    assert sum(map(len, drafts))
    return drafts


def test_settling_what_is_left_adds_no_window_and_is_never_worse() -> None:
    for seed in range(6):
        looked = search_on("demand", 1e9, seed, import_cap=True)
        start = shaken(looked, seed)
        looked.end = looked.season.work + 500
        settled = looked.improved(start)
        assert sum(map(len, settled)) <= sum(map(len, start))
        assert looked.season.score(settled) <= looked.season.score(start)


def kept_share(found: Found) -> float:
    """Return the share of the possible saving that is kept on the metered days."""
    plan, cost = site(AC_PLANT, HALF_HOURS, "two rates")
    metered = years_for(weather_of(plan), None)[:1]
    can_save = task_for(plan, cost, Controls()).can_save
    return float(saved_by_year(plan, cost, found.settings, metered)[0]) / can_save


def test_a_search_saves_money_where_night_energy_is_cheap() -> None:
    assert 0.3 < kept_share(found_for(AC_PLANT, HALF_HOURS, "two rates", Controls())) <= 1.0


def test_a_cheap_night_is_used_by_two_windows_where_none_may_run_over_midnight() -> None:
    controls = Controls(over_midnight=False, day_types="every_day")
    found = found_for(AC_PLANT, HALF_HOURS, "two rates", controls)
    check_accepted(found.settings, controls)
    assert kept_share(found) > 0.3


def test_monthly_sets_of_many_windows_in_five_minutes_are_found_on_a_forecast_of_hours() -> None:
    """Starts fall on the steps of the forecast, between which nothing is known."""
    rich = {"windows_per_day": 8, "season_sets": 12, "minutes": 5, "day_types": "each_day"}
    controls = Controls(**rich, soc_step_pct=1.0)
    found = found_for(AC_PLANT, HOURS, "two rates", controls, [((6,), (7,))])
    check_accepted(found.settings, controls)
    windows = [found.settings.window(place) for place in found.settings.places()]
    assert len(found.settings.seasons) == 2
    assert windows
    assert all(window.begin % 60 == window.finish % 60 == 0 for window in windows)


@pytest.mark.parametrize("plant", [NO_GRID, replace(NO_GRID, pv_on_dc_side=True)], ids=["ac", "dc"])
def test_no_grid_power_is_tried_where_the_grid_may_not_charge_the_battery(plant: Plant) -> None:
    plan, cost = site(plant, HALF_HOURS, "sell above buy")
    task = task_for(plan, cost, Controls())
    season = season_of(task, plan)
    charging = [draft for draft in moves.candidates_for(season) if draft.action == "charge"]
    assert charging
    assert all(draft.power_kw == 0 for draft in charging)
    both = moves.together(season)
    changed = [
        draft for one in moves.changes(((charging[0],),) * 2, both, season) for draft in one[0]
    ]
    assert changed
    assert all(draft.power_kw == 0 for draft in changed if draft.action == "charge")
    found = found_for(plant, HALF_HOURS, "sell above buy", Controls()).settings
    check_accepted(found, task.controls, plant)
    windows = [found.window(place) for place in found.places()]
    assert all(window.grid_kw == 0 for window in windows if window.action == "charge")


def test_the_checks_of_this_file_refuse_what_they_should() -> None:
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


@pytest.mark.parametrize("step_pct", [50.0, 25.0, 20.0])
@pytest.mark.parametrize("tariff", ["two rates", "demand", "sell above buy"])
def test_no_level_below_the_floor_is_found_where_the_steps_are_coarse(
    step_pct: float, tariff: str
) -> None:
    controls = Controls(soc_step_pct=step_pct, import_cap=True)
    found = found_for(NARROW, HOURS, tariff, controls)
    for size in found.sizes[1:]:
        check_accepted(size.settings, controls, NARROW)
    assert found.sizes[0].settings.floor_pct == 55.0


def test_a_demand_charge_on_every_day_is_lowered_by_windows_in_both_day_sets() -> None:
    """A cap on weekdays alone saves nothing while weekends set the peak, and the other way round."""
    days = grid_of(24 * 9, start="2025-06-06T00:00")  # a Friday
    load = np.where(days.minute_of_day // 60 == 18, 4.0, 0.5)  # each evening an hour of 4 kW
    cost = cost_of([FLAT, DEMAND | {"per_kw": 20.0}], days)
    plan = make_plan(problem_of(AC_PLANT, days, load, 0 * load, cost), cost)
    controls = Controls(day_types="weekday_weekend", import_cap=True)
    task = task_for(plan, cost, controls, worth=0.0)
    found = find_settings(task, weather_of(plan), "found", [ALL_MONTHS], Effort(0, 8000)).settings
    (season,) = found.seasons
    assert all(day_set.windows for day_set in season.day_sets)
    run = run_through(AC_PLANT, days, load, 0 * load, found, AC_PLANT.low_kwh)
    assert run.flows.import_kwh.max() < 3.0  # without windows 4 kW
