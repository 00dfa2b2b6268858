"""Measures windows on weeks that the search has not seen, on real sites times tariffs.

    PYTHONPATH=. python tests/bench/unseen.py DATA [--only TEXT] [--effort normal] [--plans FOLDER]
                                              [--rivals FOLDER]

Each cell of ``cells.py`` is trained on every other week and tested on the weeks between. The windows
handed out are compared with windows fitted to the test weeks with hindsight, by the same search, with the best
that a person types by hand (``by_hand.py``), with the best control without foresight that was found, taught
with the training weeks, and with none; also with 20 % more load and 15 % less sun. ``--plans`` keeps the linear
programs' results between runs; ``--rivals`` holds settings of another search by cell, to be judged on the same
weeks. "gap" is what windows save more than by hand, as a share of what the plan saves.
"""

from __future__ import annotations

import argparse
import pickle
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np

from optimizer.billing.bill import bill_flows
from optimizer.cost.expression import linear_cost
from optimizer.cost.prices import Prices
from optimizer.evaluation.rungs import counted_in, rungs_of
from optimizer.evaluation.without_foresight import ENERGY_ALONE, HIGHEST_POWERS, SEED, Control
from optimizer.forecasting.ensemble import DRAWN
from optimizer.forecasting.weeks import Variant, Weather, Year
from optimizer.planning.plan import make_plan
from optimizer.planning.problem import Problem
from optimizer.scenario.horizon import Horizon
from optimizer.search.choose import EFFORTS, find_settings, groupings_for
from optimizer.search.fit import fit
from optimizer.search.score import Task
from optimizer.settings.check import read_settings
from optimizer.settings.windows import Settings, no_windows
from optimizer.simulation.replay import replay
from optimizer.workflows import inputs
from tests.bench.by_hand import by_hand
from tests.bench.cells import Cell, cells
from tests.builders import posed

AS_METERED = Variant(1.0, resampled=False)
HARD = (1.2, 0.85)
"""What load and PV of the hard year are multiplied by."""


@dataclass(frozen=True)
class Half:
    """Every other week of a site, made into a year, and the cheapest plan of it."""

    weather: Weather
    year: Year
    task: Task
    plan_cost: float


def half_of(cell: Cell, turn: int, plans: Path | None) -> Half:
    """Return the weeks of one turn as a year of their own."""
    forecast = cell.brief.scenario.forecast
    weather = Weather(forecast, keep=lambda monday: monday.toordinal() // 7 % 2 == turn)
    year = weather.year(AS_METERED, None, np.random.default_rng(turn))
    problem = problem_of(cell, year)
    planned = _planned(cell, problem, turn, plans)
    flows, stored, worth = planned["flows"], planned["stored"], planned["worth"]
    prices = Prices(
        problem.cost.marginal("import_kwh", flows),
        sell := -problem.cost.marginal("export_kwh", flows),
        worth,
        sell - problem.cost.marginal("stored_export_kwh", flows),
    )
    horizon = horizon_of(cell, year)
    plain = cost_of(cell, horizon, no_windows(floor_of(cell)))
    can_save = plain - planned["cost"]
    task = Task(
        horizon, cell.brief.scenario.controls, problem.cost, flows, stored, prices,
        float(worth[-1]), can_save,
    )  # fmt: skip
    return Half(weather, year, task, planned["cost"])


def problem_of(cell: Cell, year: Year) -> Problem:
    """Return a cell's year as the plan sees it; the battery ends as it began."""
    scenario = cell.brief.scenario
    cost = linear_cost(cell.brief.cost.total, scenario.forecast.grid.count)
    return posed(
        scenario.forecast.grid, scenario.plant, year.load_kwh, year.pv_kwh, cost,
        scenario.start_kwh, scenario.end_kwh,
    )  # fmt: skip


def _planned(cell: Cell, problem: Problem, turn: int, plans: Path | None) -> dict[str, Any]:
    kept = plans / f"{cell.name} {turn}.pickle" if plans else None
    if kept and kept.exists():
        return dict(pickle.loads(kept.read_bytes()))
    plan = make_plan(problem, cell.brief.cost)
    found = {
        "flows": plan.flows, "stored": plan.stored_kwh, "worth": plan.prices.stored,
        "cost": plan.cost,
    }  # fmt: skip
    if kept:
        kept.parent.mkdir(exist_ok=True, parents=True)
        kept.write_bytes(pickle.dumps(found))
    return found


def horizon_of(cell: Cell, year: Year, factors: tuple[float, float] = (1.0, 1.0)) -> Horizon:
    """Return a cell's year to run settings through."""
    load, pv = factors
    return replace(
        inputs.horizon_of(cell.brief), load_kwh=year.load_kwh * load, pv_kwh=year.pv_kwh * pv
    )


def cost_of(cell: Cell, horizon: Horizon, settings: Settings) -> float:
    """Return bill and wear of settings on a horizon."""
    run = replay(horizon, settings)
    return bill_flows(cell.brief.cost, run.flows).total + horizon.plant.wear_per_kwh * float(
        run.flows.discharge_kwh.sum()
    )


def causal_cost(cell: Cell, train: Half, horizon: Horizon) -> float:
    """Return bill and wear of the control without foresight, taught with the training weeks."""
    task, luck = train.task, np.random.default_rng(SEED)
    teaching = HIGHEST_POWERS if counted_in(task.cost) else ENERGY_ALONE
    years = [train.weather.year(DRAWN, None, luck) for _ in range(teaching.years)] or [train.year]
    rungs = rungs_of(task.cost, task.plan_flows, years, task.horizon)
    control = Control.taught(years, task.horizon, task.prices, task.stored_worth, rungs, teaching)
    flows = control.run(horizon).flows
    wear = horizon.plant.wear_per_kwh * float(flows.discharge_kwh.sum())
    return bill_flows(cell.brief.cost, flows).total + wear


def floor_of(cell: Cell) -> float:
    """Return the lowest level in use. [%]"""
    plant = cell.brief.scenario.plant
    return round(plant.soc_pct(plant.low_kwh), 9)


def measured(cell: Cell, effort: str, plans: Path | None, rivals: Path | None) -> dict[str, Any]:
    """Return the figures of one cell."""
    train, test = half_of(cell, 0, plans), half_of(cell, 1, plans)
    grid, controls = train.task.grid, train.task.controls
    seasons = cell.brief.tariff.season_of_months(grid)
    ways = groupings_for(seasons, grid.months, controls.season_sets)
    begun = time.monotonic()
    found = find_settings(train.task, train.weather, cell.name, ways, EFFORTS[effort])
    took = time.monotonic() - begun
    hindsight = min(
        (
            fit(test.task, [test.year], groups, EFFORTS[effort].replays, [found.settings])
            for groups in ways[:2]
        ),
        key=lambda each: each.score,
    )
    none = no_windows(floor_of(cell))
    horizon = horizon_of(cell, test.year)
    hard = horizon_of(cell, test.year, HARD)

    def saved(settings: Settings, where: Horizon) -> float:
        return cost_of(cell, where, none) - cost_of(cell, where, settings)

    ours, best = saved(found.settings, horizon), saved(hindsight.settings("hindsight"), horizon)

    def saved_in_training(settings: Settings) -> float:
        there = horizon_of(cell, train.year)
        return cost_of(cell, there, none) - cost_of(cell, there, settings)

    typed = by_hand(floor_of(cell), train.year.load_kwh, grid, train.task.prices, saved_in_training)
    row = {
        "hand": max(saved(each, horizon) for each in typed.values()),
        "causal": max(ours, cost_of(cell, horizon, none) - causal_cost(cell, train, horizon)),
        "cell": cell.name, "seconds": took, "steps": grid.count,
        "entries": found.sizes[found.recommended].entries, "groups": len(found.groups),
        "bill": cost_of(cell, horizon, none), "ours": ours, "hindsight": best,
        "can_save": cost_of(cell, horizon, none) - test.plan_cost,
        "seen": found.sizes[found.recommended].seen, "told": found.sizes[found.recommended].unseen,
        "hard": saved(found.settings, hard), "settings": found.settings,
        "sizes": [(size.entries, saved(size.settings, horizon)) for size in found.sizes],
    }  # fmt: skip
    if rivals and (rivals / f"{cell.name}.yaml").exists():
        rival = read_settings(rivals / f"{cell.name}.yaml", controls, train.task.plant)
        row |= {"rival": saved(rival, horizon), "rival_hard": saved(rival, hard)}
    return row


def main() -> None:
    """Measure the cells and print a table."""
    words = argparse.ArgumentParser(description=__doc__)
    words.add_argument("data", type=Path)
    words.add_argument("--only", default="")
    words.add_argument("--effort", default="normal")
    words.add_argument("--plans", type=Path)
    words.add_argument("--rivals", type=Path)
    words.add_argument("--show", action="store_true", help="print the windows too")
    asked = words.parse_args()
    print(
        f"{'cell':36}{'s':>6}{'windows':>8}{'sets':>5}{'bill':>9}{'can':>8}{'ours':>8}{'hind':>8}"
        f"{'ratio':>7}{'hand':>8}{'gap':>7}{'causal':>8}{'ratio':>7}{'kept':>6}{'hard':>8}{'rival':>8}{'r.hard':>8}"
    )
    ratios = []
    for cell in cells(asked.data, asked.only):
        row = measured(cell, asked.effort, asked.plans, asked.rivals)
        ratio = row["ours"] / row["hindsight"] if row["hindsight"] > 0 else np.nan
        ratios.append(ratio)
        print(
            f"{row['cell']:36}{row['seconds']:6.1f}{row['entries']:8d}{row['groups']:5d}"
            f"{row['bill']:9.1f}{row['can_save']:8.1f}{row['ours']:8.1f}{row['hindsight']:8.1f}"
            f"{ratio:7.2f}{row['hand']:8.1f}{(row['ours'] - row['hand']) / row['can_save']:+7.2f}"
            f"{row['causal']:8.1f}{row['ours'] / row['causal'] if row['causal'] > 0 else 1:7.2f}"
            f"{row['ours'] / row['can_save']:6.2f}{row['hard']:8.1f}"
            f"{row.get('rival', np.nan):8.1f}{row.get('rival_hard', np.nan):8.1f}",
            flush=True,
        )
        if asked.show:
            print("    " + "; ".join(f"{size}: {saved:.1f}" for size, saved in row["sizes"]))
            for place in row["settings"].places():
                print("      ", row["settings"].sentence(place))
    print(f"mean ratio to hindsight {np.nanmean(ratios):.3f}, least {np.nanmin(ratios):.2f}")


if __name__ == "__main__":
    main()
