"""What a reserve costs: the bill of the cheapest plan against the lowest level, by season.

The plan of a linear program costs the more the higher its lowest level is, and each per cent no less
than the one before: the cost of a linear program is convex in its limits. The plan ends as it began,
wherever that is, so that a higher start is not a gift.

The price of floors comes from plans that end as they began, wherever that is: with a start of its
own, a higher floor would bring energy as a gift. So the curve is monotone and convex, as the cost
of a linear program is in its limits.

Read next: ``evaluation.comparison``.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

import numpy as np

from optimizer.base.errors import Infeasible
from optimizer.billing.tariff import TariffCost
from optimizer.outages.reserve import Wish
from optimizer.planning.linear import LinearSolver
from optimizer.planning.plan import Plan, make_plan
from optimizer.planning.problem import Problem
from optimizer.scenario.horizon import Horizon
from optimizer.search.fit import MonthGroups
from optimizer.site.floors import Floors


@dataclass(frozen=True)
class ReserveCurve:
    """What floors cost in the cheapest plan, and what they bring.

    Parameters
    ----------
    groups : tuple of tuples of int
        Months in which the floor is raised while it stays low in the others; all months first.
    levels_pct : tuple of float
        The floors, rising; the first is the lowest level in use. [%]
    price : tuple of tuples
        For each group and level what the plan costs more than at the first level, over the forecast;
        None where no operation keeps the level. [money]
    lasting : tuple of tuples
        For each group and level the share of outages beginning in its months that last ``hours``.
    hours : float
        The endurance that ``lasting`` tells of. [h]
    """

    groups: MonthGroups
    levels_pct: tuple[float, ...]
    price: tuple[tuple[float | None, ...], ...]
    lasting: tuple[tuple[float | None, ...], ...]
    hours: float


def reserve_curve(  # noqa: PLR0913 - a plan, an outage, and the floors between them
    problem: Problem,
    cost: TariffCost,
    horizon: Horizon,
    wish: Wish,
    groups: MonthGroups,
    levels_pct: Sequence[float],
    time_limit_s: float,
    solver: LinearSolver,
    progress: Callable[[str], None] = lambda _told: None,
) -> ReserveCurve:
    """Plan under rising floors, for each group of months.

    Parameters
    ----------
    problem : Problem
        The site; start, end and floors are exchanged.
    cost : TariffCost
        The tariff on the grid.
    horizon : Horizon
        The same site for outages.
    wish : Wish
        The endurance to tell of.
    groups : tuple of tuples of int
        Months in which the floor rises.
    levels_pct : sequence of float
        The floors, rising. [%]
    time_limit_s : float
        Most time for each plan. [s]
    solver : LinearSolver
        Keeps the program, so that each plan goes on from the one before.
    """
    plant = problem.plant
    cyclic = replace(problem, chooses_start=True, end_kwh=None, leftover_per_kwh=0.0)

    def planned(lowest_pct: float, months: Sequence[int]) -> Plan | None:
        under = cyclic.on(floors=Floors.of_groups([months], [plant.level_kwh(lowest_pct)]))
        try:
            return make_plan(under, cost, time_limit_s=time_limit_s, solver=solver)
        except Infeasible:
            return None

    prices, lasting = [], []
    base: float | None = None
    for group in groups:
        inside = np.isin(problem.grid.month, group)
        of_group: list[float | None] = []
        share_of_group: list[float | None] = []
        for level in levels_pct:
            progress(f"planning with a floor of {level:g} %")
            plan = planned(level, group)
            if plan is None:
                of_group.append(None)
                share_of_group.append(None)
                continue
            base = plan.cost if base is None else base
            before = np.concatenate([[plan.start_kwh], plan.stored_kwh[:-1]])
            of_group.append(plan.cost - base)
            share_of_group.append(float(wish.lasting_from(horizon, before)[inside].mean()))
        prices.append(tuple(of_group))
        lasting.append(tuple(share_of_group))
    return ReserveCurve(groups, tuple(levels_pct), tuple(prices), tuple(lasting), wish.hours)
