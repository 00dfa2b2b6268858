"""One run: the cheapest plan and the windows of a year, and every figure that a row may want.

What is found hangs on the run, its family and the family's base alone, to the last bit, and not on what
the same process worked on before: the solver starts from the base's solution, the search from the base's
windows. So any process may do any run, and a study that was stopped comes out the same.
Read next: ``answers``.
"""

from __future__ import annotations

import base64
import json
import pickle
import threading
import zlib
from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import TypeVar

import numpy as np

from optimizer.base.errors import Interrupted, OptimizerError
from optimizer.base.progress import quiet
from optimizer.billing.bill import Bill, bill_flows
from optimizer.billing.tariff import Tariff
from optimizer.economics.ageing import Ageing, equivalent_full_cycles
from optimizer.economics.assumptions import PARTS_OF_BILL
from optimizer.economics.valued import summary_of
from optimizer.evaluation.comparison import Case as Bills
from optimizer.evaluation.comparison import Judge, cases_of
from optimizer.evaluation.savings_breakdown import Sources, sources_of
from optimizer.forecasting.weeks import Variant
from optimizer.planning.linear import LinearSolver
from optimizer.planning.plan import Plan
from optimizer.planning.solver import Basis
from optimizer.planning.tangent import bigger_battery, bigger_connection, bigger_inverter
from optimizer.scenario.brief import Brief
from optimizer.scenario.horizon import Horizon
from optimizer.search.choose import (
    EFFORTS,
    EFFORTS_ALIKE,
    Likeness,
    find_alike,
    find_settings,
)
from optimizer.search.score import Task
from optimizer.settings.windows import no_windows
from optimizer.simulation.replay import Replay, replay
from optimizer.site.equipment import UNLIMITED_KW, Plant
from optimizer.site.floors import Floors
from optimizer.studies.answers import (
    Answer,
    Asked,
    Bare,
    BillFigures,
    Bounds,
    BoundsAsked,
    Drawn,
    DrawsAsked,
    Failure,
    RunFigures,
    Searched,
    Slope,
    SlopeAsked,
    Summed,
    SumsAsked,
)
from optimizer.studies.cases import WITHOUT_BATTERY, Manner, Run
from optimizer.workflows.inputs import groupings_of, horizon_of, problem_of, task_of
from optimizer.workflows.reserve import with_endurance
from optimizer.workflows.solve import Solved, cheapest_plan

PLANNING_S = 600.0
"""Most time for the plan of one run. [s]"""

FAMILIES_KEPT = 2
"""How many families a process keeps compiled: memory stays bounded."""


@dataclass(frozen=True)
class Job:
    """A piece of work for one process.

    ``kind`` is ``base`` (the scenario's own equipment, searched in full), ``run``, ``bounds`` (what the
    base's shadow prices say of other runs), ``slope`` (a plan and its worth of a kWh), ``bare`` (no battery),
    ``draws``, or ``sums`` (money, of no family).
    ``base`` is the answer of the family's base, ``more`` what the kind needs beside.
    """

    key: str
    family: str
    kind: str
    run: Run | None
    manner: Manner
    base: Answer | None = None
    more: Asked = None


@dataclass
class _Opened:
    """A family in this process: its brief, and a solver that keeps its programs."""

    brief: Brief
    solver: LinearSolver
    bases: tuple[str, ...] | None


Done = TypeVar("Done")

_opened: OrderedDict[str, _Opened] = OrderedDict()
_one_at_a_time = threading.Lock()


def work(packed: bytes, job: Job) -> Answer | Summed:
    """Do a piece of work; what fails is an answer too.

    Parameters
    ----------
    packed : bytes
        The family's brief.
    job : Job
        What to do.
    """
    with _one_at_a_time:
        if isinstance(job.more, SumsAsked):
            sums = [partial(summary_of, each.parts) for each in job.more.each]
            return Summed(tuple(map(_or_failure, sums)))
        return _or_failure(lambda: WAYS[job.kind](_open(packed, job), job))


def _or_failure(done: Callable[[], Done]) -> Done | Failure:
    """Return what is done, or why it cannot be."""
    try:
        return done()
    except Interrupted:
        raise
    except OptimizerError as failure:
        return Failure(f"{failure.what} ({failure.where}; {failure.mend})")
    except Exception as fault:  # one impossible case is no end of a study
        told = f"{type(fault).__name__}: {fault}"
        return Failure(f"{told} (a fault of the program: please report it)")


def _open(packed: bytes, job: Job) -> _Opened:
    """Return the family, compiled here before or now."""
    known = job.base.bases if isinstance(job.base, Searched) else ()
    bases = None if job.base is None else known
    family = _opened.get(job.family)
    if family is None or family.bases != bases:
        brief = pickle.loads(packed) if family is None else family.brief
        solver = LinearSolver(
            1, [_basis(text) for text in known], collects_bases=job.kind == "base"
        )
        family = _Opened(brief, solver, bases)
    _opened[job.family] = family
    _opened.move_to_end(job.family)
    while len(_opened) > FAMILIES_KEPT:
        _opened.popitem(last=False)
    return family


def _brief_of(family: _Opened, job: Job) -> Brief:
    """Return the family's brief with the equipment of a job's run."""
    assert job.run is not None
    return job.run.brief(family.brief)


def _planned(family: _Opened, job: Job) -> tuple[Brief, Plan]:
    brief = _brief_of(family, job)
    return brief, cheapest_plan(brief, PLANNING_S, quiet, family.solver)


def _base(family: _Opened, job: Job) -> Searched:
    """Search the scenario's own equipment in full, and keep what other runs start from."""
    case = _solved(family, job)
    bases = tuple(_packed_basis(basis) for basis in family.solver.bases)
    return Searched(_figures(case, job.manner), case.found.likeness, bases)


def _run(family: _Opened, job: Job) -> Searched:
    """Plan a run, and find its windows from those of the base; without a base in full."""
    like = job.base.likeness if isinstance(job.base, Searched) else None
    case = _solved(family, job, like)
    return Searched(_figures(case, job.manner), without_base=like is None)


def _solved(family: _Opened, job: Job, like: Likeness | None = None) -> Solved:
    """Plan a run and find its windows, in full or from what it is like, with the endurance wished for."""
    effort = job.manner.effort

    def solved(brief: Brief) -> Solved:
        plan = cheapest_plan(brief, PLANNING_S, quiet, family.solver)
        task, weather, name = task_of(brief, plan), brief.weather, brief.scenario.name
        if like is None:
            groupings = groupings_of(brief, task.controls)
            found = find_settings(task, weather, name, groupings, EFFORTS[effort])
        else:
            found = find_alike(task, weather, name, like, EFFORTS_ALIKE[effort])
        return Solved(brief, plan, task, found)

    case = solved(_brief_of(family, job))
    if case.brief.scenario.file.outage.hours is None:
        return case
    return with_endurance(case, solved, quiet)[0]


def _slope(family: _Opened, job: Job) -> Slope:
    """Plan a run; tell the bill it is held against, and what one kWh more of battery would save."""
    asked = job.more
    assert isinstance(asked, SlopeAsked)
    brief, plan = _planned(family, job)
    before = _without_battery(horizon_of(brief), asked.against or "no_battery")
    return Slope(
        bill_before=bill_flows(brief.cost, before.flows).total,
        cost_plan=plan.cost,
        worth_kwh=_worth_of_a_kwh(plan, with_power=asked.with_power),
        is_linear=plan.tangent is not None,
    )


def _bare(family: _Opened, job: Job) -> Bare:
    """Replay a run's site without its battery; no plan is needed."""
    brief = _brief_of(family, job)
    horizon, bills = horizon_of(brief), {}
    for way in WITHOUT_BATTERY:
        flows = _without_battery(horizon, way).flows
        billed = bill_flows(brief.cost, flows)
        bill, parts = billed.total, _parts_of(billed, brief.tariff)
        energies = float(flows.import_kwh.sum()), float(flows.export_kwh.sum())
        peak_kw = float(flows.import_kwh.max()) / flows.grid.step_h
        bills[way] = BillFigures(bill, bill, 0.0, *energies, peak_kw, parts)
    return Bare({str(way): bill for way, bill in bills.items()})


def _without_battery(horizon: Horizon, way: str) -> Replay:
    """Return the site without the battery, and for ``neither`` without the PV."""
    pv_kwh = 0 * horizon.pv_kwh if way == "neither" else horizon.pv_kwh
    bare = horizon.plant.without_battery()
    without = replace(horizon, plant=bare, pv_kwh=pv_kwh, start_kwh=0.0)
    return replay(without, no_windows(0.0))


def _worth_of_a_kwh(plan: Plan, *, with_power: bool) -> float:
    """Return what a kWh more would save, its powers growing in proportion if asked for. [money per kWh]"""

    def grown(old: Plant, by: float) -> Plant:
        times = 1 + by / old.capacity_kwh if with_power else 1.0
        return replace(
            bigger_battery(old, by), charge_kw=old.charge_kw * times,
            discharge_kw=old.discharge_kw * times,
        )  # fmt: skip

    return plan.nearby.worth(grown)


def _bounds(family: _Opened, job: Job) -> Bounds:
    """Tell what the plans of other runs cost at least: by the shadow prices of two plans.

    Those of this run bound sizes near it, those of the largest one all that are large: more battery than
    that saves no more than it does.
    """
    asked = job.more
    assert isinstance(asked, BoundsAsked)
    largest = max(asked.runs, key=lambda run: run.battery_kwh)
    plans = [_planned(family, replace(job, run=run))[1] for run in (job.run, largest)]
    tangents = [plan.tangent for plan in plans if plan.tangent is not None]
    if len(tangents) < len(plans):
        return Bounds(None)
    problems = [problem_of(run.brief(family.brief)) for run in asked.runs]
    return Bounds(tuple(max(tangent.least_cost(each) for tangent in tangents) for each in problems))


def _draws(family: _Opened, job: Job) -> Drawn:
    """Replay a site in drawn weather at several levels of load; tell what each year costs, by way."""
    asked = job.more
    assert isinstance(asked, DrawsAsked)
    brief, draws, settings = _brief_of(family, job), asked.draws, asked.settings
    if settings is not None and brief.scenario.file.outage.hours is not None:
        level_kwh = brief.scenario.plant.level_kwh
        floors = {month: level_kwh(settings.floor_in(month)) for month in range(1, 13)}
        brief = replace(brief, floors=Floors(floors))
    horizon, weather = horizon_of(brief), brief.weather

    def cost(there: Horizon, way: str) -> float:
        if way in WITHOUT_BATTERY:
            return bill_flows(brief.cost, _without_battery(there, way).flows).total
        typed = horizon.plain() if settings is None or way == "no_windows" else settings
        run = replay(there, typed)
        left = asked.end_worth * (run.stored_kwh[-1] - asked.end_kwh)
        return bill_flows(brief.cost, run.flows).total - float(left)

    costs = {way: np.zeros((draws.load_levels, draws.weather_years)) for way in asked.ways}
    for level, factor in enumerate(draws.load_factors()):
        for number in range(draws.weather_years):
            luck = np.random.default_rng([draws.seed, number])
            year = weather.year(Variant(1.0, load_factor=factor), None, luck)
            there = replace(horizon, load_kwh=year.load_kwh, pv_kwh=year.pv_kwh)
            for way, table in costs.items():
                table[level, number] = cost(there, way)
    return Drawn({way: tuple(map(tuple, table.tolist())) for way, table in costs.items()})


WAYS: dict[str, Callable[[_Opened, Job], Answer]] = {
    "base": _base,
    "run": _run,
    "slope": _slope,
    "bounds": _bounds,
    "bare": _bare,
    "draws": _draws,
}
"""What is done for each kind of job."""


# --- figures ---------------------------------------------------------------------------------


def _figures(case: Solved, manner: Manner) -> RunFigures:
    """Return every figure of a run."""
    brief, plan, task, found = case.brief, case.plan, case.task, case.found
    horizon, judge = horizon_of(brief), Judge(brief.cost, plan)
    bills = cases_of(horizon, found.settings, judge)
    windows, size = bills["windows"], found.sizes[found.chosen]
    usable, cycles = horizon.plant.usable_kwh, Ageing(depth_exponent=manner.depth_exponent)
    from_battery = windows.flows.discharge_kwh / horizon.plant.discharge_efficiency
    levels = np.concatenate([[horizon.start_kwh], windows.stored_kwh])
    return RunFigures(
        bills={key: _of_bills(each, brief.tariff) for key, each in bills.items()},
        sources=_of_sources(brief, task, bills, horizon.start_kwh),
        plan_kind=plan.proof.kind,
        plan_gap=plan.proof.gap,
        windows=size.entries,
        saved_seen=size.seen,
        saved_unseen=size.unseen,
        discharged_kwh=float(windows.flows.discharge_kwh.sum()),
        full_cycles=equivalent_full_cycles(from_battery, usable),
        cycles_counted=cycles.cycles_counted(levels, usable),
        end_worth=judge.end_worth,
        end_kwh_plan=float(plan.stored_kwh[-1]),
        worth_battery=_worth_of_a_kwh(plan, with_power=False),
        worth_battery_and_power=_worth_of_a_kwh(plan, with_power=True),
        worth_inverter=plan.nearby.worth(bigger_inverter),
        worth_connection=_worth_of_connection(plan),
        settings=found.settings,
    )


def _worth_of_connection(plan: Plan) -> float:
    """Return what one kW more of the connection would save. [money per kW]"""
    if plan.problem.plant.import_limit_kw >= UNLIMITED_KW:
        return 0.0
    return plan.nearby.worth(bigger_connection)


PART_OF_KIND = {
    "energy": "import", "export_credit": "export", "demand": "demand", "step_fee": "demand",
}  # fmt: skip
"""The part of a bill in which charges of a kind count; all others count as the rest."""


def _parts_of(bill: Bill, tariff: Tariff) -> tuple[float, float, float]:
    """Return what of a bill is import, export and demand. [money]"""
    kinds = {
        charge.name: charge.kind for version in tariff.file.versions for charge in version.charges
    }
    found = dict.fromkeys(PARTS_OF_BILL, 0.0)
    for name, amount in bill.by_charge().items():
        part = PART_OF_KIND.get(kinds.get(name, ""))
        if part is not None:
            found[part] += amount
    return found["import"], found["export"], found["demand"]


def _of_bills(bills: Bills, tariff: Tariff) -> BillFigures:
    return BillFigures(
        bill=bills.bill.total,
        cost=bills.cost,
        left_worth=bills.left_worth,
        import_kwh=float(bills.flows.import_kwh.sum()),
        export_kwh=float(bills.flows.export_kwh.sum()),
        peak_kw=bills.peak_import_kw,
        parts=_parts_of(bills.bill, tariff),
    )


def _of_sources(brief: Brief, task: Task, bills: dict[str, Bills], start_kwh: float) -> Sources:
    before, after = bills["no_battery"], bills["windows"]
    return sources_of(
        task.cost, before.flows, after.flows, after.stored_kwh, start_kwh,
        brief.scenario.plant.low_kwh, before.cost - after.cost,
    )  # fmt: skip


# --- what other runs start from --------------------------------------------------------------


def _packed_basis(basis: Basis) -> str:
    """Return a basis as text: the statuses, a byte each, columns and rows."""
    parts = [part.astype(np.uint8).tobytes() for part in (basis.columns, basis.rows)]
    packed = [base64.b64encode(zlib.compress(part)).decode() for part in parts]
    return json.dumps(packed)


def _basis(text: str) -> Basis:
    parts = [zlib.decompress(base64.b64decode(part)) for part in json.loads(text)]
    columns, rows = (np.frombuffer(part, dtype=np.uint8).astype(np.int64) for part in parts)
    return Basis(columns, rows)
