"""The best size by slope against a grid of thirty sizes, each of them planned."""

from __future__ import annotations

from functools import cache

import numpy as np
import pytest

from optimizer.economics.best_size import BestSize, Planned, best_size, sizes_to_value
from optimizer.planning.linear import LinearSolver
from optimizer.planning.plan import Plan, make_plan
from optimizer.planning.tangent import bigger_battery, resized
from optimizer.site.equipment import Plant
from tests.laws.cases import AC_PLANT, DC_PLANT, grid_of, named_cost, problem_of, weather

WEEKS = grid_of(24 * 21)
LOAD, PV = weather(WEEKS, 8)
SIZES = [float(size) for size in np.linspace(1, 30, 30)]
PRICES = {
    "flat": 0.35,
    "two rates": 0.4,
    "demand": 1.2,
    "two rates, dear": 1.6,
    "demand, hybrid": 0.9,
}
"""What a kWh of battery costs for these three weeks, so that the best lies inside the grid. [money]"""

FIVE: dict[str, tuple[Plant, str]] = {
    "flat": (DC_PLANT, "flat"),
    "two rates": (AC_PLANT, "two rates"),
    "two rates, dear": (AC_PLANT, "two rates"),
    "demand": (AC_PLANT, "demand"),
    "demand, hybrid": (DC_PLANT, "demand"),
}


@cache
def planned(name: str, size: float) -> Plan:
    plant, tariff = FIVE[name]
    cost = named_cost(tariff, WEEKS)
    problem = problem_of(
        plant, WEEKS, LOAD, PV, cost, start_kwh=plant.low_kwh, end_kwh=plant.low_kwh
    )
    return make_plan(resized(problem, bigger_battery(plant, size - 10)), cost, solver=SOLVERS[name])


SOLVERS = {name: LinearSolver() for name in FIVE}


@pytest.mark.parametrize("name", FIVE)
def test_the_best_of_thirty_sizes_is_found_in_eight_plans(name: str) -> None:
    known: dict[float, Planned] = {}
    while not isinstance(found := best_size(SIZES, known.get), BestSize):
        plan = planned(name, found)
        slope = plan.nearby.worth(bigger_battery) - PRICES[name]
        known[found] = Planned(-plan.cost - PRICES[name] * found, slope)
    every = {size: -planned(name, size).cost - PRICES[name] * size for size in SIZES}
    assert found.value == pytest.approx(max(every.values()), abs=1e-6)
    assert every[found.size_kwh] == pytest.approx(max(every.values()), abs=1e-6)
    assert len(found.planned) <= 8
    assert found.is_proven
    assert 1 < found.size_kwh < 30, "a best size at the edge would be too easy to find"


def test_a_straight_rise_ends_at_the_largest_size() -> None:
    found = best_with(lambda size: Planned(2 * size, 2.0))
    assert found.size_kwh == 30
    assert len(found.planned) <= 5


def test_a_plan_that_proves_nothing_is_told() -> None:
    assert not best_with(lambda size: Planned(-((size - 7) ** 2), -2 * (size - 7), False)).is_proven


def best_with(value) -> BestSize:
    known: dict[float, Planned] = {}
    while not isinstance(found := best_size(SIZES, known.get), BestSize):
        known[found] = value(found)
    return found


@pytest.mark.parametrize("seed", range(40))
def test_any_concave_row_of_values_is_searched_right(seed: int) -> None:
    """Random concave values: minima of straight lines, with the slope of the line that decides."""
    luck = np.random.default_rng(seed)
    slopes, heights = luck.normal(0, 5, 6), luck.normal(0, 20, 6)

    def value(size: float) -> Planned:
        lines = heights + slopes * size
        return Planned(float(lines.min()), float(slopes[lines.argmin()]))

    found = best_with(value)
    assert found.value == pytest.approx(max(value(size).value for size in SIZES))
    assert len(found.planned) <= 5


def best_valued(sizes: list[float], worth, first: float) -> tuple[float, int]:
    """Return the best of the sizes that are valued from a first one on, and how many these are."""
    worths = {first: worth(first)}
    while wanted := sizes_to_value(sizes, worths):
        worths |= {size: worth(size) for size in wanted}
    return max(worths, key=worths.__getitem__), len(worths)


@pytest.mark.parametrize("count", [2, 3, 7, 30, 300])
@pytest.mark.parametrize("seed", range(8))
def test_from_any_first_guess_the_best_of_a_row_that_rises_and_falls_is_found(
    count: int, seed: int
) -> None:
    luck = np.random.default_rng([seed, count])
    sizes = [float(size) for size in range(1, count + 1)]
    top = luck.uniform(0, count + 1)
    found, valued = best_valued(sizes, lambda size: -abs(size - top), luck.choice(sizes))
    assert found == min(sizes, key=lambda size: abs(size - top))
    assert valued <= 12 + count / 3, "few of a long row"


@pytest.mark.parametrize("seed", range(40))
def test_no_neighbour_and_nothing_valued_is_worth_more_than_what_is_found(seed: int) -> None:
    """Whatever the row is like: windows of one size may fit by luck better than those of the next."""
    luck = np.random.default_rng(seed)
    sizes = [float(size) for size in range(30)]
    worth = dict(zip(sizes, luck.normal(0, 9, 30) - (np.arange(30) - 12.0) ** 2, strict=True))
    worth[sizes[int(luck.integers(30))]] = -np.inf  # one that fails
    best, _ = best_valued(sizes, worth.__getitem__, float(luck.integers(30)))
    assert all(worth[best] >= worth[size] for size in (best - 1, best + 1) if size in worth)
