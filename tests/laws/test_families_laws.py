"""Laws of bills and scores that hold for any meter: what a part of the year adds, what doubles.

The search scores one season with all other steps as the plan has them. Two replays of the season
must then differ by exactly what the whole bill differs, also where a charge looks back over seasons.
"""

from __future__ import annotations

from datetime import date
from functools import lru_cache
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from optimizer.base.flows import Flows
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.billing.bill import bill_flows
from optimizer.billing.tariff import TariffCost
from optimizer.cost.expression import LinearCost, Peak, linear_cost
from optimizer.search.pricing import pricing_of
from optimizer.search.score_kernel import parts_of_the_bill
from tests.laws.cases import AC_PLANT, cost_of, grid_of, law, random_flows, random_meter

Words = dict[str, Any]

GRID = grid_of(24 * 62, 60, "2025-05-20")  # parts of May and July, all of June
QUARTERS = grid_of(4 * 24 * 8, 15, "2025-05-28")  # four days of May, four of June

ENERGY = {"kind": "energy", "name": "energy", "per_kwh": 0.3}
EXPORTED = {"kind": "export_credit", "name": "export", "per_kwh": 0.4}
KW = {"kind": "demand", "name": "kw", "per_kw": 3.0, "interval_minutes": 60}
NET = {"kind": "net_energy", "name": "net", "per_kwh": 0.2}
BANK = {"kind": "credit_bank", "name": "bank", "credits": ["export"], "offset": ["energy"]}
YEARLY = {"blocks": [{"up_to_kwh": 900.0, "per_kwh": 0.1}, {"up_to_kwh": 1900.0, "per_kwh": 0.4},
                     {"per_kwh": 0.2}], "counted_over": "year"}  # fmt: skip
FEE = {"kind": "step_fee", "name": "fee", "by": "kw", "steps": [
    {"from": 0.0, "amount": 9.0}, {"from": 8.0, "amount": 30.0}, {"from": 11.0, "amount": 80.0}]}  # fmt: skip
HOURS = {"kind": "energy", "name": "hours", "blocks": {"demand": "kw", "blocks": [
    {"up_to_h": 60.0, "per_kwh": 0.3}, {"up_to_h": 120.0, "per_kwh": 0.2}, {"per_kwh": 0.1}]}}  # fmt: skip
BANDS = {"kind": "percentage", "name": "discount", "of": "all above", "bands": [
    {"from_kwh": 0.0, "percent": -10.0}, {"from_kwh": 700.0, "percent": 4.0}]}  # fmt: skip
LEAST = {
    "kind": "minimum",
    "name": "least",
    "amount": 220.0,
    "per": "month",
    "of": ["energy", "export"],
}

TARIFFS: dict[str, list[Words]] = {
    "a ratchet": [ENERGY, KW | {"ratchet": {"pct": 90.0}}],
    "a ratchet on what was billed": [ENERGY, KW | {"ratchet": {"pct": 95.0, "of": "billed"}}],
    "a mean of months": [KW | {"mean_of_months": 3, "at_least_mean_kw": 9.0}],
    "three days of the year": [KW | {"highest": 3, "one_per": "day", "counted_over": "year"}],
    "two months of the year": [KW | {"highest": 2, "one_per": "month", "counted_over": "year"}],
    "blocks of the year": [{"kind": "energy", "name": "energy", "blocks": YEARLY}],
    "net energy": [NET],
    "net energy over the year": [NET | {"netted_over": "year", "surplus_per_kwh": 0.05}],
    "net energy that expires": [NET | {"expire_after_periods": 1, "surplus_per_kwh": 0.05}],
    "a bank": [ENERGY, EXPORTED, BANK],
    "a bank with a reset": [ENERGY, EXPORTED, BANK | {"reset": "07-01", "paid_pct": 40.0}],
    "a fee by the month before": [KW, FEE | {"of_period": "previous"}],
    "hours of demand": [KW | {"ratchet": {"pct": 90.0}}, HOURS],
    "all together": [
        ENERGY, EXPORTED, KW | {"ratchet": {"pct": 85.0}, "highest": 2}, FEE, BANK, LEAST, BANDS,
    ],
}  # fmt: skip
FINE: dict[str, list[Words]] = {
    "a peak of 15 min": [ENERGY, KW | {"interval_minutes": 15}],
    "a peak that rolls over the end of a month": [
        ENERGY, KW | {"interval_minutes": 60, "rolling_minutes": 15, "counted_over": "year"}],
}  # fmt: skip


@lru_cache(maxsize=64)
def compiled(name: str, *, fine: bool = False) -> tuple[TariffCost, LinearCost]:
    grid = QUARTERS if fine else GRID
    cost = cost_of((FINE if fine else TARIFFS)[name], grid)
    return cost, linear_cost(cost.total, grid.count)


# --- the score of a season -------------------------------------------------------------------


def joined(outside: Flows, inside: Flows, here: np.ndarray) -> Flows:
    """Return the one meter on some steps, and the other on all others."""
    energies = (
        np.where(here, getattr(inside, name), getattr(outside, name))
        for name in ("import_kwh", "export_kwh")
    )
    return Flows.of_meter(outside.grid, *energies)


def season_score(cost: LinearCost, outside: Flows, inside: Flows, here: np.ndarray) -> float:
    """Return what the kernel makes of a season's flows, apart from wear and what is left."""
    steps = np.flatnonzero(here).astype(np.int64)
    pricing = pricing_of(cost, outside, AC_PLANT, 0.0, steps)
    imported, exported = inside.import_kwh[steps], inside.export_kwh[steps]
    linear = float(pricing.buy @ imported - pricing.sell @ exported)
    return linear + float(parts_of_the_bill(imported, exported, 0 * exported, pricing))


def check_season(
    cost: TariffCost, linear: LinearCost, grid: TimeGrid, month: int, seed: int
) -> None:
    here = grid.month == month
    outside, first, second = (random_meter(grid, 10 * seed + n) for n in range(3))
    bills = [
        bill_flows(cost, joined(outside, inside, here)).total_as_planned for inside in (first, second)
    ]  # fmt: skip
    scores = [season_score(linear, outside, inside, here) for inside in (first, second)]
    assert scores[1] - scores[0] == pytest.approx(bills[1] - bills[0], abs=1e-6)
    return abs(bills[1] - bills[0])


@pytest.mark.parametrize("month", [5, 6, 7])
@pytest.mark.parametrize("name", TARIFFS)
def test_two_runs_of_a_season_differ_by_what_the_whole_bill_differs(name: str, month: int) -> None:
    cost, linear = compiled(name)
    apart = [check_season(cost, linear, GRID, month, seed) for seed in range(4)]
    assert max(apart) > 1e-3


@pytest.mark.parametrize("month", [5, 6])
@pytest.mark.parametrize("name", FINE)
def test_a_season_that_ends_inside_a_demand_interval_is_scored_like_the_bill(
    name: str, month: int
) -> None:
    cost, linear = compiled(name, fine=True)
    apart = [check_season(cost, linear, QUARTERS, month, seed) for seed in range(4)]
    assert max(apart) > 1e-3


def test_a_season_before_a_peak_of_the_next_month_is_scored_with_it() -> None:
    """The highest hour begins in May and ends in June; each half counts as the bill counts it."""
    cost, linear = compiled("a peak that rolls over the end of a month", fine=True)
    may = QUARTERS.month == 5
    last = int(np.flatnonzero(may)[-1])
    energy = np.full(QUARTERS.count, 0.1)
    energy[last - 1 : last + 3] = 4.0
    outside = Flows.of_meter(QUARTERS, energy, 0 * energy)
    for lower in (3.0, 2.0, 0.1):
        energy = energy.copy()
        energy[last] = lower
        inside = Flows.of_meter(QUARTERS, energy, 0 * energy)
        ours = season_score(linear, outside, inside, may) - season_score(
            linear, outside, outside, may
        )
        whole = [bill_flows(cost, f).total for f in (outside, inside)]
        assert ours == pytest.approx(whole[1] - whole[0], abs=1e-9)


# --- the price of one more kWh ---------------------------------------------------------------


@pytest.mark.parametrize("flow", ["import_kwh", "export_kwh"])
@pytest.mark.parametrize("name", [name for name in TARIFFS if "together" not in name])
def test_one_more_kwh_costs_what_the_cost_of_a_little_more_says(name: str, flow: Any) -> None:
    """Peaks are left out of the marginal price, so steps that set one are left out here."""
    _, linear = compiled(name)
    flows = random_flows(GRID, 4)
    marginal = linear.marginal(flow, flows)
    setting = steps_that_set_a_peak(linear, flows)
    little = 1e-4
    seen = []
    for step in range(7, GRID.count, 61):
        if step in setting:
            continue
        seen.append(step)
        change = linear.value(moved(flows, flow, step, little)) - linear.value(
            moved(flows, flow, step, -little)
        )
        assert marginal[step] == pytest.approx(change / (2 * little), abs=1e-6)
    assert len(seen) > 15


def steps_that_set_a_peak(cost: LinearCost, flows: Flows) -> set[int]:
    """Return the steps of all demand intervals that are close to the highest of their group."""
    found: set[int] = set()
    for part in cost.parts:
        node = part.node
        if isinstance(node, Peak):
            power = node.interval_kw(flows.import_kwh)
            highest = np.zeros(int(node.groups[-1]) + 1)
            np.maximum.at(highest, node.groups, power)
            near = np.flatnonzero(power > highest[node.groups] - 0.01)
            found |= {int(s) for s in node.steps[np.isin(node.interval, near)]}
    return found


def moved(flows: Flows, flow: str, step: int, kwh: float) -> Flows:
    """Return a meter with a little more of one flow at a step, none below zero."""
    energies = {name: getattr(flows, name).copy() for name in ("import_kwh", "export_kwh")}
    base = {name: np.maximum(energy, 0.01) for name, energy in energies.items()}
    base[flow][step] += kwh
    return Flows.of_meter(flows.grid, base["import_kwh"], base["export_kwh"])


# --- laws ------------------------------------------------------------------------------------

SEED = st.integers(0, 10**6)


def total(charges: list[Words], flows: Flows, **more: Any) -> float:
    return bill_flows(cost_of(charges, flows.grid, **more), flows).total


def scaled(flows: Flows, factor: float) -> Flows:
    return Flows.of_meter(flows.grid, factor * flows.import_kwh, factor * flows.export_kwh)


def doubled(words: Any) -> Any:
    """Return charges in which each amount of energy, power or money that stands alone is doubled."""
    sizes = {
        "up_to_kwh",
        "up_to_kw",
        "amount",
        "from",
        "from_kwh",
        "at_least_kw",
        "at_least_mean_kw",
        "kw",
    }
    if isinstance(words, dict):
        return {
            k: 2 * v if k in sizes and isinstance(v, float) else doubled(v)
            for k, v in words.items()
        }
    return [doubled(value) for value in words] if isinstance(words, list) else words


@law(25)
@given(SEED, st.sampled_from(sorted(TARIFFS)))
def test_twice_the_energy_in_blocks_of_twice_the_size_costs_twice_as_much(
    seed: int, name: str
) -> None:
    flows = random_meter(GRID, seed)
    once, twice = total(TARIFFS[name], flows), total(doubled(TARIFFS[name]), scaled(flows, 2.0))
    assert twice == pytest.approx(2 * once, rel=1e-9)


BLOCK_CHARGES: list[Words] = [
    {"kind": "energy", "name": "a", "blocks": YEARLY},
    {"kind": "energy", "name": "b", "blocks": {key: YEARLY[key] for key in ("blocks",)}},
    NET,
    FEE
    | {"by": "import_kwh", "steps": [{"from": 0.0, "amount": 3.0}, {"from": 700.0, "amount": 8.0}]},
]


@law(20)
@given(SEED)
def test_days_may_change_places_inside_a_period_without_a_change_of_the_bill(seed: int) -> None:
    flows = random_meter(GRID, seed)
    luck = np.random.default_rng(seed)
    order = np.arange(GRID.count)
    for month in GRID.months:
        days = np.unique(GRID.day[GRID.month == month])
        for day, other in zip(days, luck.permutation(days), strict=True):
            order[GRID.day == day] = np.flatnonzero(GRID.day == other)
    other_days = Flows.of_meter(GRID, flows.import_kwh[order], flows.export_kwh[order])
    assert (order != np.arange(GRID.count)).any()
    charges = [*BLOCK_CHARGES, KW | {"highest": 2, "one_per": "day"}]
    assert total(charges, other_days) == pytest.approx(total(charges, flows), rel=1e-9)


NETTED = {
    "carried": NET,
    "lost": NET | {"left_over": "lost"},
    "paid": NET | {"left_over": "paid", "surplus_per_kwh": 0.03},
    "over the year": NET | {"netted_over": "year", "surplus_per_kwh": 0.03},
    "reset": NET | {"reset": "06-01", "surplus_per_kwh": 0.03},
    "expires": NET | {"expire_after_periods": 1, "surplus_per_kwh": 0.03},
}


@law(25)
@given(SEED, st.sampled_from(sorted(NETTED)), st.integers(0, GRID.count - 1), st.integers(1, 800))
def test_more_export_never_raises_a_bill_of_net_energy(
    seed: int, name: str, step: int, kwh: int
) -> None:
    flows = random_meter(GRID, seed)
    more: FloatArray = flows.export_kwh.copy()
    more[step] += kwh
    after = Flows.of_meter(GRID, flows.import_kwh, more)
    assert total([NETTED[name]], after) <= total([NETTED[name]], flows) + 1e-9


@law(20)
@given(SEED, st.sampled_from(["actual", "billed"]), st.integers(1, 99))
def test_a_ratchet_never_lowers_a_bill_and_a_higher_one_never_does(
    seed: int, of: str, pct: int
) -> None:
    flows = random_meter(GRID, seed)
    bills = [
        total([KW | ({"ratchet": {"pct": float(p), "of": of}} if p else {})], flows)
        for p in (0, pct, 100)
    ]
    assert bills == sorted(bills)


@law(20)
@given(
    SEED,
    st.integers(-50, 200),
    st.sets(st.sampled_from(["energy", "export", "kw", "fee"]), min_size=1),
)
def test_a_tax_on_some_charges_is_its_percentage_of_their_sum(
    seed: int, percent: int, of: set[str]
) -> None:
    tax = {"kind": "percentage", "name": "tax", "percent": float(percent), "of": sorted(of)}
    flows = random_meter(GRID, seed)
    by_charge = bill_flows(cost_of([ENERGY, EXPORTED, KW, FEE, tax], GRID), flows).by_charge()
    expected = percent / 100 * sum(by_charge[name] for name in of)
    assert by_charge["tax"] == pytest.approx(expected, abs=1e-9)


def test_a_period_of_another_length_takes_blocks_in_proportion() -> None:
    """Twenty days of reads hold two thirds of the blocks of thirty days: same kWh a day, same price."""
    daily = [{"kind": "energy", "name": "energy", "blocks": {
        "per_days": 30.0, "blocks": [{"up_to_kwh": 600.0, "per_kwh": 0.1}, {"per_kwh": 0.3}]}}]  # fmt: skip
    flat = Flows.of_meter(GRID, np.full(GRID.count, 1.25), np.zeros(GRID.count))
    dates = ([date(2025, 5, 20), date(2025, 6, 20), date(2025, 7, 21)],
             [date(2025, 5, 20), date(2025, 5, 31), date(2025, 7, 21)])  # fmt: skip
    bills = [total(daily, flat, read_dates=reads) for reads in dates]
    assert bills[0] == pytest.approx(62 * (20 * 0.1 + 10 * 0.3))
    assert bills[1] == pytest.approx(bills[0])
