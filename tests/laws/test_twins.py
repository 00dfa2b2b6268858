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
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

import numpy as np
import pytest

import optimizer.cost.expression as cost_module
import optimizer.search.pricing as pricing_module
import optimizer.search.score_kernel as score_module
from optimizer.base.errors import DisagreementError, OptimizerError
from optimizer.base.timegrid import FloatArray, IntArray, TimeGrid, interval_of_step
from optimizer.billing.bill import bill_flows
from optimizer.billing.tariff import Charge, TariffCost
from optimizer.cost.expression import (
    ZERO,
    Choice,
    Constant,
    Evaluation,
    FlowSum,
    Largest,
    LinearCost,
    Metered,
    Node,
    Part,
    Peak,
    Rounded,
    Scale,
    Sum,
    Tally,
    _Reader,
    evaluate,
    linear_cost,
)
from optimizer.planning.linear import solve_with_fixed_integers
from optimizer.planning.matrix import matrix_of
from optimizer.planning.plan import make_plan
from optimizer.planning.problem import Limits
from optimizer.planning.solver import solve
from optimizer.search.pricing import _Writer
from optimizer.search.score_kernel import LANES, OVERLOAD_COST, score_many
from optimizer.settings.windows import DaySet, SeasonSet, Settings, Window
from optimizer.simulation.replay import Replay, orders_of
from optimizer.simulation.step import Numbers
from optimizer.site.equipment import Plant
from tests.builders import posed, run_through
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
    STORED_CREDIT,
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
    before = (reached,) if reached else ()
    return Peak(flow, steps, rising.astype(np.int64), GRID.step_h, before)


def rolling(steps: IntArray, long: int) -> Peak:
    first = np.arange(len(steps) - long + 1)
    runs = steps[first[:, None] + np.arange(long)]
    return Peak("import_kwh", runs.ravel(), np.repeat(first, long), GRID.step_h)


def of_highest(count: int, minutes: int, groups: int, reached: tuple[float, ...] = ()) -> Peak:
    """Return the mean of the highest groups; the intervals are dealt out to groups in runs."""
    simple = peak(STEPS, minutes)
    intervals = len(simple.hours)
    group = (np.arange(intervals) * groups // intervals).astype(np.int64)
    factor = np.where(group % 2, 0.7, 1.0)
    return Peak("import_kwh", STEPS, simple.interval, GRID.step_h, reached, count, group, factor)


ALL_IMPORT = FlowSum("import_kwh", STEPS, weights(GRID.count))
EVENING = STEPS[(GRID.minute_of_day >= 960) & (GRID.minute_of_day < 1260)]
SHARED_PEAK = peak(STEPS, 30)
BOUGHT = FlowSum("import_kwh", STEPS, np.ones(GRID.count))
SOLD = FlowSum("export_kwh", STEPS, np.ones(GRID.count))
NET = Sum((BOUGHT, Scale(-1.0, SOLD)))
EVENING_PEAK = peak(EVENING, 60)
TALLY = Tally(NET)

NODES: dict[str, Node] = {
    "FlowSum of all import": ALL_IMPORT,
    "FlowSum of some import": FlowSum("import_kwh", STEPS[3::7], weights(len(STEPS[3::7]))),
    "FlowSum of export": FlowSum("export_kwh", STEPS, -weights(GRID.count)),
    "FlowSum of export out of the battery": FlowSum(
        "stored_export_kwh", STEPS, np.abs(weights(GRID.count))
    ),
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
    "Scale of an amount": Scale(3.0, Constant(2.5)),
    "Scale by zero": Scale(0.0, Sum((SHARED_PEAK, ALL_IMPORT, Constant(4.0)))),
    "Sum of nothing": Sum(()),
    "Sum of all kinds": Sum((ALL_IMPORT, Scale(3.0, SHARED_PEAK), Constant(-2.0))),
    "Sum with a peak twice": Sum((Scale(4.0, SHARED_PEAK), Scale(-1.5, Sum((SHARED_PEAK,))))),
    "Constant": Constant(12.75),
    "Peak that rolls": rolling(STEPS, 4),
    "Peak, mean of three groups": of_highest(3, 15, 7),
    "Peak, mean of three intervals": of_highest(3, 60, 30),
    "Peak, mean with what was reached": of_highest(3, 15, 7, (9.0, 2.0)),
    "Peak, mean of more than there are": of_highest(5, 15, 2),
    "Largest of a sum and an amount": Largest((NET, Constant(3.0))),
    "Largest of three": Largest((NET, Scale(4.0, SHARED_PEAK), Scale(6.0, EVENING_PEAK))),
    "Largest inside a largest": Largest((Constant(2.0), Sum((Largest((NET, ZERO)), BOUGHT)))),
    "Largest that cancels": Sum((Largest((NET, Constant(9e3))), Scale(-1.0, NET), SHARED_PEAK)),
    "Tally": Sum((Scale(2.0, TALLY), Scale(-0.5, Sum((TALLY, SHARED_PEAK))), SHARED_PEAK)),
    "Rounded": Rounded(Constant(7.0), 2.0, "down"),
    "Metered": Metered(lambda flows: float(flows.import_kwh.sum()), BOUGHT),
}
"""Every node as the plan can meet it: on import and export, peaks of import."""

STEP_OF_DEMAND = Choice(SHARED_PEAK, (2.0, 4.0, 7.0), tuple(map(Constant, (1.0, 5.0, 6.0, 30.0))))
NOT_CONVEX: dict[str, Node] = {
    "Largest needed from above": Scale(-2.0, Largest((NET, Constant(3.0)))),
    "Largest of peaks needed from above": Sum((
        Scale(-0.5, Largest((Scale(-1.0, BOUGHT), Scale(-20.0, SHARED_PEAK)))), SHARED_PEAK,
    )),
    "Peak needed from above": Sum((Scale(-3.0, peak(STEPS[:24], 60)), BOUGHT)),
    "Peak needed from both sides": Choice(
        peak(STEPS[:24], 60), (2.0, 4.0), tuple(map(Constant, (9.0, 1.0, 4.0)))
    ),
    "Peak, mean of three, from above": Scale(-1.0, Peak(
        "import_kwh", STEPS[:24], np.arange(24) // 2, GRID.step_h, (1.0, 3.5), 3,
        np.arange(12) // 2,
    )),
    "Choice of rising amounts": STEP_OF_DEMAND,
    "Choice of falling amounts by energy": Choice(BOUGHT, (20.0, 60.0), tuple(
        map(Constant, (9.0, 5.0, 6.0)))),
    "Choice of nodes": Choice(BOUGHT, (30.0, 60.0), (BOUGHT, Scale(0.8, BOUGHT), NET)),
    "Choice within a scale below zero": Sum((Scale(-2.0, STEP_OF_DEMAND), BOUGHT)),
    "Largest of a choice": Largest((STEP_OF_DEMAND, Scale(0.1, BOUGHT))),
}  # fmt: skip
"""Nodes for which the plan takes integers."""

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
PV_CREDIT = {"kind": "export_credit", "name": "from PV", "origin": "pv", "per_kwh": 0.09}
PER_YEAR = {"kind": "fixed", "name": "licence", "amount": 365.0, "per": "year"}
PART_TAX = {"kind": "percentage", "name": "levy", "percent": 5.0, "of": ["energy", "demand"]}
DISCOUNT = {"kind": "percentage", "name": "discount", "percent": -20.0, "of": "all above"}
OVER_TAX = {"kind": "percentage", "name": "tax on tax", "percent": 10.0, "of": ["levy", "tax"]}

RISING = {"blocks": [{"up_to_kwh": 150.0, "per_kwh": 0.1}, {"up_to_kwh": 600.0, "per_kwh": 0.2},
                     {"per_kwh": 0.35}]}  # fmt: skip
FALLING = {"blocks": [{"up_to_kwh": 150.0, "per_kwh": 0.3}, {"up_to_kwh": 600.0, "per_kwh": 0.2},
                      {"per_kwh": 0.25}]}  # fmt: skip
DAILY = RISING | {"per_days": 30.0, "round_sizes": {"to": 1.0}, "unless_days": [35, 40]}
HOURS = {"blocks": [{"up_to_h": 5.0, "per_kwh": 0.3}, {"up_to_h": 9.0, "per_kwh": 0.2},
                    {"per_kwh": 0.1}], "demand": "demand"}  # fmt: skip
BLOCKS = {"kind": "energy", "name": "energy", "blocks": RISING}
TOU_BLOCKS = {
    "kind": "energy",
    "name": "energy",
    "rates": [
        {"name": "peak", "blocks": RISING, "hours": ["16:00-21:00"]},
        {"name": "event", "per_kwh": 0.9, "dates": [date(2025, 6, 30)], "hours": ["17:00-20:00"]},
        {"name": "rest", "per_kwh": 0.08, "otherwise": True},
    ],
}
BAND_CREDIT = {
    "kind": "export_credit",
    "name": "export",
    "hours": ["10:00-15:00"],
    "blocks": {
        "blocks": [{"up_to_kwh": 2.0, "per_kwh": 0.0}, {"per_kwh": -0.012}],
        "per_days": 1.0,
    },
}
STORED_BAND = [{"up_to_kwh": 0.1, "per_kwh": 0.0}, {"per_kwh": -0.5}]
DEMAND_BLOCKS = {
    "kind": "demand",
    "name": "demand",
    "interval_minutes": 30,
    "blocks": [{"up_to_kw": 2.0, "per_kw": 0.0}, {"up_to_kw": 3.0, "per_kw": 4.0}, {"per_kw": 9.0}],
}
FALLING_KW = [{"up_to_kw": 2.0, "per_kw": 9.0}, {"up_to_kw": 3.0, "per_kw": 6.0}, {"per_kw": 4.0}]
STEPS_OF_KW = {
    "kind": "step_fee",
    "name": "capacity",
    "by": "demand",
    "steps": [
        {"from": 0.0, "amount": 10.0},
        {"from": 2.0, "amount": 30.0},
        {"from": 5.0, "amount": 70.0},
    ],
}
NET_ENERGY = {"kind": "net_energy", "name": "energy", "per_kwh": 0.2}
NET_TIMES = {
    "kind": "net_energy",
    "name": "energy",
    "rates": [
        {"name": "peak", "per_kwh": 0.4, "hours": ["16:00-21:00"]},
        {"name": "rest", "per_kwh": 0.1, "otherwise": True},
    ],
}
BANK = {"kind": "credit_bank", "name": "bank", "credits": ["export"],
        "offset": ["energy", "demand"]}  # fmt: skip
MINIMUM = {"kind": "minimum", "name": "minimum", "amount": 0.5, "per": "day", "of": "all above"}
BANDS = {
    "kind": "percentage",
    "name": "discount",
    "of": "all above",
    "bands": [
        {"from_kwh": 0.0, "percent": 0.0},
        {"from_kwh": 30.0, "percent": -15.0},
        {"from_kwh": 60.0, "percent": 4.0},
    ],
}


def shared(*prices: tuple[float, float]) -> dict[str, Any]:
    """Return peak hours and the rest that share a block of 20 kWh; their prices in it and above."""
    times: list[dict[str, Any]] = [{"hours": ["16:00-21:00"]}, {"otherwise": True}]
    return {"kind": "energy", "name": "energy", "blocks_shared": True, "rates": [
        when | {"name": f"rate {low}", "blocks": {"blocks": [
            {"up_to_kwh": 20.0, "per_kwh": low}, {"per_kwh": high}]}}
        for when, (low, high) in zip(times, prices, strict=True)]}  # fmt: skip


CHARGES: dict[str, list[dict[str, Any]]] = {
    "fixed per day": [PER_DAY],
    "fixed per month": [PER_MONTH],
    "fixed per year": [PER_YEAR],
    "energy, flat": [FLAT],
    "energy, time of use": [TWO_RATES],
    "energy, negative prices": [NEGATIVE],
    "energy, series": [SPOT],
    "energy, series within a floor and a ceiling": [SPOT | {"series": SPOT["series"] | {
        "at_least_per_kwh": 0.0, "at_most_per_kwh": 0.1}}],
    "energy, a table": [SPOT | {"series": None, "table": {"file": "table.csv", "column": "per_kwh"}}],
    "energy, one price of all": [BLOCKS | {"blocks": {"price_of_all": True, "blocks": [
        {"up_to_kwh": 20.0, "per_kwh": 0.1}, {"up_to_kwh": 60.0, "per_kwh": 0.2}, {"per_kwh": 0.15}]}}],
    "export_credit, a table": [FLAT, SPOT_CREDIT | {"series": None, "table": {
        "file": "table.csv", "column": "per_kwh", "times": 0.5}}],
    "export_credit, flat": [CREDIT],
    "export_credit, time of use": [TOU_CREDIT],
    "export_credit, series": [SPOT_CREDIT],
    "export_credit, nothing in runs of negative prices": [FLAT, SPOT_CREDIT | {"series": SPOT_CREDIT["series"] | {
        "zero_in_run": {"hours": 2.0}}}],
    "export_credit of PV alone": [FLAT, PV_CREDIT],
    "export_credit of PV and of stored energy": [FLAT, PV_CREDIT, STORED_CREDIT],
    "export_credit of PV, time of use": [FLAT, TOU_CREDIT | {"origin": "pv"}],
    "export_credit of PV, series": [FLAT, SPOT_CREDIT | {"origin": "pv"}],
    "export_credit of PV in a bank": [
        FLAT, DEMAND, PV_CREDIT, BANK | {"credits": ["from PV"]},
    ],
    "export_credit of PV in a minimum bill": [PER_DAY, FLAT, PV_CREDIT, MINIMUM | {"amount": 40.0}],
    "export_credit of stored energy with a free band": [
        FLAT, PV_CREDIT, BAND_CREDIT | {"origin": "battery"},
    ],
    "export_credit that pays stored energy more": [FLAT, PV_CREDIT, STORED_CREDIT | {"per_kwh": 0.2}],
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
    "energy, rising blocks": [BLOCKS],
    "energy, falling blocks": [BLOCKS | {"blocks": FALLING}],
    "energy, blocks a day": [BLOCKS | {"blocks": DAILY}],
    "energy, blocks over the year": [BLOCKS | {"blocks": RISING | {"counted_over": "year"}}],
    "energy, blocks over a season": [BLOCKS | {"blocks": RISING | {"counted_over": "season"}}],
    "energy, hours of demand": [DEMAND, BLOCKS | {"blocks": HOURS}],
    "energy, a rate with blocks": [TOU_BLOCKS],
    "energy, blocks shared by rates that differ by the same": [shared((0.3, 0.38), (0.1, 0.18))],
    "energy, blocks shared in proportion": [shared((0.3, 0.4), (0.1, 0.12))],
    "energy, falling blocks shared in proportion": [shared((0.4, 0.3), (0.2, 0.12))],
    "energy on some dates": [FLAT | {"dates": [date(2025, 7, 1)], "hours": ["06:00-14:00"]}],
    "export_credit with a free band": [FLAT, BAND_CREDIT],
    "demand that rolls": [DEMAND | {"interval_minutes": 60, "rolling_minutes": 15}],
    "demand in blocks": [DEMAND_BLOCKS],
    "demand in falling blocks": [DEMAND_BLOCKS | {"blocks": FALLING_KW}],
    "demand, mean of three hours": [DEMAND | {"highest": 3}],
    "demand, mean of two days": [DEMAND | {"highest": 2, "one_per": "day"}],
    "demand over the year, by weeks": [DEMAND | {
        "counted_over": "year", "per": "year", "highest": 2, "one_per": "week",
        "month_pct": [100, 100, 85, 50, 30, 25, 40, 25, 30, 45, 70, 95],
    }],
    "demand of at least": [DEMAND | {"at_least_kw": 5.5}],
    "demand under contract": [DEMAND | {
        "contract": {"kw": 4.0, "at_least_pct": 85, "exceeded_at_pct": 105, "times": 2},
    }],
    "demand with a ratchet": [DEMAND | {"ratchet": {"pct": 80}}],
    "demand with a ratchet on what was billed": [DEMAND | {
        "ratchet": {"pct": 90, "of": "billed", "months": 6},
    }],
    "demand, mean of months": [DEMAND | {
        "at_least_kw": 2.5, "mean_of_months": 12, "at_least_mean_kw": 4.0,
    }],
    "demand with a power factor": [DEMAND | {"power_factor": {"rule": "ratio", "target": 0.93}}],
    "demand in any of several hours, nights by half": [DEMAND | {"interval_minutes": 15, "any_of": [
        {"hours": ["06:00-22:00"]}, {"hours": ["22:00-06:00"], "pct": 50.0}]}],
    "demand of export": [FLAT, CREDIT, DEMAND | {"direction": "export", "interval_minutes": 30}],
    "demand of each day": [DEMAND | {"counted_over": "day", "per": "day"}],
    "demand of each day above what was agreed": [DEMAND_BLOCKS | {
        "counted_over": "day", "per": "day", "at_least_kw": 0.5}],
    "energy in any of several hours": [FLAT | {"any_of": [
        {"days": ["monday"], "hours": ["06:00-14:00"]}, {"days": ["tuesday"], "hours": ["02:00-09:00"]}]}],
    "energy, what remains of some days": [FLAT | {"per_kwh": None, "rates": [
        {"name": "a", "per_kwh": 0.4, "hours": ["16:00-21:00"]},
        {"name": "b", "per_kwh": 0.1, "days": ["monday"], "otherwise": True},
        {"name": "c", "per_kwh": 0.2, "days": ["tuesday", "wednesday", "thursday", "friday", "weekends"], "otherwise": True}]}],
    "demand, the excess of each interval": [DEMAND | {"excess": {
        "above_kw": 2.0, "counted": "each interval"}}],
    "demand, the excess as a root": [DEMAND | {"excess": {
        "above_kw": 2.0, "counted": "root of squares"}}],
    "demand in hours that are told later": [DEMAND | {
        "dates": [date(2025, 7, 1)], "hours": ["08:00-09:00"],
        "planned_in": {"hours": ["06:00-14:00"], "pct": 60.0}}],
    "demand in coincident hours": [DEMAND | {
        "coincident": ["2025-06-30T17:00", "2025-07-01T08:00", "2025-07-01T10:00"]}],
    "demand in coincident hours of the year before, planned in likely ones": [DEMAND | {
        "counted_over": "year", "per": "year", "of_year": "previous", "coincident": ["2024-07-01T08:00"],
        "planned_in": {"hours": ["06:00-14:00"], "pct": 60.0}}],
    "demand of the year before": [DEMAND | {"counted_over": "year", "of_year": "previous"}],
    "demand under a booking that changes": [DEMAND | {"booked": [
        {"from": date(2025, 1, 1), "kw": 2.0}, {"from": date(2025, 7, 1), "kw": 4.0}],
        "contract": {"exceeded_at_pct": 105, "times": 2}}],
    "step_fee by demand": [DEMAND, STEPS_OF_KW],
    "step_fee by the month before": [DEMAND, STEPS_OF_KW | {"of_period": "previous"}],
    "step_fee by a demand in blocks": [DEMAND_BLOCKS, STEPS_OF_KW],
    "step_fee by energy": [FLAT, STEPS_OF_KW | {"by": "import_kwh"}],
    "net_energy, carried": [NET_ENERGY],
    "net_energy by time of use": [NET_TIMES],
    "net_energy, lost": [NET_ENERGY | {"left_over": "lost"}],
    "net_energy, paid": [NET_ENERGY | {"left_over": "paid", "surplus_per_kwh": 0.04}],
    "net_energy over the year": [NET_ENERGY | {"netted_over": "year"}],
    "net_energy with a reset": [NET_ENERGY | {"reset": "07-01", "surplus_per_kwh": 0.03}],
    "net_energy that expires": [NET_ENERGY | {"expire_after_periods": 1}],
    "credit_bank": [FLAT, DEMAND, CREDIT, BANK],
    "credit_bank, lost": [FLAT, CREDIT, BANK | {"left_over": "lost", "offset": ["energy"]}],
    "credit_bank paid in part": [FLAT, DEMAND, CREDIT, BANK | {"paid_pct": 50, "reset": "07-01"}],
    "minimum bill": [PER_DAY, FLAT, CREDIT, MINIMUM],
    "minimum that holds": [PER_DAY, FLAT, CREDIT, MINIMUM | {"amount": 40.0}],
    "minimum of demand": [FLAT, DEMAND, MINIMUM | {"of": ["demand"], "amount": 60.0}],
    "percentage in bands": [FLAT, DEMAND, CREDIT, BANDS],
    "percentage by load factor": [FLAT, DEMAND, BANDS | {"of": ["energy"], "demand": "demand", "bands": [
        {"from_load_factor": 0.0, "percent": 5.0}, {"from_load_factor": 0.3, "percent": 0.0},
        {"from_load_factor": 0.5, "percent": -10.0}]}],
    "percentage by power factor": [FLAT, BANDS | {"bands": [
        {"from_power_factor": 0.0, "percent": 5.0}, {"from_power_factor": 0.9, "percent": -1.0}]}],
    "net_energy in blocks": [NET_ENERGY | {"per_kwh": None, "left_over": "lost", "blocks": RISING}],
    "net_energy with a baseline credit": [NET_ENERGY | {"left_over": "lost"}, NET_ENERGY | {
        "name": "baseline", "per_kwh": None, "left_over": "lost", "blocks": {"blocks": [
            {"up_to_kwh": 20.0, "per_kwh": -0.1}, {"per_kwh": 0.0}]}}],
    "net_energy in blocks, carried": [NET_ENERGY | {"per_kwh": None, "blocks": RISING}],
    "net_energy over the year in blocks": [NET_ENERGY | {"per_kwh": None, "netted_over": "year",
        "blocks": RISING | {"counted_over": "year"}}],
    "net_energy over the year in falling blocks": [NET_ENERGY | {"per_kwh": None, "netted_over": "year",
        "blocks": {"counted_over": "year", "blocks": [{"up_to_kwh": 20.0, "per_kwh": 0.3}, {"per_kwh": 0.1}]}}],
    "net_energy over a year that begins in July": [NET_ENERGY | {
        "netted_over": "year", "year_begins": "07-01"}],
    "reactive energy": [FLAT, {"kind": "reactive", "name": "kvarh", "per_kvarh": 0.05}],
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
    hours = "".join(f"{h:02d}:00,{h + 1:02d}:00,{0.01 * (h % 7) - 0.02:.2f}\n" for h in range(24))
    (folder / "table.csv").write_text("from,to,per_kwh\n" + hours)
    return lambda name: cost_of(CHARGES[name], GRID, folder)


def members(union: Any) -> set[str]:
    plain = typing.get_args(union)
    plain = typing.get_args(plain[0]) or plain  # a union inside Annotated
    return {member.__name__ for member in plain}


def test_every_node_of_the_algebra_has_a_row() -> None:
    tables = NODES | NOT_CONVEX
    assert {name.split()[0].rstrip(",") for name in tables} == members(Node)
    for kind in members(Node):
        assert any(kind in {type(n).__name__ for n in all_nodes(node)} for node in tables.values())


def test_every_kind_of_charge_has_a_row_that_bears_its_name() -> None:
    classes = typing.get_args(typing.get_args(Charge)[0])
    kinds = {typing.get_args(cls.model_fields["kind"].annotation)[0] for cls in classes}
    assert len(kinds) == len(classes) >= 5
    assert {name.split(",")[0].split()[0] for name in CHARGES} == kinds
    for name, charges in CHARGES.items():
        assert name.split(",")[0].split()[0] in {charge["kind"] for charge in charges}


# --- four readings ---------------------------------------------------------------------------


def in_plain_loops(node: Node, flows: Any) -> float:  # noqa: C901, PLR0911 - one for each node
    """Read a node with nothing but loops: the outside opinion in these tests."""
    if isinstance(node, Constant):
        return node.amount
    if isinstance(node, Scale):
        return node.factor * in_plain_loops(node.of, flows)
    if isinstance(node, Sum):
        return sum(in_plain_loops(term, flows) for term in node.terms)
    if isinstance(node, Largest):
        return sorted(in_plain_loops(term, flows) for term in node.terms)[-1]
    if isinstance(node, Tally):
        return in_plain_loops(node.of, flows)
    if isinstance(node, Rounded):
        return in_plain_loops(node.of, flows)
    if isinstance(node, Metered):
        return in_plain_loops(node.planned, flows)
    if isinstance(node, Choice):
        by, place = in_plain_loops(node.by, flows), 0
        while place < len(node.edges) and by >= node.edges[place]:
            place += 1
        return in_plain_loops(node.options[place], flows)
    energy = getattr(flows, node.flow)
    if isinstance(node, FlowSum):
        pairs = zip(node.steps, node.weights, strict=True)
        return sum(float(energy[step]) * float(weight) for step, weight in pairs)
    intervals: dict[int, list[float]] = {}
    for step, number in zip(node.steps, node.interval, strict=True):
        intervals.setdefault(int(number), []).append(float(energy[step]))
    groups: dict[int, float] = {}
    for number, part in intervals.items():
        mean = sum(part) / (len(part) * node.step_h)
        mean *= 1.0 if node.factor is None else float(node.factor[number])
        group = 0 if node.group is None else int(node.group[number])
        groups[group] = max(groups.get(group, 0.0), mean)
    best = sorted([*groups.values(), *node.reached_kw], reverse=True)[: node.highest]
    return sum(best) / len(best) if best else 0.0


def all_nodes(node: Node) -> list[Node]:
    """Return a node and all within it, by its fields."""
    inner = [
        part for value in vars(node).values()
        for part in (value if isinstance(value, tuple) else (value,)) if hasattr(part, "__dataclass_fields__")
    ]  # fmt: skip
    return [node, *(found for part in inner for found in all_nodes(part))]


def pinned_objective(cost: LinearCost, grid: TimeGrid, seed: int) -> tuple[float, Any]:
    """Return the LP's objective with import and export pinned to a random meter, and the meter."""
    meter = random_meter(grid, seed)
    return objective_pinned_to(meter, cost), meter


def objective_pinned_to(meter: Any, cost: LinearCost) -> float:
    """Return the LP's objective with import, export and its origin pinned to a meter."""
    plant = AC_PLANT.without_battery()
    problem = posed(meter.grid, plant, meter.load_kwh, meter.pv_used_kwh, cost, 0.0, 0.0)
    matrix = matrix_of(problem, Limits.of(problem), {})
    low, high = matrix.low.copy(), matrix.high.copy()
    pinned_flows = {
        "import_": meter.import_kwh, "export_": meter.export_kwh,
        "stored_export": meter.stored_export_kwh,
    }  # fmt: skip
    for column, values in pinned_flows.items():
        if column not in matrix.columns:
            continue
        low[matrix.columns[column].span] = high[matrix.columns[column].span] = values
    pinned = replace(matrix, low=low, high=high)
    solution = solve(pinned, 60)
    if matrix.is_integer.any():
        solution = solve_with_fixed_integers(pinned, solution.value)
    return solution.objective + cost.constant


def same_money(actual: float, expected: float) -> bool:
    return actual == pytest.approx(expected, rel=1e-9, abs=1e-9)


@pytest.mark.parametrize("name", [*NODES, *NOT_CONVEX, *OTHER_FLOWS])
def test_a_node_is_worth_the_same_by_evaluation_by_weights_and_by_hand(name: str) -> None:
    node = (NODES | NOT_CONVEX | OTHER_FLOWS)[name]
    for seed in SEEDS:
        flows = random_flows(GRID, seed)
        expected = in_plain_loops(node, flows)
        assert same_money(evaluate(node, flows, as_planned=True), expected)
        assert same_money(linear_cost(node, GRID.count).value(flows), expected)


@pytest.mark.parametrize("name", [*NODES, *NOT_CONVEX])
def test_a_plan_pinned_to_a_meter_costs_what_the_node_says(name: str) -> None:
    node = (NODES | NOT_CONVEX)[name]
    cost = linear_cost(node, GRID.count)
    assert cost.is_convex == (name in NODES)
    for seed in SEEDS[:2]:
        objective, meter = pinned_objective(cost, GRID, seed)
        assert objective == pytest.approx(in_plain_loops(node, meter), abs=1e-6)


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
        assert bill.total_as_planned == pytest.approx(by_hand, abs=1e-9)
        assert same_money(cost.value(meter), bill.total_as_planned)
        assert objective == pytest.approx(bill.total_as_planned, abs=1e-6)


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


@dataclass(frozen=True)
class Scored:
    """A site whose settings are scored; what lies outside the scored steps is a random meter."""

    plant: Plant
    grid: TimeGrid
    cost: LinearCost
    load_kwh: FloatArray
    pv_kwh: FloatArray


def site_of(plant: Plant, cost: TariffCost, load: FloatArray, pv: FloatArray) -> Scored:
    return Scored(plant, GRID, linear_cost(cost.total, GRID.count), load, pv)


def scored(
    site: Scored,
    steps: IntArray,
    start_kwh: float,
    pricing: Any = pricing_module.pricing_of,
    scorer: Any = score_many,
) -> float:
    """Return the compiled score of the settings on some steps of the site."""
    orders = orders_of(SETTINGS, site.plant, site.grid)
    load, pv = np.ascontiguousarray(site.load_kwh[steps]), np.ascontiguousarray(site.pv_kwh[steps])
    priced = pricing(site.cost, random_flows(site.grid, 0), site.plant, LEFTOVER, steps)
    imported, exported = np.zeros((2, len(steps), LANES))
    cost = np.zeros(1)
    scorer(
        load, pv, np.ascontiguousarray(site.plant.limits_on(site.grid).kwh[:, steps]), orders.table, np.arange(len(steps)), orders.of_step[steps][None, :],
        Numbers.of(site.plant, site.grid.step_h), start_kwh, priced, imported, exported, cost,
    )  # fmt: skip
    return float(cost[0])


def depends_on_flows(cost: LinearCost, part: Part) -> bool:
    if isinstance(part.node, Peak):
        return len(part.node.steps) > 0
    return any(
        form.weights or any(depends_on_flows(cost, cost.parts[n]) for n in form.parts)
        for form in part.forms
    )


def cost_of_replay(run: Replay, cost: TariffCost, plant: Any) -> float:
    bill = sum(in_plain_loops(line.cost, run.flows) for line in cost.lines)
    linear = linear_cost(cost.total, run.flows.grid.count)
    fixed = [n for n, part in enumerate(linear.parts) if not depends_on_flows(linear, part)]
    values = linear.part_values(run.flows)
    constant = linear.constant + sum(linear.total.parts.get(n, 0.0) * values[n] for n in fixed)
    wear = plant.wear_per_kwh * sum(run.flows.discharge_kwh)
    return bill - constant + wear - LEFTOVER * (run.stored_kwh[-1] - run.start_kwh)


@pytest.mark.parametrize("plant", [AC_PLANT, DC_PLANT], ids=["ac", "dc"])
@pytest.mark.parametrize("name", CHARGES)
def test_the_compiled_score_of_a_replay_is_its_bill_with_wear_less_what_is_left(
    name: str, plant: Any, compiled: Callable[[str], TariffCost]
) -> None:
    cost = compiled(name)
    load, pv = weather(GRID, 8)
    site = site_of(plant, cost, load, pv)
    run = run_through(plant, GRID, load, pv, SETTINGS, plant.low_kwh)
    assert scored(site, STEPS, plant.low_kwh) == pytest.approx(cost_of_replay(run, cost, plant))


def test_the_scores_of_two_months_add_up_to_the_score_of_both(
    compiled: Callable[[str], TariffCost],
) -> None:
    cost = compiled("energy and demand, all together")
    load, pv = weather(GRID, 8)
    site = site_of(AC_PLANT, cost, load, pv)
    run = run_through(AC_PLANT, GRID, load, pv, SETTINGS, 2.0)
    june, july = np.flatnonzero(GRID.month == 6), np.flatnonzero(GRID.month == 7)
    parts = scored(site, june, 2.0) + scored(site, july, float(run.stored_kwh[june[-1]]))
    assert len(june)
    assert len(july)
    assert parts == pytest.approx(scored(site, STEPS, 2.0))


def test_the_score_counts_overload_and_discharge_beyond_the_cycles_on_top_of_the_bill(
    compiled: Callable[[str], TariffCost],
) -> None:
    plant = replace(AC_PLANT, import_limit_kw=1.5, cycles_per_day=0.2)
    cost = compiled("energy, time of use")
    load, pv = weather(GRID, 8)
    run = run_through(plant, GRID, load, pv, SETTINGS, 2.0)
    day_kwh = np.bincount(GRID.day, weights=run.flows.discharge_kwh)
    beyond_kwh = np.maximum(day_kwh - 0.2 * plant.capacity_kwh, 0).sum()
    assert run.overload_kwh > 0
    assert run.days_beyond_cycles == (day_kwh > 0.2 * plant.capacity_kwh).sum() > 0
    fines = OVERLOAD_COST * run.overload_kwh + 10.0 * beyond_kwh
    actual = scored(site_of(plant, cost, load, pv), STEPS, 2.0)
    assert actual == pytest.approx(cost_of_replay(run, cost, plant) + fines)


# --- planted faults --------------------------------------------------------------------------


def plant(patch: pytest.MonkeyPatch, owner: Any, name: str, right: str, wrong: str) -> None:
    """Replace a function by a copy, in plain Python, with one piece of its source changed."""
    function = getattr(owner, name)
    function = getattr(function, "py_func", function)
    source = textwrap.dedent(inspect.getsource(function))
    source = source[source.index("def ") :]
    assert source.count(right) == 1, f"the fault must be planted once: {right}"
    names = function.__globals__
    code = compile(source.replace(right, wrong), "planted", "exec", flags=annotations.compiler_flag)
    made: dict[str, Any] = {}
    exec(code, names, made)
    patch.setattr(owner, name, made[function.__name__])


Fault = tuple[Any, str, str, str]

EVALUATE_FAULTS: dict[str, Fault] = {
    "a weight left out": (Evaluation, "_worked_out", "[node.steps] @ node.weights", "[node.steps].sum()"),
    "the lowest interval for the highest": (Peak, "value", "power.max(initial=0.0)", "power.min()"),
    "the peak already reached forgotten": (Peak, "value", "initial=0.0)), before)", "initial=0.0)), 0.0)"),
    "a factor left out": (Evaluation, "_worked_out", "node.factor * self", "self"),
    "a term left out": (Evaluation, "_worked_out", "sum(self.value(term) for term in node.terms)",
                        "sum(self.value(term) for term in node.terms[1:])"),
    "an amount left out": (Evaluation, "_worked_out", "return node.amount", "return 0.0"),
}  # fmt: skip

MORE_EVALUATE_FAULTS: dict[str, Fault] = {
    "the smallest for the largest": (Evaluation, "_worked_out", "max(self", "min(self"),
    "a tally left out": (Evaluation, "_worked_out", "return self.value(node.of)", "return 0.0"),
    "the sum of the highest for their mean": (Peak, "value", ".sum()) / self.counted", ".sum())"),
    "the lowest groups for the highest": (Peak, "value", "[::-1]", ""),
    "the last day of a group for its highest": (Peak, "value", "np.maximum.at(of_group, self.groups, power)",
                                                "of_group[self.groups] = power"),
    "an interval's factor left out": (Peak, "interval_kw", "power * self.factor", "power"),
    "the range above for the one below": (cost_module, "chosen", "node.options[int(", "node.options[-1 + int("),
}  # fmt: skip

LINEAR_FAULTS: dict[str, Fault] = {
    "a step named twice counted once": (cost_module, "_merged", "np.add.at(row, steps, weights)",
                                        "row[steps] += weights"),
    "the factor of a flow left out": (_Reader, "_add", "factor * node.weights", "node.weights"),
    "a second use of a peak forgets the first": (_Reader, "_add", "parts.setdefault(number, []).append(factor)",
                                                "parts[number] = [factor]"),
    "only the inner factor kept": (_Reader, "_add", "factor * node.factor", "node.factor"),
    "a sign lost": (_Reader, "_add", "factor * node.factor", "factor * abs(node.factor)"),
    "the factor of a sum left out": (_Reader, "_add", "self._add(term, factor, constants",
                                     "self._add(term, 1.0, constants"),
    "the factor of an amount left out": (_Reader, "_add", "factor * node.amount", "node.amount"),
}  # fmt: skip


def worst_gap() -> float:
    """Return how far two readings of the tables of nodes are from the reading by hand."""
    flows = random_flows(GRID, 1)
    gaps = [
        abs(reading - in_plain_loops(node, flows))
        for node in (NODES | NOT_CONVEX).values()
        for reading in (
            evaluate(node, flows, as_planned=True), linear_cost(node, GRID.count).value(flows),
        )
    ]  # fmt: skip
    return max(gaps)


def test_the_readings_as_they_are_leave_no_gap() -> None:
    assert worst_gap() < 1e-9


@pytest.mark.parametrize("fault", [*EVALUATE_FAULTS, *MORE_EVALUATE_FAULTS, *LINEAR_FAULTS])
def test_a_fault_planted_in_a_reading_leaves_a_gap(
    fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant(monkeypatch, *(EVALUATE_FAULTS | MORE_EVALUATE_FAULTS | LINEAR_FAULTS)[fault])
    assert worst_gap() > 1e-3


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
    plant(monkeypatch, *EVALUATE_FAULTS[fault])
    with pytest.raises(DisagreementError, match=r"objective is .* bill of its flows gives"):
        make_plan(problem, cost)


@pytest.mark.parametrize(
    "fault", sorted(LINEAR_FAULTS.keys() - {"a step named twice counted once"})
)
def test_a_fault_planted_in_the_weights_stops_the_plan(
    fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    cost, load, pv = case_for_the_run_time_check()
    if fault in {"a sign lost", "only the inner factor kept"}:
        cost = cost_of([FLAT, CREDIT, DEMAND, PART_TAX, TAX, DISCOUNT], GRID)
    plant(monkeypatch, *LINEAR_FAULTS[fault])
    problem = problem_of(AC_PLANT, GRID, load, pv, cost)
    with pytest.raises(DisagreementError):
        make_plan(problem, cost)


@pytest.mark.parametrize("flow", sorted(OTHER_FLOWS.keys() - {"export_kwh"}))
def test_a_cost_on_a_flow_that_the_plan_does_not_price_is_never_silently_wrong(flow: str) -> None:
    cost, load, pv = case_for_the_run_time_check()
    line = replace(cost.lines[0], cost=Sum((Constant(1.0), OTHER_FLOWS[flow])))
    cost = replace(cost, lines=(*cost.lines, line))
    with pytest.raises(DisagreementError, match=flow):
        make_plan(problem_of(AC_PLANT, GRID, load, pv, cost), cost)


def test_a_peak_of_export_is_planned_like_one_of_import() -> None:
    cost, load, pv = case_for_the_run_time_check()
    line = replace(cost.lines[0], cost=Scale(2.0, peak(EVENING, 30, flow="export_kwh")))
    cost = replace(cost, lines=(*cost.lines, line))
    plan = make_plan(problem_of(AC_PLANT, GRID, load, pv, cost), cost)
    assert plan.proof.objective == pytest.approx(plan.proof.recomputed, abs=1e-6)


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


SCORE_FAULTS: dict[str, Fault] = {
    "the wear left out": (pricing_module, "pricing_of", "wear=plant.wear_per_kwh", "wear=0.0"),
    "the leftover's sign turned": (pricing_module, "pricing_of", "leftover=leftover", "leftover=-leftover"),
    "the credit's sign turned": (pricing_module, "pricing_of", "sell=-cost", "sell=cost"),
    "peaks of a month mixed up": (_Writer, "_write_peak", "node.interval[here] + first_interval",
                                  "node.interval[here]"),
    "the peak already reached forgotten": (_Writer, "_write_peak", "[*reached, *node.reached_kw]",
                                           "[*reached, *(0 * kw for kw in node.reached_kw)]"),
    "rates left out": (_Writer, "write", "self._cost.total.parts.get(number, 0.0)", "1.0"),
    "the sum of a demand interval for its mean": (_Writer, "_write_peak", "factor / node.hours", "factor"),
    "a form's constant left out": (_Writer, "_write_form", "constant = form.constant", "constant = 0.0"),
    "earlier parts left out": (_Writer, "_write_form", "list(varying.values())", "[0.0] * len(varying)"),
    "the edges left out": (_Writer, "write", "part.node.edges if isinstance(part.node, Choice) else ()",
                           "(1e9,) * (isinstance(part.node, Choice) * 2)"),
    "export not credited": (score_module, "step_lanes", "else sell) * net", "else 0.0) * net"),
    "import for export": (score_module, "step_lanes", "(buy if net", "(sell if net"),
    "the wear of charging": (score_module, "step_lanes", "wear * moved.discharge", "wear * moved.charge"),
    "the level forgotten": (score_module, "step_lanes", "= moved.stored", "= n.high"),
    "import not noted for the parts": (score_module, "step_lanes", "max(-net, 0.0)", "0.0"),
    "export not noted for the parts": (score_module, "step_lanes", "max(net, 0.0)", "0.0"),
    "the start counted as earned": (score_module, "lanes_through", "(lanes[STORED, i] - start_kwh)",
                                    "lanes[STORED, i]"),
    "parts forgotten": (score_module, "score_many",
                        "add_parts_of_the_bill(imported, exported, sold, total[:live], c)", "pass"),
    "windows of another step": (score_module, "lanes_through", "face_of_step[t]", "face_of_step[t - 1]"),
    "export forgotten in a part": (score_module, "write_form", "weight * exported", "0 * exported"),
    "stored export not priced apart": (score_module, "lanes_through", "+= c.less_for_stored[t] * stored_out", "+= 0.0"),
    "all that the battery gives taken as exported": (score_module, "lanes_through", "lanes[GIVEN, i] - x.load", "lanes[GIVEN, i]"),
    "stored export forgotten in a part": (score_module, "write_form", "weight * sold", "0 * sold"),
    "stored export of other steps forgotten": (score_module, "lanes_through", "sold[t * c.notes_sold, i]", "sold[0, i]"),
    "the smallest form for the largest": (score_module, "add_parts_of_the_bill", "max(value[p, i], x[i])", "min(value[p, i], x[i])"),
    "the lowest groups for the highest": (score_module, "mean_of_highest", "group[g, lane] > rising[0]", "g == first"),
    "the last step of an interval for all": (score_module, "highest_powers", "power[i] += ", "power[i] = "),
    "a form that was not chosen": (score_module, "add_parts_of_the_bill", "chosen[i] = f + 1", "chosen[i] = f + 2"),
}  # fmt: skip


@pytest.mark.parametrize("fault", SCORE_FAULTS)
def test_a_fault_planted_in_the_score_shows_against_the_bill(
    fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    charges = [
        PER_DAY, TWO_RATES, CREDIT, DEMAND, ON_PEAK_DEMAND, TAX, STEPS_OF_KW,
        NET_ENERGY | {"name": "net"}, MINIMUM | {"amount": 90.0, "of": ["energy", "export"]},
        PV_CREDIT, BAND_CREDIT | {"name": "band", "origin": "battery", "hours": ["17:00-22:00"],
                                  "blocks": {"blocks": STORED_BAND, "per_days": 1.0}},
        ON_PEAK_DEMAND | {"name": "three", "highest": 3, "blocks": FALLING_KW, "per_kw": None},
    ]  # fmt: skip
    cost = cost_of(charges, GRID, peak_so_far_kw={"demand": 6.2})
    load, pv = weather(GRID, 8)
    load = 0.6 * load  # so that selling sells more than the building takes
    site = site_of(AC_PLANT, cost, load, pv)
    expected = cost_of_replay(run_through(AC_PLANT, GRID, load, pv, SETTINGS, 2.0), cost, AC_PLANT)
    assert scored(site, STEPS, 2.0) == pytest.approx(expected)
    for name in (
        "lanes_through",
        "step_lanes",
        "add_parts_of_the_bill",
        "highest_powers",
        "write_form",
    ):
        monkeypatch.setattr(score_module, name, getattr(score_module, name).py_func)
    plant(monkeypatch, *SCORE_FAULTS[fault])
    actual = scored(
        site, STEPS, 2.0, pricing=pricing_module.pricing_of, scorer=score_module.score_many
    )
    assert abs(actual - expected) > 1e-3
