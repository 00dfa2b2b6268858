"""Reads what a meter counted: ``time``, ``import_kwh`` and, where there is one, ``export_kwh``.

Mean powers of a step, ``import_kw`` and ``export_kw``, do as well.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from optimizer.errors import SeriesError
from optimizer.flows import Flows
from optimizer.site.readers.series import (
    TIME_COLUMNS,
    column_named,
    even_steps,
    needed_column,
    read_numbers,
    read_stamps,
    read_table,
    refuse_negative,
)
from optimizer.timegrid import zone_named


def read_meter(path: Path, zone: str) -> tuple[Flows, list[str]]:
    """Read a meter CSV; a meter's gaps are never filled.

    Returns
    -------
    Flows, list of str
        What the meter saw, and the repairs made while reading.

    Raises
    ------
    SeriesError
        If the file is unreadable, a value negative, or a step missing.
    """
    try:
        zone_named(zone)
    except ValueError as failure:
        what, _, mend = str(failure).partition(" | ")
        raise SeriesError(what, where="--zone", mend=mend) from None
    notes: list[str] = []
    table = read_table(path)
    import_column = needed_column(table, ("import_kwh", "import_kw"))
    export_column = column_named(table, ("export_kwh", "export_kw"))
    imported = read_numbers(table, import_column)
    exported = read_numbers(table, export_column) if export_column else np.zeros(len(imported))
    refuse_negative(table, import_column, imported, 0.0, notes)
    refuse_negative(table, export_column or "export_kwh", exported, 0.0, notes)
    instants = read_stamps(table, needed_column(table, TIME_COLUMNS), zone, notes)
    steps = even_steps(table, instants, (imported, exported), notes)
    grid = steps.grid(table, zone)
    energies = []
    for column, values in ((import_column, imported), (export_column or "export_kwh", exported)):
        energy = steps.take(values) * (grid.step_h if column.endswith("_kw") else 1.0)
        missing = np.flatnonzero(np.isnan(energy))
        if len(missing):
            raise SeriesError(
                f"{len(missing)} of {grid.count} values of {column} are missing",
                where=f"{path}, step {grid.label(int(missing[0]))}",
                mend="Supply them: a bill needs every interval.",
            )
        energies.append(energy)
    return Flows.of_meter(grid, *energies), notes
