"""What the columns of an outside CSV mean: by the words of their heads and the look of their cells.

Dialects are recognised by their features, not by where they come from. Read next: ``interval_csv``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Literal

from optimizer.base.errors import SeriesError
from optimizer.metering.csv_cells import (
    BLANKS,
    Column,
    begin_of_span,
    clock_minute,
    epoch_stamp,
    is_epoch,
    is_midnight,
    is_month,
    is_stamp,
    is_time,
    month_stamp,
)
from optimizer.metering.csv_text import Sheet

Edge = Literal["start", "end", ""]

TIME_WORDS = {
    "date", "time", "datetime", "timestamp", "day", "start", "end", "ending", "beginning", "begin",
    "from", "to", "until", "period", "interval", "hour", "stamp", "starttime", "endtime", "hh",
    "startdate", "enddate", "readdate", "datum", "zeit", "uhrzeit", "zeitpunkt", "zeitstempel",
    "tag", "von", "bis", "fecha", "hora", "heure", "jour", "début", "fin", "utc",
    "epoch", "unix", "month", "monat", "mes", "mois",
}  # fmt: skip
START_WORDS = {"start", "starttime", "startdate", "from", "begin", "beginning", "von", "début"}
END_WORDS = {"end", "endtime", "enddate", "to", "until", "ending", "bis", "fin"}
NOT_A_TIME = {"grid", "kwh", "kw", "wh", "mwh"}

UNITS = {
    "kwh": ("energy", 1.0), "wh": ("energy", 1e-3), "mwh": ("energy", 1e3),
    "kw": ("power", 1.0), "w": ("power", 1e-3), "mw": ("power", 1e3),
    "kvarh": ("reactive", 1.0), "varh": ("reactive", 1e-3),
}  # fmt: skip
"""Unit in lower case: what it measures, and its factor to kWh, kW or kvarh."""

EXPORT_PHRASES = ("to grid", "to the grid", "into grid", "feed in")
IMPORT_PHRASES = ("from grid", "from the grid")
EXPORT_WORDS = {
    "export", "exported", "exports", "received", "generation", "generated", "feedin", "returned",
    "surplus", "injection", "injected", "production", "produced", "reverse", "sold", "outflow",
    "einspeisung", "exp", "gen",
}  # fmt: skip
IMPORT_WORDS = {
    "import", "imported", "imports", "delivered", "consumption", "consumed", "usage", "used", "use",
    "withdrawal", "withdrawn", "forward", "purchased", "bought", "inflow", "load", "bezug",
    "verbrauch", "imp", "con",
}  # fmt: skip
SURE_WORDS = {
    "export", "exported", "exports", "received", "import", "imported", "imports", "delivered",
    "feedin", "einspeisung", "bezug",
}  # fmt: skip
PV_WORDS = {"pv", "solar", "photovoltaic", "photovoltaics"}
"""What the roof made; with a word such as export beside it, what of that went into the grid."""

NET_WORDS = {"net"}
REACTIVE_WORDS = {"reactive", "kvarh", "varh", "kvar"}
PLAIN_WORDS = {
    "value", "reading", "energy", "quantity", "volume", "electricity", "power", "demand", "wert",
    "kwh", "wh", "mwh", "kw", "active",
}  # fmt: skip
OTHER_WORDS = {
    "cost", "costs", "price", "charge", "charges", "fee", "amount", "bill", "rate", "tariff",
    "temperature", "temp", "co2", "kva", "voltage", "current", "factor", "gas", "water", "therms",
}  # fmt: skip
DIRECTION_HEADS = {
    "direction", "flow", "type", "register", "channel", "stream", "category", "measure", "suffix",
    "description", "richtung",
}  # fmt: skip
UNIT_HEADS = {"unit", "units", "uom", "einheit"}
METER_HEADS = {
    "meter", "point", "premise", "serial", "supply", "device", "meterid", "nmi", "mpan", "esiid",
    "site", "id", "zähler",
}  # fmt: skip
QUALITY_HEADS = {"quality", "status", "flag", "estimated", "validation"}

PRICE = re.compile(
    r"(?P<money>€|\$|£|¥|[a-z]{3}|cents?|ct|pence|c|p|price)\s*(?:/|\sper\s)\s*(?P<unit>[km]wh)"
)
CENTS = {"cent", "cents", "ct", "c", "p", "pence"}

WIDE_COUNTS = {23, 24, 25, 46, 48, 50, 92, 96, 100, 288, 300}
"""Intervals of a day of 23, 24 or 25 hours in steps of 60, 30, 15 or 5 min."""

LOOK = 50
"""Number of cells that decide what a column holds."""

MAX_HEAD_ROW = 200


@dataclass(frozen=True)
class Meaning:
    """What a head says of a column of values.

    ``is_sure`` tells names of the grid's own flows (import, export) from those that may be flows of
    the building or the PV (consumption, generation).
    """

    quantity: str | None
    unit: str | None
    is_plain: bool = False
    is_sure: bool = False


@dataclass
class Columns:
    """Which column of a table plays which part; positions count from 0."""

    sheet: Sheet
    heads: list[str]
    rows: list[list[str]]
    lines: list[int]
    head_line: int
    stamps: dict[Edge, int] = field(default_factory=dict)
    dates: dict[Edge, int] = field(default_factory=dict)
    clocks: dict[Edge, int] = field(default_factory=dict)
    wide: list[int] = field(default_factory=list)
    amounts: dict[int, Meaning] = field(default_factory=dict)
    prices: dict[int, tuple[str, float]] = field(default_factory=dict)
    direction: int | None = None
    unit: int | None = None
    meter: int | None = None
    quality: int | None = None
    unused: list[str] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)

    def cells(self, column: int) -> list[str]:
        """Return the cells of a column."""
        return [row[column] for row in self.rows]

    def column(self, column: int) -> Column:
        """Return a column with all that a message about it needs."""
        return Column(self.sheet, self.heads[column], self.cells(column), self.lines)

    def refusal(self, what: str, mend: str, head: str = "") -> SeriesError:
        """Return an error at the row of the heads, of all columns or of one."""
        return SeriesError(what, where=self.sheet.where(self.head_line, head), mend=mend)


def words_of(head: str) -> list[str]:
    """Return the words of a head in lower case, with its unit; marks and underlines part words."""
    spaced = re.sub(r"(?<=[a-z])(?=[A-Z][a-z])(?!Wh)|(?<=[a-z])(?=[kM]Wh?\b)", " ", head)
    short = re.sub(r"watts?[\s-]*hours?", "wh", spaced.lower())
    short = re.sub(r"\b(kilo|mega)[\s-]?(?=wh\b|watts?\b)", lambda prefix: prefix[1][0], short)
    return re.findall(r"[^\W\d_]+", re.sub(r"\b([km]?)watts?\b", r"\1w", short))


def meaning_of(head: str) -> Meaning:
    """Return quantity and unit that a head, or a cell that names a direction, speaks of."""
    words = words_of(head)
    known, text = set(words), f" {' '.join(words)} "
    unit = next((word for word in reversed(words) if word in UNITS), None)
    if any(f" {phrase} " in text for phrase in EXPORT_PHRASES):
        return Meaning("export_kwh", unit, is_sure=True)
    if any(f" {phrase} " in text for phrase in IMPORT_PHRASES):
        return Meaning("import_kwh", unit, is_sure=True)
    if known & REACTIVE_WORDS:
        return Meaning("reactive_kvarh", unit)
    if known & PV_WORDS and not known & (SURE_WORDS | NET_WORDS | IMPORT_WORDS):
        return Meaning("pv_kwh", unit, is_sure=True)
    if known & NET_WORDS:
        return Meaning("net_kwh", unit)
    is_export, is_import = bool(known & EXPORT_WORDS), bool(known & IMPORT_WORDS)
    if is_export and is_import:
        return Meaning("net_kwh", unit)
    if is_export or is_import:
        name = "export_kwh" if is_export else "import_kwh"
        return Meaning(name, unit, is_sure=bool(known & SURE_WORDS))
    return Meaning(None, unit, is_plain=bool(known & PLAIN_WORDS))


def price_of(head: str) -> tuple[str, float] | None:
    """Return the tidy name of a price column and the factor to it; None if it is no price."""
    match = PRICE.search(re.sub(r"[_()\[\]]", " ", head.lower()))
    if match is None:
        return None
    return f"price_per_{match['unit']}", 0.01 if match["money"] in CENTS else 1.0


def find_columns(sheet: Sheet) -> Columns:
    """Find the head row of a table, and what each of its columns is.

    Raises
    ------
    SeriesError
        If no row is followed by rows with dates below a head that speaks of time, or if no column
        holds values.
    """
    head_at = _head_row(sheet)
    heads = sheet.rows[head_at]
    columns = Columns(sheet, heads, [], [], sheet.lines[head_at])
    columns.rows, columns.lines = _body(sheet, head_at)
    taken = _find_times(columns)
    _find_wide(columns, taken)
    _find_words(columns, taken)
    _find_values(columns, taken)
    if not (columns.wide or columns.amounts or columns.prices):
        raise columns.refusal(
            f"no column holds energy, power or prices; the heads are: {', '.join(heads)[:300]}",
            "Name the columns of energy, e.g. 'import (kWh)' and 'export (kWh)'.",
        )
    return columns


def with_heads(sheet: Sheet, heads: Sequence[str]) -> Sheet:
    """Return a table that has no heads with those that the user gave.

    Raises
    ------
    SeriesError
        If the first row has more cells than there are heads, or another number.
    """
    if len(sheet.rows[0]) != len(heads):
        raise SeriesError(
            f"the row has {len(sheet.rows[0])} cells, but {len(heads)} heads are given:"
            f" {', '.join(heads)[:200]}",
            where=sheet.where(sheet.lines[0]),
            mend="Give a head for each column, such as --heads time,import_kwh,other.",
        )
    return replace(sheet, rows=[list(heads), *sheet.rows], lines=[0, *sheet.lines])


def joined(sheets: Sequence[Sheet]) -> tuple[Sheet, list[str]]:
    """Return several tables with the same heads as one, and notes on what was joined or left out.

    Sheets of a workbook without a head of times are left out; so are the lines above the heads of all
    tables but the first.

    Raises
    ------
    SeriesError
        If no table has a head of times, or their heads or separators differ.
    """
    if len(sheets) == 1:
        return sheets[0], []
    tables, notes = _with_heads(sheets)
    first, head = tables[0][0], tables[0][0].rows[tables[0][1]]
    for sheet, at in tables[1:]:
        if sheet.rows[at] != head or sheet.separator != first.separator:
            raise SeriesError(
                f"the heads differ: {', '.join(sheet.rows[at])[:200]}; in {first.label}:"
                f" {', '.join(head)[:200]}",
                where=sheet.where(sheet.lines[at]),
                mend="Join files of the same kind only, each a part of the same meter's time.",
            )
    rows, lines, parts, before = list(first.rows), list(first.lines), [(0, first)], first.lines[-1]
    for sheet, at in tables[1:]:
        rows += sheet.rows[at + 1 :]
        lines += [before + line for line in sheet.lines[at + 1 :]]
        parts.append((before, sheet))
        before += sheet.lines[-1]
    if len(tables) > 1:
        names = ", ".join(sheet.path.name for sheet, _ in tables)
        notes.append(f"{len(tables)} tables of the same heads were joined: {names[:300]}.")
    return Sheet(first.path, first.separator, rows, lines, first.name, tuple(parts)), notes


def _with_heads(sheets: Sequence[Sheet]) -> tuple[list[tuple[Sheet, int]], list[str]]:
    tables, notes = [], []
    for sheet in sheets:
        try:
            tables.append((sheet, _head_row(sheet)))
        except SeriesError:
            if not sheet.name:
                raise
            notes.append(f"sheet {sheet.name!r} has no head of times, left out.")
    if not tables:
        _head_row(sheets[0])
    return tables, notes


def _head_row(sheet: Sheet) -> int:
    for at, row in enumerate(sheet.rows[:MAX_HEAD_ROW]):
        below = sheet.rows[at + 1 : at + 2]
        if below and any(
            _speaks_of_time(head) and not is_stamp(head) and column < len(below[0])
            and is_time(below[0][column])
            for column, head in enumerate(row)
        ):  # fmt: skip
            return at
    raise SeriesError(
        "no row of heads with a column of dates below it was found",
        where=sheet.path,
        mend="Give a CSV whose heads name a date or time, and energy, e.g. 'time,import_kwh'; dates"
        " such as 2025-07-03. If the file has no heads, name its columns: --heads time,import_kwh.",
    )


def _speaks_of_time(head: str) -> bool:
    words = set(words_of(head))
    return bool(words & TIME_WORDS) and not words & NOT_A_TIME


def _body(sheet: Sheet, head_at: int) -> tuple[list[list[str]], list[int]]:
    """Return the rows below the heads, each as long as the heads; repeated heads are skipped."""
    heads = sheet.rows[head_at]
    rows, lines = [], []
    for row, line in zip(sheet.rows[head_at + 1 :], sheet.lines[head_at + 1 :], strict=True):
        if row == heads:
            continue
        if any(row[len(heads) :]):
            raise SeriesError(
                f"the row has {len(row)} cells, more than the {len(heads)} heads",
                where=sheet.where(line),
                mend="Put numbers with decimal commas in quotes, or separate cells by semicolons.",
            )
        rows.append((row + [""] * len(heads))[: len(heads)])
        lines.append(line)
    return rows, lines


def _look(columns: Columns, column: int) -> list[str]:
    """Return the first cells of a column that are not blank."""
    found = []
    for row in columns.rows:
        if row[column].lower() not in BLANKS:
            found.append(row[column])
        if len(found) == LOOK:
            break
    return found


def _edge(head: str) -> Edge:
    words = set(words_of(head))
    if words & START_WORDS:
        return "start"
    return "end" if words & END_WORDS else ""


def _find_times(columns: Columns) -> set[int]:
    """Find the columns of dates and clock times; return which columns are taken."""
    taken: set[int] = set()
    for column, head in enumerate(columns.heads):
        cells = _look(columns, column)
        if not cells or not _speaks_of_time(head):
            continue
        parts = None
        cells = _written_out(columns, column, cells)
        if begin_of_span(cells[0]) != cells[0]:
            for row in columns.rows:
                row[column] = begin_of_span(row[column])
            columns.stamps.setdefault("start", column)
        elif is_stamp(cells[0]):
            is_timed = any(
                is_stamp(cell) and not is_midnight(cell)
                for cell in dict.fromkeys(columns.cells(column))
            )
            parts = columns.stamps if is_timed else columns.dates
        elif all(clock_minute(cell) is not None for cell in cells):
            parts = columns.clocks
        if parts is not None:
            parts.setdefault(_edge(head), column)
        if parts is not None or column in columns.stamps.values():
            taken.add(column)
    return taken


def _written_out(columns: Columns, column: int, cells: list[str]) -> list[str]:
    """Put stamps in place of seconds since 1970, and of months; return the first cells as they are now."""
    if is_epoch(cells[0]):
        stamp, told = epoch_stamp, "counts seconds since 1970-01-01T00:00Z"
    elif is_month(cells[0]):
        stamp, told = month_stamp, "names months, taken from their first day"
    else:
        return cells
    for row in columns.rows:
        row[column] = stamp(row[column])
    columns.notes.append(f"{columns.heads[column]!r} {told}.")
    return _look(columns, column)


def wide_minutes(heads: Sequence[str]) -> list[int] | None:
    """Return the clock times that the heads of a wide table name; None if they name none. [min]"""
    minutes = [_head_minute(head) for head in heads]
    return [minute for minute in minutes if minute is not None] if None not in minutes else None


def _head_minute(head: str) -> int | None:
    """Return the minute of ``00:30``, ``0030``, ``12:30 AM``, ``00:30-01:00`` or ``kWh 00:30``."""
    match = re.search(r"\d{1,2}:\d{2}(:\d{2})?(\s?[ap]\.?m\.?)?", head.lower())
    if match:
        return clock_minute(match[0])
    return clock_minute(head) if re.fullmatch(r"\d{4}", head) else None


def head_number(head: str) -> int | None:
    """Return the number of ``17``, ``hour 17``, ``interval_17`` or ``h17``; None if there is none."""
    match = re.fullmatch(r"\D{0,40}?(\d{1,3})(?:\s*\(?[kmw]*wh?\)?)?", head.lower().strip())
    return int(match[1]) if match else None


def _find_wide(columns: Columns, taken: set[int]) -> None:
    """Find the columns of a table with one row a day and one column an interval."""
    free = [column for column in range(len(columns.heads)) if column not in taken]
    clocks = [column for column in free if _head_minute(columns.heads[column]) is not None]
    numbered = [column for column in free if head_number(columns.heads[column]) is not None]
    numbers = [head_number(columns.heads[column]) or 0 for column in numbered]
    in_turn = all(after == before + 1 for before, after in pairwise(numbers))
    if len(clocks) in WIDE_COUNTS:
        columns.wide = clocks
    elif len(numbered) in WIDE_COUNTS and in_turn and numbers[0] in {0, 1}:
        columns.wide = numbered
    taken.update(columns.wide)


def _find_words(columns: Columns, taken: set[int]) -> None:
    """Find the columns of words: direction, unit, meter, quality."""
    for column, head in enumerate(columns.heads):
        if column in taken:
            continue
        words = set(words_of(head))
        different = _different(columns, column)
        if words & UNIT_HEADS and columns.unit is None:
            columns.unit = column
        elif words & DIRECTION_HEADS and columns.direction is None and _names_flows(different):
            columns.direction = column
        elif words & QUALITY_HEADS and not meaning_of(head).unit:
            columns.quality = column
        elif (
            words & METER_HEADS and not meaning_of(head).unit and columns.meter is None
            and 0 < len(different) <= LOOK and "reading" not in words
        ):  # fmt: skip
            columns.meter = column
        else:
            continue
        taken.add(column)


def _different(columns: Columns, column: int) -> set[str]:
    """Return the different cells of a column, a few more than are of interest at most."""
    found: set[str] = set()
    for row in columns.rows:
        if row[column]:
            found.add(row[column])
        if len(found) > 2 * LOOK:
            break
    return found


def _names_flows(cells: set[str]) -> bool:
    return 0 < len(cells) <= LOOK and any(meaning_of(cell).quantity for cell in cells)


def _find_values(columns: Columns, taken: set[int]) -> None:
    for column, head in enumerate(columns.heads):
        if column in taken:
            continue
        price, meaning = price_of(head), meaning_of(head)
        if head and not _look(columns, column):
            columns.unused.append(f"{head} (blank)")
        elif price is not None:
            columns.prices[column] = price
        elif set(words_of(head)) & OTHER_WORDS:
            columns.unused.append(head)
        elif meaning.quantity or meaning.unit or meaning.is_plain:
            columns.amounts[column] = meaning
        elif head:
            columns.unused.append(head)
    if columns.wide:
        columns.unused += [columns.heads[column] for column in columns.amounts]
        columns.amounts = {}
