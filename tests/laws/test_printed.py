"""The printed equations in stretches: they prove what the whole proves, and a wrong worth proves less, never more."""

from __future__ import annotations

from datetime import date
from functools import cache

import numpy as np
import pytest

from optimizer.base.calendar import Days
from optimizer.billing.tariff import shipped_folder
from optimizer.planning.plan import Plan, make_plan
from optimizer.planning.printed import _edges, solve_printed
from optimizer.scenario.brief import read_brief
from optimizer.workflows.inputs import problem_of

SLACK = 1e-4
"""Worths are written with six digits, and so many kWh lie in a battery. [money]"""


@cache
def planned(demo: str, first: str, last: str) -> Plan:
    days = Days(date.fromisoformat(first), date.fromisoformat(last))
    brief = read_brief(shipped_folder("scenarios") / demo, days)
    return make_plan(problem_of(brief), brief.cost)


def late_summer() -> Plan:
    """Return a plan whose evenings sell above the price of energy, from 1 August on."""
    return planned("3_evening_export", "2026-07-25", "2026-08-16")


def over_two_months() -> Plan:
    return planned("2_peak_demand", "2026-01-20", "2026-03-10")


@pytest.mark.parametrize("plan", [late_summer, over_two_months])
def test_stretches_prove_that_no_plan_costs_less(plan: object) -> None:
    made = plan()  # type: ignore[operator]
    written = made.proof.objective
    found = solve_printed(made.problem, 60.0, written - SLACK, made.prices.stored.round(6))
    assert found is not None
    assert found.stretches == 3
    assert found.value is None
    assert written - SLACK <= found.bound <= written + 1e-6


@pytest.mark.parametrize("off", [-0.05, 0.1])
def test_a_wrong_worth_lowers_the_bound_and_then_the_year_is_solved(off: float) -> None:
    plan = late_summer()
    written, worth = plan.proof.objective, plan.prices.stored + off
    few = solve_printed(plan.problem, 60.0, -np.inf, worth)
    assert few is not None
    assert few.stretches == 3
    assert few.bound < written - SLACK
    found = solve_printed(plan.problem, 60.0, written - SLACK, worth)
    assert found is not None
    assert found.stretches == 1
    assert found.value == pytest.approx(written, abs=1e-3)


def test_a_plan_that_costs_too_much_is_found_out_by_the_joined_stretches() -> None:
    plan = late_summer()
    found = solve_printed(
        plan.problem, 60.0, plan.proof.objective + 1.0, plan.prices.stored.round(6)
    )
    assert found is not None
    assert found.value == pytest.approx(plan.proof.objective, abs=1e-3)


def test_stretches_meet_between_months_where_demand_is_charged_and_else_at_noon() -> None:
    """From 20 January by half-hours. Demand is charged on weekdays: 31 January and 28 February are Saturdays.

    Their noons lie 11.5 and 39.5 days of 48 steps after the first.
    """
    assert _edges(over_two_months().problem) == [0, 23 * 24, 79 * 24]
    problem = late_summer().problem
    assert [problem.grid.minute_of_day[edge] for edge in _edges(problem)] == [0, 720, 720]
