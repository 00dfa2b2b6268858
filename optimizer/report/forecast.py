"""A forecast and how good such forecasts were: as text, as data, and as CSV files."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
import pandas as pd

from optimizer.base.timegrid import FloatArray
from optimizer.base.units import money, number
from optimizer.base.version import __version__
from optimizer.forecasting.ensemble import (
    Ensemble,
    highest_load_kw,
    highest_net_kw,
)
from optimizer.metering.forecast import ESTIMATE, Forecast
from optimizer.report.shapes import BackTestRecord, ForecastRecord, spread_record
from optimizer.report.wrapping import filled, table

if TYPE_CHECKING:
    from optimizer.evaluation.back_test import BackTest
    from optimizer.forecasting.additions import Layer
    from optimizer.workflows.forecast import ForecastResult

NET = "highest load less PV, kW"
"""What a net meter shows as it is, where load and PV are estimates."""

FIGURES = {
    "load, kWh": lambda forecast: float(forecast.load_kwh.sum()),
    "PV, kWh": lambda forecast: float(forecast.pv_kwh.sum()),
    "highest load, kW": highest_load_kw,
    NET: highest_net_kw,
}
"""What is told of a forecast and of how its members spread."""

SPREAD = ("as expected", "one in ten", "half of them", "nine in ten")

SAME = 1e-6
"""Figures that differ by less are the same. [kWh, kW]"""


def forecast_text(result: ForecastResult, tested: BackTest | None) -> str:
    """Return what is expected, from what, how it spreads, and how good such forecasts were."""
    scenario, ensemble = result.brief.scenario, result.ensemble
    grid = scenario.forecast.grid
    invented = " (invented)" if scenario.is_invented else ""
    lines = [
        f"FORECAST for {scenario.name}{invented}",
        f"  {grid.dates[0]} to {grid.dates[-1]}, {number(grid.days, 2)} days in steps of"
        f" {grid.step_minutes} min",
        "",
    ]
    rows = [[name, *cells] for name, cells in figure_rows(result)]
    lines += table([["", *SPREAD]], rows, [28, 14, 14, 14, 14])
    lines.append(
        filled(
            f"The last three: what so many of {len(ensemble.members)} plausible seasons stay at or below"
            f" (seed {ensemble.seed})."
        )
    )
    lines += [filled(note) for note in outside_words(scenario.forecast, ensemble)]
    if scenario.expected is not None:
        layers = scenario.expected.layers
        lines += ["", "ON TOP"] if layers else []
        lines += [f"  {_layer_words(layer)}" for layer in layers]
    notes = scenario.forecast.notes
    lines += ["", "FROM WHAT", *(filled(note, "  - ") for note in notes)] if notes else []
    if tested is not None:
        lines += ["", back_test_text(tested, result.brief.currency)]
    return "\n".join(lines)


def figure_rows(result: ForecastResult) -> list[tuple[str, list[str]]]:
    """Return each figure as expected, and what plausible seasons stay at or below, as ``SPREAD`` says."""
    forecast, rows = result.brief.scenario.forecast, []
    for name, figure in FIGURES.items():
        spread = result.ensemble.spread(figure)
        decimals = 0 if name.endswith("kWh") else 2
        values = (figure(forecast), spread.p10, spread.p50, spread.p90)
        told = f"{name} (estimate)" if forecast.estimate and name != NET else name
        rows.append((told, [f"{value:,.{decimals}f}" for value in values]))
    return rows


def outside_words(forecast: Forecast, ensemble: Ensemble) -> list[str]:
    """Return what of a forecast lies outside eight in ten of its plausible seasons, and why that can be."""
    beyond = [
        f"{name} {'below' if figure(forecast) < spread.p10 else 'above'}"
        for name, figure in FIGURES.items()
        for spread in [ensemble.spread(figure)]
        if not spread.p10 - SAME <= figure(forecast) <= spread.p90 + SAME
    ]
    if not beyond:
        return []
    return [
        "'As expected' is one season, not the middle of them: of each week the latest metered one of its"
        " own time of the year. The plausible ones also draw weeks around it and older ones. It lies outside"
        f" what one in ten to nine in ten of them reach in {'; '.join(beyond)}."
    ]


def _layer_words(layer: Layer) -> str:
    if layer.times != 1.0:
        return f"{layer.name}: PV times {number(layer.times, 2)}"
    return f"{layer.name}: {number(layer.added_kwh, 0)} kWh"


def back_test_text(result: BackTest, currency: str) -> str:
    """Return how far forecasts made from the first part were from the rest, and what that cost."""
    lines = [
        "HOW GOOD SUCH FORECASTS WERE",
        f"  made from {result.first_part[0]} to {result.first_part[1]}, held against"
        f" {result.rest[0]} to {result.rest[1]}",
    ]
    heads = [
        ["", "load of a day", "PV of a day", "peak of a month", "money lost"],
        ["", "off by kWh", "off by kWh", "off by kW", currency],
    ]
    rows = [
        [
            one.name, f"{one.load_error_kwh:.2f}", f"{one.pv_error_kwh:.2f}",
            f"{one.peak_error_kw:.2f}", money(one.lost),
        ]
        for one in result.tried
    ]  # fmt: skip
    rows.append(["no windows at all", "", "", "", money(result.no_windows - result.plan)])
    lines += table(heads, rows, [28, 15, 13, 17, 12])
    lines.append(
        filled(
            "Money lost: what settings fitted to the forecast cost on the rest, beyond the cheapest plan"
            " made with hindsight. Errors are means of absolute ones; peaks are of load less PV."
        )
    )
    lines += [filled(note) for note in result.notes]
    return "\n".join(lines)


def forecast_record(result: ForecastResult, tested: BackTest | None) -> ForecastRecord:
    """Return the same as plain data; units stand in the keys."""
    scenario, ensemble = result.brief.scenario, result.ensemble
    grid = scenario.forecast.grid
    load, pv, high, net = FIGURES.values()
    expected = scenario.forecast
    layers = [] if scenario.expected is None else scenario.expected.layers
    return {
        "program": {"name": "tariffwright", "version": __version__},
        "scenario": scenario.name,
        "invented": scenario.is_invented,
        "estimate": scenario.forecast.estimate or None,
        "first": str(grid.dates[0]),
        "last": str(grid.dates[-1]),
        "step_minutes": grid.step_minutes,
        "as_expected": {
            "load_kwh": load(expected), "pv_kwh": pv(expected),
            "highest_load_kw": high(expected), "highest_net_kw": net(expected),
        },
        "spread": {
            "load_kwh": spread_record(ensemble.spread(load)),
            "pv_kwh": spread_record(ensemble.spread(pv)),
            "highest_load_kw": spread_record(ensemble.spread(high)),
            "highest_net_kw": spread_record(ensemble.spread(net)),
        },
        "members": len(ensemble.members),
        "seed": ensemble.seed,
        "added": [
            {"name": layer.name, "load_kwh": layer.added_kwh,
             "pv_times": layer.times}
            for layer in layers
        ],
        "back_test": None if tested is None else back_test_record(tested),
        "notes": [*outside_words(scenario.forecast, ensemble), *scenario.forecast.notes],
        "inputs_sha256": dict(scenario.inputs),
    }  # fmt: skip


def back_test_record(result: BackTest) -> BackTestRecord:
    """Return a back-test as plain data."""
    return {
        "made_from": [str(day) for day in result.first_part],
        "held_against": [str(day) for day in result.rest],
        "notes": list(result.notes),
        "cost_no_windows": result.no_windows,
        "cost_plan": result.plan,
        "tried": [
            {
                "forecast": one.name,
                "load_of_day_error_kwh": one.load_error_kwh,
                "pv_of_day_error_kwh": one.pv_error_kwh,
                "peak_of_month_error_kw": one.peak_error_kw,
                "windows": one.settings.entries(),
                "cost": one.cost,
                "lost": one.lost,
            }
            for one in result.tried
        ],
    }


def forecast_csv(forecast: Forecast, added: dict[str, FloatArray] | None = None) -> str:
    """Return a forecast as the CSV that a scenario reads. [kWh per step]"""
    columns: dict[str, Any] = {
        "time": [stamp.isoformat(timespec="minutes") for stamp in forecast.grid.local],
        "load_kwh": forecast.load_kwh,
        "pv_kwh": forecast.pv_kwh,
    }
    table = pd.DataFrame(columns | dict(added or {}))
    numbers = table.select_dtypes(np.number).columns
    table[numbers] = table[numbers].round(6) + 0.0
    head = f"{ESTIMATE}{forecast.estimate}\n" if forecast.estimate else ""
    return head + table.to_csv(index=False, lineterminator="\n")
