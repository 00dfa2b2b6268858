"""Reads a series of energies onto a time grid, such as what other meters give to this one.

Each value is what came in the time from its stamp to the next, and is spread evenly over it.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.metering.series import (
    TIME_COLUMNS,
    even_steps,
    needed_column,
    read_numbers,
    read_stamps,
    read_table,
    refuse_negative,
)


def read_energies(
    path: Path, column: str, grid: TimeGrid, where: str, notes: list[str]
) -> FloatArray:
    """Return the energy in each step of a grid, shape (T,). [kWh]

    Parameters
    ----------
    path : Path
        CSV with ``time`` and the column.
    column : str
        Its name; ends in ``kwh``.
    grid : TimeGrid
        The T steps that need an energy.
    where : str
        The place in the tariff file that names the series.
    notes : list of str
        Gets a note for each repair.

    Raises
    ------
    SeriesError
        If the file is unreadable, its unit unknown, a value below zero, or a step has no energy.
    """
    if not column.endswith("kwh"):
        raise SeriesError(
            f"the column {column!r} does not tell its unit",
            where=where,
            mend="Give kWh, and call it so that it ends in kwh.",
        )
    table = read_table(path)
    energy = read_numbers(table, needed_column(table, (column,)))
    refuse_negative(table, column, energy, 0.0, notes)
    instants = read_stamps(table, needed_column(table, TIME_COLUMNS), grid.zone, notes)
    steps = even_steps(table, instants, (energy,), notes)
    even = steps.take(energy)
    first = (grid.utc[0] - steps.start).total_seconds() / 60
    edges = (first + grid.step_minutes * np.arange(grid.count + 1)) / steps.step_minutes

    def within(values: FloatArray) -> FloatArray:
        counted = np.concatenate([[0.0], np.cumsum(values)])
        place = np.arange(len(counted))
        return np.diff(np.interp(edges, place, counted, np.nan, np.nan))

    on_grid = within(np.nan_to_num(even))
    hole = np.flatnonzero(np.isnan(on_grid) | (within(1.0 * np.isnan(even)) > 0))
    if len(hole):
        raise SeriesError(
            f"{len(hole)} of {grid.count} steps have no kWh, the first {grid.label(int(hole[0]))}",
            where=f"{path}, column {column}",
            mend="Supply kWh for all of the series, 0 where nothing came.",
        )
    return on_grid
