"""Twin tests: the bill, the plan and the compiled score read every node and charge alike.

Each row of the two tables is read by ``evaluate`` (the bill), by ``linear_cost`` (weights and
peaks), by the LP with its import and export pinned to a random meter, and by the compiled score
of a replay; and once more here, in plain loops. A node or charge without a row fails.
"""

from __future__ import annotations

import inspect
import textwrap
import typing
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

import optimizer.billing.bill as bill_module
from optimizer.billing.bill import bill_flows
from optimizer.billing.cost import (
    Constant,
    FlowSum,
    LinearCost,
    Node,
    Peak,
    Scale,
    Sum,
    evaluate,
    linear_cost,
)
from optimizer.billing.tariff import Charge, TariffCost
from optimizer.errors import DisagreementError, OptimizerError
from optimizer.planning.matrix import compile_model, templates
from optimizer.planning.model import Limits, Problem, build_model
from optimizer.planning.plan import make_plan
from optimizer.planning.solver import solve
from optimizer.settings import season as season_module
from optimizer.settings.kernel import OVERLOAD, OVERLOAD_COST, Numbers, score
from optimizer.settings.replay import Replay, orders_of, replay
from optimizer.settings.season import Task
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.site.controls import Controls
from optimizer.timegrid import FloatArray, IntArray, TimeGrid, interval_of_step
from tests.laws.cases import (
    AC_PLANT,
    CREDIT,
    DC_PLANT,
    DEMAND,
    FLAT,
    NEGATIVE,
    ON_PEAK_DEMAND,
    PER_DAY,
    PER_MONTH,
    TAX,
    TWO_RATES,
    cost_of,
    grid_of,
    problem_of,
    random_flows,
    random_meter,
    weather,
)

GRID = grid_of(4 * 30, 15, "2025-06-30T09:00")  # a Monday, and a Tuesday in July
STEPS = np.arange(GRID.count)
LUCK = np.random.default_rng(5)
SEEDS = range(4)

# --- the tables ------------------------------------------------------------------------------


def weights(count: int) -> FloatArray:
    return LUCK.normal(0.1, 0.3, count)


def peak(steps: IntArray, minutes: int, *, flow: Any = "import_kwh", reached: float = 0.0) -> Peak:
    of_step = interval_of_step(GRID, minutes)[steps]
    _, rising = np.unique(of_step, return_inverse=True)
    return Peak(flow, steps, rising.astype(np.int64), GRID.step_h, reached)


ALL_IMPORT = FlowSum("import_kwh", STEPS, weights(GRID.count))
EVENING = STEPS[(GRID.minute_of_day >= 960) & (GRID.minute_of_day < 1260)]
SHARED_PEAK = peak(STEPS, 30)

NODES: dict[str, Node] = {
    "FlowSum of all import": ALL_IMPORT,
    "FlowSum of some import": FlowSum("import_kwh", STEPS[3::7], weights(len(STEPS[3::7]))),
    "FlowSum of export": FlowSum("export_kwh", STEPS, -weights(GRID.count)),
    "FlowSum naming a step twice": FlowSum("import_kwh", np.array([5, 5, 9]), np.ones(3)),
    "FlowSum of no step": FlowSum("import_kwh", STEPS[:0], np.zeros(0)),
    "Peak of 15 min": peak(STEPS, 15),
    "Peak of 30 min": SHARED_PEAK,
    "Peak of 60 min in the evening": peak(EVENING, 60),
    "Peak already reached": peak(STEPS, 15, reached=1000.0),
    "Peak of intervals cut at both ends": peak(STEPS[1:-1], 60),
    "Scale of a peak": Scale(7.25, SHARED_PEAK),
    "Scale below zero": Scale(-2.5, ALL_IMPORT),
    "Scale of a scale": Scale(-3.0, Scale(-0.5, SHARED_PEAK)),
    "Scale by zero": Scale(0.0, Sum((SHARED_PEAK, ALL_IMPORT, Constant(4.0)))),
    "Sum of nothing": Sum(()),
    "Sum of all kinds": Sum((ALL_IMPORT, Scale(3.0, SHARED_PEAK), Constant(-2.0))),
    "Sum with a peak twice": Sum((Scale(4.0, SHARED_PEAK), Scale(-1.5, Sum((SHARED_PEAK,))))),
    "Constant": Constant(12.75),
}
"""Every node as the plan can meet it: on import and export, peaks of import."""

OTHER_FLOWS: dict[str, Node] = {
    f"{flow}": Sum((FlowSum(flow, STEPS, weights(GRID.count)), peak(EVENING, 30, flow=flow)))
    for flow in ("export_kwh", "charge_kwh", "discharge_kwh", "pv_used_kwh", "load_kwh")
}  # fmt: skip

SPOT = {"kind": "energy", "name": "spot", "series": {"file": "spot.csv", "column": "eur_per_mwh",
        "times": 1.1, "plus_per_kwh": 0.02}}  # fmt: skip
SPOT_CREDIT = {"kind": "export_credit", "name": "spot credit",
               "series": {"file": "spot.csv", "column": "eur_per_mwh"}}  # fmt: skip
TOU_CREDIT = {
    "kind": "export_credit",
    "name": "export",
    "rates": [
        {"name": "noon", "per_kwh": -0.02, "hours": ["11:00-14:00"]},
        {"name": "rest", "per_kwh": 0.08, "otherwise": True},
    ],
}
PER_YEAR = {"kind": "fixed", "name": "licence", "amount": 365.0, "per": "year"}
PART_TAX = {"kind": "percentage", "name": "levy", "percent": 5.0, "of": ["energy", "demand"]}
DISCOUNT = {"kind": "percentage", "name": "discount", "percent": -20.0, "of": "all above"}
OVER_TAX = {"kind": "percentage", "name": "tax on tax", "percent": 10.0, "of": ["levy", "tax"]}

CHARGES: dict[str, list[dict[str, Any]]] = {
    "fixed per day": [PER_DAY],
    "fixed per month": [PER_MONTH],
    "fixed per year": [PER_YEAR],
    "energy, flat": [FLAT],
    "energy, time of use": [TWO_RATES],
    "energy, negative prices": [NEGATIVE],
    "energy, series": [SPOT],
    "export_credit, flat": [CREDIT],
    "export_credit, time of use": [TOU_CREDIT],
    "export_credit, series": [SPOT_CREDIT],
    "demand of 15 min": [DEMAND | {"interval_minutes": 15}],
    "demand of 30 min": [DEMAND | {"interval_minutes": 30}],
    "demand of 60 min": [DEMAND],
    "demand on weekday evenings": [ON_PEAK_DEMAND],
    "percentage of chosen": [FLAT, DEMAND, CREDIT, PART_TAX],
    "percentage of all above": [PER_MONTH, TWO_RATES, CREDIT, DEMAND, TAX],
    "percentage below zero": [FLAT, DEMAND, DISCOUNT],
    "percentage of percentages": [FLAT, DEMAND, PART_TAX, TAX, OVER_TAX],
    "energy and demand, all together": [
        PER_DAY, SPOT, TOU_CREDIT, DEMAND, ON_PEAK_DEMAND, TAX, DISCOUNT,
    ],
}  # fmt: skip


@pytest.fixture(scope="module")
def compiled(tmp_path_factory: pytest.TempPathFactory) -> Callable[[str], TariffCost]:
    """Compile a row of the table of charges; its price series is hourly and partly negative."""
    folder = tmp_path_factory.mktemp("tariff")
    luck = np.random.default_rng(11)
    days = ("2025-06-30", "2025-07-01")
    rows = [f"{day}T{hour:02d}:00+01:00" for day in days for hour in range(24)]
    prices = luck.normal(60, 80, len(rows)).round(2)
    assert prices.min() < 0 < prices.max()
    text = "".join(f"{time},{price}\n" for time, price in zip(rows, prices, strict=True))
    (folder / "spot.csv").write_text("time,eur_per_mwh\n" + text)
    return lambda name: cost_of(CHARGES[name], GRID, folder)


def members(union: Any) -> set[str]:
    plain = typing.get_args(union)
    plain = typing.get_args(plain[0]) or plain  # a union inside Annotated
    return {member.__name__ for member in plain}


def test_every_node_of_the_algebra_has_a_row() -> None:
    assert {type(node).__name__ for node in NODES.values()} == members(Node)
    assert {name.split()[0] for name in NODES} == members(Node)


def test_every_kind_of_charge_has_a_row_that_bears_its_name() -> None:
    classes = typing.get_args(typing.get_args(Charge)[0])
    kinds = {typing.get_args(cls.model_fields["kind"].annotation)[0] for cls in classes}
    assert len(kinds) == len(classes) >= 5
    assert {name.split(",")[0].split()[0] for name in CHARGES} == kinds
    for name, charges in CHARGES.items():
        assert name.split(",")[0].split()[0] in {charge["kind"] for charge in charges}


# --- four readings ---------------------------------------------------------------------------


def in_plain_loops(node: Node, flows: Any) -> float:
    """Read a node with nothing but loops: the outside opinion in these tests."""
    if isinstance(node, Constant):
        return node.amount
    if isinstance(node, Scale):
        return node.factor * in_plain_loops(node.of, flows)
    if isinstance(node, Sum):
        return sum(in_plain_loops(term, flows) for term in node.terms)
    energy = getattr(flows, node.flow)
    if isinstance(node, FlowSum):
        pairs = zip(node.steps, node.weights, strict=True)
        return sum(float(energy[step]) * float(weight) for step, weight in pairs)
    intervals: dict[int, list[float]] = {}
    for step, number in zip(node.steps, node.interval, strict=True):
        intervals.setdefault(int(number), []).append(float(energy[step]))
    means = [sum(part) / (len(part) * node.step_h) for part in intervals.values()]
    return max([node.at_least_kw, *means])


def pinned_objective(cost: LinearCost, grid: TimeGrid, seed: int) -> tuple[float, Any]:
    """Return the LP's objective with import and export pinned to a random meter, and the meter."""
    meter = random_meter(grid, seed)
    plant = AC_PLANT.without_battery()
    problem = Problem(grid, plant, meter.load_kwh, meter.pv_used_kwh, cost, 0.0, 0.0)
    with templates():
        model = build_model(problem, Limits.of(problem), {})
    matrix = compile_model(model)
    low, high = matrix.low.copy(), matrix.high.copy()
    for column, values in (("import_", meter.import_kwh), ("export_", meter.export_kwh)):
        low[matrix.columns[column].span] = high[matrix.columns[column].span] = values
    pinned = replace(matrix, low=low, high=high)
    return solve(pinned, 60).objective + cost.constant, meter


def same_money(actual: float, expected: float) -> bool:
    return actual == pytest.approx(expected, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("name", [*NODES, *OTHER_FLOWS])
def test_a_node_is_worth_the_same_by_evaluation_by_weights_and_by_hand(name: str) -> None:
    node = (NODES | OTHER_FLOWS)[name]
    for seed in SEEDS:
        flows = random_flows(GRID, seed)
        expected = in_plain_loops(node, flows)
        assert same_money(evaluate(node, flows), expected)
        assert same_money(linear_cost(node, GRID.count).value(flows), expected)


@pytest.mark.parametrize("name", NODES)
def test_a_plan_pinned_to_a_meter_costs_what_the_node_says(name: str) -> None:
    cost = linear_cost(NODES[name], GRID.count)
    for seed in SEEDS[:2]:
        objective, meter = pinned_objective(cost, GRID, seed)
        assert cost.is_convex
        assert objective == pytest.approx(in_plain_loops(NODES[name], meter), abs=1e-6)


@pytest.mark.parametrize("name", CHARGES)
def test_a_plan_pinned_to_a_meter_costs_what_the_bill_says(
    name: str, compiled: Callable[[str], TariffCost]
) -> None:
    tariff_cost = compiled(name)
    cost = linear_cost(tariff_cost.total, GRID.count)
    for seed in SEEDS[:2]:
        objective, meter = pinned_objective(cost, GRID, seed)
        bill = bill_flows(tariff_cost, meter)
        by_hand = sum(in_plain_loops(line.cost, meter) for line in tariff_cost.lines)
        assert bill.total == pytest.approx(by_hand, abs=1e-9)
        assert same_money(cost.value(meter), bill.total)
        assert objective == pytest.approx(bill.total, abs=1e-6)


@pytest.mark.parametrize("name", CHARGES)
def test_the_plan_of_a_site_that_can_only_import_costs_the_bill_of_its_load(
    name: str, compiled: Callable[[str], TariffCost]
) -> None:
    tariff_cost = compiled(name)
    load, _ = weather(GRID, 3)
    plant = AC_PLANT.without_battery()
    problem = problem_of(plant, GRID, load, 0 * load, tariff_cost, start_kwh=0.0, end_kwh=0.0)
    plan = make_plan(problem, tariff_cost)
    forced = random_meter(GRID, 0).of_meter(GRID, load, 0 * load)
    assert plan.cost == pytest.approx(bill_flows(tariff_cost, forced).total, abs=1e-6)


# --- the compiled score ----------------------------------------------------------------------

SETTINGS = Settings(
    settings="case", floor_pct=15.0,
    seasons=[SeasonSet(months=list(range(1, 13)), day_sets=[DaySet(days="every day", windows=[
        Window(start="01:00", end="05:00", action="charge", until_pct=80.0, grid_kw=2.5),
        Window(start="12:00", end="14:00", action="hold"),
        Window(start="18:00", end="20:30", action="sell", down_to_pct=25.0, power_kw=2.0),
    ])])],
)  # fmt: skip
LEFTOVER = 0.11


def task_of(plant: Any, grid: TimeGrid, cost: TariffCost, load: FloatArray, pv: FloatArray) -> Task:
    flows = random_flows(grid, 0)
    linear = linear_cost(cost.total, grid.count)
    return Task(plant, Controls(), grid, load, pv, linear, flows, 0 * load, plant.low_kwh,
                LEFTOVER, 1.0)  # fmt: skip


def scored(
    task: Task,
    steps: IntArray,
    start_kwh: float,
    pricing: Any = season_module.pricing_of,
    scorer: Any = score,
) -> float:
    """Return the compiled score of the settings on some steps of the task."""
    orders = orders_of(SETTINGS, task.plant, task.grid)
    out = np.zeros((OVERLOAD + 1, len(steps)))
    numbers = Numbers.of(task.plant, task.grid.step_h)
    load, pv = np.ascontiguousarray(task.load_kwh[steps]), np.ascontiguousarray(task.pv_kwh[steps])
    return float(scorer(load, pv, orders.table, orders.of_step[steps], numbers, start_kwh, out,
                        pricing(task, steps)))  # fmt: skip


def cost_of_replay(run: Replay, cost: TariffCost, plant: Any) -> float:
    bill = sum(in_plain_loops(line.cost, run.flows) for line in cost.lines)
    constant = linear_cost(cost.total, run.flows.grid.count).constant
    wear = plant.wear_per_kwh * sum(run.flows.discharge_kwh)
    return bill - constant + wear - LEFTOVER * (run.stored_kwh[-1] - run.start_kwh)


@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
@pytest.mark.parametrize("name", CHARGES)
def test_the_compiled_score_of_a_replay_is_its_bill_with_wear_less_what_is_left(
    name: str, plant: Any, compiled: Callable[[str], TariffCost]
) -> None:
    cost = compiled(name)
    load, pv = weather(GRID, 8)
    task = task_of(plant, GRID, cost, load, pv)
    run = replay(plant, GRID, load, pv, SETTINGS, plant.low_kwh)
    assert scored(task, STEPS, plant.low_kwh) == pytest.approx(cost_of_replay(run, cost, plant))


def test_the_scores_of_two_months_add_up_to_the_score_of_both(
    compiled: Callable[[str], TariffCost],
) -> None:
    cost = compiled("energy and demand, all together")
    load, pv = weather(GRID, 8)
    task = task_of(AC_PLANT, GRID, cost, load, pv)
    run = replay(AC_PLANT, GRID, load, pv, SETTINGS, 2.0)
    june, july = np.flatnonzero(GRID.month == 6), np.flatnonzero(GRID.month == 7)
    parts = scored(task, june, 2.0) + scored(task, july, float(run.stored_kwh[june[-1]]))
    assert len(june)
    assert len(july)
    assert parts == pytest.approx(scored(task, STEPS, 2.0))


def test_the_score_counts_overload_and_discharge_beyond_the_cycles_on_top_of_the_bill(
    compiled: Callable[[str], TariffCost],
) -> None:
    plant = replace(AC_PLANT, import_limit_kw=1.5, cycles_per_day=0.2)
    cost = compiled("energy, time of use")
    load, pv = weather(GRID, 8)
    run = replay(plant, GRID, load, pv, SETTINGS, 2.0)
    day_kwh = np.bincount(GRID.day, weights=run.flows.discharge_kwh)
    beyond_kwh = np.maximum(day_kwh - 0.2 * plant.capacity_kwh, 0).sum()
    assert run.overload_kwh > 0
    assert run.days_beyond_cycles == (day_kwh > 0.2 * plant.capacity_kwh).sum() > 0
    fines = OVERLOAD_COST * run.overload_kwh + 10.0 * beyond_kwh
    actual = scored(task_of(plant, GRID, cost, load, pv), STEPS, 2.0)
    assert actual == pytest.approx(cost_of_replay(run, cost, plant) + fines)


# --- planted faults --------------------------------------------------------------------------


def with_fault(function: Callable[..., Any], right: str, wrong: str) -> Callable[..., Any]:
    """Return a copy of a function, in plain Python, with one piece of its source replaced."""
    function = getattr(function, "py_func", function)
    source = textwrap.dedent(inspect.getsource(function))
    source = source[source.index("def ") :]
    assert source.count(right) == 1, f"the fault must be planted once: {right}"
    names = dict(function.__globals__)
    code = compile(source.replace(right, wrong), "planted", "exec", flags=annotations.compiler_flag)
    exec(code, names)
    return names[function.__name__]


EVALUATE_FAULTS = {
    "a weight left out": ("[node.steps] @ node.weights", "[node.steps].sum()"),
    "the lowest interval for the highest": (".max(initial=0.0)", ".min(initial=0.0)"),
    "the peak already reached forgotten": ("max(float(highest), node.at_least_kw)", "float(highest)"),
    "a factor left out": ("node.factor * evaluate", "evaluate"),
    "a term left out": ("for term in node.terms", "for term in node.terms[1:]"),
    "an amount left out": ("return node.amount", "return 0.0"),
}  # fmt: skip

LINEAR_FAULTS = {
    "a step named twice counted once": ("np.add.at(row, part.steps, factor * part.weights)",
                                        "row[part.steps] += factor * part.weights"),
    "the factor of a flow left out": ("factor * part.weights", "part.weights"),
    "a second use of a peak forgets the first": ("rates.get(part, 0.0) + factor", "factor"),
    "only the inner factor kept": ("factor * part.factor", "part.factor"),
    "a sign lost": ("factor * part.factor", "factor * abs(part.factor)"),
    "the factor of a sum left out": ("add(term, factor)", "add(term, 1.0)"),
    "the factor of an amount left out": ("factor * part.amount", "part.amount"),
}  # fmt: skip


def worst_gap(evaluate_: Callable[..., float], linear_: Callable[..., LinearCost]) -> float:
    """Return how far two readings of the table of nodes are from the reading by hand."""
    flows = random_flows(GRID, 1)
    gaps = [
        abs(reading - in_plain_loops(node, flows))
        for node in NODES.values()
        for reading in (evaluate_(node, flows), linear_(node, GRID.count).value(flows))
    ]
    return max(gaps)


def test_the_readings_as_they_are_leave_no_gap() -> None:
    assert worst_gap(evaluate, linear_cost) < 1e-9


@pytest.mark.parametrize("fault", EVALUATE_FAULTS)
def test_a_fault_planted_in_evaluate_leaves_a_gap(fault: str) -> None:
    assert worst_gap(with_fault(evaluate, *EVALUATE_FAULTS[fault]), linear_cost) > 1e-3


@pytest.mark.parametrize("fault", LINEAR_FAULTS)
def test_a_fault_planted_in_linear_cost_leaves_a_gap(fault: str) -> None:
    assert worst_gap(evaluate, with_fault(linear_cost, *LINEAR_FAULTS[fault])) > 1e-3


def case_for_the_run_time_check() -> tuple[TariffCost, FloatArray, FloatArray]:
    cost = cost_of([PER_DAY, TWO_RATES, CREDIT, DEMAND, ON_PEAK_DEMAND, TAX], GRID,
                   peak_so_far_kw={"demand": 20.0})  # fmt: skip
    spot = replace(cost.lines[0], cost=FlowSum("import_kwh", STEPS, 0.01 * STEPS))
    return replace(cost, lines=(*cost.lines, spot)), *weather(GRID, 6)


@pytest.mark.parametrize("fault", EVALUATE_FAULTS)
def test_a_fault_planted_in_the_bill_stops_the_plan(
    fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    cost, load, pv = case_for_the_run_time_check()
    problem = problem_of(AC_PLANT, GRID, load, pv, cost)
    make_plan(problem, cost)
    monkeypatch.setattr(bill_module, "evaluate", with_fault(evaluate, *EVALUATE_FAULTS[fault]))
    with pytest.raises(DisagreementError, match=r"objective is .* bill of its flows gives"):
        make_plan(problem, cost)


@pytest.mark.parametrize(
    "fault", sorted(LINEAR_FAULTS.keys() - {"a step named twice counted once"})
)
def test_a_fault_planted_in_the_weights_stops_the_plan(fault: str) -> None:
    cost, load, pv = case_for_the_run_time_check()
    if fault in {"a sign lost", "only the inner factor kept"}:
        cost = cost_of([FLAT, CREDIT, DEMAND, PART_TAX, TAX, DISCOUNT], GRID)
    reading = with_fault(linear_cost, *LINEAR_FAULTS[fault])(cost.total, GRID.count)
    problem = Problem(GRID, AC_PLANT, load, pv, reading, AC_PLANT.low_kwh, None)
    with pytest.raises(DisagreementError):
        make_plan(problem, cost)


@pytest.mark.parametrize("flow", OTHER_FLOWS)
def test_a_cost_on_a_flow_that_the_plan_does_not_price_is_never_silently_wrong(flow: str) -> None:
    cost, load, pv = case_for_the_run_time_check()
    line = replace(cost.lines[0], cost=Sum((Constant(1.0), OTHER_FLOWS[flow])))
    cost = replace(cost, lines=(*cost.lines, line))
    if flow == "export_kwh":
        line = replace(line, cost=peak(EVENING, 30, flow=flow))
        cost = replace(cost, lines=(*cost.lines[:-1], line))
    with pytest.raises(DisagreementError):
        make_plan(problem_of(AC_PLANT, GRID, load, pv, cost), cost)


def test_a_cost_that_rewards_a_higher_peak_is_refused_and_not_called_unlimited() -> None:
    """A net rate below zero is not convex: an LP row cannot hold the peak down."""
    rebate = {"kind": "percentage", "name": "rebate", "percent": -100.0, "of": ["demand"]}
    again = rebate | {"name": "once more"}
    cost = cost_of([FLAT, DEMAND, rebate, again], GRID)
    load, pv = weather(GRID, 6)
    problem = problem_of(AC_PLANT, GRID, load, pv, cost)
    assert not problem.cost.is_convex
    with pytest.raises(OptimizerError, match=r"peak|demand|convex"):
        make_plan(problem, cost)


PRICING_FAULTS = {
    "the wear left out": ("wear=plant.wear_per_kwh", "wear=0.0"),
    "the leftover's sign turned": ("leftover=task.stored_worth", "leftover=-task.stored_worth"),
    "the credit's sign turned": ("sell=-task.cost", "sell=task.cost"),
    "peaks of a month mixed up": ("peak.interval[here] + intervals", "peak.interval[here]"),
    "the peak already reached forgotten": ("reached.append(peak.at_least_kw)", "reached.append(0.0)"),
    "rates left out": ("rates.append(rate)", "rates.append(1.0)"),
}  # fmt: skip

SCORE_FAULTS = {
    "the sum of a demand interval for its mean": ("energy[i] / c.interval_h[i]", "energy[i]"),
    "export not credited": ("- c.sell[t] * out[EXPORT, t]", ""),
    "the wear of charging": ("c.wear * out[DISCHARGED, t]", "c.wear * out[0, t]"),
    "the start counted as earned": ("out[STORED, steps - 1] - start_kwh", "out[STORED, steps - 1]"),
    "peaks forgotten": ("total += c.peak_rate[p] * peak[p]", "pass"),
}


@pytest.mark.parametrize("fault", [*PRICING_FAULTS, *SCORE_FAULTS])
def test_a_fault_planted_in_the_score_shows_against_the_bill(fault: str) -> None:
    cost = cost_of([PER_DAY, TWO_RATES, CREDIT, DEMAND, ON_PEAK_DEMAND, TAX], GRID,
                   peak_so_far_kw={"demand": 6.2})  # fmt: skip
    load, pv = weather(GRID, 8)
    task = task_of(AC_PLANT, GRID, cost, load, pv)
    expected = cost_of_replay(replay(AC_PLANT, GRID, load, pv, SETTINGS, 2.0), cost, AC_PLANT)
    assert scored(task, STEPS, 2.0) == pytest.approx(expected)
    if fault in PRICING_FAULTS:
        actual = scored(
            task, STEPS, 2.0, with_fault(season_module.pricing_of, *PRICING_FAULTS[fault])
        )
    else:
        actual = scored(task, STEPS, 2.0, scorer=with_fault(score, *SCORE_FAULTS[fault]))
    assert abs(actual - expected) > 1e-3
