"""A forecast as a page: the mean day of each season by load and PV, and how plausible seasons spread.

Read next: ``page``.
"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from markupsafe import Markup

from optimizer.base.files import write_all
from optimizer.base.timegrid import FloatArray
from optimizer.base.units import number
from optimizer.base.writing import Writing
from optimizer.evaluation.typical_day import mean_by_clock
from optimizer.metering.forecast import FORECAST
from optimizer.metering.forecast_csv import ADDED
from optimizer.report.drawing import HALF, Drawing, Legend, Panel, hours_ticks
from optimizer.report.drawing_scales import span_of
from optimizer.report.figures import LEFT, LOAD, PV, RIGHT, hour_labels
from optimizer.report.forecast import (
    SPREAD,
    figure_rows,
    forecast_csv,
    forecast_record,
    outside_words,
)
from optimizer.report.formats import FORECAST as FORECAST_FORMAT
from optimizer.report.templates import rendered
from optimizer.report.verified import NOT_YET, marked
from optimizer.settings.windows import months_text

if TYPE_CHECKING:
    from optimizer.evaluation.back_test import BackTest
    from optimizer.workflows.forecast import ForecastResult

SEASONS = ([12, 1, 2], [3, 4, 5], [6, 7, 8], [9, 10, 11])
"""The months of meteorological seasons, of which the page shows the mean day."""

PAGE, RECORD, MEMBERS_FOLDER = "forecast.html", "forecast.json", "members"

TALL = 150
"""Height of a panel. [px]"""


def write_forecast(
    result: ForecastResult, folder: Path, tested: BackTest | None = None
) -> list[Path]:
    """Write ``forecast.csv``, with what was added told apart, each member, ``forecast.json`` and ``.html``.

    Raises
    ------
    InputError
        If the folder cannot be written.
    """
    scenario, ensemble = result.brief.scenario, result.ensemble
    layers = () if scenario.expected is None else scenario.expected.layers
    added: dict[str, FloatArray] = {}
    for layer in layers:
        name = ADDED + layer.name.replace(" ", "_").replace(",", "") + "_kwh"
        if layer.added_kwh:
            added[name] = added.get(name, 0.0) + layer.load_kwh
    texts = {
        FORECAST: forecast_csv(scenario.forecast, added),
        RECORD: FORECAST_FORMAT.text(forecast_record(result, tested)),
        PAGE: forecast_page(result),
    }
    digits = len(str(len(ensemble.members)))
    for number_, member in enumerate(ensemble.members, start=1):
        texts[f"{MEMBERS_FOLDER}/member_{number_:0{digits}d}.csv"] = forecast_csv(member)
    write_all(texts, folder, stale=(f"{MEMBERS_FOLDER}/member_*.csv",))
    return [folder / name for name in (FORECAST, MEMBERS_FOLDER, RECORD, PAGE)]


def forecast_page(result: ForecastResult) -> str:
    """Return a page that tells of a forecast alone."""
    forecast, ensemble = result.brief.scenario.forecast, result.ensemble
    grid = forecast.grid
    return rendered(
        "forecast_page.html",
        scenario=result.brief.scenario,
        span=f"{grid.dates[0]} to {grid.dates[-1]}, {number(grid.days, 2)} days in steps of"
             f" {grid.step_minutes} min",
        figures=mean_days(result),
        members=len(ensemble.members),
        heading=SPREAD,
        rows=figure_rows(result),
        outside=outside_words(forecast, ensemble),
        notes=forecast.notes,
        verified=marked(NOT_YET),
    )  # fmt: skip


def mean_days(result: ForecastResult) -> list[Markup]:
    """Return the mean day of each season that the forecast holds, as pictures of one scale."""
    forecast = result.brief.scenario.forecast
    grid, days = forecast.grid, dict[str, tuple[FloatArray, FloatArray]]()
    for season in SEASONS:
        months = [month for month in season if month in grid.months]
        if months:
            days[months_text(months)] = (
                mean_by_clock(forecast.load_kwh, grid, months) / grid.step_h,
                mean_by_clock(forecast.pv_kwh, grid, months) / grid.step_h,
            )
    scale = span_of(np.concatenate([kw for each in days.values() for kw in each]), with_zero=True)
    writing = result.brief.scenario.file.writing
    return [Markup(_drawn(name, each, scale, writing)) for name, each in days.items()]


def _drawn(
    name: str,
    day: tuple[FloatArray, FloatArray],
    scale: tuple[float, float],
    writing: Writing,
) -> str:
    load_kw, pv_kw = day
    legend = Legend([("load", LOAD), ("PV", PV)], HALF - LEFT)
    top = 22 + legend.height + 22
    drawing = Drawing(
        HALF, top + TALL + 34,
        f"Mean day, {name}: load {number(float(24 * load_kw.mean()))} kWh, at most"
        f" {number(float(load_kw.max()), 2)} kW; PV {number(float(24 * pv_kw.mean()))} kWh, at most"
        f" {number(float(pv_kw.max()), 2)} kW.",
    )  # fmt: skip
    drawing.text(4, 14, name, "strong")
    legend.draw(drawing, LEFT, 20)
    panel = Panel.at(drawing, (LEFT, top, HALF - RIGHT, top + TALL), (0, 24), scale)
    panel.numbers_left("kW")
    edges = np.linspace(0, 24, len(load_kw) + 1)
    for kw, look in ((pv_kw, PV), (load_kw, LOAD)):
        panel.steps(edges, kw, look)
    panel.axis_below(hours_ticks(4, hour_labels(writing)))
    return drawing.svg()
