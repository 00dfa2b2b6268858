"""Reads time stamps of a CSV into an even grid; each repair leaves a note.

Shared by the readers of forecasts and of prices. Time stamps name the beginning of an interval;
they carry a UTC offset, or are wall-clock times of the site's zone.
"""

from __future__ import annotations

import csv
import gzip
import io
import re
import zlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np

from optimizer.base.clock import EPOCH, seconds_of
from optimizer.base.errors import InputError, SeriesError, Where, bounded, refuse_irregular
from optimizer.base.timegrid import STEP_MINUTES, BoolArray, FloatArray, IntArray, TimeGrid
from optimizer.metering.csv_text import is_xml, kind_of
from optimizer.metering.local_time import foreign_offsets
from optimizer.metering.wall_clock import SKIPPED, open_words, placed, same_twins

if TYPE_CHECKING:
    import pandas as pd

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

NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)

STAMP = re.compile(
    r"(\d{8}|\d{4}([-/.])\d{1,2}\2\d{1,2})"
    r"(?:[T ](\d{1,2}(?::\d{2}){0,2}|\d{4}|\d{6})(?:\.(\d+))? ?(Z|[+-]\d{2}(?::?\d{2})?)?)?",
    re.ASCII,
)
"""A day and, if any, its clock time, fraction of a second and offset, as ISO 8601 writes them."""

MOST = 1e15
"""No value is read above this: sums of more would not fit a number."""

ZONE_MEND = "Correct the zone, or write the stamps by its clock or in UTC (Z)."

SAME = 1e-9
"""Values of one time closer than this are the same."""


@dataclass(frozen=True)
class Table:
    """A CSV as columns of texts by their names, and what stands before its head.

    ``rows`` are the rows of the N records in the file, counted from 1. Texts begin and end with no blank.
    """

    path: Path
    cells: Mapping[str, Sequence[str]]
    rows: Sequence[int]
    head_row: int
    comments: tuple[str, ...] = ()

    def row(self, record: int) -> int:
        """Return the row in the file, counted from 1, of a record."""
        return self.rows[record]

    @property
    def time_column(self) -> str:
        """Name of the column with the time stamps."""
        return next((name for name in TIME_COLUMNS if name in self.cells), TIME_COLUMNS[0])

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
        cells, rows = _records(path, content, comments)
    except FileNotFoundError:
        raise SeriesError("there is no such file", where=path, mend="Check the path.") from None
    except (OSError, EOFError, ValueError, zlib.error) as failure:
        raise SeriesError(
            f"this is no readable CSV: {str(failure).strip().splitlines()[-1]}",
            where=path,
            mend="Give comma-separated text in UTF-8 with one header line.",
        ) from None
    if not rows:
        raise SeriesError("the file has no rows", where=path, mend="Add the series' rows.")
    return Table(path, cells, rows, comments + 1, before)


def _records(path: Path, content: bytes, comments: int) -> tuple[dict[str, list[str]], list[int]]:
    """Return the columns by their names, and the row in the file of each record that is not blank.

    Raises
    ------
    SeriesError
        If two columns have one name, a row has more cells than the header, a quote swallows rows, or there
        are too many.
    """
    # A last line end of our own, so that a quote that is left open in the last row has swallowed it.
    lines = io.StringIO(content.decode("utf-8-sig") + "\n", newline=None)
    for _ in range(comments):
        next(lines)
    reader = csv.reader(lines, skipinitialspace=True)
    try:
        head, *records = islice(reader, MAX_ROWS + 2)
    except csv.Error:  # a cell is longer than the library takes
        raise _swallowed(path, comments + reader.line_num) from None
    if len(records) > MAX_ROWS:
        raise SeriesError(
            f"the file has more than {MAX_ROWS:,} rows", where=path, mend="Give one year."
        )
    first, names = comments + 2, _names(path, comments + 1, head)
    for row, cells in enumerate(records, start=first):
        if len(cells) > len(names):
            raise SeriesError(
                f"this row has {len(cells)} cells, more than the header ({listed(names)})",
                where=Where(f"{path}, row {row}", path, row),
                mend="Write numbers with a decimal point, and no comma at the end of a row.",
            )
        if len(cells) < len(names):
            cells += [""] * (len(names) - len(cells))
    columns = dict(zip(names, zip(*records, strict=True), strict=True)) if records else {}
    for name, column in columns.items():
        if max(map(len, column)) > MAX_CELL or "\n" in "".join(column):
            at, cell = next((n, c) for n, c in enumerate(column) if len(c) > MAX_CELL or "\n" in c)
            raise _swallowed(path, first + at, name, cell)
    filled = [n for n, cells in enumerate(records) if "".join(cells).strip()]
    return (
        {name: [column[n].strip() for n in filled] for name, column in columns.items()},
        [first + n for n in filled],
    )


def _names(path: Path, row: int, cells: Sequence[str]) -> list[str]:
    names = [cell.strip() for cell in cells]
    twins = sorted({name for name in names if names.count(name) > 1})
    if twins:
        raise SeriesError(
            f"two columns are called {twins[0]!r}",
            where=f"{path}, row {row}",
            mend="Keep one of them, or rename one.",
        )
    return names


def _swallowed(path: Path, row: int, name: str | None = None, cell: str = "") -> SeriesError:
    """Return the refusal of a cell that holds line ends, or is no number or stamp by its length.

    A quote that is left open swallows all rows up to the next one, in whatever column it stands.
    """
    ends = cell.count("\n")
    held = f"{ends} line ends" if ends else f"more than {MAX_CELL:,} characters"
    column = "" if name is None else f", column {bounded(repr(name), 80)}"
    return SeriesError(
        f"a cell holds {held}: a quote is left open, and rows are swallowed",
        where=f"{path}, row {row}{column}",
        mend="Remove or close the quote in this row.",
    )


def table_of(frame: pd.DataFrame, name: str) -> Table:
    """Return a frame as a table, as if it had been read from a file of this name.

    Its index, or a column ``time``, holds the begin of each interval, aware of its zone.

    Raises
    ------
    SeriesError
        If the times are not aware of their zone, or there are too many rows or none.
    """
    import pandas as pd

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
    values = frame.drop(columns=[] if at is None else [at])
    cells = {
        str(name): ["" if pd.isna(value) else str(value) for value in column]
        for name, column in values.items()
    }
    stamps = [time.isoformat() for time in times.dt.tz_convert("UTC")]
    rows = range(2, 2 + len(stamps))
    return Table(Path(name), {TIME_COLUMNS[0]: stamps} | cells, rows, 1)


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


def _head(path: Path, content: bytes) -> tuple[tuple[str, ...], str]:
    """Return the lines of comments and blanks before the header, and the header."""
    before = list[str]()
    with io.TextIOWrapper(io.BytesIO(content), encoding="utf-8-sig") as lines:
        for line in lines:
            if line.strip() and not line.startswith("#"):
                return tuple(before), line
            before.append(line.rstrip())
    raise SeriesError("the file has no rows", where=path, mend="Add the series' rows.")


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
    found = [name for name in choices if name in table.cells]
    if len(found) > 1:
        raise SeriesError(
            f"the columns {found} say the same",
            where=f"{table.path}, row {table.head_row}",
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
            f"no column is called {' or '.join(choices)}; found: {listed(list(table.cells))}",
            where=f"{table.path}, row {table.head_row}",
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
    texts = table.cells[column]
    values = np.array([float(text) if NUMBER.fullmatch(text) else np.nan for text in texts])
    wrong = [n for n in np.flatnonzero(~np.isfinite(values)).tolist() if texts[n]]
    if wrong:
        raise SeriesError(
            f"{bounded(repr(texts[wrong[0]]), 80)} is not a number ({len(wrong)} such cells)",
            where=table.where(wrong[0], column),
            mend="Write numbers with a decimal point, no comma, no unit and no sign such as %;"
            " leave missing values blank.",
        )
    high = np.flatnonzero(np.abs(values) > MOST)
    if len(high):
        raise SeriesError(
            f"{values[high[0]]:g} is more than any meter counts ({len(high)} such values)",
            where=table.where(int(high[0]), column),
            mend=f"Correct it, or leave it blank; values go to {MOST:g}.",
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


def read_stamps(table: Table, column: str, zone: str, notes: list[str]) -> IntArray:
    """Return the instants of a time column, in the file's order, shape (N,). [s since 1970 UTC]

    A wall-clock time that the zone skips becomes SKIPPED, with a note.

    Raises
    ------
    SeriesError
        If a stamp is unreadable, or some have offsets and others none.
    """
    texts = table.cells[column]
    wall_s, offsets = _clock_times(table, column)
    has_offset = [offset is not None for offset in offsets]
    if any(has_offset) and not all(has_offset):
        first = has_offset.index(not has_offset[0])
        raise SeriesError(
            f"{texts[first]!r}: some stamps have a UTC offset and others have none",
            where=table.where(first, column),
            mend="Write all stamps in one way.",
        )
    if not all(has_offset):
        return _on_wall_clock(table, column, wall_s, zone, notes)
    offsets_s = np.array(offsets, dtype=np.int64)
    _hold_against_zone(table, column, wall_s - offsets_s, offsets_s, zone, notes=notes)
    return np.asarray(wall_s - offsets_s)


def _hold_against_zone(
    table: Table, column: str, instants_s: IntArray, offsets_s: IntArray, zone: str,
    notes: list[str],
) -> None:  # fmt: skip
    """Tell of offsets that the zone's clock does not have; refuse where none of the file fits."""
    odd = foreign_offsets(zone, instants_s, offsets_s)
    if odd is not None and odd[1]:
        raise SeriesError(
            f"no stamp fits the zone: {odd[0]}",
            where=f"{table.path}, column {column}",
            mend=ZONE_MEND,
        )
    if odd is not None:
        notes.append(f"{table.path.name}: {odd[0]}; taken as the stamps say. Check the zone.")


def _clock_times(table: Table, column: str) -> tuple[IntArray, list[int | None]]:
    """Return what each stamp says the clock shows, shape (N,) [s], and its offset if it has one. [s]

    Raises
    ------
    SeriesError
        If one is no ISO 8601 time, or does not begin on a full second.
    """
    texts = table.cells[column]
    times, offsets = list[int | None](), list[int | None]()
    for record, text in enumerate(texts):
        match = STAMP.fullmatch(text)
        day, _, clock, fraction, offset = match.groups() if match else [None] * 5
        day_s, clock_s = _day_s(day), _clock_s(clock)
        times.append(None if day_s is None or clock_s is None else day_s + clock_s)
        offsets.append(_offset_s(offset))
        if (fraction or "").strip("0"):
            raise _between_minutes(table, column, record, text)
    wrong = [record for record, time_s in enumerate(times) if time_s is None]
    if wrong:
        raise SeriesError(
            f"{bounded(repr(texts[wrong[0]]), 80)} is not an ISO 8601 time from {FIRST_YEAR} to"
            f" {LAST_YEAR} ({len(wrong)} such cells)",
            where=table.where(wrong[0], column),
            mend="Write 2025-07-03T14:15 or 2025-07-03T14:15-05:00.",
        )
    return np.array(times, dtype=np.int64), offsets


@lru_cache(maxsize=20_000)
def _day_s(text: str | None) -> int | None:
    """Return the midnight of a day such as ``2025-07-03``, None if there is none. [s]"""
    if text is None:
        return None
    parts = re.findall(r"\d+", text)
    year, month, day = map(int, parts if len(parts) == 3 else (text[:4], text[-4:-2], text[-2:]))
    if not FIRST_YEAR <= year <= LAST_YEAR:
        return None
    try:
        return seconds_of(datetime(year, month, day, tzinfo=UTC))
    except ValueError:
        return None


@lru_cache(maxsize=2_000)
def _clock_s(text: str | None) -> int | None:
    """Return the second of the day of a clock time such as ``14:15``, None if there is none. [s]"""
    if text is None:
        return 0
    parts = text.split(":") if ":" in text or len(text) < 4 else re.findall("..", text)
    hour, minute, second = map(int, [*parts, "0", "0"][:3])
    return (hour * 60 + minute) * 60 + second if hour < 24 and max(minute, second) < 60 else None


@lru_cache(maxsize=2_000)
def _offset_s(text: str | None) -> int | None:
    """Return an offset such as ``-05:00``; that of ``Z`` is 0. [s]"""
    if text is None:
        return None
    digits = text.strip("Z+-").replace(":", "").ljust(4, "0")
    return (-1 if text[0] == "-" else 1) * (int(digits[:2]) * 60 + int(digits[2:])) * 60


def _between_minutes(
    table: Table, column: str, record: int, shown: str, count: int = 1
) -> SeriesError:
    return SeriesError(
        f"{shown} does not begin on a full minute ({count} such rows)",
        where=table.where(record, column),
        mend="Give one row for each equal interval, stamped at its beginning.",
    )


def _on_wall_clock(
    table: Table, column: str, wall_s: IntArray, zone: str, notes: list[str]
) -> IntArray:
    """Place wall-clock times in the zone: of a repeated hour the first is daylight-saving time.

    Files with 24 rows on every day have an hour in spring that the clock skips; it is left out.
    """
    places = placed(wall_s, zone)
    others = [texts for name, texts in table.cells.items() if name != column]
    wrong = same_twins(wall_s, places.is_open, others)
    if wrong is not None:
        what, mend = open_words(int(wall_s[wrong]), zone)
        raise SeriesError(what, where=table.where(wrong, column), mend=mend)
    skipped = wall_s[places.instants_s == SKIPPED]
    if len(skipped):
        first = EPOCH + timedelta(seconds=int(skipped.min()))
        notes.append(
            f"{table.path.name}: {len(skipped)} rows name times that the clock of {zone} skips"
            f" (first {first:%Y-%m-%d %H:%M}); they were left out."
        )
    return places.instants_s


@dataclass(frozen=True)
class EvenSteps:
    """Which record fills each step of an even grid; −1 where none does."""

    start: datetime
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
            return TimeGrid(self.start, self.step_minutes, len(self.record), zone)
        except InputError as failure:
            where = f"{table.path}, column {table.time_column}, {failure.where}"
            raise SeriesError(failure.what, where=where, mend=failure.mend) from None


def even_steps(
    table: Table, instants_s: IntArray, columns: Sequence[FloatArray], notes: list[str]
) -> EvenSteps:
    """Sort records into even steps of time, shape (T,).

    Repairs, each with a note: wrong order is sorted, a repeated record with equal values dropped.

    Raises
    ------
    SeriesError
        If the step is not 5, 15, 30 or 60 min, stamps lie between steps, or one time has two
        different values.
    """
    known = np.flatnonzero(instants_s != SKIPPED)
    order = known[np.argsort(instants_s[known], kind="stable")]
    if not len(order):
        raise SeriesError("no row is left to use", where=table.path, mend="Check the time stamps.")
    odd = order[instants_s[order] % 60 != 0]
    if len(odd):
        shown = _instant_text(instants_s, odd[0])
        raise _between_minutes(table, table.time_column, int(odd[0]), shown, len(odd))
    disorder = int((np.diff(order) < 0).sum())
    if disorder:
        notes.append(f"{table.path.name}: rows out of order were sorted ({disorder} places).")
    minutes = instants_s[order] // 60
    keep = _without_repeats(table, minutes, order, columns, notes)
    minutes, order = minutes[keep], order[keep]
    step = _step_minutes(table, minutes)
    slot, rest = np.divmod(minutes - minutes[0], step)
    if rest.any():
        first = int(order[np.flatnonzero(rest)[0]])
        raise SeriesError(
            f"{_instant_text(instants_s, first)} lies between the steps of {step} min",
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
    return EvenSteps(EPOCH + timedelta(minutes=int(minutes[0])), step, record)


def _instant_text(instants_s: IntArray, record: int) -> str:
    return (EPOCH + timedelta(seconds=int(instants_s[record]))).isoformat()


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
