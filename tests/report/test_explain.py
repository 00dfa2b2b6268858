"""What made a line is told once: a line that stands on others calls them by name."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from optimizer.base.flows import Flows
from optimizer.base.timegrid import calendar_months
from optimizer.billing.bill import Bill, BillLine, bill_flows
from optimizer.billing.tariff import compile_cost
from optimizer.report.bill import bill_text
from tests.builders import local_grid, read_tariff_text

TARIFF = """
tariff: Quern Rise
currency: USD
versions:
  - from: 2026-01-01
    source: invented
    charges:
      - {kind: fixed, name: Standing, amount: 9, per: month}
      - kind: energy
        name: Energy
        blocks: {blocks: [{up_to_kwh: 300, per_kwh: 0.1}, {up_to_kwh: 400, per_kwh: 0.2}, {per_kwh: 0.15}]}
      - {kind: demand, name: Demand, per_kw: 4, interval_minutes: 60}
      - kind: step_fee
        name: Step
        by: Demand
        steps: [{from: 0, amount: 3}, {from: 1, amount: 7}]
      - {kind: minimum, name: Minimum, amount: 25, per: month, of: all above}
      - {kind: percentage, name: Tax, percent: 7, of: all above}
"""


@pytest.fixture
def bill(tmp_path: Path) -> Bill:
    grid = local_grid("2026-01-01T00:00", "America/New_York", 31 * 24, 60)
    energy = np.full(grid.count, 0.5)
    energy[300] = 2.0
    tariff = read_tariff_text(tmp_path, TARIFF)
    flows = Flows.of_meter(grid, energy, np.zeros(grid.count))
    return bill_flows(compile_cost(tariff, grid, calendar_months(grid)), flows)


def line_called(bill: Bill, name: str) -> BillLine:
    return next(line for line in bill.lines if line.name == name)


def test_a_tax_names_the_lines_it_stands_on(bill: Bill) -> None:
    root = line_called(bill, "Tax").why
    base = {line.name: line.amount for line in bill.lines[:-1] if line.amount}
    assert {part.text: part.value for part in root.parts} == {
        f"the line {name} of 2026-01": pytest.approx(amount) for name, amount in base.items()
    }
    assert not any(part.parts for part in root.parts)


def test_a_block_is_told_as_the_smaller_of_two(bill: Bill) -> None:
    root = line_called(bill, "Energy: first 300 kWh").why
    assert root.text == "the smaller of"
    assert [(part.value, part.decides) for part in root.parts] == [(373.5, False), (300.0, True)]
    upper, less = line_called(bill, "Energy: 300 to 400 kWh").why.parts
    assert (upper.value, less.value) == (373.5, -300.0)


def test_a_falling_block_is_told_in_the_same_words(bill: Bill) -> None:
    above = line_called(bill, "Energy: above 400 kWh").why
    assert above.value == 0
    smaller = [part for part in above.parts[1].parts if part.text == "the smaller of"]
    assert [part.value for part in smaller] == [373.5]


def test_the_interval_of_a_peak_stands_where_it_sets_something(bill: Bill) -> None:
    said = {line.name: line.because for line in bill.lines}
    assert "2 kW Tue 13 Jan 2026, 12:00–13:00" in said["Demand"]
    assert said["Step"] == said["Demand"]
    assert said["Tax"] == said["Minimum"] == ""


def test_money_is_told_in_the_tariffs_currency(bill: Bill) -> None:
    text = bill_text(bill, "BILL", with_why=True)
    assert "money" not in text
    assert " 9 USD" in text
