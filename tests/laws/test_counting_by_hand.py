"""Units of a program: powers of two worked out by hand, and the same program in other units.

Limits of energy from 0.5 to below 128 and other values from 1/64 to below 4,096 count in ones; any other in the
power of two nearest, by its logarithm, to a 32nd of it.
"""

from __future__ import annotations

import numpy as np
import pytest
import scipy.sparse as sparse

from optimizer.planning.counting import Units
from optimizer.planning.matrix import Family, Matrix
from optimizer.planning.solver import Solution

SMALL, LARGE = 2.0**-12, 128.0  # for 0.01 ÷ 32 is 2^-11.6, 4,096 ÷ 32 is 128
COLUMNS = {
    "import_": Family(0, 3),
    "part": Family(3, 2),
    "which": Family(5, 1),
    "way0": Family(6, 1),
}


def program(highs=(3.0, 5.0, 7.0), prices=(0.2, 0.3, 0.4), parts=(0.0, 0.0), rows=()) -> Matrix:
    """Return a program of three flows, two parts and two choices; a row is given by its coefficients."""
    table = np.array([[1.0, 0, 0, 0, 0, 0, 0], *rows])
    count, width = table.shape
    return Matrix(
        cost=np.array([*prices, *parts, 0.0, 0.0]), offset=6.0,
        low=np.zeros(width), high=np.array([*highs, np.inf, np.inf, 1.0, 1.0]),
        is_integer=np.array([0, 0, 0, 0, 0, 1, 1]),
        row_low=np.full(count, -2.0), row_high=np.full(count, 3.0),
        table=sparse.csc_array(table), columns=COLUMNS, rows={"rows": Family(0, count)},
    )  # fmt: skip


@pytest.mark.parametrize(("highs", "kwh"), [
    ((127.9, 127.9, 127.9), 1.0),
    ((128.0, 128.0, 128.0), 4.0),
    ((4096.0, 4096.0, 4096.0), LARGE),
    ((0.5, 0.5, 0.5), 1.0),
    ((0.49, 0.49, 0.49), 1 / 64),
    ((0.01, 0.01, 0.01), SMALL),
    ((1.0, 1.0, 5000.0), 1.0),  # the middle one decides
    ((1.0, 5000.0, 5000.0), LARGE),
    ((0.0, 0.0, 5000.0), LARGE),  # what is nought or endless does not count
    ((np.inf, np.inf, 1.0), 1.0),
    ((0.0, np.inf, np.inf), 1.0),
    ((np.inf, np.inf, 0.01), SMALL),
])  # fmt: skip
def test_energy_counts_in_the_unit_nearest_to_the_usual_limit(highs, kwh) -> None:
    units = Units.of(program(highs))
    assert units.columns.tolist() == [kwh] * 5 + [1.0, 1.0]
    assert units.money == kwh  # the prices count in ones
    assert units.are_plain == (kwh == 1.0)
    # the row holds one unit of a flow: 128 and 1/64 are usual, 2^-12 is counted in a 32nd of it
    assert units.rows.tolist() == [2.0**-17 if kwh == SMALL else 1.0]


@pytest.mark.parametrize(("prices", "money"), [
    ((0.2, 0.3, 0.4), 1.0),
    ((-5000.0, 5000.0, 5000.0), LARGE),  # the sign does not matter; 5,000 ÷ 32 is 2^7.3
    ((1 / 64, 1 / 64, 1 / 64), 1.0),
    ((0.01, 0.01, 0.01), SMALL),
    ((0.0, 0.0, 0.01), SMALL),  # nought does not count
    ((5000.0, 1e-6, 1e-6), LARGE),  # nor what is a billionth of the highest
    ((5000.0, 1e-5, 1e-5), 2.0**-22),  # 1e-5 ÷ 32 is 2^-21.6
    ((0.0, 0.0, 0.0), 1.0),
])  # fmt: skip
def test_money_counts_in_the_unit_nearest_to_the_usual_price_of_energy(prices, money) -> None:
    units = Units.of(program(prices=prices))
    assert units.money == money
    assert units.are_plain == (money == 1.0)


def test_a_part_counts_so_that_a_unit_of_it_costs_one_of_money() -> None:
    """Of 5,000 a unit: 1/128. What it costs a kWh, 5,000 × 2 ÷ 4 in its one row, is no usual price of four."""
    row = [2.0, 0.0, 0.0, -4.0, 0.0, 0.0, 0.0]
    units = Units.of(program(parts=(5000.0, 0.0), rows=[row]))
    assert units.money == 1.0
    assert units.columns.tolist() == [1.0, 1.0, 1.0, 1 / LARGE, 1.0, 1.0, 1.0]
    assert units.rows.tolist() == [1.0, 1.0]  # 4 ÷ 128 is 1/32, the 2 of the flow is more


def test_what_parts_charge_counts_among_the_prices_of_energy() -> None:
    """No price of its own; in two rows 10,000 × 2 ÷ 4 = 5,000 and 10,000 × 1 ÷ 2: their middle counts in 128."""
    rows = [[2.0, 0, 0, -4.0, 0, 0, 0], [0, 1.0, 0, -2.0, 0, 0, 0]]
    units = Units.of(program(prices=(0.0, 0.0, 0.0), parts=(10000.0, 0.0), rows=rows))
    assert units.money == LARGE
    assert units.columns.tolist() == [
        1.0,
        1.0,
        1.0,
        0.5,
        1.0,
        1.0,
        1.0,
    ]  # 128 of money ÷ 256, for 10,000


def test_a_part_in_the_row_of_another_has_its_price_by_that_row() -> None:
    """Of the second part 5 make one of the first, at 100,000: 20,000 each, or 2^9.3 × 32. 100,000 counts in 4,096."""
    rows = [[0, 0, 0, -20.0, 4.0, 0, 0], [5.0, 0, 0, 0, -1.0, 0, 0]]
    units = Units.of(program(parts=(1e5, 0.0), rows=rows))
    assert units.columns.tolist() == [1.0, 1.0, 1.0, 2.0**-12, 2.0**-9, 1.0, 1.0]


def test_a_row_counts_in_the_unit_of_its_largest_coefficient() -> None:
    rows = [
        [5000.0, -2.0, 0, 0, 0, 0, 0],
        [0, 0, 0, 0, 0, -0.01, 0.0],
        [0] * 7,
        [-5000.0, 0, 0, 0, 0, 0, 0],
    ]
    units = Units.of(program(rows=rows))
    assert units.rows.tolist() == [1.0, LARGE, SMALL, 1.0, LARGE]


def test_a_small_program_of_the_projects_own_keeps_its_units() -> None:
    whole = program((1e-5, 1e-5, 1e-5))
    without = Matrix(**{**vars(whole), "columns": {"given": Family(0, 7)}})
    units = Units.of(without)
    assert units.are_plain
    assert (units.columns.tolist(), units.rows.tolist(), units.money) == ([1.0] * 7, [1.0], 1.0)


@pytest.mark.parametrize("other", ["columns", "rows", "money"])
def test_units_are_plain_only_if_all_are(other) -> None:
    plain = {"columns": np.ones(7), "rows": np.ones(2), "money": 1.0}
    assert Units(**plain).are_plain
    changed = {
        "columns": np.array([1.0] * 6 + [SMALL]),
        "rows": np.array([1.0, SMALL]),
        "money": SMALL,
    }
    assert not Units(**plain | {other: changed[other]}).are_plain


ROWS = [[2.0, 0, 0, -4.0, 0, 9.0, 0], [0, 1.0, 7.0, 0, -20.0, 0, 5.0]]
UNITS = Units(np.array([2.0, 4.0, 8.0, 0.5, 0.25, 1.0, 1.0]), np.array([16.0, 2.0, 0.125]), 32.0)


def test_a_program_in_other_units_says_the_same() -> None:
    """Whatever the amounts: cost ÷ money, rows ÷ their units, limits ÷ those of the columns."""
    matrix = program(parts=(10.0, 20.0), rows=ROWS)
    there = UNITS.into(matrix)
    amounts = np.array([3.0, 1.0, 4.0, 1.5, 9.0, 2.0, 6.0])
    counted = amounts / UNITS.columns

    assert there.cost @ counted + there.offset == pytest.approx(
        (matrix.cost @ amounts + 6.0) / 32.0
    )
    np.testing.assert_allclose(there.table @ counted, (matrix.table @ amounts) / UNITS.rows)
    np.testing.assert_allclose(there.high, [1.5, 1.25, 0.875, np.inf, np.inf, 1.0, 1.0])
    np.testing.assert_allclose(there.row_low, [-0.125, -1.0, -16.0])
    np.testing.assert_allclose(there.row_high, [3 / 16, 1.5, 24.0])
    lower = UNITS.into(Matrix(**{**vars(matrix), "low": np.full(7, -8.0)}))
    np.testing.assert_allclose(lower.low, [-4.0, -2.0, -1.0, -16.0, -32.0, -8.0, -8.0])


def test_an_answer_comes_back_in_kwh_and_money() -> None:
    """A price is money a unit: 32 × 3 ÷ 16 is 6."""
    there = Solution(np.ones(7), 2.0, np.array([3.0, 1.0, 1.0]), np.full(7, 0.5), 5)
    back = UNITS.back(there)
    assert back.value.tolist() == UNITS.columns.tolist()
    assert back.objective == 64.0
    assert back.row_price.tolist() == [6.0, 16.0, 256.0]
    assert back.column_price.tolist() == [8.0, 4.0, 2.0, 32.0, 64.0, 16.0, 16.0]
    assert back.iterations == 5


def test_an_answer_with_integers_comes_back_without_prices() -> None:
    there = Solution(np.ones(7), 2.0, np.zeros(0), np.zeros(0), 5)
    back = UNITS.back(there)
    assert (len(back.row_price), len(back.column_price)) == (0, 0)
    assert back.objective == 64.0


def test_plain_units_leave_program_and_answer_as_they_are() -> None:
    matrix = program()
    units = Units.of(matrix)
    there = Solution(np.ones(7), 2.0, np.ones(1), np.ones(7), 5)
    assert units.into(matrix) is matrix
    assert units.back(there) is there


def test_a_part_that_counts_double_in_the_row_of_another_has_double_its_price() -> None:
    """Of the second part 20 ÷ 2 make one of the first, at 100,000: 10,000 each, which count in 256."""
    rows = [[0, 0, 0, -20.0, 2.0, 0, 0], [5.0, 0, 0, 0, -1.0, 0, 0]]
    units = Units.of(program(parts=(1e5, 0.0), rows=rows))
    assert units.columns.tolist() == [1.0, 1.0, 1.0, 2.0**-12, 2.0**-8, 1.0, 1.0]
