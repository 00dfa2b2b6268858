"""Reads the sheets of a workbook (XLSX, ECMA-376) as tables of text, as if each had been saved as CSV.

Dates become ``2025-07-03 14:15:00``, numbers have a decimal point. Formulas give the value that the
workbook keeps of them.

Read next: ``csv_columns``.
"""

from __future__ import annotations

import datetime as dt
import warnings
import zipfile
from pathlib import Path
from typing import Any, BinaryIO

from optimizer.base.errors import SeriesError
from optimizer.metering.bundles import WORKBOOK_PART, refuse_bomb
from optimizer.metering.csv_text import MAX_CELL, MAX_COLUMNS, Sheet

MAX_SHEETS = 50
MAX_CELLS = 30_000_000
GROUP_DIGITS = 3
"""A number of so many digits behind the point gets one more, so that nobody takes it for thousands."""


def read_workbook(path: Path, source: BinaryIO) -> list[Sheet]:
    """Return the sheets of a workbook that are not blank.

    Raises
    ------
    SeriesError
        If the library that reads workbooks is missing, or the workbook is damaged or too large.
    """
    try:
        from openpyxl import load_workbook
    except ImportError:
        raise SeriesError(
            "to read a workbook, openpyxl is needed", where=path,
            mend="Install it with: pip install 'tariffwright[workbook]', or save the sheet as CSV.",
        ) from None  # fmt: skip
    try:
        with zipfile.ZipFile(source) as archive, warnings.catch_warnings():
            warnings.simplefilter("ignore")  # of styles and such, which are of no interest here
            _refuse_other_archives(archive, path)
            book = load_workbook(source, read_only=True, data_only=True, keep_links=False)
            sheets = [_sheet(path, one) for one in book.worksheets[:MAX_SHEETS]]
    except SeriesError:
        raise
    except Exception as failure:  # the library raises whatever a damaged part makes it run into
        told = (str(failure) or type(failure).__name__).splitlines()[0][:200]
        raise SeriesError(
            f"the workbook cannot be read: {told}", where=path,
            mend="Open it, and save the sheet of the readings as CSV.",
        ) from None  # fmt: skip
    filled = [sheet for sheet in sheets if sheet.rows]
    if not filled:
        raise SeriesError("the workbook is blank", where=path, mend="Give interval data.")
    return filled


def _refuse_other_archives(archive: zipfile.ZipFile, path: Path) -> None:
    refuse_bomb(archive.infolist(), path)
    if WORKBOOK_PART not in archive.namelist():
        raise SeriesError(
            "this is no workbook, but an archive in an archive", where=path,
            mend="Unpack it and give the files.",
        )  # fmt: skip


def _sheet(path: Path, sheet: Any) -> Sheet:
    rows: list[list[str]] = []
    lines: list[int] = []
    sheet.reset_dimensions()  # what a sheet says of its size may be wrong
    count = 0
    for line, values in enumerate(sheet.iter_rows(values_only=True), start=1):
        cells = [_text(value) for value in values]
        while cells and not cells[-1]:
            cells.pop()
        count += len(cells)
        if len(cells) > MAX_COLUMNS or count > MAX_CELLS:
            raise SeriesError(
                f"the sheet has more than {MAX_COLUMNS:,} columns or {MAX_CELLS:,} cells",
                where=f"{path}, row {line}", mend="Give the readings alone.",
            )  # fmt: skip
        if cells:
            rows.append(cells)
            lines.append(line)
    return Sheet(path, "\t", rows, lines, str(sheet.title)[:60])


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, dt.datetime):
        return str((value + dt.timedelta(microseconds=500_000)).replace(microsecond=0, tzinfo=None))
    if isinstance(value, dt.time):
        return value.strftime("%H:%M:%S")
    if isinstance(value, float):
        told = f"{value:.12g}"
        digits = told.partition(".")[2]
        return told + "0" if len(digits) == GROUP_DIGITS and digits.isdecimal() else told
    return str(value).strip()[:MAX_CELL]
