"""Money over time against handbooks, textbooks and published figures; each names its source."""

from __future__ import annotations

import math
from itertools import pairwise

import numpy as np
import pytest
import pyxirr
from hypothesis import given
from hypothesis import strategies as st

from optimizer.base.errors import InputError
from optimizer.base.timegrid import FloatArray
from optimizer.economics.returns import (
    annuity_factor,
    benefit_cost_ratio,
    internal_rates,
    levelised_cost,
    net_present_value,
    nominal_rate,
    payback_years,
    present_value_factor,
    real_rate,
    remaining_share,
)


def internal_rate(flows: list[float]) -> float | None:
    """Return the only internal rate of return; None if there is none or several."""
    rates = internal_rates(flows)
    return rates[0] if len(rates) == 1 else None


# --- factors ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("years", "single", "uniform"),
    [
        (1, 0.9709, 0.9709), (3, 0.9151, 2.8286), (5, 0.8626, 4.5797), (10, 0.7441, 8.5302),
        (12, 0.7014, 9.9540), (15, 0.6419, 11.9379), (20, 0.5537, 14.8775), (25, 0.4776, 17.4131),
    ],
)  # fmt: skip
def test_factors_at_3_percent_are_the_tables(years: int, single: float, uniform: float) -> None:
    """E01, formulas of ASTM E917 and NIST Handbook 135 (1995/96, Fuller & Petersen)."""
    assert present_value_factor(0.03, years) == pytest.approx(single, abs=5e-5)
    assert annuity_factor(0.03, years) == pytest.approx(uniform, abs=5e-5)


def test_factors_round_to_those_of_the_printed_supplement() -> None:
    """E01, NISTIR 85-3273: SPV to 3 decimals, UPV to 2: .744 and 8.53, .554 and 14.88, 17.41."""
    assert [round(present_value_factor(0.03, n), 3) for n in (10, 20)] == [0.744, 0.554]
    assert [round(annuity_factor(0.03, n), 2) for n in (10, 20, 25)] == [8.53, 14.88, 17.41]


@given(st.floats(-0.5, 1), st.floats(-0.5, 1), st.integers(0, 40))
def test_a_growing_amount_is_worth_the_sum_of_its_years(rate: float, e: float, n: int) -> None:
    """E01, ASTM E917: UPV* = Σ((1 + e) ÷ (1 + d))ᵗ."""
    summed = math.fsum(((1 + e) / (1 + rate)) ** t for t in range(1, n + 1))
    assert annuity_factor(rate, n, e) == pytest.approx(summed, rel=1e-12)


def test_where_nothing_discounts_the_factor_is_the_years() -> None:
    """E01: the closed form divides by zero there; close by it must not lose its digits."""
    assert annuity_factor(0, 25) == 25
    assert annuity_factor(0.03, 25, growth=0.03) == 25
    assert annuity_factor(1e-15, 25) == pytest.approx(25, rel=1e-12)
    assert annuity_factor(0.03, 25, growth=0.03 + 1e-13) == pytest.approx(25, rel=1e-10)


INTERESTS = range(9, 40, 2)
"""Rates of the textbook's table. [%]"""

PRINTED = {
    1: [.92, .90, .88, .87, .85, .84, .83, .81, .80, .79, .78, .76, .75, .74, .73, .72],
    2: [1.76, 1.71, 1.67, 1.63, 1.59, 1.55, 1.51, 1.47, 1.44, 1.41, 1.38, 1.35, 1.32, 1.29, 1.26, 1.24],
    3: [2.53, 2.44, 2.36, 2.28, 2.21, 2.14, 2.07, 2.01, 1.95, 1.90],
}  # fmt: skip
"""Present value factors by years, for each rate; of three years only the first ten are at hand."""


@pytest.mark.parametrize("years", PRINTED)
def test_factors_are_those_of_the_textbook(years: int) -> None:
    """E03, Masters, p. 245, table 5.4."""
    found = [annuity_factor(rate / 100, years) for rate in INTERESTS]
    assert found[: len(PRINTED[years])] == pytest.approx(PRINTED[years], abs=0.005)


def test_loans_and_savings_are_those_of_a_numerical_library() -> None:
    """E07, numpy-financial 1.0.0: pmt 1854.0247, fv 15692.9289, nper 64.0733."""
    assert 200_000 / annuity_factor(0.075 / 12, 180) == pytest.approx(1854.0247, abs=5e-5)
    worth_today = 100 + 100 * annuity_factor(0.05 / 12, 120)
    saved = worth_today / present_value_factor(0.05 / 12, 120)
    assert saved == pytest.approx(15692.9289, abs=5e-5)
    assert 150 * annuity_factor(0.07 / 12, 64.0733) == pytest.approx(8000, abs=0.01)


def test_inflation_and_real_rate_multiply() -> None:
    """E09: (1 + r)(1 + e) − 1; 5 % and 2.5 % give 7.625 %."""
    assert nominal_rate(0.05, 0.025) == pytest.approx(0.07625)
    assert real_rate(0.07625, 0.025) == pytest.approx(0.05)


# --- present values --------------------------------------------------------------------------

CONVENTIONAL = {
    "today": 103_000,
    "year 12": 12_000,
    "left": 3_500,
    "energy": 20_000,
    "upkeep": 7_000,
}
EFFICIENT = {"today": 110_000, "year 12": 12_500, "left": 3_700, "energy": 13_000, "upkeep": 8_000}
"""Costs of two designs over 20 years at 3 %; energy prices rise, their factor is 15.13."""


def life_cycle_cost(design: dict[str, int]) -> float:
    """The sum with factors rounded as they are printed."""
    return (
        design["today"]
        + design["year 12"] * round(present_value_factor(0.03, 12), 3)
        - design["left"] * round(present_value_factor(0.03, 20), 3)
        + design["energy"] * 15.13
        + design["upkeep"] * round(annuity_factor(0.03, 20), 2)
    )


def test_two_alternatives_cost_what_the_guide_says() -> None:
    """E02, Fuller (NIST), *Life-Cycle Cost Analysis*, Whole Building Design Guide."""
    conventional, efficient = life_cycle_cost(CONVENTIONAL), life_cycle_cost(EFFICIENT)
    assert conventional == pytest.approx(516_233, abs=1)
    assert efficient == pytest.approx(432_443, abs=1)
    assert conventional - efficient == pytest.approx(83_790, abs=1)


def yearly_costs(design: dict[str, int], growth: float) -> list[float]:
    flows = [design["energy"] * (1 + growth) ** year + design["upkeep"] for year in range(21)]
    flows[0] = design["today"]
    flows[12] += design["year 12"]
    flows[20] -= design["left"]
    return flows


def test_the_same_alternatives_year_by_year() -> None:
    """E02 without rounded factors: within 25 of each cost, and 5 of the net savings.

    Energy grows by what makes its factor 15.13.
    """
    low, high = 0.0, 0.01
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if annuity_factor(0.03, 20, middle) < 15.13 else (low, middle)
    conventional, efficient = (
        net_present_value(0.03, yearly_costs(design, low)) for design in (CONVENTIONAL, EFFICIENT)
    )
    assert conventional == pytest.approx(516_233, abs=25)
    assert efficient == pytest.approx(432_443, abs=25)
    assert conventional - efficient == pytest.approx(83_790, abs=5)


@pytest.mark.parametrize(
    ("paid", "saved", "years", "factor", "printed"),
    [
        (150, 32, 20, 8.5136, 122.44),
        (200, 20, 20, 8.5136, -29.73),
        (20_000, 3000, 10, 6.144567, -1566.30),
    ],
)
def test_insulation_is_worth_what_the_text_says(
    paid: float, saved: float, years: int, factor: float, printed: float
) -> None:
    """E04, *Energy Project Financing*, p. 258, at 10 %.

    The text rounds the factor of 20 years, so that its first worth is off by half a cent.
    """
    digits = len(str(factor)) - 2
    assert round(annuity_factor(0.10, years), digits) == factor
    assert saved * factor - paid == pytest.approx(printed, abs=0.005)
    flows = [-paid] + [saved] * years
    assert net_present_value(0.10, flows) == pytest.approx(printed, abs=0.01)


def test_the_first_flow_is_not_discounted() -> None:
    """E07, https://numpy.org/numpy-financial/dev: −0.00848 at 28.1 %."""
    assert net_present_value(0.281, [-100, 39, 59, 55, 20]) == pytest.approx(-0.00848, abs=5e-6)
    assert net_present_value(0.5, [-7]) == -7


# --- payback ---------------------------------------------------------------------------------


def test_simple_payback_is_the_examples() -> None:
    """E05: 12,000 saving 4,000 a year; 10,000 ÷ 5,000 (SEAI); 1,000 ÷ 250, a simple return of 25 %."""
    flows = [-12_000] + [4000] * 4
    assert payback_years(flows) == pytest.approx(3)
    assert net_present_value(0, flows) == pytest.approx(4000)
    assert net_present_value(0.07, flows) == pytest.approx(1548.85, abs=0.005)
    assert payback_years([-10_000] + [5000] * 5) == pytest.approx(2.0)
    assert payback_years([-1000] + [250] * 10) == pytest.approx(1 / 0.25)


def test_payback_of_the_textbooks_measure() -> None:
    """E03, Masters, p. 245: 1,000 saving 200 a year; 5.0 years; 15.10 % in 10, 19.43 % in 20 years."""
    assert payback_years([-1000] + [200] * 10) == pytest.approx(5.0)
    assert internal_rate([-1000] + [200] * 10) == pytest.approx(0.1510, abs=5e-5)
    assert internal_rate([-1000] + [200] * 20) == pytest.approx(0.1943, abs=5e-5)


@pytest.mark.parametrize(("cost", "years"), [(5200, 1.964), (5400, 2.028), (10_400, 3.650)])
def test_discounted_payback_divides_by_the_crossing_years_own_flow(
    cost: float, years: float
) -> None:
    """E06, at 14 %. For 5,400 one page divides by a cumulative sum instead; that is a slip."""
    flows = [-cost, 2800, 3700, 5100, 4300]
    assert payback_years(flows, 0.14) == pytest.approx(years, abs=5e-4)


CROSSES_TWICE = [-180, -90, 0, 100, 100, 100, -90, 100, 100]


def test_payback_is_the_first_crossing() -> None:
    """E06, UC Berkeley CE 167, homework 5, at 5 %: simple 4.7, discounted 7.22, worth 52.885.

    The simple sum is below zero again after year 6; only the first crossing is told.
    """
    assert payback_years(CROSSES_TWICE) == pytest.approx(4.7)
    assert np.cumsum(CROSSES_TWICE)[5:8].tolist() == [30, -60, 40]
    assert payback_years(CROSSES_TWICE, 0.05) == pytest.approx(7.22, abs=0.005)
    assert net_present_value(0.05, CROSSES_TWICE) == pytest.approx(52.885, abs=5e-4)


def test_what_costs_more_interest_than_it_saves_never_comes_back() -> None:
    """E06: 25,000 for 15,000 a year at 18 %: 2.166; 10,000 for 2,820 in 6 years: 3.546, 3.902, never."""
    assert payback_years([-25_000] + [15_000] * 5, 0.18) == pytest.approx(2.166, abs=5e-4)
    flows = [-10_000] + [2820] * 6
    assert payback_years(flows) == pytest.approx(3.546, abs=5e-4)
    assert payback_years(flows, 0.04) == pytest.approx(3.902, abs=5e-4)
    assert payback_years(flows, 0.19) is None


def test_payback_where_nothing_is_outstanding_or_only_later() -> None:
    """Sums by hand."""
    assert payback_years([0, 5, 5]) == 0
    assert payback_years([-5]) is None
    assert payback_years([0, -10, 4, 12]) == pytest.approx(2.5)
    assert payback_years([20, -50, 60]) == pytest.approx(1.5)
    assert payback_years([20, 0, -50]) is None


@given(st.floats(0.0, 0.3), st.integers(2, 30))
def test_at_its_internal_rate_a_measure_comes_back_in_its_last_year(rate: float, n: int) -> None:
    flows = [-annuity_factor(rate, n)] + [1.0] * n
    assert payback_years(flows, rate) == pytest.approx(n)


# --- internal rates --------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("flows", "printed"),
    [
        ([-100, 39, 59, 55, 20], 0.2809484),
        ([-100, 0, 0, 74], -0.0954958),
        ([-100, 100, 0, 7], 0.0620585),
        ([-250_000, 100_000, 150_000, 200_000, 250_000, 300_000], 0.5672303344),
    ],
)
def test_internal_rates_are_those_of_a_numerical_library(
    flows: list[float], printed: float
) -> None:
    """E07, https://numpy.org/numpy-financial/dev (1.0.0)."""
    assert internal_rate(flows) == pytest.approx(printed, abs=5e-8)


def test_a_last_flow_paid_out_gives_a_second_rate() -> None:
    """E07: the library tells −0.0832997; 7v³ − 100v + 100 has a second positive root, v = 3.114."""
    low, high = internal_rates([-100, 100, 0, -7])
    assert high == pytest.approx(-0.0832997, abs=5e-8)
    assert 7 / (1 + low) ** 3 - 100 / (1 + low) + 100 == pytest.approx(0, abs=1e-9)
    assert low == pytest.approx(-0.679, abs=5e-4)
    assert internal_rate([-100, 100, 0, -7]) is None


def test_several_rates_are_all_told_and_none_is_taken() -> None:
    """E07, the trap of three changes of sign: 8.86 % and 70.96 % (polynomial roots).

    Below zero there is a third, −87.0 %; numpy-financial 1.0.0 returns .0885983 alone.
    """
    flows = [-5, 10.5, 1, -8, 1]
    rates = internal_rates(flows)
    roots = np.roots(flows)  # in 1 + rate: the first flow has the highest power
    real = sorted(roots[(abs(roots.imag) < 1e-9) & (roots.real > 0)].real - 1)
    assert rates == pytest.approx(real, abs=1e-10)
    assert [rate for rate in rates if rate >= 0] == pytest.approx([0.0886, 0.7096], abs=5e-5)
    assert rates[1] == pytest.approx(0.0885983, abs=5e-8)
    assert internal_rate(flows) is None


@pytest.mark.parametrize("flows", [[-3, -2], [4, 0, 1], [0, 0], [7], [0]])
def test_flows_of_one_sign_have_no_rate(flows: list[float]) -> None:
    assert internal_rates(flows) == ()
    assert internal_rate(flows) is None


def flows_with_rates(rates: list[float], factor: float = 1.0) -> FloatArray:
    """Flows whose net present value is zero at given rates: Π(1 + rate − w) in w, highest power first."""
    flows = np.array([factor])
    for rate in rates:
        flows = np.convolve(flows, [-1.0, 1 + rate])
    return flows


@pytest.mark.parametrize("factor", [1e-6, 1.0, 1e6])
@pytest.mark.parametrize(
    "rates",
    [
        [0.0],
        [-0.9],
        [25.0],
        [-0.5, 0.0],
        [0.02, 0.03, 0.3],
        [-0.2, -0.1, 0.1, 0.2],
        [0.1, 0.10001],
    ],
)
def test_rates_from_which_flows_were_made_are_found(rates: list[float], factor: float) -> None:
    assert internal_rates(flows_with_rates(rates, factor)) == pytest.approx(rates, abs=1e-8)


def test_a_rate_at_which_the_worth_only_touches_zero_counts_once() -> None:
    """(1 − 1.1 v)²: no other rate, and no change of sign at this one."""
    assert internal_rates([1, -2.2, 1.21]) == pytest.approx([0.1], abs=1e-7)
    assert internal_rates([1, -2, 1]) == pytest.approx([0.0], abs=1e-7)
    assert internal_rates(flows_with_rates([0.1] * 3)) == pytest.approx([0.1], abs=1e-4)
    assert internal_rates([1, -2.2, 1.2101]) == ()


def test_years_without_flows_at_either_end_change_no_rate() -> None:
    flows = [-100, 39, 59, 55, 20]
    assert internal_rates([0, 0, *flows, 0]) == pytest.approx(internal_rates(flows), rel=1e-12)


@pytest.mark.parametrize("paid", [1e4, 1e6])
def test_thirty_years_with_a_replacement(paid: float) -> None:
    """The flows are made to be worth nothing at 6 %: what is paid today is what the rest is worth."""
    rest = np.full(31, 0.1 * paid)
    rest[15] -= 0.4 * paid
    rest[0] = 0.0
    rest[0] = -net_present_value(0.06, rest)
    rates = internal_rates(rest)
    assert len(rates) in (1, 3)  # three changes of sign
    assert min(abs(rate - 0.06) for rate in rates) < 1e-12


RATES = np.expm1(np.linspace(-5, 5, 20_001))
"""A fine grid from −99.3 % to 14,700 % a year."""


def random_flows(seed: int) -> FloatArray:
    """From 2 to 31 flows: of either sign, or a sum paid first and now and then again."""
    luck = np.random.default_rng(seed)
    flows = luck.normal(size=luck.integers(2, 32))
    if seed % 2:
        flows = np.where(luck.random(len(flows)) < 0.15, -3, 1) * np.abs(flows)
        flows[0] = -5
    return flows * 10.0 ** luck.integers(-3, 7)


@pytest.mark.parametrize("seed", range(200))
def test_a_fine_grid_of_rates_shows_the_same_zeros(seed: int) -> None:
    """Brute force: each change of sign on the grid holds one rate, and there are no others."""
    flows = random_flows(seed)
    worth = (flows / np.power.outer(1 + RATES, np.arange(len(flows)))).sum(axis=1)
    before = np.flatnonzero(np.sign(worth[1:]) != np.sign(worth[:-1]))
    found = [rate for rate in internal_rates(flows) if RATES[0] < rate < RATES[-1]]
    assert len(found) == len(before)
    assert all(RATES[k] <= rate <= RATES[k + 1] for k, rate in zip(before, found, strict=True))


@pytest.mark.parametrize("seed", range(200))
def test_at_each_internal_rate_the_worth_is_zero(seed: int) -> None:
    flows = random_flows(seed)
    rates = internal_rates(flows)
    assert all(low < high for low, high in pairwise(rates))
    for rate in rates:
        gross = net_present_value(rate, np.abs(flows))
        assert abs(net_present_value(rate, flows)) <= 1e-11 * gross


# --- ratios and levelised cost ---------------------------------------------------------------


def test_levelised_cost_is_the_manuals_formula() -> None:
    """E08, NREL/TP-462-5173: (FCR·TCC + FOC) ÷ AEP + VOC; .0944, 1,000, 20, 1,500 kWh: 0.0762667."""
    energy = [0] + [1500] * 20
    own = (1000 / annuity_factor(0.07, 20) + 20) / 1500
    cost = levelised_cost([1000] + [20] * 20, energy, 0.07)
    assert cost == pytest.approx(own, rel=1e-12)
    assert cost == pytest.approx(0.0762667, abs=5e-6)  # the manual's charge rate is rounded
    rounded = 0.0944 * annuity_factor(
        0.07, 20
    )  # an investment that .0944 recovers is so much larger
    assert levelised_cost([1000 * rounded] + [20] * 20, energy, 0.07) == pytest.approx(
        0.0762667, abs=5e-8
    )
    by_energy = levelised_cost([1000] + [20 + 0.01 * 1500] * 20, energy, 0.07)
    assert by_energy - cost == pytest.approx(0.01)


def test_output_that_falls_is_worth_the_closed_form() -> None:
    """E10: E₁ ÷ (r + d)·[1 − ((1 − d) ÷ (1 + r))ⁿ]; 1,000, 0.5 %, 7 %, 25 years: 11,166.0219."""
    energy = [0.0] + [1000 * remaining_share(0.005, year) for year in range(1, 26)]
    assert net_present_value(0.07, energy) == pytest.approx(11_166.0219, abs=5e-5)
    assert 1000 / 0.995 * annuity_factor(0.07, 25, -0.005) == pytest.approx(11_166.0219, abs=5e-5)
    closed = 1000 / 0.075 * (1 - (0.995 / 1.07) ** 25)
    assert levelised_cost([closed * 0.1], energy, 0.07) == pytest.approx(0.1)


def test_the_first_year_gives_all_and_losses_compound() -> None:
    """E10, year 25 at the median loss of PV (D10, Jordan & Kurtz 2011, doi 10.1002/pip.1182).

    .995²⁴ = .886654; a linear loss leaves .88, an exponent of 25 is one too many and leaves .882220.
    """
    assert remaining_share(0.005, 1) == 1
    assert remaining_share(0.005, 25) == pytest.approx(0.886654, abs=5e-7)
    assert remaining_share(0.005, 26) == pytest.approx(0.882220, abs=5e-7)
    assert remaining_share(0.005, 25) - (1 - 24 * 0.005) == pytest.approx(0.006654, abs=5e-7)


def test_benefits_over_costs() -> None:
    """E05's measure at 7 %: worth 1,548.85 more than its 12,000; and at 0 % by hand."""
    assert benefit_cost_ratio([0] + [4000] * 4, [12_000], 0.07) == pytest.approx(
        1 + 1548.85 / 12_000, abs=1e-6
    )
    assert benefit_cost_ratio([0, 300], [100, 100], 0) == pytest.approx(1.5)


# --- refusals --------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (lambda: present_value_factor(-1, 5), "discount rate is -1 a year"),
        (lambda: present_value_factor(math.nan, 5), "discount rate is nan"),
        (lambda: annuity_factor(0.03, -2), "time is -2 years"),
        (lambda: annuity_factor(0.03, 2, growth=-1.5), "growth is -1.5 a year"),
        (lambda: nominal_rate(0.03, -2), "inflation is -2"),
        (lambda: real_rate(-3, 0.02), "nominal rate is -3"),
        (lambda: net_present_value(0.03, []), "0 flows"),
        (lambda: internal_rates([-1, math.inf]), "flow is inf"),
        (lambda: payback_years([-1, math.nan]), "flow is nan"),
        (lambda: benefit_cost_ratio([1], [0], 0.03), "costs is 0"),
        (lambda: levelised_cost([1], [0], 0.03), "energy is 0"),
        (lambda: remaining_share(5, 2), "loss is 5 a year"),
        (lambda: remaining_share(0.005, 0), "year of operation is 0"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_told_with_its_value(call: object, words: str) -> None:
    assert callable(call)
    with pytest.raises(InputError) as told:
        call()
    assert words in told.value.what
    assert told.value.where
    assert told.value.mend


@pytest.mark.parametrize("seed", range(60))
def test_present_value_and_single_rates_agree_with_a_general_library(seed: int) -> None:
    """pyxirr 0.10, a general-purpose library of financial functions."""
    luck = np.random.default_rng(seed)
    flows = [-luck.uniform(100, 1000), *luck.uniform(5, 200, int(luck.integers(3, 30)))]
    rate = luck.uniform(-0.05, 0.3)
    assert net_present_value(rate, flows) == pytest.approx(pyxirr.npv(rate, flows), rel=1e-9)
    found = internal_rate(flows)
    assert found is not None
    assert found == pytest.approx(pyxirr.irr(flows), abs=1e-8)
