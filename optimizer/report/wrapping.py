"""How texts and tables are brought onto the lines of a terminal.

Signs are counted as the cells that they take: two for wide ones of East Asia, none for accents that
stand on the sign before. Source: Unicode Standard Annex 11, East Asian Width. The library's texts have
lines of ``WIDEST``; the program goes by its terminal.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Iterator, Sequence
from contextvars import ContextVar

WIDEST, NARROWEST = 96, 60
"""Longest lines, and the narrowest terminal that texts are made for."""

LEVELS = "▁▂▃▄▅▆▇█"
"""Signs for heights, lowest first; a terminal of few signs has others, see ``cli.streams``."""

_width = ContextVar("width", default=WIDEST)


def width() -> int:
    """Return how long lines may be."""
    return _width.get()


def set_width(columns: int) -> None:
    """Let lines be as long as a terminal of so many columns takes, within what is good to read."""
    _width.set(min(max(columns, NARROWEST), WIDEST))


def cells(text: str) -> int:
    """Return how many cells of a terminal a text takes."""
    return sum(map(_cells_of, text))


def _cells_of(sign: str) -> int:
    if unicodedata.category(sign) in ("Mn", "Me", "Cf"):
        return 0
    return 2 if unicodedata.east_asian_width(sign) in "WF" else 1


def padded(text: str, room: int, *, right: bool = False) -> str:
    """Return a text with blanks up to so many cells; ``right`` puts them before it."""
    blanks = " " * (room - cells(text))
    return blanks + text if right else text + blanks


def cut(text: str, room: int) -> str:
    """Return a text of at most so many cells, the end of a longer one as '…'."""
    if cells(text) <= room:
        return text
    kept = text
    while cells(kept) > room - 1:
        kept = kept[:-1]
    return f"{kept}…"


def wrapped(text: str, room: int, first: str = "", then: str = "") -> list[str]:
    """Return a text on lines of at most so many cells; only longer words are broken."""
    lines, line = list[str](), first
    begun = False
    for word in _words(text, room - max(cells(first), cells(then))):
        if begun and cells(line) + 1 + cells(word) > room:
            lines.append(line)
            line, begun = then, False
        line += f" {word}" if begun else word
        begun = True
    return [*lines, line] if begun else lines


def _words(text: str, room: int) -> Iterator[str]:
    for word in re.split(r"[ \t\n\r\f\v]+", text.strip(" \t\n\r\f\v")):
        rest = word
        while rest and cells(rest) > room:
            kept = 1
            while cells(rest[: kept + 1]) <= room:
                kept += 1
            yield rest[:kept]
            rest = rest[kept:]
        if rest:
            yield rest


def filled(text: str, first: str = "  ", then: str | None = None) -> str:
    """Return a text on lines of the terminal; ``first`` begins the first line, ``then`` the others.

    Without ``then``, the others are set in as far as the first is.
    """
    return "\n".join(wrapped(text, width(), first, " " * len(first) if then is None else then))


def table(
    heads: Sequence[Sequence[str]], rows: Sequence[Sequence[str]], widths: Sequence[int]
) -> list[str]:
    """Return a table of names and figures, on lines of the terminal.

    Where ``widths`` have no room, columns are as narrow as they can be; then a name stands on a line of
    its own above its figures; then figures that still do not fit stand in a table below.

    Parameters
    ----------
    heads, rows : sequences of rows
        A row is a name and its figures.
    widths : sequence of int
        The width of each column where there is room. [cells]
    """
    room, figures = width() - len(INSET), range(1, len(widths))
    narrow = [
        max(cells(row[n]) for row in (*heads, *rows)) + (2 if n else 0) for n in range(len(widths))
    ]
    for taken in (widths, narrow):
        if sum(taken) <= room:
            return [_row(row, taken, range(len(widths))) for row in (*heads, *rows)]
    parts: list[list[int]] = [[]]
    for n in figures:
        if parts[-1] and sum(narrow[each] for each in (*parts[-1], n)) > room - len(INSET):
            parts.append([])
        parts[-1].append(n)
    lines = list[str]()
    for part in parts:
        for row in (*heads, *rows):
            lines += [*wrapped(row[0], width(), INSET, INSET * 2), INSET + _row(row, narrow, part)]
    return lines


INSET = "  "


def _row(row: Sequence[str], widths: Sequence[int], columns: Sequence[int]) -> str:
    told = (padded(row[n], widths[n], right=n > 0) for n in columns)
    return f"{INSET}{''.join(told)}".rstrip()


def folded(line: str) -> list[str]:
    """Return a line of the terminal, or of a longer one the lines that it takes, set in by four."""
    if cells(line) <= width():
        return [line]
    inset = min(len(line) - len(line.lstrip(" ")), NARROWEST // 2)
    return wrapped(line, width(), " " * inset, " " * min(inset + 4, NARROWEST // 2))


def on_one_line(text: str) -> str:
    """Return text with line ends, control characters and halves of characters written as escapes."""
    return "".join(
        sign if sign.isprintable() else sign.encode("unicode_escape").decode() for sign in text
    )
