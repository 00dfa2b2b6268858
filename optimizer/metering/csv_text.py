"""From the bytes of a CSV to rows of cells: encoding, separator, quotes.

Read next: ``csv_cells``.

References
----------
RFC 4180, Common Format and MIME Type for Comma-Separated Values (CSV) Files.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

from optimizer.base.errors import SeriesError, Where

SEPARATORS = (",", ";", "\t", "|")
SAMPLE_ROWS = 200
NEARLY = 0.8
MAX_CSV_BYTES = 60_000_000
"""Five years of five-minute rows have about half of this."""

MAX_CELL = 10_000
MAX_COLUMNS = 2_000
MAX_BREAKS = 3
"""Heads are broken over a few lines; a cell of more is a quote that swallows rows."""

_WEB_PAGE = re.compile(
    rb"(?:\xef\xbb\xbf)?\s*(?:<!--.*?-->\s*)?<(?:!doctype\s+html|html)\b", re.IGNORECASE | re.DOTALL
)
_KINDS = {
    b"PK\x03\x04": "a zip archive or a workbook", b"%PDF": "a PDF", b"\xd0\xcf\x11\xe0":
    "a workbook", b"\x89PNG": "a picture", b"\xff\xd8\xff": "a picture",
}  # fmt: skip

WEB_PAGE = "a web page (HTML)"


def kind_of(head: bytes) -> str | None:
    """Return what a file is, by its first bytes, if it is neither text in rows nor XML of data."""
    if _WEB_PAGE.match(head):
        return WEB_PAGE
    return next((kind for mark, kind in _KINDS.items() if head.startswith(mark)), None)


def is_xml(head: bytes) -> bool:
    """Return whether the first mark that is no blank is ``<``, in UTF-8 or UTF-16."""
    return head.lstrip(b"\xef\xbb\xbf\xff\xfe\0 \t\r\n")[:1] == b"<"


_MARKS = (
    (codecs.BOM_UTF8, "utf-8-sig"),
    (codecs.BOM_UTF16_LE, "utf-16"),
    (codecs.BOM_UTF16_BE, "utf-16"),
)


@dataclass(frozen=True)
class Sheet:
    """The rows of a table that are not blank, with the line on which each ends.

    ``name`` is that of a workbook's sheet. In a table joined of several, lines count on from one to
    the next; ``joined`` holds each with the number of lines before it.
    """

    path: Path
    separator: str
    rows: list[list[str]]
    lines: list[int]
    name: str = ""
    joined: tuple[tuple[int, Sheet], ...] = ()

    @property
    def label(self) -> str:
        """The file and, of a workbook, its sheet."""
        return f"{self.path}, sheet {self.name}" if self.name else str(self.path)

    def where(self, line: int, column: str = "") -> Where:
        """Return ``file, row N`` and, if given, the column."""
        for before, sheet in reversed(self.joined):
            if line > before:
                return sheet.where(line - before, column)
        beside = f", column {column}" if column else ""
        return Where(f"{self.label}, row {line}{beside}", self.path, line)


def read_sheet(path: Path, content: bytes) -> Sheet:
    """Read the cells of a CSV.

    Raises
    ------
    SeriesError
        If the bytes are no text, too many, or no table with a separator.
    """
    if len(content) > MAX_CSV_BYTES:
        raise SeriesError(
            f"the file has more than {MAX_CSV_BYTES:,} bytes", where=path,
            mend="Give fewer years.",
        )  # fmt: skip
    text = _decoded(path, content)
    separator = _separator(text)
    rows: list[list[str]] = []
    lines: list[int] = []
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=separator, skipinitialspace=True)
    try:
        for row in reader:
            if len(row) > MAX_COLUMNS or any(len(cell) > MAX_CELL for cell in row):
                raise SeriesError(
                    f"a row has more than {MAX_COLUMNS:,} cells or a cell of more than"
                    f" {MAX_CELL:,} characters",
                    where=f"{path}, row {reader.line_num}",
                    mend="Check the quotes near this row.",
                )
            if any(cell.count("\n") > MAX_BREAKS for cell in row):
                swallowed = max(cell.count("\n") for cell in row)
                raise SeriesError(
                    f"a quote is left open: one cell holds {swallowed} line ends",
                    where=f"{path}, row {reader.line_num - swallowed}",
                    mend="Remove or close the quote in this row.",
                )
            cells = [cell.strip() for cell in row]
            if any(cells):
                rows.append(cells)
                lines.append(reader.line_num)
    except csv.Error as failure:
        raise SeriesError(
            f"this is no readable CSV: {failure}", where=f"{path}, row {reader.line_num}",
            mend="Check the quotes near this row.",
        ) from None  # fmt: skip
    if not rows:
        raise SeriesError("the file has no rows", where=path, mend="Give interval data.")
    return Sheet(path, separator, rows, lines)


def _decoded(path: Path, content: bytes) -> str:
    """Return the text: by its mark, else UTF-16 by its zeros, UTF-8, or Latin-1 as a last resort."""
    named = next((name for mark, name in _MARKS if content.startswith(mark)), None)
    sample = content[:2000]
    if named is None and sample.count(0) > len(sample) // 4:
        named = "utf-16-le" if sample[1::2].count(0) > sample[::2].count(0) else "utf-16-be"
    for encoding in [named] if named else ["utf-8", "cp1252", "latin-1"]:
        try:
            text = content.decode(encoding)
        except UnicodeDecodeError:
            continue
        if "\0" not in text:
            return text
    raise SeriesError(
        "the file is neither XML nor text in UTF-8, UTF-16 or Latin-1", where=path,
        mend="Give interval data as Green Button (ESPI) XML or as CSV.",
    )  # fmt: skip


def _separator(text: str) -> str:
    """Return the separator by which most rows have equally many cells, more than one.

    Commas also stand in numbers and sentences, so any other mark that does nearly as well wins.
    """
    sample = text[:200_000].splitlines()[:SAMPLE_ROWS]
    even = {mark: _evenness(sample, mark) for mark in SEPARATORS}
    enough = NEARLY * max(rows for rows, _ in even.values())
    good = [mark for mark in SEPARATORS if even[mark][0] >= enough]
    return max(good, key=lambda mark: (mark != ",", even[mark]))


def _evenness(lines: list[str], mark: str) -> tuple[int, int]:
    try:
        sizes = [len(row) for row in csv.reader(lines, delimiter=mark, skipinitialspace=True)]
    except csv.Error:
        return (0, 0)
    wide = [size for size in sizes if size > 1]
    if not wide:
        return (0, 0)
    usual = max(set(wide), key=lambda size: (wide.count(size), size))
    return (wide.count(usual), usual)
