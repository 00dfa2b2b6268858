"""The story on one page: read, bill, plan, find windows, replay, judge.

Each name leads to the folder that tells more. There is no arithmetic here.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path

from optimizer.billing.bill import Bill, bill_flows
from optimizer.billing.cost import linear_cost
from optimizer.billing.reconcile import Reconciled, read_paid_bill, reconcile
from optimizer.billing.tariff import (
    BILLS_SUFFIX,
    Tariff,
    TariffCost,
    compile_cost,
    find_tariff,
    is_tariff_text,
    read_tariff,
    refuse_unknown_history,
    shipped_tariffs,
)
from optimizer.billing.worked import (
    WorkedResult,
    bills_beside,
    check_worked_bill,
    read_worked_bills,
)
from optimizer.documents import read_document
from optimizer.errors import TariffError
from optimizer.planning.plan import Plan, make_plan
from optimizer.planning.problem import Problem
from optimizer.report.account import Account, ProofLine
from optimizer.report.files import write_file
from optimizer.settings.choosing import EFFORTS, Found, find_settings, groupings_for
from optimizer.settings.fitting import MonthGroups
from optimizer.settings.proven import gap_of
from optimizer.settings.reasons import Course, Prices, reasons_for
from optimizer.settings.refusals import read_settings
from optimizer.settings.richer import Richer, enriched, what_richer_would_bring
from optimizer.settings.season import Task
from optimizer.settings.windows import Settings, no_windows
from optimizer.settings.years import Weather
from optimizer.site.controls import Controls
from optimizer.site.history import NO_HISTORY, History
from optimizer.site.readers.found import Found as Readings
from optimizer.site.readers.found import Request
from optimizer.site.readers.meter_csv import read_meter
from optimizer.site.readers.outside import read_any, refuse_same_file, tidy_csv
from optimizer.site.remarks import remarks
from optimizer.site.scenario import SCENARIO_FILE, Scenario, read_scenario
from optimizer.timegrid import calendar_months
from optimizer.valuation.outcome import NOTHING_TO_SAVE, Judge, Outcome, cases_of
from optimizer.valuation.sureness import sureness_of

Progress = Callable[[str], None]
DEFAULT_TIME_LIMIT_S = 600.0
PROOF_STEPS = {"quick": 2e8, "normal": 1e9, "thorough": 2e10}
"""Work allowed for the proof, in replayed steps, by effort."""

PLANNING_S = {"quick": 0.0, "normal": 120.0, "thorough": 600.0}
"""Most seconds for planning weeks that the windows were not fitted to, by effort."""


@dataclass(frozen=True)
class Brief:
    """A scenario with its tariff, compiled: all that is known before anything is planned."""

    scenario: Scenario
    tariff: Tariff
    cost: TariffCost

    @property
    def course(self) -> Course:
        """What settings are run through."""
        scenario = self.scenario
        return Course(
            scenario.plant, scenario.forecast.grid, scenario.forecast.load_kwh,
            scenario.forecast.pv_kwh, scenario.start_kwh,
        )  # fmt: skip

    @property
    def weather(self) -> Weather:
        """The metered weeks, from which plausible years are made."""
        return Weather(self.scenario.forecast, self.scenario.other_years)

    def groupings(self, controls: Controls) -> list[MonthGroups]:
        """Return the groups of months to try, the tariff's own seasons first."""
        grid = self.scenario.forecast.grid
        seasons = self.tariff.season_of_months(grid)
        return groupings_for(seasons, grid.months, controls.season_sets)


def read_brief(path: Path) -> Brief:
    """Read a scenario folder and its tariff."""
    scenario = read_scenario(path)
    where = scenario.source.where(("tariff",))
    tariff = read_tariff(find_tariff(scenario.file.tariff, scenario.folder, where))
    state = scenario.file.state
    refuse_unknown_history(tariff, state, lambda key: scenario.source.where(("state", key)))
    cost = compile_cost(tariff, scenario.forecast.grid, scenario.periods, state)
    return Brief(scenario, tariff, cost)


def plan_scenario(
    path: Path,
    *,
    effort: str = "normal",
    in_use_path: Path | None = None,
    most_windows: int | None = None,
    with_curve: bool = True,
    with_proof: bool = True,
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: Progress,
) -> Account:
    """Do the main job: from a scenario to settings, and what they are worth."""
    progress("reading the scenario and its tariff")
    brief = read_brief(path)
    in_use = (
        read_settings(in_use_path, brief.scenario.controls, brief.scenario.plant)
        if in_use_path
        else None
    )
    plan = cheapest_plan(brief, time_limit_s, progress)
    progress("looking for windows that keep the saving")
    task = task_of(brief, plan)
    found = windows_for(brief, task, effort, in_use, progress)
    found = found if most_windows is None else found.at_most(most_windows)
    progress("replaying the windows on weeks that they were not fitted to")
    sureness = sureness_of(
        found, brief.weather, plan.problem, brief.cost, brief.course, PLANNING_S[effort], progress
    )
    richer = None if effort == "quick" else richer_for(brief, task, found, progress)
    progress("replaying the windows and adding up the bills")
    account = account_of(brief, plan, found.settings, in_use)
    proof = None
    if with_proof:
        proof = proof_of(brief, plan, task, found, account.outcome, PROOF_STEPS[effort], progress)
    return replace(
        account, found=found, sureness=sureness, richer=richer, effort=effort,
        with_curve=with_curve, proof=proof,
    )  # fmt: skip


def replay_settings(
    path: Path,
    settings_path: Path,
    *,
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: Progress,
) -> Account:
    """Say what given settings would cost, measured against the cheapest plan."""
    progress("reading the scenario, its tariff and the settings")
    brief = read_brief(path)
    settings = read_settings(settings_path, brief.scenario.controls, brief.scenario.plant)
    plan = cheapest_plan(brief, time_limit_s, progress)
    progress("replaying the settings and adding up the bills")
    return account_of(brief, plan, settings)


def cheapest_plan(brief: Brief, time_limit_s: float, progress: Progress) -> Plan:
    """Find the cheapest operation by linear programming."""
    scenario, grid = brief.scenario, brief.scenario.forecast.grid
    progress(f"planning {grid.count:,} steps of {grid.step_minutes} min by linear programming")
    problem = Problem(
        grid,
        scenario.plant,
        scenario.forecast.load_kwh,
        scenario.forecast.pv_kwh,
        linear_cost(brief.cost.total, grid.count),
        scenario.start_kwh,
        scenario.end_kwh,
        scenario.file.state.leftover_per_kwh,
    )
    return make_plan(problem, brief.cost, time_limit_s=time_limit_s, progress=progress)


def task_of(brief: Brief, plan: Plan) -> Task:
    """Return what windows are searched for: equipment, cost, and the plan to start from."""
    course, judge = brief.course, Judge(brief.cost, plan)
    plain = no_windows(course.plant.soc_pct(course.plant.low_kwh))
    return Task(
        plant=course.plant,
        controls=brief.scenario.controls,
        grid=course.grid,
        cost=plan.problem.cost,
        plan_flows=plan.flows,
        plan_stored_kwh=plan.stored_kwh,
        prices=prices_of(plan),
        start_kwh=course.start_kwh,
        stored_worth=judge.end_worth,
        can_save=judge.cost_of(course.run(plain)) - plan.cost,
    )


def windows_for(
    brief: Brief, task: Task, effort: str, in_use: Settings | None, progress: Progress
) -> Found:
    """Find the few windows that cost least in plausible years; none if none are better."""
    starts = [] if in_use is None else [in_use]
    groupings = brief.groupings(task.controls)
    return find_settings(
        task, brief.weather, brief.scenario.name, groupings, EFFORTS[effort], starts, progress
    )


def richer_for(brief: Brief, task: Task, found: Found, progress: Progress) -> Richer | None:
    """Return what richer controls would save more, if that is much."""
    progress("asking what richer controls would bring")
    groupings = brief.groupings(enriched(task.controls))
    return what_richer_would_bring(task, brief.weather, found, groupings)


def proof_of(
    brief: Brief,
    plan: Plan,
    task: Task,
    found: Found,
    outcome: Outcome,
    most_work: float,
    progress: Progress,
) -> ProofLine | None:
    """Return how much more any settings that the controls accept could save on the forecast."""
    if outcome.can_save <= NOTHING_TO_SAVE:
        return None
    progress("proving how much more any such windows could save")
    gap = gap_of(
        found.settings, task, brief.scenario.forecast, found.groups,
        outcome.can_save - outcome.saved + plan.open_cost, most_work,
    )  # fmt: skip
    return ProofLine(gap, gap / outcome.can_save)


def prices_of(plan: Plan) -> Prices:
    """Return the money per kWh of import, export and stored energy at the plan."""
    cost = plan.problem.cost
    return Prices(
        cost.marginal("import_kwh", plan.flows),
        -cost.marginal("export_kwh", plan.flows),
        plan.prices.stored,
    )


def account_of(
    brief: Brief, plan: Plan, settings: Settings, in_use: Settings | None = None
) -> Account:
    """Replay the settings and the equipment without them, and put the bills side by side."""
    course, judge = brief.course, Judge(brief.cost, plan)
    prices = prices_of(plan)
    cases = cases_of(course, settings, judge, in_use)
    reasons = reasons_for(
        settings, course, judge.costs_of, prices, brief.tariff.currency, brief.scenario.whole_kw
    )
    outcome = Outcome(cases, settings, tuple(reasons))
    return Account(brief.scenario, brief.tariff, brief.cost, plan, outcome, prices)


def read_outside(path: Path, request: Request, out: Path | None) -> Readings:
    """Read meter data or prices as they were handed out; write one point as a tidy CSV."""
    if out is not None:
        refuse_same_file(path, out)
    found = read_any(path, request)
    if out is not None:
        write_file(tidy_csv(found.chosen(request.point)), out)
    return found


def bill_meter(
    path: Path, tariff_name: str, zone: str, history_path: Path | None = None
) -> tuple[Bill, list[str]]:
    """Bill meter data alone, by calendar months."""
    flows, notes = read_meter(path, zone)
    tariff = read_tariff(find_tariff(tariff_name, Path(), "--tariff"))
    history = NO_HISTORY
    if history_path is not None:
        history, source = read_document(history_path, History, TariffError)
        refuse_unknown_history(tariff, history, lambda key: source.where((key,)))
    cost = compile_cost(tariff, flows.grid, calendar_months(flows.grid), history)
    return bill_flows(cost, flows), [*notes, *cost.notes]


def reconcile_bill(
    path: Path, tariff_name: str, zone: str, paid_path: Path
) -> tuple[Reconciled, list[str]]:
    """Compare a bill that was paid with ours from meter data alone."""
    flows, notes = read_meter(path, zone)
    tariff = read_tariff(find_tariff(tariff_name, Path(), "--tariff"))
    paid, source = read_paid_bill(paid_path)
    refuse_unknown_history(tariff, paid, lambda key: source.where((key,)))
    compared = reconcile(tariff, flows, paid, str(source.path))
    return compared, [*notes, *compared.notes]


def check_scenario(path: Path) -> list[str]:
    """Read all that a scenario names and return what is odd in it."""
    brief = read_brief(path)
    return [*brief.scenario.forecast.notes, *brief.cost.notes, *remarks(brief.scenario)]


def tariff_named(what: Path) -> Path | None:
    """Return the tariff file that is meant, or None if a scenario is."""
    if what.is_dir() or what.name == SCENARIO_FILE:
        return None
    if what.name.endswith(BILLS_SUFFIX):
        return what.with_name(what.name.removesuffix(BILLS_SUFFIX) + ".yaml")
    if what.is_file():
        return what if is_tariff_text(what.read_text(encoding="utf-8", errors="replace")) else None
    return shipped_tariffs().get(str(what))


def check_tariff(path: Path) -> list[WorkedResult]:
    """Read a tariff and work out the bills that stand beside it; none if there are none."""
    tariff = read_tariff(path)
    beside = bills_beside(path)
    if not beside.is_file():
        return []
    return [
        WorkedResult(worked.entry.shows, tuple(check_worked_bill(tariff, worked)))
        for worked in read_worked_bills(beside)
    ]
