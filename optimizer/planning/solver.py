"""The one place that knows the solver: arrays in, solution and shadow prices out.

HiGHS runs its serial dual simplex with one thread; on these problems the other methods are slower.
Every return code is looked at, and *why it stopped* is kept apart from *how good the answer is*.
Read next: ``plan``.
"""

from __future__ import annotations

import contextlib
import os
import sys
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import highspy
import numpy as np

from optimizer.errors import (
    Infeasible,
    Interrupted,
    OptimizerError,
    SolveError,
    StoppedEarly,
    Unbounded,
)
from optimizer.planning.matrix import Matrix
from optimizer.timegrid import FloatArray, IntArray

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


def solve(matrix: Matrix, time_limit_s: float) -> Solution:
    """Solve an LP, or a MILP where the matrix has integer columns.

    Raises
    ------
    Infeasible, Unbounded, StoppedEarly
        As the solver says; without an explanation in the site's terms, which ``plan`` adds.
    """
    highs = _loaded(matrix)
    _must(highs.setOptionValue("time_limit", float(time_limit_s)), "set the time limit")
    _run(highs)
    status = highs.getModelStatus()
    has_integers = bool(matrix.is_integer.any())
    info = highs.getInfo()
    if status != highspy.HighsModelStatus.kOptimal:
        feasible = info.primal_solution_status == highspy.SolutionStatus.kSolutionStatusFeasible
        if not (has_integers and feasible and status == highspy.HighsModelStatus.kTimeLimit):
            raise failure_of(status)
    solution = highs.getSolution()
    return Solution(
        value=np.array(solution.col_value),
        objective=info.objective_function_value,
        row_price=np.array(solution.row_dual) if solution.dual_valid else np.zeros(0),
        column_price=np.array(solution.col_dual) if solution.dual_valid else np.zeros(0),
        iterations=info.simplex_iteration_count,
        gap=info.mip_gap if has_integers else 0.0,
    )


def solve_with_fixed_integers(
    matrix: Matrix, values: FloatArray, time_limit_s: float = 600.0
) -> Solution:
    """Solve the LP that is left once the integer columns keep the given values."""
    whole = matrix.is_integer.astype(bool)
    low, high = matrix.low.copy(), matrix.high.copy()
    low[whole] = high[whole] = np.round(values[whole])
    fixed = replace(matrix, low=low, high=high, is_integer=0 * matrix.is_integer)
    return solve(fixed, time_limit_s)


def least_clash(matrix: Matrix, relaxed_rows: IntArray) -> FloatArray:
    """Return how far some rows must give way for the rest to hold, as little as can be.

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
    elastic = replace(
        matrix,
        cost=np.concatenate([np.zeros(width), np.ones(2 * count)]),
        low=np.concatenate([matrix.low, np.zeros(2 * count)]),
        high=np.concatenate([matrix.high, np.full(2 * count, np.inf)]),
        is_integer=np.zeros(width + 2 * count, dtype=np.int64),
        starts=np.concatenate([matrix.starts, matrix.starts[-1] + np.arange(1, 2 * count + 1)]),
        indices=np.concatenate([matrix.indices, relaxed_rows, relaxed_rows]),
        values=np.concatenate([matrix.values, np.ones(count), -np.ones(count)]),
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
"""What each end of the solver that can be explained becomes; all others are told by name."""


def failure_of(status: highspy.HighsModelStatus) -> SolveError:
    """Return the error of a solver status that is no optimum."""
    known = FAILURES.get(status.name)
    if known:
        return known()
    return StoppedEarly(
        f"the solver stopped without an answer ({status.name[1:]})",
        where="the plan",
        mend="Look for values of very different size in the scenario and the tariff.",
    )


def _loaded(matrix: Matrix) -> highspy.Highs:
    with _solver_banner_silenced():
        highs = highspy.Highs()
    for option, setting in OPTIONS.items():
        _must(highs.setOptionValue(option, setting), f"set {option}")
    lp = highspy.HighsLp()
    lp.num_col_, lp.num_row_ = len(matrix.cost), len(matrix.row_low)
    lp.col_cost_, lp.offset_ = matrix.cost, matrix.offset
    lp.col_lower_, lp.col_upper_ = matrix.low, matrix.high
    lp.row_lower_, lp.row_upper_ = matrix.row_low, matrix.row_high
    lp.a_matrix_.format_ = highspy.MatrixFormat.kColwise
    lp.a_matrix_.start_ = matrix.starts.astype(np.int32)
    lp.a_matrix_.index_ = matrix.indices.astype(np.int32)
    lp.a_matrix_.value_ = matrix.values
    if matrix.is_integer.any():
        kinds = [highspy.HighsVarType.kContinuous, highspy.HighsVarType.kInteger]
        lp.integrality_ = [kinds[int(whole)] for whole in matrix.is_integer]
    _must(highs.passModel(lp), "pass the model")
    return highs


def _run(highs: highspy.Highs) -> None:
    """Run to the end in a thread of its own, so that Ctrl-C stops it at once and cleanly."""
    outcome: list[highspy.HighsStatus] = []
    highs.HandleUserInterrupt = True
    worker = threading.Thread(target=lambda: outcome.append(highs.run()))
    worker.start()
    try:
        worker.join()
    except KeyboardInterrupt:
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


@contextlib.contextmanager
def _solver_banner_silenced() -> Iterator[None]:
    """Keep HiGHS 1.16's two lines of greeting off standard output, where JSON may go."""
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
