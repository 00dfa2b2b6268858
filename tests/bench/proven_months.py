"""Proves the best settings of single months of real sites, and holds the search against them.

    PYTHONPATH=. python tests/bench/proven_months.py FOLDER [--only WORDS] [--most-work 6e9]

FOLDER holds ``sites/*.csv.gz`` with columns timestamp, load and PV. Each line tells how far the best
settings are proven: within one per cent of what the cheapest plan could save; and what share of the
best saving the search of normal effort, which knows nothing of the proof, loses against them.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from optimizer.base.timegrid import calendar_months
from optimizer.billing.history import NO_HISTORY
from optimizer.billing.tariff import compile_cost, find_tariff, read_tariff
from optimizer.cost.expression import linear_cost
from optimizer.forecasting.weeks import Year
from optimizer.planning.plan import Plan, make_plan
from optimizer.scenario.scenario import Scenario, read_scenario
from optimizer.search.choose import EFFORTS
from optimizer.search.drafts import Drafts
from optimizer.search.fit import SEED
from optimizer.search.local_search import Search as LocalSearch
from optimizer.search.pricing import pricing_of
from optimizer.search.score import Season, Task
from optimizer.search.score_kernel import parts_of_the_bill
from optimizer.settings.controls import Controls
from tests.bench.proof.branch_and_bound import prove
from tests.bench.proof.labels import Ground
from tests.builders import posed

LEFTOVER = 0.10
"""Worth of a kWh left at the end of the month. [money per kWh]"""

SITES = {
    "heat pump": """
forecast: {folder}/sites/home_heatpump_ev_2016_60min.csv.gz
zone: Europe/Berlin
battery: {{capacity_kwh: 10, charge_kw: 5, discharge_kw: 5}}
inverter: {{ac_limit_kw: 8, efficiency_pct: 97}}
pv: {{coupling: ac}}
connection: {{import_limit_kw: 20, export_limit_kw: 8.5}}
""",
    "small PV": """
forecast: {folder}/sites/home_small_pv_2011_30min.csv.gz
zone: Australia/Sydney
battery: {{capacity_kwh: 10, charge_kw: 5, discharge_kw: 5}}
inverter: {{ac_limit_kw: 5, efficiency_pct: 97}}
pv: {{coupling: ac}}
connection: {{import_limit_kw: 15, export_limit_kw: 5}}
""",
    "sharp peaks": """
forecast: {folder}/sites/home_composite_a_2013_30min.csv.gz
zone: Australia/Sydney
battery: {{capacity_kwh: 12, charge_kw: 5, discharge_kw: 5}}
inverter: {{ac_limit_kw: 6, efficiency_pct: 97}}
pv: {{coupling: dc}}
connection: {{import_limit_kw: 15, export_limit_kw: 5}}
""",
    "office": """
forecast: {folder}/sites/office_2019_15min.csv.gz
zone: America/Los_Angeles
battery: {{capacity_kwh: 200, charge_kw: 80, discharge_kw: 80}}
inverter: {{ac_limit_kw: 80, efficiency_pct: 97}}
pv: {{coupling: ac}}
connection: {{import_limit_kw: 150, export_limit_kw: 80}}
""",
}

CONTROLS = {
    "one, cap": {"windows_per_day": 1, "soc_step_pct": 25, "power_step_kw": 2.5, "import_cap": True},
    "one, half": {
        "windows_per_day": 1, "soc_step_pct": 25, "power_step_kw": 2.5, "import_cap": True,
        "minutes": 30,
    },
    "one by day type": {
        "windows_per_day": 1, "soc_step_pct": 50, "power_step_kw": 5, "day_types": "weekday_weekend",
    },
    "two": {"windows_per_day": 2, "soc_step_pct": 50, "power_step_kw": 5},
    "two, no sell": {
        "windows_per_day": 2, "soc_step_pct": 25, "power_step_kw": 5,
        "actions": ["charge", "hold", "cover"],
    },
    "two, cap": {
        "windows_per_day": 2, "soc_step_pct": 50, "power_step_kw": 2.5, "import_cap": True,
        "actions": ["charge", "hold"],
    },
    "office": {"windows_per_day": 1, "soc_step_pct": 25, "power_step_kw": 40, "import_cap": True},
}  # fmt: skip

CASES = [
    *(("heat pump", "two_rates", month, "two") for month in (1, 4, 7, 10)),
    *(("heat pump", "peak_demand", month, "one, cap") for month in (1, 6, 11)),
    *(("heat pump", "evening_export", month, "two") for month in (3, 8)),
    ("heat pump", "two_rates", 3, "two, no sell"),
    ("heat pump", "two_rates", 3, "one by day type"),
    ("heat pump", "peak_demand", 1, "one by day type"),
    ("heat pump", "peak_demand", 2, "two, cap"),
    *(("small PV", "two_rates", month, "two") for month in (8, 12)),
    ("small PV", "peak_demand", 7, "one, cap"),
    ("small PV", "peak_demand", 10, "one, half"),
    ("small PV", "evening_export", 9, "one, half"),
    *(("sharp peaks", "peak_demand", month, "one, cap") for month in (2, 6)),
    ("sharp peaks", "two_rates", 6, "two"),
    ("sharp peaks", "evening_export", 9, "two"),
    ("sharp peaks", "two_rates", 11, "one by day type"),
    *(("office", "peak_demand", month, "office") for month in (2, 7)),
    ("office", "two_rates", 5, "office"),
]

Search = Callable[[Ground, Plan], Drafts]


@dataclass(frozen=True)
class Month:
    """A month of a site under a tariff: where settings are compared, and what the plan costs."""

    ground: Ground
    plan: Plan
    floor: float


def scenario_of(site: str, tariff: str, data: Path) -> Scenario:
    with tempfile.TemporaryDirectory() as folder:
        words = f"scenario: {site}\ntariff: {tariff}\n{SITES[site].format(folder=data)}"
        (Path(folder) / "scenario.yaml").write_text(words, encoding="utf-8")
        return read_scenario(Path(folder))


def month_of(scenario: Scenario, tariff_name: str, month: int, controls: Controls) -> Month:
    """Return the first whole run of a calendar month, as a site of its own."""
    forecast, plant = scenario.forecast, scenario.plant
    inside = np.flatnonzero(forecast.grid.month == month)
    inside = inside[: np.flatnonzero(np.diff(inside, append=-1) != 1)[0] + 1]
    grid = forecast.grid.part(int(inside[0]), len(inside))
    load, pv = forecast.load_kwh[inside], forecast.pv_kwh[inside]
    tariff = read_tariff(find_tariff(tariff_name, Path(), "the list of cases"))
    cost = compile_cost(tariff, grid, calendar_months(grid), NO_HISTORY)
    linear = linear_cost(cost.total, grid.count)
    problem = posed(grid, plant, load, pv, linear, plant.low_kwh, None, LEFTOVER)
    plan = make_plan(problem, cost)
    steps = np.arange(grid.count)
    ground = Ground(
        plant, controls, grid, steps, load, pv, plant.low_kwh, linear, plan.flows, LEFTOVER
    )
    return Month(ground, plan, floor_of(ground, plan))


def floor_of(ground: Ground, plan: Plan) -> float:
    """Return what the cheapest plan costs, as settings are priced."""
    flows = plan.flows
    c = pricing_of(ground.cost, flows, ground.plant, ground.leftover, ground.steps)
    energy = float(c.buy @ flows.import_kwh - c.sell @ flows.export_kwh)
    if len(c.less_for_stored):
        energy += float(c.less_for_stored @ flows.stored_export_kwh)
    wear = c.wear * float(flows.discharge_kwh.sum())
    parts = parts_of_the_bill(
        flows.import_kwh.copy(), flows.export_kwh.copy(), flows.stored_export_kwh.copy(), c
    )
    left = float(plan.stored_kwh[-1]) - ground.start_kwh
    return energy + wear + float(parts) - ground.leftover * left


def searched(ground: Ground, plan: Plan) -> Drafts:
    """Return what the search of normal effort finds on these steps alone."""
    cost = ground.cost
    prices = plan.step_prices
    task = Task(
        plan.problem.horizon, ground.controls, cost, plan.flows, plan.stored_kwh, prices,
        ground.leftover, 0.0,
    )  # fmt: skip
    year = Year(ground.load_kwh, ground.pv_kwh, 1.0, tuple(ground.grid.dates))
    season = Season(task, ground.grid.months, [year], [plan.flows])
    return LocalSearch(season, EFFORTS["normal"].replays, SEED).best()


def main(search: Search | None = searched) -> None:
    options = argparse.ArgumentParser()
    options.add_argument("folder", type=Path, nargs="?")
    options.add_argument("--only", default="", help="cases whose line has these words")
    options.add_argument("--most-work", type=float, default=6e9, help="replayed steps a case")
    given = options.parse_args()
    if given.folder is None:
        print("no folder of real data is given: nothing to prove")
        return
    proven, lost = 0, list[float]()
    print(
        f"{'case':<42}{'settings':>10}{'nodes':>7}{'replays':>9}{'work/1e6':>9}{'s':>6}"
        f"{'none':>9}{'best':>9}{'bound':>9}{'plan':>9}{'kept':>6}  proven"
    )
    for site, tariff, month, name in CASES:
        words = f"{site}, {tariff}, {month}: {name}"
        if given.only not in words:
            continue
        chosen = {"day_types": "every_day", "minutes": 60} | CONTROLS[name]
        case = month_of(
            scenario_of(site, tariff, given.folder), tariff, month, Controls.model_validate(chosen)
        )
        none = prove(case.ground, [], most_work=1).cost
        can_save = none - case.floor
        begun = time.perf_counter()
        found = prove(
            case.ground, [], most_work=int(given.most_work), good_enough=0.01 * can_save,
            floor_bound=case.floor,
        )  # fmt: skip
        took = time.perf_counter() - begun
        is_proven = found.gap <= 0.0101 * can_save
        proven += is_proven
        line = (
            f"{words:<42}{found.settings:>10.3g}{found.nodes:>7}{found.replays:>9}"
            f"{found.work / 1e6:>9.0f}{took:>6.1f}{none:>9.2f}{found.cost:>9.2f}"
            f"{found.bound:>9.2f}{case.floor:>9.2f}{(none - found.cost) / can_save:>6.0%}"
            f"  {'yes' if is_proven else 'no'}"
        )
        if search is not None:
            begun = time.perf_counter()
            cost = prove(case.ground, [search(case.ground, case.plan)], most_work=1).cost
            took = time.perf_counter() - begun
            lost.append((cost - found.cost) / max(none - found.cost, 1e-9))
            line += f"  search loses {lost[-1]:.2%} in {took:.1f} s"
        print(line, flush=True)
    print(f"{proven} of the cases are proven within 1 % of what could be saved")
    if lost:
        print(
            f"search within 1 %: {sum(x <= 0.01 for x in lost)} of {len(lost)}, worst {max(lost):.2%}"
        )


if __name__ == "__main__":
    sys.exit(main())
