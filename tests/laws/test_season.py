"""Scores of windows in plausible years: the mean and the tail, however they are worked out."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.base import parallel as workers_module
from optimizer.base.flows import Flows
from optimizer.base.timegrid import FloatArray
from optimizer.cost.expression import linear_cost
from optimizer.forecasting.weeks import Year
from optimizer.planning.plan import Plan, make_plan
from optimizer.search import neighbours as moves
from optimizer.search import score as season_module
from optimizer.search.choose import Effort, Found
from optimizer.search.drafts import Draft, Drafts
from optimizer.search.fit import settings_of, years_for
from optimizer.search.pricing import pricing_of, softened
from optimizer.search.score import Season
from optimizer.search.score_kernel import parts_of_the_bill
from optimizer.settings.controls import Controls
from optimizer.settings.windows import Settings
from optimizer.site.behaviour import Behaviour
from tests.laws.cases import (
    AC_PLANT,
    DC_PLANT,
    DEMAND,
    FLAT,
    MONDAY,
    cost_of,
    grid_of,
    law,
    problem_of,
    random_meter,
    weather,
)
from tests.laws.sites import (
    ALL_MONTHS,
    HALF_HOURS,
    HOURS,
    TEN_WEEKS,
    THREE_DAYS,
    cost_of_settings,
    fixed_cost,
    found_for,
    season_of,
    site,
    task_for,
    task_of,
    weather_of,
)

RICH: dict[str, Any] = {"import_cap": True, "windows_per_day": 4, "minutes": 60}
WEEK = grid_of(24 * 8, 60, MONDAY)


def years_of(plan: Plan, weights: list[float]) -> list[Year]:
    """Return years of unlike weather, as heavy as is said."""
    grid = plan.problem.grid
    return [
        Year(*weather(grid, 20 + number, 2.0 + 2 * number), weight, tuple(grid.dates))
        for number, weight in enumerate(weights)
    ]


def season_with(weights: list[float], tariff: str = "demand") -> Season:
    plan, cost = site(AC_PLANT, WEEK, tariff)
    return season_of(task_for(plan, cost, Controls(**RICH)), plan, years_of(plan, weights))


def some_drafts(season: Season, seed: int, count: int) -> list[Drafts]:
    """Return sets of windows that the controls accept, each changed a little from the one before."""
    luck = np.random.default_rng(seed)
    candidates = moves.candidates_for(season)
    found, drafts = [season.empty], season.empty
    while len(found) < count:
        if luck.random() < 0.5 or not sum(map(len, drafts)):
            added = [candidates[int(luck.integers(len(candidates)))]]
            choices = list(moves.additions(drafts, moves.apart(season), season, added))
        else:
            choices = list(moves.changes(drafts, moves.apart(season), season))
        if choices:
            drafts = choices[int(luck.integers(len(choices)))]
            found.append(drafts)
    return found


# --- mean and tail ----------------------------------------------------------------------------


def mean_and_tail(changes: FloatArray, weights: list[float]) -> float:
    """Return 0.7 of the weighted mean and 0.3 of the mean of the worst third, in plain loops."""
    pairs = sorted(zip(changes, weights, strict=True), reverse=True)
    whole = sum(weights)
    mean = sum(change * weight for change, weight in pairs) / whole
    left, tail = whole / 3, 0.0
    for change, weight in pairs:
        part = min(left, weight)
        tail += change * part
        left -= part
    return float(0.7 * mean + 0.3 * tail / (whole / 3))


def test_a_score_is_mostly_the_mean_and_some_of_the_worst_third() -> None:
    """Changes of −10, −4, 2 and −6 money in years that weigh 0.3, 0.3, 0.2 and 0.2.

    The mean is −3 − 1.2 + 0.4 − 1.2 = −5. The worst third holds all of the year of 2 (0.2) and
    0.1333 of the year of −4: (0.4 − 0.5333) · 3 = −0.4. So the score is 0.7 · −5 + 0.3 · −0.4.
    """
    season = season_with([0.3, 0.3, 0.2, 0.2])
    changes = np.array([[-10.0, -4.0, 2.0, -6.0], [1.0, 1.0, 1.0, 1.0], [0.0, 0.0, 3.0, 0.0]])
    joined = season.joined(changes)
    # All years alike: 1. One of 3, weight 0.2: mean 0.6, tail 0.6 · 3 = 1.8.
    assert joined == pytest.approx([-3.62, 1.0, 0.7 * 0.6 + 0.3 * 1.8])
    assert mean_and_tail(changes[0], [0.3, 0.3, 0.2, 0.2]) == pytest.approx(-3.62)


@pytest.mark.parametrize(
    "weights", [[1.0], [1.0, 1.0], [0.3, 0.3, 0.2, 0.2], [5.0, 1.0, 1.0], [0.1, 0.1, 0.1, 0.1, 9.0]]
)
def test_a_score_is_mean_and_tail_of_what_each_year_changes_and_a_sum_for_each_window(
    weights: list[float],
) -> None:
    season = season_with(weights)
    assert season.min_worth > 0
    many = some_drafts(season, 5, 30)
    changes = season.costs(many) - season.costs([season.empty])
    expected = [
        mean_and_tail(change, weights) + season.min_worth * sum(map(len, drafts))
        for change, drafts in zip(changes, many, strict=True)
    ]
    assert season.scores(many) == pytest.approx(expected)
    means = changes @ np.array(weights) / sum(weights)
    assert [season.mean_change(drafts) for drafts in many] == pytest.approx(means)
    assert season.first_changes(many) == pytest.approx(changes[:, 0])
    assert np.ptp(changes, axis=1).max() > 0 or len(weights) == 1


def test_no_windows_have_the_score_zero() -> None:
    assert season_with([0.3, 0.7]).score(((), ())) == 0.0


# --- costs are those of replays ---------------------------------------------------------------


def settings_for(season: Season, drafts: Drafts) -> Settings:
    return settings_of("tried", ALL_MONTHS, [drafts], season.task)


@pytest.mark.parametrize("tariff", ["two rates", "demand", "everything", "steps and a bank"])
@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
def test_what_windows_cost_in_a_year_is_bill_and_wear_of_their_replay_there(
    plant: Any, tariff: str
) -> None:
    grid = THREE_DAYS if tariff == "everything" else HOURS
    plan, cost = site(plant, grid, tariff)
    years = years_for(weather_of(plan), None)
    season = season_of(task_for(plan, cost, Controls(**RICH)), plan, years)
    many = some_drafts(season, 2, 12)
    expected = [
        [cost_of_settings(plan, cost, settings_for(season, drafts), year) for year in years]
        for drafts in many
    ]
    differ = np.array(expected) - expected[0]
    costs = season.costs(many)
    np.testing.assert_allclose(costs - costs[0], differ, atol=1e-9)
    assert np.abs(differ).max() > 0.1


def test_what_no_windows_cost_is_the_bill_without_what_no_flow_changes() -> None:
    plan, cost = site(DC_PLANT, HOURS, "two rates")
    season = season_of(task_for(plan, cost, Controls()), plan)
    plain = cost_of_settings(plan, cost, settings_for(season, season.empty), season.years[0])
    assert season.costs([season.empty])[0, 0] == pytest.approx(plain - fixed_cost(plan, cost))


HABITS = [
    {"at_target": "ends"},
    {"at_target": "ends", "floor_restart_pct": 8.0, "least_power_kw": 0.4},
    {"pv_charges_first": True, "cap_uses_battery": False, "running_loss_kw": 0.1},
    {"surplus_first": "export", "standby_kw": 0.2, "at_target": "ends"},
]


@pytest.mark.parametrize("habits", HABITS)
def test_windows_cost_what_their_replay_costs_whatever_the_habits_of_the_equipment(
    habits: dict[str, Any],
) -> None:
    """Also where a night's window runs from Friday to Saturday, from one day set to the other."""
    plan, cost = site(AC_PLANT, WEEK, "demand")
    plant = replace(AC_PLANT, behaviour=Behaviour(**habits))
    plan = replace(plan, problem=plan.problem.on(plant=plant))
    season = season_of(task_for(plan, cost, Controls(**RICH)), plan, years_of(plan, [1.0, 2.0]))
    night = Draft(20 * 60, 12 * 60, "charge", 60.0, 3.0)
    many = [*some_drafts(season, 7, 25), ((night,), (night,)), ((night,), ())]
    expected = [
        [cost_of_settings(plan, cost, settings_for(season, drafts), year) for year in season.years]
        for drafts in many
    ]
    costs = season.costs(many)
    np.testing.assert_allclose(costs - costs[0], np.array(expected) - expected[0], atol=1e-9)


def test_windows_that_begin_between_steps_cost_what_their_replay_costs() -> None:
    """Settings in use may know minutes that the forecast does not: a step obeys its beginning."""
    plan, cost = site(AC_PLANT, HOURS, "two rates")
    season = season_of(task_for(plan, cost, Controls(minutes=15)), plan)
    many = [
        (((Draft(begin, length, "charge", 80.0, 4.0),),) * 2)
        for begin in (30, 45, 60, 1410)
        for length in (15, 30, 90, 120, 345)
    ]
    expected = [
        cost_of_settings(plan, cost, settings_for(season, drafts), season.years[0])
        for drafts in many
    ]
    costs = season.costs(many)[:, 0]
    assert np.ptp(expected) > 0.1
    np.testing.assert_allclose(costs - costs[0], np.array(expected) - expected[0], atol=1e-9)


# --- the way does not matter ------------------------------------------------------------------


def test_scores_do_not_depend_on_how_many_are_worked_out_at_once() -> None:
    many = some_drafts(season_with([0.3, 0.3, 0.2, 0.2]), 3, 50)
    whole, single, batches = (season_with([0.3, 0.3, 0.2, 0.2]) for _ in range(3))
    together = whole.scores(many)
    alone = np.array([single.score(drafts) for drafts in many])
    split = np.concatenate([batches.scores(many[n : n + 7]) for n in range(0, len(many), 7)])
    np.testing.assert_array_equal(whole.costs(many), single.costs(many[::-1])[::-1])
    np.testing.assert_array_equal(together, alone)
    np.testing.assert_array_equal(together, split)


@pytest.mark.parametrize("workers", [1, 3, 7])
def test_scores_do_not_depend_on_the_number_of_workers(
    workers: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    many = some_drafts(season_with([0.3, 0.7]), 4, 60)
    expected = season_with([0.3, 0.7]).scores(many)
    monkeypatch.setattr(workers_module, "WORKERS", workers)
    workers_module.workers.cache_clear()
    try:
        np.testing.assert_array_equal(season_with([0.3, 0.7]).scores(many), expected)
    finally:
        workers_module.workers().shutdown()
        workers_module.workers.cache_clear()


OTHER_MACHINE = """
import os
os.cpu_count = lambda: 1
from optimizer.base import parallel as workers
assert workers.WORKERS == 1
from tests.laws.test_season import words_of_a_search
print(words_of_a_search())
"""


def words_of_a_search() -> str:
    """Return what one season finds whose scores are shared out, and folds and seasons side by side."""
    alone = found_for(AC_PLANT, HOURS, "two rates", Controls(), effort=Effort(0, 1500))
    months = [((6,), (7, 8)), ((6, 7, 8),)]
    apart = found_for(AC_PLANT, TEN_WEEKS, "demand", Controls(), months, Effort(150, 400))
    return words_of(alone) + words_of(apart)


def words_of(found: Found) -> str:
    """Return all windows and what they save, to the last digit, and the work that was done."""
    sizes = [(size.settings.model_dump_json(), size.seen) for size in found.sizes]
    return f"{sizes} {found.replays}"


@pytest.mark.long
def test_a_machine_of_one_core_finds_the_same_windows_as_this_one(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(workers_module, "WORKERS", 4)
    workers_module.workers.cache_clear()
    other = subprocess.run(
        [sys.executable, "-c", OTHER_MACHINE], check=True, capture_output=True, text=True,
        env=os.environ | {"PYTHONPATH": "."},
    )  # fmt: skip
    assert "charge" in other.stdout
    assert other.stdout.strip() == words_of_a_search()


TIED = """
from optimizer.search.choose import Effort, Found
from optimizer.settings.controls import Controls
from tests.laws.test_season import words_of
from tests.laws.cases import AC_PLANT
from tests.laws.sites import HOURS, found_for
print(words_of(found_for(AC_PLANT, HOURS, "demand", Controls(import_cap=True), effort=Effort(0, 4000))))
"""


def test_every_process_finds_the_same_windows_where_many_cost_the_same() -> None:
    """Texts hash otherwise in each process, so that sets are run through in another order."""
    found = {
        subprocess.run(
            [sys.executable, "-c", TIED], check=True, capture_output=True, text=True,
            env=os.environ | {"PYTHONPATH": ".", "PYTHONHASHSEED": seed},
        ).stdout
        for seed in ("1", "2")
    }  # fmt: skip
    assert len(found) == 1
    assert "import_cap_kw" in found.pop()


# --- softer peaks -----------------------------------------------------------------------------


@pytest.mark.parametrize("days", [1, 3, 8, 40])
def test_a_soft_season_counts_the_mean_of_the_highest_days_for_each_highest_power(
    days: int,
) -> None:
    """Hourly import of a fortnight over the end of June, at 3 money for each kW of a month's peak."""
    grid = grid_of(24 * 14, 60, "2025-06-23")
    linear = linear_cost(cost_of([DEMAND], grid).total, grid.count)
    energy = random_meter(grid, 3).import_kwh
    meter = Flows.of_meter(grid, energy, 0 * energy)
    pricing = pricing_of(linear, meter, AC_PLANT, 0.0, np.arange(grid.count))
    soft = softened(pricing, days)
    expected = 0.0
    for month in (6, 7):
        daily = [
            energy[grid.day == number].max()
            for number, day in enumerate(grid.dates) if day.month == month
        ]  # fmt: skip
        expected += 3.0 * float(np.mean(sorted(daily, reverse=True)[:days]))
    assert parts_of_the_bill(energy, 0 * energy, 0 * energy, soft) == pytest.approx(expected)
    if days == 1:
        assert expected == pytest.approx(linear.value(meter))


def test_softer_peaks_leave_means_of_several_peaks_and_costs_without_peaks_alone() -> None:
    grid = grid_of(24 * 14, 60, "2025-06-23")
    energy = random_meter(grid, 3).import_kwh
    meter = Flows.of_meter(grid, energy, 0 * energy)
    for charges in ([FLAT], [DEMAND | {"highest": 3, "one_per": "day"}]):
        linear = linear_cost(cost_of(charges, grid).total, grid.count)
        pricing = pricing_of(linear, meter, AC_PLANT, 0.0, np.arange(grid.count))
        whole, soft = (
            parts_of_the_bill(energy, 0 * energy, 0 * energy, p)
            for p in (pricing, softened(pricing, 5))
        )
        assert soft == pytest.approx(whole)


@law(30)
@given(st.integers(0, 10**6), st.integers(-300, 50))
def test_a_limit_rejects_only_what_is_not_better_than_it_in_the_first_year(
    seed: int, hundredths: int
) -> None:
    weights, limit = [0.3, 0.3, 0.2, 0.2], hundredths / 100
    season = season_with(weights)
    many = some_drafts(season, seed, 12)
    fresh = season_with(weights)
    limited, all_scores = fresh.scores(many, limit), season.scores(many)
    windows = season.min_worth * np.array([sum(map(len, drafts)) for drafts in many])
    first = season.first_changes(many) + windows
    rejected = np.isinf(limited)
    np.testing.assert_array_equal(rejected, first >= limit)
    np.testing.assert_array_equal(limited[~rejected], all_scores[~rejected])
    np.testing.assert_array_equal(fresh.scores(many), all_scores)  # a rejection is not remembered


def test_work_is_counted_in_replays_of_a_year() -> None:
    season = season_with([0.3, 0.3, 0.4])
    many = some_drafts(season, 3, 10)
    before = season.work
    season.scores(many)
    assert season.work - before == pytest.approx(3 * len(many))
    season.scores(many)
    assert season.work - before == pytest.approx((3 + season_module.LOOK_UP_WORK) * len(many))
    fresh, before = season_with([0.3, 0.3, 0.4]), 0.0
    before = fresh.work
    fresh.scores(many, -1e9)  # all are rejected after the first year
    assert fresh.work - before == len(many)


def test_scores_are_worked_out_anew_when_other_months_are_assumed_otherwise() -> None:
    """A ratchet remembers June: after a peak there that July cannot reach, a cap lowers none."""
    charges = [FLAT, DEMAND | {"per_kw": 20.0, "ratchet": {"pct": 100.0}}]
    cost = cost_of(charges, HOURS)
    load, pv = weather(HOURS, 12)
    plan = make_plan(problem_of(AC_PLANT, HOURS, load, pv, cost), cost)
    task = task_for(plan, cost, Controls(**RICH), worth=0.0)
    capped = ((Draft(0, 1440, "hold", 0.0, 0.0, 1.5),),) * 2
    held = ((Draft(0, 1440, "hold", 0.0, 0.0),),) * 2
    bought = np.where(HOURS.month == 6, 30.0, 0.0)
    peak, calm = (Flows.of_meter(HOURS, energy, 0 * bought) for energy in (bought, 0 * bought))
    season = Season(task, [7], years_of(plan, [0.5, 0.5]), [calm])

    def saved_by_the_cap() -> FloatArray:
        return np.asarray((season.costs([held]) - season.costs([capped]))[0])

    before, score = saved_by_the_cap(), season.score(capped)
    season.look_elsewhere([peak])
    energy_alone = saved_by_the_cap()
    assert (
        energy_alone < before - 20.0 * 0.25
    ).all()  # a quarter of a kW, at least, counts no more
    assert season.score(capped) != score
    season.look_elsewhere([peak, calm])
    assert saved_by_the_cap() == pytest.approx([energy_alone[0], before[1]])


def test_half_hours_and_day_sets_meet_the_right_windows() -> None:
    """A window of weekends alone changes nothing on weekdays."""
    plan, _ = site(AC_PLANT, HALF_HOURS, "two rates")
    season = season_of(task_of(AC_PLANT, HALF_HOURS, "two rates", Controls()), plan)
    weekend = np.isin(HALF_HOURS.weekday, (5, 6))
    np.testing.assert_array_equal(season.mask_of_day_set(1), weekend)
    np.testing.assert_array_equal(season.mask_of_day_set(0), ~weekend)
