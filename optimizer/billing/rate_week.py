"""The weeks of the year by the rows of a rate sheet: which row holds when, where none does, where two do.

Works on rows that are not all typed yet. Read next: ``optimizer.report.rates_week``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations

import numpy as np

from optimizer.base.calendar import HOLIDAY, When
from optimizer.base.errors import Mistake
from optimizer.base.timegrid import BoolArray, IntArray
from optimizer.base.units import MINUTES_PER_DAY
from optimizer.base.week_words import week_words
from optimizer.base.words import say
from optimizer.base.writing import PLAIN, Writing
from optimizer.billing.rate_rows import ReadRow, ReadSheet, parts_of_year
from optimizer.settings.windows import months_text

HOLE, TWICE, REST = -1, -2, -3
"""What a minute is that no row holds, that two hold, that the price of all other times holds."""

AN_ORDINARY_DAY = 1
"""The day before a holiday is taken as an ordinary weekday: a Tuesday."""


@dataclass(frozen=True)
class RateWeek:
    """A week of the months in which all weeks cost the same.

    ``held`` says for each row the minutes it holds, shape (rows, days, 1440); days are Monday to Sunday, and
    holidays where the sheet lists any. ``holds`` is the number of the row in the list, or HOLE, TWICE, REST.
    """

    months: frozenset[int]
    rows: Sequence[ReadRow]
    held: BoolArray
    holds: IntArray

    @property
    def name(self) -> str:
        """Its months in words."""
        return months_text(sorted(self.months))


def rate_weeks(rows: Sequence[ReadRow], *, has_rest: bool, has_holidays: bool) -> list[RateWeek]:
    """Return the weeks of the year that the rows tell apart, by their first month."""
    return [
        _week(months, rows, has_rest=has_rest, days=7 + has_holidays)
        for months in parts_of_year(rows)
    ]


def _week(
    months: frozenset[int], rows: Sequence[ReadRow], *, has_rest: bool, days: int
) -> RateWeek:
    held = np.zeros((len(rows), days, MINUTES_PER_DAY), dtype=bool)
    for number, row in enumerate(rows):
        if months <= row.months:
            held[number] = _minutes(row, days)
    count = held.sum(axis=0)
    first = held.argmax(axis=0) if len(rows) else np.zeros(count.shape, dtype=np.int64)
    rest = REST if has_rest else HOLE
    holds = np.where(count > 1, TWICE, np.where(count == 1, first, rest)).astype(np.int64)
    return RateWeek(months, rows, held, holds)


def _minutes(row: ReadRow, days: int) -> BoolArray:
    """Return which minutes of a week a row holds, shape (days, 1440)."""
    when = When.model_validate(row.when)
    on, after = when.minutes_on_and_after()
    named = when.day_kind_mask()
    before = [*((day - 1) % 7 for day in range(7)), AN_ORDINARY_DAY][:days]
    kinds = [*range(7), HOLIDAY][:days]
    return np.asarray((on & named[kinds][:, None]) | (after & named[before][:, None]))


def gaps_of(weeks: Sequence[RateWeek], table: str, writing: Writing = PLAIN) -> Iterator[Mistake]:
    """Yield a finding for the hours that no row holds, and one for each two rows that both hold.

    Holes stand at the table, two rows at the later one's hours.
    """
    for months, hole in _alike([(week.months, week.holds == HOLE) for week in weeks]):
        yield Mistake(
            say(
                "{months}: no price {when}", months=_months(months), when=week_words(hole, writing)
            ),
            say("Add a row for these hours, or a price for all other times."),
            (table, "rest_price"),
        )
    for one, other in combinations(range(len(weeks[0].rows)) if weeks else (), 2):
        both = [(week.months, week.held[one] & week.held[other]) for week in weeks]
        told = [f"{_months(months)} {week_words(held, writing)}" for months, held in _alike(both)]
        if told:
            rows = weeks[0].rows
            yield Mistake(
                say(
                    "the rows {one} and {other} both hold {when}",
                    one=name_of(rows[one]), other=name_of(rows[other]), when="; ".join(told),
                ),
                say("Let each hour stand in one row."),
                (table, "rows", rows[other].number, "begin"),
            )  # fmt: skip


def _alike(
    found: Sequence[tuple[frozenset[int], BoolArray]],
) -> Iterator[tuple[frozenset[int], BoolArray]]:
    """Yield the hours that are held anywhere, those that are the same in several weeks once."""
    groups: dict[bytes, tuple[frozenset[int], BoolArray]] = {}
    for months, held in found:
        if held.any():
            before = groups.get(held.tobytes(), (frozenset[int](), held))[0]
            groups[held.tobytes()] = (before | months, held)
    yield from groups.values()


def _months(months: frozenset[int]) -> str:
    return say("all year") if len(months) == 12 else months_text(sorted(months))


def name_of(row: ReadRow) -> str:
    """Return what a row is called: its name, or its number from 1 on."""
    return f"“{row.name}”" if row.name else str(row.number + 1)


def open_nights(read: ReadSheet) -> Iterator[Mistake]:
    """Yield a remark for each row over midnight on named days: on which of two days does its night end?"""
    for table, rows in (("energy", read.energy), ("export", read.export), ("demand", read.demand)):
        for row in rows:
            when = row.when
            if row.night or "after_midnight" not in when:
                continue
            begin, end = row.span or (0, 0)
            place = (table, row.number) if table == "demand" else (table, "rows", row.number)
            yield Mistake(
                say(
                    "{hours} is taken as 00:00–{end} and {begin}–24:00 of the same day",
                    hours=when["hours"][0], begin=PLAIN.time(begin), end=PLAIN.time(end),
                ),
                say("Tick “the night that begins on these days” if that is meant."),
                (*place, "night"),
            )  # fmt: skip
