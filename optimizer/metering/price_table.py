"""Reads a table of prices that repeat: rows of ``from``, ``to``, ``months``, ``days`` and prices.

Each row is a span of the clock; ``months`` and ``days`` are all where blank or left out. Every
minute of every month and kind of day stands in one row, so a sheet of 1,152 prices is one file.
"""

from __future__ import annotations

import re
from pathlib import Path

import numpy as np

from optimizer.base.calendar import (
    DAY_NAMES,
    DAYS_OF_WORD,
    HOLIDAY,
    MONTH_NAMES,
    DayCalendar,
    span_text,
)
from optimizer.base.errors import SeriesError
from optimizer.base.timegrid import FloatArray, IntArray, TimeGrid
from optimizer.base.units import MINUTES_PER_DAY, clock, read_clock
from optimizer.metering.found import doubt_of_prices
from optimizer.metering.price_csv import prices_of_column
from optimizer.metering.series import Table, column_named, needed_column, read_table


def read_price_table(
    path: Path, column: str, grid: TimeGrid, calendar: DayCalendar, where: str, notes: list[str]
) -> FloatArray:
    """Read prices per kWh for each step of a grid.

    Parameters
    ----------
    path : Path
        CSV with ``from``, ``to``, perhaps ``months`` and ``days``, and the price column.
    column : str
        Its name; ends in ``per_kwh`` or ``per_mwh``.
    grid : TimeGrid
        The T steps that need a price, by the clock that the table means.
    calendar : DayCalendar
        Which days are holidays.
    where : str
        The place in the tariff file that names the table.
    notes : list of str
        Gets a note on steps that a row cuts, and on prices that look like cents.

    Returns
    -------
    array
        Shape (T,). [money per kWh]

    Raises
    ------
    SeriesError
        If the file is unreadable, a price blank or absurd, or a moment in no row or in two.
    """
    table = read_table(path)
    prices = prices_of_column(table, column, where)
    blank = np.flatnonzero(np.isnan(prices))
    if len(blank):
        raise SeriesError(
            f"the price is blank ({len(blank)} such cells)",
            where=table.where(int(blank[0]), column),
            mend="Write 0 where nothing is paid.",
        )
    notes += [
        f"{path.name}: {doubt}" for doubt in doubt_of_prices(float(np.median(np.abs(prices))))
    ]
    row_of, edges = _rows_of_moments(table, has_holidays=calendar.holidays.any())
    cut = [edge for edge in sorted(edges) if edge % grid.step_minutes]
    if cut:
        notes.append(
            f"{path.name}: rows that begin at {clock(cut[0])} cut steps of {grid.step_minutes} min; such"
            " a step has the price of its beginning."
        )
    kinds, _ = calendar.kinds_and_seasons(grid)
    return prices[row_of[grid.month - 1, kinds[grid.day], grid.minute_of_day]]


def alike_months(path: Path, column: str) -> list[int]:
    """Return for each month, January first, the first month with the same prices, 0 to 11, shape (12,).

    Raises
    ------
    SeriesError
        As of ``read_price_table``.
    """
    table = read_table(path)
    row_of, _ = _rows_of_moments(table, has_holidays=False)
    prices = prices_of_column(table, column, str(path))[row_of[:, :HOLIDAY]]
    return [
        next(first for first in range(12) if (prices[first] == prices[month]).all())
        for month in range(12)
    ]


def _rows_of_moments(table: Table, *, has_holidays: bool) -> tuple[IntArray, set[int]]:
    """Return the record of each month, kind of day and minute, (12, 8, 1440), and where rows begin."""
    row_of = np.full((12, HOLIDAY + 1, MINUTES_PER_DAY), -1, dtype=np.int64)
    columns = [needed_column(table, (name,)) for name in ("from", "to")]
    begins, ends = (table.cells[name] for name in columns)
    months, days = (
        [""] * len(begins) if column_named(table, (name,)) is None else table.cells[name]
        for name in ("months", "days")
    )
    edges = set()
    for record, (begin, end) in enumerate(zip(begins, ends, strict=True)):
        first, last = _clock(table, record, "from", begin), _clock(table, record, "to", end)
        if last <= first:
            raise SeriesError(
                f"the row runs from {begin} to {end}, which is not forward",
                where=table.where(record, "to"),
                mend="Write a night as two rows: one to 24:00, one from 00:00.",
            )
        part = np.ix_(
            _months(table, record, months[record]), _days(table, record, days[record]),
            range(first, last),
        )  # fmt: skip
        taken = row_of[part]
        if (taken >= 0).any():
            other = table.row(int(taken[taken >= 0][0]))
            raise SeriesError(
                f"this row and row {other} hold the same moment",
                where=table.where(record, "from"),
                mend="Let each moment have one row.",
            )
        row_of[part] = record
        edges.add(first)
    _refuse_holes(table, row_of[:, : HOLIDAY + has_holidays])
    return row_of, edges


def _refuse_holes(table: Table, row_of: IntArray) -> None:
    holes = np.argwhere(row_of < 0)
    if len(holes):
        month, kind, minute = (int(n) for n in holes[0])
        day = "holidays" if kind == HOLIDAY else f"{DAY_NAMES[kind].capitalize()}s"
        inside = row_of[month, kind, minute:] < 0
        end = minute + (int(np.argmin(inside)) if not inside.all() else len(inside))
        raise SeriesError(
            f"no row holds {day} in {MONTH_NAMES[month]}, {span_text(minute, end)}",
            where=table.path,
            mend="Add a row for this time; write 0 where nothing is paid.",
        )


def _clock(table: Table, record: int, column: str, text: str) -> int:
    try:
        return read_clock(text)
    except ValueError as failure:
        raise SeriesError(
            str(failure), where=table.where(record, column), mend="Write times as 16:00, or 24:00."
        ) from None


def _months(table: Table, record: int, text: str) -> list[int]:
    """Return the places of months such as ``6-9``, ``12 1 2`` or ``11;12``; all where blank."""
    found = []
    for word in re.split(r"[;\s]+", text.strip()) if text.strip() else ["1-12"]:
        match = re.fullmatch(r"(\d{1,2})(?:-(\d{1,2}))?", word)
        first, last = (int(match[1]), int(match[2] or match[1])) if match else (0, 0)
        if not (1 <= first <= 12 and 1 <= last <= 12):
            raise SeriesError(
                f"{word!r} is no month", where=table.where(record, "months"),
                mend="Write numbers from 1 to 12, such as 6-9, or 1 2 12.",
            )  # fmt: skip
        found += [(first - 1 + n) % 12 for n in range((last - first) % 12 + 1)]
    return sorted(set(found))


def _days(table: Table, record: int, text: str) -> list[int]:
    """Return the kinds of day of words such as ``weekends holidays``; all where blank."""
    found: set[int] = set()
    for word in re.split(r"[;\s]+", text.strip()) if text.strip() else ["all"]:
        if word not in DAYS_OF_WORD:
            raise SeriesError(
                f"{word!r} is no kind of day", where=table.where(record, "days"),
                mend=f"Write words of: {', '.join(DAYS_OF_WORD)}.",
            )  # fmt: skip
        found |= set(DAYS_OF_WORD[word])
    return sorted(found)
