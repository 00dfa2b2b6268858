"""Measures a second card for dark days: what it saves on weeks kept back, beside a coin and a perfect forecast.

    PYTHONPATH=. python tests/bench/second_card.py [DATA] [--only TEXT]

The first and third demo, and the cells of ``cells.py`` on two rates and on evening export. Windows are found with
normal effort. Savings are over no windows, in the mean of the years in which two cards are judged; shares are of what
plans of the weeks kept back save, as metered. Seconds are of the processor, of a second run, beside those of the search
for one card.
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
from optimizer.evaluation.second_card import DRAWS, YEARS, second_card
from optimizer.scenario.brief import Brief, read_brief
from optimizer.workflows.inputs import horizon_of, task_of
from optimizer.workflows.solve import DEFAULT_TIME_LIMIT_S, cheapest_plan, windows_for
from tests.bench.cells import cells
from tests.bench.without_foresight import saved_by_plans

DEMOS = ("1_two_rates", "3_evening_export")
TARIFFS = ("two_rates", "evening_export")
METERED = np.tile([variant is AS_METERED for variant in YEARS for _ in range(DRAWS)], 2)
"""Which of the trials, of both folds, are of weeks as metered."""


def sites(data: Path | None, wanted: str) -> Iterator[tuple[str, Brief]]:
    """Yield the demos, then the cells whose names hold a text."""
    for demo in DEMOS:
        if wanted in demo:
            yield demo, read_brief(Path("scenarios") / demo)
    for cell in cells(data, wanted) if data else ():
        if cell.tariff in TARIFFS:
            yield cell.name, cell.brief


def row(name: str, brief: Brief) -> str:
    """Return a row of the table."""
    plan = cheapest_plan(brief, DEFAULT_TIME_LIMIT_S, quiet)
    task, horizon, judge = task_of(brief, plan), horizon_of(brief), Judge(brief.cost, plan)
    begun = time.process_time()
    found = windows_for(brief, task, "normal", None, quiet)
    search_s = time.process_time() - begun
    second_card(found, task, brief.weather, judge, horizon)
    begun = time.process_time()
    second = second_card(found, task, brief.weather, judge, horizon)
    seconds = time.process_time() - begun
    can_save = saved_by_plans(brief, judge)
    if second is None:
        return f"| {name} | nothing tried | | | | | | | | |"
    judged = second.judged
    trials = (judged.one, judged.two, judged.coin, judged.perfect)
    one, two, coin, perfect = (float(np.mean(each)) for each in trials)
    as_metered = [np.mean(np.array(each)[METERED]) / can_save for each in trials]
    shares = " → ".join(f"{share:.1%}" for share in as_metered[:2])
    told = "yes" if second.cards is not None else "no"
    return (
        f"| {name} | {one:.1f} | {two:.1f} | {coin:.1f} | {perfect:.1f} | {shares} |"
        f" {second.spread.p10:+.1f} to {second.spread.p90:+.1f} | {second.asked:.1f} | {told} |"
        f" {seconds:.1f} ({search_s:.1f}) |"
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("data", type=Path, nargs="?")
    parser.add_argument("--only", default="")
    asked = parser.parse_args()
    print(
        "| site | one card | two | coin | perfect forecast | ÷ plan, one → two | two − one, P10 to P90 |"
        " asked | recommended | s (search) |"
    )
    print("|---|---|---|---|---|---|---|---|---|---|")
    for name, brief in sites(asked.data, asked.only):
        print(row(name, brief), flush=True)


if __name__ == "__main__":
    main()
