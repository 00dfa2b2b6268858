"""Measures windows on real later years, beside what a person would type by hand.

    PYTHONPATH=. python tests/bench/later_years.py DATA [--effort quick] [--only TEXT]

DATA holds ``second_years/*.csv.gz``. Windows are found on the first year of a site and judged on the later
one, which nothing has seen; so are settings that a person types without a program, made from the first
year alone. ``hindsight`` are windows found on the later year itself, by the same search. Figures are what
is saved over no windows, in money, and windows ÷ hindsight, ÷ the best by hand; the last two columns are what was
promised from the first year alone.
"""

from __future__ import annotations

import argparse
import tempfile
from functools import partial
from pathlib import Path

import numpy as np

from optimizer.base.progress import quiet
from optimizer.billing.bill import bill_flows
from optimizer.evaluation.out_of_sample import sureness_of
from optimizer.forecasting.ensemble import Spread
from optimizer.scenario.brief import Brief
from optimizer.settings.windows import Settings, no_windows
from optimizer.simulation.replay import replay
from optimizer.workflows.inputs import horizon_of, task_of
from optimizer.workflows.solve import DEFAULT_TIME_LIMIT_S, cheapest_plan, windows_for
from tests.bench.by_hand import by_hand
from tests.bench.cells import Site, brief_of

YEARS = "second_years"
SITES = {
    "library": (
        Site(
            "library_2018_15min",
            "America/Los_Angeles",
            15,
            800,
            300,
            300,
            "ac",
            1500,
            300,
            1,
            YEARS,
        ),
        "library_2019_15min",
    ),
    "home c": (
        Site("home_c_first_30min", "Australia/Sydney", 30, 10, 5, 5, "dc", 15, 5, 0.1, YEARS),
        "home_c_then_30min",
    ),
    "home d": (
        Site("home_d_first_30min", "Australia/Sydney", 30, 10, 5, 5, "dc", 15, 5, 0.1, YEARS),
        "home_d_then_30min",
    ),
}
TARIFFS = ("two_rates", "peak_demand", "any_time_demand", "evening_export")


def found_on(brief: Brief, effort: str) -> tuple[Settings, Spread]:
    """Return the recommended windows of a year, and what is promised that they save in others."""
    plan = cheapest_plan(brief, DEFAULT_TIME_LIMIT_S, quiet)
    found = windows_for(brief, task_of(brief, plan), effort, None, quiet)
    sure = sureness_of(
        found, brief.weather, plan.problem, brief.cost, horizon_of(brief), 0.0, quiet
    )
    assert sure is not None
    return found.settings, sure.saved


def typed_on(brief: Brief) -> dict[str, Settings]:
    """Return what a person may type without a program, from the first year's meter alone."""
    plant, forecast = brief.scenario.plant, brief.scenario.forecast
    prices = cheapest_plan(brief, DEFAULT_TIME_LIMIT_S, quiet).step_prices
    return by_hand(
        plant.soc_pct(plant.low_kwh),
        forecast.load_kwh,
        forecast.grid,
        prices,
        partial(saves, brief),
    )


def saves(brief: Brief, settings: Settings) -> float:
    """Return what settings save in a year over no windows: bill and wear. [money]"""
    horizon = horizon_of(brief)

    def cost(each: Settings) -> float:
        flows = replay(horizon, each).flows
        wear = horizon.plant.wear_per_kwh * float(flows.discharge_kwh.sum())
        return bill_flows(brief.cost, flows).total_as_planned + wear

    return cost(no_windows(settings.floor_pct)) - cost(settings)


def main() -> None:
    """Print a row for each site and tariff."""
    parser = argparse.ArgumentParser()
    parser.add_argument("data", type=Path)
    parser.add_argument("--effort", default="quick")
    parser.add_argument("--only", default="")
    parser.add_argument("--show", action="store_true")
    asked = parser.parse_args()
    print(
        "| cell | windows | hindsight | ÷ | best by hand | ÷ | which | P10 | P90 |\n|---|---|---|---|---|---|---|---|---|"
    )
    for name, (site, later) in SITES.items():
        for tariff in TARIFFS:
            if asked.only not in f"{name}, {tariff}":
                continue
            with tempfile.TemporaryDirectory() as one, tempfile.TemporaryDirectory() as other:
                first = brief_of(asked.data, site, tariff, Path(one))
                then = brief_of(asked.data, site.on(later), tariff, Path(other))
            windows, promised = found_on(first, asked.effort)
            ours, best = saves(then, windows), saves(then, found_on(then, asked.effort)[0])
            hand = {how: saves(then, typed) for how, typed in typed_on(first).items()}
            which = max(hand, key=lambda how: hand[how])
            print(
                f"| {name}, {tariff} | {ours:,.0f} | {best:,.0f} | {ours / best if best > 0 else 1:.2f} |"
                f" {max(hand[which], 0):,.0f} | {ours / hand[which] if hand[which] > 0 else np.inf:.2f} | {which} |"
                f" {promised.p10:,.0f} | {promised.p90:,.0f} |",
                flush=True,
            )
            if asked.show:
                print(windows.frame.to_string(), flush=True)


if __name__ == "__main__":
    main()
