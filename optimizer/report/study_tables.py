"""The table of a study as files: Parquet always, CSV and a workbook on request. No arithmetic.

Each is written aside and moved in, so that whoever reads it while a study runs reads a whole one.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Sequence
from importlib.util import find_spec
from pathlib import Path
from typing import Any, Literal

from optimizer.base.errors import InputError
from optimizer.base.files import write_file
from optimizer.studies.verdict import Row

TableKind = Literal["parquet", "csv", "xlsx"]

KINDS: tuple[TableKind, ...] = ("parquet", "csv", "xlsx")

NEEDS: dict[TableKind, str] = {"parquet": "pyarrow", "xlsx": "xlsxwriter"}
"""What a kind of table is written with."""

WHOLE = ("case", "windows_to_type", "replacements", "internal_rates_found",
         "internal_rates_found_of_plan")  # fmt: skip
"""Columns of whole numbers."""

TEXT = ("status", "reason", "role", "way", "site", "tariff", "tariff_name", "controls", "against",
        "plan_is_a", "settings_json")  # fmt: skip
"""Columns of words; all others are numbers."""


def kinds_named(names: Sequence[str]) -> list[TableKind]:
    """Return the kinds of tables that are asked for, each once.

    Raises
    ------
    InputError
        Before anything runs: if a kind is unknown, or the library that writes it is not installed.
    """
    kinds: dict[TableKind, None] = {}
    for name in names:
        kind = next((known for known in KINDS if known == name), None)
        if kind is None:
            raise InputError(
                f"there is no kind of table called {name!r}",
                where="--table",
                mend=f"Choose among {', '.join(KINDS)}.",
            )
        kinds[kind] = None
        library = NEEDS.get(kind)
        if library is not None and find_spec(library) is None:
            raise InputError(
                f"{library}, which writes {kind} tables, is not installed",
                where="--table",
                mend="pip install 'tariffwright[study]', or ask for --table csv alone.",
            )
    return list(kinds)


def write_tables(rows: Sequence[Row], folder: Path, kinds: Sequence[TableKind]) -> list[Path]:
    """Write the rows as ``cases.parquet``, ``cases.csv`` and ``cases.xlsx``; return the files.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    writers: dict[TableKind, Callable[[Sequence[Row]], bytes]] = {
        "parquet": _parquet, "csv": _csv, "xlsx": _workbook
    }  # fmt: skip
    return [write_file(writers[kind](rows), folder / f"cases.{kind}") for kind in kinds]


def _columns(rows: Sequence[Row]) -> list[str]:
    return list(dict.fromkeys(name for row in rows for name in row))


def _parquet(rows: Sequence[Row]) -> bytes:
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns = _columns(rows)
    types = {name: pa.int64() for name in WHOLE} | {name: pa.string() for name in TEXT}
    schema = pa.schema([(name, types.get(name, pa.float64())) for name in columns])
    arrays = [
        pa.array([row.get(name) for row in rows], type=field.type)
        for name, field in zip(columns, schema, strict=True)
    ]
    sink = io.BytesIO()
    pq.write_table(pa.Table.from_arrays(arrays, schema=schema), sink)
    return sink.getvalue()


def _csv(rows: Sequence[Row]) -> bytes:
    text = io.StringIO(newline="")
    writer = csv.DictWriter(text, _columns(rows), lineterminator="\n")
    writer.writeheader()
    writer.writerows({name: _inert(value) for name, value in row.items()} for row in rows)
    return text.getvalue().encode()


def _inert(value: Any) -> Any:
    """Return a value that no spreadsheet takes for a formula."""
    starts = ("=", "+", "-", "@", "\t", "\r")
    return f"'{value}" if isinstance(value, str) and value.startswith(starts) else value


def _workbook(rows: Sequence[Row]) -> bytes:
    import xlsxwriter

    sink = io.BytesIO()
    options = {"in_memory": True, "strings_to_formulas": False, "strings_to_urls": False}
    with xlsxwriter.Workbook(sink, options) as book:
        sheet = book.add_worksheet("cases")
        columns = _columns(rows)
        sheet.write_row(0, 0, columns, book.add_format({"bold": True, "text_wrap": True}))
        for place, row in enumerate(rows, start=1):
            sheet.write_row(place, 0, [row.get(name) for name in columns])
        sheet.freeze_panes(1, 1)
        sheet.autofilter(0, 0, len(rows), max(len(columns) - 1, 0))
    return sink.getvalue()
