"""A minimum bill beside a demand charge in rising blocks of kW: a higher peak never earns.

The minimum takes back what the charges are and gives the larger of both, so each block stands twice
with opposite signs; what is left of it must be nothing, not a rounding error with a sign.
"""

from __future__ import annotations

import numpy as np
import pytest

from optimizer.base.timegrid import calendar_months
from optimizer.billing.tariff import compile_cost
from optimizer.cost.expression import linear_cost
from optimizer.planning.plan import make_plan
from tests.builders import hourly_grid, posed, simple_plant, tariff_of

CHARGES = """
- {{kind: energy, name: Energy, per_kwh: 0.2}}
- kind: demand
  name: Demand
  interval_minutes: 60
  blocks:
    - {{up_to_kw: 2, per_kw: {low}}}
    - {{up_to_kw: 4, per_kw: {middle}}}
    - {{per_kw: {high}}}
- {{kind: minimum, name: Minimum, amount: 40, per: day, of: all above}}
- {{kind: percentage, name: Tax, percent: 7.7, of: all above}}
"""


@pytest.mark.parametrize(
    ("low", "middle", "high"), [(0, 3.3, 7.1), (1.1, 3.3, 7.7), (0.1, 0.3, 0.7), (4.31, 8.07, 9.93)]
)
def test_a_minimum_bill_beside_rising_blocks_of_kw_is_planned(low, middle, high, tmp_path):
    grid = hourly_grid(24)
    tariff = tariff_of(tmp_path, CHARGES.format(low=low, middle=middle, high=high))
    cost = compile_cost(tariff, grid, calendar_months(grid))
    load = np.array([1.0] * 12 + [9.0] * 2 + [1.0] * 10)
    plant = simple_plant(30, 10)
    problem = posed(grid, plant, load, np.zeros(24), linear_cost(cost.total, 24), None, None)
    # 40 kWh in 24 h: flat import of 40/24 kW is the lowest peak, and the battery can make it flat
    peak = 40 / 24
    charges = 0.2 * 40 + low * min(peak, 2)
    assert make_plan(problem, cost).cost == pytest.approx(1.077 * max(charges, 40), abs=1e-6)


def test_what_cancels_leaves_a_convex_cost(tmp_path):
    grid, luck = hourly_grid(24), np.random.default_rng(5)
    for _ in range(40):
        low, middle, high = np.sort(luck.uniform(0, 20, 3)).round(3)
        tariff = tariff_of(tmp_path, CHARGES.format(low=low, middle=middle, high=high))
        cost = linear_cost(compile_cost(tariff, grid, calendar_months(grid)).total, 24)
        assert cost.is_convex, (low, middle, high)
        assert not any(part.from_above for part in cost.parts)
