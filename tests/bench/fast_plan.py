"""Measures the plan: against the plain linear program, warm, growing, and always the same plan.

    PYTHONPATH=. python tests/bench/fast_plan.py [DATA] [--rounds 5] [--once]

DATA holds ``sites/*.csv.gz`` and ``prices/*.csv``; without it one invented site stands for all. Both
ways begin with the same problem in memory and end with the optimum; runs are interleaved and medians
told, because machines are shared and noisy. ``--once`` is for seeing that all runs and nothing is
far off: it stops where a figure misses its bar twice over.
"""

from __future__ import annotations

import argparse
import json
import math
import os
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import highspy
import numpy as np
import pandas as pd

from optimizer.base.timegrid import (
    BoolArray,
    FloatArray,
    TimeGrid,
    calendar_months,
    interval_of_step,
)
from optimizer.cost.expression import FlowSum, LinearCost, Peak, Scale, Sum, linear_cost
from optimizer.planning.linear import LinearSolver
from optimizer.planning.matrix import matrix_of
from optimizer.planning.problem import Limits, Problem
from optimizer.planning.solver import Solution
from optimizer.site.equipment import (
    Battery,
    Connection,
    Inverter,
    Permissions,
    Photovoltaic,
    Plant,
)
from tests.bench.cells import SITES, brief_of
from tests.bench.plain_lp import plain_cost
from tests.builders import posed

BARS = {60: 0.8, 15: 0.5}
"""A year of hours and of quarter-hours may take this share of the plain program's time."""

SAME_OPTIMUM = 1e-9
SAME_KW = 1e-6
WARM_BAR = 10.0
GROWTH_BAR = 1.3
VERSIONS = ("1.15.1", "1.16.0")
HELP_BAR_S = 0.4
DEMO_BAR_S = 6.0
TARIFFS = ("two rates", "weekday evenings", "one price", "day-ahead prices")

Column = tuple[FloatArray, FloatArray]


# --- what is planned ------------------------------------------------------------------------------


def invented_year(minutes: int, days: int = 365) -> tuple[TimeGrid, FloatArray, FloatArray]:
    """Return a grid, load and PV that no site had, with a fixed seed."""
    grid = TimeGrid(datetime(2025, 1, 1, tzinfo=UTC), minutes, days * 1440 // minutes, "UTC")
    luck = np.random.default_rng(1)
    hour, day = grid.minute_of_day / 60, grid.day
    sky = luck.uniform(0.2, 1.0, int(day[-1]) + 1)[day] * luck.uniform(0.7, 1.0, grid.count)
    season = 1 - 0.6 * np.cos(2 * np.pi * (day - 10) / 365)
    sun = np.maximum(np.sin((hour - 6) / 12 * np.pi), 0) * sky * season
    evening = 1 + 2 * np.exp(-(((hour - 19) / 2.5) ** 2))
    return grid, 0.5 * evening * luck.gamma(2, 0.5, grid.count) * grid.step_h, 4 * sun * grid.step_h


def metered_year(data: Path, site: str, minutes: int) -> tuple[TimeGrid, FloatArray, FloatArray]:
    """Return grid, load and PV of a site in other steps; load within finer steps is drawn."""
    with tempfile.TemporaryDirectory() as folder:
        forecast = brief_of(data, SITES[site], "two_rates", Path(folder)).scenario.forecast
    grid, load, pv = forecast.grid, forecast.load_kwh, forecast.pv_kwh
    if minutes > grid.step_minutes:
        many = minutes // grid.step_minutes
        whole = grid.count // many * many
        load, pv = (series[:whole].reshape(-1, many).sum(1) for series in (load, pv))
    elif minutes < grid.step_minutes:
        many = grid.step_minutes // minutes
        share = np.random.default_rng(3).gamma(4, 1, (grid.count, many))
        load = (load[:, None] * share / share.sum(1, keepdims=True)).ravel()
        pv = np.repeat(pv / many, many)
    return TimeGrid(grid.start, minutes, len(load), grid.zone), load, pv


def demand_of_months(
    grid: TimeGrid, per_kw: float, minutes: int, counted: BoolArray
) -> Iterator[Scale]:
    """Yield a demand charge for every month."""
    interval, months = interval_of_step(grid, minutes), calendar_months(grid)
    for number in range(len(months.periods)):
        inside = np.flatnonzero((months.of_step == number) & counted)
        if len(inside):
            _, numbered = np.unique(interval[inside], return_inverse=True)
            yield Scale(per_kw, Peak("import_kwh", inside, numbered, grid.step_h))


def tariff(grid: TimeGrid, name: str, prices: FloatArray | None = None) -> LinearCost:
    """Return one of four invented tariffs, each with a demand charge for every month."""
    hour, always = grid.minute_of_day / 60, np.ones(grid.count, dtype=bool)
    evening = (hour >= 16) & (hour < 21)
    minutes = max(15, grid.step_minutes)
    if name == "two rates":
        buy, sell, charge = np.where(evening, 0.40, 0.15), 0.05, (10.0, always)
    elif name == "weekday evenings":
        dear = evening & (grid.local.day_of_week.to_numpy() < 5)
        buy, sell, charge = np.where(dear, 0.19, 0.075), 0.045, (11.5, dear)
    elif name == "one price":
        buy, sell, charge = np.full(grid.count, 0.115), 0.04, (14.0, always)
    else:
        if prices is None:
            prices = np.random.default_rng(5).normal(0.05, 0.02, 366 * 24)
        days = (grid.local.tz_localize(None).normalize() - pd.Timestamp("2017-01-01")).days
        buy = prices[(days.to_numpy() % 364) * 24 + hour.astype(int)] * 1.19 + 0.16
        buy, sell, charge = np.maximum(buy, 0.08), 0.07, (5.0, always)
    steps = np.arange(grid.count)
    demand = demand_of_months(grid, charge[0], minutes, charge[1])
    exported = FlowSum("export_kwh", steps, np.ones(grid.count))
    bought = FlowSum("import_kwh", steps, buy)
    return linear_cost(Sum((bought, Scale(-sell, exported), *demand)), grid.count)


def plant_of(site: str, coupling: str) -> Plant:
    """Return the invented equipment of a site."""
    given = SITES[site]
    return Plant.of(
        Battery(capacity_kwh=given.battery_kwh, charge_kw=given.battery_kw,
                discharge_kw=given.battery_kw),
        Inverter(ac_limit_kw=given.inverter_kw, efficiency_pct=97),
        Photovoltaic(coupling="dc" if coupling == "dc" else "ac"),
        Connection(import_limit_kw=given.import_kw, export_limit_kw=given.export_kw),
        Permissions(), 10,
    )  # fmt: skip


def problem_of(
    year: tuple[TimeGrid, FloatArray, FloatArray], plant: Plant, cost: LinearCost
) -> Problem:
    """Return the problem of a year that ends as it begins."""
    grid, load, pv = year
    return posed(grid, plant, load, pv, cost, plant.low_kwh, plant.low_kwh)


def problems(data: Path | None, minutes: int) -> Iterator[tuple[str, Problem]]:
    """Yield the cells: every site on every tariff; hybrids of the sites that are hybrids as well."""
    if data is None:
        year = invented_year(minutes)
        for coupling in ("ac", "dc"):
            plant = plant_of("composite a", coupling)
            for name in TARIFFS[:1] if coupling == "dc" else TARIFFS:
                yield (
                    f"invented ({coupling}), {name}",
                    problem_of(year, plant, tariff(year[0], name)),
                )
        return
    table = pd.read_csv(next((data / "prices").glob("*.csv")))
    prices = table["price_eur_per_mwh"].to_numpy() / 1000
    for site, given in SITES.items():
        year = metered_year(data, site, minutes)
        for name in TARIFFS:
            cost = tariff(year[0], name, prices)
            for coupling in dict.fromkeys(("ac", given.coupling)):
                yield (
                    f"{site} ({coupling}), {name}",
                    problem_of(year, plant_of(site, coupling), cost),
                )


# --- measuring ------------------------------------------------------------------------------------


def solved(problem: Problem, solver: LinearSolver | None = None) -> Solution:
    """Model, hand-over and solve, as a plan does it."""
    matrix = matrix_of(problem, Limits.of(problem), {})
    return (solver or LinearSolver()).solve(matrix, lambda: 600.0)


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    """Return the seconds that some work takes, and its result."""
    begun = time.perf_counter()
    result = work()
    return time.perf_counter() - begun, result


class Verdict:
    """Which bars are held; with ``--once`` missing one twice over ends the run."""

    def __init__(self, strict: bool) -> None:
        self._strict = strict
        self.missed: list[str] = []

    def bar(self, what: str, value: float, most: float, slack: float = 2.0) -> str:
        """Return the word for a figure that should be at most so much."""
        if value <= most:
            return "held"
        self.missed.append(what)
        if self._strict and value > slack * most:
            raise SystemExit(f"{what}: {value:.3g}, far above the bar of {most:g}")
        return "MISSED"


def compare_with_plain(data: Path | None, minutes: int, rounds: int, verdict: Verdict) -> None:
    """Compare every cell with the plain program: time, and the same optimum."""
    ratios = []
    for name, problem in problems(data, minutes):
        ours, plain, worst = [], [], 0.0
        for _ in range(rounds):
            took, least = timed(lambda p=problem: plain_cost(p))
            plain.append(took)
            took, found = timed(lambda p=problem: solved(p))
            ours.append(took)
            worst = max(worst, abs(found.objective - least) / max(abs(least), 1.0))
        if worst > SAME_OPTIMUM:
            raise SystemExit(f"{name}: the two optima differ by {worst:.1e} of the cost")
        ratio = statistics.median(a / b for a, b in zip(ours, plain, strict=True))
        ratios.append(ratio)
        print(
            f"{minutes}-min year, {name}: {statistics.median(ours):.2f} s, plain"
            f" {statistics.median(plain):.2f} s, ratio {ratio:.2f}, optimum equal to {worst:.0e}",
            flush=True,
        )
    most = max(ratios)
    print(
        f"{minutes}-min year: ratio to the plain program {min(ratios):.2f} to {most:.2f}, median"
        f" {statistics.median(ratios):.2f}; bar {BARS[minutes]}"
        f" {verdict.bar(f'{minutes}-min ratio', most, BARS[minutes])} (medians of {rounds})"
    )


def compare_memory(minutes: int) -> None:
    """Compare the peak memory of either way in a process of its own."""
    found = {}
    for way in ("nothing", "plain", "ours"):
        found[way] = json.loads(_in_process(["--memory", way, "--minutes", str(minutes)]))
    print(
        f"peak memory, {minutes}-min year: ours {found['ours']:.0f} MB, plain {found['plain']:.0f}"
        f" MB, with nothing solved {found['nothing']:.0f} MB"
    )


def tell_memory(way: str, minutes: int) -> None:
    """Print the peak memory after one solve. [MB]"""
    problem = next(iter(problems(None, minutes)))[1]
    {"nothing": lambda _p: 0.0, "plain": plain_cost, "ours": solved}[way](problem)
    status = Path("/proc/self/status").read_text()  # unlike getrusage it forgets who started us
    peak_kb = next(line for line in status.splitlines() if line.startswith("VmHWM")).split()[1]
    print(json.dumps(int(peak_kb) / 1024))


def measure_growth(rounds: int, verdict: Verdict) -> None:
    """Fit the exponent by which time grows from a month to three years of quarter-hours."""
    plant = plant_of("composite a", "ac")
    took = {}
    for days in (31, 92, 365, 1096):
        year = invented_year(15, days)
        problem = problem_of(year, plant, tariff(year[0], "two rates"))
        took[days] = statistics.median(timed(lambda p=problem: solved(p))[0] for _ in range(rounds))
    exponent = float(np.polyfit(np.log(list(took)), np.log(list(took.values())), 1)[0])
    ends = math.log(took[1096] / took[31]) / math.log(1096 / 31)
    told = ", ".join(f"{days} days {seconds:.2f} s" for days, seconds in took.items())
    print(
        f"growth of quarter-hours: {told}; exponent {exponent:.2f} fitted, {ends:.2f} from end to"
        f" end; bar {GROWTH_BAR} {verdict.bar('growth', ends, GROWTH_BAR)}"
    )


def changed_sizes(problem: Problem, count: int) -> Iterator[Problem]:
    """Yield the problem with batteries from half to twice the size."""
    plant = problem.plant
    for factor in np.geomspace(0.5, 2.0, count):
        high = plant.low_kwh + factor * (plant.high_kwh - plant.low_kwh)
        yield problem.on(plant=replace(plant, high_kwh=high, capacity_kwh=high))


def changed_prices(problem: Problem, count: int) -> Iterator[Problem]:
    """Yield the problem with every price level of import changed by up to a quarter."""
    luck = np.random.default_rng(7)
    buy = problem.cost.weight("import_kwh")
    levels, of_step = np.unique(np.round(buy, 2), return_inverse=True)
    for _ in range(count):
        factor = luck.uniform(0.75, 1.25, len(levels))[of_step]
        weights = dict(problem.cost.total.weights)
        weights["import_kwh"] = (np.arange(len(buy)), buy * factor)
        total = replace(problem.cost.total, weights=weights)
        yield replace(problem, cost=replace(problem.cost, total=total))


def compare_warm(data: Path | None, minutes: int, count: int, cold: int, verdict: Verdict) -> None:
    """Compare solving again with solving anew, and see that both give the same plan.

    Of the cold solves only some are run where all would take too long; their mean stands for all.
    """
    name, problem = next(iter(problems(data, minutes)))
    for what, changed in (("sizes", changed_sizes), ("prices", changed_prices)):
        kept = LinearSolver()
        solved(problem, kept)
        warm, ours, plain, apart = [], [], [], 0.0
        every = max(count // cold, 1)
        for number, other in enumerate(changed(problem, count)):
            took, again = timed(lambda o=other, k=kept: solved(o, k))
            warm.append(took)
            if number % every:
                continue
            took, anew = timed(lambda o=other: solved(o))
            ours.append(took)
            plain.append(timed(lambda o=other: plain_cost(o))[0])
            apart = max(apart, _apart_kw(problem, again, anew))
        mean = statistics.fmean(warm)
        by_plain, by_ours = statistics.fmean(plain) / mean, statistics.fmean(ours) / mean
        print(
            f"{count} {what} in a {minutes}-min year of {name}: again {1000 * mean:.0f} ms each,"
            f" anew {1000 * statistics.fmean(ours):.0f} ms ({by_ours:.1f} times), plain"
            f" {1000 * statistics.fmean(plain):.0f} ms ({by_plain:.1f} times; {len(ours)} of them"
            f" run); bar {WARM_BAR:.0f} times plain"
            f" {verdict.bar(f'warm {what}', WARM_BAR / by_plain, 1.0)};"
            f" plans apart by {apart:.0e} kW {verdict.bar('cold and warm', apart, SAME_KW, 1.0)}",
            flush=True,
        )


def _apart_kw(problem: Problem, first: Solution, second: Solution) -> float:
    flows = 8 * problem.grid.count
    return float(np.abs(first.value[:flows] - second.value[:flows]).max()) / problem.grid.step_h


def compare_versions(data: Path | None, verdict: Verdict) -> None:
    """Compare the plans of two versions of the solver, the other one installed for the moment."""
    here = highspy.Highs().version()
    other = next(version for version in VERSIONS if version != here)
    with tempfile.TemporaryDirectory() as folder:
        install = [sys.executable, "-m", "pip", "install", "-q", "--no-deps", "--target", folder]
        if subprocess.run([*install, f"highspy=={other}"], check=False).returncode:
            raise SystemExit(f"highspy {other} could not be installed to compare with")
        saved = Path(folder) / "plans.npz"
        arguments = ["--save", str(saved), *([str(data)] if data else [])]
        told = _in_process(arguments, {"PYTHONPATH": f"{folder}{os.pathsep}."})
        if told.strip() != other:
            raise SystemExit(f"meant to run highspy {other}, but {told.strip()} ran")
        theirs = np.load(saved)
        apart = 0.0
        for name, problem in problems(data, 60):
            mine = solved(problem).value[: 8 * problem.grid.count]
            apart = max(apart, float(np.abs(mine - theirs[name]).max()) / problem.grid.step_h)
    print(
        f"plans of {len(theirs.files)} cells with highspy {here} and {other}: apart by {apart:.0e}"
        f" kW, bar {SAME_KW:g} {verdict.bar('versions', apart, SAME_KW, 1.0)}"
    )


def save_plans(data: Path | None, path: Path) -> None:
    """Save the plans of all cells and print the solver's version."""
    np.savez(path, **{  # type: ignore[arg-type]
        name: solved(problem).value[: 8 * problem.grid.count]
        for name, problem in problems(data, 60)
    })  # fmt: skip
    print(highspy.Highs().version())


def _in_process(arguments: list[str], environment: dict[str, str] | None = None) -> str:
    command = [sys.executable, __file__, *arguments]
    variables = os.environ | {"PYTHONPATH": "."} | (environment or {})
    done = subprocess.run(command, check=True, capture_output=True, text=True, env=variables)
    return done.stdout.splitlines()[-1]


def measure_help(rounds: int, verdict: Verdict) -> None:
    """Measure the processor time of ``--help``."""
    command = [sys.executable, "-c", "from optimizer.cli.app import main; main()", "--help"]
    took = []
    for _ in range(rounds):
        before = resource.getrusage(resource.RUSAGE_CHILDREN)
        subprocess.run(command, check=True, capture_output=True)
        after = resource.getrusage(resource.RUSAGE_CHILDREN)
        took.append(after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime)
    seconds = statistics.median(took)
    print(
        f"--help: {seconds:.2f} s of processor time, bar {HELP_BAR_S}"
        f" {verdict.bar('help', seconds, HELP_BAR_S)}"
    )


def measure_demo(rounds: int, verdict: Verdict) -> None:
    """Measure `plan` of the first demo from start to finish, with nothing compiled and later."""
    command = [sys.executable, "-c", "from optimizer.cli.app import main; main()", "plan"]
    for name, cache in (("first run, nothing compiled", None), ("later runs", "kept")):
        times = []
        with tempfile.TemporaryDirectory() as kept:
            for number in range(1 if cache is None else rounds + 1):
                with tempfile.TemporaryDirectory() as folder:
                    home = kept if cache else folder
                    environment = os.environ | {"NUMBA_CACHE_DIR": home}
                    arguments = [*command, "--out", str(Path(folder) / "out")]
                    took, _ = timed(
                        lambda a=arguments, e=environment: subprocess.run(
                            a, check=True, capture_output=True, env=e
                        )
                    )
                    if cache is None or number:
                        times.append(took)
        seconds = statistics.median(times)
        held = f", bar {DEMO_BAR_S:g} {verdict.bar('demo', seconds, DEMO_BAR_S)}" if cache else ""
        print(f"plan of the first demo, start to finish, {name}: {seconds:.1f} s{held}")


def main() -> None:
    options = argparse.ArgumentParser()
    options.add_argument("data", type=Path, nargs="?")
    options.add_argument("--rounds", type=int, default=5)
    options.add_argument("--once", action="store_true", help="one round, only to see that it runs")
    options.add_argument("--memory", choices=["nothing", "plain", "ours"], help=argparse.SUPPRESS)
    options.add_argument("--minutes", type=int, default=15, help=argparse.SUPPRESS)
    options.add_argument("--save", type=Path, help=argparse.SUPPRESS)
    given = options.parse_args()
    if given.memory:
        tell_memory(given.memory, given.minutes)
        return
    if given.save:
        save_plans(given.data, given.save)
        return
    rounds = 1 if given.once else given.rounds
    verdict = Verdict(given.once)
    print(f"{os.cpu_count()} cores")
    compare_with_plain(given.data, 60, rounds, verdict)
    compare_with_plain(given.data, 15, rounds, verdict)
    compare_memory(60)
    compare_memory(15)
    measure_growth(rounds, verdict)
    compare_warm(given.data, 60, 10 if given.once else 100, 2 if given.once else 100, verdict)
    if not given.once:
        compare_warm(given.data, 15, 100, 5, verdict)
    compare_versions(given.data, verdict)
    measure_help(rounds, verdict)
    measure_demo(rounds, verdict)
    print(f"missed: {', '.join(verdict.missed) or 'nothing'}")


if __name__ == "__main__":
    main()
