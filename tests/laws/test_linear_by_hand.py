"""What proves a plan cheapest, and what chooses between equal ones, on a program of two columns and one row.

min 2x + 3y + 7 with x + y ≥ 4, 0 ≤ x ≤ 3, 0 ≤ y ≤ 10: x = 3, y = 1, which costs 16. One more of the row costs
one more y, 3; one more of x's limit saves 3 − 2.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
import scipy.sparse as sparse

from optimizer.planning import linear
from optimizer.planning.compact import _substituted
from optimizer.planning.linear import (
    AT_LIMIT,
    GOLDEN,
    NO_PRICE,
    LinearSolver,
    _held,
    _is_least,
    _keeps,
    _missed,
    _only_cheapest,
    dual_bound,
    is_proven,
    solve_with_fixed_integers,
    tie_price,
)
from optimizer.planning.matrix import Family, Matrix
from optimizer.planning.solver import Basis, Instance, Solution, solve


def program(high=(3.0, 10.0), row=(4.0, np.inf), cost=(2.0, 3.0), whole=(0, 0)) -> Matrix:
    return Matrix(
        cost=np.array(cost), offset=7.0, low=np.zeros(2), high=np.array(high),
        is_integer=np.array(whole), row_low=np.array(row[:1]), row_high=np.array(row[1:]),
        table=sparse.csc_array([[1.0, 1.0]]), columns={"x": Family(0, 1), "y": Family(1, 1)},
        rows={"both": Family(0, 1)},
    )  # fmt: skip


def answer(x: float, y: float, row_price: float = 3.0, column_price=(-1.0, 0.0)) -> Solution:
    return Solution(np.array([x, y]), 0.0, np.array([row_price]), np.array(column_price), 1)


def test_the_solver_finds_it_with_its_prices() -> None:
    found = solve(program(), 10)
    assert found.value == pytest.approx([3.0, 1.0])
    assert found.objective == pytest.approx(16.0)
    assert found.row_price == pytest.approx([3.0])
    assert found.column_price == pytest.approx([-1.0, 0.0])


@pytest.mark.parametrize(("price", "bound"), [
    (3.0, 7 + 12 - 3), (2.0, 7 + 8), (2.5, 7 + 10 - 1.5), (0.0, 7.0), (4.0, 7 + 16 - 6 - 10),
    (-1.0, -np.inf), (-0.5 * NO_PRICE, 7.0), (-2 * NO_PRICE, -np.inf),
])  # fmt: skip
def test_prices_of_rows_give_a_bound(price: float, bound: float) -> None:
    """Each row and column at the limit at which it is least; a price that is none counts nothing without limit."""
    assert dual_bound(program(), np.array([price])) == pytest.approx(bound, abs=1e-6)


def test_a_price_below_zero_stands_at_the_upper_limit_of_a_row() -> None:
    """7 − 1 × 9, and both columns dearer by it at their lower limits."""
    assert dual_bound(program(row=(4.0, 9.0)), np.array([-1.0])) == pytest.approx(-2.0)


@pytest.mark.parametrize(("found", "is_so"), [
    (answer(3.0, 1.0), True),
    (answer(2.0, 2.0), False),  # dearer
    (answer(3.0, 1.0, 2.5), False),  # the bound is 15.5
    (answer(3.0, 1.0 - 2e-6), False),  # the row is missed
    (answer(3.0 + 2e-6, 1.0), False),  # a limit is missed
    (answer(3.0 + 5e-7, 1.0 - 5e-7), True),  # by less than the solver may
    (answer(-2e-6, 4.0, 3.0), False),
    (answer(3.0, 0.9), False),
    (answer(3.0, 1.1), False),
])  # fmt: skip
def test_an_answer_is_proven_by_its_limits_and_by_its_bound(found: Solution, is_so: bool) -> None:
    assert is_proven(program(), found) == is_so


def test_what_limits_are_missed_by_is_the_most_of_all() -> None:
    low, high = np.array([0.0, 0.0, 0.0]), np.array([1.0, 1.0, 1.0])
    assert _missed(low, np.array([0.5, 0.0, 1.0]), high) == 0.0
    assert _missed(low, np.array([-0.25, 1.5, 0.0]), high) == 0.5
    assert _missed(low, np.array([-0.75, 1.5, 0.0]), high) == 0.75
    assert _missed(low[:0], high[:0], high[:0]) == 0.0


# price, value between 0 and 10, and whether it keeps to the limit that has a price
KEPT = [
    (1.0, 0.0, True), (1.0, 5.0, False), (1.0, 10.0, False), (-1.0, 10.0, True), (-1.0, 5.0, False),
    (-1.0, 0.0, False), (0.0, 5.0, True), (0.5 * NO_PRICE, 5.0, True), (-0.5 * NO_PRICE, 5.0, True),
    (2 * NO_PRICE, 5.0, False), (-2 * NO_PRICE, 5.0, False), (1.0, 0.5 * AT_LIMIT, True),
    (1.0, 2 * AT_LIMIT, False), (-1.0, 10 - 0.5 * AT_LIMIT, True), (-1.0, 10 - 2 * AT_LIMIT, False),
]  # fmt: skip


@pytest.mark.parametrize(("price", "value", "is_so"), KEPT)
def test_a_value_keeps_to_the_limit_that_has_a_price(price, value, is_so) -> None:
    free = np.array([0.0, 5.0, 10.0]), np.zeros(3)  # others, which have none
    values, prices = np.append(free[0], value), np.append(free[1], price)
    assert _keeps(np.zeros(4), np.full(4, 10.0), values, prices) == is_so


def test_an_answer_is_least_if_columns_and_rows_keep_to_their_limits() -> None:
    matrix = program()
    assert _is_least(matrix, matrix.bounds, answer(3.0, 1.0))
    assert not _is_least(matrix, matrix.bounds, answer(2.0, 2.0))  # x has a price
    assert not _is_least(matrix, matrix.bounds, answer(3.0, 2.0))  # the row has one
    assert _is_least(matrix, matrix.bounds, answer(2.0, 2.0, column_price=(0.0, 0.0)))


@pytest.mark.parametrize(("price", "low", "high", "held"), [
    (1.0, 2.0, 9.0, (2.0, 2.0)), (-1.0, 2.0, 9.0, (9.0, 9.0)), (0.0, 2.0, 9.0, (2.0, 9.0)),
    (0.5 * NO_PRICE, 2.0, 9.0, (2.0, 9.0)), (-0.5 * NO_PRICE, 2.0, 9.0, (2.0, 9.0)),
    (1.0, -np.inf, 9.0, (-np.inf, 9.0)), (-1.0, 2.0, np.inf, (2.0, np.inf)),
    (2 * NO_PRICE, 2.0, 9.0, (2.0, 2.0)), (-2 * NO_PRICE, 2.0, 9.0, (9.0, 9.0)),
])  # fmt: skip
def test_a_limit_with_a_price_is_held(price, low, high, held) -> None:
    found = _held(np.array([low]), np.array([high]), np.array([price]))
    assert (found[0][0], found[1][0]) == held


def test_plans_of_least_cost_keep_x_at_its_limit_and_the_row_at_its_own() -> None:
    face = _only_cheapest(program(), answer(3.0, 1.0))
    assert [each.tolist() for each in face.columns] == [[3.0, 0.0], [3.0, 10.0]]
    assert [each.tolist() for each in face.rows] == [[4.0], [4.0]]


def test_the_tie_price_of_each_flow() -> None:
    """Less is better of all but PV used; what is stored differs step by step by multiples of the golden ratio."""
    names = ["import_", "export_", "pv_used", "charge", "discharge", "to_ac", "to_dc", "stored"]
    columns = {name: Family(2 * number, 2) for number, name in enumerate(names)}
    matrix = Matrix(
        np.zeros(16), 0.0, np.zeros(16), np.ones(16), np.zeros(16, dtype=int), row_low=np.zeros(0),
        row_high=np.zeros(0), table=sparse.csc_array((0, 16)), columns=columns, rows={}, step_h=0.25,
    )  # fmt: skip
    assert pytest.approx(0.6180339887) == GOLDEN
    flows = [1, 1, 0, 0, -1, -1, 0, 0, 1, 1, 0, 0, 1, 1]
    assert tie_price(matrix).tolist() == pytest.approx([*flows, 0.125, 0.25 * 1.1180339887])


def test_integers_are_fixed_at_the_nearest_whole_number() -> None:
    """x at 2: y = 2 and a cost of 17; x itself may no longer move."""
    values = np.array([1.9999, 0.3, *[0.0] * 7])
    found = solve_with_fixed_integers(named(program(whole=(1, 0))), values)
    assert found.value[:2] == pytest.approx([2.0, 2.0])
    assert found.objective == pytest.approx(17.0)
    free = solve_with_fixed_integers(named(program()), values, solver=LinearSolver())
    assert free.value[:2] == pytest.approx([3.0, 1.0])


def named(matrix: Matrix) -> Matrix:
    """Return the same with the columns and the bus that the small program is made by."""
    return big(matrix.cost, matrix.high, matrix.is_integer)


def big(cost, high, whole) -> Matrix:
    """x is discharged, y imported; what is stored has no cost. Rows: bus, out of and into the battery, battery."""
    names = [
        "discharge",
        "import_",
        "stored",
        "export_",
        "pv_used",
        "charge",
        "to_ac",
        "to_dc",
        "start",
        "part",
        "which",
    ]
    columns = {
        name: Family(number, 1 if number < 9 else 0) for number, name in enumerate(names[:9])
    }
    columns |= {name: Family(9, 0) for name in names[9:]}
    rows = {
        name: Family(number, 1)
        for number, name in enumerate(("ac_bus", "out_of_battery", "into_battery", "battery"))
    }
    table = np.zeros((4, 9))
    table[0, [1, 6]] = 1.0  # y + to_ac = 4
    table[0, [3, 7]] = -1.0
    table[1, 0], table[1, 6] = 1.0, -1.0
    table[2, 7], table[2, 5] = 1.0, -1.0
    table[3, [2, 0]], table[3, [5, 8]] = 1.0, -1.0  # stored + x = start of 100 + charge
    return Matrix(
        np.array([cost[0], cost[1], *[0.0] * 7]), 7.0, np.array([*[0.0] * 8, 100.0]),
        np.array([high[0], high[1], 100.0, 0.0, 0.0, 0.0, 50.0, 0.0, 100.0]), np.array([*whole, *[0] * 7]),
        row_low=np.array([4.0, 0, 0, 0]), row_high=np.array([4.0, 0, 0, 0]), table=sparse.csc_array(table),
        columns=columns, rows=rows,
    )  # fmt: skip


def test_a_repeatable_solver_keeps_a_base_for_each_shape_if_it_collects_them() -> None:
    matrix = named(program())
    for collects, count in ((True, 1), (False, 0)):
        solver = LinearSolver(bases=[], collects_bases=collects)
        assert solver.solve(matrix, lambda: 10.0).objective == pytest.approx(16.0)
        assert solver.solve(matrix, lambda: 10.0).objective == pytest.approx(16.0)
        assert len(solver.bases) == count
    plain = LinearSolver()
    plain.solve(matrix, lambda: 10.0)
    assert plain.bases == ()
    other = Basis(np.zeros(3, dtype=np.int64), np.zeros(1, dtype=np.int64))
    solver = LinearSolver(bases=[other], collects_bases=True)
    assert solver.solve(matrix, lambda: 10.0).objective == pytest.approx(16.0)
    assert len(solver.bases) == 2


@pytest.mark.parametrize(("change", "is_so"), [
    ({}, True), ({"cost": np.ones(2), "high": np.ones(2), "row_low": np.ones(1)}, True),
    ({"columns": {"x": Family(0, 2)}}, False), ({"rows": {"other": Family(0, 1)}}, False),
    ({"table": sparse.csc_array([[1.0, 2.0]])}, False), ({"table": sparse.csc_array([[1.0, 0.0]])}, False),
    ({"table": sparse.csc_array([[0.0, 1.0]])}, False),
])  # fmt: skip
def test_coefficients_are_the_same_if_names_and_table_are(change, is_so) -> None:
    matrix = program()
    assert matrix.has_coefficients_of(Matrix(**vars(program()) | change)) == is_so
    assert Matrix(**vars(program()) | change).has_coefficients_of(matrix) == is_so


def test_entries_in_other_rows_are_other_coefficients() -> None:
    two = {"rows": {"both": Family(0, 2)}, "row_low": np.zeros(2), "row_high": np.ones(2)}
    one = Matrix(**vars(program()) | two | {"table": sparse.csc_array([[1.0, 0.0], [0.0, 1.0]])})
    other = Matrix(**vars(program()) | two | {"table": sparse.csc_array([[0.0, 1.0], [1.0, 0.0]])})
    assert not one.has_coefficients_of(other)


def test_a_known_base_stays_the_one_that_programs_of_its_shape_start_from() -> None:
    first = LinearSolver(bases=[], collects_bases=True)
    first.solve(named(program()), lambda: 10.0)
    again = LinearSolver(bases=first.bases)
    again.solve(named(program(high=(1.0, 10.0))), lambda: 10.0)
    assert again._kept[0].base is first.bases[0]
    assert again.bases == first.bases


def test_a_near_program_is_solved_from_the_last_one() -> None:
    """x at most 2, then 1: costs of 4 + 6 + 7 and 2 + 9 + 7."""
    solver = LinearSolver()
    solver.solve(named(program()), lambda: 10.0)
    for high, cost in ((2.0, 17.0), (1.0, 18.0)):
        near = solver.solve_near(named(program(high=(high, 10.0))), lambda: 10.0)
        assert near.objective == pytest.approx(cost)
        assert near.value[:2] == pytest.approx([high, 4 - high])
    assert solver.solve_near(
        named(program(cost=(4.0, 3.0))), lambda: 10.0
    ).objective == pytest.approx(19.0)


def test_what_is_substituted_out_follows_from_what_stays() -> None:
    """2a + y = r₁ and a + b = r₂: a = r₁/2 − y/2, and b = r₂ − r₁/2 + y/2."""
    matrix = Matrix(
        cost=np.zeros(3), offset=0.0, low=np.zeros(3), high=np.ones(3), is_integer=np.zeros(3, dtype=int),
        row_low=np.zeros(2), row_high=np.zeros(2), table=sparse.csc_array([[2.0, 0.0, 1.0], [1.0, 1.0, 0.0]]),
        columns={"a": Family(0, 1), "b": Family(1, 1), "y": Family(2, 1)},
        rows={"first": Family(0, 1), "second": Family(1, 1)},
    )  # fmt: skip
    spread, shift = _substituted(matrix, {"a": "first", "b": "second"}, [])
    assert spread.toarray().tolist() == [[0, 0, -0.5], [0, 0, 0.5], [0, 0, 1]]
    assert shift.toarray().tolist() == [[0.5, 0], [-0.5, 1], [0, 0]]


def wrong_once(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let the first answer that the solver hands out import 1 kWh too much."""
    told, is_told = Instance.solution, []

    def bent(instance: Instance) -> Solution:
        found = told(instance)
        if not is_told:
            is_told.append(True)
            found.value[:] += 1.0
        return found

    monkeypatch.setattr(Instance, "solution", bent)


def test_a_near_answer_that_is_not_proven_is_solved_in_full(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """x at most 2: 4 + 6 + 7."""
    solver = LinearSolver()
    solver.solve(named(program()), lambda: 10.0)
    wrong_once(monkeypatch)
    near = solver.solve_near(named(program(high=(2.0, 10.0))), lambda: 10.0)
    assert near.objective == pytest.approx(17.0)
    assert near.value[:2] == pytest.approx([2.0, 2.0])


def lossy(efficiency: float) -> Matrix:
    """Return the same program with other coefficients: of x so much arrives."""
    matrix = named(program())
    table = matrix.table.toarray()
    table[1, 0] = efficiency
    return replace(matrix, table=sparse.csc_array(table))


def test_the_two_programs_solved_last_stay_compiled() -> None:
    solver = LinearSolver()
    for efficiency in (0.9, 0.8, 0.7):
        solver.solve(lossy(efficiency), lambda: 10.0)
    second, third = (kept.compact for kept in reversed(solver._kept))
    solver.solve(lossy(0.8), lambda: 10.0)
    solver.solve(lossy(0.7), lambda: 10.0)
    assert [kept.compact for kept in solver._kept] == [third, second]


def test_only_the_program_whose_warm_answer_was_wrong_is_given_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    solver = LinearSolver()
    solver.solve(lossy(0.9), lambda: 10.0)
    solver.solve(lossy(0.8), lambda: 10.0)
    wrong, other = solver._kept
    proofs = [True, False]  # the warm answer is not proven, the next one is
    monkeypatch.setattr(linear, "is_proven", lambda *_: proofs.pop())
    solver.solve(lossy(0.8), lambda: 10.0)
    assert solver._kept[1] is other
    assert solver._kept[0] is not wrong
