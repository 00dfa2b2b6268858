"""Reads what a meter counted: ``time``, ``import_kwh`` and, where there are, two more columns.

These are ``export_kwh`` and ``reactive_kvarh`` (lagging). Mean powers of a step, ``import_kw``,
``export_kw`` and ``reactive_kvar``, do as well.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from optimizer.base.errors import SeriesError
from optimizer.base.flows import Flows
from optimizer.base.timegrid import TimeGrid, known_zone, zone_remark
from optimizer.metering.found import doubt_of_power
from optimizer.metering.series import (
    TIME_COLUMNS,
    Table,
    column_named,
    even_steps,
    listed,
    needed_column,
    read_numbers,
    read_stamps,
    read_table,
    refuse_negative,
)

ABSURD = 50
"""A reading this many times the site's size is taken for a wrong unit."""


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
    known_zone(zone, SeriesError, "--zone")
    return meter_in(read_table(path), zone)


def meter_in(table: Table, zone: str) -> tuple[Flows, list[str]]:
    """Return what a meter saw by a table, shapes (T,) [kWh], and notes.

    Raises
    ------
    SeriesError
        As for a file.
    """
    path = table.path
    notes = [remark] if (remark := zone_remark(zone)) else []
    import_column = needed_column(table, ("import_kwh", "import_kw"))
    export_column = column_named(table, ("export_kwh", "export_kw"))
    reactive_column = column_named(table, ("reactive_kvarh", "reactive_kvar"))
    columns = [import_column, export_column, reactive_column]
    beside = {*TIME_COLUMNS, *filter(None, columns)}
    if unused := [name for name in table.cells if name not in beside]:
        notes.append(f"{path.name}: columns that the meter's bill does not use: {listed(unused)}.")
    read = [
        read_numbers(table, column) if column else np.zeros(len(table.rows)) for column in columns
    ]
    for column, values in zip(columns, read, strict=True):
        refuse_negative(table, column or "export_kwh", values, 0.0, notes)
    instants = read_stamps(table, needed_column(table, TIME_COLUMNS), zone, notes)
    steps = even_steps(table, instants, tuple(read), notes)
    grid = steps.grid(table, zone)
    energies = []
    for column, values in zip(columns, read, strict=True):
        in_kw = column is not None and column.endswith(("_kw", "_kvar"))
        energy = steps.take(values) * (grid.step_h if in_kw else 1.0)
        missing = np.flatnonzero(np.isnan(energy))
        if len(missing):
            raise SeriesError(
                f"{len(missing)} of {grid.count} values of {column} are missing",
                where=f"{path}, step {grid.label(int(missing[0]))}",
                mend="A bill needs every interval: supply them, or have them filled by"
                " tariffwright read FILE --fill previous-day --out METER.",
            )
        energies.append(energy)
    imported, exported, reactive = energies
    meter = Flows.of_meter(grid, imported, exported, reactive if reactive_column else None)
    peak_kw = float(imported.max()) / grid.step_h
    notes += [f"{path.name}: {doubt}" for doubt in doubt_of_power(peak_kw)]
    return meter, notes


def read_so_far(path: Path, forecast: TimeGrid, size_kw: float) -> tuple[Flows, list[str]]:
    """Read what the meter has counted up to the first step of a forecast.

    Readings from that step on are left out, with a note. ``size_kw`` is about how much the site can
    draw, which makes a wrong unit visible.

    Raises
    ------
    SeriesError
        If the steps have another length, the readings end before the forecast begins, or their unit is
        wrong.
    """
    flows, notes = read_meter(path, forecast.zone)
    grid = flows.grid
    if grid.step_minutes != forecast.step_minutes:
        raise SeriesError(
            f"the meter's steps are {grid.step_minutes} min, the forecast's {forecast.step_minutes}"
            " min",
            where=path,
            mend="Bring both to the same steps.",
        )
    peak_kw = float(flows.import_kwh.max()) / grid.step_h
    if peak_kw > ABSURD * size_kw:
        raise SeriesError(
            f"the meter's highest import is {peak_kw:,.4g} kW, absurd beside equipment of about"
            f" {size_kw:,.4g} kW: values look like Wh, not kWh",
            where=path,
            mend="If so, divide the columns by 1000.",
        )
    count = int((grid.instants_s < forecast.instants_s[0]).sum())
    if not count or grid.instant(count - 1) + grid.step != forecast.instant(0):
        found = f"end with {grid.label(count - 1)}" if count else f"begin with {grid.label(0)}"
        raise SeriesError(
            f"the meter's readings {found}, but the forecast begins with {forecast.label(0)}",
            where=path,
            mend="Give every step up to the forecast's first, and none left out between.",
        )
    if count < grid.count:
        notes.append(f"{path.name}: readings from {forecast.label(0)} on were left out.")
    known = (flows.import_kwh[:count], flows.export_kwh[:count])
    reactive = None if flows.reactive_kvarh is None else flows.reactive_kvarh[:count]
    return Flows.of_meter(grid.part(0, count), *known, reactive), notes
