"""Solves the linear program: small, in months, to the one plan that ties leave, and checks it.

1. Flows that follow from others are substituted out (``compact``).
2. A long horizon starts from the joined bases of its months (``months``); a program whose
   coefficients were solved before starts where that one ended.
3. Of plans that cost the same one is chosen. With equal prices over hours there are many, and which
   of them the simplex method meets depends on its start. So each solution is found in three runs:
   the cost plus a tiny price, the cost itself, and last the tie price alone over all plans that cost
   the least. The first makes the others short, mostly so short that its last basis only has to be
   priced; the second makes the cost exact; the third leaves one plan, whatever the start, the order
   of columns, or the number of processors.
4. The answer is checked without the solver: limits kept, and the shadow prices prove the cost.

The tie price prefers PV used to PV curtailed, and less imported, less taken through inverter and
battery, and less and later stored to more. So that no two plans tie, the price of stored energy
differs from step to step by the multiples of the golden ratio, which never repeat.

One side of wide kinks. Rows that tie the months of a year together make every step of the simplex
method dear: a net-metering bank took 6 to 12 times as long as the plan without. One side of such
kinks is tried first; it is a lower bound that can be checked at its optimum. Where it is right (a
building that buys more than it sells all year) nothing is lost; where it is not, one more plain
LP is.

One plan of many that cost the same (``linear.py``). A tie price of 1e-6 per kWh goes along in the
first run; with the cost alone the optimum is then confirmed, or found in a few iterations; last
the tie price is minimised over the plans of least cost, which are those that keep to every limit
that has a price. A larger tie price alone was not exact (1e-5: 1.6e-7 of a bill too dear), a
smaller one not decisive, and the last run without the first took 1,600 iterations instead of
none. Where the first run's basis is already right, which its prices for the other cost tell, the
other runs are left out.

Warm: ``LinearSolver`` keeps the compiled program and the solver. A program with the same
coefficients, which is compared and not promised, hands over costs and limits only. One warm
solution in 50 is found again from nothing.

No answer is believed unproven: limits kept, and the shadow prices give a bound as high as the
cost, checked on the whole program without the solver. What fails is solved again plainly, with
presolve, and then with the least tolerances; what fails then is an error. HiGHS has given warm
answers that were called optimal and were not (its issue 3194).

Read next: ``plan``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from optimizer.base.errors import DisagreementError, Interrupted, SolveError, Undecided
from optimizer.base.timegrid import FloatArray
from optimizer.base.units import MONEY_TOLERANCE, MONEY_TOLERANCE_RELATIVE
from optimizer.planning.compact import Compact
from optimizer.planning.counting import Units
from optimizer.planning.matrix import Bounds, Matrix
from optimizer.planning.months import joined_basis
from optimizer.planning.solver import Basis, Instance, Solution, solve

TIE_PRICE = 1e-6
"""What one unit of the tie price counts beside the cost in the first run. [money/kWh]"""

TIE_WEIGHTS = {
    "pv_used": -1.0,
    "import_": 1.0,
    "discharge": 1.0,
    "to_dc": 1.0,
    "stored_export": 1.0,
}
"""The tie price of a kWh; that of a kWh stored for an hour lies between 0.5 and 1.5."""

GOLDEN = (5**0.5 - 1) / 2

NO_PRICE = 1e-7
"""A shadow price below this is none: the solver works to as much. [money/kWh]"""

AT_LIMIT = 1e-9
"""A value as near as this stands at a limit. [kWh]"""

LIMIT_TOLERANCE = 1e-6
"""A limit may be missed by this, as the solver may. [kWh]"""

CHECK_EVERY = 50
"""Every n-th warm solution is checked by solving from nothing."""

KEPT_PROGRAMS = 2
"""How many compiled programs are kept, with the solver that last solved them."""

Clock = Callable[[], float]

NOWHERE = Basis(np.zeros(0, dtype=np.int64), np.zeros(0, dtype=np.int64))


@dataclass
class _Kept:
    """A compiled program, the solver in which it stands, and how often it was solved there."""

    matrix: Matrix
    compact: Compact
    instance: Instance
    solved: int = 0
    base: Basis = NOWHERE

    @cached_property
    def tie(self) -> FloatArray:
        """The tie price on the small program's columns, shape (c,). [money per kWh]"""
        price: FloatArray = self.compact.spread.T @ tie_price(self.matrix)
        return price


class LinearSolver:
    """Solves linear programs; where only costs and limits changed, from the last solution on.

    Sizes of battery and inverter, loads, PV, prices and limits of the connection are costs and
    limits; efficiencies, permissions, the grid, and the structure of the tariff are coefficients,
    and a program with others is compiled anew. The plan is the same either way.

    Parameters
    ----------
    workers : int, optional
        Threads for the months of a program that is solved from nothing.
    bases : sequence of Basis, optional
        Where programs of a shape were solved before. With it, empty or not, the solver is *repeatable*:
        each program starts from the base of its shape, or from nothing, and not from the last solution.
        So the answer does not hang, to the last bit, on what was solved in between.
    collects_bases : bool
        Whether a program of a new shape leaves a base.
    """

    def __init__(
        self,
        workers: int | None = None,
        bases: Sequence[Basis] | None = None,
        *,
        collects_bases: bool = False,
    ) -> None:
        self._workers = workers
        self._kept: list[_Kept] = []
        self._bases = None if bases is None else list(bases)
        self._collects_bases = collects_bases

    @property
    def bases(self) -> tuple[Basis, ...]:
        """Where programs were first solved; none if the solver is not repeatable."""
        return tuple(self._bases or ())

    def solve(self, matrix: Matrix, seconds_left: Clock) -> Solution:
        """Return the optimum that the tie price chooses.

        Parameters
        ----------
        matrix : Matrix
            A linear program; integer columns are taken as they are limited.
        seconds_left : callable
            Time that is left. [s]

        Raises
        ------
        Infeasible, Unbounded, StoppedEarly
            As the solver says.
        DisagreementError
            If neither way of solving gives an answer whose shadow prices prove it.
        """
        units = Units.of(matrix)
        return units.back(self._solve(units.into(matrix), seconds_left))

    def _solve(self, matrix: Matrix, seconds_left: Clock) -> Solution:
        for kept in self._kept:
            if matrix.has_coefficients_of(kept.matrix):
                kept.solved += 1
                if self._bases is not None:
                    kept.instance.start_from(kept.base)
                with suppress(Undecided):
                    if self._bases is None and kept.solved % CHECK_EVERY == 0:
                        return self._checked_anew(kept, matrix, seconds_left)
                    found = _solve_again(kept, matrix, seconds_left)
                    if is_proven(matrix, found):
                        return found
                self._kept = [each for each in self._kept if each is not kept]
                break
        return self._solve_anew(matrix, seconds_left)

    def solve_near(self, matrix: Matrix, seconds_left: Clock) -> Solution:
        """Return an optimum of a program that differs a little from the one solved last.

        In one run from where that one stands; of plans that cost the same it is any. Parameters and
        errors as for ``solve``.
        """
        units = Units.of(matrix)
        return units.back(self._solve_near(units.into(matrix), seconds_left))

    def _solve_near(self, matrix: Matrix, seconds_left: Clock) -> Solution:
        for kept in self._kept:
            if matrix.has_coefficients_of(kept.matrix):
                program = kept.compact.program(matrix)
                kept.instance.bounds(program.bounds)
                kept.instance.cost(program.cost, program.offset)
                with suppress(Undecided):
                    kept.instance.run(seconds_left(), near=True)
                    found = kept.compact.whole(matrix, kept.instance.solution())
                    if is_proven(matrix, found):
                        return found
        return self._solve(matrix, seconds_left)

    def _solve_anew(self, matrix: Matrix, seconds_left: Clock) -> Solution:
        compact = Compact.of(matrix)
        program = compact.program(matrix)
        kept = _Kept(matrix, compact, Instance(program, presolve=False))
        start = self._base_for(program)
        is_known = start is not None
        if start is None:
            tied = replace(program, cost=program.cost + TIE_PRICE * kept.tie)
            start = joined_basis(tied, matrix.edges, seconds_left(), self._workers)
        if start is not None:
            kept.instance.start_from(start)
        try:
            found = _solve_in(kept, matrix, program, seconds_left, near=start is not None)
        except Undecided:
            return _solved_plainly(matrix, seconds_left)
        if not is_proven(matrix, found):
            return _solved_plainly(matrix, seconds_left)
        if self._bases is not None:
            if not is_known and not self._collects_bases:
                return found
            kept.base = start if is_known and start is not None else kept.instance.basis()
            if not is_known:
                self._bases.append(kept.base)
        self._kept = [kept, *self._kept][:KEPT_PROGRAMS]
        return found

    def _base_for(self, program: Matrix) -> Basis | None:
        shape = len(program.cost), len(program.row_low)
        known = (each for each in self._bases or () if (len(each.columns), len(each.rows)) == shape)
        return next(known, None)

    def _checked_anew(self, kept: _Kept, matrix: Matrix, seconds_left: Clock) -> Solution:
        """Solve from nothing what could be solved warm, and see that both cost the same."""
        warm = _solve_again(kept, matrix, seconds_left)
        self._kept.remove(kept)
        cold = self._solve_anew(matrix, seconds_left)
        if is_proven(matrix, warm) and abs(warm.objective - cold.objective) > _allowed(
            matrix, cold
        ):
            raise DisagreementError(
                f"solved again the plan costs {warm.objective:.6f}, from nothing"
                f" {cold.objective:.6f}",
                where="the plan",
                mend="This is a fault of the program: please report it with the scenario.",
            )
        return cold


def solve_with_fixed_integers(
    matrix: Matrix,
    values: FloatArray,
    time_limit_s: float = 600.0,
    solver: LinearSolver | None = None,
) -> Solution:
    """Solve the linear program that is left once the integer columns keep the given values.

    ``solver`` is one that solved a program with the same coefficients before.
    """
    whole = matrix.is_integer.astype(bool)
    low, high = matrix.low.copy(), matrix.high.copy()
    low[whole] = high[whole] = np.round(values[whole])
    fixed = replace(matrix, low=low, high=high, is_integer=0 * matrix.is_integer)
    return (solver or LinearSolver()).solve(fixed, lambda: time_limit_s)


def _solve_again(kept: _Kept, matrix: Matrix, seconds_left: Clock) -> Solution:
    program = kept.compact.program(matrix)
    kept.instance.bounds(program.bounds)
    return _solve_in(kept, matrix, program, seconds_left, near=True)


def _solve_in(
    kept: _Kept, matrix: Matrix, program: Matrix, seconds_left: Clock, near: bool
) -> Solution:
    """Solve in the three runs above and return the whole program's solution."""
    instance, compact, tie = kept.instance, kept.compact, kept.tie
    instance.cost(program.cost + TIE_PRICE * tie, program.offset)
    iterations = instance.run(seconds_left(), near=near)
    cheapest = instance.solution_priced(program.cost)
    if not _is_least(program, program.bounds, cheapest):
        cheapest = _run_on(instance, program.cost, seconds_left, cheapest)
    face = _only_cheapest(program, cheapest)
    chosen = instance.solution_priced(tie)
    if not _is_least(program, face, chosen):
        instance.bounds(face)
        chosen = _run_on(instance, tie, seconds_left, chosen)
    iterations += cheapest.iterations + chosen.iterations
    found = compact.whole(matrix, replace(cheapest, value=chosen.value, iterations=iterations))
    return replace(found, objective=_sum(matrix.cost, found.value) + matrix.offset)


def _run_on(instance: Instance, cost: FloatArray, seconds: Clock, before: Solution) -> Solution:
    """Lower another cost from where the solver stands; if that comes to no end, keep what was."""
    instance.cost(cost)
    try:
        instance.run(seconds(), primal=True)
    except Interrupted:
        raise
    except SolveError:
        return before
    return instance.solution()


def tie_price(matrix: Matrix) -> FloatArray:
    """Return the price that chooses between plans of equal cost, shape (columns,). [1/kWh]"""
    price = np.zeros(len(matrix.cost))
    for name, weight in TIE_WEIGHTS.items():
        if name in matrix.columns:
            price[matrix.columns[name].span] = weight
    stored = matrix.columns["stored"]
    differing = 0.5 + np.modf(GOLDEN * np.arange(stored.count))[0]
    price[stored.span] = matrix.step_h * differing
    return price


def _is_least(program: Matrix, bounds: Bounds, found: Solution) -> bool:
    """Whether values keep to every limit that has a price: then nothing within bounds costs less."""
    used = program.table @ found.value
    return _keeps(*bounds.columns, found.value, found.column_price) and _keeps(
        *bounds.rows, used, found.row_price
    )


def _keeps(low: FloatArray, high: FloatArray, value: FloatArray, price: FloatArray) -> bool:
    off_low = (price > NO_PRICE) & (value > low + AT_LIMIT)
    off_high = (price < -NO_PRICE) & (value < high - AT_LIMIT)
    return not (off_low.any() or off_high.any())


def _only_cheapest(program: Matrix, solution: Solution) -> Bounds:
    """Return limits within which every plan costs the least.

    A plan costs the least if, and only if, it keeps to each limit that has a price in one proof of
    the least cost (complementary slackness).
    """
    return Bounds(
        _held(program.low, program.high, solution.column_price),
        _held(program.row_low, program.row_high, solution.row_price),
    )


def _held(low: FloatArray, high: FloatArray, price: FloatArray) -> tuple[FloatArray, FloatArray]:
    at_low = (price > NO_PRICE) & np.isfinite(low)
    at_high = (price < -NO_PRICE) & np.isfinite(high)
    return np.where(at_high, high, low), np.where(at_low, low, high)


# --- is it true ------------------------------------------------------------------------------


def _solved_plainly(matrix: Matrix, seconds_left: Clock) -> Solution:
    """Solve the whole program with all that the solver does by itself; ties are left as they fall.

    The second try takes the least tolerances: what the solver takes for no price is money after all
    where it is times thousands of kWh.
    """
    undecided: Undecided | None = None
    for keenly in (False, True):
        try:
            found = solve(matrix, seconds_left(), keenly=keenly)
        except Undecided as failure:
            undecided = failure
            continue
        if is_proven(matrix, found):
            return found
    raise undecided or DisagreementError(
        "the solver's answer breaks a limit or is not the cheapest by its own shadow prices",
        where="the plan",
        mend="Look for values of very different size in the scenario and the tariff.",
    )


def is_proven(matrix: Matrix, solution: Solution) -> bool:
    """Whether a solution keeps all limits and its shadow prices give a bound as high as its cost."""
    used = matrix.table @ solution.value
    missed = max(
        _missed(matrix.low, solution.value, matrix.high),
        _missed(matrix.row_low, used, matrix.row_high),
    )
    if missed > LIMIT_TOLERANCE:
        return False
    cost = _sum(matrix.cost, solution.value) + matrix.offset
    return abs(cost - dual_bound(matrix, solution.row_price)) <= _allowed(matrix, solution)


def dual_bound(matrix: Matrix, row_price: FloatArray) -> float:
    """Return the cost below which no solution of a program can be, by some prices of its rows. [money]

    Weak duality: whatever the prices, Σ price·row and Σ (cost − Tᵀprice)·column, each at the limit at
    which it is least, add up to no more than the cost of anything that keeps the limits.
    """
    reduced = matrix.cost - matrix.table.T @ row_price
    return (
        matrix.offset
        + _least(row_price, matrix.row_low, matrix.row_high)
        + _least(reduced, matrix.low, matrix.high)
    )


def _missed(low: FloatArray, value: FloatArray, high: FloatArray) -> float:
    return float(max((low - value).max(initial=0.0), (value - high).max(initial=0.0)))


def _least(price: FloatArray, low: FloatArray, high: FloatArray) -> float:
    """Return the least of Σ price·x within limits; prices that are none count nothing."""
    limit = np.where(price > 0, low, high)
    counted = np.isfinite(limit) | (np.abs(price) > NO_PRICE)
    return _sum(price[counted], limit[counted])


def _allowed(matrix: Matrix, solution: Solution) -> float:
    scale = _sum(np.abs(matrix.cost), np.abs(solution.value))
    return max(MONEY_TOLERANCE, MONEY_TOLERANCE_RELATIVE * scale)


def _sum(price: FloatArray, amount: FloatArray) -> float:
    """Return Σ price·amount; a library's product may wait for processors that others use."""
    return float((price * amount).sum())
