"""The average day of each season and its sets of days: figures, and the same numbers as rows of a table.

Days whose windows are the same stand together. Read next: ``figures``.
"""

from __future__ import annotations

from dataclasses import dataclass

from markupsafe import Markup

from optimizer.base.timegrid import TimeGrid
from optimizer.base.units import price
from optimizer.evaluation.typical_day import (
    ALL_WEEK,
    TypicalDay,
    mean_by_clock,
    steps_of,
    typical_day,
)
from optimizer.report.advice import plan_name, windows_name
from optimizer.report.figures import DayPrices, draw_season
from optimizer.settings.windows import SeasonSet, Window, months_text
from optimizer.workflows.results import Result


@dataclass(frozen=True)
class AverageDay:
    """The figures of some days of a season, side by side, and their numbers as rows of a table."""

    name: str
    figures: list[Markup]
    heading: list[str]
    rows: list[list[str]]


@dataclass(frozen=True)
class Days:
    """Days of a season that have the same windows; ``words`` is empty where these are all of them."""

    months: list[int]
    words: str
    weekdays: tuple[int, ...]
    windows: list[Window]

    @property
    def name(self) -> str:
        """What these days are called: ``June–September, weekdays``."""
        return ", ".join(filter(None, [months_text(self.months), self.words]))


def average_days(result: Result) -> list[AverageDay]:
    """Return the average days of all seasons that the forecast holds."""
    return [_average_day(result, days) for days in shown_days(result)]


def shown_days(result: Result) -> list[Days]:
    """Return the days that the forecast holds, by season and by windows; in one, if none has windows."""
    grid = result.scenario.forecast.grid
    found = [days for season in result.settings.seasons for days in _days_of(season, grid)]
    return found or [Days(grid.months, "", ALL_WEEK, [])]


def _days_of(season: SeasonSet, grid: TimeGrid) -> list[Days]:
    months = [month for month in season.months if month in grid.months]
    parts: list[Days] = []
    for day_set in season.day_sets:
        same = next((part for part in parts if part.windows == day_set.windows), None)
        if same is None:
            parts.append(Days(months, day_set.days, day_set.weekdays, day_set.windows))
        else:
            both = Days(months, f"{same.words} and {day_set.days}",
                        same.weekdays + day_set.weekdays, same.windows)  # fmt: skip
            parts[parts.index(same)] = both
    if len(parts) == 1:
        parts = [Days(months, "", ALL_WEEK, parts[0].windows)]
    return [part for part in parts if steps_of(grid, months, part.weekdays).any()]


def _average_day(result: Result, shown: Days) -> AverageDay:
    grid, capacity = result.scenario.forecast.grid, result.scenario.plant.capacity_kwh
    cases, ours = result.outcome.cases, windows_name(result)
    days = {
        name: typical_day(cases[key], capacity, shown.months, shown.weekdays)
        for name, key in ((plan_name(result), "plan"), (ours, "windows"))
    }
    prices = DayPrices(
        *(
            mean_by_clock(values, grid, shown.months, shown.weekdays)
            for values in (
                result.prices.buy,
                result.prices.sell,
                result.prices.stored,
                result.prices.sell_stored,
            )
        )
    )
    figures = draw_season(
        days, prices, {ours: shown.windows}, shown.name, result.currency,
        result.scenario.file.writing,
    )  # fmt: skip
    return AverageDay(shown.name, [Markup(svg) for svg in figures], *_table(days, prices))


COLUMNS = {
    "load_kwh": "load kW",
    "pv_used_kwh": "PV kW",
    "charge_kwh": "charge kW",
    "discharge_kwh": "discharge kW",
    "import_kwh": "import kW",
    "export_kwh": "export kW",
}


def _table(days: dict[str, TypicalDay], prices: DayPrices) -> tuple[list[str], list[list[str]]]:
    heading = ["time"]
    for name in days:
        heading += [f"{name}: {what}" for what in COLUMNS.values()] + [f"{name}: charge %"]
    heading += ["import price", "export price"]
    heading += ["stored export price"] if prices.stored_is_apart else []
    rows = []
    hours = next(iter(days.values())).hour
    for place, hour in enumerate(hours):
        row = [f"{int(hour):02d}:{round(hour % 1 * 60):02d}"]
        for day in days.values():
            row += [f"{day.power_kw[name][place]:.2f}" for name in COLUMNS]
            row.append(f"{day.soc_pct[place]:.0f}")
        row += [price(float(prices.buy[place])), price(float(prices.sell[place]))]
        row += [price(float(prices.sell_stored[place]))] if prices.stored_is_apart else []
        rows.append(row)
    return heading, rows
