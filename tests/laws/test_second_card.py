"""A second card for dark days: by hand on two days and on ten weeks, and the laws that it keeps."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest

from optimizer.base.timegrid import FloatArray
from optimizer.evaluation.comparison import Judge
from optimizer.evaluation.out_of_sample import AS_METERED
from optimizer.evaluation.second_card import DRAWS, Judged, SecondCard, by_chance, second_card
from optimizer.forecasting.day_ahead import day_ahead, pv_of_days, steps_of_days
from optimizer.forecasting.weeks import Weather, Year
from optimizer.planning.plan import Plan, make_plan
from optimizer.scenario.horizon import Horizon
from optimizer.search.choose import Found, find_settings
from optimizer.search.drafts import Draft
from optimizer.search.fit import settings_of, years_for
from optimizer.search.score import OtherCard, Season, Task
from optimizer.search.second_card import Cards, cards_of, find_pairs, rounded_yield
from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window, no_windows
from optimizer.simulation.by_turns import replay_by_turns
from optimizer.simulation.replay import replay
from optimizer.site.behaviour import Behaviour
from tests.builders import hourly_grid, simple_plant
from tests.laws.cases import AC_PLANT, DC_PLANT, cost_of, problem_of
from tests.laws.sites import (
    ALL_MONTHS,
    HALF_HOURS,
    LITTLE,
    TEN_WEEKS,
    cost_of_settings,
    site,
    task_for,
    task_of,
    weather_of,
)

EVENING, NOON = 18, 12
NIGHT_FILL = Draft(0, 360, "charge", 100.0, 4.0)


def card(*windows: Window) -> Settings:
    """Return a card of some windows on every day of the year."""
    days = [DaySet(days="every day", windows=list(windows))]
    season = SeasonSet(months=list(range(1, 13)), day_sets=days)
    return Settings(settings="card", floor_pct=0, seasons=[season])


def two_days(dark: list[bool], other: Settings, pv_at_noon: list[float]) -> FloatArray:
    """Return the hourly import of two days with 4 kWh of load at six in the evening. [kWh]"""
    grid = hourly_grid(48)
    load, pv = np.zeros((2, 24)), np.zeros((2, 24))
    load[:, EVENING], pv[:, NOON] = 4.0, pv_at_noon
    horizon = Horizon(simple_plant(4, 4), grid, load.ravel(), pv.ravel(), 0.0)
    holds = steps_of_days(np.array(dark), grid)
    return replay_by_turns(horizon, no_windows(0.0), other, holds).flows.import_kwh


def test_two_days_by_hand_a_dark_day_is_filled_for_and_a_bright_one_is_not() -> None:
    # Filled at midnight before the dark day: 4 kWh at 00:00; its evening and the next, by PV, cost nothing.
    fill = card(Window(start="00:00", end="06:00", action="charge"))
    first = two_days([True, False], fill, [0.0, 4.0])
    assert np.flatnonzero(first).tolist() == [0]
    assert first[0] == pytest.approx(4.0)
    # The other way round: PV covers the first evening, and midnight after it fills for the second.
    second = two_days([False, True], fill, [4.0, 0.0])
    assert np.flatnonzero(second).tolist() == [24]
    # Dark days taken for bright ones: the evening without sun is bought.
    assert np.flatnonzero(two_days([False, False], fill, [4.0, 0.0])).tolist() == [24 + EVENING]


def test_the_card_for_a_day_holds_from_eight_on_the_evening_before() -> None:
    late = card(Window(start="21:00", end="23:00", action="charge"))
    # Card B for the second day fills at 21:00 of the first. The second is the last: its card stays.
    assert np.flatnonzero(two_days([False, True], late, [4.0, 0.0])).tolist() == [21, 45]
    # Card B for the first day alone: from eight on that of the second holds, which does not fill.
    assert np.flatnonzero(two_days([True, False], late, [4.0, 4.0])).tolist() == []
    holds = steps_of_days(np.array([True, False, True]), hourly_grid(72))
    assert np.flatnonzero(~holds).tolist() == list(range(20, 44))


@pytest.mark.parametrize("at_target", ["keeps", "ends"])
def test_without_dark_days_the_bright_card_alone_is_replayed(at_target: str) -> None:
    habits = {"at_target": at_target}
    plant = replace(AC_PLANT, behaviour=Behaviour.model_validate(habits))
    plan, _ = site(AC_PLANT, HALF_HOURS, "two rates")
    horizon = replace(plan.problem.horizon, plant=plant, start_kwh=plan.start_kwh)
    bright = card(Window(start="22:00", end="05:30", action="charge", until_pct=60))
    dark = card(Window(start="23:00", end="06:00", action="charge"))
    cards = Cards(bright, dark, ALL_MONTHS, (0.0,), 1)
    never = steps_of_days(cards.dark_days(np.zeros(7), HALF_HOURS), HALF_HOURS)
    by_turns, alone = replay_by_turns(horizon, bright, dark, never), replay(horizon, bright)
    for name in ("import_kwh", "export_kwh", "charge_kwh", "discharge_kwh"):
        assert getattr(by_turns.flows, name).tobytes() == getattr(alone.flows, name).tobytes()
    always = replay_by_turns(horizon, bright, dark, ~never)
    assert always.stored_kwh.tobytes() == replay(horizon, dark).stored_kwh.tobytes()


@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT])
def test_the_search_scores_two_cards_as_replay_and_bill_do(plant) -> None:
    plan, cost = site(plant, HALF_HOURS, "two rates")
    task = task_of(plant, HALF_HOURS, "two rates", Controls())
    problem = plan.problem
    year = Year(problem.load_kwh, problem.pv_kwh, 1.0, tuple(HALF_HOURS.dates))
    bright = ((Draft(1320, 450, "charge", 45.0, 2.0),), ())
    dark = ((Draft(60, 240, "charge", 80.0, 4.0), Draft(1140, 60, "hold", 0.0, 0.0)),) * 2
    holds = steps_of_days(np.arange(len(HALF_HOURS.dates)) % 3 != 1, HALF_HOURS)
    season = Season(
        task, ALL_MONTHS[0], [year], [task.plan_flows], other=OtherCard(bright, ~holds[None])
    )
    first, second = (settings_of("card", ALL_MONTHS, [d], task) for d in (bright, dark))
    run = replay_by_turns(replace(problem.horizon, start_kwh=plan.start_kwh), first, second, holds)
    judge = Judge(cost, plan)
    turned = judge.cost_of(run) - judge.cost_of(
        replay(replace(problem.horizon, start_kwh=plan.start_kwh), first)
    )
    scored = float(season.costs([dark])[0, 0] - season.costs([bright])[0, 0])
    stored = (
        run.stored_kwh[-1]
        - replay(replace(problem.horizon, start_kwh=plan.start_kwh), first).stored_kwh[-1]
    )
    assert turned + judge.end_worth * stored == pytest.approx(
        scored + task.stored_worth * stored, abs=1e-6
    )
    assert cost_of_settings(plan, cost, first) != cost_of_settings(plan, cost, second)


# --- what is expected of tomorrow ---------------------------------------------------------------


@pytest.mark.parametrize("error", [0.0, 0.1, 0.3])
def test_a_forecast_errs_by_the_share_of_the_mean_that_is_asked(error: float) -> None:
    of_day = np.random.default_rng(3).uniform(0, 30, 400)
    expected = day_ahead(of_day, error, np.random.default_rng(4))
    rmse = np.sqrt(np.mean((expected - of_day) ** 2))
    assert rmse / of_day.mean() == pytest.approx(error)
    assert (expected >= of_day.min()).all()
    assert (expected <= of_day.max()).all()
    dark, bright = of_day < 5, of_day > 25
    assert error == 0 or expected[dark].mean() > of_day[dark].mean()
    assert error == 0 or expected[bright].mean() < of_day[bright].mean()


@pytest.mark.parametrize("of_day", [[7.0] * 20, [0.0] * 20, [5.0], [1.0, 3.0]])
def test_days_alike_and_very_few_days_are_forecast_too(of_day: list[float]) -> None:
    expected = day_ahead(np.array(of_day), 0.3, np.random.default_rng(1))
    assert (min(of_day) <= expected).all()
    assert (expected <= max(of_day)).all()


@pytest.mark.parametrize(
    ("kwh", "rounded"),
    [(17.3, 16), (34, 30), (9.2, 9), (0.37, 0.35), (100, 100), (487, 450), (5.4, 5), (18, 18), (0, 0), (-1, 0)],
)  # fmt: skip
def test_thresholds_are_numbers_that_a_person_remembers(kwh: float, rounded: float) -> None:
    assert rounded_yield(kwh) == pytest.approx(rounded)


def test_a_coin_shows_the_dark_card_as_often_in_each_group_of_months() -> None:
    groups = ((6,), (7, 8))
    cards = Cards(no_windows(0), no_windows(0), groups, (9.0, 4.0), 0)
    months = np.array([day.month for day in TEN_WEEKS.dates])
    dark = cards.dark_days(np.full(len(months), 5.0), TEN_WEEKS)
    assert dark.tolist() == (months == 6).tolist()
    dark[-5:] = True
    drawn = by_chance(dark, cards, TEN_WEEKS, np.random.default_rng(1))
    assert (drawn[months == 6]).all()
    assert drawn[months > 6].sum() == 5
    assert drawn.tolist() != dark.tolist()


# --- ten weeks by hand -------------------------------------------------------------------------

NIGHT = {"name": "night", "per_kwh": 0.10, "hours": ["00:00-06:00"]}
REST = {"name": "rest", "per_kwh": 0.30, "otherwise": True}
CHARGES = [
    {"kind": "energy", "name": "energy", "rates": [NIGHT, REST]},
    {"kind": "export_credit", "name": "export", "per_kwh": 0.02},
]
FLAT_CHARGES = [{"kind": "energy", "name": "energy", "per_kwh": 0.30}, CHARGES[1]]
PATTERN = (0, 0, 0, 0, 1, 0, 0, 1, 1, 0, 1, 0, 1, 1, 1, 1)
SPILLED = 4 * (0.10 - 0.02)
"""What a night's fill of 4 kWh loses on a sunny day: bought at night, and PV is sold in its place."""


@lru_cache(maxsize=4)
def ground(*, is_flat: bool = False) -> tuple[Plan, Task, Weather, Judge, Found]:
    """Return ten weeks of 4 kWh of load each evening, and as much PV on half of the days."""
    load, pv = np.zeros(TEN_WEEKS.count), np.zeros(TEN_WEEKS.count)
    hour = TEN_WEEKS.minute_of_day // 60
    load[hour == EVENING] = 4.0
    sunny = np.array([PATTERN[day % 16] for day in range(len(TEN_WEEKS.dates))])
    pv[hour == NOON] = 4.0 * sunny[TEN_WEEKS.day[hour == NOON]]
    cost = cost_of(FLAT_CHARGES if is_flat else CHARGES, TEN_WEEKS)
    plan = make_plan(problem_of(simple_plant(4, 4), TEN_WEEKS, load, pv, cost), cost)
    task = task_for(plan, cost, Controls(day_types="every_day"), worth=0.0)
    weather = weather_of(plan)
    found = find_settings(task, weather, "found", [ALL_MONTHS], LITTLE)
    return plan, task, weather, Judge(cost, plan), found


def test_two_cards_save_the_spilled_sun_of_sunny_days_as_worked_out_by_hand() -> None:
    # Dull day: 1.20 unfilled, 0.40 filled at night. Sunny day: 0 unfilled, 0.40 − 0.08 filled. One card fills
    # always, (0.40 + 0.32) / 2 < 1.20 / 2; two cards fill for dull days only. A forecast that never
    # errs tells them apart; one that errs takes some sunny days for dull ones, and is never better.
    plan, task, weather, judge, found = ground()
    second = second_card(found, task, weather, judge, plan.problem.horizon)
    assert second is not None
    per_fold = len(second.judged.one) // 2
    for fold in (0, 1):
        year = weather.year(AS_METERED, 1 - fold, np.random.default_rng(0))
        by_hand = SPILLED * pv_of_days(year.pv_kwh, TEN_WEEKS).sum() / 4
        for number in range(3 * DRAWS):
            at = fold * per_fold + number
            perfect = second.judged.perfect[at] - second.judged.one[at]
            assert perfect == pytest.approx(by_hand)
            assert (
                second.judged.coin[at] < second.judged.two[at] <= second.judged.perfect[at] + 1e-9
            )
    assert second.is_worth_it
    assert second.cards is not None
    assert second.cards.bright.entries() == 0
    assert second.cards.dark.entries() == 1
    assert 0.8 < second.cards.below_kwh[0] <= 3.5


def test_switching_by_hand_must_be_earned_too() -> None:
    plan, task, weather, judge, found = ground()
    dear = replace(task, worth_typing=60.0)  # two minutes: 2.00 each
    second = second_card(found, dear, weather, judge, plan.problem.horizon)
    assert second is not None
    assert second.per_switch == pytest.approx(2.0)
    assert second.asked == pytest.approx(
        2.0 * second.judged.switches + second.entries * second.per_entry
    )
    assert not second.is_worth_it
    assert second.cards is None


def test_the_menu_must_take_each_card_by_itself() -> None:
    plan, task, weather, judge, found = ground()
    none_stored = replace(task, controls=Controls(day_types="every_day", most_entries=0))
    second = second_card(found, none_stored, weather, judge, plan.problem.horizon)
    assert second is not None
    assert second.cards is None


def test_one_rate_asks_for_no_second_card_and_no_sun_or_battery_for_no_trial() -> None:
    plan, task, weather, judge, found = ground(is_flat=True)
    second = second_card(found, task, weather, judge, plan.problem.horizon)
    assert second is not None
    assert second.cards is None
    assert second.saves == pytest.approx(0.0)
    dull = plan.problem.horizon.with_weather(plan.problem.load_kwh, 0 * plan.problem.pv_kwh)
    assert second_card(found, task, weather, judge, dull) is None
    bare = replace(plan.problem.horizon, plant=simple_plant(4, 4).without_battery())
    assert second_card(found, task, weather, judge, bare) is None
    size = replace(found.sizes[found.chosen], fitted_on=())
    unjudged = replace(found, sizes=(size,), chosen=0)
    assert second_card(unjudged, task, weather, judge, plan.problem.horizon) is None


def test_an_entry_that_must_earn_more_than_all_is_not_searched_for() -> None:
    _, task, weather, _, _ = ground()
    years = years_for(weather, None)
    (free,) = find_pairs(task, years, ALL_MONTHS, no_windows(0.0), 0.0)
    assert free.below_kwh > 0
    assert free.entries == 1
    (dear,) = find_pairs(task, years, ALL_MONTHS, no_windows(0.0), 1e6)
    assert dear == dear.without()
    # One entry on the dark card and none on the bright one are no more than the one of one card,
    # which saves some 30 times 0.80 on dull days.
    filled = settings_of("filled", ALL_MONTHS, [((NIGHT_FILL,),)], task)
    (moved,) = find_pairs(task, years, ALL_MONTHS, filled, 5.0)
    assert moved.entries == 0
    assert moved.bright == ((),)
    assert [draft.level_pct for draft in moved.dark[0]] == [100.0]


def test_the_same_twice_and_one_card_where_a_group_is_not_kept() -> None:
    _, task, weather, _, found = ground()
    years = years_for(weather, 0)
    groups = ((6,), (7, 8))
    first, again = (find_pairs(task, years, groups, found.settings, 0.0) for _ in range(2))
    assert first == again
    cards = cards_of(first, task, groups, "found", {1})
    assert cards.below_in(6) == 0.0
    assert cards.below_in(7) == first[1].below_kwh > 0
    assert cards.bright.seasons[0] == cards.dark.seasons[0]
    assert cards.entries == first[1].entries


def test_what_is_asked_is_entries_and_switches_and_a_coin_must_be_beaten() -> None:
    judged = Judged(
        one=(10.0, 10.0), two=(30.0, 34.0), coin=(12.0, 14.0), perfect=(40.0, 40.0), switches=60
    )
    second = SecondCard(judged, entries=2.0, per_entry=5.0, per_switch=0.1)
    assert second.saves == pytest.approx(22.0)
    assert second.over_coin == pytest.approx(19.0)
    assert second.perfect == pytest.approx(30.0)
    assert second.asked == pytest.approx(16.0)
    assert second.is_worth_it
    lucky = replace(second, judged=replace(judged, coin=(30.0, 34.0)))
    assert lucky.over_coin == 0.0
    assert not lucky.is_worth_it
    assert not replace(second, per_entry=9.0).is_worth_it
