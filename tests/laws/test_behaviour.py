"""What equipment does where makers differ: each switch on paper, and what holds whatever is set.

On paper the battery holds 10 kWh and moves 4 kW, and nothing is lost, unless a test says otherwise;
steps are hours, so kW and kWh per step are the same number.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.billing.bill import bill_flows
from optimizer.cost.expression import linear_cost
from optimizer.search.pricing import pricing_of
from optimizer.search.score_kernel import BEYOND_CYCLES_COST, LANES, OVERLOAD_COST, score_many
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.simulation.replay import Replay, orders_of
from optimizer.simulation.replay_kernel import OVERLOAD, step_through
from optimizer.simulation.step import Numbers
from optimizer.site.behaviour import Behaviour
from optimizer.site.equipment import Connection, Inverter, Plant
from tests.builders import hourly_grid, outages_of, run_through, simple_plant
from tests.laws.cases import (
    TARIFFS,
    Case,
    cases,
    cost_of,
    law,
    random_meter,
    window_settings,
)
from tests.laws.test_plan_laws import (
    TIGHT_KWH,
    check_balance,
    check_limits,
    check_one_way,
    check_permissions,
    check_stored,
)

BUILDING_FIRST: dict[str, Any] = {}
BATTERY_FIRST: dict[str, Any] = {"pv_charges_first": True}
EXPORT_FIRST: dict[str, Any] = {"surplus_first": "export"}
PV_HABITS = [BUILDING_FIRST, BATTERY_FIRST, EXPORT_FIRST]
COUPLINGS = pytest.mark.parametrize("coupling", ["ac", "dc"])
YEAR = list(range(1, 13))


def settings_with(*windows: dict[str, Any], floor_pct: float = 0.0) -> Settings:
    """Return settings that hold the same windows every day."""
    day_set = DaySet(days="every day", windows=[Window(**window) for window in windows])
    season = SeasonSet(months=YEAR, day_sets=[day_set])
    return Settings(settings="on paper", floor_pct=floor_pct, seasons=[season])


NO_WINDOWS = settings_with()


def all_day(action: str, **limits: float) -> Settings:
    return settings_with({"start": "00:00", "end": "24:00", "action": action} | limits)


def run(
    plant: Plant,
    load: Any,
    pv: Any,
    settings: Settings = NO_WINDOWS,
    *,
    start: float,
    grid: TimeGrid | None = None,
    **behaviour: Any,
) -> Replay:
    """Return the replay of some hours with some habits."""
    plant = replace(plant, behaviour=Behaviour(**behaviour))
    load, pv = np.broadcast_arrays(np.array(load, dtype=float), np.array(pv, dtype=float))
    grid = grid or hourly_grid(len(load))
    return run_through(plant, grid, load.copy(), pv.copy(), settings, start)


def battery(coupling: str = "ac", **more: Any) -> Plant:
    return simple_plant(10, 4, coupling=coupling, **more)


def check(run: Replay, **expected: list[float]) -> None:
    """Hold flows, or the level, of each step against what was worked out on paper."""
    for name, values in expected.items():
        actual = run.stored_kwh if name == "stored" else getattr(run.flows, f"{name}_kwh")
        np.testing.assert_allclose(actual, values, atol=1e-9, err_msg=name)


# --- where PV goes first ----------------------------------------------------------------------

# 3 kWh of sun over a load of 1: into the battery, bought, sold.
BY_ORDER = [
    (BUILDING_FIRST, 5.0, (2.0, 0.0, 0.0)),
    (BATTERY_FIRST, 5.0, (3.0, 1.0, 0.0)),
    (EXPORT_FIRST, 5.0, (0.0, 0.0, 2.0)),
    (BUILDING_FIRST, 9.5, (0.5, 0.0, 1.5)),
    (BATTERY_FIRST, 9.5, (0.5, 0.0, 1.5)),
    (BATTERY_FIRST, 7.5, (2.5, 0.5, 0.0)),
    (EXPORT_FIRST, 9.5, (0.0, 0.0, 2.0)),
]


@COUPLINGS
@pytest.mark.parametrize(("habit", "start", "expected"), BY_ORDER)
def test_sun_goes_where_the_order_says(
    habit: dict[str, Any], start: float, expected: tuple[float, ...], coupling: str
) -> None:
    charged, bought, sold = expected
    for settings in (NO_WINDOWS, all_day("hold"), all_day("cover", down_to_pct=20.0)):
        done = run(battery(coupling), [1.0], [3.0], settings, start=start, **habit)
        check(done, charge=[charged], discharge=[0.0])
        check(done, **{"import": [bought], "export": [sold]})


@COUPLINGS
@pytest.mark.parametrize(("habit", "ac_charge", "dc_charge"), [
    (BUILDING_FIRST, (3 - 1) * 0.9, 3 - 1 / 0.8),
    (BATTERY_FIRST, 3 * 0.9, 3.0),
    (EXPORT_FIRST, (3 - 1 - 0.4) * 0.9, 3 - (1 + 0.4) / 0.8),
])  # fmt: skip
def test_sun_loses_on_its_way_what_the_inverter_loses(
    habit: dict[str, Any], ac_charge: float, dc_charge: float, coupling: str
) -> None:
    """80 % to the building, 90 % to the battery, and 0.4 kW may be sold."""
    inverter = Inverter(ac_limit_kw=50, efficiency_pct=80, charging_efficiency_pct=90)
    plant = battery(coupling, inverter=inverter, connection=Connection(export_limit_kw=0.4))
    done = run(plant, [1.0], [3.0], start=5.0, **habit)
    check(done, charge=[ac_charge if coupling == "ac" else dc_charge])
    check(done, **{"import": [1.0 if habit == BATTERY_FIRST else 0.0]})
    check(done, export=[0.4 if habit == EXPORT_FIRST else 0.0])


def test_sun_that_cannot_pass_the_inverter_is_stored_even_if_selling_comes_first() -> None:
    """5 kW on the DC side of an inverter of 1 kW: half to the building, half sold, 4 stored."""
    plant = battery("dc", inverter=Inverter(ac_limit_kw=1, efficiency_pct=100))
    done = run(plant, [0.5], [5.0], start=5.0, **EXPORT_FIRST)
    check(done, charge=[4.0], export=[0.5])


@COUPLINGS
@pytest.mark.parametrize("habit", PV_HABITS)
def test_a_charge_window_fills_the_battery_first_in_any_order(
    habit: dict[str, Any], coupling: str
) -> None:
    window = all_day("charge", until_pct=100.0, grid_kw=0.0)
    done = run(battery(coupling), [1.0], [3.0], window, start=5.0, **habit)
    check(done, charge=[3.0], **{"import": [1.0]})


@COUPLINGS
def test_without_sun_the_order_changes_nothing(coupling: str) -> None:
    for habit in PV_HABITS:
        done = run(battery(coupling), [1.0, 2.0], [0.0, 0.0], start=2.0, **habit)
        check(done, discharge=[1.0, 1.0], **{"import": [0.0, 1.0]})


def test_surplus_that_is_exported_first_needs_sun_that_covers_the_building_first() -> None:
    """What goes past a battery that is filled first is what it could not take: nothing is to choose."""
    with pytest.raises(ValidationError, match="leaves nothing to export before the battery"):
        Behaviour(pv_charges_first=True, surplus_first="export")
    assert Behaviour(pv_charges_first=True, surplus_first="battery").pv_charges_first


def test_the_key_of_before_is_told_with_what_stands_for_it_now() -> None:
    with pytest.raises(ValidationError) as caught:
        Behaviour.model_validate({"pv_order": ["battery", "building", "export"]})
    mend = caught.value.errors()[0]["ctx"]["error"].mend
    assert mend.startswith("Write pv_charges_first: true where the battery stood")


# --- a cap ------------------------------------------------------------------------------------


@COUPLINGS
@pytest.mark.parametrize(("uses_battery", "charged", "given", "bought"), [
    (True, [1.0, 0.0, 0.0, 1.0], [0.0, 0.0, 1.0, 0.0], [2.0, 2.0, 2.0, 1.5]),
    (False, [1.0, 0.0, 0.0, 0.0], [0.0, 0.0, 0.0, 0.0], [2.0, 2.0, 3.0, 0.5]),
])  # fmt: skip
def test_a_cap_first_reduces_charging_and_then_takes_the_battery_if_that_can_help(
    uses_battery: bool,
    charged: list[float],
    given: list[float],
    bought: list[float],
    coupling: str,
) -> None:
    """Under a cap of 2 kW the loads are 1, 2, 3 and 0.5 kW; the grid may charge with 3 kW, to 60 %.

    What the battery has given in the third hour it takes back in the fourth.
    """
    window = all_day("charge", until_pct=60.0, grid_kw=3.0, import_cap_kw=2.0)
    done = run(battery(coupling), [1.0, 2.0, 3.0, 0.5], [0.0] * 4, window, start=5.0,
               cap_uses_battery=uses_battery)  # fmt: skip
    check(done, charge=charged, discharge=given, **{"import": bought})


@COUPLINGS
def test_sun_is_not_charged_where_a_cap_needs_it_even_if_the_battery_comes_first(
    coupling: str,
) -> None:
    """3 kWh of sun, a load of 4 and a cap of 2: the building needs 2 of the sun."""
    window = all_day("hold", import_cap_kw=2.0)
    for uses_battery in (True, False):
        done = run(battery(coupling), [4.0], [3.0], window, start=5.0, **BATTERY_FIRST,
                   cap_uses_battery=uses_battery)  # fmt: skip
        check(done, charge=[1.0], discharge=[0.0], **{"import": [2.0]})


# --- once the target is reached ---------------------------------------------------------------


@COUPLINGS
@pytest.mark.parametrize(("habit", "stored", "bought"), [
    ("keeps", [6.0, 6.0, 6.0], [2.0, 1.0, 1.0]),
    ("ends", [6.0, 5.0, 4.0], [2.0, 0.0, 0.0]),
])  # fmt: skip
def test_a_charge_window_keeps_the_battery_or_ends_at_its_target(
    habit: str, stored: list[float], bought: list[float], coupling: str
) -> None:
    window = all_day("charge", until_pct=60.0)
    done = run(battery(coupling), [1.0] * 3, [0.0] * 3, window, start=5.0, at_target=habit)
    check(done, stored=stored, **{"import": bought})


def test_a_charge_window_that_holds_the_whole_day_begins_again_at_midnight() -> None:
    """Reached in the first hour; 23 hours of 0.25 kW leave 0.25 kWh; then 4 and 1.75 are charged."""
    window = all_day("charge", until_pct=60.0)
    done = run(battery(), [0.25] * 27, [0.0] * 27, window, start=5.0, at_target="ends")
    falling = 6.0 - 0.25 * np.arange(1, 24)
    check(done, stored=[6.0, *falling, 4.25, 6.0, 5.75])


def test_a_charge_window_over_midnight_does_not_begin_again_at_midnight() -> None:
    """Reached by 22:00, it has ended until the next evening, though the level falls below 60 %."""
    window = settings_with(
        {"start": "20:00", "end": "06:00", "action": "charge", "until_pct": 60.0}
    )
    done = run(battery(), [0.25] * 49, [0.0] * 49, window, start=5.0, at_target="ends")
    stored = done.stored_kwh
    assert stored[0] == pytest.approx(6.0)  # begins within the window
    assert stored[19] == pytest.approx(6.0 - 19 * 0.25)
    assert stored[20:22] == pytest.approx([5.25, 6.0])
    assert stored[22:44] == pytest.approx(6.0 - 0.25 * np.arange(1, 23))
    assert stored[44:49] == pytest.approx([4.5, 6.0, 5.75, 5.5, 5.25])  # the next evening, again


def test_a_window_that_both_day_sets_hold_goes_on_from_friday_to_saturday() -> None:
    night = Window(start="20:00", end="06:00", action="charge", until_pct=60.0)
    day_sets = [DaySet(days=days, windows=[night]) for days in ("weekdays", "weekends")]
    twice = Settings(settings="twice", floor_pct=0.0,
                     seasons=[SeasonSet(months=YEAR, day_sets=day_sets)])  # fmt: skip
    once = Settings(settings="once", floor_pct=0.0, seasons=[
        SeasonSet(months=YEAR, day_sets=[DaySet(days="every day", windows=[night])])])  # fmt: skip
    week = hourly_grid(24 * 7)  # from a Wednesday on
    load, none = np.full(week.count, 0.25), np.zeros(week.count)
    levels = [
        run(battery(), load, none, settings, start=5.0, at_target="ends").stored_kwh
        for settings in (once, twice)
    ]
    friday_night = np.flatnonzero(week.weekday == 5)[:5]
    assert (np.diff(levels[0][friday_night]) < 0).all()
    np.testing.assert_array_equal(*levels)


@COUPLINGS
@pytest.mark.parametrize("more", [
    {"standing_loss_pct_per_day": 5.0}, {"running_loss_kw": 0.5}, {"least_power_kw": 0.7},
])  # fmt: skip
def test_a_window_ends_at_its_target_though_energy_is_lost_or_little_is_missing(
    more: dict[str, float], coupling: str
) -> None:
    """To 60 % from 1.5 kWh: 4 kWh in the first hour, the rest, where it is not too little, next."""
    loses = {key: more[key] for key in more if key.startswith("standing")}
    habits = {key: more[key] for key in more if key not in loses}
    window = all_day("charge", until_pct=60.0)
    done = run(battery(coupling, **loses), [1.0] * 5, [0.0] * 5, window, start=1.5,
               at_target="ends", **habits)  # fmt: skip
    assert (done.flows.charge_kwh[2:] == 0).all()
    assert done.flows.discharge_kwh[2:] == pytest.approx(1.0)


# --- above a floor that was reached -----------------------------------------------------------


@COUPLINGS
@pytest.mark.parametrize(("restart_pct", "bought", "stored"), [
    (0.0, [1.0, 2.0, 0.0, 0.5, 0.0, 0.5], [2.0, 2.0, 2.5, 2.0, 2.5, 2.0]),
    (10.0, [1.0, 2.0, 0.0, 1.0, 0.0, 0.0], [2.0, 2.0, 2.5, 2.5, 3.0, 2.0]),
    (3.0, [1.0, 2.0, 0.0, 0.5, 0.0, 0.5], [2.0, 2.0, 2.5, 2.0, 2.5, 2.0]),
])  # fmt: skip
def test_above_a_floor_that_was_reached_the_level_must_rise_before_the_battery_gives_again(
    restart_pct: float, bought: list[float], stored: list[float], coupling: str
) -> None:
    """A floor of 20 %; twice half a kWh of sun is left over. By 10 % it has risen after the second."""
    load, pv = [2.0, 2.0, 2.0, 1.0, 1.0, 1.0], [0.0, 0.0, 2.5, 0.0, 1.5, 0.0]
    done = run(battery(coupling), load, pv, settings_with(floor_pct=20.0), start=3.0,
               floor_restart_pct=restart_pct)  # fmt: skip
    check(done, stored=stored, **{"import": bought})


def test_a_battery_at_its_floor_still_helps_to_keep_a_cap() -> None:
    """A cap may use what lies between the window's floor and the lowest level."""
    window = all_day("cover", down_to_pct=50.0, import_cap_kw=1.0)
    done = run(battery(), [1.5], [0.0], window, start=5.0, floor_restart_pct=10.0)
    check(done, discharge=[0.5], **{"import": [1.0]})


def test_a_full_battery_rests_no_longer_though_there_is_no_room_to_rise_so_far() -> None:
    """Between a floor of 90 % and a ceiling of 95 % the level cannot rise by 10 %."""
    plant = battery(ceiling_pct=95.0)
    done = run(plant, [3.0, 0.0, 1.0], [0.0, 4.0, 0.0], settings_with(floor_pct=90.0), start=9.2,
               floor_restart_pct=10.0)  # fmt: skip
    check(done, stored=[9.0, 9.5, 9.0], discharge=[0.2, 0.0, 0.5])


def test_a_battery_that_was_never_at_its_floor_does_not_rest() -> None:
    done = run(battery(), [1.0], [0.0], settings_with(floor_pct=20.0), start=2.5,
               floor_restart_pct=10.0)  # fmt: skip
    check(done, discharge=[0.5])


# --- what the equipment itself draws ----------------------------------------------------------


@COUPLINGS
def test_the_inverter_draws_its_standby_at_all_times(coupling: str) -> None:
    """Empty, then 3 kW of sun, then nothing at all: 0.2 kW are bought, taken, and taken."""
    done = run(battery(coupling), [1.0, 1.0, 0.0], [0.0, 3.0, 0.0], start=0.0, standby_kw=0.2)
    check(done, charge=[0.0, 1.8, 0.0], discharge=[0.0, 0.0, 0.2], loss=[0.2] * 3,
          load=[1.0, 1.0, 0.0], **{"import": [1.2, 0.0, 0.0]})  # fmt: skip


def test_standby_passes_the_inverter_like_the_load() -> None:
    """0.8 kW of load and 0.2 of standby take 1.25 kWh through an inverter of 80 %; 0.25 are lost."""
    plant = battery("dc", inverter=Inverter(ac_limit_kw=50, efficiency_pct=80))
    done = run(plant, [0.8], [0.0], start=5.0, standby_kw=0.2)
    check(done, discharge=[1.25], loss=[0.25 + 0.2])


def test_quarter_hours_count_a_quarter_of_each_power() -> None:
    """Standby of 0.4 kW and running losses of 0.8 kW: 0.1 and 0.2 kWh; below 2 kW it rests."""
    grid = hourly_grid(3, 15)
    habits = {"standby_kw": 0.4, "running_loss_kw": 0.8, "least_power_kw": 2.0}
    done = run(battery(), [0.4, 0.39, 0.0], [0.0, 0.0, 0.7], start=5.0, grid=grid, **habits)
    check(done, discharge=[0.5, 0.0, 0.0], charge=[0.0, 0.0, 0.6], stored=[4.3, 4.3, 4.7],
          loss=[0.1] * 3, **{"import": [0.0, 0.49, 0.0]})  # fmt: skip


@COUPLINGS
def test_the_battery_loses_more_whenever_it_runs_and_nothing_at_rest(coupling: str) -> None:
    """Half a kW beside 80 % each way: 2 · 0.8 − 0.5 come in; 0.8 ÷ 0.8 + 0.5 go out; then rest."""
    plant = simple_plant(10, 4, 0.8, coupling=coupling)
    done = run(plant, [0.0, 0.8, 0.0], [2.0, 0.0, 0.0], start=5.0, running_loss_kw=0.5)
    check(done, stored=[6.1, 4.6, 4.6], charge=[2.0, 0, 0], discharge=[0, 0.8, 0])


@COUPLINGS
def test_charging_less_than_the_running_loss_does_not_lower_the_level(coupling: str) -> None:
    done = run(battery(coupling), [0.0], [0.3], start=5.0, running_loss_kw=0.5)
    check(done, stored=[5.0], charge=[0.3])


@COUPLINGS
def test_the_running_loss_takes_no_level_below_the_lowest_nor_short_of_the_highest(
    coupling: str,
) -> None:
    """1.2 kWh give 0.7, also under a cap; 0.4 kWh give nothing; 9 kWh take 1.5 to be full, and then no more."""
    down = run(battery(coupling), [2.0, 2.0], [0.0, 0.0], start=1.2, running_loss_kw=0.5)
    check(down, discharge=[0.7, 0.0], stored=[0.0, 0.0])
    capped = all_day("hold", import_cap_kw=1.0)
    spent = run(battery(coupling), [2.0, 2.0], [0.0, 0.0], capped, start=1.2, running_loss_kw=0.5)
    check(spent, discharge=[0.7, 0.0], stored=[0.0, 0.0], **{"import": [1.3, 2.0]})
    stuck = run(battery(coupling), [2.0], [0.0], start=0.4, running_loss_kw=0.5)
    check(stuck, discharge=[0.0], stored=[0.4])
    up = run(battery(coupling), [0.0, 0.0], [3.0, 3.0], start=9.0, running_loss_kw=0.5)
    check(up, charge=[1.5, 0.0], export=[1.5, 3.0], stored=[10.0, 10.0])


@COUPLINGS
def test_below_its_least_power_the_battery_rests(coupling: str) -> None:
    """0.4 kW of surplus are sold, 0.5 stored; 0.4 kW of need are bought, 0.5 covered."""
    done = run(battery(coupling), [0.0, 0.0, 0.4, 0.5], [0.4, 0.5, 0.0, 0.0], start=5.0,
               least_power_kw=0.5)  # fmt: skip
    check(done, charge=[0.0, 0.5, 0.0, 0.0], discharge=[0.0, 0.0, 0.0, 0.5],
          export=[0.4, 0.0, 0.0, 0.0], **{"import": [0.0, 0.0, 0.4, 0.0]})  # fmt: skip


def test_below_its_least_power_the_battery_rests_under_a_cap_too() -> None:
    """0.2 kW above the cap are too little to give; 0.2 kW below it too little to take."""
    capped = all_day("charge", until_pct=100.0, import_cap_kw=1.0)
    done = run(battery(), [1.2, 0.8, 0.4], [0.0] * 3, capped, start=5.0, least_power_kw=0.5)
    check(done, charge=[0.0, 0.0, 0.6], discharge=[0.0] * 3, **{"import": [1.2, 0.8, 1.0]})


def test_sun_below_the_least_power_does_not_keep_the_battery_from_covering() -> None:
    done = run(battery(), [1.0], [0.1], start=5.0, **BATTERY_FIRST, least_power_kw=0.5)
    check(done, charge=[0.0], discharge=[0.9], **{"import": [0.0]})


# --- near full --------------------------------------------------------------------------------


def slow_charge(level: float, target: float, hours: float, eta: float, bought: float) -> float:
    """Return what is charged with at most 4 kW, above 60 % of 10 kWh ever less, to 25 % at full.

    In ten-thousandths of the time, each at the power of its own level. [kWh]
    """
    charged, h = 0.0, hours / 10_000
    for _ in range(10_000):
        kw = min(4.0 * min(1.0, 1.0 - 0.75 * (level - 6.0) / 4.0), bought)
        kw = max(min(kw, (target - level) / (eta * h)), 0.0)
        charged, level = charged + kw * h, level + eta * kw * h
    return charged


@COUPLINGS
@pytest.mark.parametrize("minutes", [60, 15])
@pytest.mark.parametrize("eta", [1.0, 0.9])
def test_above_a_level_charging_slows(coupling: str, minutes: int, eta: float) -> None:
    """From the sun, and in a charge window from the grid; hours come to what quarters come to."""
    plant = simple_plant(10, 4, eta, coupling=coupling)
    count, h = 4 * 60 // minutes, minutes / 60
    habits = {"slow_above_pct": 60.0, "slow_to_pct": 25.0, "grid": hourly_grid(count, minutes)}
    window = all_day("charge", until_pct=95.0)
    for settings, target, sun in ((NO_WINDOWS, 10.0, 4.0), (window, 9.5, 0.0)):
        done = run(plant, [0.0] * count, [sun * h] * count, settings, start=6.0, **habits)
        level = 6.0
        for charged, stored in zip(done.flows.charge_kwh, done.stored_kwh, strict=True):
            assert charged == pytest.approx(slow_charge(level, target, h, eta, 4.0), rel=2e-3)
            level = stored
        assert done.stored_kwh[-1] == pytest.approx(target if sun == 0.0 else level)
        assert done.stored_kwh[0] < 9.5 or minutes == 60


def test_below_the_level_power_is_full_and_a_level_never_rises_faster_than_stated() -> None:
    """A step that passes the level takes at least what it would do exactly, never more than 4 kW."""
    for start in np.linspace(0.0, 10.0, 21):
        done = run(battery(), [0.0], [8.0], start=start, slow_above_pct=60.0, slow_to_pct=25.0)
        exact = slow_charge(start, 10.0, 1.0, 1.0, 8.0)
        charged = done.flows.charge_kwh[0]
        assert exact * 0.999 <= charged <= min(4.0, exact * 1.12) + 1e-9
    done = run(battery(), [0.0], [8.0], start=1.0, slow_above_pct=60.0, slow_to_pct=25.0)
    check(done, charge=[4.0], export=[4.0])


def test_an_outage_and_a_score_know_that_charging_slows() -> None:
    """Two hours of sun into 8 kWh, then none: what is stored then carries 0.5 kW so much less long."""
    load, pv = np.full(48, 0.5), np.where(np.arange(48) < 2, 1.5, 0.0)
    lasted, scored = [], []
    for habits in ({}, {"slow_above_pct": 60.0, "slow_to_pct": 10.0}):
        plant = replace(battery(), behaviour=Behaviour(**habits))
        start = run_through(plant, hourly_grid(48), load, pv, NO_WINDOWS, 8.0)
        lasted.append(outages_of(plant, start, load, pv, 0.0, horizon_h=40).hours[0])
        case = Case(plant, hourly_grid(48), load, pv, "two rates", NO_WINDOWS, 8.0)
        scored.append((scores(case, [NO_WINDOWS, all_day("hold")]), [
            counted(case, each) for each in (NO_WINDOWS, all_day("hold"))]))  # fmt: skip
        if habits:
            level = 8.0
            for _ in range(2):
                kwh = -np.expm1(-0.9) * (6.0 + 4.0 / 0.9 - level)
                level += min(kwh, 1.0)
            assert lasted[1] == pytest.approx(2 + 2 * level)
    assert lasted[0] == pytest.approx(2 + 2 * 10.0)
    for score, bill in scored:
        assert score[1] - score[0] == pytest.approx(bill[1] - bill[0])


def test_a_window_ends_at_its_target_though_the_last_of_the_way_is_too_slow() -> None:
    done = run(battery(), [1.0] * 8, [0.0] * 8, all_day("charge", until_pct=100.0), start=5.0,
               at_target="ends", slow_above_pct=60.0, slow_to_pct=1.0, least_power_kw=1.0)  # fmt: skip
    assert done.flows.discharge_kwh[-1] == pytest.approx(1.0)
    assert (done.flows.charge_kwh[done.flows.charge_kwh > 0] >= 1.0).all()


# --- laws -------------------------------------------------------------------------------------


@st.composite
def behaviours(draw: Callable[..., Any]) -> Behaviour:
    """Draw habits, each as stated in one case of two or three."""
    return Behaviour(
        **draw(st.sampled_from(PV_HABITS)),
        cap_uses_battery=draw(st.booleans()),
        at_target=draw(st.sampled_from(["keeps", "ends"])),
        floor_restart_pct=draw(st.sampled_from([0.0, 2.0, 15.0])),
        standby_kw=draw(st.sampled_from([0.0, 0.05, 0.6])),
        running_loss_kw=draw(st.sampled_from([0.0, 0.02, 0.5])),
        least_power_kw=draw(st.sampled_from([0.0, 0.1, 0.8])),
        slow_above_pct=draw(st.sampled_from([100.0, 80.0, 30.0])),
        slow_to_pct=draw(st.sampled_from([5.0, 50.0, 100.0])),
    )


@st.composite
def cases_with_habits(draw: Callable[..., Any]) -> Case:
    """Draw a case whose equipment has habits of its own."""
    case = draw(cases())
    return replace(case, plant=replace(case.plant, behaviour=draw(behaviours())))


def replayed(case: Case) -> Replay:
    return run_through(
        case.plant, case.grid, case.load_kwh, case.pv_kwh, case.settings, case.start_kwh
    )


@law(250)
@given(cases_with_habits())
def test_whatever_the_habits_energy_balances_and_levels_limits_and_permissions_are_kept(
    case: Case,
) -> None:
    done = replayed(case)
    check_balance(case.plant, done.flows, TIGHT_KWH)
    check_stored(case.plant, done.flows, done.stored_kwh, case.start_kwh, TIGHT_KWH)
    check_limits(case.plant, done.flows, case.pv_kwh, TIGHT_KWH)
    check_one_way(done.flows, 0.0)
    check_permissions(case.plant, done.flows, TIGHT_KWH)


@law(100)
@given(cases_with_habits())
def test_whatever_the_habits_no_power_is_below_the_least_and_no_charge_breaks_a_cap(
    case: Case,
) -> None:
    done, habits = replayed(case), case.plant.behaviour
    h = case.grid.step_h
    for moved in (done.flows.charge_kwh, done.flows.discharge_kwh):
        assert (moved[moved > 0] >= habits.least_power_kw * h - TIGHT_KWH).all()
    orders = orders_of(case.settings, case.plant, case.grid)
    cap = np.minimum(orders.table[orders.of_step, 5], case.plant.import_limit_kw * h)
    capped = (cap < 1e8) & (habits.at_target == "keeps")
    above = capped & (done.flows.import_kwh > cap + TIGHT_KWH)
    assert (done.flows.charge_kwh[above] <= TIGHT_KWH + sun_left(case, cap)[above]).all()


def sun_left(case: Case, cap: FloatArray) -> FloatArray:
    """Return the DC sun that the inverter does not let through, which may charge under any cap."""
    if not case.plant.pv_on_dc_side:
        return 0 * cap
    through = case.plant.ac_limit_kw * case.grid.step_h / case.plant.to_ac_efficiency
    return np.maximum(case.pv_kwh - through, 0.0)


@law(60)
@given(cases_with_habits())
def test_whatever_the_habits_compiled_and_plain_replays_are_the_same_to_the_last_bit(
    case: Case,
) -> None:
    orders = orders_of(case.settings, case.plant, case.grid)
    numbers = Numbers.of(case.plant, case.grid.step_h)
    compiled, plain = np.zeros((2, OVERLOAD + 1, case.grid.count))
    for runner, out in ((step_through, compiled), (step_through.py_func, plain)):
        runner(case.load_kwh, case.pv_kwh, case.plant.limits_on(case.grid).kwh, case.grid.day,
               orders.table, orders.of_step, numbers,
               case.start_kwh, out)  # fmt: skip
    np.testing.assert_array_equal(compiled, plain)


@law(60)
@given(cases_with_habits())
def test_habits_change_nothing_where_there_is_no_battery(case: Case) -> None:
    bare = case.plant.without_battery()
    plain = replace(case.plant, behaviour=Behaviour()).without_battery()
    assert bare == plain
    bought = replayed(replace(case, plant=bare, start_kwh=0.0)).flows
    pv = case.pv_kwh
    if case.plant.pv_on_dc_side:
        pv = np.minimum(pv * bare.to_ac_efficiency, bare.ac_limit_kw * case.grid.step_h)
    else:
        pv = np.minimum(pv, bare.pv_ac_limit_kw * case.grid.step_h)
    np.testing.assert_allclose(bought.import_kwh, np.maximum(case.load_kwh - pv, 0), atol=TIGHT_KWH)


LEFTOVER = 0.11


def tables_joined(case: Case, many: list[Settings]) -> tuple[FloatArray, np.ndarray]:
    """Return one table of orders for many settings of one floor, and which row holds when."""
    table, of_step = [], []
    for settings in many:
        orders = orders_of(settings, case.plant, case.grid)
        shift = sum(map(len, table))
        of_step.append(np.where(orders.of_step > 0, orders.of_step + shift, 0))
        table.append(orders.table)
    return np.concatenate(table), np.array(of_step)


def scores(case: Case, many: list[Settings]) -> FloatArray:
    """Return the compiled scores of many settings, worked out in one call."""
    linear = linear_cost(case.cost.total, case.grid.count)
    steps = np.arange(case.grid.count)
    priced = pricing_of(linear, random_meter(case.grid, 0), case.plant, LEFTOVER, steps)
    table, faces = tables_joined(case, many)
    result = np.zeros(len(many))
    room = np.zeros((2, case.grid.count, LANES))
    score_many(
        case.load_kwh, case.pv_kwh, case.plant.limits_on(case.grid).kwh, table, steps, faces,
        Numbers.of(case.plant, case.grid.step_h), case.start_kwh, priced, room[0], room[1], result,
    )  # fmt: skip
    return result


def counted(case: Case, settings: Settings) -> float:
    """Return bill, wear and fines of a replay, less the worth of what it leaves."""
    done, plant = replayed(replace(case, settings=settings)), case.plant
    given = done.flows.discharge_kwh
    most = plant.import_limit_kw * case.grid.step_h
    fines = OVERLOAD_COST * np.maximum(done.flows.import_kwh - most, 0).sum()
    if plant.cycles_per_day is not None:
        of_day = np.bincount(case.grid.day, weights=given)
        allowed = plant.cycles_per_day * plant.capacity_kwh
        fines += BEYOND_CYCLES_COST * np.maximum(of_day - allowed, 0).sum()
    bill = bill_flows(case.cost, done.flows).total_as_planned
    return bill + plant.wear_per_kwh * given.sum() + fines - LEFTOVER * done.stored_kwh[-1]


@law(120)
@given(cases_with_habits(), st.lists(window_settings(), min_size=1, max_size=4))
def test_settings_scored_side_by_side_differ_by_what_their_bills_differ(
    case: Case, others: list[Settings]
) -> None:
    """Amounts that no flow changes are left out of scores, so differences are compared."""
    floor_pct = min(settings.floor_pct for settings in (case.settings, *others))
    many = [
        settings.model_copy(update={"floor_pct": floor_pct}) for settings in (case.settings, *others)
    ]  # fmt: skip
    together = scores(case, many)
    bills = np.array([counted(case, settings) for settings in many])
    np.testing.assert_allclose(together - together[0], bills - bills[0], rtol=1e-9, atol=1e-7)
    alone = [scores(case, [settings])[0] for settings in many]
    np.testing.assert_array_equal(together, alone)


def test_the_random_cases_know_every_tariff_with_its_demand_parts() -> None:
    """The law above says something of demand: the tariffs it draws from have peaks and choices."""
    grid = hourly_grid(24)
    kinds = {
        type(part.node).__name__
        for charges in TARIFFS.values()
        for part in linear_cost(cost_of(charges, grid).total, grid.count).parts
    }
    assert {"Peak", "Choice", "Largest"} <= kinds


def test_every_habit_changes_a_replay_of_the_random_cases() -> None:
    """The laws say something of each switch: alone it changes what a day with windows comes to."""
    grid = hourly_grid(48)
    luck = np.random.default_rng(3)
    load, pv = luck.uniform(0, 2, 48), luck.uniform(0, 4, 48) * (grid.minute_of_day // 60 % 12 > 5)
    settings = settings_with(
        {"start": "00:00", "end": "05:00", "action": "charge", "until_pct": 50.0,
         "import_cap_kw": 0.5},
        {"start": "17:00", "end": "20:00", "action": "cover", "down_to_pct": 40.0,
         "import_cap_kw": 0.5}, floor_pct=20.0,
    )  # fmt: skip
    plain = run(battery(), load, pv, settings, start=3.0).flows
    for habit, value in {
        "pv_charges_first": True, "surplus_first": "export", "cap_uses_battery": False, "at_target": "ends",
        "floor_restart_pct": 10.0, "standby_kw": 0.1, "running_loss_kw": 0.1, "least_power_kw": 0.3,
        "slow_above_pct": 30.0,
    }.items():  # fmt: skip
        changed = run(battery(), load, pv, settings, start=3.0, **{habit: value}).flows
        assert np.abs(changed.import_kwh - plain.import_kwh).max() > 0.01, habit
    assert set(Behaviour.model_fields) == {
        "pv_charges_first", "surplus_first", "cap_uses_battery", "at_target", "floor_restart_pct", "standby_kw",
        "running_loss_kw", "least_power_kw", "slow_above_pct", "slow_to_pct",
    }  # fmt: skip
