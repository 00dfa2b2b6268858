"""Renews settings through four seasons, on real sites times invented tariffs.

    PYTHONPATH=. python tests/bench/renewals.py DATA [--only TEXT] [--effort normal]

Every other week of a site makes the year before, the weeks between the year that comes. Settings are
planned on the year before; then each quarter is renewed: its forecast is made of the year before and of
what was metered since, settings in use are those of the quarter before. The quarter itself then tells
what the renewed settings keep, beside settings found anew for it and those left as they were. Last,
the first quarter is renewed once more with nothing changed.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from datetime import date, timedelta
from pathlib import Path

import numpy as np

from optimizer.evaluation.comparison import Judge
from optimizer.forecasting.build import again_from, grid_of_days
from optimizer.forecasting.recipe import ForecastRecipe, LoadRecipe
from optimizer.forecasting.weeks import Material, Variant, Weather
from optimizer.metering.forecast import Forecast
from optimizer.scenario.brief import Brief
from optimizer.settings.windows import Settings, no_windows
from optimizer.simulation.replay import replay
from optimizer.workflows.inputs import horizon_of, task_of
from optimizer.workflows.renew import renew
from optimizer.workflows.solve import cheapest_plan, windows_for
from tests.bench.cells import Cell, cells

AS_METERED = Variant(1.0, resampled=False)
RECIPE = ForecastRecipe(load=LoadRecipe(meters=["meters.csv"]))
QUARTERS = ((1, 3), (4, 6), (7, 9), (10, 12))


def quiet(_told: str) -> None:
    """Say nothing."""


def two_years(cell: Cell) -> tuple[Forecast, Forecast]:
    """Return the year before and the year that comes, each made of its own weeks."""
    forecast = cell.brief.scenario.forecast
    year = forecast.grid.dates[len(forecast.grid.dates) // 2].year
    weather = Weather(forecast)
    made = []
    for fold, shift in ((0, 0), (1, 1)):
        first = date(year + shift, 1, 1)
        grid = grid_of_days(first, date(year + shift, 12, 31), forecast.grid.step_minutes,
                            forecast.grid.zone)  # fmt: skip
        blank = Forecast(grid, np.zeros(grid.count), np.zeros(grid.count))
        of_year = Weather(blank, weather.material).year(
            AS_METERED, fold, np.random.default_rng(fold)
        )
        made.append(Forecast(grid, of_year.load_kwh, of_year.pv_kwh))
    return made[0], made[1]


def part(series: Forecast, first: date, last: date) -> Forecast:
    """Return the days of a series."""
    dates = series.grid.dates
    inside = np.flatnonzero(
        (series.grid.day >= dates.index(first)) & (series.grid.day <= dates.index(last))
    )
    begin, count = int(inside[0]), len(inside)
    end = begin + count
    return Forecast(
        series.grid.part(begin, count), series.load_kwh[begin:end], series.pv_kwh[begin:end]
    )


def saved_on(brief: Brief, actual: Forecast, every: dict[str, Settings]) -> dict[str, float]:
    """Return what settings save over no windows on days as they were, and what the plan would."""
    there = brief.on(actual, Material((actual,), holds_forecast=True))
    plan = cheapest_plan(there, 300.0, quiet)
    judge, horizon = Judge(there.cost, plan), horizon_of(there)
    floor = round(horizon.plant.soc_pct(horizon.plant.low_kwh), 9)
    none = judge.cost_of(replay(horizon, no_windows(floor)))
    saved = {name: none - judge.cost_of(replay(horizon, each)) for name, each in every.items()}
    return saved | {"plan": none - plan.cost}


def renewed(cell: Cell, effort: str) -> Iterator[str]:
    """Yield a row for each quarter, and one for the year."""
    before, coming = two_years(cell)
    start = cell.brief.on(before, Material((before,), holds_forecast=True))
    plan = cheapest_plan(start, 300.0, quiet)
    task = task_of(start, plan)
    in_use = windows_for(start, task, effort, None, quiet).settings
    year = coming.grid.dates[0].year
    sums: dict[str, float] = {}
    changes = np.zeros(3, dtype=int)
    for first_month, last_month in QUARTERS:
        first = date(year, first_month, 1)
        last = date(year + last_month // 12, last_month % 12 + 1, 1) - timedelta(days=1)
        actual = part(coming, first, last)
        past = [before]
        if first_month > 1:
            past.append(part(coming, date(year, 1, 1), first - timedelta(days=1)))
        expected = again_from(past, actual.grid, RECIPE)
        brief = cell.brief.on(expected.forecast, expected.material)
        account = renew(brief, in_use, effort=effort, time_limit_s=300.0)
        renewal = account.renewal
        assert renewal is not None
        saved = saved_on(brief, actual, {
            "in use": in_use, "renewed": renewal.after, "anew": renewal.anew,
        })  # fmt: skip
        again = renew(brief, renewal.after, effort=effort, time_limit_s=300.0).renewal
        assert again is not None
        counted = [len(renewal.changes), renewal.changes_anew, len(again.changes)]
        changes += counted
        sums = {name: sums.get(name, 0.0) + amount for name, amount in saved.items()}
        yield f"{first:%Y-%m}: {_told(saved, counted)}"
        in_use = renewal.after
    yield f"year: {_told(sums, changes.tolist())}"


def _told(saved: dict[str, float], changes: list[int]) -> str:
    kept = ", ".join(
        f"{name} {amount:.1f} ({100 * amount / saved['plan']:.0f} %)"
        for name, amount in saved.items()
    )
    return (
        f"{changes[0]} changes, anew {changes[1]}, with nothing changed {changes[2]}; saved {kept}"
    )


def main() -> None:
    """Print a row for each quarter of each cell."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("data", type=Path)
    words.add_argument("--only", default="")
    words.add_argument("--effort", default="normal")
    given = words.parse_args()
    for cell in cells(given.data, given.only):
        for row in renewed(cell, given.effort):
            print(f"{cell.name} {row}", flush=True)


if __name__ == "__main__":
    main()
