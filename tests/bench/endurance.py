"""Measures outages, and what a wished endurance costs, on real sites; judged on weeks not seen.

    PYTHONPATH=. python tests/bench/endurance.py DATA [--tariff two_rates] [--effort normal]

Each site of ``cells.py`` is made a year of every other week. First: how long outages are carried under
the windows found for it. Then: the floors by which the windows give the longest of some endurances in
nine of ten outages, what they cost, and the share of outages that last as long in a year of the weeks
between, which neither floors nor windows have seen.
"""

from __future__ import annotations

import argparse
import time
from dataclasses import replace
from functools import partial
from pathlib import Path

from optimizer.base.errors import ScenarioError
from optimizer.evaluation.comparison import Judge
from optimizer.outages.outages import Outages
from optimizer.outages.reserve import Reserve
from optimizer.scenario.brief import Brief
from optimizer.simulation.replay import replay
from optimizer.workflows.inputs import horizon_of
from optimizer.workflows.outage import outages_under
from optimizer.workflows.reserve import with_endurance
from optimizer.workflows.solve import Solved, solve
from tests.bench.cells import SITES, Cell, cells
from tests.laws.sites import half_of, wishing

WISHES_H = (8.0, 4.0, 2.0, 1.0)


def longest_wish(
    brief: Brief, effort: str, *, by_season: bool
) -> tuple[float, Solved, Reserve] | None:
    """Return the longest endurance that some floor gives, the settings for it, and their reserve."""
    solved = partial(solve, effort=effort, time_limit_s=600.0, progress=lambda _told: None)
    for hours in WISHES_H:
        wished = wishing(brief, hours, by_season=by_season)
        try:
            return hours, *with_endurance(solved(wished), solved, lambda _told: None)
        except ScenarioError:
            continue
    return None


def outage_line(cell: Cell, found: Outages, seconds: float) -> str:
    """Return how long outages are carried, in one line."""
    spread, (month, hour, worst) = found.spread, found.worst
    return (
        f"{cell.site:20}{found.grid.count:>8}{1000 * seconds:>7.0f}{spread.p10:>7.1f}{spread.p50:>7.1f}"
        f"{spread.p90:>7.1f}{found.share_lasting(4):>7.0%}{found.share_lasting(8):>7.0%}"
        f"{month:>6}/{hour:02d} {worst:>5.1f}{found.simple_h:>8.1f}{found.short_kwh(24).mean():>9.1f}"
    )


def main() -> None:
    """Measure the sites and print two tables."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("data", type=Path)
    words.add_argument("--tariff", default="two_rates")
    words.add_argument("--effort", default="normal")
    asked = words.parse_args()
    outages, reserves = [], []
    for site in SITES:
        cell = next(cells(asked.data, f"{site}, {asked.tariff}"))
        brief, unseen = half_of(cell.brief, 0), half_of(cell.brief, 1)
        first = solve(brief, effort=asked.effort, time_limit_s=600.0, progress=lambda _told: None)
        outages_under(brief, first.found.settings)
        judge = Judge(brief.cost, first.plan)
        run = replay(horizon_of(brief), first.found.settings)
        begun = time.monotonic()
        found = outages_under(brief, first.found.settings)
        outages.append(outage_line(cell, found, time.monotonic() - begun))
        for by_season in (False, True):
            begun = time.monotonic()
            wished = longest_wish(brief, asked.effort, by_season=by_season)
            if wished is None:
                reserves.append(f"{site:20} not even {WISHES_H[-1]:g} h")
                continue
            hours, case, reserve = wished
            there = replace(
                horizon_of(case.brief), load_kwh=unseen.scenario.forecast.load_kwh,
                pv_kwh=unseen.scenario.forecast.pv_kwh,
            )  # fmt: skip
            judged = float(reserve.wish.lasting(there, case.found.settings).mean())
            floors = " ".join(f"{pct:g}" for _, pct in reserve.floors_pct) or "as it is"
            reserves.append(
                f"{site:20}{'by season' if by_season else 'one floor':10}{hours:>4g} h{floors:>10}"
                f"{reserve.price:>9.2f}{reserve.price_of_plan or 0.0:>9.2f}{judge.cost_of(run):>10.0f}"
                f"{reserve.before:>8.1%}{reserve.after:>8.1%}{judged:>8.1%}"
                f"{time.monotonic() - begun:>7.0f}"
            )
    print(f"{'site':20}{'steps':>8}{'ms':>7}{'P10 h':>7}{'P50':>7}{'P90':>7}{'4 h':>7}{'8 h':>7}"
          f"{'worst':>15}{'simple':>8}{'short':>9}")  # fmt: skip
    print("\n".join(outages))
    print(f"\n{'site':30}{'wish':>6}{'floors':>10}{'price':>9}{'of plan':>9}{'cost':>10}{'before':>8}"
          f"{'after':>8}{'unseen':>8}{'s':>7}")  # fmt: skip
    print("\n".join(reserves))


if __name__ == "__main__":
    main()
