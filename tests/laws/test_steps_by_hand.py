"""Orders, and what limits a step, in figures worked out on paper.

The battery holds 10 kWh and moves 4 kW; 0.8 of what is charged is stored, half of what is taken out is given. The
inverter of 5 kW passes on 0.8 either way and draws 0.2 kW itself. Steps are hours.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest

from optimizer.base.timegrid import TimeGrid
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.simulation import trace
from optimizer.simulation.replay import (
    OrderTable,
    Replay,
    _days_beyond_cycles,
    order_row,
    orders_of,
    replay,
    replay_of,
)
from optimizer.simulation.step import (
    CAP,
    CHARGE,
    COVER,
    ENTRY,
    HOLD,
    IDLE,
    OUTSIDE,
    SELL,
    Numbers,
    _slowing,
    asked_of,
    order_of,
    step,
)
from optimizer.site.behaviour import Behaviour
from optimizer.site.equipment import Connection, Inverter, Plant
from optimizer.site.limits import TimedLimit
from tests.builders import hourly_grid, simple_plant

INF = math.inf
RULE = TimedLimit(rule="filling", fill_kw=3.0)


def plant_of(coupling: str, **habits: object) -> Plant:
    plant = simple_plant(
        10, 4, (0.8, 0.5), coupling=coupling, inverter=Inverter(ac_limit_kw=5, efficiency_pct=80),
        connection=Connection(import_limit_kw=6, export_limit_kw=2, limits=[RULE]),
    )  # fmt: skip
    return replace(plant, behaviour=Behaviour.model_validate({"standby_kw": 0.2} | habits))


def settings_of(*windows: Window, floor_pct: float = 0.0, **more: object) -> Settings:
    season = SeasonSet(months=[1], day_sets=[DaySet(days="every day", windows=list(windows))])
    return Settings.model_validate(
        {"settings": "on paper", "floor_pct": floor_pct, "seasons": [season], **more}
    )


# --- what limited a step ---------------------------------------------------------------------

SOLD = Window(start="00:00", end="24:00", action="sell", power_kw=2, down_to_pct=20)
FILLED = Window(
    start="00:00", end="24:00", action="charge", until_pct=80, grid_kw=2, import_cap_kw=1.5
)
NAMES = {name: getattr(trace, name) for name in (
    "ROW", "RESTING", "NEED", "BARE", "USABLE", "ABOVE_LOW", "THROUGH", "TO_EXPORT_LIMIT", "PV", "PV_FIRST",
    "PV_BEYOND", "PV_SOLD", "FULL", "SLOW", "TARGET", "BOUGHT", "FILL", "ALLOWED", "UNDER_LIMIT", "CHARGED",
    "DISCHARGED", "NET")}  # fmt: skip
STEPS = {
    # load 1.2 with the standby, sun 3, level 5: the battery gives what the export of 2 leaves
    "selling, ac": ("ac", SOLD, 1.0, 3.0, 5.0, {
        "RESTING": 0, "NEED": -2.25, "BARE": 0, "USABLE": 1.5, "ABOVE_LOW": 2.5, "THROUGH": 6.25,
        "TO_EXPORT_LIMIT": 0.25, "PV": 3, "PV_FIRST": 1.44, "PV_BEYOND": 1.44, "PV_SOLD": -0.16, "FULL": 6.25,
        "SLOW": INF, "TARGET": 0, "BOUGHT": 5, "FILL": 3, "ALLOWED": 6, "UNDER_LIMIT": 6.24, "CHARGED": 0,
        "DISCHARGED": 0.25, "NET": 2}),
    "selling, dc": ("dc", SOLD, 1.0, 3.0, 5.0, {
        "RESTING": 0, "NEED": -1.5, "BARE": 0, "USABLE": 1.5, "ABOVE_LOW": 2.5, "THROUGH": 3.25,
        "TO_EXPORT_LIMIT": 1.0, "PV": 3, "PV_FIRST": 1.5, "PV_BEYOND": 1.5, "PV_SOLD": -1.0, "FULL": 6.25,
        "SLOW": INF, "TARGET": 0, "BOUGHT": 4, "FILL": 2.4, "ALLOWED": 6, "UNDER_LIMIT": 6.84, "CHARGED": 0,
        "DISCHARGED": 1.0, "NET": 2}),
    # load 4.2, sun 0.5, level 3, a cap of 1.5: no room to charge, the battery gives all of 3 × 0.5
    "capped, ac": ("ac", FILLED, 4.0, 0.5, 3.0, {
        "RESTING": 0, "NEED": 4.625, "BARE": 3.7, "USABLE": 1.5, "ABOVE_LOW": 1.5, "THROUGH": 6.25,
        "TO_EXPORT_LIMIT": 7.125, "PV": 0.5, "PV_FIRST": -2.96, "PV_BEYOND": -2.96, "PV_SOLD": -4.56, "FULL": 8.75,
        "SLOW": INF, "TARGET": 6.25, "BOUGHT": 2, "FILL": 3, "ALLOWED": 1.5, "UNDER_LIMIT": -1.76, "CHARGED": 0,
        "DISCHARGED": 1.5, "NET": -2.5}),
    "capped, dc": ("dc", FILLED, 4.0, 0.5, 3.0, {
        "RESTING": 0, "NEED": 4.75, "BARE": 3.8, "USABLE": 1.5, "ABOVE_LOW": 1.5, "THROUGH": 5.75,
        "TO_EXPORT_LIMIT": 7.25, "PV": 0.5, "PV_FIRST": -4.75, "PV_BEYOND": -4.75, "PV_SOLD": -5.75, "FULL": 8.75,
        "SLOW": INF, "TARGET": 6.25, "BOUGHT": 1.6, "FILL": 2.4, "ALLOWED": 1.5, "UNDER_LIMIT": -2.875, "CHARGED": 0,
        "DISCHARGED": 1.5, "NET": -2.6}),
}  # fmt: skip


@pytest.mark.parametrize("name", STEPS)
def test_what_limited_a_step(name: str) -> None:
    coupling, window, load, pv, start, expected = STEPS[name]
    plant, grid = plant_of(coupling), hourly_grid(1)
    horizon = Horizon(plant, grid, np.array([load]), np.array([pv]), start)
    orders = orders_of(settings_of(window), plant, grid)
    run = replay_of(horizon, orders)
    found = trace.trace_of(horizon, orders, run)
    assert found.shape == (22, 1)
    told = {each: found[NAMES[each], 0] for each in expected}
    assert told == pytest.approx(expected)
    assert found[trace.ROW, 0] == orders.of_step[0]
    flows = run.flows
    assert flows.export_kwh[0] - flows.import_kwh[0] == pytest.approx(expected["NET"])
    assert flows.discharge_kwh[0] == pytest.approx(expected["DISCHARGED"])


@pytest.mark.parametrize("name", STEPS)
def test_side_by_side_with_others_a_step_is_what_it_is_alone(name: str) -> None:
    coupling, window, load, pv, start, expected = STEPS[name]
    assert moved(plant_of(coupling), window, load, pv, start, alone=False) == pytest.approx(
        (expected["CHARGED"], expected["DISCHARGED"], expected["NET"])
    )


def moved(
    plant: Plant, window: Window, load: float, pv: float, start: float, *, alone: bool
) -> tuple[float, ...]:
    """Return what a step charges, discharges, and exports less what it imports. [kWh]"""
    horizon = Horizon(plant, hourly_grid(1), np.array([load]), np.array([pv]), start)
    orders = orders_of(settings_of(window), plant, horizon.grid)
    n = Numbers.of(plant, 1.0)
    order = order_of(orders.table[orders.of_step[0]], n)
    asked = asked_of(load, pv, horizon.limits.kwh, 0, n)
    found = step(order, start, False, asked, n, True, alone)
    return found.charge, found.discharge, found.net


@pytest.mark.parametrize("alone", [True, False])
@pytest.mark.parametrize(("first", "load", "pv", "expected"), [
    # 0.8 of sun more than building and standby take: 0.64 reach the battery
    ("building", 1.0, 2.0, (0.64, 0.0, 0.0)),
    # as much sun as they take: nothing moves
    ("building", 1.0, 1.2, (0.0, 0.0, 0.0)),
    # 0.8 missing, which are 1 at the battery's terminals
    ("building", 1.0, 0.4, (0.0, 1.0, 0.0)),
    # sun that fills the battery first keeps it from giving: 1.2 are bought
    ("battery", 1.0, 0.5, (0.4, 0.0, -1.2)),
])  # fmt: skip
def test_covering_by_hand(
    first: str, load: float, pv: float, expected: tuple[float, ...], alone: bool
) -> None:
    cover = Window(start="00:00", end="24:00", action="cover")
    plant = plant_of("ac", pv_charges_first=first == "battery")
    assert moved(plant, cover, load, pv, 5.0, alone=alone) == pytest.approx(expected)


@pytest.mark.parametrize("begins", [0, 23])
def test_the_trace_begins_a_window_anew_at_midnight_as_the_replay_does(begins: int) -> None:
    """Charging all day to 60 % has ended at 60.5 %: the battery covers, by 0.625 an hour, until the next day begins."""
    plant = replace(plant_of("ac"), behaviour=Behaviour(at_target="ends"))
    grid = TimeGrid(hourly_grid(24).start + timedelta(hours=begins), 60, 30, "UTC")
    horizon = Horizon(plant, grid, np.full(30, 0.25), np.zeros(30), 6.05)
    window = Window(start="00:00", end="24:00", action="charge", until_pct=60)
    orders = orders_of(settings_of(window), plant, grid)
    run = replay_of(horizon, orders)
    found = trace.trace_of(horizon, orders, run)
    assert np.flatnonzero(run.flows.charge_kwh > 0)[0] == 24 - begins
    assert found[trace.CHARGED] == pytest.approx(run.flows.charge_kwh)
    assert found[trace.DISCHARGED] == pytest.approx(run.flows.discharge_kwh)


# --- rows of orders --------------------------------------------------------------------------


def test_a_window_becomes_a_row_of_energies_per_step() -> None:
    """Half-hours; a floor of 3 kWh. Without a power: 4 kW of filling are 2 ÷ 0.8 from the grid, of selling 2."""
    plant = plant_of("ac")

    def row(**words: object) -> tuple[float, ...]:
        window = Window.model_validate({"start": "01:00", "end": "05:00"} | words)
        return order_row(window, plant, 0.5, 3.0)

    assert row(action="charge") == pytest.approx((CHARGE, 10, 3, 2.5, 2, INF, 0, 3))
    assert row(action="charge", until_pct=80, grid_kw=1) == pytest.approx(
        (CHARGE, 8, 3, 0.5, 2, INF, 0, 3)
    )
    assert row(action="sell", power_kw=3, down_to_pct=50) == pytest.approx(
        (SELL, 10, 5, 2.5, 1.5, INF, 0, 3)
    )
    assert row(action="sell", down_to_pct=20)[2] == 3.0  # the floor is higher
    assert row(action="hold", import_cap_kw=2)[5] == 1.0
    assert row(action="hold", start="00:00", end="24:00")[6] == 1.0
    limit = {"action": "limit", "import_cap_kw": 2}
    assert row(**limit) == pytest.approx((COVER, 10, 3, 0, 0, 1, 0, 3))
    whole = Window(start="00:00", end="24:00", action="limit", import_cap_kw=2)
    assert order_row(whole, plant, 0.5, 3.0, "idle") == pytest.approx((IDLE, 10, 3, 0, 0, 1, 1, 3))
    assert order_row(None, plant, 0.5, 3.0, "hold") == pytest.approx((HOLD, 10, 3, 0, 0, INF, 0, 3))


@pytest.mark.parametrize(("coupling", "action", "expected"), [
    ("ac", CHARGE, (0, 0, 0, 8, 3, 6, 1, 1.25, 2, INF)),
    ("dc", CHARGE, (0, 0, 0, 8, 3, 4, 1, 1.25, 2, INF)),  # 5 of the 6 pass the inverter
    ("ac", SELL, (1, 5, 0, -INF, 3, 6, 1, 1.25, 2, INF)),
    ("ac", COVER, (0, 0, INF, -INF, 3, 6, 1, 1.25, 2, INF)),
    ("ac", HOLD, (0, 0, 0, -INF, 3, 6, 1, 1.25, 2, INF)),
    ("ac", IDLE, (0, 0, 0, -INF, 3, 6, 1, 1.25, 2, 0)),
])  # fmt: skip
def test_a_row_becomes_an_order(coupling: str, action: int, expected: tuple[float, ...]) -> None:
    """Sells, sale, covers, up to, down to, bought, allowed, the same at the battery, not below, stores."""
    row = np.array([action, 8.0, 3.0, 6.0, 4.0, 1.0, 0.0, 2.0, 0.0, 0.0])
    plainly = getattr(order_of, "py_func", order_of)
    assert tuple(plainly(row, Numbers.of(plant_of(coupling), 1.0))) == pytest.approx(expected)


def test_a_row_under_a_limit_keeps_the_lower_cap_and_goes_back_under_it() -> None:
    plant = plant_of("ac")
    table = OrderTable(order_row(None, plant, 1.0, 0.0))
    window = order_row(FILLED, plant, 1.0, 0.0)  # its own cap is 1.5
    filled = table.add_once(("a",), window, 0)
    limit = table.add_once(("b",), (*window[:CAP], 2.0, *window[CAP + 1 :]), 0)
    assert (filled, limit) == (1, 2)
    assert table.add_once(("a",), window, 0) == 1
    assert table.add_once(("a",), window, 1) == 3  # another season: another row outside

    under = table.under(filled, limit)
    rows = table.rows()
    assert rows[under, CAP] == 1.5
    outside = int(rows[under, OUTSIDE])
    assert (outside, rows[outside, CAP], rows[outside, OUTSIDE]) == (
        table.under(0, limit),
        2.0,
        outside,
    )
    assert rows[under, ENTRY] == filled  # the entry goes on
    assert rows[outside, ENTRY] == outside
    assert table.under(filled, limit) == under
    assert table.under(outside, limit) == outside  # no lower than that
    assert len(table.rows()) == 6


def test_a_table_grows_beyond_what_it_was_made_for() -> None:
    table = OrderTable(order_row(None, plant_of("ac"), 1.0, 0.0))
    row = order_row(FILLED, plant_of("ac"), 1.0, 0.0)
    assert [table.add_once((n,), row, 0) for n in range(200)] == list(range(1, 201))
    assert table.rows()[:, ENTRY].tolist() == list(range(201))


# --- numbers of a plant ----------------------------------------------------------------------


def test_numbers_of_a_plant_are_energies_per_step() -> None:
    """A quarter-hour: 4 kW are 1 kWh, 5 kW 1.25; 10 % of the capacity are 1 kWh whatever the step."""
    plant = replace(plant_of("dc"), pv_ac_limit_kw=8.0)
    habits = {"floor_restart_pct": 10, "standby_kw": 0.4, "running_loss_kw": 0.2, "least_power_kw": 0.8,
              "at_target": "ends", "surplus_first": "export", "cap_uses_battery": False}  # fmt: skip
    n = Numbers.of(replace(plant, behaviour=Behaviour.model_validate(habits)), 0.25)
    assert (n.low, n.high, n.charge, n.discharge, n.ac, n.pv_own_ac) == (0, 10, 1, 1, 1.25, 2)
    assert (n.restart, n.standby, n.running_loss, n.least) == pytest.approx((1.0, 0.1, 0.05, 0.2))
    assert (n.ends_at_target, n.export_first, n.cap_uses_battery, n.pv_charges_first) == (
        True,
        True,
        False,
        False,
    )
    assert (n.slowed, n.slow_end) == (1.0, INF)


def test_charging_slows_from_a_level_to_a_share() -> None:
    """From 8 kWh on 4 kW fall to 1 at 10: by 1.5 kW a kWh, which would be none at 8 + 4 ÷ 1.5. In an hour what
    is stored nears that by 1 − e^(−1.5 × 0.8), of a charge ÷ 0.8."""
    plant = plant_of("ac", slow_above_pct=80, slow_to_pct=25)
    share, end = _slowing(plant, 1.0)
    assert end == pytest.approx(8 + 4 / 1.5)
    assert share == pytest.approx((1 - math.exp(-1.2)) / 0.8)
    assert _slowing(replace(plant, charge_kw=0.0), 1.0) == (1.0, INF)
    assert _slowing(plant_of("ac"), 1.0) == (1.0, INF)


# --- what a replay tells ---------------------------------------------------------------------


def test_days_beyond_their_cycles_are_counted() -> None:
    """Half a cycle of 10 kWh: 5 kWh a day."""
    grid = hourly_grid(72)
    given = np.zeros(72)
    given[[0, 1, 24, 25, 48]] = 3.0, 3.0, 2.0, 3.0, 5.1
    plant = plant_of("ac")
    assert _days_beyond_cycles(plant, grid, given) == 0
    assert _days_beyond_cycles(replace(plant, cycles_per_day=0.5), grid, given) == 2


def test_a_replay_tells_levels_before_each_step_and_overload() -> None:
    """Loads of 8.2 kW behind 6 kW of import: the battery gives what is too much until it is empty."""
    plant, grid = plant_of("ac"), hourly_grid(3)
    horizon = Horizon(plant, grid, np.full(3, 8.0), np.zeros(3), 9.0)
    run = replay(horizon, settings_of(Window(start="00:00", end="24:00", action="hold")))
    assert isinstance(run, Replay)
    # to the limit 2.2 ÷ 0.8 = 2.75 are needed: 5.5 kWh of 9, then 3.5 × 0.5 = 1.75, then nothing
    assert run.flows.discharge_kwh == pytest.approx([2.75, 1.75, 0.0])
    assert run.before_kwh == pytest.approx([9.0, 3.5, 0.0])
    assert run.stored_kwh == pytest.approx([3.5, 0.0, 0.0])
    assert run.overload_kwh == pytest.approx(0.8 + 2.2)
    calm = replay(replace(horizon, load_kwh=np.full(3, 5.8)), settings_of())
    assert calm.overload_kwh == 0.0
