"""Say what given settings would cost, measured against the cheapest plan."""

from __future__ import annotations

from dataclasses import dataclass, replace

from optimizer.base.progress import Progress, quiet
from optimizer.evaluation.remarks import on_given
from optimizer.scenario.brief import Brief
from optimizer.settings.windows import Settings
from optimizer.workflows.inputs import with_floor_of
from optimizer.workflows.results import Result, outcome_of
from optimizer.workflows.solve import DEFAULT_TIME_LIMIT_S, cheapest_plan


@dataclass(frozen=True, repr=False)
class ReplayResult(Result):
    """What given settings cost; ``remarks`` are what is odd about them."""

    remarks: tuple[str, ...]


def replay(
    brief: Brief,
    settings: Settings,
    *,
    time_limit_s: float = DEFAULT_TIME_LIMIT_S,
    progress: Progress = quiet,
) -> ReplayResult:
    """Replay settings on a scenario, and put their bill beside that of the cheapest plan.

    Raises
    ------
    SolveError
        If no plan can be made.
    """
    scenario = brief.scenario
    months = scenario.forecast.grid.months
    remarks = tuple(on_given(settings, scenario.plant, scenario.controls, months))
    brief = with_floor_of(settings, brief)
    plan = cheapest_plan(brief, time_limit_s, progress)
    progress("replaying the settings and adding up the bills")
    outcome = outcome_of(brief, plan, settings)
    given = replace(outcome.cases["windows"], is_given=True)
    outcome = replace(outcome, cases=outcome.cases | {"windows": given})
    return ReplayResult(brief, plan, outcome, remarks)
