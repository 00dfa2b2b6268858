"""Settings as people read and change them: words, counts, floors and changes, each judged by hand."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from optimizer.settings.controls import Controls
from optimizer.settings.windows import (
    DaySet,
    SeasonSet,
    Settings,
    Window,
    WindowPlace,
    field_text,
    floors_text,
    habits_of,
    months_text,
    no_windows,
    power_text,
)
from tests.builders import local_grid

CHARGE = Window(start="01:00", end="05:00", action="charge", until_pct=90, grid_kw=2)
SELL = Window(start="17:00", end="20:00", action="sell", down_to_pct=20, power_kw=5)
NIGHT = Window(start="22:00", end="06:00", action="hold")
CAP = Window(start="16:00", end="21:00", action="limit", import_cap_kw=1.5)
SUMMER = SeasonSet(months=[6, 7, 8], floor_pct=20, day_sets=[
    DaySet(days="weekdays", windows=[CHARGE, SELL]), DaySet(days="weekends", windows=[CHARGE])])  # fmt: skip
WINTER = SeasonSet(months=[12, 1, 2], floor_pct=5, day_sets=[
    DaySet(days="weekdays", windows=[NIGHT]), DaySet(days="weekends")])  # fmt: skip
BOTH = Settings(settings="both", floor_pct=10, seasons=[SUMMER, WINTER])
EVERY_MONTH = list(range(1, 13))


def one(*windows: Window, months: list[int] = EVERY_MONTH, **more: Any) -> Settings:
    season = SeasonSet(months=months, day_sets=[DaySet(days="every day", windows=list(windows))])
    return Settings(settings="one", floor_pct=0, seasons=[season], **more)


# --- words -----------------------------------------------------------------------------------


@pytest.mark.parametrize(("months", "words"), [
    ([6, 7, 8], "June–August"), ([6, 7, 9], "June–July, September"), ([12, 1, 2], "December–February"),
    ([11, 12], "November–December"), ([12], "December"), ([1], "January"), ([1, 12], "December–January"),
    (EVERY_MONTH, "all year"), ([3, 1, 5], "January, March, May"), (EVERY_MONTH[:-1], "January–November"),
    (EVERY_MONTH[1:], "February–December"),
])  # fmt: skip
def test_months_as_people_say_them(months: list[int], words: str) -> None:
    assert months_text(months) == words


@pytest.mark.parametrize(("window", "words"), [
    ({"action": "charge"}, "charge"),
    ({"action": "charge", "until_pct": 80}, "charge to 80 %"),
    ({"action": "charge", "grid_kw": 0}, "charge, from PV only"),
    ({"action": "charge", "grid_kw": 1}, "charge, at most 20 % (1 kW) from the grid"),
    ({"action": "hold"}, "hold what is stored"),
    ({"action": "cover", "down_to_pct": 30}, "cover the building from the battery, down to 30 %"),
    ({"action": "cover"}, "cover the building from the battery"),
    ({"action": "sell"}, "sell"),
    ({"action": "sell", "down_to_pct": 5}, "sell, down to 5 %"),
    ({"action": "sell", "power_kw": 2.5}, "sell at 50 % (2.5 kW)"),
    ({"action": "hold", "import_cap_kw": 2}, "hold what is stored, import at most 2 kW"),
    ({"action": "limit", "import_cap_kw": 0}, "stay off the grid"),
    ({"action": "limit", "import_cap_kw": 1}, "import at most 1 kW"),
])  # fmt: skip
def test_what_a_window_does(window: dict[str, Any], words: str) -> None:
    assert Window(start="01:00", end="05:00", **window).words(5.0) == words


@pytest.mark.parametrize(("window", "field", "text"), [
    (CHARGE, "grid", "from the grid too"), (CHARGE, "level", "90 %"), (CHARGE, "power", "40 % (2 kW)"),
    (CHARGE, "cap", "none"), (CAP, "cap", "1.5 kW"), (SELL, "level", "20 %"), (SELL, "power", "100 % (5 kW)"),
    (Window(start="01:00", end="05:00", action="charge", grid_kw=0), "grid", "PV only"),
    (Window(start="01:00", end="05:00", action="charge"), "grid", "from the grid too"),
    (Window(start="01:00", end="05:00", action="charge"), "level", "none"),
])  # fmt: skip
def test_a_field_as_it_is_typed_in(window: Window, field: Any, text: str) -> None:
    assert field_text(window, field, 5.0) == text
    assert field_text(SELL, "power") == "5 kW"


def test_powers_have_two_digits() -> None:
    assert power_text(1.234, None) == "1.23 kW"
    assert power_text(1.0, 3.0) == "33.33 % (1 kW)"


def test_a_window_as_a_sentence() -> None:
    assert BOTH.sentence(WindowPlace(0, 0, 1)) == (
        "weekdays 17:00–20:00, June–August: sell at 5 kW, down to 20 %"
    )
    assert BOTH.sentence(WindowPlace(0, 0, 0), days="always").startswith("always 01:00–05:00, June")
    next_day = BOTH.model_copy(update={"after_midnight": "next day"})
    assert "22:00–06:00 of the next day, December–February: hold" in next_day.sentence(
        WindowPlace(1, 0, 0)
    )
    assert "next day" not in next_day.sentence(WindowPlace(0, 0, 0))
    same = BOTH.model_copy(update={"after_midnight": "same day"})
    assert "next day" not in same.sentence(WindowPlace(1, 0, 0))
    found = one(CHARGE, found_for=[6, 7])
    assert ", all year (found for June–July): " in found.sentence(WindowPlace(0, 0, 0))  # fmt: skip


@pytest.mark.parametrize(("floors", "text"), [
    ({}, "10 % state of charge"),
    ({6: 20, 7: 20}, "state of charge of 20 % in June–July, 10 % otherwise"),
    ({6: 5}, "10 % state of charge"),
    ({6: 10}, "10 % state of charge"),
    (dict.fromkeys(EVERY_MONTH, 30), "state of charge of 30 % in all year"),
    ({6: 20, 8: 30}, "state of charge of 20 % in June, 30 % in August, 10 % otherwise"),
])  # fmt: skip
def test_floors_in_words(floors: dict[int, float], text: str) -> None:
    groups: dict[float, list[int]] = {}
    for month, floor in floors.items():
        groups.setdefault(floor, []).append(month)
    seasons = [
        SeasonSet(months=m, floor_pct=f, day_sets=[DaySet(days="every day")])
        for f, m in groups.items()
    ]
    assert floors_text(Settings(settings="x", floor_pct=10, seasons=seasons)) == text
    assert floors_text(BOTH) == "state of charge of 20 % in June–August, 10 % otherwise"


# --- floors ----------------------------------------------------------------------------------


def test_the_floor_of_a_month_is_the_higher_one() -> None:
    assert [BOTH.floor_in(month) for month in (5, 6, 8, 9, 12, 1)] == [10, 20, 20, 10, 10, 10]


def test_without_windows_the_floors_stay() -> None:
    bare = BOTH.without_windows()
    assert bare.entries() == 0
    assert [bare.floor_in(month) for month in EVERY_MONTH] == [
        BOTH.floor_in(m) for m in EVERY_MONTH
    ]
    assert [season.months for season in bare.seasons] == [[6, 7, 8]]
    assert no_windows(10.0).seasons == []
    three = no_windows(10.0, {12: 10.0, 3: 30.0, 1: 30.0 + 1e-12, 2: 20.0})
    assert [(each.months, each.floor_pct) for each in three.seasons] == [
        ([1, 3], 30.0),
        ([2], 20.0),
    ]


# --- windows ---------------------------------------------------------------------------------


@pytest.mark.parametrize(("start", "end", "length", "is_over", "small"), [
    ("01:00", "05:00", 240, False, 0), ("22:00", "06:00", 480, True, 360), ("22:00", "24:00", 120, False, 0),
    ("22:00", "00:00", 120, False, 0), ("00:00", "24:00", 1440, False, 0), ("00:00", "00:01", 1, False, 0),
    ("12:01", "12:00", 1439, True, 720), ("23:59", "00:01", 2, True, 1),
])  # fmt: skip
def test_how_long_a_window_lasts(start, end, length, is_over, small) -> None:
    window = Window(start=start, end=end, action="hold")
    assert window.length == length
    assert window.minutes().sum() == length
    assert window.is_over_midnight == is_over
    assert np.flatnonzero(window.small_hours()).tolist() == list(range(small))
    assert window.whole_day == (length == 1440)


@pytest.mark.parametrize(("keys", "told"), [
    ({"start": "24:00"}, "the end of the day"), ({"start": "05:00"}, "holds no time"),
    ({"start": "00:00", "end": "00:00"}, "holds no time"), ({"start": "5"}, "start"), ({"end": "25:00"}, "end"),
    ({"until_pct": 50}, "takes no until_pct"), ({"down_to_pct": 50}, "takes no down_to_pct"),
    ({"grid_kw": 1}, "takes no grid_kw"), ({"power_kw": 1}, "takes no power_kw"),
    ({"action": "limit"}, "says no import_cap_kw"), ({"action": "sell", "power_kw": 0}, "greater than 0"),
    ({"action": "charge", "until_pct": 100.5}, "less than or equal to 100"),
    ({"action": "charge", "until_pct": -0.5}, "greater than or equal to 0"),
    ({"action": "charge", "grid_kw": -0.5}, "greater than or equal to 0"),
    ({"action": "cover", "down_to_pct": 100.5}, "less than or equal to 100"),
    ({"action": "cover", "down_to_pct": -0.5}, "greater than or equal to 0"),
    ({"import_cap_kw": -0.5}, "greater than or equal to 0"),
])  # fmt: skip
def test_a_window_that_cannot_be_is_refused(keys: dict[str, Any], told: str) -> None:
    usual = {"start": "01:00", "end": "05:00", "action": "hold"}
    Window.model_validate(usual)
    with pytest.raises(ValidationError, match=told):
        Window.model_validate(usual | keys)


@pytest.mark.parametrize(("months", "days", "told"), [
    ([0], ["every day"], "not each one of 1 to 12"), ([13], ["every day"], "not each one of 1 to 12"),
    ([4, 4], ["every day"], "not each one of 1 to 12"), ([], ["every day"], "at least 1 item"),
    ([4], ["weekdays"], "Saturday, Sunday in none"),
    ([4], ["every day", "weekends"], "Saturday, Sunday in more than one"),
    ([4], ["Mondays", "weekdays"], "Saturday, Sunday in none; Monday in more than one"),
])  # fmt: skip
def test_a_season_that_cannot_be_is_refused(months, days, told) -> None:
    with pytest.raises(ValidationError, match=told):
        SeasonSet(months=months, day_sets=[DaySet(days=each) for each in days])
    SeasonSet(months=[1, 12], day_sets=[DaySet(days="every day")])


def test_a_month_in_two_seasons_is_told_at_the_second() -> None:
    autumn = SUMMER.model_copy(update={"months": [8, 7]})
    with pytest.raises(ValidationError, match="July stands in two season sets"):
        Settings(settings="x", floor_pct=0, seasons=[WINTER, SUMMER, autumn])


def test_windows_of_one_action_may_not_overlap_and_the_minute_is_told() -> None:
    late = Window(start="04:30", end="06:00", action="charge")
    with pytest.raises(ValidationError, match="01:00–05:00 and 04:30–06:00 overlap at 04:30"):
        DaySet(days="every day", windows=[CHARGE, late])
    DaySet(days="every day", windows=[CHARGE, Window(start="05:00", end="06:00", action="charge")])
    DaySet(days="every day", windows=[Window(start="04:00", end="06:00", action="hold"), CHARGE])


# --- places and changes ----------------------------------------------------------------------


def test_windows_stand_in_reading_order() -> None:
    places = [
        WindowPlace(0, 0, 0),
        WindowPlace(0, 0, 1),
        WindowPlace(0, 1, 0),
        WindowPlace(1, 0, 0),
    ]
    assert BOTH.places() == places
    assert [BOTH.window(place) for place in places] == [CHARGE, SELL, CHARGE, NIGHT]
    assert list(BOTH.frame["season"]) == ["June–August"] * 3 + ["December–February"]
    assert list(BOTH.frame["action"]) == ["charge", "sell", "charge", "hold"]


def test_one_window_left_out_leaves_the_others() -> None:
    left = BOTH.without(WindowPlace(0, 0, 0))
    assert [left.window(place) for place in left.places()] == [SELL, CHARGE, NIGHT]
    left = BOTH.without(WindowPlace(1, 0, 0))
    assert [left.window(place) for place in left.places()] == [CHARGE, SELL, CHARGE]
    assert left.seasons[1].day_sets[1].windows == []


def test_one_window_changed_leaves_the_others() -> None:
    changed = BOTH.with_window(2, start="02:00")
    assert [changed.window(place).start for place in changed.places()] == [
        "01:00",
        "17:00",
        "02:00",
        "22:00",
    ]
    with pytest.raises(ValueError, match="overlap"):
        BOTH.with_window(0, end="18:00")
    ranked = BOTH.model_copy(update={"precedence": ["sell", "charge"]})
    assert ranked.with_window(0, end="18:00").window(WindowPlace(0, 0, 0)).end == "18:00"
    assert one(CHARGE, CAP).with_window(0, end="17:00").entries() == 2  # a limit stands beside


ONE_LIST = {"name": "all", "actions": ["charge", "hold", "sell"], "entries": 9}


@pytest.mark.parametrize(("words", "count", "groups"), [
    ({"lists": [ONE_LIST]}, 4, [1, 1, 1, 1]),
    ({"lists": [ONE_LIST | {"fields": ["days", "start", "end", "level", "power"]}]}, 3, [2, 1, 1]),
    ({"lists": [ONE_LIST | {"actions": ["hold", "sell"]}, {"name": "one", "actions": ["charge"],
      "entries": 9, "day_types": "every_day"}]}, 3, [2, 1, 1]),
    ({"lists": [ONE_LIST], "day_types": "every_day"}, 4, [1, 1, 1, 1]),  # other days than the menu's
    ({"lists": [ONE_LIST | {"actions": ["hold", "sell"]}]}, 2, [1, 1, 1, 1]),
])  # fmt: skip
def test_entries_are_counted_as_they_are_typed_in(words, count, groups) -> None:
    menu = Controls.model_validate(words).menu
    assert BOTH.entries() == 4
    assert BOTH.entries(menu) == count
    assert [len(places) for places in BOTH.places_of_entries(menu)] == groups


# --- as the equipment holds them -------------------------------------------------------------


def test_without_a_calendar_settings_are_at_work_in_all_months() -> None:
    typed = one(CHARGE, months=[7, 6])
    stored = typed.as_stored(Controls(season_sets=1, day_types="every_day"))
    assert stored.seasons[0].months == EVERY_MONTH
    assert stored.found_for == [6, 7]
    told = typed.model_copy(update={"found_for": [6]})
    assert told.as_stored(Controls(season_sets=1)).found_for == [6]
    assert typed.as_stored(Controls(season_sets=2)) == typed
    assert one(CHARGE).as_stored(Controls(season_sets=1)) == one(CHARGE)
    assert BOTH.as_stored(Controls(season_sets=1)) == BOTH
    assert no_windows(5.0).as_stored(Controls(season_sets=1)) == no_windows(5.0)


def test_what_the_controls_say_stands_in_what_is_stored() -> None:
    controls = Controls(after_midnight="next day", outside="hold", summer_time=False)
    stored = BOTH.as_stored(controls)
    assert (stored.after_midnight, stored.outside, stored.summer_time) == (
        "next day",
        "hold",
        False,
    )
    told = BOTH.model_copy(update={"outside": "idle"}).as_stored(controls)
    assert (told.outside, told.after_midnight) == ("idle", "next day")
    usual = {"after_midnight": None, "outside": None, "precedence": None, "summer_time": None}
    assert habits_of(Controls()) == usual
    assert habits_of(Controls(after_midnight="next day", day_types="every_day")) == usual
    assert stored.elsewhere() == "hold what is stored"
    assert BOTH.elsewhere() == "cover the building from the battery, down to the floor"


def test_a_clock_without_summer_time_is_an_hour_behind_in_july() -> None:
    grid = local_grid("2026-07-01T00:00", "Europe/Dublin", 2)  # a Wednesday
    minute, weekday = BOTH.clock_of(grid)
    assert (minute.tolist(), weekday.tolist()) == ([0, 60], [2, 2])
    winter = BOTH.model_copy(update={"summer_time": False})
    minute, weekday = winter.clock_of(grid)
    assert (minute.tolist(), weekday.tolist()) == ([1380, 0], [1, 2])


def test_on_which_weekdays_a_window_holds() -> None:
    minute = np.array([5 * 60, 23 * 60, 12 * 60])
    place = WindowPlace(1, 0, 0)
    held = BOTH.weekdays_of(place, minute)
    assert held.astype(int).tolist() == [[1, 1, 1, 1, 1, 0, 0], [1, 1, 1, 1, 1, 0, 0], [0] * 7]
    next_day = BOTH.model_copy(update={"after_midnight": "next day"})
    assert next_day.weekdays_of(place, minute)[0].astype(int).tolist() == [0, 1, 1, 1, 1, 1, 0]
    long = Window(start="03:00", end="06:00", action="cover")
    both = one(CHARGE, long)
    ranked = both.model_copy(update={"precedence": ["charge", "cover"]})
    at = np.array([4 * 60, 5 * 60])
    assert both.weekdays_of(WindowPlace(0, 0, 1), at).sum(axis=1).tolist() == [7, 7]
    assert ranked.weekdays_of(WindowPlace(0, 0, 1), at).sum(axis=1).tolist() == [0, 7]
    assert ranked.weekdays_of(WindowPlace(0, 0, 0), at).sum(axis=1).tolist() == [7, 0]


def test_settings_tell_what_they_are() -> None:
    assert repr(BOTH) == str(BOTH) == "<Settings 'both': 4 windows, floor 10 %>"
    page = BOTH._repr_html_()
    assert "&lt;Settings" in page
    assert "import_cap_kw" not in page  # no window has one
    assert "<th>until_pct</th>" in page
    assert "<th>0</th>" not in page


@pytest.mark.parametrize(("second", "is_so"), [
    ("03:00-06:00", False), ("05:00-06:00", True), ("00:00-01:00", True), ("23:00-02:00", False),
])  # fmt: skip
def test_two_windows_of_one_action_may_touch_and_not_overlap(second: str, is_so: bool) -> None:
    start, end = second.split("-")
    same, other = (Window(start=start, end=end, action=action) for action in ("charge", "hold"))
    DaySet(days="every day", windows=[CHARGE, other])  # of two actions one comes first
    if is_so:
        DaySet(days="every day", windows=[CHARGE, same])
        return
    with pytest.raises(ValidationError):
        DaySet(days="every day", windows=[CHARGE, same])
