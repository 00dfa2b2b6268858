"""Columns of numbers and texts as a CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence

from optimizer.base.timegrid import FloatArray


def csv_of(columns: Mapping[str, FloatArray | Sequence[str]]) -> str:
    """Return columns of N values as CSV text; numbers in the fewest digits that mean just them, NaN blank."""
    cells = [_cells(column) for column in columns.values()]
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(columns)
    rows.writerows(zip(*cells, strict=True))
    return text.getvalue()


def _cells(column: FloatArray | Sequence[str]) -> Sequence[float | str]:
    if isinstance(column, Sequence):
        return column
    return ["" if value != value else value for value in column.tolist()]
