"""Reads a series of prices, such as day-ahead prices, onto a time grid.

Prices may be coarser than the grid; each holds until the next. They may be negative.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

import numpy as np

from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.metering.found import doubt_of_prices
from optimizer.metering.gaps import gap_runs
from optimizer.metering.series import (
    TIME_COLUMNS,
    Table,
    even_steps,
    needed_column,
    read_numbers,
    read_stamps,
    read_table,
)

KWH_PER_UNIT = {"per_kwh": 1.0, "per_mwh": 1000.0}

MAX_PRICE_PER_KWH = 100_000.0


Priced = Callable[[FloatArray, float], FloatArray]
"""What a tariff makes of a file's prices, given the length of each. [money per kWh, h]"""


@dataclass(frozen=True)
class FilePrices:
    """The prices of a whole file in equal steps from ``start`` on; NaN where one is missing."""

    start: datetime
    step_minutes: int
    values: FloatArray


def file_prices(path: Path, column: str, zone: str, where: str, notes: list[str]) -> FilePrices:
    """Read all prices of a column of a file, shape (steps of the file,). [money per kWh]

    Raises
    ------
    SeriesError
        If the file is unreadable, or its unit unknown or absurd.
    """
    table = read_table(path)
    prices = prices_of_column(table, column, where)
    usual = float(np.nanmedian(np.abs(prices)))
    notes += [f"{path.name}: {doubt}" for doubt in doubt_of_prices(usual)]
    instants = read_stamps(table, needed_column(table, TIME_COLUMNS), zone, notes)
    steps = even_steps(table, instants, (prices,), notes)
    even = _clock_change_filled(steps.take(prices), steps.step_minutes, notes, path)
    return FilePrices(steps.start, steps.step_minutes, even)


def read_prices(
    path: Path,
    column: str,
    grid: TimeGrid,
    where: str,
    notes: list[str],
    priced: Priced | None = None,
) -> FloatArray:
    """Read prices per kWh for each step of a grid.

    Parameters
    ----------
    path : Path
        CSV with ``time`` and the price column.
    column : str
        Its name; ends in ``per_kwh`` or ``per_mwh``.
    grid : TimeGrid
        The T steps that need a price.
    where : str
        The place in the tariff file that names the series.
    notes : list of str
        Gets a note for each repair.
    priced : callable, optional
        Applied to all prices of the file, before those of several steps are averaged.

    Returns
    -------
    array
        Shape (T,). [money per kWh]

    Raises
    ------
    SeriesError
        If the file is unreadable, its unit unknown or absurd, or a step has no price.
    """
    steps = file_prices(path, column, grid.zone, where, notes)
    even = steps.values if priced is None else priced(steps.values, steps.step_minutes / 60)
    if steps.step_minutes < grid.step_minutes:
        notes.append(
            f"{path.name}: prices of {steps.step_minutes} min are averaged over steps of"
            f" {grid.step_minutes} min."
        )
    minutes = (grid.utc - steps.start).total_seconds().to_numpy() / 60
    position = np.floor_divide(minutes, steps.step_minutes).astype(np.int64)
    inside = (position >= 0) & (position < len(even))
    finer = max(grid.step_minutes // steps.step_minutes, 1)
    inside &= position + finer <= len(even)
    places = np.clip(position[:, None] + np.arange(finer), 0, len(even) - 1)
    on_grid = np.where(inside, even[places].mean(axis=1), np.nan)
    hole = np.flatnonzero(np.isnan(on_grid))
    if len(hole):
        raise SeriesError(
            f"{len(hole)} of {grid.count} steps have no price, the first {grid.label(int(hole[0]))}",
            where=f"{path}, column {column}",
            mend="Supply prices for the whole forecast, each hour once.",
        )
    return on_grid


def prices_of_column(table: Table, column: str, where: str) -> FloatArray:
    """Return the prices of a column, blank cells as NaN, shape (rows,). [money per kWh]

    Raises
    ------
    SeriesError
        If its name tells no unit, there is no such column, or it holds no numbers or absurd ones.
    """
    unit = next((u for u in KWH_PER_UNIT if column.endswith(u)), None)
    if unit is None:
        raise SeriesError(
            f"the column {column!r} does not tell its unit",
            where=where,
            mend="Call it so that it ends in per_kwh or per_mwh.",
        )
    prices = read_numbers(table, needed_column(table, (column,))) / KWH_PER_UNIT[unit]
    if np.isnan(prices).all():
        raise SeriesError(
            f"all {len(prices)} values of {column} are blank",
            where=f"{table.path}, column {column}",
            mend="Supply prices for the whole forecast, each hour once.",
        )
    if np.nanmax(np.abs(prices)) > MAX_PRICE_PER_KWH:
        worst = int(np.nanargmax(np.abs(prices)))
        raise SeriesError(
            f"a price of {prices[worst]:,.6g} per kWh is absurd; at most"
            f" {MAX_PRICE_PER_KWH:,g} per kWh is believed",
            where=table.where(worst, column),
            mend="Check the unit of the column.",
        )
    return prices


def _clock_change_filled(
    prices: FloatArray, step_minutes: int, notes: list[str], path: Path
) -> FloatArray:
    """Fill gaps of up to an hour from the hour before: files with 24 rows on every day."""
    an_hour = 60 // step_minutes
    filled = prices.copy()
    count = 0
    for first, length in gap_runs(prices):
        if length <= an_hour <= first:
            filled[first : first + length] = filled[first - an_hour : first - an_hour + length]
            count += length
    if count:
        notes.append(f"{path.name}: {count} missing prices taken from the hour before.")
    return filled
