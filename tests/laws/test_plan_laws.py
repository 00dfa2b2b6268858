"""Laws that hold for any plan, replay and bill, tried on random sites, weather and tariffs."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from functools import partial
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given, note
from hypothesis import strategies as st

from optimizer.base.errors import DisagreementError
from optimizer.base.flows import Flows, flow_names
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.billing.bill import bill_flows
from optimizer.cost.expression import linear_cost
from optimizer.planning.plan import BOTH_WAYS_KWH, Plan, make_plan
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window, no_windows
from optimizer.simulation.replay import Replay, orders_of
from optimizer.simulation.replay_kernel import OVERLOAD, step_through
from optimizer.simulation.step import Numbers
from optimizer.site.equipment import UNLIMITED_KW, Plant
from tests.builders import run_through
from tests.laws.cases import (
    AC_PLANT,
    CREDIT,
    DC_PLANT,
    DEMAND,
    NEGATIVE,
    ON_PEAK_DEMAND,
    PER_DAY,
    PER_MONTH,
    TARIFFS,
    TAX,
    TWO_RATES,
    Case,
    cases,
    cost_of,
    floats,
    grid_of,
    law,
    named_cost,
    problem_of,
    random_flows,
    weather,
    weeks_later,
)

TIGHT_KWH = 1e-9
"""What rounding alone may do to a replay's energies of a step."""

SOLVED_KWH = 2e-5
"""What the solver's tolerances may do to a plan's energies of a step."""

GAP = 2e-6
"""Twice the gap to which a plan with integers is proven, as a share of the money moved."""


def replayed(case: Case) -> Replay:
    return run_through(
        case.plant, case.grid, case.load_kwh, case.pv_kwh, case.settings, case.start_kwh
    )


def planned(case: Case, **ends: Any) -> Plan:
    return make_plan(case.problem(**ends), case.cost, time_limit_s=30)


# --- what equipment obeys, whoever gives the orders -------------------------------------------


def inverter_kwh(plant: Plant, flows: Flows) -> tuple[FloatArray, FloatArray]:
    """Return what leaves the inverter on its AC side and what enters it there."""
    on_dc = flows.pv_used_kwh if plant.pv_on_dc_side else 0.0
    through = flows.discharge_kwh + on_dc - flows.charge_kwh
    to_building = plant.to_ac_efficiency * np.maximum(through, 0)
    return to_building, np.maximum(-through, 0) / plant.to_dc_efficiency


def check_balance(plant: Plant, flows: Flows, slack: float) -> None:
    """What comes to the AC side leaves it, and the losses are what the inverter loses and draws."""
    standby = plant.behaviour.standby_kw * flows.grid.step_h
    from_dc, to_dc = inverter_kwh(plant, flows)
    on_ac = 0.0 if plant.pv_on_dc_side else flows.pv_used_kwh
    gap = flows.import_kwh + on_ac + from_dc - flows.export_kwh - flows.load_kwh - to_dc - standby
    loss = (
        (1 / plant.to_ac_efficiency - 1) * from_dc + (1 - plant.to_dc_efficiency) * to_dc + standby
    )
    assert np.abs(gap).max() <= slack
    assert np.abs(flows.balance_kwh()).max() <= slack
    assert np.abs(flows.loss_kwh - loss).max() <= slack


def check_stored(
    plant: Plant, flows: Flows, stored: FloatArray, start: float, slack: float
) -> None:
    """The battery stays within its levels and holds what was put in and not taken out."""
    kept = (1 - plant.standing_loss_per_day) ** (flows.grid.step_h / 24)
    running_loss = plant.behaviour.running_loss_kw * flows.grid.step_h
    level = start
    for step in range(flows.grid.count):
        put_in = plant.charge_efficiency * flows.charge_kwh[step]
        taken = flows.discharge_kwh[step] / plant.discharge_efficiency
        put_in = max(put_in - running_loss, 0.0)
        taken += running_loss * (taken > 0)
        level = plant.low_kwh + kept * (level - plant.low_kwh) + put_in - taken
        assert stored[step] == pytest.approx(level, abs=slack)
        level = stored[step]
    assert stored.min() >= plant.low_kwh - slack
    assert stored.max() <= plant.high_kwh + slack


def check_limits(plant: Plant, flows: Flows, pv: FloatArray, slack: float) -> None:
    """Powers stay within battery, inverter, PV and export limits."""
    h = flows.grid.step_h
    from_dc, to_dc = inverter_kwh(plant, flows)
    pv = pv if plant.pv_on_dc_side else np.minimum(pv, plant.pv_ac_limit_kw * h)
    assert (flows.pv_used_kwh <= pv + slack).all()
    assert flows.charge_kwh.max() <= plant.charge_kw * h + slack
    assert flows.discharge_kwh.max() <= plant.discharge_kw * h + slack
    assert max(from_dc.max(), to_dc.max()) <= plant.ac_limit_kw * h + slack
    assert flows.export_kwh.max() <= plant.export_limit_kw * h + slack


def check_permissions(plant: Plant, flows: Flows, slack: float) -> None:
    """The battery takes nothing from the grid, and nothing stored is sold, if that is forbidden."""
    _, to_dc = inverter_kwh(plant, flows)
    if not plant.may_charge_from_grid:
        from_pv = 0.0 if plant.pv_on_dc_side else flows.pv_used_kwh
        assert (to_dc <= from_pv + slack).all()
    if not plant.may_export_stored:
        share = plant.to_ac_efficiency if plant.pv_on_dc_side else 1.0
        assert (flows.export_kwh <= share * flows.pv_used_kwh + slack).all()


def check_one_way(flows: Flows, most_kwh: float) -> None:
    assert np.minimum(flows.import_kwh, flows.export_kwh).max() <= most_kwh
    assert np.minimum(flows.charge_kwh, flows.discharge_kwh).max() <= most_kwh


@law(60)
@given(cases())
def test_a_plan_balances_keeps_its_limits_and_permissions_and_runs_one_way(case: Case) -> None:
    plan = planned(case, leftover_per_kwh=0.15)
    plant, flows = case.plant, plan.flows
    check_balance(plant, flows, SOLVED_KWH)
    check_stored(plant, flows, plan.stored_kwh, case.start_kwh, SOLVED_KWH)
    check_limits(plant, flows, case.pv_kwh, SOLVED_KWH)
    check_permissions(plant, flows, SOLVED_KWH)
    check_one_way(flows, BOTH_WAYS_KWH)
    assert flows.import_kwh.max() <= plant.import_limit_kw * case.grid.step_h + SOLVED_KWH
    if plant.cycles_per_day is not None:
        of_day = np.bincount(case.grid.day, weights=flows.discharge_kwh)
        assert of_day.max() <= plant.cycles_per_day * plant.capacity_kwh + SOLVED_KWH


@law(250)
@given(cases())
def test_a_replay_balances_keeps_its_limits_and_permissions_and_runs_one_way(case: Case) -> None:
    run = replayed(case)
    check_balance(case.plant, run.flows, TIGHT_KWH)
    check_stored(case.plant, run.flows, run.stored_kwh, case.start_kwh, TIGHT_KWH)
    check_limits(case.plant, run.flows, case.pv_kwh, TIGHT_KWH)
    check_permissions(case.plant, run.flows, TIGHT_KWH)
    check_one_way(run.flows, 0.0)


# --- what a replay owes to its settings -------------------------------------------------------


def window_at(settings: Settings, grid: TimeGrid, step: int) -> Window | None:
    """Look up the window of a step as a person would: by month, weekday and clock."""
    local = grid.local[step]
    minute = local.hour * 60 + local.minute
    kinds = {"every day": range(7), "weekdays": range(5), "weekends": (5, 6)}
    for season in settings.seasons:
        for day_set in season.day_sets:
            if local.month not in season.months or local.weekday() not in kinds[day_set.days]:
                continue
            for window in day_set.windows:
                begin, end = window.begin, window.finish
                over_midnight = begin >= end and (minute >= begin or minute < end)
                if begin <= minute < end or over_midnight:
                    return window
    return None


def spent(plant: Plant, run: Replay, step: int, floor_kwh: float) -> bool:
    """Return whether the battery is at the settings' floor, or gives all that it and the inverter can."""
    h = run.flows.grid.step_h
    from_dc, _ = inverter_kwh(plant, run.flows)
    return bool(
        run.stored_kwh[step] <= floor_kwh + TIGHT_KWH
        or run.flows.discharge_kwh[step] >= plant.discharge_kw * h - TIGHT_KWH
        or from_dc[step] >= plant.ac_limit_kw * h - TIGHT_KWH
    )


def steps_with_windows(case: Case) -> Iterator[tuple[int, Window | None]]:
    for step in range(case.grid.count):
        yield step, window_at(case.settings, case.grid, step)


@law(150)
@given(cases())
def test_import_stays_below_cap_and_limit_unless_the_battery_is_spent(case: Case) -> None:
    run = replayed(case)
    h, floor_kwh = case.grid.step_h, case.plant.level_kwh(case.settings.floor_pct)
    for step, window in steps_with_windows(case):
        cap = UNLIMITED_KW
        if window is not None and window.import_cap_kw is not None:
            cap = window.import_cap_kw
        allowed = min(cap, case.plant.import_limit_kw) * h
        if run.flows.import_kwh[step] > allowed + TIGHT_KWH:
            assert spent(case.plant, run, step, floor_kwh), case.grid.label(step)


@law(150)
@given(cases())
def test_overload_is_the_import_beyond_the_connection(case: Case) -> None:
    case = replace(case, plant=replace(case.plant, import_limit_kw=1.2))
    run = replayed(case)
    beyond = np.maximum(run.flows.import_kwh - 1.2 * case.grid.step_h, 0).sum()
    assert run.overload_kwh == pytest.approx(beyond, abs=2e-6)


@law(150)
@given(cases())
def test_a_battery_never_discharges_below_the_floor_of_its_window_but_for_a_cap(case: Case) -> None:
    run, plant = replayed(case), replace(case.plant, import_limit_kw=UNLIMITED_KW)
    run = replayed(replace(case, plant=plant))
    for step, window in steps_with_windows(case):
        if window is not None and window.import_cap_kw is not None:
            continue
        floor_pct = case.settings.floor_pct
        if window is not None and window.down_to_pct is not None:
            floor_pct = max(floor_pct, window.down_to_pct)
        floor = min(floor_pct / 100 * plant.capacity_kwh, plant.high_kwh)
        if run.flows.discharge_kwh[step] > TIGHT_KWH:
            assert run.stored_kwh[step] >= floor - TIGHT_KWH


@law(150)
@given(cases())
def test_the_battery_does_in_each_window_only_what_its_action_says(case: Case) -> None:
    plant = replace(case.plant, import_limit_kw=UNLIMITED_KW)
    run = replayed(replace(case, plant=plant))
    h, flows = case.grid.step_h, run.flows
    _, to_dc = inverter_kwh(plant, flows)
    from_pv = 0.0 if plant.pv_on_dc_side else flows.pv_used_kwh
    from_grid = to_dc - from_pv
    for step, window in steps_with_windows(case):
        action = "cover" if window is None else window.action
        capped = window is not None and window.import_cap_kw is not None
        if action in {"charge", "hold"} and not capped:
            assert flows.discharge_kwh[step] == 0.0
        if action != "charge":
            assert from_grid[step] <= TIGHT_KWH
        if action == "cover" and flows.discharge_kwh[step] > TIGHT_KWH:
            assert flows.export_kwh[step] <= TIGHT_KWH
        if action == "charge" and window is not None and window.grid_kw is not None:
            assert from_grid[step] <= window.grid_kw * h + TIGHT_KWH


@law(40)
@given(cases())
def test_compiled_and_plain_replays_are_the_same_to_the_last_bit(case: Case) -> None:
    orders = orders_of(case.settings, case.plant, case.grid)
    numbers = Numbers.of(case.plant, case.grid.step_h)
    compiled, plain = np.zeros((2, OVERLOAD + 1, case.grid.count))
    for run, out in ((step_through, compiled), (step_through.py_func, plain)):
        run(case.load_kwh, case.pv_kwh, case.plant.limits_on(case.grid).kwh, case.grid.day,
               orders.table, orders.of_step, numbers,
            case.start_kwh, out)  # fmt: skip
    np.testing.assert_array_equal(compiled, plain)


# --- the plan is the cheapest -------------------------------------------------------------------


def scale_of(plan: Plan) -> float:
    return 1 + plan.bill.gross + plan.wear


@law(50)
@given(cases())
def test_a_plan_never_costs_more_than_a_replay_that_ends_alike(case: Case) -> None:
    run = replayed(case)
    assume(run.overload_kwh == 0 and run.days_beyond_cycles == 0)
    end = min(max(float(run.stored_kwh[-1]), case.plant.low_kwh), case.plant.high_kwh)
    plan = planned(case, end_kwh=end)
    bill = bill_flows(case.cost, run.flows)
    wear = case.plant.wear_per_kwh * run.flows.discharge_kwh.sum()
    note(f"plan {plan.cost}, replay {bill.total + wear}, {plan.proof}")
    assert plan.cost <= bill.total + wear + GAP * (scale_of(plan) + bill.gross)


@law(20)
@given(cases(), floats(0, 5), floats(0, 3))
def test_a_bigger_battery_never_costs_more(case: Case, more_kwh: float, more_kw: float) -> None:
    plant = case.plant
    bigger = replace(
        plant,
        high_kwh=plant.high_kwh + more_kwh, capacity_kwh=plant.capacity_kwh + more_kwh,
        charge_kw=plant.charge_kw + more_kw, discharge_kw=plant.discharge_kw + more_kw,
    )  # fmt: skip
    plan, grown = planned(case), planned(replace(case, plant=bigger))
    assert grown.cost <= plan.cost + GAP * (scale_of(plan) + scale_of(grown))


@law(15)
@given(cases(), st.sampled_from(["ac_limit_kw", "import_limit_kw", "export_limit_kw"]))
def test_a_looser_limit_never_costs_more(case: Case, limit: str) -> None:
    looser = replace(case.plant, **{limit: getattr(case.plant, limit) + 1.0})
    plan, loose = planned(case), planned(replace(case, plant=looser))
    assert loose.cost <= plan.cost + GAP * (scale_of(plan) + scale_of(loose))


def dearer(charge: dict[str, Any], factor: float) -> dict[str, Any]:
    """Return a charge with every price of money multiplied."""
    priced = {
        key: value * factor
        for key, value in charge.items()
        if key in {"per_kwh", "per_kw", "amount"}
    }
    if "rates" in charge:
        priced["rates"] = [r | {"per_kwh": r["per_kwh"] * factor} for r in charge["rates"]]
    if "steps" in charge:
        priced["steps"] = [s | {"amount": s["amount"] * factor} for s in charge["steps"]]
    return charge | priced


@law(10)
@given(cases())
def test_twice_the_prices_give_twice_the_cost_and_twice_the_bill(case: Case) -> None:
    plan = planned(case, leftover_per_kwh=0.1)
    cost = cost_of([dearer(charge, 2.0) for charge in TARIFFS[case.tariff]], case.grid)
    plant = replace(case.plant, wear_per_kwh=2 * case.plant.wear_per_kwh)
    problem = problem_of(plant, case.grid, case.load_kwh, case.pv_kwh, cost,
                         start_kwh=case.start_kwh, leftover_per_kwh=0.2)  # fmt: skip
    dear = make_plan(problem, cost)
    assert dear.cost == pytest.approx(2 * plan.cost, abs=2 * GAP * scale_of(dear))
    assert bill_flows(cost, plan.flows).total == pytest.approx(2 * plan.bill.total)


@law(15)
@given(cases())
def test_a_cyclic_plan_returns_to_its_start_and_costs_no_more_than_any_pinned_one(
    case: Case,
) -> None:
    case = replace(case, plant=replace(case.plant, standing_loss_per_day=0.0))
    cyclic = planned(case, start_kwh=None)
    pinned = planned(case, end_kwh=case.start_kwh)
    assert cyclic.start_kwh == pytest.approx(cyclic.stored_kwh[-1])
    check_stored(case.plant, cyclic.flows, cyclic.stored_kwh, cyclic.start_kwh, SOLVED_KWH)
    assert cyclic.cost <= pinned.cost + GAP * (scale_of(cyclic) + scale_of(pinned))


@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
@pytest.mark.parametrize("name", ["sell above buy", "negative prices", "everything"])
@pytest.mark.parametrize("size", [1.0, 1e5])
def test_a_site_of_any_size_runs_one_way_where_both_ways_would_pay(
    name: str, plant: Plant, size: float
) -> None:
    grid = grid_of(30)
    load, pv = weather(grid, 4)
    big = replace(
        plant, wear_per_kwh=0.0,
        **{key: getattr(plant, key) * size for key in (
            "low_kwh", "high_kwh", "capacity_kwh", "charge_kw", "discharge_kw", "ac_limit_kw")},
    )  # fmt: skip
    cost = named_cost(name, grid)
    small_plan = make_plan(problem_of(replace(plant, wear_per_kwh=0.0), grid, load, pv, cost), cost)
    plan = make_plan(problem_of(big, grid, load * size, pv * size, cost), cost)
    assert plan.proof.kind == "mixed-integer program"
    check_one_way(plan.flows, BOTH_WAYS_KWH)
    fixed = linear_cost(cost.total, grid.count).constant
    assert plan.cost - fixed == pytest.approx(size * (small_plan.cost - fixed), rel=1e-5)


# --- the bill -----------------------------------------------------------------------------------

ALL_CHARGES = [PER_DAY, PER_MONTH, NEGATIVE, CREDIT, DEMAND, ON_PEAK_DEMAND, TAX]


@law(25)
@given(st.integers(0, 10**6), st.integers(1, 71))
def test_the_bill_of_two_months_is_the_sum_of_the_bills_of_each(seed: int, first: int) -> None:
    grid = grid_of(72, 60, "2025-06-29")  # two days of June, one of July
    flows = random_flows(grid, seed)
    bill = bill_flows(cost_of(ALL_CHARGES, grid), flows)
    amounts = []
    for part in (slice(0, 48), slice(48, 72)):
        inside = grid.part(part.start, part.stop - part.start)
        energies = {name: getattr(flows, name)[part] for name in flow_names()}
        amounts.append(bill_flows(cost_of(ALL_CHARGES, inside), Flows(inside, **energies)).total)
    assert list(bill.by_period().values()) == pytest.approx(amounts)
    assert bill.total == pytest.approx(sum(amounts))
    assert sum(bill.by_charge().values()) == pytest.approx(bill.total)


@law(25)
@given(st.integers(0, 10**6), st.sampled_from([1, 2, 3, 5, 6, 7]))
def test_the_same_days_some_weeks_later_cost_the_same(seed: int, weeks: int) -> None:
    charges = [PER_DAY, TWO_RATES, CREDIT, DEMAND, ON_PEAK_DEMAND, TAX]
    grid = grid_of(4 * 24 * 2, 15, "2025-06-05T06:00")
    flows = random_flows(grid, seed)
    later = replace(flows, grid=weeks_later(grid, weeks))
    assert later.grid.dates[0] == grid.dates[0] + np.timedelta64(7 * weeks, "D").astype(object)
    first, second = (bill_flows(cost_of(charges, f.grid), f) for f in (flows, later))
    assert second.total == pytest.approx(first.total)
    assert second.by_charge() == pytest.approx(first.by_charge())


def test_the_same_days_one_day_later_cost_something_else() -> None:
    """The law of whole weeks says something: weekdays and weekends are told apart."""
    grid = grid_of(24, 60, "2025-06-06")
    flows = random_flows(grid, 1)
    later = replace(flows, grid=grid_of(24, 60, "2025-06-07"))
    first, second = (bill_flows(cost_of([TWO_RATES], f.grid), f).total for f in (flows, later))
    assert abs(first - second) > 0.1


# --- nothing is wasted --------------------------------------------------------------------------


def has_no_use_for_more_sun(plant: Plant, run: Replay, step: int) -> bool:
    """Return whether the battery is full or at its power, or AC sun finds the inverter busy."""
    h = run.flows.grid.step_h
    _, to_dc = inverter_kwh(plant, run.flows)
    return bool(
        run.stored_kwh[step] >= plant.high_kwh - TIGHT_KWH
        or run.flows.charge_kwh[step] >= plant.charge_kw * h - TIGHT_KWH
        or (not plant.pv_on_dc_side and to_dc[step] >= plant.ac_limit_kw * h - TIGHT_KWH)
    )


def check_no_sun_wasted(case: Case, actions: set[str], *, capped: bool) -> None:
    run, plant = replayed(case), case.plant
    h = case.grid.step_h
    limit = UNLIMITED_KW if plant.pv_on_dc_side else plant.pv_ac_limit_kw * h
    unused = np.minimum(case.pv_kwh, limit) - run.flows.pv_used_kwh
    for step, window in steps_with_windows(case):
        action = "cover" if window is None else window.action
        has_cap = window is not None and window.import_cap_kw is not None
        if unused[step] > TIGHT_KWH and action in actions and has_cap <= capped:
            assert has_no_use_for_more_sun(plant, run, step), case.grid.label(step)


@law(250)
@given(cases())
def test_sun_is_left_unused_only_if_the_battery_can_take_no_more(case: Case) -> None:
    plant = replace(case.plant, import_limit_kw=UNLIMITED_KW)
    check_no_sun_wasted(replace(case, plant=plant), {"charge", "hold", "cover"}, capped=False)


def one_window(**window: Any) -> Settings:
    day_set = DaySet(days="every day", windows=[Window(start="00:00", end="24:00", **window)])
    season = SeasonSet(months=list(range(1, 13)), day_sets=[day_set])
    return Settings(settings="one window", floor_pct=10.0, seasons=[season])


def sunny_dc_step(settings: Settings, load_kw: float) -> Case:
    """5 kW of sun on the DC side of an inverter that lets 2 kW through; half-full battery."""
    grid = grid_of(1, start="2025-06-02T12:00")
    plant = replace(DC_PLANT, ac_limit_kw=2.0)
    return Case(plant, grid, np.full(1, load_kw), np.full(1, 5.0), "flat", settings, 5.0)


def test_a_cap_does_not_waste_sun_that_cannot_pass_the_inverter() -> None:
    """A load of 6 kW under a cap of 1 kW takes the 2 kW that pass; the rest can be stored."""
    case = sunny_dc_step(one_window(action="hold", import_cap_kw=1.0), 6.0)
    assert replayed(case).flows.import_kwh[0] == pytest.approx(4.0)
    check_no_sun_wasted(case, {"hold"}, capped=True)


def test_selling_does_not_waste_sun_that_cannot_pass_the_inverter() -> None:
    """With the inverter full of sun there is no room to sell from the battery, only to store."""
    case = sunny_dc_step(one_window(action="sell", power_kw=2.0), 0.5)
    assert replayed(case).flows.export_kwh[0] == pytest.approx(1.5)
    check_no_sun_wasted(case, {"sell"}, capped=True)


CHEAP_NIGHT = {
    "kind": "energy",
    "name": "energy",
    "rates": [
        {"name": "night", "per_kwh": 0.1, "hours": ["00:00-06:00"]},
        {"name": "day", "per_kwh": 0.6, "otherwise": True},
    ],
}


@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
def test_a_plan_that_may_not_sell_what_is_stored_sells_all_the_sun_but_not_more(
    plant: Plant,
) -> None:
    """Night energy at 0.1 would pay to sell at 0.45; the sun's share of the export is the limit."""
    grid = grid_of(24)
    load, pv = weather(grid, 4, 3.0)
    plant = replace(plant, high_kwh=60.0, capacity_kwh=60.0, charge_kw=20.0, discharge_kw=20.0)
    plant = replace(plant, ac_limit_kw=20.0)  # so stored night energy is never short
    cost = cost_of([CHEAP_NIGHT, CREDIT | {"per_kwh": 0.45}], grid)
    share = plant.to_ac_efficiency if plant.pv_on_dc_side else 1.0
    free, bound = (
        make_plan(problem_of(replace(plant, may_export_stored=may), grid, load, pv, cost), cost)
        for may in (True, False)
    )
    sun = share * bound.flows.pv_used_kwh
    assert (bound.flows.export_kwh <= sun + SOLVED_KWH).all()
    assert np.isclose(bound.flows.export_kwh, sun, atol=SOLVED_KWH)[pv > 0.1].any()
    assert free.flows.export_kwh.sum() > bound.flows.export_kwh.sum() + 1.0


@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
def test_a_window_that_sells_sells_only_the_sun_where_stored_energy_must_stay(
    plant: Plant,
) -> None:
    """Half a kW of load, no sun: with leave the battery sells, without it covers the load."""
    grid = grid_of(4)
    load, none = np.full(4, 0.5), np.zeros(4)
    sell = one_window(action="sell", power_kw=2.0)
    free, bound = (
        run_through(replace(plant, may_export_stored=may), grid, load, none, sell, 9.0)
        for may in (True, False)
    )
    np.testing.assert_allclose(free.flows.export_kwh[:2], 1.5)
    np.testing.assert_allclose(bound.flows.export_kwh, 0.0, atol=TIGHT_KWH)
    np.testing.assert_allclose(bound.flows.import_kwh, 0.0, atol=TIGHT_KWH)


# --- the laws can fail --------------------------------------------------------------------------


def test_the_checks_refuse_flows_that_break_them() -> None:
    grid = grid_of(48)
    load, pv = weather(grid, 2)
    run = run_through(AC_PLANT, grid, load, pv, no_windows(10.0), 4.0)
    weak = replace(AC_PLANT, discharge_kw=0.2)
    leaky = replace(AC_PLANT, standing_loss_per_day=0.5)
    shy = replace(AC_PLANT, may_export_stored=False)
    sold = Flows(grid, load, 0 * load + 1, 0 * load, 0 * load + 1, 0 * load, load, 0 * load)
    broken = [
        partial(check_limits, weak, run.flows, pv, TIGHT_KWH),
        partial(check_limits, AC_PLANT, run.flows, 0.9 * pv, TIGHT_KWH),
        partial(check_balance, replace(AC_PLANT, to_ac_efficiency=0.9), run.flows, TIGHT_KWH),
        partial(check_stored, leaky, run.flows, run.stored_kwh, 4.0, TIGHT_KWH),
        partial(check_permissions, shy, sold, TIGHT_KWH),
        partial(check_one_way, sold, 0.5),
    ]
    for check in broken:
        with pytest.raises(AssertionError):
            check()


def test_flows_that_do_not_balance_cannot_be_made() -> None:
    grid = grid_of(3)
    ones, none = np.ones(3), np.zeros(3)
    with pytest.raises(DisagreementError, match="differ by 1 kWh"):
        Flows(grid, ones, none, none, none, none, none, none)
