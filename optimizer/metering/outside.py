"""Reads any file of meter data from outside, known by its content; writes it as a tidy CSV.

Read next: ``workflows.read``.
"""

from __future__ import annotations

import gzip
import io
import zlib
from pathlib import Path
from typing import BinaryIO

import numpy as np

from optimizer.base.documents import is_file
from optimizer.base.errors import SeriesError, refuse_irregular
from optimizer.metering.csv_text import MAX_CSV_BYTES, WEB_PAGE, is_xml, kind_of
from optimizer.metering.espi import read_espi
from optimizer.metering.found import Found, Point, Request
from optimizer.metering.interval_csv import read_interval_csv

GZIP_MARK = b"\x1f\x8b"
MAX_XML_BYTES = 1_000_000_000
"""Beyond, a packed file is taken for one made to exhaust its reader."""

LOOK_BYTES = 4096
DECIMALS = 9


def refuse_same_file(path: Path, out: Path) -> None:
    """Refuse to write over the file that is read.

    Raises
    ------
    SeriesError
        If both are the same.
    """
    if is_file(out) and is_file(path) and out.samefile(path):
        raise SeriesError(
            "the result would be written over the file that is read", where=f"{path}, --out",
            mend="Choose another name with --out.",
        )  # fmt: skip


class _Bounded(io.RawIOBase):
    """Passes bytes on, up to a limit."""

    def __init__(self, source: BinaryIO, path: Path, limit: int) -> None:
        super().__init__()
        self._source, self._path, self._left = source, path, limit

    def readable(self) -> bool:
        return True

    def read(self, size: int = -1) -> bytes:
        content = self._source.read(size)
        self._left -= len(content)
        if self._left < 0:
            raise SeriesError(
                "the file unpacks to more bytes than are read", where=self._path,
                mend="Give fewer years.",
            )  # fmt: skip
        return content


def read_any(path: Path, request: Request) -> Found:
    """Read meter data or prices from a file; XML, CSV and packing are known by the content.

    Raises
    ------
    SeriesError
        If the file is missing, of another kind, or its reader refuses it.
    """
    try:
        refuse_irregular(path, SeriesError)
        with _opened(path) as source:
            head = source.read(LOOK_BYTES)
        _refuse_foreign(path, head)
        with _opened(path) as source:
            if is_xml(head):
                return read_espi(path, _Bounded(source, path, MAX_XML_BYTES), request)  # type: ignore[arg-type]
            content = source.read(MAX_CSV_BYTES + 1)
        return read_interval_csv(path, content, request)
    except FileNotFoundError:
        raise SeriesError("there is no such file", where=path, mend="Check the path.") from None
    except (OSError, EOFError, zlib.error) as failure:
        raise SeriesError(
            f"the file cannot be read: {failure}", where=path,
            mend="Give a readable file, unpacked or packed with gzip.",
        ) from None  # fmt: skip


def _opened(path: Path) -> BinaryIO:
    with path.open("rb") as source:
        is_packed = source.read(2) == GZIP_MARK
    return gzip.open(path, "rb") if is_packed else path.open("rb")  # type: ignore[return-value]


def _refuse_foreign(path: Path, head: bytes) -> None:
    kind = kind_of(head)
    if kind == WEB_PAGE:
        raise SeriesError(
            f"the file is {WEB_PAGE}, not meter data", where=path,
            mend="Download the CSV or XML itself; a portal may have sent the page on which one logs in.",
        )  # fmt: skip
    if kind or not head.strip():
        raise SeriesError(
            f"the file is {kind}, not meter data" if kind else "the file is empty",
            where=path,
            mend="Give Green Button (ESPI) XML or a CSV; save a workbook's sheet as CSV first.",
        )


def tidy_csv(point: Point) -> str:
    """Return a point as a CSV of ``time`` and its columns; missing values are blank."""
    even = point.even
    names = list(even.columns)
    table = np.stack([even.columns[name] for name in names], axis=1).round(DECIMALS)
    lines = [",".join(["time", *names])]
    for stamp, row in zip(even.clock.stamps(even.instants_s), table.tolist(), strict=True):
        lines.append(",".join([stamp, *(_cell(value) for value in row)]))
    return "\n".join(lines) + "\n"


def _cell(value: float) -> str:
    if value != value:
        return ""
    return f"{value:.{DECIMALS}f}".rstrip("0").rstrip(".") if value else "0"
