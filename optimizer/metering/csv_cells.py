"""From the text of cells to clock times and numbers, by rules that hold for the whole file.

Dates: a year of four digits in front is year-month-day. Otherwise the order of day and month is
taken from the file only if a number above 12 settles it, or if both orders mean the same days;
else it must be said. Numbers: the last of two different marks in one number is the decimal mark;
so is one that is not followed by three digits, or stands behind a lone zero. Where nothing settles
it, a point is a decimal point, a comma is one in files with other separators, and separates
thousands in files with commas. Read next: ``interval_csv``.
"""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from optimizer.base.errors import SeriesError, Where
from optimizer.base.timegrid import BoolArray, FloatArray, IntArray
from optimizer.metering.csv_text import Sheet
from optimizer.metering.found import DATE_ORDERS, DateOrder

MONTHS = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")

_CLOCK = (
    r"(?P<{p}h>\d{{1,2}})(?:[:.](?P<{p}m>\d{{2}})(?:[:.](?P<{p}s>\d{{2}})(?:[.,]\d{{1,9}})?)?)?"
    r"\s*(?P<{p}ap>[ap]\.?m\.?)?"
)
_OFFSET = r"\s*(?P<off>z|utc|gmt|[+-]\d{2}:?\d{2}|[+-]\d{2})?\s*(?:\(?[a-z]{3,5}\)?)?"
_DATE = (
    r"(?:(?:mon|tue|wed|thu|fri|sat|sun)[a-z]*\.?,?\s+)?"
    r"(?:(?P<a>\d{1,4})\s?[-./ ]\s?(?P<b>\d{1,2}|[a-z]{3,9})\.?\s?[-./, ]\s?(?P<c>\d{1,4})"
    r"|(?P<compact>\d{8})"
    r"|(?P<word>[a-z]{3,9})\.?\s+(?P<wd>\d{1,2})(?:\s?,\s?|\s)(?P<wy>\d{4}))"
)
_TIMES = (
    rf"(?:(?:t|,?\s+|\s?-\s){_CLOCK.format(p='')}"
    r"(?:\s[-–]\s\d{1,2}[:.]\d{2}(?:[:.]\d{2})?(?:\s?[ap]\.?m\.?)?)?"
    r"|[t ]?(?P<ch>\d{2})(?P<cm>\d{2})(?P<cs>\d{2})?)?"
)
STAMP = re.compile(rf"{_DATE}{_TIMES}{_OFFSET}", re.ASCII)
"""A date with or without a clock time, in lower case."""

CLOCK = re.compile(
    rf"{_CLOCK.format(p='')}(?:\s?(?:[-–]|to)\s?\d{{1,2}}[:.]\d{{2}}(?:[:.]\d{{2}})?"
    r"(?:\s?[ap]\.?m\.?)?)?\s*(?:\(?[a-z]{3,5}\)?)?|(?P<ch>\d{1,2})(?P<cm>\d{2})",
    re.ASCII,
)
"""A clock time alone, or a span of it; ``930`` and ``0930`` too."""

_SPAN = re.compile(r"\s(to|until|bis|-|–)\s")

BLANKS = {"", "-", "--", "n/a", "na", "nan", "null", "none", "#n/a", "."}
"""How files write that there is no value."""

TIME_MEND = "Write times such as 2025-07-03 14:15, each row in the same way."

_PLAIN = r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:e[+-]?[0-9]{1,2})?"
_GROUPED = re.compile(r"\d{1,3}(?:\.\d{3})+|\d{1,3}(?:,\d{3})+", re.ASCII)
_SPACES = "\u0020\u00a0\u202f\u2009'’"
MILLI_DIGITS = 13
FIRST_DAY, LAST_DAY = 0, 84_006
"""1970-01-01 to 2199-12-31, counted from 1970-01-01."""


@dataclass(frozen=True)
class Column:
    """The N cells of a column, with the file, the head and the line of each cell for messages."""

    sheet: Sheet
    head: str
    texts: Sequence[str]
    lines: Sequence[int]

    def refuse(self, wrong: BoolArray, why: str, mend: str = TIME_MEND) -> None:
        """Refuse the column if any cell is wrong; ``wrong`` has shape (N,).

        Raises
        ------
        SeriesError
            With the first such cell and its row.
        """
        first = np.flatnonzero(wrong)
        if len(first):
            raise SeriesError(
                f"{self.texts[first[0]][:60]!r} {why} ({len(first)} such cells)",
                where=self.sheet.where(self.lines[first[0]], self.head),
                mend=mend,
            )


@dataclass(frozen=True)
class Stamps:
    """Wall-clock times of N rows. [s, as if the clock stood in UTC]

    ``offset_s`` holds the stamps' own offsets from UTC, None if they have none; ``is_24h`` tells
    whether some row says 24:00.
    """

    wall_s: IntArray
    offset_s: IntArray | None
    is_24h: bool


def is_stamp(text: str) -> bool:
    """Return whether a cell is a date, with or without a clock time."""
    return STAMP.fullmatch(text.lower()) is not None


EPOCH = re.compile(r"(\d{9,10}|\d{13})(?:\.0*)?", re.ASCII)
"""Seconds, or with 13 digits milliseconds, since 1970-01-01T00:00Z."""


def is_epoch(text: str) -> bool:
    """Return whether a cell is a number of seconds or milliseconds since 1970."""
    return EPOCH.fullmatch(text) is not None


def epoch_stamp(text: str) -> str:
    """Return ``1751500800`` as ``2025-07-03T00:00:00Z``; other text as it is."""
    match = EPOCH.fullmatch(text)
    if match is None:
        return text
    seconds = int(match[1]) // (1000 if len(match[1]) == MILLI_DIGITS else 1)
    return f"{np.datetime64(seconds, 's')}Z"


MONTH = re.compile(
    r"(?P<y>\d{4})\s?[-/. ]\s?(?P<m>\d{1,2}|[a-z]{3,9})"
    r"|(?P<m2>\d{1,2}|[a-z]{3,9})\.?\s?[-/. ]\s?(?P<y2>\d{4})",
    re.ASCII,
)
"""A month with its year: ``2025-01``, ``01/2025``, ``Jan 2025``, ``2025 January``."""


def is_month(text: str) -> bool:
    """Return whether a cell is a month with its year."""
    return month_stamp(text) != text


def month_stamp(text: str) -> str:
    """Return ``Jan 2025`` as its first day, ``2025-01-01``; other text as it is."""
    match = MONTH.fullmatch(text.lower())
    if match is None:
        return text
    word, year = match["m"] or match["m2"], match["y"] or match["y2"]
    number = (
        MONTHS.index(word[:3]) + 1 if word[:3] in MONTHS else int(word) if word.isdecimal() else 0
    )
    return f"{year}-{number:02d}-01" if 1 <= number <= 12 else text


def begin_of_span(text: str) -> str:
    """Return the beginning of ``2025-07-14 00:00 to 2025-07-14 00:30``; other text as it is."""
    begin, mark, end = _SPAN.split(text, maxsplit=1) if _SPAN.search(text) else (text, "", "")
    return begin if mark and has_clock(begin) and is_stamp(end) else text


def is_time(text: str) -> bool:
    """Return whether a cell is a date, a span of dates, a month, or seconds since 1970."""
    return is_stamp(begin_of_span(text)) or is_month(text) or is_epoch(text)


def has_clock(text: str) -> bool:
    """Return whether a cell is a date with a clock time."""
    match = STAMP.fullmatch(text.lower())
    return match is not None and (match["h"] or match["ch"]) is not None


def is_midnight(text: str) -> bool:
    """Return whether a cell is a date without a clock time, or with 00:00."""
    match = STAMP.fullmatch(text.lower())
    if match is None:
        return False
    is_twelve = int(match["h"] or 0) == 12 and (match["ap"] or "").startswith("a")
    parts = ("m", "s", "ch", "cm", "cs") if is_twelve else ("h", "m", "s", "ch", "cm", "cs")
    return not any(int(match[part] or 0) for part in parts)


def clock_minute(text: str) -> int | None:
    """Return a clock time, or the beginning of a span, since midnight; None if none. [min]"""
    match = CLOCK.fullmatch(text.lower().strip())
    if match is None:
        return None
    parts = match.groupdict()
    hour, minute = int(parts["h"] or parts["ch"]), int(parts["m"] or parts["cm"] or 0)
    if parts["ap"]:
        if not 1 <= hour <= 12:
            return None
        hour = hour % 12 + (12 if parts["ap"].startswith("p") else 0)
    total = hour * 60 + minute
    return total if minute < 60 and total <= 24 * 60 else None


def read_stamps(column: Column, order: DateOrder | None) -> tuple[Stamps, str]:
    """Read dates, with their clock times where they have some.

    Parameters
    ----------
    column : Column
        N cells.
    order : DateOrder or None
        Order of day and month, if the user gave it.

    Returns
    -------
    Stamps, str
        The times, and a note if the order was inferred, else nothing.

    Raises
    ------
    SeriesError
        With the row, if a cell is no date, or the order of day and month stays open.
    """
    series = pd.Series(list(column.texts), dtype=object).str.lower().str.strip()
    parts = series.astype("str").str.extract(STAMP)
    whole = series.map(lambda text: STAMP.fullmatch(text) is not None).to_numpy(dtype=bool)
    column.refuse(~whole, "is no date and time that is understood here")
    day, note = _days(parts, column, order)
    clock, is_24h = _clock_s(parts, column)
    wall = day * 86_400 + clock
    return Stamps(wall + (wall % 60 == 59), _offsets(parts, column), is_24h), note


def read_clocks(column: Column) -> tuple[IntArray, bool]:
    """Return seconds of the day of clock times, shape (N,), and whether some row says 24:00.

    Raises
    ------
    SeriesError
        With the row, if a cell is no clock time.
    """
    known = {text: clock_minute(text) for text in set(column.texts)}
    minutes = [known[text] for text in column.texts]
    wrong = np.array([minute is None for minute in minutes], dtype=bool)
    column.refuse(wrong, "is no clock time that is understood here")
    seconds = np.array([(minute or 0) * 60 for minute in minutes], dtype=np.int64)
    return seconds, bool((seconds == 86_400).any())


def _whole(parts: pd.DataFrame, *names: str) -> IntArray:
    """Return the first of some groups that took part, as whole numbers; −1 where none did."""
    text = parts[names[0]]
    for name in names[1:]:
        text = text.where(text.notna(), parts[name])
    digits = text.where(text.str.isdecimal().fillna(False).astype(bool))  # not the word inf
    return pd.to_numeric(digits, errors="coerce").fillna(-1).to_numpy(dtype=np.int64)


def _days(parts: pd.DataFrame, column: Column, order: DateOrder | None) -> tuple[IntArray, str]:
    """Return days since 1970-01-01 and a note on their order."""
    numbers = [_whole(parts, name) for name in ("a", "b", "c")]
    lengths = [parts[name].str.len().fillna(0).to_numpy(dtype=np.int64) for name in ("a", "c")]
    year, month, day = (np.full(len(parts), -1, dtype=np.int64) for _ in range(3))
    is_compact = parts["compact"].notna().to_numpy()
    if is_compact.any():
        digits = _whole(parts, "compact")[is_compact]
        year[is_compact], month[is_compact] = digits // 10_000, digits // 100 % 100
        day[is_compact] = digits % 100
    _put_named_months(parts, numbers, (year, month, day))
    is_iso = (lengths[0] == 4) & (numbers[1] > 0)
    year[is_iso], month[is_iso], day[is_iso] = (one[is_iso] for one in numbers)
    rest = (numbers[1] > 0) & ~is_iso
    note = ""
    if rest.any():
        triples = [one[rest] for one in numbers]
        is_long_year = bool((lengths[1][rest] == 4).all())
        where = column.sheet.where(column.lines[int(np.flatnonzero(rest)[0])], column.head)
        chosen, note = _order(triples, order, where, is_long_year=is_long_year)
        year[rest], month[rest], day[rest] = _ordered(triples, chosen)
    days = _day_numbers(year, month, day)
    wrong = (days < FIRST_DAY) | (days > LAST_DAY)
    column.refuse(wrong, "is no day from 1970 to 2199")
    return days, note


def _put_named_months(
    parts: pd.DataFrame,
    numbers: Sequence[IntArray],
    fields: tuple[IntArray, IntArray, IntArray],
) -> None:
    """Fill year, month and day of rows such as ``3 Jul 2025``, ``2025-Jul-03``, ``Jul 3, 2025``."""
    year, month, day = fields
    names = {name: number for number, name in enumerate(MONTHS, start=1)}
    for group in ("b", "word"):
        named = parts[group].str[:3].map(names).fillna(-1).to_numpy(dtype=np.int64)
        rows = named > 0
        month[rows] = named[rows]
        if group == "word":
            day[rows], year[rows] = _whole(parts, "wd")[rows], _whole(parts, "wy")[rows]
        else:
            first, last = numbers[0][rows], numbers[2][rows]
            is_year_first = first > 31
            year[rows] = np.where(is_year_first, first, _full_year(last))
            day[rows] = np.where(is_year_first, last, first)


def _full_year(year: IntArray) -> IntArray:
    return np.asarray(np.where((year >= 0) & (year < 100), year + 2000, year))


def _order(
    triples: list[IntArray], asked: DateOrder | None, where: Where, *, is_long_year: bool
) -> tuple[DateOrder, str]:
    """Return the order of day, month and year, and a note if the file itself settles it."""
    possible: list[DateOrder] = ["day-first", "month-first"]
    possible += [] if is_long_year else ["year-first"]
    fitting = [one for one in possible if _fits(triples, one)]
    if asked is not None:
        if asked in fitting:
            return asked, ""
        fitting = []
    if not fitting:
        raise SeriesError(
            f"the dates of the column do not fit {asked or 'one order of day and month'}",
            where=where,
            mend=f"Check them, or say --dates {' or --dates '.join(DATE_ORDERS)}.",
        )
    days = [_day_numbers(*_ordered(triples, one)) for one in fitting]
    if any((one != days[0]).any() for one in days[1:]):
        shown = "/".join(f"{int(one[0]):02d}" for one in triples)
        raise SeriesError(
            f"the dates can be read as {' or '.join(fitting)} (e.g. {shown})",
            where=where,
            mend=f"Say --dates {' or --dates '.join(fitting)}.",
        )
    return fitting[0], f"dates are read {fitting[0]}: no other order fits the whole file."


def _ordered(triples: Sequence[IntArray], order: DateOrder) -> tuple[IntArray, IntArray, IntArray]:
    """Return year, month and day."""
    first, second, third = triples
    if order == "day-first":
        return _full_year(third), second, first
    if order == "month-first":
        return _full_year(third), first, second
    return _full_year(first), second, third


def _fits(triples: Sequence[IntArray], order: DateOrder) -> bool:
    return bool((_day_numbers(*_ordered(triples, order)) >= FIRST_DAY).all())


def _day_numbers(year: IntArray, month: IntArray, day: IntArray) -> IntArray:
    """Return days since 1970-01-01; −1 where there is no such day."""
    is_year = (year >= 1970) & (year <= 2199)
    is_month = (month >= 1) & (month <= 12)
    safe = np.where(is_year & is_month, (year - 1970) * 12 + month - 1, 0)
    first = safe.astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    after = (safe + 1).astype("datetime64[M]").astype("datetime64[D]").astype(np.int64)
    is_day = (day >= 1) & (day <= after - first)
    return np.asarray(np.where(is_year & is_month & is_day, first + day - 1, -1))


def _clock_s(parts: pd.DataFrame, column: Column) -> tuple[IntArray, bool]:
    hour, minute, second = (
        np.maximum(_whole(parts, *names), 0) for names in (("h", "ch"), ("m", "cm"), ("s", "cs"))
    )
    half = parts["ap"].str[0].fillna("").to_numpy()
    is_half = half != ""
    wrong = (minute > 59) | (second > 59) | (hour > 24) | ((hour == 24) & (minute + second > 0))
    wrong |= is_half & ((hour < 1) | (hour > 12))
    column.refuse(wrong, "holds no clock time from 00:00 to 24:00")
    hour = np.where(is_half, hour % 12 + np.where(half == "p", 12, 0), hour)
    return np.asarray(hour * 3600 + minute * 60 + second), bool((hour == 24).any())


def _offsets(parts: pd.DataFrame, column: Column) -> IntArray | None:
    text = parts["off"]
    has = text.notna().to_numpy(dtype=bool)
    if not has.any():
        return None
    column.refuse(~has, "has no UTC offset, though other stamps have one")
    known = {one: _offset_s(one) for one in text.unique()}
    offsets = text.map(known).to_numpy(dtype=np.int64)
    column.refuse(np.abs(offsets) > 14 * 3600, "has an offset of no clock")
    return offsets


def _offset_s(text: str) -> int:
    if text in {"z", "utc", "gmt"}:
        return 0
    digits = text[1:].replace(":", "").ljust(4, "0")
    return (-1 if text[0] == "-" else 1) * (int(digits[:2]) * 3600 + int(digits[2:]) * 60)


def decimal_mark(sheet: Sheet, texts: Sequence[str]) -> tuple[str, str]:
    """Return the decimal mark of all number cells of a file, and a note if nothing settles it.

    Raises
    ------
    SeriesError
        If some cells need a point and others a comma.
    """
    votes: dict[str, str] = {}
    unsettled: dict[str, str] = {}
    for text in dict.fromkeys(texts):
        mark = _mark_of(text)
        if mark in {".", ","}:
            votes.setdefault(mark, text)
        elif mark:
            unsettled.setdefault("," if "," in text else ".", text)
    for both in (votes, unsettled if not votes else {}):
        if len(both) == 2:
            raise SeriesError(
                f"{both['.']!r} has a decimal point and {both[',']!r} a decimal comma",
                where=sheet.path,
                mend="Write all numbers in one way.",
            )
    if votes:
        return next(iter(votes)), ""
    if not unsettled:
        return ".", ""
    text = next(iter(unsettled.values()))
    mark = "," if "," in text and sheet.separator != "," else "."
    name = "comma" if mark == "," else "point"
    return (
        mark,
        f"nothing settles how numbers are written; {text!r} is read with a decimal {name}.",
    )


def _mark_of(text: str) -> str:
    """Return the decimal mark that a number must have, ``?`` if it may be either, else nothing."""
    bare = text.lstrip("+-")
    points, commas = bare.count("."), bare.count(",")
    if points and commas:
        mark = "." if bare.rfind(".") > bare.rfind(",") else ","
        return mark if bare.count(mark) == 1 else ""
    if points + commas == 0:
        return ""
    mark = "." if points else ","
    if points + commas > 1:
        other = "," if mark == "." else "."
        return other if _GROUPED.fullmatch(bare) else ""
    head, tail = bare.split(mark)
    is_group = len(tail) == 3 and tail.isdigit() and 1 <= len(head) <= 3 and head[0] != "0"
    return "?" if is_group else mark


def read_numbers(column: Column, mark: str) -> FloatArray:
    """Return the numbers of a column, NaN where blank, shape (N,).

    Raises
    ------
    SeriesError
        With the row, if a cell is no number.
    """
    series = pd.Series(list(column.texts), dtype="str").str.lower()
    blank = series.isin(BLANKS).to_numpy(dtype=bool)
    plain = series.str.replace(f"[{_SPACES}]", "", regex=True)
    plain = plain.str.replace("," if mark == "." else ".", "", regex=False)
    plain = plain.str.replace(",", ".", regex=False) if mark == "," else plain
    is_number = plain.str.fullmatch(_PLAIN).to_numpy(dtype=bool)
    mend = "Write numbers without units; leave missing values blank."
    column.refuse(~is_number & ~blank, "is not a number", mend)
    return pd.to_numeric(plain.where(is_number), errors="coerce").to_numpy(np.float64, copy=True)
