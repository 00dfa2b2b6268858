"""Lines of a bill, each worked out by hand: quantity, rate and amount, and how a bill adds them up."""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.base.flows import Flows
from optimizer.billing.charges.energy import PriceRun
from optimizer.billing.charges.percentage import _load_factor, _power_factor
from optimizer.billing.history import History
from optimizer.cost.expression import Constant
from tests.builders import billed, hourly_grid, tariff_of

GRID = hourly_grid(24 * 31)


def test_a_rate_is_that_of_the_tariff_or_the_mean_of_what_was_paid(tmp_path) -> None:
    """10 kWh at 0.10 and 30 at 0.50: 16.00 for 40 kWh, 0.40 each; the flat charge's is its own."""
    rows = ["time,per_kwh", *(f"2025-01-{d:02d}T{h:02d}:00+00:00,{0.1 if h < 12 else 0.5}"
                              for d in range(1, 32) for h in range(24))]  # fmt: skip
    (tmp_path / "p.csv").write_text("\n".join(rows) + "\n")
    charges = """
    - {kind: energy, name: Spot, series: {file: p.csv, column: per_kwh}}
    - {kind: energy, name: Flat, per_kwh: 0.25}
    - {kind: export_credit, name: Credit, per_kwh: 0.05}
    """
    used = np.zeros(GRID.count)
    used[[3, 15]] = 10.0, 30.0
    bill = billed(tariff_of(tmp_path, charges), GRID, used)
    told = {line.name: (line.quantity, line.rate, line.amount) for line in bill.lines}
    assert told["Spot"] == pytest.approx((40.0, 0.4, 16.0))
    assert told["Flat"] == pytest.approx((40.0, 0.25, 10.0))
    assert told["Credit"] == pytest.approx((0.0, -0.05, 0.0))
    none = billed(tariff_of(tmp_path, charges), GRID, 0.0)
    assert [line.rate for line in none.lines] == [0.0, 0.25, -0.05]
    assert "told" not in repr(bill.lines[0])
    assert "reading" not in repr(bill.lines[0])
    assert "source" not in repr(bill.lines[0])
    assert bill.lines[0] == billed(tariff_of(tmp_path, charges), GRID, used).lines[0]


def test_amounts_add_up_by_charge_and_by_period(tmp_path) -> None:
    """January has 31 days of 0.10 each, February 28: 3.10 and 2.80, beside 24 kWh a day in January and 48 in February."""
    grid = hourly_grid(24 * 59)
    charges = """
    - {kind: fixed, name: Meter, amount: 0.10, per: day}
    - {kind: energy, name: Energy, per_kwh: 0.5}
    """
    used = np.where(grid.month == 1, 1.0, 2.0)
    bill = billed(tariff_of(tmp_path, charges), grid, used)
    january, february = 31 * 24 * 0.5, 28 * 48 * 0.5
    assert bill.by_charge() == pytest.approx({"Meter": 5.9, "Energy": january + february})
    assert bill.by_period() == pytest.approx({"2025-01": january + 3.1, "2025-02": february + 2.8})
    assert bill.total == pytest.approx(january + february + 5.9)


@pytest.mark.parametrize(
    ("month", "fee"), [("2024-12", 60.0), ("2024-11", 30.0), ("2024-01", 30.0)]
)
def test_a_fee_by_the_month_before_january_goes_by_december(tmp_path, month, fee) -> None:
    """Steps of 30, and 60 from 9 kW on; nothing else is known before January."""
    charges = """
    - {kind: demand, name: D, interval_minutes: 60, per_kw: 0}
    - {kind: step_fee, name: Fee, by: D, of_period: previous, steps: [{from: 0, amount: 30}, {from: 9, amount: 60}]}
    """
    history = History(past_peaks_kw={"D": {month: 10.0}})
    bill = billed(tariff_of(tmp_path, charges), GRID, 1.0, history=history)
    assert bill.total == pytest.approx(fee)


BLOCKS = """
- kind: energy
  name: Energy
  blocks: {blocks: [{up_to_kwh: 200, per_kwh: 0.1}, {up_to_kwh: 300, per_kwh: 0.2}, {per_kwh: 0.3}]}
"""


def test_blocks_are_named_by_their_ends_and_by_number_where_a_demand_moves_them(tmp_path) -> None:
    """744 kWh of January: 200, 100, 444. At a demand of 1 kW 100 hours of it are 100 kWh."""
    told = billed(tariff_of(tmp_path, BLOCKS), GRID, 1.0).lines
    assert [(line.name, line.quantity) for line in told] == [
        ("Energy: first 200 kWh", 200.0), ("Energy: 200 to 300 kWh", 100.0), ("Energy: above 300 kWh", 444.0),
    ]  # fmt: skip
    by_hours = BLOCKS.replace("{up_to_kwh: 300, per_kwh: 0.2}, ", "").replace(
        "blocks: {blocks: [{up_to_kwh: 200", "blocks: {demand: Demand, blocks: [{up_to_h: 100"
    )
    demand = "- {kind: demand, name: Demand, interval_minutes: 60, per_kw: 1}\n"
    told = billed(tariff_of(tmp_path, demand + by_hours), GRID, 1.0).lines
    assert [(line.name, line.quantity) for line in told[1:]] == [
        ("Energy: block 1", 100.0), ("Energy: block 2", 644.0),
    ]  # fmt: skip


@pytest.mark.parametrize(("market", "cut"), [
    ([-1, -1, 5, 5, 5, 5], True),  # two hours of three, and who knows what came before
    ([5, 5, 5, 5, -1, -1], True),
    ([-1, -1, -1, 5, 5, 5], False),  # long enough as it is
    ([5, 5, 5, -1, -1, -1], False),
    ([5, -1, -1, 5, 5, 5], False),  # too short, but whole
    ([5, 5, 5, 5, 5, 5], False),
])  # fmt: skip
def test_a_run_of_prices_that_goes_beyond_the_data_is_known(market: list[float], cut: bool) -> None:
    assert PriceRun(hours=3).is_cut(np.array(market, dtype=float), 1.0) == cut


def test_a_factor_of_what_is_not_there_is_one() -> None:
    steps = np.arange(3, dtype=np.int64)
    flows = Flows.of_meter(hourly_grid(3), np.full(3, 2.0), np.zeros(3))
    assert _power_factor(steps, flows) == 1.0
    assert _load_factor(steps, Constant(0.0), flows) == 1.0
    assert _load_factor(steps, Constant(4.0), flows) == 0.5


def test_one_step_of_a_month_has_its_share_of_what_is_given_in_it(tmp_path) -> None:
    """Of 31 kWh given in January one hour has 1/24; the rest of its 1 kWh is credited at 2.40."""
    charge = "- {kind: export_credit, name: Credit, per_kwh: 2.4, shared: {given_kwh: 31}}"
    bill = billed(tariff_of(tmp_path, charge), hourly_grid(1), 0.0, export_kwh=1.0)
    assert bill.total == pytest.approx(-2.3)
