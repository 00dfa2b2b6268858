"""Reads a forecast: ``time``, ``load_kwh`` or ``load_kw``, ``pv_kwh`` or ``pv_kw``.

Nothing is mended in silence: each repair leaves a note that reaches the report. Missing values are
filled with the mean of the same clock time on the nearest days before and after, as long as they
are few; more is an error. Read next: ``scenario``.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from optimizer.errors import SeriesError
from optimizer.site.equipment import UNLIMITED_KW, Plant
from optimizer.site.forecast import Forecast
from optimizer.site.readers.series import (
    TIME_COLUMNS,
    EvenSteps,
    Table,
    column_named,
    even_steps,
    needed_column,
    read_numbers,
    read_stamps,
    read_table,
    refuse_negative,
)
from optimizer.timegrid import FloatArray, TimeGrid

MAX_MISSING_SHARE = 0.03
"""More missing than this and the bill would rest on invented data."""

MAX_MISSING_HOURS = 96
"""Longest single gap that is filled."""

MAX_NIGHT_PV_KW = 0.05
"""A PV inverter at night draws a few watts; this much below zero is set to zero."""

UNIT_FACTOR = 50
"""A series this many times the plant's size is taken for a wrong unit (Wh for kWh is 1000)."""

KNOWN_COLUMNS = {*TIME_COLUMNS, "load_kwh", "load_kw", "pv_kwh", "pv_kw"}


def read_forecast(path: Path, zone: str, plant: Plant) -> Forecast:
    """Read a forecast CSV.

    Parameters
    ----------
    path : Path
        The file; ``.csv`` or ``.csv.gz``.
    zone : str
        Zone of stamps without an offset, and of the wall clock.
    plant : Plant
        The equipment; its size makes a wrong unit visible.

    Returns
    -------
    Forecast
        Load and PV in kWh per step, with notes on every repair.

    Raises
    ------
    SeriesError
        If a column is missing, a value unreadable, negative or of an absurd size, the time stamps
        contradict themselves, or too much is missing.
    """
    notes: list[str] = []
    table = read_table(path)
    time_column = needed_column(table, TIME_COLUMNS)
    load_column = needed_column(table, ("load_kwh", "load_kw"))
    pv_column = column_named(table, ("pv_kwh", "pv_kw"))
    ignored = [name for name in table.cells.columns if name not in KNOWN_COLUMNS]
    if ignored:
        notes.append(f"{path.name}: columns not used: {', '.join(ignored)}.")
    load = read_numbers(table, load_column)
    pv = read_numbers(table, pv_column) if pv_column else np.zeros(len(load))
    if pv_column is None:
        notes.append(f"{path.name}: no PV column; planned without PV.")
    refuse_negative(table, load_column, load, 0.0, notes)
    refuse_negative(table, pv_column or "pv_kwh", pv, MAX_NIGHT_PV_KW, notes)
    instants = read_stamps(table, time_column, zone, notes)
    steps = even_steps(table, instants, (load, pv), notes)
    grid = steps.grid(table, zone)
    return Forecast(
        grid,
        _as_energy(table, load_column, load, steps, grid, notes, _load_size_kw(plant)),
        _as_energy(table, pv_column or "pv_kwh", pv, steps, grid, notes, _pv_size_kw(plant)),
        tuple(notes),
    )


def _as_energy(
    table: Table,
    column: str,
    values: FloatArray,
    steps: EvenSteps,
    grid: TimeGrid,
    notes: list[str],
    size_kw: float,
) -> FloatArray:
    on_grid = _filled(table, column, steps.take(values), grid, notes)
    power = on_grid if column.endswith("_kw") else on_grid / grid.step_h
    _refuse_wrong_unit(table, column, power, size_kw)
    return power * grid.step_h


def _filled(
    table: Table, column: str, values: FloatArray, grid: TimeGrid, notes: list[str]
) -> FloatArray:
    missing = np.isnan(values)
    if not missing.any():
        return values
    steps = np.flatnonzero(missing)
    runs = np.split(steps, np.flatnonzero(np.diff(steps) > 1) + 1)
    longest = max(runs, key=len)
    hours = len(longest) * grid.step_h
    share = float(missing.mean())
    told = (
        f"{len(steps)} of {len(values)} values of {column} are missing ({100 * share:.1f} %),"
        f" the longest gap {hours:g} h from {grid.label(int(longest[0]))}"
    )
    is_clock_change = hours <= 1 and len(runs) == 1
    if (share > MAX_MISSING_SHARE and not is_clock_change) or hours > MAX_MISSING_HOURS:
        raise SeriesError(
            f"{told}; at most {100 * MAX_MISSING_SHARE:g} % and {MAX_MISSING_HOURS} h can be filled",
            where=f"{table.path}, column {column}",
            mend="Supply the missing rows, or give a shorter forecast without the gap.",
        )
    filled = values.copy()
    days = np.arange(len(values))
    for minute in np.unique(grid.minute_of_day[missing]):
        same_clock = grid.minute_of_day == minute
        have, need = same_clock & ~missing, same_clock & missing
        if not have.any():
            raise SeriesError(
                f"{column} has no value at all at this time of the day",
                where=f"{table.path}, step {grid.label(int(np.flatnonzero(need)[0]))}",
                mend="Give at least one full day.",
            )
        filled[need] = np.interp(days[need], days[have], values[have])
    notes.append(
        f"{table.path.name}: {told}; filled from the same clock time on the nearest days before"
        " and after."
    )
    return filled


def _refuse_wrong_unit(table: Table, column: str, power_kw: FloatArray, size_kw: float) -> None:
    peak, mean = float(power_kw.max()), float(power_kw.mean())
    if peak <= 0:
        return
    unit, smaller, larger = ("kW", "W", "MW") if column.endswith("_kw") else ("kWh", "Wh", "MWh")
    for is_absurd, guess, way in (
        (peak > UNIT_FACTOR * size_kw or mean > size_kw, smaller, "divide"),
        (peak < size_kw / UNIT_FACTOR**2, larger, "multiply"),
    ):
        if is_absurd:
            raise SeriesError(
                f"the highest power of {column} is {peak:,.4g} kW, absurd beside equipment of about"
                f" {size_kw:,.4g} kW: values look like {guess}, not {unit}",
                where=f"{table.path}, column {column}",
                mend=f"If so, {way} the column by 1000.",
            )


def _load_size_kw(plant: Plant) -> float:
    limit = plant.import_limit_kw
    return limit if limit < UNLIMITED_KW else max(plant.ac_limit_kw, plant.discharge_kw, 1.0) * 3


def _pv_size_kw(plant: Plant) -> float:
    return max(plant.ac_limit_kw, min(plant.pv_ac_limit_kw, plant.ac_limit_kw * 3))
