"""The one place that knows the solver: arrays in, solution and shadow prices out.

HiGHS runs its serial dual simplex with one thread; on these problems the other methods are slower.
Every return code is looked at, and *why it stopped* is kept apart from *how good the answer is*.

HiGHS's heuristics for a first answer (sub-problems at the root) took four fifths of those 25 s;
they are off.

Costs are not shaken for a start near the optimum. HiGHS perturbs costs against cycling; on joined
or warm starts that alone caused 1,500 iterations where 60 were needed.

Interrupts. HiGHS runs in a thread so that Ctrl-C is heard at once; a cancelled solver leaves
threads that abort an orderly exit, so the command then leaves at once with code 3. Only runs with
integers ask for interrupts: HiGHS asks through the interpreter, and beside a busy thread one LP
then took 3 to 16 s instead of one.

The solver's greeting (HiGHS 1.16 prints two lines from its constructor) is kept off standard
output.

Read next: ``linear``.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import highspy
import numpy as np
import scipy.sparse as sparse

from optimizer.base import parallel
from optimizer.base.errors import (
    Infeasible,
    Interrupted,
    OptimizerError,
    SolveError,
    StoppedEarly,
    Unbounded,
    Undecided,
)
from optimizer.base.timegrid import FloatArray, IntArray
from optimizer.planning.counting import Units
from optimizer.planning.matrix import Bounds, Matrix

RELATIVE_GAP = 1e-6
"""A plan with integers is proven best to this share of its cost, if time allows."""

OPTIONS = {
    "output_flag": False,
    "log_to_console": False,
    "threads": 1,
    "mip_rel_gap": RELATIVE_GAP,
    # On a year of steps these searches for a first answer took four fifths of the time of a plan
    # with 183 binaries, and the tree found it without them.
    "mip_heuristic_run_root_reduced_cost": False,
    "mip_heuristic_run_rens": False,
    "mip_heuristic_run_rins": False,
}


@dataclass(frozen=True)
class Solution:
    """An optimum: column values and objective; for an LP also the shadow prices.

    ``row_price`` is the change of the objective per unit of a row's right-hand side, shape (rows,);
    ``column_price`` the same for the limit on which a column sits, shape (columns,).
    ``gap`` is the relative distance to the proven bound; 0 for an LP.
    """

    value: FloatArray
    objective: float
    row_price: FloatArray
    column_price: FloatArray
    iterations: int
    gap: float = 0.0


def solve(matrix: Matrix, time_limit_s: float, *, keenly: bool = False) -> Solution:
    """Solve an LP, or a MILP where the matrix has integer columns.

    ``keenly`` takes the smallest tolerances that the solver knows, which is slower.

    Raises
    ------
    Infeasible, Unbounded, StoppedEarly
        As the solver says; without an explanation in the site's terms, which ``plan`` adds.
    """
    units = Units.of(matrix)
    instance = Instance(units.into(matrix))
    if keenly:
        instance.take_least_tolerances()
    instance.run(time_limit_s)
    return units.back(instance.solution())


def least_clash(matrix: Matrix, relaxed_rows: IntArray) -> FloatArray:
    """Return the least relaxation of some rows that makes the rest feasible, shape (rows,).

    Returns
    -------
    array
        What has to be added to each of the rows, shape of ``relaxed_rows``, of either sign.

    Raises
    ------
    Infeasible
        If the rest cannot hold however far these rows give way.
    """
    count = len(relaxed_rows)
    width = len(matrix.cost)
    ones = np.ones(count), (relaxed_rows, np.arange(count))
    given_way = sparse.csc_array(ones, shape=(len(matrix.row_low), count))
    elastic = replace(
        matrix,
        cost=np.concatenate([np.zeros(width), np.ones(2 * count)]),
        low=np.concatenate([matrix.low, np.zeros(2 * count)]),
        high=np.concatenate([matrix.high, np.full(2 * count, np.inf)]),
        is_integer=np.zeros(width + 2 * count, dtype=np.int64),
        table=sparse.hstack([matrix.table, given_way, -given_way], format="csc"),
    )
    given = solve(elastic, time_limit_s=600).value[width:]
    return given[:count] - given[count:]


FAILURES: dict[str, Callable[[], SolveError]] = {
    "kInfeasible": lambda: Infeasible(
        "no operation obeys all limits", where="the plan", mend="See which limits clash."
    ),
    "kUnboundedOrInfeasible": lambda: Infeasible(
        "no operation obeys all limits", where="the plan", mend="See which limits clash."
    ),
    "kUnbounded": lambda: Unbounded(
        "the cost can fall without end",
        where="the plan",
        mend="Give the connection an import and an export limit, and check the prices' signs.",
    ),
    "kTimeLimit": lambda: StoppedEarly(
        "the time allowed was over before the plan was proven",
        where="the plan",
        mend="Allow more time with --time-limit, or plan a shorter forecast.",
    ),
    "kInterrupt": lambda: Interrupted(
        "interrupted; nothing was written", where="the plan", mend="Run it again."
    ),
}
"""What each end of the solver that can be explained becomes; all others by name."""


def failure_of(status: highspy.HighsModelStatus) -> SolveError:
    """Return the error of a solver status that is no optimum."""
    known = FAILURES.get(status.name)
    if known:
        return known()
    return Undecided(
        f"the solver stopped without an answer ({status.name[1:]})",
        where="the plan",
        mend="Look for values of very different size in the scenario and the tariff.",
    )


@dataclass(frozen=True)
class Basis:
    """Where each column and row stands: basic, or at which limit; the solver's numbers."""

    columns: IntArray
    rows: IntArray


STATUSES = [highspy.HighsBasisStatus(number) for number in range(5)]
BASIC = int(highspy.HighsBasisStatus.kBasic)
AT_LOW = int(highspy.HighsBasisStatus.kLower)


class Instance:
    """The solver with a program in it, which can be changed and solved again from where it stood.

    Only costs and limits can be changed; with other coefficients it takes a new instance.
    """

    def __init__(self, matrix: Matrix, *, presolve: bool = True) -> None:
        self._has_integers = bool(matrix.is_integer.any())
        self._table = matrix.table
        self._bounds = matrix.bounds
        self._highs = _loaded(matrix)
        self._set("presolve", "choose" if presolve else "off")

    def _set(self, option: str, value: float | str) -> None:
        _must(self._highs.setOptionValue(option, value), f"set {option}")

    def take_least_tolerances(self) -> None:
        """Keep limits, and prove prices, to 1e-10, where the solver by itself takes 1e-7 for nothing."""
        for name in ("primal_feasibility_tolerance", "dual_feasibility_tolerance"):
            self._set(name, 1e-10)

    def cost(self, cost: FloatArray, offset: float = 0.0) -> None:
        """Set the price of each column, shape (columns,). [money per kWh]"""
        every = np.arange(len(cost), dtype=np.int32)
        _must(self._highs.changeColsCost(len(every), every, cost), "change the costs")
        _must(self._highs.changeObjectiveOffset(offset), "change the constant")

    def bounds(self, bounds: Bounds) -> None:
        """Set the limits of columns and rows; only those that differ are handed over."""
        for (low, high), (old_low, old_high), change in (
            (bounds.columns, self._bounds.columns, self._highs.changeColsBounds),
            (bounds.rows, self._bounds.rows, self._highs.changeRowsBounds),
        ):
            other = np.flatnonzero((low != old_low) | (high != old_high)).astype(np.int32)
            _must(change(len(other), other, low[other], high[other]), "change limits")
        self._bounds = bounds

    def start_from(self, basis: Basis) -> None:
        """Start from a basis; one that is not quite a basis of this program is completed."""
        given = highspy.HighsBasis()
        given.col_status = [STATUSES[number] for number in basis.columns.tolist()]
        given.row_status = [STATUSES[number] for number in basis.rows.tolist()]
        given.valid = given.alien = True
        _must(self._highs.setBasis(given), "start from a basis")

    def basis(self) -> Basis:
        """Return where columns and rows stand."""
        found = self._highs.getBasis()
        columns = np.array([int(status) for status in found.col_status])
        return Basis(columns, np.array([int(status) for status in found.row_status]))

    def run(self, time_limit_s: float, *, primal: bool = False, near: bool = False) -> int:
        """Solve and return the number of iterations; parameters and errors as for ``solve``.

        Starts from the last basis if there is one. ``primal`` takes the primal simplex method, for
        a start that keeps all limits. ``near`` says that the start is close to the optimum: the
        costs are then not shaken, as they are against cycling, for that takes the start away from it.
        """
        highs = self._highs
        self._set("time_limit", highs.getRunTime() + time_limit_s)  # the solver counts all its runs
        self._set("simplex_strategy", 4 if primal else 1)
        self._set("dual_simplex_cost_perturbation_multiplier", 0.0 if near else 1.0)
        _run(highs)
        status, info = highs.getModelStatus(), highs.getInfo()
        if status != highspy.HighsModelStatus.kOptimal:
            feasible = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
            stopped = status == highspy.HighsModelStatus.kTimeLimit
            if not (self._has_integers and feasible and stopped):
                raise failure_of(status)
        return max(int(info.simplex_iteration_count), 0)

    def solution(self) -> Solution:
        """Return what the last run found."""
        solution, info = self._highs.getSolution(), self._highs.getInfo()
        return Solution(
            value=np.array(solution.col_value),
            objective=info.objective_function_value,
            row_price=np.array(solution.row_dual) if solution.dual_valid else np.zeros(0),
            column_price=np.array(solution.col_dual) if solution.dual_valid else np.zeros(0),
            iterations=max(info.simplex_iteration_count, 0),
            gap=info.mip_gap if self._has_integers else 0.0,
        )

    def solution_priced(self, cost: FloatArray) -> Solution:
        """Return the last run's values with the shadow prices that another cost has at its basis.

        They are an optimum of that cost if they prove it. No run is needed: with the basis B the
        prices of rows are the solution of B'y = cost of the basic columns.
        """
        basic = self._highs.getBasicVariables()[1]
        of_basic = np.where(basic >= 0, cost[np.maximum(basic, 0)], 0.0)
        status, row_price = self._highs.getBasisTransposeSolve(of_basic)
        _must(status, "price the basis")
        row_price = np.asarray(row_price, dtype=float)
        value = np.array(self._highs.getSolution().col_value)
        column_price = cost - self._table.T @ row_price
        return Solution(value, float((cost * value).sum()), row_price, column_price, 0)

    def run_here(self, time_limit_s: float) -> Basis:
        """Solve in this thread, without watching for an interrupt, and return the basis."""
        highs = self._highs
        self._set("time_limit", float(time_limit_s))
        _must(highs.run(), "solve")
        if highs.getModelStatus() != highspy.HighsModelStatus.kOptimal:
            raise failure_of(highs.getModelStatus())
        return self.basis()


def run_side_by_side(
    programs: Sequence[Matrix], seconds: float, workers: int | None = None
) -> list[Basis]:
    """Solve linear programs on several processors at once and return their bases.

    Raises
    ------
    Infeasible, Unbounded, StoppedEarly
        As the first program that has no optimum says.
    """

    def run(program: Matrix) -> Basis:
        return Instance(program, presolve=False).run_here(seconds)

    pool = ThreadPoolExecutor(workers or processors())
    try:
        return list(pool.map(run, programs))
    except KeyboardInterrupt:
        raise FAILURES["kInterrupt"]() from None
    finally:
        pool.shutdown(wait=False, cancel_futures=True)


_most: int | None = None


def use_processors(count: int) -> None:
    """Set the largest number of processors; a worker process uses one."""
    global _most
    _most = count


def use_one_thread() -> None:
    """Let solver and search use one thread in this process."""
    parallel.use(1)
    use_processors(1)


def processors() -> int:
    """Return how many processors this process may use."""
    if _most is not None:
        return _most
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def _loaded(matrix: Matrix) -> highspy.Highs:
    with _solver_banner_silenced():
        highs = highspy.Highs()
    # The solver asks for an interrupt at every turn, through the interpreter, and waits for it while
    # another thread computes; a linear program takes seconds and is rather left to itself.
    highs.HandleUserInterrupt = bool(matrix.is_integer.any())
    for option, setting in OPTIONS.items():
        _must(highs.setOptionValue(option, setting), f"set {option}")
    table, whole = matrix.table, matrix.is_integer.astype(np.int32)
    passed = highs.passModel(
        len(matrix.cost), len(matrix.row_low), table.nnz,
        int(highspy.MatrixFormat.kColwise), int(highspy.ObjSense.kMinimize), matrix.offset,
        matrix.cost, matrix.low, matrix.high, matrix.row_low, matrix.row_high,
        table.indptr.astype(np.int32), table.indices.astype(np.int32), table.data, whole,
    )  # fmt: skip
    _must(passed, "pass the model")
    return highs


def _run(highs: highspy.Highs) -> None:
    """Run to the end in a thread of its own, so that Ctrl-C is heard at once.

    A run with integers is then stopped; one without goes on unheard until it or the process ends.
    """
    outcome: list[highspy.HighsStatus] = []
    worker = threading.Thread(target=lambda: outcome.append(highs.run()), daemon=True)
    worker.start()
    try:
        worker.join()
    except KeyboardInterrupt:
        if highs.HandleUserInterrupt:
            highs.cancelSolve()
            worker.join()
        raise FAILURES["kInterrupt"]() from None
    _must(outcome[0] if outcome else highspy.HighsStatus.kError, "solve")


def _must(status: highspy.HighsStatus, what: str) -> None:
    if status == highspy.HighsStatus.kError:
        raise OptimizerError(
            f"the solver refused to {what}",
            where="the plan",
            mend="This is a fault of the program: please report it with the scenario.",
        )


_STANDARD_OUTPUT = threading.Lock()
"""Two threads must not turn standard output aside at once: one would restore the other's nowhere."""


@contextlib.contextmanager
def _solver_banner_silenced() -> Iterator[None]:
    """Keep HiGHS 1.16's two lines of greeting off standard output, where JSON may go."""
    with _STANDARD_OUTPUT:
        sys.stdout.flush()
        kept = os.dup(1)
        nowhere = os.open(os.devnull, os.O_WRONLY)
        try:
            os.dup2(nowhere, 1)
            yield
        finally:
            _flush_c_output()
            os.dup2(kept, 1)
            os.close(kept)
            os.close(nowhere)


def _flush_c_output() -> None:
    """Empty the C library's buffer while it still points nowhere."""
    import ctypes

    with contextlib.suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(None).fflush(None)
