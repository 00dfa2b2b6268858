"""Where a tariff is not convex, no operation on a lattice of levels is cheaper than the plan.

A small battery without losses is moved in every possible way between levels half a kWh apart; what
each costs is written here for each family, for all operations at once. The plan must not cost more
than the cheapest of them, and its own flows must cost, by the same arithmetic, what it says: so
it is neither too dear nor too good to be true. Families that are convex must be planned as a linear
program, the others with integers.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import lru_cache
from itertools import pairwise
from typing import Any

import numpy as np
import pytest

from optimizer.base.errors import OptimizerError
from optimizer.base.timegrid import BillingPeriod, BillingPeriods, FloatArray
from optimizer.billing.history import History
from optimizer.billing.tariff import Tariff, TariffCost, TariffFile, compile_cost
from optimizer.cost.expression import linear_cost
from optimizer.planning import cost_rows
from optimizer.planning.plan import Plan, make_plan
from tests.builders import posed
from tests.laws.cases import AC_PLANT, SOURCE, grid_of
from tests.laws.test_twins import plant

Words = dict[str, Any]
Money = Callable[[FloatArray, FloatArray], FloatArray]
"""From import and export, shapes (N, T), to the money of each of N operations, shape (N,)."""

PERIODS, STEPS_EACH = 3, 2
STEPS = PERIODS * STEPS_EACH
SHARE = STEPS_EACH / 24
"""The share of a day, and so of the period's sizes and fees, that the steps of a period are."""

GRID = grid_of(STEPS, 60, "2025-06-02T22:00")  # the first period lies before midnight
FULL_KWH, START_KWH, LEVEL_KWH, POWER_KW = 3.0, 1.0, 0.5, 2.0
PLANT = replace(
    AC_PLANT, low_kwh=0.0, high_kwh=FULL_KWH, capacity_kwh=FULL_KWH, charge_kw=POWER_KW,
    discharge_kw=POWER_KW, charge_efficiency=1.0, discharge_efficiency=1.0, standing_loss_per_day=0.0,
    wear_per_kwh=0.0, ac_limit_kw=10.0, to_ac_efficiency=1.0, to_dc_efficiency=1.0,
)  # fmt: skip
EDGE = 1e-3
"""The plan keeps 1e-4 away from the edge of a range; that is worth less than this."""


def periods() -> BillingPeriods:
    """Return three periods of two steps, each told to be a day of its own."""
    days = [date(2025, 6, 2) + timedelta(days=n) for n in range(PERIODS + 1)]
    made = tuple(BillingPeriod(day, after) for day, after in pairwise(days))
    return BillingPeriods(made, np.repeat(np.arange(PERIODS), STEPS_EACH))


@lru_cache(maxsize=1)
def moves() -> FloatArray:
    """Return every sequence of changes of the stored energy that ends where it began."""
    levels = np.arange(0, FULL_KWH + LEVEL_KWH / 2, LEVEL_KWH)
    axes = np.meshgrid(*[levels] * (STEPS - 1), indexing="ij")
    paths = np.stack([axis.ravel() for axis in axes], axis=1)
    ends = np.full((len(paths), 1), START_KWH)
    change = np.diff(np.hstack([ends, paths, ends]), axis=1)
    return change[(np.abs(change) <= POWER_KW).all(axis=1)]


def sums(energy: FloatArray) -> FloatArray:
    """Return the energy of each period, shape (N, P)."""
    return energy.reshape(len(energy), PERIODS, STEPS_EACH).sum(axis=2)


def peaks(energy: FloatArray) -> FloatArray:
    """Return the highest power of each period, shape (N, P); steps are hours."""
    return energy.reshape(len(energy), PERIODS, STEPS_EACH).max(axis=2)


def in_blocks(amount: FloatArray, ends: list[Any], prices: list[float]) -> FloatArray:
    """Return what amounts cost, block by block."""
    cost, begin = np.zeros_like(amount), np.zeros_like(amount)
    for end, price in zip([*ends, np.inf], prices, strict=True):
        cost += price * np.clip(np.minimum(amount, end) - begin, 0, None)
        begin = np.maximum(begin, end)
    return cost


def in_steps(value: FloatArray, edges: list[float], amounts: list[float]) -> FloatArray:
    return np.array(amounts)[(value[..., None] >= np.array(edges)).sum(axis=-1)]


def per_period(charge: Callable[[FloatArray, FloatArray], FloatArray]) -> Money:
    return lambda bought, sold: charge(bought, sold).sum(axis=1)


# --- the hours' prices, which make it worth to move energy -----------------------------------

HOUR_NAMES = (
    "22:00-23:00",
    "23:00-24:00",
    "00:00-01:00",
    "01:00-02:00",
    "02:00-03:00",
    "03:00-04:00",
)
HOUR_PRICES = (0.11, 0.07, 0.19, 0.05, 0.23, 0.13)
HOURLY = {"kind": "energy", "name": "time", "rates": [
    *({"name": hours, "per_kwh": price, "hours": [hours]}
      for hours, price in zip(HOUR_NAMES, HOUR_PRICES, strict=True)),
    {"name": "rest", "per_kwh": 0.4, "otherwise": True}]}  # fmt: skip
EXPORT = {"kind": "export_credit", "name": "export", "per_kwh": 0.16}
KW = {"kind": "demand", "name": "kw", "per_kw": 0.3, "interval_minutes": 60}
FREE_KW = KW | {"per_kw": 0.0}


def hourly(bought: FloatArray, sold: FloatArray) -> FloatArray:
    return sums(bought * np.array(HOUR_PRICES))


def with_hourly(charge: Callable[[FloatArray, FloatArray], FloatArray]) -> Money:
    return per_period(lambda bought, sold: hourly(bought, sold) + charge(bought, sold))


def blocks_of(kind: str, ends: list[float], prices: list[float]) -> list[Words]:
    up_to, per = {"kwh": ("up_to_kwh", "per_kwh"), "h": ("up_to_h", "per_kwh"),
                  "kw": ("up_to_kw", "per_kw")}[kind]  # fmt: skip
    sizes = ends if kind == "kw" else [end / SHARE for end in ends]
    blocks = [{up_to: size, per: price} for size, price in zip(sizes, prices, strict=False)]
    return [*blocks, {per: prices[-1]}]


def energy_blocks(ends: list[float], prices: list[float], **more: Any) -> Words:
    blocks = {"blocks": blocks_of("kwh", ends, prices)} | more
    return {"kind": "energy", "name": "energy", "blocks": blocks}


def fee(by: str, edges: list[float], amounts: list[float], **more: Any) -> Words:
    steps = [{"from": edge, "amount": amount / SHARE}
             for edge, amount in zip([0.0, *edges], amounts, strict=True)]  # fmt: skip
    return {"kind": "step_fee", "name": "fee", "by": by, "steps": steps} | more


def previous(values: FloatArray) -> FloatArray:
    """Return each period's value before; the first has none and goes by its own."""
    return np.hstack([values[:, :1], values[:, :-1]])


def banked(charged: FloatArray, lasts: int) -> FloatArray:
    """Return what is due of each period, where credits last for so many periods."""
    due = np.zeros_like(charged)
    lots = [np.zeros(len(charged)) for _ in range(lasts)]  # the oldest first
    for period in range(PERIODS):
        need = np.maximum(charged[:, period], 0)
        for place, lot in enumerate(lots):
            used = np.minimum(lot, need)
            lots[place], need = lot - used, need - used
        due[:, period] = need
        lots = [*lots[1:], np.maximum(-charged[:, period], 0)]
    return due


def net(bought: FloatArray, sold: FloatArray) -> FloatArray:
    return sums(bought) - sums(sold)


@dataclass(frozen=True)
class Case:
    """A tariff and its arithmetic; ``then`` are the charges from midnight on."""

    charges: list[Words]
    money: Money
    then: list[Words] | None = None


NET = {"kind": "net_energy", "name": "net", "per_kwh": 0.2}
HOURS = {"kind": "energy", "name": "energy", "blocks": {"demand": "kw", "blocks": blocks_of(
    "h", [1.25, 1.75], [0.4, 0.25, 0.1])}}  # fmt: skip
KWH_THEN_HOURS = {"kind": "energy", "name": "energy", "blocks": {"demand": "kw", "blocks": [
    {"up_to_kwh": 2.0 / SHARE, "per_kwh": 0.5}, {"up_to_h": 1.25 / SHARE, "per_kwh": 0.3}, {"per_kwh": 0.1},
]}}  # fmt: skip
BANDS = {"kind": "percentage", "name": "discount", "of": ["time"], "bands": [
    {"from_kwh": 0.0, "percent": -40.0}, {"from_kwh": 2.0, "percent": 0.0},
    {"from_kwh": 4.0, "percent": 35.0}]}  # fmt: skip
BANK = {"kind": "credit_bank", "name": "bank", "credits": ["export"], "offset": ["time"]}


def paid_net(bought: FloatArray, sold: FloatArray) -> FloatArray:
    return 0.2 * np.maximum(net(bought, sold), 0) - 0.33 * np.maximum(-net(bought, sold), 0)


NOT_CONVEX: dict[str, Case] = {
    "falling blocks": Case(
        [HOURLY, energy_blocks([2.0, 5.0], [0.5, 0.2, 0.05])],
        with_hourly(lambda b, s: in_blocks(sums(b), [2.0, 5.0], [0.5, 0.2, 0.05])),
    ),
    "blocks that rise and fall": Case(
        [HOURLY, energy_blocks([2.0, 4.0], [0.1, 0.5, 0.2])],
        with_hourly(lambda b, s: in_blocks(sums(b), [2.0, 4.0], [0.1, 0.5, 0.2])),
    ),
    "falling blocks over the year": Case(
        [HOURLY, energy_blocks([8.0 * SHARE], [0.5, 0.1], counted_over="year")],
        lambda b, s: hourly(b, s).sum(axis=1) + in_blocks(b.sum(axis=1), [8.0], [0.5, 0.1]),
    ),
    "an export that earns more beyond a block": Case(
        [HOURLY, EXPORT | {"per_kwh": None, "blocks": {"blocks": blocks_of("kwh", [2.0], [0.02, 0.3])}}],
        with_hourly(lambda b, s: -in_blocks(sums(s), [2.0], [0.02, 0.3])),
    ),
    "hours of demand": Case(
        [HOURLY, KW, HOURS],
        with_hourly(lambda b, s: 0.3 * peaks(b) + in_blocks(
            sums(b), [1.25 * peaks(b), 1.75 * peaks(b)], [0.4, 0.25, 0.1])),
    ),
    "kWh, then hours of demand": Case(
        [HOURLY, KW, KWH_THEN_HOURS],
        with_hourly(lambda b, s: 0.3 * peaks(b) + in_blocks(
            sums(b), [2.0, 1.25 * peaks(b)], [0.5, 0.3, 0.1])),
    ),
    "falling blocks of demand": Case(
        [HOURLY, {"kind": "demand", "name": "kw", "interval_minutes": 60,
                  "blocks": blocks_of("kw", [1.5, 3.0], [0.9, 0.4, 0.1])}],
        with_hourly(lambda b, s: in_blocks(peaks(b), [1.5, 3.0], [0.9, 0.4, 0.1])),
    ),
    "a fee by demand": Case(
        [HOURLY, FREE_KW, fee("kw", [1.5, 3.0], [0.1, 0.7, 0.9])],
        with_hourly(lambda b, s: in_steps(peaks(b), [1.5, 3.0], [0.1, 0.7, 0.9])),
    ),
    "a fee by the demand before": Case(
        [HOURLY, FREE_KW, fee("kw", [1.5, 3.0], [0.1, 0.7, 0.9], of_period="previous")],
        with_hourly(lambda b, s: in_steps(previous(peaks(b)), [1.5, 3.0], [0.1, 0.7, 0.9])),
    ),
    "a fee by energy": Case(
        [HOURLY, fee("import_kwh", [2.0, 4.0], [0.0, 0.6, 0.8])],
        with_hourly(lambda b, s: in_steps(sums(b), [2.0, 4.0], [0.0, 0.6, 0.8])),
    ),
    "a fee by energy that falls": Case(
        [HOURLY, fee("import_kwh", [2.0, 4.0], [0.5, 0.8, 0.1])],
        with_hourly(lambda b, s: in_steps(sums(b), [2.0, 4.0], [0.5, 0.8, 0.1])),
    ),
    "a percentage in bands": Case(
        [HOURLY, BANDS],
        per_period(lambda b, s: hourly(b, s) * (1 + in_steps(sums(b), [2.0, 4.0], [-0.4, 0.0, 0.35]))),
    ),
    "credits that expire": Case(
        [HOURLY, NET | {"expire_after_periods": 1}],
        with_hourly(lambda b, s: 0.2 * banked(net(b, s), 1)),
    ),
    "credits in money that expire": Case(
        [HOURLY, EXPORT, BANK | {"expire_after_periods": 1}],
        per_period(lambda b, s: banked(hourly(b, s) - 0.16 * sums(s), 1)),
    ),
    "net energy whose price rises": Case(
        [HOURLY, NET],
        with_hourly(lambda b, s: np.array([0.2, 0.55, 0.55]) * banked(net(b, s), PERIODS)),
        [HOURLY, NET | {"per_kwh": 0.55}],
    ),
    "a surplus that earns more than energy costs": Case(
        [HOURLY, NET | {"left_over": "paid", "surplus_per_kwh": 0.33}], with_hourly(paid_net),
    ),
}  # fmt: skip


def highest_two(bought: FloatArray) -> FloatArray:
    return np.sort(bought, axis=1)[:, -2:].mean(axis=1)


def ratcheted(kw: FloatArray, share: float) -> FloatArray:
    before = np.hstack([np.zeros((len(kw), 1)), np.maximum.accumulate(kw, axis=1)[:, :-1]])
    return np.maximum(kw, share * before)


def averaged(kw: FloatArray) -> FloatArray:
    return np.stack([kw[:, max(p - 1, 0) : p + 1].mean(axis=1) for p in range(PERIODS)], axis=1)


CONVEX: dict[str, Case] = {
    "rising blocks": Case(
        [HOURLY, energy_blocks([2.0, 5.0], [0.05, 0.2, 0.5])],
        with_hourly(lambda b, s: in_blocks(sums(b), [2.0, 5.0], [0.05, 0.2, 0.5])),
    ),
    "rising blocks over the year": Case(
        [HOURLY, energy_blocks([8.0 * SHARE], [0.1, 0.5], counted_over="year")],
        lambda b, s: hourly(b, s).sum(axis=1) + in_blocks(b.sum(axis=1), [8.0], [0.1, 0.5]),
    ),
    "the mean of two peaks of the year": Case(
        [HOURLY, KW | {"highest": 2, "counted_over": "year", "per_kw": 0.5}],
        lambda b, s: hourly(b, s).sum(axis=1) + 0.5 * PERIODS * highest_two(b),
    ),
    "rising blocks of demand": Case(
        [HOURLY, {"kind": "demand", "name": "kw", "interval_minutes": 60,
                  "blocks": blocks_of("kw", [1.5, 3.0], [0.1, 0.4, 0.9])}],
        with_hourly(lambda b, s: in_blocks(peaks(b), [1.5, 3.0], [0.1, 0.4, 0.9])),
    ),
    "a ratchet": Case(
        [HOURLY, KW | {"ratchet": {"pct": 80.0}}],
        with_hourly(lambda b, s: 0.3 * ratcheted(peaks(b), 0.8)),
    ),
    "a mean of two months": Case(
        [HOURLY, KW | {"mean_of_months": 2}], with_hourly(lambda b, s: 0.3 * averaged(peaks(b))),
    ),
    "a contract": Case(
        [HOURLY, KW | {"contract": {"kw": 2.0, "at_least_pct": 75.0, "exceeded_at_pct": 125.0, "times": 2.0}}],
        with_hourly(lambda b, s: 0.3 * (
            np.maximum(peaks(b), 1.5) + 2.0 * np.maximum(peaks(b) - 2.5, 0))),
    ),
    "at least so many kW": Case(
        [HOURLY, KW | {"at_least_kw": 2.5}],
        with_hourly(lambda b, s: 0.3 * np.maximum(peaks(b), 2.5)),
    ),
    "a minimum": Case(
        [HOURLY, EXPORT, {"kind": "minimum", "name": "least", "amount": 0.4 / SHARE, "per": "day",
                          "of": ["time", "export"]}],
        per_period(lambda b, s: np.maximum(hourly(b, s) - 0.16 * sums(s), 0.4)),
    ),
    "net energy": Case(
        [HOURLY, NET], with_hourly(lambda b, s: 0.2 * banked(net(b, s), PERIODS)),
    ),
    "net energy whose price falls": Case(
        [HOURLY, NET],
        with_hourly(lambda b, s: np.array([0.2, 0.12, 0.12]) * banked(net(b, s), PERIODS)),
        [HOURLY, NET | {"per_kwh": 0.12}],
    ),
    "net energy that is lost": Case(
        [HOURLY, NET | {"left_over": "lost"}],
        with_hourly(lambda b, s: 0.2 * np.maximum(net(b, s), 0)),
    ),
    "net energy over the year": Case(
        [HOURLY, NET | {"netted_over": "year"}],
        lambda b, s: hourly(b, s).sum(axis=1) + 0.2 * np.maximum(net(b, s).sum(axis=1), 0),
    ),
    "a bank of credits": Case(
        [HOURLY, EXPORT, BANK],
        per_period(lambda b, s: banked(hourly(b, s) - 0.16 * sums(s), PERIODS)),
    ),
}  # fmt: skip


def cost_of_case(case: Case) -> TariffCost:
    head = {"source": "invented"}
    versions = [head | {"from": date(2025, 1, 1), "charges": case.charges}]
    if case.then is not None:
        versions.append(head | {"from": date(2025, 6, 3), "charges": case.then})
    words = {"tariff": "case", "currency": "EUR", "versions": versions}
    tariff = Tariff(TariffFile.model_validate(words), SOURCE)
    return compile_cost(tariff, GRID, periods(), History())


def site(seed: int) -> tuple[FloatArray, FloatArray]:
    """Return load and PV in whole kWh; some hours have more sun than load."""
    luck = np.random.default_rng(seed)
    load = luck.integers(0, 4, STEPS).astype(float)
    return load, (luck.integers(0, 5, STEPS) * luck.integers(0, 2, STEPS)).astype(float)


def planned(case: Case, seed: int) -> Plan:
    cost = cost_of_case(case)
    load, pv = site(seed)
    linear = linear_cost(cost.total, GRID.count)
    problem = posed(GRID, PLANT, load, pv, linear, START_KWH, START_KWH)
    return make_plan(problem, cost)


def cheapest(case: Case, seed: int) -> float:
    load, pv = site(seed)
    exchanged = load - pv + moves()
    return float(case.money(np.maximum(exchanged, 0), np.maximum(-exchanged, 0)).min())


def check_possible(plan: Plan) -> None:
    """Follow the battery through the plan's flows, from load and PV to the meter."""
    flows, problem = plan.flows, plan.problem
    into = flows.charge_kwh - flows.discharge_kwh
    stored = START_KWH + np.cumsum(into)
    assert stored.min() >= -1e-6
    assert stored.max() <= FULL_KWH + 1e-6
    assert stored[-1] == pytest.approx(START_KWH, abs=1e-6)
    assert np.abs(into).max() <= POWER_KW + 1e-6
    assert (flows.pv_used_kwh <= problem.pv_kwh + 1e-6).all()
    exchanged = problem.load_kwh - flows.pv_used_kwh + into
    np.testing.assert_allclose(flows.import_kwh - flows.export_kwh, exchanged, atol=1e-6)
    assert np.minimum(flows.import_kwh, flows.export_kwh).max() < 1e-4


def check_cheapest(case: Case, seed: int) -> Plan:
    plan = planned(case, seed)
    check_possible(plan)
    flows = plan.flows
    own = float(case.money(flows.import_kwh[None, :], flows.export_kwh[None, :])[0])
    assert plan.cost == pytest.approx(own, abs=1e-5)
    assert plan.cost <= cheapest(case, seed) + EDGE
    return plan


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("name", NOT_CONVEX)
@pytest.mark.sweep(every=5)
def test_no_operation_on_the_lattice_beats_a_plan_that_takes_integers(name: str, seed: int) -> None:
    plan = check_cheapest(NOT_CONVEX[name], seed)
    assert plan.proof.tariff_integers > 0
    assert plan.proof.kind == "mixed-integer program"


@pytest.mark.parametrize("seed", range(3))
@pytest.mark.parametrize("name", CONVEX)
def test_what_is_convex_is_planned_by_a_linear_program(name: str, seed: int) -> None:
    plan = check_cheapest(CONVEX[name], seed)
    assert plan.proof.tariff_integers == 0
    assert plan.problem.cost.is_convex
    # Without losses a battery may charge and discharge at once for nothing; that takes integers too.
    assert (plan.proof.kind == "linear program") == (plan.proof.integer_steps == 0)


def test_a_convex_tariff_alone_takes_no_integers() -> None:
    kinds = {
        name: [planned(case, seed).proof.kind for seed in range(3)] for name, case in CONVEX.items()
    }
    assert {name for name, found in kinds.items() if "linear program" not in found} == set()


@pytest.mark.parametrize("name", NOT_CONVEX | CONVEX)
@pytest.mark.sweep(every=4)
def test_a_plan_is_on_the_lattice_or_a_little_below_it(name: str) -> None:
    """The lattice is fine enough that its best operation is not much dearer than the plan."""
    case = (NOT_CONVEX | CONVEX)[name]
    gaps = [cheapest(case, seed) - planned(case, seed).cost for seed in range(3)]
    assert min(gaps) < 0.06


def test_the_lattice_holds_every_operation_once() -> None:
    assert len(np.unique(moves(), axis=0)) == len(moves()) > 5000
    assert (np.abs(moves().sum(axis=1)) < 1e-9).all()


def check_all(case: Case) -> None:
    for seed in range(6):
        check_cheapest(case, seed)


FAULTS = {
    "ranges that end too early": ("a fee by energy", "_choice", "edge - EDGE_MARGIN", "edge - 1.0"),
    "a whole that always costs the last option": (
        "a percentage in bands", "_choice", "self._sum_at_most(which, 1.0)", "self._sum_at_most(which[:2], 0.0)"),
    "a gap that is too small": (
        "falling blocks", "_at_most", "smaller.high - larger.low, 0.0", "0.2 * (smaller.high - larger.low), 0.0"),
}  # fmt: skip


@pytest.mark.parametrize("fault", FAULTS)
def test_a_plan_that_could_be_cheaper_shows_against_the_lattice(
    fault: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    name, function, right, wrong = FAULTS[fault]
    plant(monkeypatch, cost_rows._Writer, function, right, wrong)
    with pytest.raises((AssertionError, OptimizerError)):
        check_all(NOT_CONVEX[name])
