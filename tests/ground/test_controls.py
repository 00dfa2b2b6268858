"""What the equipment can store, from very poor to rich, and what it refuses."""

from __future__ import annotations

from pathlib import Path
from typing import get_args

import numpy as np
import pytest

from optimizer.base.calendar import DAY_NAMES
from optimizer.base.documents import Source
from optimizer.settings.check import refusals
from optimizer.settings.controls import DAY_SETS, Controls
from optimizer.settings.windows import DaySet, DaySetName, SeasonSet, Settings, Window, WindowPlace
from optimizer.simulation.replay import orders_of
from optimizer.site.equipment import Inverter, Permissions, Plant
from tests.builders import local_grid, simple_plant

SOURCE = Source(Path("settings.yaml"), {})
EVERY_MONTH = list(range(1, 13))


PLANT = simple_plant(10, 5, inverter=Inverter(ac_limit_kw=5))


def told(settings: Settings, controls: Controls, plant: Plant = PLANT) -> list[str]:
    return [one.what for one in refusals(settings, controls, plant, SOURCE)]


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
    assert len(told(settings, controls)) == is_over


CHARGE = {"start": "01:00", "end": "05:00", "action": "charge"}
SELL = {"start": "17:00", "end": "20:00", "action": "sell"}


def every_day(*windows: dict) -> Settings:
    return settings_of(DaySet(days="every day", windows=[Window(**window) for window in windows]))


def test_powers_in_per_cent_step_by_a_share_of_the_inverters_limit():
    in_kw, in_pct = Controls(power_step_kw=0.3), Controls(power_step_kw=0.3, power_step_pct=5)
    assert in_kw.menu.lists[0].power_kw(8.0).step == 0.3
    assert in_pct.menu.lists[0].power_kw(8.0).step == pytest.approx(0.4)
    assert Controls().whole_kw_of(8.0) is None
    assert Controls(power_step_pct=5).whole_kw_of(8.0) == 8.0


@pytest.mark.parametrize(
    ("window", "words"),
    [
        (CHARGE | {"grid_kw": 1.25}, []),
        (CHARGE | {"grid_kw": 0.0}, []),
        (CHARGE | {"grid_kw": 5.0}, []),
        (CHARGE, []),
        (SELL | {"power_kw": 2.5, "import_cap_kw": 1.1}, []),  # caps stay in steps of 0.1 kW
        (CHARGE | {"grid_kw": 1.2}, ["1.2 kW, 24 % of the inverter's 5 kW, no multiple of 25 %"]),
        (SELL | {"power_kw": 0.3}, ["0.3 kW, 6 % of the inverter's 5 kW", "25 % is 1.25 kW"]),
        (SELL | {"power_kw": 6.25}, ["power_kw is 6.25 kW, above the inverter's 5 kW"]),
        (SELL | {"import_cap_kw": 1.25}, ["import_cap_kw is 1.25 kW, no multiple of 0.1 kW"]),
    ],
)
def test_powers_in_per_cent_are_multiples_of_their_share_up_to_the_whole(window, words):
    controls = Controls(day_types="every_day", import_cap=True, power_step_pct=25)

    found = told(every_day(window), controls)

    assert len(found) == (1 if words else 0)
    assert all(word in found[0] for word in words)


def test_the_power_that_a_refusal_offers_is_accepted():
    """Per cent of an odd inverter have many decimals in kW."""
    controls = Controls(day_types="every_day", power_step_pct=1)
    plant = simple_plant(10, 5, inverter=Inverter(ac_limit_kw=3.3333333))

    (what,) = told(every_day(CHARGE | {"grid_kw": 1.11}), controls, plant)
    offered = float(what.rpartition("% is ")[2].removesuffix(" kW"))

    assert told(every_day(CHARGE | {"grid_kw": offered}), controls, plant) == []


@pytest.mark.parametrize(
    ("window", "words"),
    [
        (CHARGE | {"grid_kw": 2.0}, "charge, at most 40 % (2 kW) from the grid"),
        (CHARGE | {"grid_kw": 0.0, "until_pct": 80.0}, "charge to 80 %, from PV only"),
        (SELL | {"power_kw": 3.125, "down_to_pct": 20.0}, "sell at 62.5 % (3.12 kW), down to 20 %"),
        (SELL | {"import_cap_kw": 1.0}, "sell, import at most 1 kW"),
    ],
)
def test_sentences_say_the_per_cent_where_the_equipment_takes_them(window, words):
    assert Window(**window).words(5.0) == words
    assert every_day(window).sentence(WindowPlace(0, 0, 0), 5.0).endswith(f": {words}")
    assert "(" not in Window(**window).words()


@pytest.mark.parametrize(
    ("value", "step", "refused"), [(2.05, 0.1, True), (2.1, 0.1, False), (2.05, 0.05, False)]
)
def test_powers_in_kw_are_multiples_of_their_step(value, step, refused):
    controls = Controls(day_types="every_day", power_step_kw=step)
    words = [f"the controls refuse this: grid_kw is {value} kW, no multiple of {step} kW"]
    assert told(every_day(CHARGE | {"grid_kw": value}), controls) == (words if refused else [])


@pytest.mark.parametrize(("full_kw", "is_taken"), [(4, True), (4.9, True), (5, False), (6, False)])
def test_without_a_limit_the_field_must_come_within_a_step_of_the_whole_power(full_kw, is_taken):
    power = {"from_kw": 1, "to_kw": 4, "step_kw": 1}
    lists = [{"name": "sales", "actions": ["sell"], "entries": 3, "power": power}]
    controls = Controls.model_validate({"lists": lists, "day_types": "every_day"})
    plant = simple_plant(10, full_kw, inverter=Inverter(ac_limit_kw=8))
    what = "the controls refuse this: power_kw is not limited, but entries of 'sales' take from 1 to 4 kW"
    assert told(every_day(SELL), controls, plant) == ([] if is_taken else [what])


@pytest.mark.parametrize(("grid_kw", "count"), [(2.0, 1), (0.0, 0), (None, 0)])
def test_a_grid_power_is_refused_where_the_grid_may_not_charge_the_battery(grid_kw, count):
    plant = simple_plant(10, 5, permissions=Permissions(charge_from_grid=False))
    settings = every_day(CHARGE | ({} if grid_kw is None else {"grid_kw": grid_kw}))

    assert len(told(settings, Controls(day_types="every_day"), plant)) == count
    assert told(settings, Controls(day_types="every_day"), PLANT) == []


@pytest.mark.parametrize("action", ["charge", "hold", "sell"])
def test_equipment_refuses_what_it_cannot_do(action):
    actions = [known for known in ("charge", "hold", "cover", "sell") if known != action]
    controls = Controls(day_types="every_day", actions=actions)

    (what,) = told(every_day({"start": "01:00", "end": "05:00", "action": action}), controls)

    assert f"the action {action!r} is none of {', '.join(actions)}" in what


def test_poor_equipment_takes_whole_hours_and_rich_equipment_five_minutes_and_single_per_cents():
    fine = every_day(CHARGE | {"end": "04:35", "until_pct": 83.0})
    rich = Controls(day_types="every_day", minutes=5, soc_step_pct=1, windows_per_day=8)
    poor = Controls(day_types="every_day", minutes=60, soc_step_pct=5, windows_per_day=1)

    assert told(fine, rich) == []
    assert [what.removeprefix("the controls refuse this: ") for what in told(fine, poor)] == [
        "end is 04:35, no multiple of 60 min",
        "until_pct is 83 %, no multiple of 5 %",
    ]


@pytest.mark.parametrize(("most", "count"), [(3, 1), (4, 0), (None, 0)])
def test_one_list_for_all_holds_the_windows_of_all_seasons_and_day_sets(most, count):
    window = Window(start="01:00", end="05:00", action="hold")
    parts = [DaySet(days=days, windows=[window]) for days in ("weekdays", "weekends")]
    halves = [SeasonSet(months=m, day_sets=parts) for m in ([4, 5, 6], [7, 8, 9])]
    settings = Settings(settings="list", floor_pct=0.0, seasons=halves)

    found = told(settings, Controls(most_entries=most))

    words = "there are 4 windows over all seasons and day sets; the controls store 3"
    assert found == [f"the controls refuse this: {words}"] * count


def test_eight_windows_of_twelve_monthly_sets_on_seven_days_are_accepted_by_the_richest_equipment():
    starts = [f"{3 * number:02d}:05" for number in range(8)]
    windows = [Window(start=s, end=f"{s[:2]}:55", action="hold") for s in starts]
    parts = [DaySet(days=name, windows=windows) for name in DAY_SETS["each_day"]]
    seasons = [SeasonSet(months=[month], day_sets=parts) for month in EVERY_MONTH]
    settings = Settings(settings="rich", floor_pct=0.0, seasons=seasons)
    rich = {"day_types": "each_day", "minutes": 5, "season_sets": 12, "windows_per_day": 8}

    assert settings.entries() == 8 * 12 * 7
    assert told(settings, Controls(**rich)) == []
    assert len(told(settings, Controls(**rich | {"season_sets": 11}))) == 1
    assert len(told(settings, Controls(**rich | {"windows_per_day": 7}))) == 12 * 7
    assert len(told(settings, Controls(**rich | {"minutes": 10}))) == 2 * 8 * 12 * 7


@pytest.mark.parametrize(("floor_pct", "count"), [(19.0, 1), (20.0, 0), (21.0, 0)])
def test_a_seasons_floor_is_refused_only_below_that_of_all_seasons(floor_pct, count):
    day_set = DaySet(days="every day", windows=[])
    season = SeasonSet(months=EVERY_MONTH, floor_pct=floor_pct, day_sets=[day_set])
    settings = Settings(settings="case", floor_pct=20.0, seasons=[season])

    found = told(settings, Controls(day_types="every_day", floor_by_season=True))

    words = f"a season's floor of {floor_pct:g} % is below that of all seasons, 20 %"
    assert [words in what for what in found] == [True] * count


def test_a_day_set_that_the_equipment_does_not_know_is_all_that_is_told():
    settings = settings_of(DaySet(days="weekdays", windows=[]), DaySet(days="weekends", windows=[]))

    found = told(settings, Controls(day_types="every_day"))

    assert len(found) == 2
    assert "the day set 'weekdays' is none of every day" in found[0]


def test_a_precedence_is_refused_where_windows_may_not_overlap():
    settings = every_day(CHARGE).model_copy(update={"precedence": ["charge", "sell"]})

    (what,) = told(settings, Controls(day_types="every_day"))

    assert "precedence is charge, sell; by the controls windows may not overlap" in what
