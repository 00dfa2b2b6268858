"""Cycles and ageing of a battery: a standard's example, laws, and a second way of counting."""

from __future__ import annotations

import time
from collections import defaultdict
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from optimizer.base.errors import InputError
from optimizer.base.timegrid import FloatArray
from optimizer.economics.ageing import Ageing, Cycle, equivalent_full_cycles, rainflow

EXAMPLE = np.array([-2.0, 1, -3, 5, -1, 3, -4, 4, -2])
"""D11, ASTM E1049-85 (2017), section 5.4.4, figure 6."""


def counts_by_depth(cycles: tuple[Cycle, ...]) -> dict[float, float]:
    counts: defaultdict[float, float] = defaultdict(float)
    for cycle in cycles:
        counts[cycle.depth] += cycle.count
    return dict(counts)


# --- the standard's example ------------------------------------------------------------------


def test_ranges_and_counts_are_the_standards() -> None:
    """D11: 3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5, 4.0 in all."""
    counts = counts_by_depth(rainflow(EXAMPLE))
    assert counts == {3: 0.5, 4: 1.5, 6: 0.5, 8: 1.0, 9: 0.5}
    assert sum(counts.values()) == 4.0


def test_means_are_the_standards() -> None:
    """D11: one whole cycle of range 4 and mean 1; halves by range and mean, in the order of counting."""
    cycles = rainflow(EXAMPLE)
    assert [(c.depth, c.mean) for c in cycles if c.count == 1] == [(4, 1)]
    halves = [(c.depth, c.mean) for c in cycles if c.count == 0.5]
    assert halves == [(3, -0.5), (4, -1), (8, 1), (9, 0.5), (8, 0), (6, 1)]


# --- laws ------------------------------------------------------------------------------------

histories = st.lists(st.integers(-20, 20), max_size=40).map(lambda n: np.array(n, dtype=np.float64))
"""Small whole levels: sums are exact, and equal ranges and plateaus are frequent."""


@given(histories)
def test_every_rise_and_fall_is_counted_once(levels: FloatArray) -> None:
    """2·Σ count·depth = Σ|differences|, for closed and open histories alike."""
    counted = 2 * sum(cycle.count * cycle.depth for cycle in rainflow(levels))
    assert counted == np.abs(np.diff(levels)).sum()


@given(histories, st.integers(1, 4))
def test_repeated_values_make_no_difference(levels: FloatArray, times: int) -> None:
    assert rainflow(np.repeat(levels, times)) == rainflow(levels)


@given(histories)
def test_points_on_the_way_make_no_difference(levels: FloatArray) -> None:
    way = [point for one, other in pairwise(levels) for point in (one, (one + other) / 2)]
    assert rainflow(np.array([*way, *levels[-1:]])) == rainflow(levels)


@given(histories, st.integers(-9, 9))
def test_shifted_and_mirrored_levels_have_the_same_depths(levels: FloatArray, shift: int) -> None:
    cycles = rainflow(levels)
    for other, mean in ((levels + shift, 1), (shift - levels, -1)):
        expected = tuple(Cycle(c.depth, shift + mean * c.mean, c.count) for c in cycles)
        assert rainflow(other) == expected


@given(histories)
def test_the_deepest_cycle_spans_all_levels(levels: FloatArray) -> None:
    cycles = rainflow(levels)
    span = np.ptp(levels) if len(levels) else 0
    assert max((cycle.depth for cycle in cycles), default=0) == span


@pytest.mark.parametrize("levels", [[], [3], [3, 3, 3]])
def test_a_level_that_stays_has_no_cycles(levels: list[float]) -> None:
    assert rainflow(np.array(levels, dtype=np.float64)) == ()


def test_a_rise_is_half_a_cycle() -> None:
    assert rainflow(np.array([1.0, 2, 4])) == (Cycle(3, 2.5, 0.5),)


def by_four_points(levels: FloatArray) -> list[tuple[float, float, float]]:
    """Count by the rule of four points: a range between two that are no smaller is a whole cycle.

    Such ranges are taken out one by one until there is none; what is left counts as halves.
    """
    turns = (levels[1:-1] > levels[:-2]) != (levels[2:] > levels[1:-1])
    points = [levels[0], *levels[1:-1][turns], levels[-1]]
    whole = []
    while (k := first_enclosed(points)) is not None:
        one, other = points[k], points[k + 1]
        whole.append((abs(other - one), (one + other) / 2, 1.0))
        del points[k : k + 2]
    return sorted(whole + [(abs(b - a), (a + b) / 2, 0.5) for a, b in pairwise(points)])


def first_enclosed(points: list[float]) -> int | None:
    """Return where the first range begins that is no larger than both its neighbours."""
    ranges = [abs(b - a) for a, b in pairwise(points)]
    inner = range(1, len(ranges) - 1)
    return next((k for k in inner if ranges[k - 1] >= ranges[k] <= ranges[k + 1]), None)


@pytest.mark.parametrize("seed", range(50))
def test_another_way_of_counting_finds_the_same_cycles(seed: int) -> None:
    """Random levels without equal ranges, of which the two rules make different halves and wholes."""
    luck = np.random.default_rng(seed)
    levels = luck.random(luck.integers(2, 60))
    found = sorted((c.depth, c.mean, c.count) for c in rainflow(levels))
    assert found == by_four_points(levels)


def test_a_year_of_quarter_hours_is_counted_in_no_time() -> None:
    levels = np.random.default_rng(5).random(35_040)
    seconds = []
    for _ in range(3):
        start = time.perf_counter()
        rainflow(levels)
        seconds.append(time.perf_counter() - start)
    assert min(seconds) < 0.3


# --- full cycles -----------------------------------------------------------------------------


def test_full_cycles_are_the_sum_of_depths() -> None:
    """By hand: depths of 0.3, 0.4 and 0.5 are 1.2 cycles."""
    depths = np.array([0.3, 0.4, 0.5])
    assert equivalent_full_cycles(depths * 10, 10) == pytest.approx(1.2)
    assert equivalent_full_cycles(12, 10) == pytest.approx(1.2)
    levels = np.array([10.0, 7, 10, 6, 10, 5, 10])
    assert Ageing().cycles_counted(levels, 10) == pytest.approx(1.2)


def test_a_throughput_warranty_is_so_many_full_cycles() -> None:
    """By hand: 29.2 MWh of 8 kWh usable are 3,650 cycles, once a day for ten years."""
    assert equivalent_full_cycles(29_200, 8) == pytest.approx(3650)


@given(histories)
def test_with_exponent_one_only_throughput_counts(levels: FloatArray) -> None:
    by_throughput = np.abs(np.diff(levels)).sum() / (2 * 50)
    assert Ageing().cycles_counted(levels, 50) == pytest.approx(by_throughput, abs=1e-12)


# --- ageing ----------------------------------------------------------------------------------


def test_shallow_cycles_wear_less_than_their_throughput() -> None:
    """By hand: two half-deep cycles of 10 kWh at exponent 2 count 2 × 0.5², one whole one counts 1."""
    square = Ageing(depth_exponent=2)
    assert square.cycles_counted(np.array([10.0, 5, 10, 5, 10]), 10) == pytest.approx(0.5)
    assert square.cycles_counted(np.array([10.0, 0, 10]), 10) == pytest.approx(1.0)


@given(histories, st.floats(1, 3), st.floats(1, 3))
def test_the_higher_the_exponent_the_fewer_cycles(
    levels: FloatArray, one: float, two: float
) -> None:
    low, high = sorted([one, two])
    fewer = Ageing(depth_exponent=high).cycles_counted(levels, 40)
    assert fewer <= Ageing(depth_exponent=low).cycles_counted(levels, 40) + 1e-12


def test_a_year_takes_its_share_for_time_and_use() -> None:
    """By hand: 1.5 % a year and 4 % in 1000 cycles, 250 cycles: 2.5 %."""
    ageing = Ageing(calendar_pct_per_year=1.5, pct_per_1000_cycles=4)
    assert ageing.lost_in_a_year(250) == pytest.approx(0.025)
    assert ageing.lost_in_a_year(0) == pytest.approx(0.015)
    assert Ageing().lost_in_a_year(250) == 0


# --- refusals --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "keys",
    [
        {"calendar_pct_per_year": -1}, {"calendar_pct_per_year": 51}, {"pct_per_1000_cycles": 101},
        {"depth_exponent": 0.5}, {"depth_exponent": 4}, {"calendar_pct_per_yr": 1},
    ],
)  # fmt: skip
def test_ageing_refuses_what_cannot_be(keys: dict[str, float]) -> None:
    with pytest.raises(ValidationError):
        Ageing.model_validate(keys)


def test_missing_levels_and_empty_batteries_are_told() -> None:
    with pytest.raises(InputError, match="level is nan") as told:
        rainflow(np.array([1.0, np.nan, 2]))
    assert "step 1" in told.value.where
    for usable in (0, -3, np.nan):
        with pytest.raises(InputError, match=f"usable energy is {usable:g} kWh"):
            equivalent_full_cycles(5, usable)
        with pytest.raises(InputError, match="above 0 kWh"):
            Ageing().cycles_counted(EXAMPLE, usable)
