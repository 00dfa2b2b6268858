"""Reads a forecast, or what was metered: ``time``, ``load_kwh`` or ``load_kw``, ``pv_kwh`` or ``pv_kw``.

Where the meter stands at the grid, the load follows from ``import_kwh`` and ``export_kwh`` with the PV,
and with ``charge_kwh`` and ``discharge_kwh`` where a battery was at work (or mean powers, ``_kw``)::

    load = import − export + PV + discharge − charge

where what passes the inverter (the battery, and PV on its DC side) is taken after its efficiency.

Nothing is mended in silence: each repair leaves a note that reaches the report. Missing values are
filled with the mean of the same clock time on the nearest days before and after, as long as they
are few; more is an error. Read next: ``scenario``.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.metering.forecast import ESTIMATE, Forecast
from optimizer.metering.gaps import gap_runs
from optimizer.metering.series import (
    TIME_COLUMNS,
    Table,
    column_named,
    even_steps,
    needed_column,
    read_numbers,
    read_stamps,
    read_table,
    refuse_negative,
)
from optimizer.site.equipment import Plant

MAX_MISSING_SHARE = 0.03
"""More missing than this and the bill would rest on invented data."""

MAX_MISSING_HOURS = 96
"""Longest single gap that is filled."""

MAX_NIGHT_PV_KW = 0.05
"""A PV inverter at night draws a few watts; this much below zero is set to zero."""

UNIT_FACTOR = 50
"""A series this many times the plant's size is taken for a wrong unit (Wh for kWh is 1000)."""

NO_PV, WITHOUT_PV = "no PV column", "planned without PV"
"""Words for a file without PV, and for what follows."""

ADDED = "added_"
"""Prefix of columns for parts that the load already holds, such as a car."""

MAX_SHORT_SHARE = 0.02
"""Largest share of the load by which meter and PV may give a load below zero. [1]"""

NET = ("import", "export", "charge", "discharge")


@dataclass(frozen=True)
class Net:
    """What a net meter counted, shapes (T,), where nothing else is known. [kWh per step]"""

    path: Path
    grid: TimeGrid
    import_kwh: FloatArray
    export_kwh: FloatArray


def read_forecast(path: Path, zone: str, plant: Plant, pv_of: Forecast | None = None) -> Forecast:
    """Read a forecast CSV.

    Parameters
    ----------
    path : Path
        The file; ``.csv`` or ``.csv.gz``.
    zone : str
        Zone of stamps without an offset, and of the wall clock.
    plant : Plant
        The equipment; its size makes a wrong unit visible.
    pv_of : Forecast, optional
        The PV behind a net meter, where it was metered apart.

    Returns
    -------
    Forecast
        Load and PV in kWh per step, with notes on every repair.

    Raises
    ------
    SeriesError
        If a column is missing, a value unreadable or negative, the time stamps contradict themselves, or
        too much is missing.
    """
    return forecast_in(read_table(path), zone, plant, pv_of)


def forecast_in(table: Table, zone: str, plant: Plant, pv_of: Forecast | None = None) -> Forecast:
    """Return the forecast that a table holds, shapes (T,). [kWh per step]

    Raises
    ------
    SeriesError
        As for a file.
    """
    notes: list[str] = []
    path = table.path
    time_column = needed_column(table, TIME_COLUMNS)
    is_net = column_named(table, ("load_kwh", "load_kw")) is None and _is_net(table)
    needed = "import" if is_net else "load"
    others = ("pv", *NET[1:]) if is_net else ("pv",)
    columns = {needed: needed_column(table, _either(needed))}
    for name in others:
        if (column := column_named(table, _either(name))) is not None:
            columns[name] = column
    if "pv" not in columns and pv_of is None:
        notes.append(f"{path.name}: {NO_PV}; {WITHOUT_PV}.")
    if pv_of is not None:
        columns.pop("pv", None)
    used = {time_column, *columns.values()}
    ignored = [name for name in table.cells if name not in used and not name.startswith(ADDED)]
    if ignored:
        notes.append(f"{path.name}: columns not used: {', '.join(ignored)}.")
    grid, energy = _energies(table, columns, zone, plant, notes)
    if pv_of is not None:
        energy["pv"] = _on_steps_of(pv_of, grid, path)
        notes += pv_of.notes
    pv_kwh = energy.get("pv", np.zeros(grid.count))
    load_kwh = _load_behind(energy, plant, path, notes) if is_net else energy["load"]
    estimate = pv_of.estimate if pv_of is not None else _estimate_in(table)
    return Forecast(grid, load_kwh, pv_kwh, tuple(notes), estimate)


def _estimate_in(table: Table) -> str:
    """Return how far a forecast that was written can be trusted, where it was made of an estimate."""
    told = (line.removeprefix(ESTIMATE) for line in table.comments if line.startswith(ESTIMATE))
    return next(told, "")


def read_net(path: Path, zone: str, plant: Plant) -> Net:
    """Read a net meter's file that holds no PV.

    Raises
    ------
    SeriesError
        As for a forecast, and if PV or a battery stands in it or the meter counts no export.
    """
    table = read_table(path)
    for name in ("pv", "charge", "discharge"):
        if (column := column_named(table, _either(name))) is not None:
            told = (
                ("its PV is metered: nothing is to be estimated", "Remove behind_meters.")
                if name == "pv"
                else (
                    "a battery was at work: its part cannot be told from the PV's",
                    "Add a column pv_kwh, or give meters from before the battery.",
                )
            )
            raise SeriesError(told[0], where=f"{path}, column {column}", mend=told[1])
    columns = {name: needed_column(table, _either(name)) for name in ("import", "export")}
    grid, energy = _energies(table, columns, zone, plant, [])
    return Net(path, grid, energy["import"], energy["export"])


def read_pv(path: Path, zone: str, plant: Plant) -> Forecast:
    """Read PV that was metered apart, as a forecast without load, shape (T,). [kWh per step]

    Raises
    ------
    SeriesError
        As for a forecast.
    """
    notes: list[str] = []
    table = read_table(path)
    columns = {"pv": needed_column(table, _either("pv"))}
    grid, energy = _energies(table, columns, zone, plant, notes)
    return Forecast(grid, np.zeros(grid.count), energy["pv"], tuple(notes))


def read_battery(
    path: Path, zone: str, plant: Plant
) -> tuple[TimeGrid, FloatArray, FloatArray] | None:
    """Read charge and discharge of a battery; None without both columns, shape (T,). [kWh per step]

    Raises
    ------
    SeriesError
        As for a forecast.
    """
    table = read_table(path)
    names = {name: column_named(table, _either(name)) for name in ("charge", "discharge")}
    columns = {name: column for name, column in names.items() if column is not None}
    if len(columns) < len(names):
        return None
    grid, energy = _energies(table, columns, zone, plant, [])
    return grid, energy["charge"], energy["discharge"]


def _energies(
    table: Table, columns: dict[str, str], zone: str, plant: Plant, notes: list[str]
) -> tuple[TimeGrid, dict[str, FloatArray]]:
    """Return the steps of a table, and on them the energy of its columns, by their names here. [kWh]"""
    values = {name: read_numbers(table, column) for name, column in columns.items()}
    for name, column in columns.items():
        tolerated = MAX_NIGHT_PV_KW if name == "pv" else 0.0
        refuse_negative(table, column, values[name], tolerated, notes)
    instants = read_stamps(table, needed_column(table, TIME_COLUMNS), zone, notes)
    steps = even_steps(table, instants, tuple(values.values()), notes)
    grid = steps.grid(table, zone)
    energy = {}
    for name, column in columns.items():
        on_grid = _filled(table, column, steps.take(values[name]), grid, notes)
        power = on_grid if column.endswith("_kw") else on_grid / grid.step_h
        if (size := _size_of(name, plant)) is not None:
            _ask_about_unit(table, column, power, size, notes)
        energy[name] = power * grid.step_h
    return grid, energy


def _either(name: str) -> tuple[str, str]:
    return f"{name}_kwh", f"{name}_kw"


def _is_net(table: Table) -> bool:
    return column_named(table, _either("import")) is not None


def _load_behind(
    energy: dict[str, FloatArray], plant: Plant, path: Path, notes: list[str]
) -> FloatArray:
    """Return the load that a net meter hides, where PV (and battery) are known. [kWh per step]

    Raises
    ------
    SeriesError
        If more is exported than PV and battery gave.
    """
    exported = float(energy["export"].sum()) if "export" in energy else 0.0
    if exported > 0 and "pv" not in energy:
        raise SeriesError(
            f"{exported:,.0f} kWh are exported, but the PV behind the meter is not known",
            where=path,
            mend="Add a column pv_kwh, name the PV's own file under pv_meters, or have it estimated: roofs"
            " and behind_meters: true under forecast.pv.",
        )
    none = np.zeros(len(energy["import"]))
    pv, export, charge, discharge = (
        energy.get(name, none) for name in ("pv", "export", "charge", "discharge")
    )
    on_dc = discharge - charge + (pv if plant.pv_on_dc_side else 0.0)
    through = np.where(on_dc > 0, on_dc * plant.to_ac_efficiency, on_dc / plant.to_dc_efficiency)
    load = energy["import"] - export + through + (0.0 if plant.pv_on_dc_side else pv)
    short = -float(np.minimum(load, 0.0).sum())
    if short > MAX_SHORT_SHARE * float(load.sum()):
        raise SeriesError(
            f"the load behind the meter would lie {short:,.0f} kWh below zero: more is exported than"
            " PV and battery gave",
            where=path,
            mend="Check that the PV is the one behind this meter, and that both clocks agree.",
        )
    if short > 0:
        notes.append(
            f"{path.name}: where meter and PV tell a load below zero ({short:.1f} kWh in all), it was"
            " set to 0."
        )
    return np.maximum(load, 0.0)


def _on_steps_of(pv_of: Forecast, grid: TimeGrid, path: Path) -> FloatArray:
    """Return PV metered apart on the steps of the meter.

    Raises
    ------
    SeriesError
        If its steps are others, or it does not cover them.
    """
    first = (grid.instant(0) - pv_of.grid.instant(0)) / grid.step
    covers = first >= 0 and first + grid.count <= pv_of.grid.count
    if pv_of.grid.step_minutes != grid.step_minutes or not covers:
        raise SeriesError(
            f"the PV metered apart has steps of {pv_of.grid.step_minutes} min from"
            f" {pv_of.grid.label(0)} to {pv_of.grid.label(pv_of.grid.count - 1)}; the meter has"
            f" steps of {grid.step_minutes} min from {grid.label(0)} to {grid.label(grid.count - 1)}",
            where=path,
            mend="Give PV for all of the meter's steps.",
        )
    return pv_of.pv_kwh[int(first) : int(first) + grid.count]


def _filled(
    table: Table, column: str, values: FloatArray, grid: TimeGrid, notes: list[str]
) -> FloatArray:
    missing = np.isnan(values)
    if not missing.any():
        return values
    runs = gap_runs(values)
    first, length = max(runs, key=lambda run: run[1])
    hours = length * grid.step_h
    share = float(missing.mean())
    told = (
        f"{missing.sum()} of {len(values)} values of {column} are missing ({100 * share:.1f} %),"
        f" the longest gap {hours:g} h from {grid.label(first)}"
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


def _ask_about_unit(
    table: Table, column: str, power_kw: FloatArray, size: Size, notes: list[str]
) -> None:
    """Note where powers are out of all proportion to the equipment: nothing is refused for its size."""
    peak, mean = float(power_kw.max()), float(power_kw.mean())
    unit, smaller, larger = ("kW", "W", "MW") if column.endswith("_kw") else ("kWh", "Wh", "MWh")
    least, most = size
    is_large = peak > UNIT_FACTOR * most or mean > most
    if not is_large and not 0 < peak < least / UNIT_FACTOR**2:
        return
    guess, way, equipment = (smaller, "divide", most) if is_large else (larger, "multiply", least)
    notes.append(
        f"{table.path.name}: the highest power of {column} is {peak:,.4g} kW, beside equipment of about"
        f" {equipment:,.4g} kW: if the column holds {guess} under a head of {unit}, {way} it by 1000."
    )


Size = tuple[float, float]
"""Powers by which a wrong unit is seen: the least of the equipment's, and about the site's highest. [kW]"""


def _size_of(name: str, plant: Plant) -> Size | None:
    """Return by what a wrong unit is seen; None where it cannot be.

    Export and what a battery does may be next to nothing. The least is taken of inverter and battery, so
    that one of them in W is not blamed on the series.
    """
    least = min(plant.ac_limit_kw, max(plant.charge_kw, plant.discharge_kw))
    if name == "pv":
        return least, max(plant.ac_limit_kw, min(plant.pv_ac_limit_kw, plant.ac_limit_kw * 3))
    return (least, plant.size_kw) if name in {"load", "import"} else None
