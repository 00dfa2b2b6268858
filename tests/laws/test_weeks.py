"""Plausible years: whole weeks of the same time of the year, and folds that share no day.

The load of a day encodes its date and its hour, so that each step of a year says where it is from.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date, timedelta
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.base.calendar import Holidays
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.forecasting.weeks import LEAST_WEEKS, REACH_DAYS, Material, Variant, Weather, Year
from optimizer.forecasting.weeks import days_apart as near_days
from optimizer.metering.forecast import Forecast
from tests.builders import local_grid
from tests.laws.cases import law

DUBLIN = "Europe/Dublin"  # clocks change on 30 March and on 26 October 2025
HOUR_CODE = 100.0
RESAMPLED, METERED = Variant(1.0), Variant(1.0, resampled=False)


def coded(grid: TimeGrid) -> Forecast:
    """Return a forecast whose load tells day and clock hour, and whose PV is twice that."""
    day = np.array([day.toordinal() for day in grid.dates], dtype=float)[grid.day]
    load = day * HOUR_CODE + grid.minute_of_day / 60
    return Forecast(grid, load, 2 * load)


def metered_day(load: FloatArray) -> list[date]:
    return [date.fromordinal(int(value // HOUR_CODE)) for value in load]


def metered_hour(load: FloatArray) -> FloatArray:
    return np.asarray(load % HOUR_CODE)


def year_of(weather: Weather, recipe: Variant, fold: int | None, seed: int = 1) -> Year:
    return weather.year(recipe, fold, np.random.default_rng(seed))


def monday_of(day: date) -> date:
    return day - timedelta(days=day.weekday())


def days_apart(one: date, other: date) -> float:
    """Return how far the Thursdays of two weeks lie from each other in the year."""
    places = [(monday_of(day) + timedelta(days=3)).timetuple().tm_yday for day in (one, other)]
    apart = abs(places[0] - places[1])
    return min(apart, 365.25 - apart)


YEAR_GRID = local_grid("2025-01-01T00:00", DUBLIN, 8760)  # a Wednesday
MID_WEEK = local_grid("2025-03-06T13:00", DUBLIN, 24 * 7 * 20 + 5)  # a Thursday afternoon
TWO_YEARS = local_grid("2024-01-01T00:00", DUBLIN, 2 * 8760)
HALF_HOURS = local_grid("2025-09-17T00:30", DUBLIN, 48 * 7 * 12, 30)
GRIDS = {"year": YEAR_GRID, "mid-week": MID_WEEK, "two years": TWO_YEARS, "half-hours": HALF_HOURS}
every_grid = pytest.mark.parametrize("grid", GRIDS.values(), ids=GRIDS)


def check_weeks(grid: TimeGrid, year: Year) -> None:
    """Hold that each calendar week is one metered week, weekday on weekday and hour on hour."""
    days = metered_day(year.load_kwh)
    source: dict[date, date] = {}
    for number, metered in zip(grid.day, days, strict=True):
        day = grid.dates[number]
        assert metered.weekday() == day.weekday()
        assert source.setdefault(monday_of(day), monday_of(metered)) == monday_of(metered)
        assert year.metered_on[number] == metered


def skipped_hours(grid: TimeGrid, year: Year) -> np.ndarray:
    """Return the steps whose hour was not metered because clocks went forward on that day."""
    return np.flatnonzero(metered_hour(year.load_kwh) != grid.minute_of_day / 60)


@every_grid
@pytest.mark.parametrize("recipe", [RESAMPLED, METERED], ids=["resampled", "metered"])
@pytest.mark.parametrize("fold", [None, 0, 1])
def test_weeks_stay_whole_and_weekdays_weekdays(
    fold: int | None, recipe: Variant, grid: TimeGrid
) -> None:
    weather = Weather(coded(grid))
    year = year_of(weather, recipe, fold)
    check_weeks(grid, year)
    np.testing.assert_array_equal(year.pv_kwh, 2 * year.load_kwh)
    late = skipped_hours(grid, year)
    forward = {date(2024, 3, 31), date(2025, 3, 30)}
    assert {metered_day(year.load_kwh)[step] for step in late} <= forward
    assert set((grid.minute_of_day[late] // 60).tolist()) <= {1}


@every_grid
def test_folds_share_no_day_and_together_hold_every_whole_week(grid: TimeGrid) -> None:
    weather = Weather(coded(grid))
    seen = [
        {
            day
            for seed in range(60)
            for day in set(year_of(weather, RESAMPLED, fold, seed).metered_on)
        }
        for fold in (0, 1)
    ]
    mondays = [day for day in grid.dates if day.weekday() == 0]
    whole = {
        monday + timedelta(days=number)
        for monday in mondays
        if monday + timedelta(days=6) in grid.dates[:-1]
        for number in range(7)
    }
    assert not seen[0] & seen[1]
    assert whole <= seen[0] | seen[1]
    assert max(len(seen[0]), len(seen[1])) <= 0.6 * len(whole) + 7


@every_grid
@pytest.mark.parametrize("fold", [0, 1])
def test_a_metered_year_of_a_fold_keeps_its_own_weeks_where_they_are(
    fold: int, grid: TimeGrid
) -> None:
    weather = Weather(coded(grid))
    metered, other = (set(year_of(weather, METERED, f).metered_on) for f in (fold, 1 - fold))
    year = year_of(weather, METERED, fold)
    assert not metered & other
    own = [day for day, source in zip(grid.dates, year.metered_on, strict=True) if day == source]
    assert set(own) == metered
    assert 0.4 * len(grid.dates) - 14 <= len(own) <= 0.6 * len(grid.dates)


@pytest.mark.parametrize("fold", [0, 1])
def test_a_metered_year_of_a_fold_takes_the_week_before_or_after_where_its_own_may_not_be_used(
    fold: int,
) -> None:
    """Of the same month, by the Thursday, as every month has weeks of both folds."""
    year = year_of(Weather(coded(YEAR_GRID)), METERED, fold)
    thursdays = {
        (monday_of(day) + timedelta(days=3), monday_of(source) + timedelta(days=3))
        for day, source in zip(YEAR_GRID.dates, year.metered_on, strict=True)
    }
    whole = {(day, source) for day, source in thursdays if 2 < day.timetuple().tm_yday < 363}
    assert {abs((day - source).days) for day, source in whole} == {0, 7}
    assert all(day.month == source.month for day, source in whole)
    assert len(whole) >= 50
    again = year_of(Weather(coded(YEAR_GRID)), METERED, fold, seed=9)
    np.testing.assert_array_equal(again.load_kwh, year.load_kwh)  # there is no luck in it


def test_the_year_as_metered_is_the_forecast_itself() -> None:
    """Not put together from weeks: the days that clocks change and the ends stay as they are."""
    for grid in GRIDS.values():
        forecast = coded(grid)
        year = year_of(Weather(forecast), METERED, None)
        np.testing.assert_array_equal(year.load_kwh, forecast.load_kwh)
        np.testing.assert_array_equal(year.pv_kwh, forecast.pv_kwh)
        assert list(year.metered_on) == grid.dates


@every_grid
@pytest.mark.parametrize("fold", [None, 0, 1])
def test_a_week_comes_from_the_same_time_of_the_year(fold: int | None, grid: TimeGrid) -> None:
    weather = Weather(coded(grid))
    for seed in range(5):
        year = year_of(weather, RESAMPLED, fold, seed)
        pairs = zip(grid.dates, year.metered_on, strict=True)
        assert max(days_apart(day, source) for day, source in pairs) <= REACH_DAYS


def test_the_reach_goes_over_the_new_year() -> None:
    """The first days of January may be those of December, and sometimes are."""
    weather = Weather(coded(YEAR_GRID))
    first = {year_of(weather, RESAMPLED, None, seed).metered_on[0].month for seed in range(30)}
    assert first == {1, 12}


def test_where_no_week_is_near_those_that_are_nearest_are_taken() -> None:
    """Of weeks of January and February alone, the last are nearest to July and to September.

    Thursdays are days 9 to 58 of the year. From day 198 it is 140 days back to the last. Day 261 is
    as long as day 116, from which it is 58 back to the last, counted as 83; to the first it is 113.
    """
    weather = Weather(coded(YEAR_GRID), keep=lambda monday: monday.month <= 2)
    for recipe, weeks in (
        (METERED, [date(2025, 2, 24)]),
        (RESAMPLED, [date(2025, 2, 17), date(2025, 2, 24)]),
    ):
        year = year_of(weather, recipe, None)
        assert max(year.metered_on) == date(2025, 3, 2)
        of_day = dict(zip(YEAR_GRID.dates, year.metered_on, strict=True))
        assert of_day[date(2025, 7, 14)] in weeks
        assert of_day[date(2025, 9, 15)] in weeks


def test_on_the_days_that_clocks_change_every_step_gets_an_hour_of_its_own_day() -> None:
    """Forward: a day of 24 hours made of one of 23 takes 00:00 again at 01:00. Back: the first."""
    weather = Weather(coded(YEAR_GRID))
    short, long = date(2025, 3, 30), date(2025, 10, 26)
    found = 0
    for seed in range(40):
        year = year_of(weather, RESAMPLED, None, seed)
        hour = metered_hour(year.load_kwh)
        for number, source in enumerate(year.metered_on):
            inside = YEAR_GRID.day == number
            clock = YEAR_GRID.minute_of_day[inside] // 60
            if source == short and YEAR_GRID.dates[number] != short:
                found += 1
                assert hour[inside].tolist() == [0.0, 0.0, *range(2, 24)]
            elif source == long or YEAR_GRID.dates[number] == long:
                assert hour[inside].tolist() == clock.tolist()
    assert found > 5


def test_of_an_hour_that_comes_twice_the_first_is_taken() -> None:
    forecast = coded(YEAR_GRID)
    twice = np.flatnonzero(
        (YEAR_GRID.day == YEAR_GRID.dates.index(date(2025, 10, 26)))
        & (YEAR_GRID.minute_of_day == 60)
    )
    assert len(twice) == 2
    load = forecast.load_kwh.copy()
    load[twice[1]] = -1.0
    weather = Weather(Forecast(YEAR_GRID, load, forecast.pv_kwh))
    years = [year_of(weather, RESAMPLED, None, seed) for seed in range(20)]
    assert any(date(2025, 10, 26) in year.metered_on for year in years)
    assert all(year.load_kwh.min() > 0 for year in years)


def test_a_week_that_was_begun_or_cut_off_is_not_used() -> None:
    weather = Weather(coded(MID_WEEK))
    used = {
        day for seed in range(60) for day in set(year_of(weather, RESAMPLED, None, seed).metered_on)
    }
    first, last = date(2025, 3, 10), date(2025, 7, 20)  # Monday to Sunday; it begins on the 6th
    assert min(used) == first
    assert max(used) == last
    assert MID_WEEK.dates[0] < first
    assert MID_WEEK.dates[-1] > last


@pytest.mark.parametrize("begin", ["2025-06-02T01:00", "2025-06-02T02:00"])
def test_a_week_that_lacks_its_first_hour_is_not_used_either(begin: str) -> None:
    """It would have no load in the hours before; the code of a date is never zero."""
    grid = local_grid(begin, DUBLIN, 24 * 7 * 12)
    years = [year_of(Weather(coded(grid)), RESAMPLED, None, seed) for seed in range(20)]
    assert all(year.load_kwh.min() > 0 for year in years)
    assert date(2025, 6, 2) not in {day for year in years for day in year.metered_on}


@pytest.mark.parametrize("weeks", [1, LEAST_WEEKS - 1, LEAST_WEEKS, LEAST_WEEKS + 4])
def test_a_short_forecast_has_no_folds_and_stays_as_it_is(weeks: int) -> None:
    grid = local_grid("2025-06-02T00:00", DUBLIN, 24 * 7 * weeks)  # a Monday
    forecast = coded(grid)
    weather = Weather(forecast)
    assert weather.has_folds == (weeks >= LEAST_WEEKS)
    if not weather.has_folds:
        for fold in (None, 0, 1):
            year = year_of(weather, Variant(2.0, load_factor=1.5, pv_factor=0.5), fold)
            np.testing.assert_array_equal(year.load_kwh, 1.5 * forecast.load_kwh)
            np.testing.assert_array_equal(year.pv_kwh, 0.5 * forecast.pv_kwh)
            assert (list(year.metered_on), year.weight) == (grid.dates, 2.0)


def test_other_years_are_taken_from_too() -> None:
    others = [local_grid(f"{year}-01-01T00:00", DUBLIN, 8760) for year in (2022, 2023)]
    weather = Weather(
        coded(YEAR_GRID), Material((coded(YEAR_GRID), *map(coded, others)), holds_forecast=True)
    )
    for fold in (None, 0, 1):
        year = year_of(weather, RESAMPLED, fold)
        check_weeks(YEAR_GRID, year)
        assert {day.year for day in year.metered_on} == {2022, 2023, 2025}
    folds = [
        {day for seed in range(20) for day in set(year_of(weather, RESAMPLED, f, seed).metered_on)}
        for f in (0, 1)
    ]
    assert not folds[0] & folds[1]


def test_other_years_that_hold_the_same_weeks_again_do_not_let_a_fold_see_the_other() -> None:
    again = Forecast(YEAR_GRID, coded(YEAR_GRID).load_kwh, coded(YEAR_GRID).pv_kwh)
    weather = Weather(coded(YEAR_GRID), Material((coded(YEAR_GRID), again), holds_forecast=True))
    folds = [
        {day for seed in range(20) for day in set(year_of(weather, RESAMPLED, f, seed).metered_on)}
        for f in (0, 1)
    ]
    assert not folds[0] & folds[1]


def test_factors_multiply_what_the_same_weeks_give() -> None:
    weather = Weather(coded(YEAR_GRID))
    for fold in (None, 0):
        plain = year_of(weather, RESAMPLED, fold)
        more = year_of(weather, Variant(0.2, load_factor=1.2, pv_factor=0.85), fold)
        np.testing.assert_allclose(more.load_kwh, 1.2 * plain.load_kwh)
        np.testing.assert_allclose(more.pv_kwh, 0.85 * plain.pv_kwh)
        assert more.metered_on == plain.metered_on
        assert more.weight == 0.2


def test_the_same_luck_gives_the_same_year_and_other_luck_another() -> None:
    weather = Weather(coded(YEAR_GRID))
    first, again, other = (year_of(weather, RESAMPLED, 1, seed) for seed in (4, 4, 5))
    np.testing.assert_array_equal(first.load_kwh, again.load_kwh)
    assert (first.load_kwh != other.load_kwh).any()


@law(40)
@given(
    st.dates(date(2023, 1, 1), date(2025, 12, 31)),
    st.integers(0, 23),
    st.integers(24, 24 * 7 * 30),
    st.sampled_from([None, 0, 1]),
    st.booleans(),
)
def test_any_forecast_gives_years_of_whole_weeks(
    first: date, hour: int, count: int, fold: int | None, resampled: bool
) -> None:
    hour = 2 if hour == 1 else hour  # an hour that some days do not have
    grid = local_grid(f"{first}T{hour:02d}:00", DUBLIN, count)
    weather = Weather(coded(grid))
    year = year_of(weather, Variant(1.0, resampled=resampled), fold)
    assert np.isfinite(year.load_kwh).all()
    assert year.load_kwh.min() > 0
    assert len(year.load_kwh) == len(year.pv_kwh) == grid.count
    assert len(year.metered_on) == len(grid.dates)
    if weather.has_folds:
        check_weeks(grid, year)
        check_mondays_alternate(weather, grid)


def check_mondays_alternate(weather: Weather, grid: TimeGrid) -> None:
    """Hold that weeks belong to the folds by turns."""
    folds = [
        {monday_of(day) for seed in range(8) for day in year_of(weather, RESAMPLED, f, seed).metered_on}
        for f in (0, 1)
    ]  # fmt: skip
    assert not folds[0] & folds[1]
    for fold in folds:
        assert all((later - earlier).days % 14 == 0 for earlier, later in pairwise(sorted(fold)))
    assert all(monday in grid.dates for monday in both(folds))


def both(folds: Iterable[set[date]]) -> set[date]:
    return set().union(*folds)


# --- weeks of the other half of the year, weights, holidays, additions -----------------------------


@pytest.mark.parametrize(
    ("place", "other", "days"),
    [
        (100.0, 110.0, 10.0),
        (360.0, 4.0, 9.25),
        (300.0, 70.0, 25.0 + 7.25),  # by hand: 12 - 300 - 70 = -358, 7.25 days from a whole year
        (15.0, 362.25, 18.0),  # 18 days directly, 25 at least by way of the mirror
    ],
)
def test_days_are_apart_by_the_calendar_or_by_the_length_of_the_day(
    place: float, other: float, days: float
) -> None:
    assert near_days(np.array([place]), other) == pytest.approx([days])


def test_a_season_that_was_never_metered_is_made_of_the_one_with_days_as_long() -> None:
    spring = local_grid("2025-01-06T00:00", DUBLIN, 24 * 7 * 26)
    november = local_grid("2025-11-03T00:00", DUBLIN, 24 * 7 * 4)
    weather = Weather(coded(november), Material((coded(spring),)))
    drawn = {monday_of(day) for day in metered_day(year_of(weather, RESAMPLED, None).load_kwh)}
    assert drawn <= {date(2025, month, day) for month, day in (
        (1, 27), (2, 3), (2, 10), (2, 17), (2, 24), (3, 3), (3, 10), (3, 17))}  # fmt: skip
    assert len(drawn) > 1


def test_recent_years_are_drawn_more_often_by_their_weight() -> None:
    coming = local_grid("2027-01-04T00:00", DUBLIN, 24 * 7 * 52)
    old, new = (local_grid(f"{year}-01-01T00:00", DUBLIN, 8760) for year in (2024, 2025))
    weather = Weather(coded(coming), Material((coded(new), coded(old)), (3.0, 1.0)))
    drawn = [
        monday_of(day).year
        for seed in range(10)
        for day in metered_day(year_of(weather, RESAMPLED, None, seed).load_kwh)[:: 24 * 7]
    ]
    assert drawn.count(2025) / len(drawn) == pytest.approx(0.75, abs=0.06)


def test_few_weeks_are_enough_to_make_a_forecast_of_but_not_to_tell_apart() -> None:
    last = local_grid("2025-12-08T00:00", DUBLIN, 24 * 14)
    coming = local_grid("2025-12-22T00:00", DUBLIN, 24 * 7)
    weather = Weather(coded(coming), Material((coded(last),)))
    assert not weather.has_folds
    for recipe, fold in ((METERED, None), (RESAMPLED, 0)):
        assert set(year_of(weather, recipe, fold).metered_on) < set(last.dates)


def test_holidays_go_like_sundays_and_do_not_spoil_other_weeks() -> None:
    """Christmas 2025 is a Thursday, and 2026 a Friday."""
    last, coming = (local_grid(f"{year}-12-07T00:00", DUBLIN, 24 * 35) for year in (2025, 2026))
    holidays = Holidays(dates=[date(2025, 12, 25), date(2026, 12, 25)])
    weather = Weather(coded(coming), Material((coded(last),), holidays=holidays))
    year = year_of(weather, METERED, None)
    made = dict(zip(coming.dates, year.metered_on, strict=True))
    assert made[date(2026, 12, 25)].weekday() == 6
    assert date(2025, 12, 25) not in made.values()
    assert made[date(2026, 12, 24)] == date(2025, 12, 24)  # the nearest workday of that week


def test_a_holiday_on_a_saturday_goes_like_a_sunday_in_other_years_too() -> None:
    """26 December 2026 is a Saturday; a year later it is one no more, nor is the week spoilt."""
    last, coming = (local_grid(f"{year}-12-01T00:00", DUBLIN, 24 * 35) for year in (2026, 2027))
    holidays = Holidays(dates=[date(2026, 12, 26)])
    weather = Weather(coded(coming), Material((coded(last),), holidays=holidays))
    made = set(year_of(weather, METERED, None).metered_on)
    assert date(2026, 12, 26) not in made
    assert date(2026, 12, 25) in made


def test_copies_of_a_week_are_no_more_weeks_to_tell_apart() -> None:
    fortnight = local_grid("2025-03-03T00:00", DUBLIN, 24 * 14)
    assert not Weather(coded(fortnight), Material((coded(fortnight),) * 6)).has_folds


def test_what_is_added_stands_on_the_steps_of_the_forecast() -> None:
    last, coming = (local_grid(f"{year}-03-03T00:00", DUBLIN, 24 * 70) for year in (2025, 2026))
    added, times = np.zeros(coming.count), np.ones(coming.count)
    added[5], times[40] = 7.0, 2.0
    plain = Weather(coded(coming), Material((coded(last),)))
    more = Weather(coded(coming), Material((coded(last),), added_kwh=added, pv_times=times))
    before, after = (year_of(each, RESAMPLED, 0) for each in (plain, more))
    assert after.load_kwh - before.load_kwh == pytest.approx(added)
    assert after.pv_kwh / before.pv_kwh == pytest.approx(times)
