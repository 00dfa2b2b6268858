"""The tariff's week painted: the price of import by weekday and hour, in each part of the year.

Months whose weeks cost the same stand together. A price that follows the market differs in all months;
then the months are those of the settings. Prices are what one more kWh would have cost in the cheapest
plan, so tiers and demand charges are in them; of each hour of the week it is the middle one, which
holidays do not move. Read next: ``drawing``.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from markupsafe import Markup

from optimizer.base.calendar import DAY_NAMES
from optimizer.base.timegrid import FloatArray, IntArray, TimeGrid
from optimizer.base.units import price
from optimizer.base.week_words import week_words
from optimizer.base.writing import Writing
from optimizer.report.drawing import HALF, Drawing, Panel, cut, hours_ticks, width_of
from optimizer.report.drawing_png import LEVELS, cividis, picture
from optimizer.report.figures import RIGHT, hour_labels
from optimizer.report.weeks import parts_of_year, week_of
from optimizer.settings.windows import months_text
from optimizer.workflows.results import Result

MOST_PARTS = 4
"""Into so many parts of the year months are put by their prices."""

MOST_PRICES = 6
"""So many prices of a week are named one by one."""

LEFT, DAY_HEIGHT = 46, 22
"""Room for the days' names, and the height of a day. [px]"""


@dataclass(frozen=True)
class PaintedWeek:
    """The week of some months: its figure, and its prices in words."""

    name: str
    figure: Markup
    words: list[str]


def tariff_week(result: Result) -> list[PaintedWeek]:
    """Return the weeks of the year that cost differently."""
    grid, buy = result.scenario.forecast.grid, result.prices.buy
    own = [[month for month in season.months if month in grid.months]
           for season in result.settings.seasons]  # fmt: skip
    parts = [months for months in own if months]
    return weeks_painted(buy, grid, parts, result.currency, result.scenario.file.writing)


def weeks_painted(
    buy: FloatArray,
    grid: TimeGrid,
    parts: list[list[int]],
    currency: str,
    writing: Writing,
    flow: str = "import",
) -> list[PaintedWeek]:
    """Return the weeks that cost differently by a price for each step, shape (T,). [money per kWh]

    Where these are too many, the months of the given parts of the year stand together, or all.
    ``flow`` is what is priced, for those who cannot see the figures.
    """
    alike = parts_of_year(buy, grid)
    if len(alike) > MOST_PARTS:
        alike = parts or [grid.months]
    weeks = {months_text(months): week_of(buy, grid, months) for months in alike}
    known = np.concatenate([week[np.isfinite(week)] for week in weeks.values()])
    ends = float(known.min()), float(known.max())
    return [
        PaintedWeek(
            name, Markup(_draw_week(name, week, ends, currency, writing, flow)),
            list(price_words(week, currency, writing)),
        )
        for name, week in weeks.items()
    ]  # fmt: skip


def price_words(week: FloatArray, currency: str, writing: Writing) -> Iterator[str]:
    """Yield a sentence for each price of a week, lowest first; of many prices the lowest and the highest."""
    levels = np.unique(week[np.isfinite(week)])
    for level in levels if len(levels) <= MOST_PRICES else levels[[0, -1]]:
        told = week_words(week == level, writing)
        yield f"{price(float(level))} {currency} per kWh: {told}"
    if len(levels) > MOST_PRICES:
        yield f"{len(levels) - 2} more prices lie between these"


def _draw_week(
    name: str,
    week: FloatArray,
    ends: tuple[float, float],
    currency: str,
    writing: Writing,
    flow: str,
) -> str:
    low, high = ends
    spoken = f"Price of {flow}, {name}: {'; '.join(price_words(week, currency, writing))}."
    drawing = Drawing(HALF, 226, spoken)
    panel = week_panel(drawing, name, [day[:3].capitalize() for day in DAY_NAMES], writing)
    slot_h = 24 / week.shape[1]
    for day, row in enumerate(week):
        for begin, end in runs_of(row):
            if np.isfinite(row[begin]):
                fill_cell(panel, day, (begin * slot_h, end * slot_h), float(row[begin]), ends)
    drawing.text(LEFT, 218, price(low))
    at = LEFT + 6 + width_of(price(low))
    key = np.linspace(0, 1, LEVELS)[None, :]
    drawing.add("image", "cells", href=picture(key, 0, 1), x=at, y=208, width=70, height=12,
                preserveAspectRatio="none")  # fmt: skip
    drawing.text(at + 76, 218, cut(f"{price(high)} {currency} per kWh", HALF - at - 80))
    return drawing.svg()


def week_panel(drawing: Drawing, name: str, days: Sequence[str], writing: Writing) -> Panel:
    """Draw the frame of a week, a row for each day and hours below; return its panel, y from 0 at the top."""
    drawing.text(4, 14, cut(name, HALF - 8), "strong")
    bottom = 24 + DAY_HEIGHT * len(days)
    panel = Panel.at(drawing, (LEFT, 24, HALF - RIGHT, bottom), (0, 24), (len(days), 0))
    for day, words in enumerate(days):
        drawing.text(LEFT - 6, panel.y(day + 0.5) + 4, words, "tick", "end")
    panel.axis_below(hours_ticks(4, hour_labels(writing)))
    return panel


def runs_of(row: FloatArray | IntArray) -> Iterator[tuple[int, int]]:
    """Yield first and end of each run of slots that are the same."""
    yield from pairwise([0, *(np.flatnonzero(row[1:] != row[:-1]) + 1).tolist(), len(row)])


def fill_cell(
    panel: Panel, day: int, hours: tuple[float, float], cost: float, ends: tuple[float, float]
) -> None:
    """Draw hours of a day in the colour of their price, which is written where it fits."""
    share = share_of(cost, ends)
    cell_box(panel, day, hours, colour_of(share))
    shade = "on-dark" if share < 0.5 else "on-bright"
    cell_words(panel, day, hours, price(cost), shade)


def share_of(cost: float, ends: tuple[float, float]) -> float:
    """Return where a price lies between the lowest and the highest, from 0 to 1."""
    return (cost - ends[0]) / (ends[1] - ends[0] or 1.0)


def colour_of(share: float) -> str:
    """Return the colour of a share from 0 to 1."""
    red, green, blue = np.rint(cividis(np.array([share]))[0]).astype(int).tolist()
    return f"#{red:02x}{green:02x}{blue:02x}"


def cell_box(panel: Panel, day: int, hours: tuple[float, float], fill: str) -> None:
    """Draw hours of a day in a colour."""
    left, right = panel.x(hours[0]), panel.x(hours[1])
    top, bottom = panel.y(day), panel.y(day + 1)
    panel.drawing.add("rect", "cell", x=left, y=top, width=right - left, height=bottom - top,
                      fill=fill)  # fmt: skip


def cell_words(
    panel: Panel, day: int, hours: tuple[float, float], words: str, shade: str = ""
) -> None:
    """Write words in hours of a day, where they fit."""
    left, right = panel.x(hours[0]), panel.x(hours[1])
    if width_of(words) < right - left - 4:
        panel.drawing.text((left + right) / 2, panel.y(day + 0.5) + 4, words, shade, "middle")
