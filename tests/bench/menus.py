"""Measures what menus keep of the saving, from poor to rich: eight descriptions on demos and real sites.

    PYTHONPATH=. python tests/bench/menus.py [DATA] [--effort quick] [--menus 1,2]

Without DATA the first three demos; with it three metered homes on two invented tariffs besides. Each
figure is what the recommended windows save a year on weeks that such windows were not fitted to, in money,
and its share of what the cheapest plan saves. The plan of a site is made once for all menus.
"""

from __future__ import annotations

import argparse
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

from optimizer.base.progress import quiet
from optimizer.scenario.brief import Brief, read_brief
from optimizer.settings.check import refusals
from optimizer.workflows.inputs import task_of
from optimizer.workflows.solve import DEFAULT_TIME_LIMIT_S, cheapest_plan, windows_for
from tests.bench.cells import SITES, brief_of
from tests.laws.cases import SOURCE
from tests.menus import MENUS, controls_of, told

DEMOS = ("1_two_rates", "2_peak_demand", "3_evening_export")
METERED = ("heat pump and car", "small PV", "composite a")
TARIFFS = ("two_rates", "any_time_demand")


def briefs(data: Path | None) -> Iterator[tuple[str, Brief]]:
    """Yield the sites by name."""
    for demo in DEMOS:
        yield f"demo {demo[0]}", read_brief(Path(__file__).parents[2] / "scenarios" / demo)
    for site in METERED if data else ():
        for tariff in TARIFFS:
            with tempfile.TemporaryDirectory() as folder:
                assert data is not None
                yield f"{site}, {tariff}", brief_of(data, SITES[site], tariff, Path(folder))


def main() -> None:
    """Print a row for each site, and the menus as columns."""
    parser = argparse.ArgumentParser()
    parser.add_argument("data", type=Path, nargs="?")
    parser.add_argument("--effort", default="quick")
    parser.add_argument("--menus", default=",".join(map(str, MENUS)))
    asked = parser.parse_args()
    numbers = [int(number) for number in asked.menus.split(",")]
    for number in numbers:
        print(f"menu {number}: {told(number)}")
    print("\n| site | plan saves |" + "".join(f" {number} |" for number in numbers), flush=True)
    for name, brief in briefs(asked.data):
        plan = cheapest_plan(brief, DEFAULT_TIME_LIMIT_S, quiet)
        task = task_of(brief, plan)
        row = f"| {name} | {task.can_save:,.0f} |"
        began = time.process_time()
        for number in numbers:
            controls = controls_of(number)
            found = windows_for(
                brief_with(brief, number),
                replace(task, controls=controls),
                asked.effort,
                None,
                quiet,
            )
            size = found.sizes[found.recommended]
            assert not refusals(size.settings, controls, brief.scenario.plant, SOURCE)
            row += (
                f" {size.counted_on:,.0f} ({size.counted_on / task.can_save:.2f}, {size.entries}) |"
            )
        print(row, f"{time.process_time() - began:.0f} s", flush=True)


def brief_with(brief: Brief, number: int) -> Brief:
    """Return a site whose equipment has one of the menus."""
    file = brief.scenario.file.model_copy(update={"controls": controls_of(number)})
    return replace(brief, scenario=replace(brief.scenario, file=file))


if __name__ == "__main__":
    main()
