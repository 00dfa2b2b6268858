"""Outages: a plain loop of this file's own, the simple estimate, and laws that must hold."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from typer.testing import CliRunner

from optimizer.billing.tariff import shipped_folder
from optimizer.cli.app import app
from optimizer.outages.island_kernel import CARRIED, EMPTY, OVERLOAD, POWER
from optimizer.outages.outages import Outages
from optimizer.settings.windows import DaySet, SeasonSet, Settings, no_windows
from optimizer.simulation.replay import Replay
from optimizer.site.behaviour import Behaviour
from optimizer.site.equipment import Inverter, Plant
from tests.builders import hourly_grid, outages_of, run_through, simple_plant
from tests.laws.cases import AC_PLANT, DC_PLANT, grid_of, law, plants, weather, windows


def carried(
    plant: Plant, load, pv, level: float, start: int, floor: float, step_h: float, most: int
):
    """Return for how many steps an outage is carried, and why it ends; a plain loop in kW."""
    standby, running = plant.behaviour.standby_kw, plant.behaviour.running_loss_kw * step_h
    stored = level
    for k in range(most):
        t = (start + k) % len(load)
        load_kw, pv_kw = load[t] / step_h + standby, pv[t] / step_h
        if not plant.pv_on_dc_side:
            pv_kw = min(pv_kw, plant.pv_ac_limit_kw)
        on_inverter = load_kw if plant.pv_on_dc_side else load_kw - pv_kw
        if on_inverter > plant.ac_limit_kw:
            return k, OVERLOAD
        stored -= (stored - floor) * (1 - (1 - plant.standing_loss_per_day) ** (step_h / 24))
        if plant.pv_on_dc_side:
            missing_kw = load_kw / plant.to_ac_efficiency - pv_kw
        elif on_inverter > 0:
            missing_kw = on_inverter / plant.to_ac_efficiency
        else:
            missing_kw = -min(-on_inverter, plant.ac_limit_kw) * plant.to_dc_efficiency
        if missing_kw > 0:
            if missing_kw > plant.discharge_kw:
                return k, POWER
            out_of_battery = missing_kw * step_h / plant.discharge_efficiency + running
            there = stored - floor
            if out_of_battery > there:
                part = max(there - running, 0.0) / (out_of_battery - running)
                return k + part, EMPTY
            stored -= out_of_battery
        else:
            in_kw = min(-missing_kw, plant.charge_kw)
            stored = min(stored + max(in_kw * step_h * plant.charge_efficiency - running, 0.0),
                         max(plant.high_kwh, stored))  # fmt: skip
    return most, CARRIED


HABITS = Behaviour(standby_kw=0.05, running_loss_kw=0.03)


@given(plants(), st.integers(0, 10_000), st.booleans(), st.sampled_from([60, 30, 15]), st.data())
@law(200)
def test_outages_last_as_long_as_in_a_plain_loop(
    plant: Plant, seed: int, habits: bool, minutes: int, data: st.DataObject
) -> None:
    """200 random sites, an outage from each step of three days, followed for two."""
    plant = replace(plant, behaviour=HABITS) if habits else plant
    grid = grid_of(3 * 24 * 60 // minutes, minutes)
    load, pv = weather(grid, seed)
    floor_pct = round(100 * plant.low_kwh / plant.capacity_kwh) + 1
    day_set = DaySet(days="every day", windows=data.draw(windows(floor_pct)))
    settings = Settings(settings="any", floor_pct=0,
                        seasons=[SeasonSet(months=[6], day_sets=[day_set])])  # fmt: skip
    run = run_through(plant, grid, load, pv, settings, plant.low_kwh)
    floor = 0.5 * plant.low_kwh
    found = outages_of(plant, run, load, pv, floor, horizon_h=48)
    for start in range(grid.count):
        level = run.start_kwh if start == 0 else run.stored_kwh[start - 1]
        steps, why = carried(plant, load, pv, level, start, floor, grid.step_h, 48 * 60 // minutes)
        assert found.hours[start] == pytest.approx(steps * grid.step_h, rel=1e-9, abs=1e-9)
        assert found.why[start] == why


def at_level(stored: float, count: int) -> Replay:
    """Return a replay that leaves the battery at one level."""
    plant = simple_plant(10, 5)
    grid = hourly_grid(count)
    run = run_through(plant, grid, np.zeros(count), np.zeros(count), no_windows(0.0), stored)
    assert (run.stored_kwh == stored).all()
    return run


def test_without_sun_and_with_a_constant_load_it_is_the_simple_estimate() -> None:
    """F03, common practice: usable capacity ÷ average consumption; 9.6 kWh ÷ 0.8 kW = 12 h."""
    load = np.full(100, 0.8)
    found = outages_of(simple_plant(10, 5), at_level(10.0, 100), load, 0 * load, 0.4)
    assert found.hours == pytest.approx(12.0)
    assert found.simple_h == pytest.approx(12.0)
    assert set(found.why) == {EMPTY}
    assert found.share_lasting(12) == 1.0
    assert found.share_lasting(12.1) == 0.0


def test_runtime_with_an_efficiency_is_energy_over_power() -> None:
    """By hand: 1,000 Wh × depth of discharge 1.0 × 0.9 ÷ 150 W = 6.0 h."""
    plant = simple_plant(1.0, 5, inverter=Inverter(ac_limit_kw=5, efficiency_pct=90))
    grid = hourly_grid(24)
    load = np.full(24, 0.15)
    run = run_through(plant, grid, 0 * load, 0 * load, no_windows(0.0), 1.0)
    found = outages_of(plant, run, load, 0 * load, 0.0)
    assert found.hours == pytest.approx(6.0)
    assert found.simple_h == pytest.approx(6.0)


def test_a_large_bank_lasts_two_days_at_a_households_pace() -> None:
    """F03, by hand: sixteen cells of 3.2 V and 250 Ah hold 12.8 kWh, two days at 6.4 kWh a day."""
    plant = simple_plant(16 * 3.2 * 0.25, 10)
    grid = hourly_grid(24 * 7)
    load = np.full(grid.count, 6.4 / 24)
    run = run_through(plant, grid, 0 * load, 0 * load, no_windows(0.0), 12.8)
    assert outages_of(plant, run, load, 0 * load, 0.0).hours == pytest.approx(48.0)


@pytest.mark.parametrize(
    ("plant", "load_kw", "why"),
    [
        (simple_plant(10, 5, inverter=Inverter(ac_limit_kw=2, efficiency_pct=100)), 2.1, OVERLOAD),
        (simple_plant(10, 2, inverter=Inverter(ac_limit_kw=9, efficiency_pct=100)), 2.1, POWER),
    ],
)
def test_too_much_power_ends_it_at_once(plant: Plant, load_kw: float, why: int) -> None:
    load = np.full(10, load_kw)
    found = outages_of(plant, at_level(10.0, 10), load, 0 * load, 0.0)
    assert (found.hours == 0).all()
    assert set(found.why) == {why}


def test_sun_by_day_carries_on_and_a_night_without_it_does_not() -> None:
    """4 kWh last to the evening; 1.5 kW of sun from 6 to 18 h carries 0.5 kW and refills 10 kWh."""
    count = 24 * 6
    grid = hourly_grid(count)
    day = (grid.minute_of_day >= 360) & (grid.minute_of_day < 1080)
    load, pv = np.full(count, 0.5), np.where(day, 1.5, 0.0)
    sunny = outages_of(simple_plant(10, 5), at_level(4.0, count), load, pv, 0.0)
    assert set(sunny.why) == {CARRIED, EMPTY}
    assert sunny.hours[6] == 72  # begins at sunrise: full by evening, 6 kWh for the night
    assert sunny.hours[20] == pytest.approx(8.0)  # 4 kWh ÷ 0.5 kW, dark before sunrise at 6
    dark = outages_of(simple_plant(10, 5), at_level(4.0, count), load, 0 * pv, 0.0)
    assert dark.hours == pytest.approx(8.0)


@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
def test_more_stored_more_sun_and_less_load_never_shorten_an_outage(plant: Plant) -> None:
    grid = grid_of(24 * 7)
    load, pv = weather(grid, 4)
    run = run_through(plant, grid, load, pv, no_windows(10.0), plant.low_kwh)
    base = outages_of(plant, run, load, pv, plant.low_kwh).hours
    fuller = replace(run, stored_kwh=np.minimum(run.stored_kwh + 1, plant.high_kwh))
    assert (outages_of(plant, fuller, load, pv, plant.low_kwh).hours >= base - 1e-9).all()
    assert (outages_of(plant, run, 0.8 * load, pv, plant.low_kwh).hours >= base - 1e-9).all()
    assert (outages_of(plant, run, load, pv, 0.5 * plant.low_kwh).hours >= base - 1e-9).all()
    if (
        not plant.pv_on_dc_side
    ):  # sun that cannot be stored may leave less room, but never lasts less
        assert (outages_of(plant, run, load, 1.2 * pv, plant.low_kwh).hours >= base - 1e-9).all()


def test_what_is_not_carried_is_added_up_by_hand() -> None:
    """An outage of 24 h from each hour: carried for 8 h, so 16 h of 0.5 kWh are short."""
    load = np.full(48, 0.5)
    found = outages_of(simple_plant(10, 5), at_level(4.0, 48), load, 0 * load, 0.0)
    assert found.short_kwh(24) == pytest.approx(8.0)
    uneven = replace(found, load_kwh=np.arange(48.0), hours=np.full(48, 1.5))
    # From step 2 for three hours: steps 2, 3, 4; carried are 2 and half of 3.
    assert uneven.short_kwh(3)[2] == pytest.approx(1.5 + 4.0)


def test_the_worst_month_and_hour_are_found() -> None:
    grid = grid_of(24 * 59, start="2025-01-01")
    hours = np.where((grid.month == 2) & (grid.minute_of_day == 18 * 60), 1.0, 9.0)
    some = np.zeros(grid.count)
    found = Outages(grid, hours, some.astype(int), some + 1, some, some, 0.0, 1.0, 1.0)
    assert found.worst == (2, 18, 1.0)
    table = found.by_month_and_hour()
    assert np.isnan(table[2:]).all()
    assert table[0, 5] == 9.0
    assert found.spread.p50 == 9.0


# --- the command -----------------------------------------------------------------------------


@pytest.fixture(scope="module")
def told(tmp_path_factory: pytest.TempPathFactory) -> tuple[str, Path]:
    """What the command prints and writes for the first demo."""
    out = tmp_path_factory.mktemp("outage")
    demo = shipped_folder("scenarios") / "1_two_rates"
    done = CliRunner().invoke(app, ["outage", str(demo), "--out", str(out)])
    assert done.exit_code == 0, done.output
    return done.stdout, out


def test_the_shares_the_worst_hour_and_the_estimate_are_told(told: tuple[str, Path]) -> None:
    text, out = told
    for words in ("goes on for at least", "goes dark at once", "Worst:", "Simple estimate", "CAUTIONS",
                  "licensed electrician", "a plan of their own"):  # fmt: skip
        assert words in " ".join(text.split())
    record = json.loads((out / "outages.json").read_text(encoding="utf-8"))
    table = pd.read_csv(out / "outages.csv")
    assert len(table) == 8760
    assert record["share_lasting"]["8"] == pytest.approx((table["hours"] >= 8 - 1e-6).mean())
    assert record["hours"]["p10"] == pytest.approx(np.percentile(table["hours"], 10), abs=1e-3)
    page = (out / "outages.html").read_text(encoding="utf-8")
    assert "<svg" in page
    assert page.count("<h1>") == 1


def test_critical_loads_alone_last_longer_and_must_be_listed(tmp_path: Path) -> None:
    demo = shipped_folder("scenarios") / "1_two_rates"
    none = CliRunner().invoke(app, ["outage", str(demo), "--critical"])
    assert none.exit_code == 2
    assert "no load is critical" in none.stderr
    text = (demo / "scenario.yaml").read_text(encoding="utf-8")
    text = text.replace("forecast: forecast.csv", f"forecast: {demo / 'forecast.csv'}")
    text += (
        "loads:\n- {name: fridge, running_w: 120, duty_pct: 50, critical: true}\n"
        "- {name: router, running_w: 15, critical: true}\n- {name: sauna, running_w: 6000}\n"
        "outage: {pv_runs: false}\n"
    )
    (tmp_path / "scenario.yaml").write_text(text, encoding="utf-8")
    words = ["outage", str(tmp_path), "--json"]
    whole = json.loads(CliRunner().invoke(app, words).stdout)
    critical = json.loads(CliRunner().invoke(app, [*words, "--critical"]).stdout)
    assert critical["mean_kw"] == pytest.approx(0.075)  # by hand: 60 W + 15 W
    assert critical["hours"]["p10"] >= whole["hours"]["p10"]
    assert critical["hours"]["p50"] > whole["hours"]["p50"]
