"""The table of a study as files, Parquet and CSV. No arithmetic; the workbook is of ``study_workbook``.

Each is written aside and moved in, so that whoever reads it while a study runs reads a whole one.
"""

from __future__ import annotations

import csv
import io
import unicodedata
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

TEXT = ("status", "reason", "role", "way", "site", "tariff", "tariff_name", "controls", "package", "against",
        "plan_is_a", "settings_json")  # fmt: skip
"""Columns of words; all others are numbers."""


def kinds_named(names: Sequence[str]) -> list[TableKind]:
    """Return the kinds of tables that are asked for, each once.

    None asked for is Parquet, or CSV where the library for it is not installed.

    Raises
    ------
    InputError
        Before anything runs: if a kind is unknown, or the library that writes it is not installed.
    """
    kinds: dict[TableKind, None] = {}
    for name in names or ["parquet" if is_writable("parquet") else "csv"]:
        kind = next((known for known in KINDS if known == name), None)
        if kind is None:
            raise InputError(
                f"there is no kind of table called {name!r}",
                where="--table",
                mend=f"Choose among {', '.join(KINDS)}.",
            )
        kinds[kind] = None
        if not is_writable(kind):
            raise InputError(
                f"{NEEDS[kind]}, which writes {kind} tables, is not installed",
                where="--table",
                mend="pip install 'tariffwright[study]', or ask for --table csv alone.",
            )
    return list(kinds)


def is_writable(kind: TableKind) -> bool:
    """Return whether what a kind of table is written with is installed."""
    return kind not in NEEDS or find_spec(NEEDS[kind]) is not None


SO_FAR = "cases_so_far"
"""Name of tables of a study that runs: the finished ones of before lie beside them until it is done."""


def tables_of(
    rows: Sequence[Row], kinds: Sequence[TableKind], name: str = "cases"
) -> dict[str, bytes]:
    """Return the rows as ``cases.parquet`` and ``cases.csv``, as they are asked for, by their names.

    A workbook holds more than rows, and is made when all is known.
    """
    makers: dict[TableKind, Callable[[Sequence[Row]], bytes]] = {"parquet": _parquet, "csv": _csv}
    return {f"{name}.{kind}": makers[kind](rows) for kind in kinds if kind in makers}


def write_tables_so_far(
    rows: Sequence[Row], folder: Path, kinds: Sequence[TableKind]
) -> list[Path]:
    """Write the rows of a study that runs; return the files.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    tables = tables_of(rows, kinds, SO_FAR)
    return [write_file(table, folder / name) for name, table in tables.items()]


def all_columns(rows: Sequence[Row]) -> list[str]:
    """Return the names of all columns, in the order in which they appear."""
    return list(dict.fromkeys(name for row in rows for name in row))


def _parquet(rows: Sequence[Row]) -> bytes:
    import pyarrow as pa
    import pyarrow.parquet as pq

    columns = all_columns(rows)
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
    writer = (
        csv.DictWriter(  # all texts in quotes, or a carriage return in a name would begin a row
            text, all_columns(rows), lineterminator="\n", quoting=csv.QUOTE_NONNUMERIC
        )
    )
    writer.writeheader()
    writer.writerows({name: _inert(value) for name, value in row.items()} for row in rows)
    return text.getvalue().encode()


def _inert(value: Any) -> Any:
    """Return a value that no spreadsheet takes for a formula."""
    return f"'{value}" if isinstance(value, str) and is_formula_like(value) else value


def is_formula_like(text: str) -> bool:
    """Tell whether a spreadsheet may take a text for a formula, or strip it until it is one.

    Blanks, line ends and signs without width are stripped from its begin; full-width and small forms of
    signs count as the signs (Unicode's compatibility forms), so does the true minus.
    """
    if text[:1] in {"\t", "\r", "\n"}:
        return True
    begins = next(
        (sign for sign in text if not sign.isspace() and unicodedata.category(sign)[0] not in "CZ"),
        "",
    )
    return unicodedata.normalize("NFKC", begins)[:1] in {*"=+-@", "\N{MINUS SIGN}"}
