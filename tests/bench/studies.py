"""Measures a study of 500 year-long hourly cases against planning each of them afresh.

    PYTHONPATH=. python tests/bench/studies.py DATA [--sizes 20] [--sample 2] [--only PART]

DATA holds ``sites/*.csv.gz``, which are brought to hours. Five sites, five tariffs, so many sizes; all in
one run: the study on two processes, a sample of its cases planned afresh as ``plan`` does it (reading,
cold linear program, search of the same effort, bills), how time grows with cases, memory, one Dask worker
against two, and the linear programs alone cold, warm, from a base and by an interior point method.
"""

from __future__ import annotations

import argparse
import gzip
import os
import statistics
import sys
import tempfile
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd

from optimizer.economics.best_size import BestSize, Planned, best_size
from optimizer.planning.linear import LinearSolver
from optimizer.planning.matrix import matrix_of
from optimizer.planning.plan import make_plan
from optimizer.planning.problem import Limits
from optimizer.planning.solver import _loaded
from optimizer.planning.tangent import bigger_battery, bigger_inverter, resized
from optimizer.scenario.brief import Brief, read_brief
from optimizer.simulation.replay import replay
from optimizer.studies.cases import Run, Study, read_study
from optimizer.studies.estimate import extent_of
from optimizer.studies.run import run_study
from optimizer.workflows.inputs import problem_of, task_of
from optimizer.workflows.results import outcome_of
from optimizer.workflows.solve import cheapest_plan, make_ready, windows_for
from tests.bench.cells import ANY_TIME, SITES

LITTLE = 1e-3
"""By how much more a size is planned for its slope. [kWh, kW]"""

TARIFFS = ("two_rates", "peak_demand", "evening_export", "any_time.yaml", "net_billing")


def silent(_text: str) -> None:
    """Tell nothing."""


def prepare(data: Path, folder: Path, sizes: int) -> Path:
    """Write five hourly scenarios and a study of them; return the study file."""
    (folder / "any_time.yaml").write_text(ANY_TIME.format(minutes=60))
    names = []
    for site in SITES.values():
        own = folder / site.file
        own.mkdir(parents=True)
        with gzip.open(data / "sites" / f"{site.file}.csv.gz", "rt") as lines:
            table = pd.read_csv(lines)
        stamp = pd.to_datetime(table["timestamp"], utc=True)
        columns = [name for name in table.columns if name.endswith(("_kwh", "_kw"))]
        how = {name: "sum" if name.endswith("_kwh") else "mean" for name in columns}
        hourly = table[columns].groupby(stamp.dt.floor("h")).agg(how)
        hourly.index = [each.isoformat() for each in hourly.index.tz_convert(site.zone)]
        hourly.to_csv(own / "forecast.csv", index_label="time")
        (own / "scenario.yaml").write_text(f"""\
scenario: {site.file}
zone: {site.zone}
forecast: forecast.csv
tariff: two_rates
battery: {{capacity_kwh: {site.battery_kwh}, charge_kw: {site.battery_kw},
  discharge_kw: {site.battery_kw}, floor_pct: 10}}
inverter: {{ac_limit_kw: {site.inverter_kw}, efficiency_pct: 97}}
pv: {{coupling: {site.coupling}}}
connection: {{import_limit_kw: {site.import_kw}, export_limit_kw: {site.export_kw}}}
controls: {{windows_per_day: 4, day_types: weekday_weekend, season_sets: 2,
  minutes: 60, import_cap: true, power_step_kw: {site.power_step_kw}}}
""")
        names.append(site.file)
    lines = [f"study: {5 * len(TARIFFS) * sizes} cases", f"sites: [{', '.join(names)}]"]
    lines += ["vary:", f"  tariff: [{', '.join(TARIFFS)}]"]
    steps = np.round(np.linspace(0.25, 3, sizes), 4)
    home = [float(np.round(10 * step, 3)) for step in steps]
    lines += [f"  battery_kwh: {home}"]
    office = SITES["office"].file
    lines += [f"leave_out: [{{site: {office}}}]", "also:"]
    for tariff in TARIFFS:
        for kwh in home:
            lines += [f"  - {{site: {office}, tariff: {tariff}, battery_kwh: {20 * kwh:g}}}"]
    path = folder / "study.yaml"
    path.write_text("\n".join(lines) + "\n")
    return path


def afresh(folder: Path, brief: Brief, run: Run, effort: str) -> tuple[float, float, float, float]:
    """Plan one case as ``plan`` does it, from the files; return plan, windows, seconds, and those of the processor."""
    begun, of_processor = time.perf_counter(), time.process_time()
    read = read_brief(folder)
    there = run.brief(replace(brief, scenario=read.scenario))
    plan = cheapest_plan(there, 600, silent, LinearSolver())
    found = windows_for(there, task_of(there, plan), effort, None, silent)
    outcome = outcome_of(there, plan, found.settings)
    took = time.perf_counter() - begun, time.process_time() - of_processor
    return plan.cost, outcome.cases["windows"].cost, *took


class Memory:
    """The most memory that this process and all below it hold at once. [MB]"""

    def __init__(self) -> None:
        self.most, self._over = 0.0, threading.Event()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def __enter__(self) -> Memory:
        self._thread.start()
        return self

    def __exit__(self, *_failure: object) -> None:
        self._over.set()
        self._thread.join()

    def _watch(self) -> None:
        while not self._over.wait(0.3):
            self.most = max(self.most, sum(map(_resident_mb, _family_of(os.getpid()))))


def _family_of(pid: int) -> list[int]:
    children = Path(f"/proc/{pid}/task/{pid}/children")
    try:
        below = [int(child) for child in children.read_text().split()]
    except OSError:
        return []
    return [pid, *(each for child in below for each in _family_of(child))]


def _resident_mb(pid: int) -> float:
    """Return what a process holds, pages that several share counted in parts (PSS). [MB]"""
    try:
        lines = Path(f"/proc/{pid}/smaps_rollup").read_text().splitlines()
    except OSError:
        return 0.0
    return sum(int(line.split()[1]) for line in lines if line.startswith("Pss:")) / 1024


def measure_study(path: Path, sizes: list[int], sample: int) -> None:
    """Run the whole study, parts of it, and a sample afresh; print ratios."""
    whole = read_study(path)
    told = extent_of(whole, 2)
    times = {}
    for size in sizes:
        part = _part(path, size)
        begun = time.perf_counter()
        with Memory() as memory, tempfile.TemporaryDirectory() as out:
            result = run_study(part, Path(out), processes=2, progress=silent)
        times[len(result.rows)] = time.perf_counter() - begun
        failed = sum(row["status"] != "done" for row in result.rows)
        print(
            f"{len(result.rows)} cases: {times[len(result.rows)]:.1f} s,"
            f" {len(result.rows) / times[len(result.rows)]:.2f} a second, {memory.most:.0f} MB at most,"
            f" {failed} failed",
            flush=True,
        )
    counts = sorted(times)
    if len(counts) > 1:
        slope = np.polyfit(np.log(counts), np.log([times[count] for count in counts]), 1)[0]
        print(f"time grows with cases to the power of {slope:.2f}")
    print(f"told before: {told.seconds:.0f} s for {told.pieces} plans with windows")
    compare_afresh(path.parent, whole, {_place(row): row for row in result.rows}, sample,
                   times[counts[-1]] / counts[-1])  # fmt: skip


def _place(row: dict[str, object]) -> tuple[object, ...]:
    return row["site"], row["tariff"], row["battery_kwh"]


def compare_afresh(
    folder: Path, study: Study, rows: dict[tuple[object, ...], dict[str, float]], sample: int,
    per_case: float,
) -> None:  # fmt: skip
    """Plan some cases of each family afresh, with two efforts; compare time, optimum and windows."""
    luck = np.random.default_rng(1)
    make_ready(study.families[0].brief)
    seconds: dict[str, list[float]] = {"quick": [], "normal": []}
    processor: dict[str, list[float]] = {"quick": [], "normal": []}
    worse: dict[str, list[float]] = {"quick": [], "normal": []}
    worse_plan = []
    for family in study.families:
        cases = [case for case in study.cases if case.family is family]
        for place in luck.permutation(len(cases))[:sample]:
            case = cases[int(place)]
            row = rows[family.site, family.tariff, case.run.battery_kwh]
            possible = row["plan_saves_over_no_windows_usd"]
            ours = row["bill_no_battery_usd"] - row["windows_save_over_no_battery_usd"]
            ours_plan = row["bill_no_battery_usd"] - row["plan_saves_over_no_battery_usd"]
            for effort in seconds:
                plan, windows, took, used = afresh(
                    folder / family.site, family.brief, case.run, effort
                )
                seconds[effort].append(took)
                processor[effort].append(used)
                worse_plan.append(abs(ours_plan - plan) / max(abs(plan), 1.0))
                if possible > 1:
                    worse[effort].append(100 * (ours - windows) / possible)
            told = [f"{effort} {seconds[effort][-1]:.2f} s" for effort in seconds]
            print(f"  {family.site[:22]} {family.tariff[:14]} {case.run.battery_kwh:7.1f} kWh:"
                  f" {', '.join(told)}", flush=True)  # fmt: skip
    print(f"optimum: differs by {max(worse_plan):.1e} of the cost at most")
    for effort, taken in seconds.items():
        mean, more = statistics.mean(taken), worse[effort]
        print(
            f"afresh, {effort}: {mean:.2f} s a case in the mean of {len(taken)}"
            f" ({statistics.mean(processor[effort]):.2f} of the processor); study {per_case:.3f} s;"
            f" ratio {mean / per_case:.2f}; the study's windows cost {statistics.mean(more):+.2f} % of the"
            f" possible saving more in the mean, median {statistics.median(more):+.2f}, from"
            f" {min(more):+.2f} to {max(more):+.2f}",
            flush=True,
        )


def _part(path: Path, sizes: int) -> Path:
    """Write a study of only so many sizes, evenly chosen."""
    text = path.read_text()
    every = [float(value) for value in text.split("battery_kwh: [")[1].split("]")[0].split(",")]
    if sizes >= len(every):
        return path
    chosen = [every[place] for place in np.linspace(0, len(every) - 1, sizes).round().astype(int)]
    head, rest = text.split("also:\n")
    head = head.replace(str(every), str(chosen))
    wanted = [f"battery_kwh: {20 * kwh:g}}}" for kwh in chosen]
    also = [line for line in rest.splitlines() if line.endswith(tuple(wanted))]
    part = path.with_name(f"part_{sizes}.yaml")
    part.write_text(head + "also:\n" + "\n".join(also) + "\n")
    return part


def measure_dask(path: Path, sizes: int) -> None:
    """Run a part of the study on one Dask worker, and on two."""
    part, times = _part(path, sizes), {}
    for count in (1, 2, 1, 2):
        with _cluster(count) as address, tempfile.TemporaryDirectory() as out:
            begun = time.perf_counter()
            result = run_study(part, Path(out), cluster=address, progress=silent)
            times.setdefault(count, []).append(time.perf_counter() - begun)
    one, two = (statistics.median(times[count]) for count in (1, 2))
    print(
        f"Dask, {len(result.rows)} cases: one worker {one:.1f} s, two {two:.1f} s: {one / two:.2f} times"
    )


class _cluster:  # noqa: N801 - used like a function
    """A scheduler on loopback with so many workers, in processes of their own."""

    def __init__(self, count: int) -> None:
        from distributed import LocalCluster

        self._cluster = LocalCluster(
            n_workers=count, threads_per_worker=1, processes=True, dashboard_address=None
        )

    def __enter__(self) -> str:
        return str(self._cluster.scheduler_address)

    def __exit__(self, *_failure: object) -> None:
        self._cluster.close()


def measure_programs(path: Path) -> None:
    """Solve the linear programs of all sizes of each family in four ways; print medians."""
    study = read_study(path)
    ways: dict[str, list[float]] = {
        "cold": [],
        "warm": [],
        "from the base": [],
        "interior point": [],
    }
    for family in study.families:
        if family.tariff == "evening_export":
            continue  # its plans need integers
        briefs = [case.run.brief(family.brief) for case in study.cases if case.family is family][
            ::4
        ]
        matrices = []
        for brief in briefs:
            problem = problem_of(brief)
            matrices.append(matrix_of(problem, Limits.of(problem), {}))
        warm, based = LinearSolver(1), LinearSolver(1, [], collects_bases=True)
        for solver in (warm, based):
            solver.solve(matrices[0], lambda: 600.0)
        for matrix in matrices[1:]:
            for name, solve in {
                "cold": lambda m: LinearSolver(1).solve(m, lambda: 600.0),
                "warm": lambda m, s=warm: s.solve(m, lambda: 600.0),
                "from the base": lambda m, s=based: s.solve(m, lambda: 600.0),
                "interior point": _interior_point,
            }.items():
                ways[name].append(_seconds(solve, matrix))
    for name, seconds in ways.items():
        ratio = statistics.median(ways["cold"]) / statistics.median(seconds)
        print(f"{name}: {statistics.median(seconds):.3f} s, {ratio:.1f} times as fast as cold")


def measure_worths(path: Path) -> None:
    """Hold what one unit more is worth against a second and third plan, on ten cases."""
    study = read_study(path)
    chosen = [family for family in study.families if family.tariff in {"two_rates", "peak_demand"}]
    for family in chosen:
        case = [case for case in study.cases if case.family is family][3]
        brief, solver = case.run.brief(family.brief), LinearSolver(1)
        plan = cheapest_plan(brief, 600, silent, solver)
        told = []
        for name, grown in {"battery": bigger_battery, "inverter": bigger_inverter}.items():
            costs = [
                make_plan(
                    resized(plan.problem, grown(plan.problem.plant, by)), brief.cost, solver=solver
                ).cost
                for by in (-LITTLE, LITTLE)
            ]
            less, more = (costs[0] - plan.cost) / LITTLE, (plan.cost - costs[1]) / LITTLE
            worth = plan.tangent.worth(grown)
            told.append(f"{name} {worth:.3f}, by difference {less:.3f} below, {more:.3f} above")
        print(f"  {family.site[:22]} {family.tariff}: {'; '.join(told)}", flush=True)


def measure_sizes(path: Path) -> None:
    """Find the best of thirty sizes by slope, and by planning all thirty, on five cases."""
    study = read_study(path)
    for family in [family for family in study.families if family.tariff == "peak_demand"]:
        solver, own = LinearSolver(1), family.own
        sizes = [round(own.battery_kwh * times, 4) for times in np.linspace(0.1, 3, 30)]
        plans = {
            size: cheapest_plan(
                replace(own, battery_kwh=size).brief(family.brief), 600, silent, solver
            )
            for size in sizes
        }
        slopes = {size: plan.tangent.worth(bigger_battery) for size, plan in plans.items()}
        price = slopes[sizes[14]]  # so that the best lies inside
        value = {size: -plan.cost - price * size for size, plan in plans.items()}
        known: dict[float, Planned] = {}
        while not isinstance(found := best_size(sizes, known.get), BestSize):
            known[found] = Planned(value[found], slopes[found] - price)
        best = max(value.values())
        print(
            f"  {family.site[:22]}: {found.size_kwh:g} kWh in {len(found.planned)} plans,"
            f" {best - found.value:.2e} below the best of thirty",
            flush=True,
        )


def _interior_point(matrix: object) -> None:
    highs = _loaded(matrix)  # type: ignore[arg-type]
    highs.setOptionValue("solver", "ipx")
    highs.setOptionValue("run_crossover", "off")
    replay(
        highs,
    )


def _seconds(solve: Callable[[object], object], matrix: object) -> float:
    begun = time.perf_counter()
    solve(matrix)
    return time.perf_counter() - begun


def main() -> None:
    """Measure what is asked for."""
    asked = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    asked.add_argument("data", type=Path)
    asked.add_argument("--sizes", type=int, default=20)
    asked.add_argument("--sample", type=int, default=2)
    asked.add_argument("--only", choices=("study", "dask", "programs", "worths", "sizes"))
    given = asked.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = prepare(given.data, Path(folder), given.sizes)
        if given.only in {None, "programs"}:
            measure_programs(path)
        if given.only in {None, "worths"}:
            measure_worths(path)
        if given.only in {None, "sizes"}:
            measure_sizes(path)
        if given.only in {None, "study"}:
            measure_study(
                path, sorted({given.sizes // 5, given.sizes // 2, given.sizes}), given.sample
            )
        if given.only in {None, "dask"}:
            measure_dask(path, max(given.sizes // 10, 1))


if __name__ == "__main__":
    sys.exit(main())
