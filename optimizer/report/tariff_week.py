"""The tariff's week painted: the price of import by weekday and hour, in each part of the year.

Months whose weeks cost the same stand together. A price that follows the market differs in all months;
then the months are those of the settings. Prices are what one more kWh would have cost in the cheapest
plan, so tiers and demand charges are in them; of each hour of the week it is the middle one, which
holidays do not move. Read next: ``drawing``.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import groupby, pairwise

import numpy as np
from markupsafe import Markup

from optimizer.base.calendar import DAY_NAMES
from optimizer.base.timegrid import FloatArray
from optimizer.base.units import MINUTES_PER_DAY, price
from optimizer.base.writing import Writing
from optimizer.report.drawing import HALF, LETTER, Drawing, Panel, cut, hours_ticks, width_of
from optimizer.report.drawing_png import LEVELS, cividis, picture
from optimizer.report.figures import RIGHT, hour_labels
from optimizer.report.weeks import parts_of_year, week_of
from optimizer.settings.windows import months_text
from optimizer.workflows.results import Result

MOST_PARTS = 4
"""Into so many parts of the year months are put by their prices."""

MOST_PRICES = 6
"""So many prices of a week are named one by one."""

LEFT = 46


@dataclass(frozen=True)
class PaintedWeek:
    """The week of some months: its figure, and its prices in words."""

    name: str
    figure: Markup
    words: list[str]


def tariff_week(result: Result) -> list[PaintedWeek]:
    """Return the weeks of the year that cost differently."""
    grid, buy = result.scenario.forecast.grid, result.prices.buy
    parts = parts_of_year(buy, grid)
    if len(parts) > MOST_PARTS:
        own = [[month for month in season.months if month in grid.months]
               for season in result.settings.seasons]  # fmt: skip
        parts = [months for months in own if months] or [grid.months]
    weeks = {months_text(months): week_of(buy, grid, months) for months in parts}
    return painted("Price of import", weeks, result.currency, result.scenario.file.writing)


def painted(
    what: str, weeks: dict[str, FloatArray], currency: str, writing: Writing
) -> list[PaintedWeek]:
    """Return weeks of prices, shapes (7, S), by their name, painted on one scale; ``what`` is priced."""
    known = np.concatenate([week[np.isfinite(week)] for week in weeks.values()])
    ends = float(known.min()), float(known.max())
    return [
        PaintedWeek(
            name, Markup(_draw_week(f"{what}, {name}", name, week, ends, currency, writing)),
            list(price_words(week, currency, writing)),
        )
        for name, week in weeks.items()
    ]  # fmt: skip


def price_words(week: FloatArray, currency: str, writing: Writing) -> Iterator[str]:
    """Yield a sentence for each price of a week, lowest first; of many prices the lowest and the highest."""
    levels = np.unique(week[np.isfinite(week)])
    for level in levels if len(levels) <= MOST_PRICES else levels[[0, -1]]:
        spans = [tuple(_spans(row == level)) for row in week]
        days: dict[tuple[tuple[int, int], ...], list[int]] = {}
        for day, held in enumerate(spans):
            if held:
                days.setdefault(held, []).append(day)
        told = "; ".join(
            f"{_days_words(on)} {', '.join(_span_words(span, week, writing) for span in held)}"
            for held, on in days.items()
        )
        yield f"{price(float(level))} {currency} per kWh: {told}"
    if len(levels) > MOST_PRICES:
        yield f"{len(levels) - 2} more prices lie between these"


def _spans(held: np.ndarray) -> Iterator[tuple[int, int]]:
    """Yield first and end of each run of slots."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], held.astype(int), [0]])))
    yield from zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True)


def _span_words(span: tuple[int, int], week: FloatArray, writing: Writing) -> str:
    slot = MINUTES_PER_DAY // week.shape[1]
    if span == (0, week.shape[1]):
        return "all day"
    return f"{writing.time(span[0] * slot)}–{writing.time(span[1] * slot)}"


def _days_words(days: list[int]) -> str:
    """Return weekdays in words: ``Monday–Friday``, ``Monday, Sunday``, ``every day``."""
    if len(days) == 7:
        return "every day"
    runs = []
    for _, run in groupby(enumerate(days), lambda each: each[1] - each[0]):
        names = [DAY_NAMES[day].capitalize() for _, day in run]
        runs.append(f"{names[0]}–{names[-1]}" if len(names) > 2 else ", ".join(names))
    return ", ".join(runs)


def _draw_week(
    what: str,
    name: str,
    week: FloatArray,
    ends: tuple[float, float],
    currency: str,
    writing: Writing,
) -> str:
    low, high = ends
    wide = high - low or 1.0
    spoken = f"{what}: {'; '.join(price_words(week, currency, writing))}."
    drawing = Drawing(HALF, 226, spoken)
    drawing.text(4, 14, cut(name, HALF - 8), "strong")
    slot_h = 24 / week.shape[1]
    panel = Panel.at(drawing, (LEFT, 24, HALF - RIGHT, 178), (0, 24), (7, 0))
    for day, row in enumerate(week):
        drawing.text(
            LEFT - 6, panel.y(day + 0.5) + 4, DAY_NAMES[day][:3].capitalize(), "tick", "end"
        )
        for begin, end in _runs(row):
            _cell(panel, day, (begin * slot_h, end * slot_h), float(row[begin]),
                  (float(row[begin]) - low) / wide)  # fmt: skip
    panel.axis_below(hours_ticks(4, hour_labels(writing)))
    drawing.text(LEFT, 218, price(low))
    at = LEFT + 6 + width_of(price(low))
    key = np.linspace(0, 1, LEVELS)[None, :]
    drawing.add("image", "cells", href=picture(key, 0, 1), x=at, y=208, width=70, height=12,
                preserveAspectRatio="none")  # fmt: skip
    drawing.text(at + 76, 218, cut(f"{price(high)} {currency} per kWh", HALF - at - 80))
    return drawing.svg()


def _runs(row: FloatArray) -> Iterator[tuple[int, int]]:
    """Yield first and end of each run of slots that cost the same."""
    edges = [0, *(np.flatnonzero(row[1:] != row[:-1]) + 1).tolist(), len(row)]
    for begin, end in pairwise(edges):
        if np.isfinite(row[begin]):
            yield begin, end


def _cell(panel: Panel, day: int, hours: tuple[float, float], cost: float, share: float) -> None:
    """Draw hours of a day in the colour of their price, which is written where it fits."""
    red, green, blue = np.rint(cividis(np.array([share]))[0]).astype(int).tolist()
    left, right = panel.x(hours[0]), panel.x(hours[1])
    top, bottom = panel.y(day), panel.y(day + 1)
    panel.drawing.add("rect", "cell", x=left, y=top, width=right - left, height=bottom - top,
                      fill=f"#{red:02x}{green:02x}{blue:02x}")  # fmt: skip
    if len(price(cost)) * LETTER < right - left - 4:
        shade = "on-dark" if share < 0.5 else "on-bright"
        panel.drawing.text((left + right) / 2, (top + bottom) / 2 + 4, price(cost), shade, "middle")
