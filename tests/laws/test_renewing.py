"""Renewing settings: what is typed in stays unless a change earns its sum."""

from __future__ import annotations

import itertools
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.evaluation.renewal import DAYS_PER_MONTH, renewal_of
from optimizer.search.choose import Effort
from optimizer.search.drafts import Draft, Drafts, changes_between, with_one_undone
from optimizer.search.renewing import (
    changes_of,
    find_anew,
    find_changes,
    groups_in_use,
    holds_all_months,
    raised_floors,
    renewed,
    without_change,
)
from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from tests.builders import local_grid
from tests.laws.cases import AC_PLANT, law
from tests.laws.sites import (
    ALL_MONTHS,
    cost_of_settings,
    found_for,
    site,
    task_of,
    weather_of,
    years_for,
)

CONTROLS = Controls(windows_per_day=3, day_types="every_day", season_sets=2, minutes=60)
MENU = CONTROLS.menu
TEN_WEEKS = local_grid("2025-06-02T00:00", "Europe/Dublin", 24 * 70)
LITTLE = Effort(400, 1_500)


def window(start: str, end: str, action: str = "hold", **limits: Any) -> Window:
    return Window(start=start, end=end, action=action, **limits)  # type: ignore[arg-type]


def season(months: list[int], *windows: Window, days: str = "every day") -> SeasonSet:
    return SeasonSet(months=months, day_sets=[DaySet(days=days, windows=[*windows])])  # type: ignore[arg-type]


def settings(*seasons: SeasonSet) -> Settings:
    return Settings(settings="in use", floor_pct=10, seasons=[*seasons])


WINTER, SUMMER = [10, 11, 12, 1, 2, 3], [4, 5, 6, 7, 8, 9]
NIGHT = window("01:00", "05:00", "charge", until_pct=80)
EVENING = window("17:00", "21:00", "hold")
TWO_SEASONS = settings(season(WINTER, NIGHT, EVENING), season(SUMMER, EVENING))


# --- counting --------------------------------------------------------------------------------


def draft(hour: int, level: float = 50.0) -> Draft:
    return Draft(60 * hour, 60, "charge", level, 2.0)


@pytest.mark.parametrize(
    ("before", "after", "changes"),
    [
        ([1, 5], [1, 5], 0),
        ([1, 5], [1, 6], 1),  # one changed
        ([1, 5], [1], 1),  # one removed
        ([1], [1, 5, 9], 2),  # two added
        ([1, 5], [2, 6, 9], 3),  # two changed, one added
        ([], [3], 1),
    ],
)
def test_a_window_changed_added_or_removed_counts_once(
    before: list[int], after: list[int], changes: int
) -> None:
    one, other = (tuple(draft(hour) for hour in hours) for hours in (before, after))
    assert changes_between((one, ()), (other, ())) == changes
    assert changes_between((one, one), (other, other)) == 2 * changes


hours = st.sets(st.integers(0, 11), max_size=4)


@given(hours, hours, hours, hours)
@law(150)
def test_undoing_takes_one_change_back_and_ends_where_it_began(
    a: set[int], b: set[int], c: set[int], d: set[int]
) -> None:
    def drafts(one: set[int], other: set[int]) -> Drafts:
        return tuple(tuple(draft(hour) for hour in sorted(each)) for each in (one, other))

    before, current = drafts(a, b), drafts(c, d)
    count = changes_between(before, current)
    for left in itertools.count(count - 1, -1):
        options = with_one_undone(before, current)
        if not options:
            break
        assert {changes_between(before, option) for option in options} == {left}
        current = options[0]
    assert current == before


# --- telling changes -------------------------------------------------------------------------


def test_changes_are_told_by_the_windows_that_share_most_time() -> None:
    later = window("02:00", "06:00", "charge", until_pct=90)
    noon = window("11:00", "13:00", "cover", down_to_pct=40)
    after = settings(season(WINTER, later, noon), season(SUMMER, EVENING))
    found = changes_of(TWO_SEASONS, after, AC_PLANT, MENU)
    assert [change.kind for change in found] == ["change", "change"]
    assert [(change.before, change.after) for change in found] == [(NIGHT, later), (EVENING, noon)]
    assert found[0].sentence() == (
        "every day, October–March: change 01:00–05:00 charge to 80 % into 02:00–06:00 charge to 90 %"
    )


def test_a_window_that_means_the_same_is_no_change() -> None:
    """4 kW is all that the battery of the plant takes: a limit of 4.2 kW at the grid does not bind."""
    same = window("01:00", "05:00", "charge", until_pct=80, grid_kw=4.2)
    assert (
        changes_of(settings(season(WINTER, NIGHT)), settings(season(WINTER, same)), AC_PLANT, MENU)
        == ()
    )


def test_windows_added_and_removed_are_told_as_that() -> None:
    after = settings(season(WINTER, NIGHT), season(SUMMER, EVENING, NIGHT))
    removed, added = changes_of(TWO_SEASONS, after, AC_PLANT, MENU)
    assert (removed.kind, removed.before, added.kind, added.after) == (
        "remove", EVENING, "add", NIGHT)  # fmt: skip
    assert added.sentence() == "every day, April–September: add 01:00–05:00 charge to 80 %"
    for change, back in ((removed, after), (added, after)):
        undone = without_change(back, change)
        assert undone is not None
        assert len(changes_of(TWO_SEASONS, undone, AC_PLANT, MENU)) == 1


def test_sets_divided_otherwise_are_no_change_where_windows_stay() -> None:
    """Two seasons with the same windows made one; weekdays and weekends made every day; a month moved."""
    split = settings(season(WINTER, NIGHT), season(SUMMER, NIGHT))
    whole = settings(season([*range(1, 13)], NIGHT))
    assert changes_of(split, whole, AC_PLANT, MENU) == ()
    assert changes_of(whole, split, AC_PLANT, MENU) == ()
    days = [DaySet(days="weekdays", windows=[NIGHT]), DaySet(days="weekends", windows=[NIGHT])]
    by_day = settings(SeasonSet(months=[*range(1, 13)], day_sets=days))
    assert changes_of(by_day, whole, AC_PLANT, MENU) == ()


def test_months_that_get_other_windows_are_told_by_name() -> None:
    """April moves from summer, which holds in the evening, to winter, which charges at night too."""
    after = settings(season([*WINTER, 4], NIGHT, EVENING), season(SUMMER[1:], EVENING))
    (change,) = changes_of(TWO_SEASONS, after, AC_PLANT, MENU)
    assert change.sentence() == "every day, April: add 01:00–05:00 charge to 80 %"
    assert not change.is_whole
    assert without_change(after, change) is None


def test_a_set_that_vanishes_is_removed_window_by_window() -> None:
    (change,) = changes_of(TWO_SEASONS, settings(season(WINTER, NIGHT, EVENING)), AC_PLANT, MENU)
    assert (change.kind, change.place) == ("remove", None)
    assert change.sentence() == "every day, April–September: remove 17:00–21:00 hold what is stored"


def test_the_number_of_changes_told_is_the_number_counted() -> None:
    after = settings(season(WINTER, EVENING), season(SUMMER, NIGHT))
    assert len(changes_of(TWO_SEASONS, after, AC_PLANT, MENU)) == 2


# --- months that the coming season does not hold ------------------------------------------------


@pytest.mark.parametrize(
    ("seasons", "months", "groups"),
    [
        ([WINTER, SUMMER], [1, 2, 3], ((1, 2, 3),)),
        ([WINTER, SUMMER], [3, 4], ((3,), (4,))),
        ([[1, 2, 3]], [4, 5, 6], ((4, 5, 6),)),  # one more set can be stored
        ([[1, 2, 3], [4, 5, 6]], [7, 8], ((7, 8),)),  # over one that is not used
        ([[1, 2, 3], [4, 5, 6]], [3, 4, 7], ((3,), (4,))),  # both are used: July stays without
    ],
)
def test_months_stay_grouped_as_they_are_typed_in(
    seasons: list[list[int]], months: list[int], groups: tuple[tuple[int, ...], ...]
) -> None:
    typed = settings(*(season(each, NIGHT) for each in seasons))
    assert groups_in_use(typed, months, CONTROLS) == groups
    assert holds_all_months(typed, months) == all(set(each) <= set(months) for each in seasons)


def test_windows_of_other_months_are_kept_as_they_were_typed() -> None:
    found = settings(season([1, 2, 3], NIGHT))
    after = renewed(TWO_SEASONS, ((1, 2, 3),), found, AC_PLANT, CONTROLS)
    assert after.seasons[0].months == WINTER
    assert after.seasons[0].day_sets[0].windows == [NIGHT]
    assert after.seasons[1] is TWO_SEASONS.seasons[1]


def test_a_new_group_is_written_over_a_set_that_is_not_used() -> None:
    typed = settings(season([1, 2, 3], NIGHT), season([4, 5, 6], EVENING))
    found = settings(season([7, 8], EVENING))
    after = renewed(typed, ((7, 8),), found, AC_PLANT, CONTROLS)
    assert [each.months for each in after.seasons] == [[7, 8], [4, 5, 6]]


def test_floors_that_rise_are_told_by_months_and_by_what_for() -> None:
    """The plant's own lowest level is 10 %; in winter 40 %, for an endurance; summer stays."""
    before = settings(season([6, 7], window("17:00", "20:00", "cover")))
    winter = season([1, 2, 12], window("17:00", "20:00")).model_copy(update={"floor_pct": 40.0})
    plant = replace(AC_PLANT, low_kwh=0.1 * AC_PLANT.capacity_kwh)
    after = before.model_copy(update={"seasons": [*before.seasons, winter]})
    (raised,) = raised_floors(before, after, plant)
    assert raised.sentence() == "December–February: raise the floor from 10 to 40 %"
    assert raised.why == "for the endurance that is wished for"
    low = before.model_copy(update={"floor_pct": 5.0})
    assert [each.why for each in raised_floors(low, before, plant)] == [
        "the lowest level that the scenario allows"]  # fmt: skip
    assert raised_floors(after, before, plant) == ()


def test_a_window_goes_along_with_a_raised_floor_unless_a_lower_level_was_typed_in() -> None:
    def typed(floor_pct: float | None, *levels: float | None) -> Settings:
        windows = [
            window(f"{6 + 4 * n:02}:00", f"{8 + 4 * n:02}:00", "cover", down_to_pct=level)
            for n, level in enumerate(levels)
        ]
        return settings(season([1, 2], *windows).model_copy(update={"floor_pct": floor_pct}))

    before, found = typed(None, None, 20.0, 60.0), typed(40.0, 40.0, 40.0, 60.0)
    after = renewed(before, [(1, 2)], found, AC_PLANT, CONTROLS)
    assert after == typed(40.0, None, 40.0, 60.0)
    (change,) = changes_of(before, after, AC_PLANT, MENU)
    assert (change.before, change.after) == (
        before.seasons[0].day_sets[0].windows[1], found.seasons[0].day_sets[0].windows[1])  # fmt: skip


# --- the search ------------------------------------------------------------------------------


def in_use() -> Settings:
    found = found_for(AC_PLANT, TEN_WEEKS, "two rates", CONTROLS, effort=LITTLE)
    assert found.settings.entries()
    return found.settings


def test_with_a_high_price_for_changes_nothing_is_changed() -> None:
    task, (plan, _) = task_of(AC_PLANT, TEN_WEEKS, "demand", CONTROLS), site(
        AC_PLANT, TEN_WEEKS, "demand")  # fmt: skip
    found = find_changes(task, weather_of(plan), in_use(), LITTLE, per_change=1e6)
    assert found.settings == in_use()
    assert found.sizes[found.chosen].entries == 0


def test_for_the_tariff_they_were_found_for_nothing_is_changed() -> None:
    task, (plan, _) = task_of(AC_PLANT, TEN_WEEKS, "two rates", CONTROLS), site(
        AC_PLANT, TEN_WEEKS, "two rates")  # fmt: skip
    found = find_changes(task, weather_of(plan), in_use(), LITTLE, 0.01 * task.can_save)
    assert found.sizes[found.chosen].entries == 0


def test_for_another_tariff_changes_are_found_that_earn_their_sum() -> None:
    """Settings for two rates, once a demand charge is added: sizes count the changes that they tell."""
    task, (plan, cost) = task_of(AC_PLANT, TEN_WEEKS, "demand", CONTROLS), site(
        AC_PLANT, TEN_WEEKS, "demand")  # fmt: skip
    wrong = settings(season([*ALL_MONTHS[0]], window("16:00", "21:00", "charge", until_pct=100)))
    per_change = 0.01 * task.can_save
    weather = weather_of(plan)
    found = find_changes(task, weather, wrong, LITTLE, per_change)
    years = years_for(weather, None)
    plain = [cost_of_settings(plan, cost, wrong, year) for year in years]
    weights = np.array([year.weight for year in years])
    assert found.sizes[found.chosen].entries > 0
    for size in found.sizes:
        assert len(changes_of(wrong, size.settings, AC_PLANT, MENU)) == size.entries
        now = [cost_of_settings(plan, cost, size.settings, year) for year in years]
        saved = float(weights @ (np.array(plain) - np.array(now)))
        assert saved == pytest.approx(size.seen - found.sizes[0].seen, abs=1e-6)
    anew = find_anew(task, weather, wrong, [ALL_MONTHS], LITTLE)
    renewal = renewal_of(
        wrong, found, anew, lambda each: [cost_of_settings(plan, cost, each, y) for y in years],
        weights.tolist(), AC_PLANT, MENU, TEN_WEEKS.days, per_change,
    )  # fmt: skip
    assert renewal.saving.sure > per_change * len(renewal.changes)
    assert renewal.saving.unseen is not None
    assert renewal.saving.sure <= max(renewal.saving.unseen, renewal.saving.seen)
    assert renewal.months == pytest.approx(70 / DAYS_PER_MONTH)
    assert renewal.advice("EUR").startswith(f"Change {len(renewal.changes)} of {renewal.entries}")
    now = [cost_of_settings(plan, cost, renewal.after, year) for year in years]
    cost_after = float(weights @ np.array(now))
    # What a change is worth is what is lost without it.
    for valued in renewal.changes:
        undone = without_change(renewal.after, valued.change)
        if undone is not None and valued.per_month is not None:
            costs = [cost_of_settings(plan, cost, undone, year) for year in years]
            lost = float(weights @ np.array(costs)) - cost_after
            assert valued.per_month == pytest.approx(lost / renewal.months)
