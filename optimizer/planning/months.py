"""Solves the months of a program apart, and joins what they found into a start for the whole.

Between months only the battery's level passes, and now and then a charge that reaches over several.
With the level held at its lowest where two months meet, each month is a small program of its own,
and the simplex method's work grows faster than the program does. The bases of the months together
are a basis of the whole, next to its optimum: what is left is to move the levels at the edges. The
optimum is that of the whole program, whatever the months found. Months run side by side on as many
processors as there are; their number changes nothing in the result.

Months apart, then the year from their joined bases (``months.py``), on two threads. The simplex
method's work per step grows with the horizon; months keep it nearly linear. Levels are held at
their lowest where months meet. Weeks first, then months, saved 10 % at most; pieces that overlap
by a day or three, nothing.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import scipy.sparse as sparse

from optimizer.base.errors import Interrupted, SolveError
from optimizer.base.timegrid import BoolArray, IntArray
from optimizer.planning.matrix import Family, Matrix
from optimizer.planning.solver import AT_LOW, BASIC, Basis, run_side_by_side

LINKING = -1
"""Stands for the number of a piece where a column or row belongs to several."""

ROUNDS = 2
"""Rows without a step learn their piece from columns, and the other way round."""


@dataclass(frozen=True)
class Pieces:
    """The piece of each column and row, or ``LINKING``; ``meeting`` columns are levels at edges."""

    of_column: IntArray
    of_row: IntArray
    meeting: IntArray
    count: int


def joined_basis(
    program: Matrix, edges: Sequence[int], seconds: float, workers: int | None = None
) -> Basis | None:
    """Return a basis of the whole program, joined from pieces that begin at the given steps.

    Parameters
    ----------
    program : Matrix
        A linear program whose column family ``stored`` has one column for each step.
    edges : sequence of int
        First steps of the pieces, the first of them 0.
    seconds : float
        Time allowed for all pieces. [s]
    workers : int, optional
        Number of pieces to solve at once; as many as there are processors if not given.

    Returns
    -------
    Basis or None
        None if there is nothing to cut, or a piece alone has no solution.
    """
    if len(edges) < 2:
        return None
    pieces = _pieces_of(program, edges)
    by_rows = program.table.tocsr()
    parts = [_Part.of(program, by_rows, pieces, number) for number in range(pieces.count)]
    try:
        found = run_side_by_side([part.program for part in parts], seconds, workers)
    except Interrupted:
        raise
    except SolveError:
        return None
    columns = np.full(len(program.cost), AT_LOW)
    rows = np.full(len(program.row_low), BASIC)
    for part, basis in zip(parts, found, strict=True):
        columns[part.columns] = basis.columns
        rows[part.rows] = basis.rows
    of_edges = columns[pieces.meeting]
    columns[pieces.meeting] = np.where(of_edges == BASIC, BASIC, AT_LOW)
    return Basis(columns, rows)


@dataclass(frozen=True)
class _Part:
    """A piece as a program of its own, and the places of its columns and rows in the whole."""

    program: Matrix
    columns: IntArray
    rows: IntArray

    @classmethod
    def of(cls, whole: Matrix, by_rows: sparse.csr_array, pieces: Pieces, number: int) -> _Part:
        rows = np.flatnonzero(pieces.of_row == number)
        table = by_rows[rows].tocsc()
        used = np.diff(table.indptr) > 0
        own = pieces.of_column == number
        linking = np.flatnonzero(used & (pieces.of_column == LINKING))
        columns = np.concatenate([np.flatnonzero(own), linking])
        low, high, cost = whole.low.copy(), whole.high.copy(), whole.cost.copy()
        high[pieces.meeting] = low[pieces.meeting]
        cost[linking] /= pieces.count
        outside = pieces.meeting[used[pieces.meeting] & ~own[pieces.meeting]]
        given = table[:, outside] @ low[outside]
        cut = table[:, columns]
        program = Matrix(
            cost[columns], 0.0, low[columns], high[columns], whole.is_integer[columns],
            row_low=whole.row_low[rows] - given, row_high=whole.row_high[rows] - given,
            table=cut, columns={}, rows={}
        )  # fmt: skip
        return cls(program, columns, rows)


def _pieces_of(program: Matrix, edges: Sequence[int]) -> Pieces:
    """Columns and rows of a step belong to its piece, all others to the only piece they meet."""
    steps = program.columns["stored"].count
    piece_of_step = np.searchsorted(edges, np.arange(steps), side="right") - 1
    of_column = _by_step(program.columns, piece_of_step, len(program.cost))
    of_row = _by_step(program.rows, piece_of_step, len(program.row_low))
    column = np.repeat(np.arange(len(program.cost)), np.diff(program.table.indptr))
    row = program.table.indices.astype(np.int64)
    both = (of_column[column] != LINKING) & (of_row[row] != LINKING)
    meeting = np.unique(column[both & (of_column[column] != of_row[row])])
    is_meeting = np.zeros(len(program.cost), dtype=bool)
    is_meeting[meeting] = True
    rowless, columnless = of_row == LINKING, of_column == LINKING
    for _ in range(ROUNDS):
        counts = ~is_meeting[column]
        of_row = np.where(rowless, _agreed(row, of_column[column], counts, len(of_row)), of_row)
        agreed = _agreed(column, of_row[row], counts, len(of_column))
        of_column = np.where(columnless, agreed, of_column)
    return Pieces(of_column, of_row, meeting, len(edges))


def _by_step(families: dict[str, Family], piece_of_step: IntArray, size: int) -> IntArray:
    found = np.full(size, LINKING)
    for family in families.values():
        if family.count == len(piece_of_step):
            found[family.span] = piece_of_step
    return found


def _agreed(place: IntArray, piece: IntArray, counts: BoolArray, size: int) -> IntArray:
    """Return for each place the piece on which all entries that count agree, else ``LINKING``."""
    counts = counts & (piece != LINKING)
    lowest, highest = np.full(size, np.iinfo(np.int64).max), np.full(size, LINKING)
    np.minimum.at(lowest, place[counts], piece[counts])
    np.maximum.at(highest, place[counts], piece[counts])
    return np.where(lowest == highest, highest, LINKING)
