"""Loads, banks, panels and dwellings against handbooks and worked examples; each check names its source."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.billing.tariff import shipped_folder
from optimizer.evaluation.fit_check import findings_of
from optimizer.scenario.brief import read_brief
from optimizer.scenario.scenario import read_scenario
from optimizer.settings.windows import no_windows
from optimizer.site.electrical import (
    dwelling_climate_va,
    dwelling_demand_va,
    dwelling_general_va,
    full_cycles,
    general_demand_va,
    loading_ratio,
    most_backfed_a,
    most_inverter_a,
)
from optimizer.site.equipment import Inverter
from optimizer.site.loads import Dwelling, Load, Motor
from optimizer.site.starting import (
    all_at_once_w,
    code_letter,
    kva_per_hp,
    left_off,
    locked_rotor_a,
    most_kva_per_hp,
    on_leg_w,
    one_after_another_w,
    start_w,
    starting_va,
    switching_order,
)
from optimizer.workflows.check import check
from tests.builders import best_plan, hourly_grid, run_through, simple_plant

# --- batteries -------------------------------------------------------------------------------


def test_cycles_are_throughput_over_twice_the_capacity() -> None:
    """By hand: depths of 0.3, 0.4 and 0.5, out and in again, are 1.2 cycles."""
    out_and_in = 2 * 10 * (0.3 + 0.4 + 0.5)
    assert full_cycles(out_and_in, 10) == pytest.approx(1.2)


# --- PV --------------------------------------------------------------------------------------


def test_the_loading_ratio_is_that_of_the_fleet() -> None:
    """D07, EIA, Today in Energy, id 35372: 25.4 ÷ 20.3 = 1.25; 6 kW on 5 kW is 1.2."""
    assert loading_ratio(25.4, 20.3) == pytest.approx(1.25, abs=0.002)
    assert loading_ratio(6, 5) == pytest.approx(1.2)


def test_sun_beyond_the_inverter_can_only_go_into_the_battery() -> None:
    """F04, common practice: of 8 kW on a 5 kW hybrid, 3 kW charge, and are lost when it is full."""
    inverter = Inverter(ac_limit_kw=5, efficiency_pct=100)
    plant = simple_plant(6, 4, coupling="dc", inverter=inverter)
    grid = hourly_grid(3)
    load, pv = np.full(3, 1.0), np.full(3, 8.0)
    run = run_through(plant, grid, load, pv, no_windows(0.0), 0.0).flows
    assert run.charge_kwh == pytest.approx([4, 2, 0])  # 4 kW at most, 6 kWh in all
    assert run.export_kwh == pytest.approx([3, 4, 4])
    assert run.pv_used_kwh == pytest.approx([8, 7, 5])
    bare = run_through(plant.without_battery(), grid, load, pv, no_windows(0.0), 0.0).flows
    assert (pv - bare.pv_used_kwh).sum() - (pv - run.pv_used_kwh).sum() == pytest.approx(5.0)


# --- tariffs that the trade speaks of ------------------------------------------------------------


def test_in_a_demand_window_nothing_is_drawn_and_the_cheap_hours_fill_the_battery() -> None:
    """F05, common practice: cheap from 0 to 6 h, dear from 16 to 20 h; 1 kW of load, 4 kWh stored."""
    hour = np.arange(24)
    buy = np.where(hour < 6, 0.08, np.where((hour >= 16) & (hour < 20), 0.60, 0.20))
    plan = best_plan(simple_plant(4, 2), np.ones(24), np.zeros(24), buy, np.zeros(24), end=0.0)
    assert plan.flows.import_kwh[16:20] == pytest.approx(0)
    assert plan.flows.charge_kwh[:6].sum() == pytest.approx(4)
    assert plan.stored_kwh[15] == pytest.approx(4)  # full when the window begins


def test_where_evening_export_is_dear_the_sun_is_stored_and_sold_then() -> None:
    """F06, common practice: 4 kWh of sun by day, 0.50 for export in the evening, 0.30 for import."""
    hour = np.arange(24)
    pv = np.where((hour >= 10) & (hour < 14), 1.0, 0.0)
    sell = np.where((hour >= 18) & (hour < 20), 0.50, 0.05)
    plan = best_plan(simple_plant(4, 2), np.zeros(24), pv, np.full(24, 0.30), sell, end=0.0)
    assert plan.flows.charge_kwh[10:14].sum() == pytest.approx(4)
    assert plan.flows.export_kwh[18:20].sum() == pytest.approx(4)


# --- motors and starts ---------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("value", "letter"),
    [
        (0.0, "A"), (3.14, "A"), (3.15, "B"), (3.55, "C"), (4.0, "D"), (4.5, "E"), (5.0, "F"),
        (5.6, "G"), (6.29, "G"), (6.3, "H"), (7.1, "J"), (8.0, "K"), (9.0, "L"), (10.0, "M"),
        (11.2, "N"), (12.5, "P"), (14.0, "R"), (16.0, "S"), (18.0, "T"), (20.0, "U"), (22.4, "V"),
        (40.0, "V"),
    ],
)  # fmt: skip
def test_code_letters_hold_their_lower_bound(value: float, letter: str) -> None:
    """A06: NEMA MG 1-10.37.2, NEC table 430.7(B); there is no I, O or Q."""
    assert code_letter(value) == letter


def test_the_starting_current_of_a_letter_is_the_worked_examples() -> None:
    """A06: 20 hp, 460 V, three phases, the upper end of G: 125.8 kVA, 157.9 A; 59.45 kVA are 74.6 A."""
    assert locked_rotor_a(20 * 6.29, 460, 3) == pytest.approx(157.9, abs=0.05)
    assert locked_rotor_a(59.45, 460, 3) == pytest.approx(74.6, abs=0.05)
    assert most_kva_per_hp("G") == 6.3
    motor = Motor(hp=20, volts=460, phases=3, code_letter="G")
    assert starting_va(motor) == pytest.approx(126_000)


FULL_AND_LOCKED = {0.5: (4.9, 29.4), 0.75: (6.9, 41.4), 1: (8, 48), 1.5: (10, 60), 2: (12, 72),
                   3: (17, 102), 5: (28, 168), 7.5: (40, 240), 10: (50, 300)}  # fmt: skip
"""A07: NEC tables 430.248 and 430.251(A), single phase, 230 V: full load and locked rotor. [A]"""


@pytest.mark.parametrize("hp", FULL_AND_LOCKED)
def test_a_locked_rotor_draws_six_times_the_full_current(hp: float) -> None:
    full, locked = FULL_AND_LOCKED[hp]
    motor = Motor(hp=hp, volts=230, locked_rotor_a=locked)
    load = Load(name="pump", running_w=230 * full, motor=motor)
    assert start_w(load) / load.running_w == pytest.approx(6.0)


@pytest.mark.parametrize(
    ("hp", "volts", "amps", "phases", "value", "letter"),
    [(1, 230, 48, 1, 11.04, "M"), (10, 460, 81, 3, 6.45, "H")],
)
def test_letters_follow_from_tabled_currents(
    hp: float, volts: float, amps: float, phases: int, value: float, letter: str
) -> None:
    """A07: 1 hp with 48 A, and 10 hp with 81 A in three phases."""
    assert kva_per_hp(volts, amps, hp, phases) == pytest.approx(value, abs=0.005)
    assert code_letter(kva_per_hp(volts, amps, hp, phases)) == letter


def test_starts_add_up_as_in_the_manuals() -> None:
    """By hand: a plain sum; and all that runs with the one largest start beyond running (common practice)."""
    plain = [Load(name=str(watts), running_w=watts) for watts in (100, 200, 2900, 750)]
    assert all_at_once_w(plain) == pytest.approx(3950)
    manual = [
        Load(name="pump", running_w=750, starting_factor=3),
        Load(name="rest", running_w=400),
    ]
    assert sum(load.running_w for load in manual) == 1150
    assert one_after_another_w(manual) == pytest.approx(1150 + 1500)


def test_resistive_loads_start_as_they_run_and_motors_do_not() -> None:
    """F07, common practice, no published source: a fridge of 800 W starts with some three times as much."""
    assert start_w(Load(name="heater", running_w=1500)) == 1500
    assert start_w(Load(name="fridge", running_w=800, starting_factor=3)) == 2400


loads_drawn = st.lists(
    st.tuples(st.integers(50, 3000), st.floats(1, 6)), min_size=1, max_size=6
).map(
    lambda pairs: [
        Load(name=str(n), running_w=watts, starting_factor=factor)
        for n, (watts, factor) in enumerate(pairs)
    ]
)


@given(loads_drawn, st.randoms(use_true_random=False))
def test_no_other_order_of_switching_on_needs_less(loads: list[Load], luck: Any) -> None:
    """F07: one after another, the hardest start first."""

    def highest(ordered: list[Load]) -> float:
        running, worst = 0.0, 0.0
        for load in ordered:
            worst = max(worst, running + start_w(load))
            running += load.running_w
        return worst

    best = max(step.while_starting_w for step in switching_order(loads))
    for _ in range(20):
        other = [*loads]
        luck.shuffle(other)
        assert best <= highest(other) + 1e-6


def test_what_is_left_off_makes_the_rest_fit_and_keeps_critical_loads_first() -> None:
    loads = [
        Load(name="cooker", running_w=4000), Load(name="lights", running_w=200),
        Load(name="pump", running_w=1000, starting_factor=4, critical=True),
    ]  # fmt: skip
    kept, off = left_off(loads, 5000, 5000)
    assert [load.name for load in kept] == ["pump", "lights"]
    assert [load.name for load in off] == ["cooker"]
    kept, off = left_off(loads, 6000, 8000)
    assert off == []


def test_legs_carry_their_own_loads_and_half_of_the_others() -> None:
    loads = [
        Load(name="a", running_w=1000, leg="1", starting_factor=3),
        Load(name="b", running_w=600),
    ]
    assert on_leg_w(loads, "1") == pytest.approx((1300, 3300))
    assert on_leg_w(loads, "2") == pytest.approx((300, 300))


# --- connection and dwelling -----------------------------------------------------------------


def test_the_busbar_rule_is_the_codes() -> None:
    """A13, NEC 705.12: bus 200, main 200: 40 A back-fed, 32 A of inverter (7.68 kW); main 150: 90 A."""
    assert most_backfed_a(200, 200) == pytest.approx(40)
    assert most_inverter_a(200, 200) == pytest.approx(32)
    assert most_inverter_a(200, 200) * 240 == pytest.approx(7680)
    assert most_backfed_a(200, 150) == pytest.approx(90)


D2A = Dwelling(
    floor_ft2=1500, appliances_va=[12_000, 2500, 1200, 5000], heating_va=9000, heating_units=5,
    cooling_va=1380,
)  # fmt: skip


def test_the_dwelling_of_annex_d2a_is_the_handbooks() -> None:
    """A09, NEC 2005, annex D, example D2(a): 29,700, 17,880, 21,480 VA."""
    assert dwelling_general_va(D2A) == pytest.approx(29_700)
    assert general_demand_va(29_700) == pytest.approx(17_880)
    assert dwelling_climate_va(D2A) == pytest.approx(3600)
    assert dwelling_demand_va(D2A) == pytest.approx(21_480)
    assert dwelling_demand_va(D2A) / 240 == pytest.approx(89.5)


def test_the_dwelling_with_cooling_is_the_handbooks() -> None:
    """A10, example D2(b): general 32,800 VA, six units of 7 A at 240 V: 29,200 VA, 121.7 A."""
    general = 32_800 - 3 * 1500 - 3 * 1500
    dwelling = Dwelling(floor_ft2=1500, appliances_va=[general], cooling_va=6 * 7 * 240)
    assert dwelling_demand_va(dwelling) == pytest.approx(29_200)
    assert dwelling_demand_va(dwelling) / 240 == pytest.approx(121.7, abs=0.05)


def test_the_dwelling_with_a_heat_pump_is_the_handbooks() -> None:
    """A11, example D2(c): general 33,200 VA, heat pump 24 A, 15 kW of supplementary heat: 34,790 VA."""
    general = 33_200 - 3 * 2000 - 3 * 1500
    dwelling = Dwelling(
        floor_ft2=2000, appliances_va=[general], heat_pump_va=24 * 240, supplementary_va=15_000
    )
    assert dwelling_climate_va(dwelling) == pytest.approx(15_510)
    assert dwelling_demand_va(dwelling) == pytest.approx(34_790)
    assert dwelling_demand_va(dwelling) / 240 == pytest.approx(144.96, abs=0.005)


def test_the_optional_rule_on_other_general_loads() -> None:
    """A12: 18,600 VA become 13,440; with a range of 8,000 beside them 21,440 VA, 89.3 A."""
    assert general_demand_va(18_600) == pytest.approx(13_440)
    assert (general_demand_va(18_600) + 8000) / 240 == pytest.approx(89.3, abs=0.05)
    assert general_demand_va(9_000) == 9_000


def test_an_appliance_that_runs_a_third_of_the_time() -> None:
    """A14, https://www.energy.gov/energysaver: a refrigerator of 725 W uses 5.8 kWh a day."""
    refrigerator = Load(name="refrigerator", running_w=725, duty_pct=100 / 3)
    assert refrigerator.mean_kw * 24 == pytest.approx(5.8)


# --- the findings of a scenario ------------------------------------------------------------------


def test_a_scenario_with_everything_is_told_with_values_limits_and_sources(tmp_path: Path) -> None:
    demo = shipped_folder("scenarios") / "1_two_rates"
    text = (demo / "scenario.yaml").read_text(encoding="utf-8")
    text = text.replace("forecast: forecast.csv", f"forecast: {demo / 'forecast.csv'}")
    text = text.replace("  coupling: dc", "  coupling: dc\n  peak_kw: 7.5")
    text += (
        "loads:\n- {name: cooker, running_w: 6000}\n"
        "panel: {busbar_a: 100, main_breaker_a: 100}\n"
        "dwelling: {floor_ft2: 1500}\n"
    )
    (tmp_path / "scenario.yaml").write_text(text, encoding="utf-8")
    findings = check(read_brief(tmp_path)).fits
    told = {finding.what: finding for finding in findings}
    assert told["All loads running together"].severity == "serious"
    assert told["PV ÷ inverter"].severity == "odd"
    assert told["PV ÷ inverter"].value.startswith("1.5 ")
    busbar = told["Inverter current on the busbar"]
    assert (busbar.severity, busbar.value) == ("odd", "20.8 A")  # 5 kW ÷ 240 V
    assert busbar.limit.startswith("16 A")  # (120 − 100) ÷ 1.25
    assert all(finding.source for finding in findings)
    plain = findings_of(read_scenario(demo))
    assert {finding.severity for finding in plain} == {"information"}


def test_a_load_that_starts_anew_while_all_run_is_left_off_and_equal_loads_stay_apart() -> None:
    """Sums by hand: pump 7 kW to start, heater 3 kW: 10 kW once the pump starts anew, 7 kW before."""
    heater = Load(name="heater", running_w=3000)
    for duty, off in ((100, []), (10, ["heater"])):
        pump = Load(name="pump", running_w=1000, starting_factor=7, duty_pct=duty)
        assert [load.name for load in left_off([pump, heater], 7000, 7500)[1]] == off
    twice = [Load(name="heater", running_w=4500)] * 2
    kept, left = left_off(twice, 7000, 7000)
    assert (len(kept), len(left)) == (1, 1)
