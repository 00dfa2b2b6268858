"""The story on one page: read, bill, plan, find windows, replay, judge.

Each name leads to the stage that tells more. There is no arithmetic here.
"""

from __future__ import annotations

from dataclasses import replace
from functools import partial
from pathlib import Path

from optimizer.base.parallel import ahead, both
from optimizer.evaluation.out_of_sample import sureness_of
from optimizer.evaluation.remarks import on_given
from optimizer.planning.linear import LinearSolver
from optimizer.settings.check import read_settings
from optimizer.settings.windows import Settings
from optimizer.workflows.paperwork import Brief, read_brief, weather_of
from optimizer.workflows.reserve import solve, with_endurance
from optimizer.workflows.results import Account
from optimizer.workflows.stages import (
    Progress,
    account_of,
    cheapest_plan,
    fits_under,
    horizon_of,
    make_ready,
    outages_under,
    proof_of,
    richer_for,
    with_floor_of,
)

DEFAULT_TIME_LIMIT_S = 600.0

PROOF_STEPS = {"quick": 2e8, "normal": 1e9, "thorough": 2e10}
"""Work allowed for the proof, in replayed steps, by effort."""

PLANNING_S = {"quick": 0.0, "normal": 120.0, "thorough": 600.0}
"""Most seconds for planning weeks that the windows were not fitted to, by effort."""


def plan_scenario(  # noqa: PLR0913 - each is an option of the command
    path: Path,
    *,
    effort: str = "normal",
    in_use_path: Path | None = None,
    most_windows: int | None = None,
    with_curve: bool = True,
    with_proof: bool = True,
    worth_typing: float | None = None,
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: Progress,
) -> Account:
    """Do the main job: from a scenario to settings, and what they are worth.

    ``worth_typing`` is what a window must save a year, in place of the scenario's. [money]
    """
    progress("reading the scenario and its tariff")
    brief = read_brief(path)
    if worth_typing is not None:
        brief = replace(brief, scenario=brief.scenario.asking(worth_typing))
    in_use = (
        read_settings(in_use_path, brief.scenario.controls, brief.scenario.plant)
        if in_use_path
        else None
    )
    solver = LinearSolver()
    ahead(partial(make_ready, brief))

    solved = partial(
        solve, effort=effort, in_use=in_use, most_windows=most_windows, time_limit_s=time_limit_s,
        solver=solver, progress=progress,
    )  # fmt: skip
    case, reserve = solved(brief), None
    if brief.scenario.file.outage.hours is not None:
        case, reserve = with_endurance(case, solved, progress)
    brief, plan, task, found = case.brief, case.plan, case.task, case.found
    progress("replaying the windows on weeks that they have not seen")
    sureness, richer = both(
        lambda: sureness_of(
            found, weather_of(brief), plan.problem, brief.cost, horizon_of(brief),
            PLANNING_S[effort], progress, solver,
        ),
        lambda: None if effort == "quick" else richer_for(brief, task, found, progress),
    )  # fmt: skip
    progress("replaying the windows and adding up the bills")
    account = account_of(brief, plan, found.settings, in_use)
    proof = None
    if with_proof:
        proof = proof_of(brief, plan, task, found, account.outcome, PROOF_STEPS[effort], progress)
    return replace(
        account, found=found, sureness=sureness, richer=richer, effort=effort,
        with_curve=with_curve, proof=proof, outages=outages_under(brief, found.settings),
        fits=tuple(fits_under(brief, found.settings)), reserve=reserve,
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
    given = _remarks_on(settings, brief)
    brief = with_floor_of(settings, brief)
    plan = cheapest_plan(brief, time_limit_s, progress)
    progress("replaying the settings and adding up the bills")
    account = account_of(brief, plan, settings)
    cases = account.outcome.cases
    cases = cases | {"windows": replace(cases["windows"], is_given=True)}
    return replace(account, outcome=replace(account.outcome, cases=cases), given=given)


def _remarks_on(settings: Settings, brief: Brief) -> tuple[str, ...]:
    scenario = brief.scenario
    return tuple(
        on_given(settings, scenario.plant, scenario.controls, scenario.forecast.grid.months)
    )
