"""Windows over midnight on equipment that goes on into the next day: Friday's night is Saturday's morning."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from optimizer.base.errors import SettingsError
from optimizer.evaluation.reasons import steps_of_window
from optimizer.report.card import card_of
from optimizer.search.drafts import Draft
from optimizer.search.fit import settings_of
from optimizer.settings.check import read_settings
from optimizer.settings.controls import Controls
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window, WindowPlace
from optimizer.simulation.replay import orders_of
from tests.laws.cases import AC_PLANT, DC_PLANT, MONDAY, grid_of
from tests.laws.sites import cost_of_settings, season_of, site, task_for
from tests.laws.test_season import RICH, some_drafts, years_of

WEEK = grid_of(24 * 8, 60, MONDAY)
NEXT_DAY = Controls(**RICH, after_midnight="next day")
FRIDAY, SATURDAY, SUNDAY = 4, 5, 6


def settings_with(
    weekdays: list[Window], weekends: list[Window], after_midnight: str | None
) -> Settings:
    day_sets = [
        DaySet(days="weekdays", windows=weekdays), DaySet(days="weekends", windows=weekends)
    ]  # fmt: skip
    season = SeasonSet(months=list(range(1, 13)), day_sets=day_sets)
    return Settings.model_validate({
        "settings": "nights", "floor_pct": 10, "seasons": [season.model_dump(exclude_none=True)],
        "after_midnight": after_midnight,
    })  # fmt: skip


def hours_inside(settings: Settings, row: int = 1) -> set[tuple[int, int]]:
    """Return weekday and hour of the steps in which a row of the orders holds."""
    inside = orders_of(settings, AC_PLANT, WEEK).of_step == row
    return set(
        zip(WEEK.weekday[inside].tolist(), (WEEK.minute_of_day[inside] // 60).tolist(), strict=True)
    )


NIGHT = Window(start="22:00", end="06:00", action="charge", until_pct=80)


def test_a_night_of_weekdays_ends_on_saturday_morning_and_not_on_mondays() -> None:
    evenings = {(day, hour) for day in range(5) for hour in (22, 23)}
    mornings = {(day, hour) for day in range(1, 6) for hour in range(6)}
    assert hours_inside(settings_with([NIGHT], [], "next day")) == evenings | mornings


@pytest.mark.parametrize("meaning", [None, "same day"])
def test_without_a_word_the_hours_after_midnight_are_those_of_the_same_days(
    meaning: str | None,
) -> None:
    expected = {(day, hour) for day in range(5) for hour in (*range(6), 22, 23)}
    assert hours_inside(settings_with([NIGHT], [], meaning)) == expected


def test_a_window_that_begins_on_the_day_comes_before_one_that_goes_on() -> None:
    morning = Window(start="04:00", end="08:00", action="hold")
    settings = settings_with([NIGHT], [morning], "next day")
    saturday = {hour for day, hour in hours_inside(settings) if day == SATURDAY}
    held = hours_inside(settings, row=2)
    assert saturday == {0, 1, 2, 3}
    assert held == {(day, hour) for day in (SATURDAY, SUNDAY) for hour in range(4, 8)}


@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT])
def test_windows_cost_in_the_search_what_their_replay_costs(plant: object) -> None:
    plan, cost = site(plant, WEEK, "demand")
    task = task_for(plan, cost, NEXT_DAY)
    season = season_of(task, plan, years_of(plan, [1.0, 2.0]))
    night, morning = Draft(20 * 60, 12 * 60, "charge", 60.0, 3.0), Draft(300, 240, "hold", 0.0, 0.0)
    two_nights = ((night,), (Draft(22 * 60, 10 * 60, "cover", 50.0, 0.0),))
    many = [*some_drafts(season, 7, 25), ((night,), (morning,)), ((), (night,)), two_nights]
    expected = np.array([
        [
            cost_of_settings(plan, cost, settings_of("drafts", (tuple(season.months),), (drafts,), task), year)
            for year in season.years
        ]
        for drafts in many
    ])  # fmt: skip
    costs = season.costs(many)
    np.testing.assert_allclose(costs - costs[0], expected - expected[0], atol=1e-9)
    same_day = season_of(replace(task, controls=Controls(**RICH)), plan, season.years)
    assert (
        abs(same_day.costs(many[-3:]) - costs[-3:]).max() > 1e-3
    )  # the meaning makes a difference


def test_settings_say_it_are_read_again_and_refused_where_the_equipment_says_otherwise(
    tmp_path: Path,
) -> None:
    path = tmp_path / "settings.yaml"
    path.write_text(
        "settings: nights\nfloor_pct: 10\nafter_midnight: next day\nseasons:\n"
        "  - months: [1, 2, 3, 4, 5, 6, 7, 8, 9, 10, 11, 12]\n    day_sets:\n"
        "      - days: weekdays\n        windows:\n"
        "          - {start: '22:00', end: '06:00', action: charge, until_pct: 80}\n"
        "      - {days: weekends}\n"
    )
    settings = read_settings(path, NEXT_DAY, AC_PLANT)
    assert settings.after_midnight == "next day"
    assert settings.sentence(WindowPlace(0, 0, 0)).startswith(
        "weekdays 22:00–06:00 of the next day"
    )
    with pytest.raises(SettingsError, match="after_midnight: same day"):
        read_settings(path, Controls(), AC_PLANT)
    path.write_text(path.read_text().replace("after_midnight: next day\n", ""))
    assert read_settings(path, NEXT_DAY, AC_PLANT).after_midnight == "next day"
    assert read_settings(path, Controls(), AC_PLANT).after_midnight is None


def test_the_steps_of_a_window_are_those_in_which_it_holds() -> None:
    settings = settings_with([NIGHT], [], "next day")
    inside = steps_of_window(settings, WindowPlace(0, 0, 0), WEEK)
    np.testing.assert_array_equal(inside, orders_of(settings, AC_PLANT, WEEK).of_step == 1)


def test_the_card_says_that_a_window_ends_on_the_next_day() -> None:
    day = Window(start="05:00", end="09:00", action="hold")
    for controls, end in ((NEXT_DAY, "06:00 (of the next day)"), (Controls(), "06:00")):
        card = card_of(controls, AC_PLANT, settings_with([day, NIGHT], [], None))
        first, second = (entry.cells for entry in card.sets[0].lists[0].parts[0].entries[:2])
        assert (str(first[0]), str(first[1])) == ("05:00", "09:00")
        assert (str(second[0]), str(second[1])) == ("22:00", end)
