"""Find the cheapest plan of a brief, and the windows that keep most of its saving.

What comes after the plan is loaded while it is solved: compiled code and what draws the report.

Read next: ``plan``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import partial

import numpy as np

from optimizer.base.errors import Infeasible
from optimizer.base.progress import Progress, course_of
from optimizer.cost.expression import linear_cost
from optimizer.cost.prices import Prices
from optimizer.planning.linear import LinearSolver
from optimizer.planning.plan import Plan, make_plan
from optimizer.scenario.brief import Brief
from optimizer.search.choose import EFFORTS, Found, find_settings
from optimizer.search.fit import years_for
from optimizer.search.score import Season, Task
from optimizer.settings.windows import Settings
from optimizer.simulation.replay import replay
from optimizer.site.floors import NO_FLOORS
from optimizer.workflows.inputs import groupings_of, horizon_of, problem_of, task_of

DEFAULT_TIME_LIMIT_S = 600.0
"""Most time for the linear program, unless asked otherwise. [s]"""

PLANNING_S = {"quick": 0.0, "normal": 120.0, "thorough": 600.0}
"""Most seconds for planning weeks that the windows were not fitted to, by effort."""


@dataclass(frozen=True)
class Solved:
    """A scenario with its cheapest plan and the windows found for it."""

    brief: Brief
    plan: Plan
    task: Task
    found: Found


def solve(
    brief: Brief,
    *,
    effort: str,
    in_use: Settings | None = None,
    most_windows: int | None = None,
    time_limit_s: float,
    solver: LinearSolver | None = None,
    progress: Progress,
) -> Solved:
    """Find the cheapest plan, and the windows that keep most of its saving."""
    course = course_of(progress)
    plan = cheapest_plan(brief, time_limit_s, course, solver)
    course("looking for windows that keep the saving")
    task = replace(task_of(brief, plan), count=course.count)
    found = windows_for(brief, task, effort, in_use, course)
    found = found if most_windows is None else found.at_most(most_windows)
    course.saved = f"{found.sizes[found.chosen].counted_on:,.0f} {brief.cost.currency}"
    return Solved(brief, plan, task, found)


def cheapest_plan(
    brief: Brief, time_limit_s: float, progress: Progress, solver: LinearSolver | None = None
) -> Plan:
    """Find the cheapest operation by linear programming.

    Where the sun alone fills the battery, floors may be out of reach in winter; the plan then only
    begins and ends as high as they ask for.
    """
    grid = brief.scenario.forecast.grid
    progress(f"planning {grid.count:,} steps of {grid.step_minutes} min by linear programming")
    problem = problem_of(brief)
    planned = partial(
        make_plan, tariff_cost=brief.cost, time_limit_s=time_limit_s, progress=progress,
        solver=solver,
    )  # fmt: skip
    try:
        return planned(problem)
    except Infeasible:
        if not problem.horizon.floors:
            raise
        return planned(problem.on(floors=NO_FLOORS))


def windows_for(
    brief: Brief, task: Task, effort: str, in_use: Settings | None, progress: Progress
) -> Found:
    """Find the few windows that cost least in plausible years; none if none are better."""
    starts = [] if in_use is None else [in_use]
    groupings = groupings_of(brief, task.controls)
    return find_settings(
        task, brief.weather, brief.scenario.name, groupings, EFFORTS[effort], starts, progress
    )


def make_ready(brief: Brief) -> None:
    """Load what comes after the plan: the compiled replay and score.

    The solver leaves a processor free for it. Windows are searched for nowhere here: one replay and
    one score of no windows are made, so that each is loaded for data of just these types.
    """
    horizon = horizon_of(brief)
    run = replay(horizon, horizon.plain())
    count = horizon.grid.count
    cost, prices = linear_cost(brief.cost.total, count), Prices(*np.zeros((4, count)))
    controls = brief.scenario.controls
    task = Task(horizon, controls, cost, run.flows, run.stored_kwh, prices, 0.0, 0.0)
    Season(task, horizon.grid.months[:1], years_for(brief.weather, None)[:1], [run.flows])
