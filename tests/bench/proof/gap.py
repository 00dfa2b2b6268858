"""Tells how much more any settings that the controls accept could save on the forecast.

Each season group is looked at apart: what other months add to a part of the bill is taken from the
plan's flows there, and the season begins at the plan's level.
"""

from __future__ import annotations

import numpy as np

from optimizer.metering.forecast import Forecast
from optimizer.search.drafts import drafts_of
from optimizer.search.fit import MonthGroups, couples
from optimizer.search.score import Task
from optimizer.settings.windows import Settings
from tests.bench.proof.branch_and_bound import prove
from tests.bench.proof.labels import Ground

GOOD_ENOUGH_SHARE = 0.005
"""A gap of this share of the possible saving needs no closing."""


def gap_of(
    settings: Settings,
    task: Task,
    forecast: Forecast,
    groups: MonthGroups,
    beyond_by_plan: float,
    most_work: float,
) -> float:
    """Return how much more any settings could save on the forecast, at most. [money]

    Parameters
    ----------
    settings : Settings
        The settings that are handed out.
    task : Task
        What was searched for.
    forecast : Forecast
        Load and PV.
    groups : groups of months
        The season groups of the settings.
    beyond_by_plan : float
        What the cheapest plan saves beyond the settings: a bound that always holds. [money]
    most_work : float
        Work allowed for all groups together, in replayed steps.
    """
    grid = task.grid
    steps_of = [np.flatnonzero(np.isin(grid.month, months)).astype(np.int64) for months in groups]
    if couples(task.cost, steps_of):
        return max(beyond_by_plan, 0.0)
    gap = 0.0
    for months, steps in zip(groups, steps_of, strict=True):
        first = int(steps[0])
        ground = Ground(
            plant=task.plant,
            controls=task.controls,
            grid=grid,
            steps=steps,
            load_kwh=np.ascontiguousarray(forecast.load_kwh[steps]),
            pv_kwh=np.ascontiguousarray(forecast.pv_kwh[steps]),
            start_kwh=float(task.plan_stored_kwh[first - 1]) if first else task.horizon.start_kwh,
            cost=task.cost,
            elsewhere=task.plan_flows,
            leftover=task.stored_worth,
        )
        share = len(steps) / grid.count
        handed_out = drafts_of(settings, months, task.controls, task.plant)
        only = prove(ground, [handed_out], most_work=1).cost
        found = prove(
            ground,
            [handed_out],
            most_work=int(most_work * share),
            good_enough=GOOD_ENOUGH_SHARE * max(task.can_save, 0.0) * share,
        )
        gap += max(only - found.bound, 0.0)
    return max(min(gap, beyond_by_plan), 0.0)
