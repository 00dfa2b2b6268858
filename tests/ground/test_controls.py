"""What the equipment can store, from very poor to rich, and what it refuses."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from optimizer.calendar import DAY_NAMES
from optimizer.documents import Source
from optimizer.settings.refusals import refusals
from optimizer.settings.replay import orders_of
from optimizer.settings.windows import DaySet, DaySetName, SeasonSet, Settings, Window
from optimizer.site.controls import DAY_SETS, Controls
from tests.builders import local_grid, simple_plant

SOURCE = Source(Path("settings.yaml"), {})
EVERY_MONTH = list(range(1, 13))


def settings_of(*parts: DaySet, months: list[int] = EVERY_MONTH) -> Settings:
    season = SeasonSet(months=months, day_sets=list(parts))
    return Settings(settings="case", floor_pct=0.0, seasons=[season])


@pytest.mark.parametrize("name", DAY_SETS)
def test_the_day_sets_of_any_equipment_hold_each_weekday_once(name):
    assert sorted(day for days in DAY_SETS[name].values() for day in days) == list(range(7))


def test_a_name_of_a_day_set_means_the_same_days_for_all_equipment():
    meanings = {}
    for sets in DAY_SETS.values():
        for name, days in sets.items():
            assert meanings.setdefault(name, days) == days
    assert set(meanings) == set(get_args(DaySetName))


def test_seven_day_sets_are_named_by_their_days():
    days = {f"{name.capitalize()}s": (number,) for number, name in enumerate(DAY_NAMES)}
    assert DAY_SETS["each_day"] == days


@pytest.mark.parametrize(("chosen", "place"), [("Wednesdays", 2), ("Saturdays", 5)])
def test_a_window_of_one_day_holds_on_that_day_alone(chosen, place):
    window = Window(start="03:00", end="05:00", action="hold")
    names = list(DAY_SETS["each_day"])
    parts = [DaySet(days=name, windows=[window] if name == chosen else []) for name in names]
    grid = local_grid("2026-06-01T00:00", "Europe/Dublin", 24 * 14)  # a Monday

    orders = orders_of(settings_of(*parts), simple_plant(10, 5), grid)

    first = 24 * place
    inside = [first + 3, first + 4, first + 7 * 24 + 3, first + 7 * 24 + 4]
    assert list(np.flatnonzero(orders.of_step)) == inside


@pytest.mark.parametrize(
    ("start", "end", "is_over"),
    [
        ("22:00", "06:00", True),
        ("00:30", "00:15", True),
        ("22:00", "24:00", False),
        ("22:00", "00:00", False),
        ("00:00", "24:00", False),
        ("05:00", "09:00", False),
    ],
)
def test_a_window_runs_over_midnight_if_it_holds_time_of_two_days(start, end, is_over):
    window = Window(start=start, end=end, action="hold")
    controls = Controls(over_midnight=False, day_types="every_day", minutes=5)

    assert window.is_over_midnight == is_over
    settings = settings_of(DaySet(days="every day", windows=[window]))
    assert len(refusals(settings, controls, SOURCE)) == is_over
