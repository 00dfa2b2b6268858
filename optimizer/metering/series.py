"""Reads time stamps of a CSV into an even grid; each repair leaves a note.

Shared by the readers of forecasts and of prices. Time stamps name the beginning of an interval;
they carry a UTC offset, or are wall-clock times of the site's zone.
"""

from __future__ import annotations

import gzip
import io
import warnings
import zlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from optimizer.base.errors import InputError, SeriesError, Where, bounded, refuse_irregular
from optimizer.base.timegrid import STEP_MINUTES, BoolArray, FloatArray, TimeGrid
from optimizer.metering.csv_text import is_xml, kind_of
from optimizer.metering.local_time import foreign_offsets
from optimizer.metering.wall_clock import SKIPPED, open_words, placed, same_twins

TIME_COLUMNS = ("time", "timestamp")
FIRST_YEAR, LAST_YEAR = 1970, 2199
"""Time stamps outside are slips of the pen."""

MAX_ROWS = 600_000
"""Five years of five-minute steps; more is no season's forecast."""

MAX_COLUMNS = 2_000
MAX_BYTES = 200_000_000
"""Five years of five-minute rows with twenty columns; a packed file beyond it is made to exhaust."""

MAX_CELL = 1_000
"""A cell of a table of numbers is a stamp or a number; a longer one is a slip, and not repeated."""

ZONE_MEND = "Correct the zone, or write the stamps by its clock or in UTC (Z)."

SAME = 1e-9
"""Values of one time closer than this are the same."""


@dataclass(frozen=True)
class Table:
    """A CSV as text columns, with the file's row number of each record and what stands before its head."""

    path: Path
    cells: pd.DataFrame
    first_row: int
    comments: tuple[str, ...] = ()

    def row(self, record: int) -> int:
        """Return the row in the file, counted from 1, of a record of ``cells``."""
        return int(self.cells.index[record]) + self.first_row

    @property
    def time_column(self) -> str:
        """Name of the column with the time stamps."""
        return next((name for name in TIME_COLUMNS if name in self.cells.columns), TIME_COLUMNS[0])

    def where(self, record: int, column: str) -> Where:
        """Return ``file, row N, column C``."""
        row = self.row(record)
        return Where(f"{self.path}, row {row}, column {column}", self.path, row)


def read_table(path: Path) -> Table:
    """Read a CSV (``.gz`` allowed); lines that begin with ``#`` at its head are comments.

    Raises
    ------
    SeriesError
        If the file is missing, empty, too long, or is no comma-separated text with one header.
    """
    try:
        refuse_irregular(path, SeriesError)
        content = _unpacked(path)
        _refuse_other_kinds(path, content)
        before, header = _head(path, content)
        comments = len(before)
        if header.count(",") >= MAX_COLUMNS:
            raise SeriesError(
                f"the header has more than {MAX_COLUMNS:,} columns", where=path,
                mend="Keep the columns that are needed.",
            )  # fmt: skip
        with warnings.catch_warnings():
            warnings.simplefilter("error", pd.errors.ParserWarning)
            cells = pd.read_csv(
                io.BytesIO(content), dtype=str, skiprows=comments, skipinitialspace=True,
                keep_default_na=False, encoding="utf-8-sig", nrows=MAX_ROWS + 1, index_col=False,
                skip_blank_lines=False,
            )  # fmt: skip
    except pd.errors.ParserWarning:
        raise SeriesError(
            f"rows have more cells than the header ({header.strip()!r})",
            where=f"{path}, row {comments + 1}",
            mend="Write numbers with a decimal point, and no comma at the end of a row.",
        ) from None
    except FileNotFoundError:
        raise SeriesError("there is no such file", where=path, mend="Check the path.") from None
    except (OSError, EOFError, ValueError, zlib.error) as failure:  # pandas' errors are ValueErrors
        raise SeriesError(
            f"this is no readable CSV: {str(failure).strip().splitlines()[-1]}",
            where=path,
            mend="Give comma-separated text in UTF-8 with one header line.",
        ) from None
    _refuse_twin_columns(path, comments, header)
    _refuse_swallowed_rows(path, cells, comments + 2)
    cells.columns = [str(column).strip() for column in cells.columns]
    if len(cells) > MAX_ROWS:
        raise SeriesError(
            f"the file has more than {MAX_ROWS:,} rows", where=path, mend="Give one year."
        )
    blank = (cells == "").all(axis=1) | cells.isna().all(axis=1)
    if blank.all():
        raise SeriesError("the file has no rows", where=path, mend="Add the series' rows.")
    return Table(path, cells[~blank].fillna(""), comments + 2, before)


def table_of(frame: pd.DataFrame, name: str) -> Table:
    """Return a frame as a table, as if it had been read from a file of this name.

    Its index, or a column ``time``, holds the begin of each interval, aware of its zone.

    Raises
    ------
    SeriesError
        If the times are not aware of their zone, or there are too many rows or none.
    """
    at = next((column for column in TIME_COLUMNS if column in frame.columns), None)
    times = pd.Series(frame.index if at is None else frame[at])
    if getattr(times.dt if hasattr(times, "dt") else None, "tz", None) is None:
        raise SeriesError(
            f"the {'index' if at is None else f'column {at}'} holds no times that know their zone, but"
            f" {times.dtype}",
            where=name,
            mend="Give an index such as pandas.date_range(…, tz='Europe/Dublin').",
        )
    if not 0 < len(frame) <= MAX_ROWS:
        raise SeriesError(
            f"the frame has {len(frame):,} rows", where=name, mend=f"Give 1 to {MAX_ROWS:,} rows."
        )
    cells = frame.drop(columns=[] if at is None else [at]).reset_index(drop=True)
    cells = cells.map(lambda value: "" if pd.isna(value) else str(value))
    cells.insert(0, TIME_COLUMNS[0], [time.isoformat() for time in times.dt.tz_convert("UTC")])
    return Table(Path(name), cells, 2)


def _unpacked(path: Path) -> bytes:
    """Return the bytes of a file, unpacked if its name ends in .gz; no more than are read at most."""
    with (gzip.open if path.suffix == ".gz" else open)(path, "rb") as file:
        content: bytes = file.read(MAX_BYTES + 1)
    if len(content) > MAX_BYTES:
        raise SeriesError(
            f"the file has more than {MAX_BYTES:,} bytes", where=path, mend="Give fewer years."
        )
    return content


def _refuse_other_kinds(path: Path, content: bytes) -> None:
    """Tell a web page, XML, an archive or a workbook from a CSV, by its first bytes."""
    head = content[:4096]
    kind = kind_of(head) or ("XML" if is_xml(head) else None)
    if kind is not None:
        raise SeriesError(
            f"this is {kind}, no CSV", where=path,
            mend="Give a CSV; tariffwright read makes one of Green Button (ESPI) XML and other exports.",
        )  # fmt: skip


def _refuse_swallowed_rows(path: Path, cells: pd.DataFrame, first_row: int) -> None:
    """Refuse cells that hold line ends, and those that are no number or stamp by their length.

    A quote that is left open swallows all rows up to the next one, in whatever column it stands.
    """
    for name in cells.columns:
        column = cells[name].fillna("")
        broken = np.flatnonzero(
            (column.str.contains("\n") | (column.str.len() > MAX_CELL)).to_numpy()
        )
        if len(broken):
            at, cell = int(broken[0]), str(column.iloc[int(broken[0])])
            held = (
                f"{cell.count(chr(10))} line ends" if "\n" in cell else f"{len(cell):,} characters"
            )
            raise SeriesError(
                f"a cell holds {held}: a quote is left open, and rows are swallowed",
                where=f"{path}, row {first_row + at}, column {bounded(repr(str(name)), 80)}",
                mend="Remove or close the quote in this row.",
            )


def _head(path: Path, content: bytes) -> tuple[tuple[str, ...], str]:
    """Return the lines of comments and blanks before the header, and the header."""
    before = list[str]()
    with io.TextIOWrapper(io.BytesIO(content), encoding="utf-8-sig") as lines:
        for line in lines:
            if line.strip() and not line.startswith("#"):
                return tuple(before), line
            before.append(line.rstrip())
    raise SeriesError("the file has no rows", where=path, mend="Add the series' rows.")


def _refuse_twin_columns(path: Path, comments: int, header: str) -> None:
    names = [name.strip() for name in header.split(",")]
    twins = sorted({name for name in names if names.count(name) > 1})
    if twins:
        raise SeriesError(
            f"two columns are called {twins[0]!r}",
            where=f"{path}, row {comments + 1}",
            mend="Keep one of them, or rename one.",
        )


def listed(names: Sequence[str]) -> str:
    """Return names of columns as text, a few hundred characters of them."""
    return bounded(", ".join(names), 300)


def column_named(table: Table, choices: Sequence[str]) -> str | None:
    """Return the one of the choices that the table has as a column; None if it has none.

    Raises
    ------
    SeriesError
        If it has several.
    """
    found = [name for name in choices if name in table.cells.columns]
    if len(found) > 1:
        raise SeriesError(
            f"the columns {found} say the same",
            where=f"{table.path}, row {table.first_row - 1}",
            mend="Keep one of them.",
        )
    return found[0] if found else None


def needed_column(table: Table, choices: Sequence[str]) -> str:
    """Return the one of the choices that the table has as a column.

    Raises
    ------
    SeriesError
        If it has none or several.
    """
    found = column_named(table, choices)
    if found is None:
        raise SeriesError(
            f"no column is called {' or '.join(choices)}; found: {', '.join(table.cells.columns)}",
            where=f"{table.path}, row {table.first_row - 1}",
            mend=f"Name a column {choices[0]}.",
        )
    return found


def read_numbers(table: Table, column: str) -> FloatArray:
    """Return a column's values, blank cells as NaN, shape (rows,).

    Raises
    ------
    SeriesError
        If a cell is no number.
    """
    text = table.cells[column].str.strip()
    values = pd.to_numeric(text, errors="coerce").to_numpy(dtype=np.float64, copy=True)
    wrong = np.flatnonzero(~np.isfinite(values) & (text != "").to_numpy())
    if len(wrong):
        first = int(wrong[0])
        raise SeriesError(
            f"{bounded(repr(text.iloc[first]), 80)} is not a number ({len(wrong)} such cells)",
            where=table.where(first, column),
            mend="Write numbers with a decimal point, no comma, no unit and no sign such as %;"
            " leave missing values blank.",
        )
    return values


def refuse_negative(
    table: Table, column: str, values: FloatArray, tolerated: float, notes: list[str]
) -> None:
    """Refuse values below zero; set those within the tolerance to 0, with a note, shape (rows,).

    Raises
    ------
    SeriesError
        With the first such row.
    """
    low = np.flatnonzero(values < -tolerated)
    if len(low):
        first = int(low[0])
        raise SeriesError(
            f"{values[first]:g} is below zero ({len(low)} such values, the lowest"
            f" {np.nanmin(values):g})",
            where=table.where(first, column),
            mend="Give each direction in a column of its own, from zero upward; not the net reading.",
        )
    slightly = int((values < 0).sum())
    if slightly:
        values[values < 0] = 0.0
        notes.append(f"{table.path.name}: {slightly} values of {column} just below zero set to 0.")


def read_stamps(table: Table, column: str, zone: str, notes: list[str]) -> pd.DatetimeIndex:
    """Return the instants of a time column in UTC, in the file's order, shape (rows,).

    A wall-clock time that the zone skips becomes NaT, with a note.

    Raises
    ------
    SeriesError
        If a stamp is unreadable, or some have offsets and others none.
    """
    text = table.cells[column].str.strip()
    has_offset = text.str.contains(r"[T ].*(?:Z|[+-]\d{2}(?::?\d{2})?)$", regex=True).to_numpy()
    if has_offset.any() and not has_offset.all():
        first = int(np.flatnonzero(has_offset != has_offset[0])[0])
        raise SeriesError(
            f"{text.iloc[first]!r}: some stamps have a UTC offset and others have none",
            where=table.where(first, column),
            mend="Write all stamps in one way.",
        )
    if has_offset.all():
        stamps = pd.DatetimeIndex(_parsed(table, text, column, utc=True))
        _hold_against_zone(table, column, text, stamps, zone, notes=notes)
        return stamps
    wall = pd.DatetimeIndex(_parsed(table, text, column, utc=False))
    return _on_wall_clock(table, column, wall, zone, notes)


def _hold_against_zone(
    table: Table, column: str, text: pd.Series, stamps: pd.DatetimeIndex, zone: str,
    notes: list[str],
) -> None:  # fmt: skip
    """Tell of offsets that the zone's clock does not have; refuse where none of the file fits."""
    parts = text.str.extract(r"(?:Z|([+-])(\d{2}):?(\d{2})?)$")
    hours, minutes = (parts[n].fillna("0").astype(float).to_numpy() for n in (1, 2))
    sign = np.where((parts[0] == "-").to_numpy(), -1, 1)
    offsets = (sign * (hours * 3600 + minutes * 60)).astype(np.int64)
    odd = foreign_offsets(zone, stamps.as_unit("s").asi8.astype(np.int64), offsets)
    if odd is not None and odd[1]:
        raise SeriesError(
            f"no stamp fits the zone: {odd[0]}",
            where=f"{table.path}, column {column}",
            mend=ZONE_MEND,
        )
    if odd is not None:
        notes.append(f"{table.path.name}: {odd[0]}; taken as the stamps say. Check the zone.")


def _parsed(table: Table, text: pd.Series, column: str, *, utc: bool) -> pd.Series:
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # about guessed formats; what cannot be read is told below
        try:
            stamps = pd.to_datetime(text, errors="coerce", utc=utc, format="ISO8601")
        except (ValueError, TypeError, OverflowError):  # a mixture that pandas cannot hold
            stamps = text.map(lambda one: pd.to_datetime(one, errors="coerce", utc=utc))
    if not utc and getattr(stamps.dt, "tz", None) is not None:
        stamps = pd.Series(pd.NaT, index=text.index)
    years = stamps.dt.year
    stamps = stamps.where((years >= FIRST_YEAR) & (years <= LAST_YEAR))
    wrong = np.flatnonzero(stamps.isna().to_numpy())
    if len(wrong):
        first = int(wrong[0])
        raise SeriesError(
            f"{text.iloc[first]!r} is not an ISO 8601 time from {FIRST_YEAR} to {LAST_YEAR}"
            f" ({len(wrong)} such cells)",
            where=table.where(first, column),
            mend="Write 2025-07-03T14:15 or 2025-07-03T14:15-05:00.",
        )
    return stamps


def _on_wall_clock(
    table: Table, column: str, wall: pd.DatetimeIndex, zone: str, notes: list[str]
) -> pd.DatetimeIndex:
    """Place wall-clock times in the zone: of a repeated hour the first is daylight-saving time.

    Files with 24 rows on every day have an hour in spring that the clock skips; it is left out.
    """
    wall_s = wall.to_numpy("datetime64[s]").astype(np.int64)
    places = placed(wall_s, zone)
    others = [table.cells[name].str.strip() for name in table.cells.columns if name != column]
    wrong = same_twins(wall_s, places.is_open, others)
    if wrong is not None:
        what, mend = open_words(int(wall_s[wrong]), zone)
        raise SeriesError(what, where=table.where(wrong, column), mend=mend)
    skipped = np.flatnonzero(places.instants_s == SKIPPED)
    if len(skipped):
        notes.append(
            f"{table.path.name}: {len(skipped)} rows name times that the clock of {zone} skips"
            f" (first {wall[skipped].min():%Y-%m-%d %H:%M}); they were left out."
        )
    odd = wall.to_numpy("datetime64[ns]") - wall_s.astype("datetime64[s]")
    instants = pd.DatetimeIndex(places.instants_s.astype("datetime64[s]") + odd, tz="UTC")
    return pd.DatetimeIndex(instants.where(places.instants_s != SKIPPED))


@dataclass(frozen=True)
class EvenSteps:
    """Which record fills each step of an even grid; −1 where none does."""

    start: pd.Timestamp
    step_minutes: int
    record: np.ndarray

    def take(self, values: FloatArray) -> FloatArray:
        """Return the values on the grid, NaN where missing, shape (T,)."""
        return np.where(self.record >= 0, values[self.record], np.nan)

    def grid(self, table: Table, zone: str) -> TimeGrid:
        """Return the steps as a time grid by the clock of a zone.

        Raises
        ------
        SeriesError
            If a step does not begin on a multiple of itself by that clock.
        """
        try:
            return TimeGrid(self.start.to_pydatetime(), self.step_minutes, len(self.record), zone)
        except InputError as failure:
            where = f"{table.path}, column {table.time_column}, {failure.where}"
            raise SeriesError(failure.what, where=where, mend=failure.mend) from None


def even_steps(
    table: Table, instants: pd.DatetimeIndex, columns: Sequence[FloatArray], notes: list[str]
) -> EvenSteps:
    """Sort records into even steps of time, shape (T,).

    Repairs, each with a note: wrong order is sorted, a repeated record with equal values dropped.

    Raises
    ------
    SeriesError
        If the step is not 5, 15, 30 or 60 min, stamps lie between steps, or one time has two
        different values.
    """
    known = np.flatnonzero(~np.asarray(instants.isna()))
    moments = instants.as_unit("ns").asi8
    order = known[np.argsort(moments[known], kind="stable")]
    if not len(order):
        raise SeriesError("no row is left to use", where=table.path, mend="Check the time stamps.")
    odd = np.flatnonzero(np.asarray((instants.second != 0) | (instants.microsecond != 0))[order])
    if len(odd):
        first = int(order[odd[0]])
        raise SeriesError(
            f"{instants[first].isoformat()} does not begin on a full minute ({len(odd)} such rows)",
            where=table.where(first, table.time_column),
            mend="Give one row for each equal interval, stamped at its beginning.",
        )
    disorder = int((np.diff(order) < 0).sum())
    if disorder:
        notes.append(f"{table.path.name}: rows out of order were sorted ({disorder} places).")
    minutes = instants.to_numpy("datetime64[m]").astype(np.int64)[order]
    keep = _without_repeats(table, minutes, order, columns, notes)
    minutes, order = minutes[keep], order[keep]
    step = _step_minutes(table, minutes)
    slot, rest = np.divmod(minutes - minutes[0], step)
    if rest.any():
        first = int(order[np.flatnonzero(rest)[0]])
        raise SeriesError(
            f"{instants[first].isoformat()} lies between the steps of {step} min",
            where=table.where(first, table.time_column),
            mend="Give one row for each equal interval, stamped at its beginning.",
        )
    count = int(slot[-1]) + 1
    if count > MAX_ROWS:
        raise SeriesError(
            f"the stamps span {count:,} steps of {step} min, more than {MAX_ROWS:,}",
            where=f"{table.path}, rows {table.row(int(order[0]))} to {table.row(int(order[-1]))}",
            mend="Check the years of the first and the last stamp.",
        )
    record = np.full(count, -1, dtype=np.int64)
    record[slot] = order
    return EvenSteps(instants[order[0]], step, record)


def _without_repeats(
    table: Table,
    minutes: np.ndarray,
    order: np.ndarray,
    columns: Sequence[FloatArray],
    notes: list[str],
) -> BoolArray:
    repeated = np.concatenate([[False], np.diff(minutes) == 0])
    firsts = np.flatnonzero(~repeated)
    group = np.cumsum(~repeated) - 1
    for values in columns:
        ordered = values[order]
        first = ordered[firsts][group]
        same = (np.abs(ordered - first) <= SAME) | (np.isnan(ordered) & np.isnan(first))
        wrong = np.flatnonzero(~same)
        if len(wrong):
            raise _contradiction(table, values, int(order[firsts[group[wrong[0]]]]),
                                 int(order[wrong[0]]))  # fmt: skip
    if repeated.any():
        notes.append(f"{table.path.name}: {int(repeated.sum())} repeated rows were dropped.")
    return np.asarray(~repeated)


def _contradiction(table: Table, values: FloatArray, before: int, here: int) -> SeriesError:
    first, second = (
        "blank" if np.isnan(values[row]) else f"{values[row]:g}" for row in (before, here)
    )
    return SeriesError(
        f"the same time stands in row {table.row(before)} with {first} and in row {table.row(here)}"
        f" with {second}",
        where=table.where(here, table.time_column),
        mend="Keep the right one. If clocks were put back, give stamps with offsets.",
    )


def _step_minutes(table: Table, minutes: np.ndarray) -> int:
    if len(minutes) < 2:
        raise SeriesError(
            "one row does not tell how long a step is",
            where=table.path,
            mend="Give at least two rows.",
        )
    lengths, counts = np.unique(np.diff(minutes), return_counts=True)
    step = int(lengths[counts.argmax()])
    if step not in STEP_MINUTES:
        raise SeriesError(
            f"most rows are {step} min apart; allowed are {', '.join(map(str, STEP_MINUTES))} min",
            where=table.path,
            mend="Bring the series to one of these steps.",
        )
    return step
