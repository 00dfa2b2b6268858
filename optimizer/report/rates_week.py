"""The week painted from the rows of a rate sheet, also while they are typed.

Hours that no row holds are hatched, hours that two rows hold are crossed; both are named in the figure, in
its legend and in its words. Read next: ``tariff_week``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from markupsafe import Markup

from optimizer.base.units import price
from optimizer.base.week_words import DAYS, week_words
from optimizer.base.words import say
from optimizer.base.writing import PLAIN, Writing
from optimizer.billing.rate_rows import OTHER_TIMES, ReadSheet
from optimizer.billing.rate_week import HOLE, REST, TWICE, RateWeek, rate_weeks
from optimizer.report.drawing import HALF, ROW, Drawing, Look, Panel, cut, width_of
from optimizer.report.tariff_week import (
    LEFT,
    PaintedWeek,
    cell_box,
    cell_words,
    colour_of,
    fill_cell,
    runs_of,
    share_of,
    week_panel,
)

NO_PRICE_YET = "var(--grey)"
HATCHES = {
    HOLE: Look("vermilion", kind="band", hatch="|"),
    TWICE: Look("purple", kind="band", hatch="|-"),
}


@dataclass(frozen=True)
class _Key:
    """What numbers in ``RateWeek.holds`` stand for; the price is None where it is not typed yet."""

    numbers: tuple[int, ...]
    name: str
    price: float | None

    @property
    def look(self) -> Look | None:
        """How hours are marked that no row or two rows hold."""
        return HATCHES.get(self.numbers[0])

    def words(self, currency: str) -> str:
        if self.look is not None:
            return self.name
        if self.price is None:
            return say("{name}: price not typed yet", name=self.name)
        return f"{self.name} {price(self.price)} {currency}".strip()


def rates_painted(
    read: ReadSheet, rest_price: float | None, writing: Writing = PLAIN
) -> list[PaintedWeek]:
    """Return the weeks of the year by the energy rows of a sheet, each as a figure and in words.

    ``rest_price`` is the price of all times that no row has; None if there is none. [money per kWh]
    """
    weeks = rate_weeks(
        read.energy, has_rest=rest_price is not None, has_holidays=read.holidays.any()
    )
    known = [row.price for row in read.energy if row.price is not None]
    known += [rest_price] if rest_price is not None else []
    ends = (min(known), max(known)) if known else (0.0, 0.0)
    rest_name = read.sheet.energy.rest_name.strip() or say(OTHER_TIMES)
    currency = read.sheet.currency.strip()
    return [
        _painted(week, list(_keys(week, rest_name, rest_price)), ends, currency, writing)
        for week in weeks
    ]


def _keys(week: RateWeek, rest_name: str, rest_price: float | None) -> Iterator[_Key]:
    """Yield what the week holds: rows as typed, then the rest, holes and doubles."""
    held = set(np.unique(week.holds).tolist())
    alike: dict[tuple[str, float | None], list[int]] = {}
    for number, row in enumerate(week.rows):
        if number in held:
            name = row.name or say("row {number}", number=row.number + 1)
            alike.setdefault((name, row.price), []).append(number)
    for (name, cost), numbers in alike.items():
        yield _Key(tuple(numbers), name, cost)
    for number, name, cost in (
        (REST, rest_name, rest_price),
        (HOLE, say("no row: no price"), None),
        (TWICE, say("two rows at once"), None),
    ):
        if number in held:
            yield _Key((number,), name, cost)


def _painted(
    week: RateWeek,
    keys: Sequence[_Key],
    ends: tuple[float, float],
    currency: str,
    writing: Writing,
) -> PaintedWeek:
    words = [
        f"{key.words(currency)}: {week_words(np.isin(week.holds, key.numbers), writing)}"
        for key in keys
    ]
    spoken = say("Price of a kWh, {months}: {prices}.", months=week.name, prices="; ".join(words))
    return PaintedWeek(week.name, Markup(_draw(week, keys, ends, currency, spoken, writing)), words)


def _draw(
    week: RateWeek,
    keys: Sequence[_Key],
    ends: tuple[float, float],
    currency: str,
    spoken: str,
    writing: Writing,
) -> str:
    days = [say(day)[:3] for day in DAYS] + [say("Hol.")]
    legend = list(_legend(keys, currency))
    drawing = Drawing(HALF, 0, spoken)
    panel = week_panel(drawing, week.name, days[: len(week.holds)], writing)
    key_of = {number: key for key in keys for number in key.numbers}
    for day, row in enumerate(week.holds):
        for begin, end in runs_of(row):
            _cell(panel, day, (begin / 60, end / 60), key_of[int(row[begin])], ends)
    top = panel.y.begin + 26
    drawing.height = top + ROW * (legend[-1][1] + 1) + 4
    for left, line, key in legend:
        middle = top + ROW * (line + 0.5)
        _swatch(drawing, LEFT + left, middle, key, ends)
        drawing.text(LEFT + left + 24, middle + 4, cut(key.words(currency), HALF - LEFT - 30))
    return drawing.svg()


def _cell(
    panel: Panel, day: int, hours: tuple[float, float], key: _Key, ends: tuple[float, float]
) -> None:
    if key.look is not None:
        panel.block(hours, (day, day + 1), key.look)
        words = say("no price") if HOLE in key.numbers else say("two rows")
        cell_words(panel, day, hours, words, "halo")
    elif key.price is None:
        cell_box(panel, day, hours, NO_PRICE_YET)
        cell_words(panel, day, hours, "?")
    else:
        fill_cell(panel, day, hours, key.price, ends)


def _legend(keys: Sequence[_Key], currency: str) -> Iterator[tuple[float, int, _Key]]:
    """Yield each key with its distance from the left and its line. [px]"""
    at, line = 0.0, 0
    for key in keys:
        needed = 24 + width_of(key.words(currency))
        if at and at + needed > HALF - LEFT:
            at, line = 0.0, line + 1
        yield at, line, key
        at += needed + 12


def _swatch(
    drawing: Drawing, left: float, middle: float, key: _Key, ends: tuple[float, float]
) -> None:
    panel = Panel.at(drawing, (left, middle - 6, left + 18, middle + 6), (0, 1), (1, 0))
    if key.look is not None:
        panel.block((0, 1), (0, 1), key.look)
    else:
        fill = NO_PRICE_YET if key.price is None else colour_of(share_of(key.price, ends))
        cell_box(panel, 0, (0, 1), fill)
