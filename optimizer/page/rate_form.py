"""A rate sheet as the fields of a form: ``energy.rows.2.price`` is the price in the third row."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import fields, replace
from typing import Any

from optimizer.billing.rate_rows import OtherRow, RateRow, RateSheet, RateTable
from optimizer.page.part import Form

MAX_ROWS = 60
"""Rows of one table; a rate sheet has a dozen."""

BLANK_ROWS = 2
"""So many empty rows stand in a table of prices where nothing was typed yet."""

TABLES: Mapping[str, type[RateRow | OtherRow]] = {
    "energy.rows": RateRow, "export.rows": RateRow, "others": OtherRow, "demand": RateRow,
}  # fmt: skip

EMPTY = RateSheet(
    energy=RateTable("Energy", (RateRow(),) * BLANK_ROWS), others=(OtherRow(per="day"),)
)


def is_sheet(form: Form) -> bool:
    """Return whether a form holds a rate sheet."""
    return "tariff" in form


def sheet_of(form: Form) -> RateSheet:
    """Return the rate sheet that was typed; rows are numbered anew."""
    rows = {table: _rows(form, table, kind) for table, kind in TABLES.items()}
    return RateSheet(
        tariff=form.get("tariff"),
        currency=form.get("currency"),
        source=form.get("source"),
        begins=form.get("begins"),
        holidays=form.get("holidays"),
        energy=_table(form, "energy", "Energy", rows["energy.rows"]),
        export=_table(form, "export", "Export credit", rows["export.rows"]),
        others=rows["others"],
        demand=rows["demand"],
        tax_name=form.get("tax_name"),
        tax=form.get("tax"),
        about=form.get("about"),
        is_invented=form.get("is_invented") == "yes",
    )


def _table(form: Form, name: str, charge: str, rows: tuple[Any, ...]) -> RateTable:
    return RateTable(
        form.get(f"{name}.charge") or charge, rows,
        form.get(f"{name}.rest_name"), form.get(f"{name}.rest_price"),
    )  # fmt: skip


def _rows(form: Form, table: str, kind: type[RateRow | OtherRow]) -> tuple[Any, ...]:
    found = (re.fullmatch(rf"{re.escape(table)}\.(\d{{1,4}})\.\w+", name) for name in form.values)
    numbers = sorted({int(match[1]) for match in found if match})[:MAX_ROWS]
    return tuple(_row(form, f"{table}.{number}", kind) for number in numbers)


def _row(form: Form, at: str, kind: type[RateRow | OtherRow]) -> RateRow | OtherRow:
    values: dict[str, Any] = {
        field.name: form.get(f"{at}.{field.name}") == "yes"
        if isinstance(field.default, bool)
        else form.get(f"{at}.{field.name}", str(field.default))
        for field in fields(kind)
    }
    return kind(**values)


def changed(sheet: RateSheet, what: str) -> RateSheet:
    """Return a sheet with a row added or removed: ``add energy.rows``, ``remove others.2``.

    What is neither leaves it as it is.
    """
    action, _, place = what.partition(" ")
    table, _, number = place.rpartition(".") if action == "remove" else (place, "", "")
    if table not in TABLES:
        return sheet
    rows = list(rows_in(sheet, table))
    if action == "add" and len(rows) < MAX_ROWS:
        rows.append(_new_row(table, rows))
    elif action == "remove" and number.isdecimal() and int(number) < len(rows):
        del rows[int(number)]
    return _with_rows(sheet, table, tuple(rows))


def _new_row(table: str, rows: list[Any]) -> RateRow | OtherRow:
    """Return an empty row; months and days of the row above are those of most rate sheets' next line."""
    if TABLES[table] is OtherRow:
        return OtherRow()
    above = rows[-1] if rows else RateRow()
    return RateRow(months=above.months, days=above.days, interval=above.interval)


def rows_in(sheet: RateSheet, table: str) -> tuple[Any, ...]:
    """Return the rows of a table by its name."""
    name, _, rest = table.partition(".")
    found = getattr(sheet, name)
    return tuple(found.rows if rest else found)


def _with_rows(sheet: RateSheet, table: str, rows: tuple[Any, ...]) -> RateSheet:
    name, _, rest = table.partition(".")
    value = replace(getattr(sheet, name), rows=rows) if rest else rows
    change: dict[str, Any] = {name: value}
    return replace(sheet, **change)
