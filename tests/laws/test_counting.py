"""A site of any size is planned to the same digits: units stay well below what they count."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from optimizer.billing.tariff import TariffCost
from optimizer.planning.counting import Units
from optimizer.planning.matrix import matrix_of
from optimizer.planning.plan import make_plan
from optimizer.planning.problem import Limits, Problem
from optimizer.site.equipment import UNLIMITED_KW
from tests.laws.cases import AC_PLANT, DEMAND, TWO_RATES, cost_of, grid_of, problem_of, weather

TIMES = [1e-4, 0.003, 0.05, 0.3, 1, 12, 30, 120, 900, 7000, 2e4, 1e6]
"""From an ornament to a town, as parts of a home."""

SIZES = ("low_kwh", "high_kwh", "capacity_kwh", "charge_kw", "discharge_kw", "ac_limit_kw")


def home_times(times: float, days: int = 28) -> tuple[Problem, TariffCost]:
    """Return a home, all of whose sizes are multiplied, and its tariff."""
    grid = grid_of(24 * days)
    load, pv = weather(grid, 5)
    sizes = {name: getattr(AC_PLANT, name) * times for name in SIZES}
    plant = replace(AC_PLANT, **sizes, wear_per_kwh=0.0, import_limit_kw=UNLIMITED_KW)
    cost = cost_of([TWO_RATES, DEMAND], grid)
    return problem_of(plant, grid, load * times, pv * times, cost), cost


@pytest.mark.parametrize("times", TIMES)
def test_a_unit_of_energy_is_no_larger_than_what_usually_flows_and_not_thousands_of_times_smaller(
    times: float,
) -> None:
    problem, _ = home_times(times, days=2)
    matrix = matrix_of(problem, Limits.of(problem), {})
    flow = matrix.columns["import_"].span
    usual = float(np.median(matrix.high[flow]))
    unit = Units.of(matrix).columns[flow.start]
    assert 1 / 2 <= usual / unit < 4096


@pytest.mark.parametrize("times", TIMES)
def test_a_site_so_many_times_as_large_pays_so_many_times_as_much(times: float) -> None:
    home, other = (make_plan(*home_times(each)) for each in (1.0, times))
    assert other.cost == pytest.approx(times * home.cost, rel=1e-9)
