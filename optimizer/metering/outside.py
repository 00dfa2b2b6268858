"""Reads any file of meter data from outside, known by its content; writes it as a tidy CSV.

Read next: ``workflows.read``.
"""

from __future__ import annotations

import io
import zlib
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import BinaryIO

import numpy as np

from optimizer.base.documents import is_file
from optimizer.base.errors import SeriesError, refuse_irregular
from optimizer.metering.bundles import ZIP_MARK, Part, parts_of
from optimizer.metering.csv_text import (
    MAX_CSV_BYTES,
    WEB_PAGE,
    Sheet,
    is_xml,
    kind_of,
    read_sheet,
)
from optimizer.metering.espi import read_espi
from optimizer.metering.espi_xml import Feed, read_feed
from optimizer.metering.found import Found, Point, Request
from optimizer.metering.interval_csv import read_tables
from optimizer.metering.workbook import read_workbook

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
    """Read meter data or prices from a file, or from a ZIP of several: see ``read_all``."""
    return read_all([path], request)


def read_all(paths: Sequence[Path], request: Request) -> Found:
    """Read meter data or prices; XML, CSV, workbooks and packing are known by the content.

    Several files, or the files of an archive, are parts of the same meter's time and joined.

    Raises
    ------
    SeriesError
        If a file is missing, of another kind, its reader refuses it, or several do not go together.
    """
    sheets: list[Sheet] = []
    feeds: list[Part] = []
    for path in paths:
        with _readable(path):
            refuse_irregular(path, SeriesError)
            for part in parts_of(path):
                with part.open() as source:
                    head = source.read(LOOK_BYTES)
                if is_xml(head) and kind_of(head) is None:
                    feeds.append(part)
                else:
                    sheets += _sheets(part, head)
    if feeds and sheets:
        raise SeriesError(
            "an XML file stands beside tables", where=feeds[-1].path,
            mend="Give Green Button (ESPI) files, or tables: the two are not joined.",
        )  # fmt: skip
    if feeds:
        found = read_espi([_feed(part) for part in feeds], request)
        return replace(found, path=paths[0], others=tuple(paths[1:]))
    return replace(read_tables(paths[0], sheets, request), others=tuple(paths[1:]))


def _feed(part: Part) -> Feed:
    with _readable(part.path), part.open() as source:
        bounded = _Bounded(source, part.path, MAX_XML_BYTES)
        return read_feed(part.path, bounded)  # type: ignore[arg-type]


@contextmanager
def _readable(path: Path) -> Iterator[None]:
    try:
        yield
    except FileNotFoundError:
        raise SeriesError("there is no such file", where=path, mend="Check the path.") from None
    except (OSError, EOFError, zlib.error) as failure:
        raise SeriesError(
            f"the file cannot be read: {failure}", where=path,
            mend="Give a readable file, unpacked or packed with gzip or ZIP.",
        ) from None  # fmt: skip


def _sheets(part: Part, head: bytes) -> list[Sheet]:
    """Return the tables of a part: the sheets of a workbook, or the one of a CSV."""
    with part.open() as source:
        if head.startswith(ZIP_MARK):
            return read_workbook(part.path, io.BytesIO(source.read(MAX_CSV_BYTES + 1)))
        _refuse_foreign(part.path, head)
        return [read_sheet(part.path, source.read(MAX_CSV_BYTES + 1))]


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
            mend="Give Green Button (ESPI) XML, a CSV, or a workbook (XLSX).",
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
