"""Limits that hold in some hours: plan, replay and score on paper, and by laws on random sites.

What a rule allows in a step is read here step by step from the wall clock, without the program's masks.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st

from optimizer.base.errors import Infeasible
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.billing.bill import bill_flows
from optimizer.planning.tangent import bigger_connection, bigger_export
from optimizer.search.score_kernel import BEYOND_CYCLES_COST, OVERLOAD_COST
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.simulation.replay import orders_of
from optimizer.simulation.replay_kernel import OVERLOAD, step_through
from optimizer.simulation.step import Numbers
from optimizer.site.equipment import UNLIMITED_KW, Connection, Inverter, Plant
from optimizer.site.limits import TimedLimit
from tests.builders import best_plan, hourly_grid, run_through, simple_plant
from tests.laws.cases import MAX_LOAD_KW, Case, cases, floats, law
from tests.laws.test_behaviour import scores
from tests.laws.test_plan_laws import (
    GAP,
    SOLVED_KWH,
    TIGHT_KWH,
    check_balance,
    check_limits,
    inverter_kwh,
    planned,
    replayed,
    scale_of,
    spent,
)

# --- on paper --------------------------------------------------------------------------------


def test_a_plan_fills_by_the_limit_of_the_hour() -> None:
    """Two cheap hours, then a load of 6 at 0.50; 1 kW from the grid in the first hour, 3 in the second."""
    first = TimedLimit(rule="first hour", hours=["00:00-01:00"], fill_kw=1)
    connection = Connection(fill_limit_kw=3, limits=[first])
    plan = best_plan(
        simple_plant(8, 8, connection=connection), [2, 0, 6], [0, 0, 0], [0.1, 0.1, 0.5], [0] * 3
    )
    np.testing.assert_allclose(plan.flows.charge_kwh, [1, 3, 0], atol=1e-6)
    np.testing.assert_allclose(plan.flows.import_kwh, [3, 3, 2], atol=1e-6)
    assert plan.cost == pytest.approx(0.3 + 0.3 + 1.0)


def test_pv_may_fill_beside_what_the_grid_may() -> None:
    """2 kWh of sun and a load of 2: all sun may go into the battery, and 1 kWh from the grid with it."""
    for coupling in ("ac", "dc"):
        plant = simple_plant(8, 8, coupling=coupling, connection=Connection(fill_limit_kw=1))
        plan = best_plan(plant, [2, 6], [2, 0], [0.1, 0.5], [0, 0])
        np.testing.assert_allclose(plan.flows.charge_kwh, [3, 0], atol=1e-6)
        np.testing.assert_allclose(plan.flows.import_kwh, [3, 3], atol=1e-6)


def test_a_plan_sells_by_the_limit_of_the_hour() -> None:
    """4 kWh stored; 0.5 paid in the first hour, where 1 may be exported, 0.3 after it, at most 2."""
    rule = TimedLimit(rule="first", hours=["00:00-01:00"], export_kw=1)
    plant = simple_plant(8, 8, connection=Connection(export_limit_kw=2, limits=[rule]))
    plan = best_plan(plant, [0] * 3, [0] * 3, [1] * 3, [0.5, 0.3, 0.2], start=4.0)
    np.testing.assert_allclose(plan.flows.export_kwh, [1, 2, 1], atol=1e-6)
    assert plan.cost == pytest.approx(-(0.5 + 0.6 + 0.2))


def test_a_load_above_a_rule_is_told_by_its_name() -> None:
    rule = TimedLimit(rule="evening", hours=["01:00-02:00"], import_kw=3)
    plant = simple_plant(1, 1, connection=Connection(import_limit_kw=9, limits=[rule]))
    with pytest.raises(Infeasible) as caught:
        best_plan(plant, [5, 5], [0, 0], [0.1, 0.1], [0, 0])
    assert "the rule 'evening' with its import limit of 3 kW" in caught.value.what
    assert "fall short by 1.00 kW" in caught.value.what
    assert "rule's hours" in caught.value.mend


def test_an_end_below_what_rules_let_out_is_told_as_such() -> None:
    """4 kWh must leave in two hours; a rule of no export lets none out in the first, 3 in the second."""
    rule = TimedLimit(rule="first", hours=["00:00-01:00"], export_kw=0)
    plant = simple_plant(8, 8, connection=Connection(export_limit_kw=3, limits=[rule]))
    with pytest.raises(
        Infeasible, match=r"end state of 2.00 kWh cannot be reached.* least 1.00 kWh"
    ):
        best_plan(plant, [0] * 2, [0] * 2, [1] * 2, [0.5] * 2, start=6.0, end=2.0)


def settings_of(*windows: Window) -> Settings:
    season = SeasonSet(
        months=list(range(1, 13)), day_sets=[DaySet(days="every day", windows=list(windows))]
    )
    return Settings(settings="case", floor_pct=0.0, seasons=[season])


@pytest.mark.parametrize("coupling", ["ac", "dc"])
def test_a_replay_fills_by_the_limit_of_the_hour(coupling: str) -> None:
    """A window of 4 kW behind 3 kW of filling, 1 in the second hour; the load takes its share beside."""
    second = TimedLimit(rule="second hour", hours=["01:00-02:00"], fill_kw=1)
    plant = simple_plant(
        10, 5, coupling=coupling, connection=Connection(fill_limit_kw=3, limits=[second])
    )
    fill = settings_of(Window(start="00:00", end="03:00", action="charge", grid_kw=4.0))
    one = np.ones(3)
    run = run_through(plant, hourly_grid(3), one, np.array([0.0, 0.0, 0.5]), fill, 0.0)
    np.testing.assert_allclose(run.flows.charge_kwh, [3, 1, 3.5], atol=1e-9)
    np.testing.assert_allclose(run.flows.import_kwh, [4, 2, 4], atol=1e-9)


@pytest.mark.parametrize("coupling", ["ac", "dc"])
def test_filling_is_limited_where_it_leaves_the_grid(coupling: str) -> None:
    """2 kW from the grid through an inverter that keeps 80 %: 1.6 kWh reach the battery."""
    inverter = Inverter(ac_limit_kw=9, efficiency_pct=80)
    connection = Connection(fill_limit_kw=2)
    plant = simple_plant(10, 5, coupling=coupling, inverter=inverter, connection=connection)
    fill = settings_of(Window(start="00:00", end="24:00", action="charge"))
    run = run_through(plant, hourly_grid(1), np.ones(1), np.zeros(1), fill, 0.0)
    np.testing.assert_allclose(run.flows.charge_kwh, [1.6])
    np.testing.assert_allclose(run.flows.import_kwh, [3.0])
    plan = best_plan(plant, [1, 9], [0, 0], [0.1, 0.9], [0, 0])
    np.testing.assert_allclose(plan.flows.charge_kwh[0], 1.6)


@pytest.mark.parametrize("coupling", ["ac", "dc"])
def test_a_replay_keeps_the_import_of_the_hour(coupling: str) -> None:
    """Filling at 4 kW beside a load of 1: first 3 kW in all, then all there is, then less than the load.

    What is stored then covers the load down to the rule; once the battery is empty there is overload.
    """
    rules = [
        TimedLimit(rule="first", hours=["00:00-01:00"], import_kw=3),
        TimedLimit(rule="late", hours=["02:00-24:00"], import_kw=0.5),
    ]
    plant = simple_plant(10, 5, coupling=coupling, connection=Connection(limits=rules))
    fill = settings_of(Window(start="00:00", end="02:00", action="charge", grid_kw=4.0),
                       Window(start="02:00", end="24:00", action="hold"))  # fmt: skip
    load = np.array([1.0, 1.0, 3.0, 3.0, 3.0])
    run = run_through(plant, hourly_grid(5), load, 0 * load, fill, 0.0)
    np.testing.assert_allclose(run.stored_kwh, [2, 6, 3.5, 1, 0], atol=1e-9)
    np.testing.assert_allclose(run.flows.import_kwh, [3, 5, 0.5, 0.5, 2], atol=1e-9)
    assert run.overload_kwh == pytest.approx(1.5)


@pytest.mark.parametrize("coupling", ["ac", "dc"])
def test_a_replay_keeps_the_export_of_the_hour(coupling: str) -> None:
    """Sold at 4 kW where 1 may be exported, then 2.5; the building takes its load of 0.5 beside."""
    rules = [TimedLimit(rule="first", hours=["00:00-01:00"], export_kw=1)]
    connection = Connection(export_limit_kw=2.5, limits=rules)
    plant = simple_plant(10, 5, coupling=coupling, connection=connection)
    sell = settings_of(Window(start="00:00", end="24:00", action="sell", power_kw=4.0))
    run = run_through(plant, hourly_grid(2), np.full(2, 0.5), np.zeros(2), sell, 10.0)
    np.testing.assert_allclose(run.flows.export_kwh, [1, 2.5], atol=1e-9)
    np.testing.assert_allclose(run.stored_kwh, [8.5, 5.5], atol=1e-9)


# --- laws ------------------------------------------------------------------------------------


@st.composite
def rules_of(draw: Callable[..., Any], least_kw: float) -> TimedLimit:
    """Draw a rule of some hours, days and months, with one to three limits."""
    begin, end = draw(st.sampled_from([(16, 21), (22, 6), (0, 24), (5, 9), (11, 12)]))
    ways = draw(st.sets(st.sampled_from(["import_kw", "export_kw", "fill_kw"]), min_size=1))
    return TimedLimit(
        rule="drawn",
        hours=[f"{begin:02d}:00-{end:02d}:00"],
        days=draw(st.sampled_from([["all"], ["weekdays"], ["saturday", "sunday"]])),
        months=draw(st.sampled_from([list(range(1, 13)), [6], [5]])),
        **{
            way: draw(floats(least_kw, 6) if way == "import_kw" else floats(0, 3))
            for way in sorted(ways)
        },
    )


@st.composite
def ruled_cases(draw: Callable[..., Any], least_kw: float = 0.5) -> Case:
    """Draw a site with one or two rules that let in so much at least."""
    case = draw(cases())
    rules = tuple(draw(st.lists(rules_of(least_kw), min_size=1, max_size=2)))
    return replace(case, plant=replace(case.plant, rules=rules))


def allowed(plant: Plant, grid: TimeGrid, way: str) -> FloatArray:
    """Return what is allowed in each step, read from the wall clock one step after the other. [kWh]"""
    always = {
        "import_kw": plant.import_limit_kw,
        "export_kw": plant.export_limit_kw,
        "fill_kw": UNLIMITED_KW if plant.may_charge_from_grid else 0.0,
    }[way]
    found = []
    for moment in grid.local:
        least = always
        for rule in plant.rules:
            begin, end = (int(part[:2]) for part in rule.hours[0].split("-"))
            hour = moment.hour + moment.minute / 60
            inside = begin <= hour < end if begin < end else hour >= begin or hour < end
            names = {
                "all": range(7),
                "weekdays": range(5),
                "saturday": [5],
                "sunday": [6],
            }
            on_day = any(moment.weekday() in names[word] for word in rule.days)
            value = getattr(rule, way)
            if inside and on_day and moment.month in rule.months and value is not None:
                least = min(least, value)
        found.append(least * grid.step_h)
    return np.array(found)


def check_rules(case: Case, flows: Any, slack: float) -> None:
    """Export and filling from the grid stay within what is allowed in each step."""
    plant, grid = case.plant, case.grid
    _, to_dc = inverter_kwh(plant, flows)
    from_grid = to_dc - (0.0 if plant.pv_on_dc_side else flows.pv_used_kwh)
    assert (flows.export_kwh <= allowed(plant, grid, "export_kw") + slack).all()
    assert (from_grid <= allowed(plant, grid, "fill_kw") + slack).all()


@law(60)
@given(ruled_cases(MAX_LOAD_KW))
def test_a_plan_keeps_every_rule_in_its_hours(case: Case) -> None:
    plan = planned(case, leftover_per_kwh=0.15)
    check_balance(case.plant, plan.flows, SOLVED_KWH)
    check_limits(case.plant, plan.flows, case.pv_kwh, SOLVED_KWH)
    check_rules(case, plan.flows, SOLVED_KWH)
    most = allowed(case.plant, case.grid, "import_kw")
    assert (plan.flows.import_kwh <= most + SOLVED_KWH).all()


@law(60)
@given(ruled_cases())
def test_a_plan_under_rules_never_costs_more_than_a_replay_that_ends_alike(case: Case) -> None:
    run = replayed(case)
    assume(run.overload_kwh == 0 and run.days_beyond_cycles == 0)
    end = min(max(float(run.stored_kwh[-1]), case.plant.low_kwh), case.plant.high_kwh)
    plan = planned(case, end_kwh=end)
    bill = bill_flows(case.cost, run.flows)
    wear = case.plant.wear_per_kwh * run.flows.discharge_kwh.sum()
    assert plan.cost <= bill.total + wear + GAP * (scale_of(plan) + bill.gross)


@law(150)
@given(ruled_cases())
def test_a_replay_keeps_every_rule_in_its_hours(case: Case) -> None:
    run = replayed(case)
    check_rules(case, run.flows, TIGHT_KWH)
    most = allowed(case.plant, case.grid, "import_kw")
    beyond = np.maximum(run.flows.import_kwh - most, 0)
    assert run.overload_kwh == pytest.approx(beyond.sum(), abs=2e-6)
    floor_kwh = case.plant.level_kwh(case.settings.floor_pct)
    for step in np.flatnonzero(beyond > TIGHT_KWH):
        assert spent(case.plant, run, int(step), floor_kwh), case.grid.label(int(step))


@law(40)
@given(ruled_cases())
def test_compiled_and_plain_replays_under_rules_are_the_same_to_the_last_bit(case: Case) -> None:
    orders, limits = (
        orders_of(case.settings, case.plant, case.grid),
        case.plant.limits_on(case.grid),
    )
    numbers = Numbers.of(case.plant, case.grid.step_h)
    compiled, plain = np.zeros((2, OVERLOAD + 1, case.grid.count))
    for run, out in ((step_through, compiled), (step_through.py_func, plain)):
        run(case.load_kwh, case.pv_kwh, limits.kwh, case.grid.day, orders.table, orders.of_step,
            numbers, case.start_kwh, out)  # fmt: skip
    np.testing.assert_array_equal(compiled, plain)


@law(80)
@given(ruled_cases())
def test_a_score_under_rules_differs_by_what_bills_and_fines_differ(case: Case) -> None:
    """Of settings and of none; amounts that no flow changes are left out of scores."""
    none = case.settings.without_windows()
    many = [case.settings, none]
    together = scores(case, many)
    worked = []
    for settings in many:
        run = replayed(replace(case, settings=settings))
        most = allowed(case.plant, case.grid, "import_kw")
        fines = OVERLOAD_COST * np.maximum(run.flows.import_kwh - most, 0).sum()
        given_kwh = run.flows.discharge_kwh
        if case.plant.cycles_per_day is not None:
            of_day = np.bincount(case.grid.day, weights=given_kwh)
            most_kwh = case.plant.cycles_per_day * case.plant.capacity_kwh
            fines += BEYOND_CYCLES_COST * np.maximum(of_day - most_kwh, 0).sum()
        bill = bill_flows(case.cost, run.flows).total_as_planned
        wear = case.plant.wear_per_kwh * given_kwh.sum()
        worked.append(bill + wear + fines - 0.11 * run.stored_kwh[-1])
    assert together[1] - together[0] == pytest.approx(worked[1] - worked[0], rel=1e-9, abs=1e-6)


@law(30)
@given(cases(), floats(3.5, 6), floats(0, 3))
def test_a_rule_of_all_hours_is_the_plain_limit(
    case: Case, import_kw: float, export_kw: float
) -> None:
    plain = replace(
        case.plant, import_limit_kw=import_kw, export_limit_kw=export_kw, may_charge_from_grid=False
    )
    rule = TimedLimit(rule="always", import_kw=import_kw, export_kw=export_kw, fill_kw=0)
    ruled = replace(case.plant, import_limit_kw=UNLIMITED_KW, export_limit_kw=UNLIMITED_KW,
                    may_charge_from_grid=True, rules=(rule,))  # fmt: skip
    first, second = (replayed(replace(case, plant=plant)) for plant in (plain, ruled))
    np.testing.assert_array_equal(first.stored_kwh, second.stored_kwh)
    np.testing.assert_array_equal(first.flows.import_kwh, second.flows.import_kwh)
    one, other = (planned(replace(case, plant=plant)) for plant in (plain, ruled))
    np.testing.assert_array_equal(one.stored_kwh, other.stored_kwh)
    assert one.cost == other.cost


@pytest.mark.parametrize(
    ("grown", "what"), [(bigger_connection, "import"), (bigger_export, "export")]
)
def test_a_bigger_connection_is_worth_nothing_in_the_hours_of_a_rule(grown: Any, what: str) -> None:
    """The connection binds in two hours; a rule of the first takes its share of the worth away.

    One kW more lets 1 kWh more in at 0.1 in place of 0.5, or out at 0.5 in place of 0.2 in an hour later.
    """
    hour = TimedLimit(rule="hour", hours=["00:00-01:00"], import_kw=1, export_kw=1)
    worths = []
    for limits in ([], [hour]):
        connection = Connection(import_limit_kw=2, export_limit_kw=2, limits=limits)
        plant = simple_plant(20, 20, connection=connection)
        if what == "import":
            plan = best_plan(plant, [0, 0, 2, 2, 2, 2], [0] * 6, [0.1] * 2 + [0.5] * 4, [0] * 6)
        else:
            plan = best_plan(
                plant, [0] * 3, [0] * 3, [1] * 3, [0.5, 0.5, 0.2], start=20.0, end=15.5
            )
        worths.append(plan.nearby.worth(grown))
    more = 0.4 if what == "import" else 0.3
    assert worths == pytest.approx([2 * more, more], abs=1e-6)
