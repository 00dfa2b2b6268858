"""Hides the PV of metered sites, estimates it from import, export and roofs, and holds it against the truth.

    PYTHONPATH=. python tests/bench/behind_the_meter.py DATA [--only TEXT] [--money] [--off]

Import and export are made of load − PV, step by step. Roofs are those whose clear-sky curve fits the hidden PV's
highest values by month and hour best (by 5° and 15°), as an owner knows them; their size is what the data's
description says, where it says one. ``--off`` states them wrongly. Beside the estimate stand two that
anybody can make: what is exported alone, and clear skies times typical cloudiness. ``--money`` plans with the
estimate, types those windows in, and replays them on the truth, against windows found with the truth.
Errors: of a year's PV and load, and the mean absolute one of a step and of a day over the mean PV.
"""

from __future__ import annotations

import argparse
import re
import tempfile
from dataclasses import replace
from pathlib import Path

import numpy as np

from optimizer.base.progress import quiet
from optimizer.base.timegrid import FloatArray
from optimizer.forecasting.build import _roof_model
from optimizer.forecasting.recipe import ForecastRecipe
from optimizer.metering.forecast import Forecast
from optimizer.scenario.brief import Brief, read_brief
from optimizer.settings.windows import Settings
from optimizer.workflows.inputs import task_of
from optimizer.workflows.solve import DEFAULT_TIME_LIMIT_S, cheapest_plan, windows_for
from tests.bench.cells import SITES, Site, brief_of
from tests.bench.later_years import SITES as LATER
from tests.bench.later_years import saves

SYDNEY, KONSTANZ, SAN_DIEGO = (-33.9, 151.2), (47.66, 9.18), (32.88, -117.23)
Roof = tuple[tuple[float, float], float, float, float]
"""Latitude and longitude, peak power [kW], tilt and azimuth [°]."""

ROOFS: dict[str, Roof] = {
    "home_heatpump": (KONSTANZ, 10.4, 30, 210),
    "home_small": (SYDNEY, 1, 25, 315),
    "home_composite_a": (SYDNEY, 6.6, 25, 315),
    "home_composite_b": (SYDNEY, 5, 25, 315),
    "home_c": (SYDNEY, 5, 25, 315),
    "home_d": (SYDNEY, 4, 25, 315),
    "office": (SAN_DIEGO, 32, 30, 195),
    "library": (SAN_DIEGO, 170, 15, 255),
}
AS_STATED = (1.0, 0.0, 0.0)
OFF = (AS_STATED, (0.85, 0, 0), (1.15, 0, 0), (1, 15, 0), (1, -15, 0), (1, 0, 40), (1, 0, -45))
"""Size times, tilt and azimuth plus so much: what an owner may have wrong."""

MONEY_TARIFFS = ("two_rates", "peak_demand", "evening_export")


def sites() -> dict[str, Site]:
    """Return every metered series that has PV and load."""
    later = {
        name: site for name, (first, then) in LATER.items()
        for name, site in ((f"{name}, first", first), (f"{name}, then", first.on(then)))
    }  # fmt: skip
    return SITES | later


def roof_of(site: Site, off: tuple[float, float, float] = AS_STATED) -> Roof:
    place, peak, tilt, azimuth = next(r for name, r in ROOFS.items() if site.file.startswith(name))
    return place, peak * off[0], tilt + off[1], (azimuth + off[2]) % 360


def hidden(truth: Brief, roof: Roof, folder: Path, out: Path) -> Brief:
    """Write the truth's net into a meter's file, and return the scenario that has its PV estimated."""
    (latitude, longitude), peak, tilt, azimuth = roof
    forecast = truth.scenario.forecast
    net = forecast.load_kwh - through(truth) * forecast.pv_kwh
    grid = forecast.grid
    rows = [
        f"{stamp.isoformat()},{max(each, 0.0):.9f},{max(-each, 0.0):.9f}"
        for stamp, each in zip(grid.local, net.tolist(), strict=True)
    ]
    (out / "meter.csv").write_text("\n".join(["time,import_kwh,export_kwh", *rows]))
    recipe = (
        f"forecast: {{first: {grid.dates[0]}, last: {grid.dates[-1]}, load: {{meters: [meter.csv]}},"
        f" place: {{latitude_deg: {latitude}, longitude_deg: {longitude}}}, pv: {{behind_meters: true, roofs:"
        f" [{{peak_kw: {peak}, tilt_deg: {tilt}, azimuth_deg: {azimuth}}}]}}}}"
    )
    text = (folder / "scenario.yaml").read_text()
    text = re.sub("^forecast: .*$", recipe, text, flags=re.MULTILINE)
    (out / "scenario.yaml").write_text(text)
    for each in folder.glob("tariff.yaml"):
        (out / each.name).write_text(each.read_text())
    return read_brief(out)


def through(brief: Brief) -> float:
    """Return the share of the PV that reaches the meter's side. [1]"""
    return brief.scenario.plant.pv_to_ac_efficiency


def metered_of(brief: Brief) -> Forecast:
    expected = brief.scenario.expected
    assert expected is not None
    return expected.metered[0]


def off_by(pv: FloatArray, truth: Brief) -> str:
    """Return the errors of a year of PV and load, of steps and of days. [%]"""
    forecast = truth.scenario.forecast
    wrong = pv - forecast.pv_kwh
    total, load = float(forecast.pv_kwh.sum()), float(forecast.load_kwh.sum())
    by_day = np.bincount(forecast.grid.day, weights=wrong)
    year = float(wrong.sum())
    return (
        f"{100 * year / total:+.1f} | {100 * year * through(truth) / load:+.1f} |"
        f" {100 * np.abs(wrong).sum() / total:.0f} | {100 * np.abs(by_day).sum() / total:.0f}"
    )


def guesses(truth: Brief, guessed: Brief) -> dict[str, FloatArray]:
    """Return what anybody can say: what is exported, and clear skies times typical cloudiness. [kWh]"""
    recipe = guessed.scenario.file.forecast
    assert isinstance(recipe, ForecastRecipe)
    model = _roof_model(recipe, truth.scenario.plant, None)
    forecast = truth.scenario.forecast
    clear_kw, typical = model.cleared(forecast.grid)
    net = forecast.load_kwh - through(truth) * forecast.pv_kwh
    step_h = forecast.grid.step_h
    return {
        "export alone": np.maximum(-net, 0.0) / through(truth),
        "typical sky": typical * model.out_kw(clear_kw) * step_h,
    }


def told_apart(data: Path, only: str, *, off: bool) -> None:
    """Print the errors of each site, beside those of simple guesses or with roofs stated wrongly."""
    print(
        "| site | | exported, % | PV, % | load, % | step, % | day, % |\n|---|---|---|---|---|---|---|"
    )
    for name, site in sites().items():
        if only not in name:
            continue
        with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as other:
            truth = brief_of(data, site, "two_rates", Path(one))
            for wrong in OFF if off else (AS_STATED,):
                guessed = hidden(truth, roof_of(site, wrong), Path(one), Path(other))
                words = "× {:g}, tilt {:+g}, azimuth {:+g}".format(*wrong) if off else "estimate"
                every = {words: metered_of(guessed).pv_kwh}
                every |= {} if off else guesses(truth, guessed)
                out = guesses(truth, guessed)["export alone"].sum()
                share = 100 * out / truth.scenario.forecast.pv_kwh.sum()
                for how, pv in every.items():
                    print(f"| {name} | {how} | {share:.0f} | {off_by(pv, truth)} |", flush=True)


def found_on(brief: Brief) -> Settings:
    plan = cheapest_plan(brief, DEFAULT_TIME_LIMIT_S, quiet)
    return windows_for(brief, task_of(brief, plan), "quick", None, quiet).settings


def money(data: Path, only: str) -> None:
    """Print what windows found with the estimate save on the truth, beside those found with the truth."""
    print("| cell | found with the truth | with the estimate | difference |\n|---|---|---|---|")
    for name, site in sites().items():
        for tariff in MONEY_TARIFFS:
            if only not in f"{name}, {tariff}":
                continue
            with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as other:
                truth = brief_of(data, site, tariff, Path(one))
                guessed = hidden(truth, roof_of(site), Path(one), Path(other))
            # The year itself, not one put together of its weeks: the difference is the estimate's alone.
            series = metered_of(guessed)
            scenario = replace(
                guessed.scenario, forecast=replace(truth.scenario.forecast, pv_kwh=series.pv_kwh,
                                                   load_kwh=series.load_kwh)
            )  # fmt: skip
            scenario = replace(
                scenario, material=replace(truth.scenario.material, sources=(scenario.forecast,))
            )
            ours = saves(truth, found_on(replace(truth, scenario=scenario)))
            best = saves(truth, found_on(truth))
            print(
                f"| {name}, {tariff} | {best:,.1f} | {ours:,.1f} | {ours - best:+,.1f} |",
                flush=True,
            )


def main() -> None:
    """Print a table of errors, or of money."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("data", type=Path)
    words.add_argument("--only", default="")
    words.add_argument("--money", action="store_true")
    words.add_argument("--off", action="store_true")
    given = words.parse_args()
    if given.money:
        money(given.data, given.only)
    else:
        told_apart(given.data, given.only, off=given.off)


if __name__ == "__main__":
    main()
