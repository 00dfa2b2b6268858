"""Measures the yardstick without foresight: what it saves on weeks kept back, and how long it takes.

    PYTHONPATH=. python tests/bench/without_foresight.py [DATA] [--only TEXT]

Three demos, and the cells of ``cells.py``. Windows are found with normal effort. Seconds are of the
processor, of a second run, beside the plain linear program of ``plain_lp.py`` in the same process.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

from optimizer.base.progress import quiet
from optimizer.evaluation.comparison import Judge
from optimizer.evaluation.out_of_sample import AS_METERED
from optimizer.evaluation.without_foresight import without_foresight
from optimizer.planning.plan import make_plan
from optimizer.scenario.brief import Brief, read_brief
from optimizer.simulation.replay import replay
from optimizer.workflows.inputs import horizon_of, problem_of, task_of
from optimizer.workflows.solve import DEFAULT_TIME_LIMIT_S, cheapest_plan, windows_for
from tests.bench.cells import cells
from tests.bench.plain_lp import plain_cost

DEMOS = ("1_two_rates", "2_peak_demand", "3_evening_export")


def sites(data: Path | None, wanted: str) -> Iterator[tuple[str, Brief]]:
    """Yield the demos, then the cells whose names hold a text."""
    for demo in DEMOS:
        if wanted in demo:
            yield demo, read_brief(Path("scenarios") / demo)
    for cell in cells(data, wanted) if data else ():
        yield cell.name, cell.brief


def saved_by_plans(brief: Brief, judge: Judge) -> float:
    """Return what plans of the weeks of each fold save over no windows, as metered, in the mean. [money]"""
    horizon, plan, saved = horizon_of(brief), judge.plan, list[float]()
    for fold in (0, 1):
        year = brief.weather.year(AS_METERED, fold, np.random.default_rng(0))
        there = horizon.with_weather(year.load_kwh, year.pv_kwh)
        planned = make_plan(plan.problem.on(load_kwh=year.load_kwh, pv_kwh=year.pv_kwh), brief.cost)
        left = judge.end_worth * (planned.stored_kwh[-1] - plan.stored_kwh[-1])
        saved.append(judge.cost_of(replay(there, there.plain())) - planned.cost + left)
    return float(np.mean(saved))


def row(name: str, brief: Brief) -> str:
    """Return a row of the table."""
    plan = cheapest_plan(brief, DEFAULT_TIME_LIMIT_S, quiet)
    found = windows_for(brief, task_of(brief, plan), "normal", None, quiet)
    judge, horizon = Judge(brief.cost, plan), horizon_of(brief)
    ours = (found.fitted_on, brief.weather, judge, horizon)
    without_foresight(*ours)
    begun = time.process_time()
    best = without_foresight(*ours)
    seconds = time.process_time() - begun
    begun = time.process_time()
    plain_cost(problem_of(brief))
    ratio = seconds / (time.process_time() - begun)
    can_save = saved_by_plans(brief, judge)
    if best is None or best.kept_share is None:
        return f"| {name} | none | | | | | |"
    return (
        f"| {name} | {can_save:.1f} | {best.control:.1f} | {best.windows:.1f} |"
        f" {best.windows / can_save:.0%} | {best.kept_share:.0%} | {seconds:.2f} ({ratio:.2f}) |"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("data", type=Path, nargs="?")
    parser.add_argument("--only", default="")
    asked = parser.parse_args()
    print("| site | plan saves | control | windows | ÷ plan | ÷ best | s (÷ plain program) |")
    print("|---|---|---|---|---|---|---|")
    for name, brief in sites(asked.data, asked.only):
        print(row(name, brief), flush=True)


if __name__ == "__main__":
    main()
