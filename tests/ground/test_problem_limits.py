"""The natural limits of flows and what a program refuses, worked out for quarter-hours.

Per quarter-hour 4 kW of charging are 1 kWh, 8 kW of discharging 2, 6 kW at the inverter 1.5; half of the filling
is lost in it and a fifth of what it gives.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from optimizer.base.errors import DisagreementError, InputError
from optimizer.cost.expression import ZERO, FlowSum, Largest, Peak, linear_cost
from optimizer.planning.problem import Limits, Problem, available_pv, rows_of, steps_of_filling
from optimizer.scenario.horizon import Horizon
from optimizer.site.limits import TimedLimit
from tests.laws.cases import AC_PLANT, grid_of

GRID = grid_of(4, 15)
STEPS = np.arange(4)
PLANT = replace(AC_PLANT, charge_kw=4.0, discharge_kw=8.0, ac_limit_kw=6.0, to_dc_efficiency=0.5,
                to_ac_efficiency=0.8)  # fmt: skip
LOAD = np.array([1.0, 0.25, 5.0, 0.0])
PV = np.array([0.0, 1.0, 0.5, 3.0])
COST = linear_cost(FlowSum("import_kwh", STEPS, np.ones(4)), 4)


def problem(plant=PLANT, cost=COST, **more: Any) -> Problem:
    return Problem(Horizon(plant, GRID, LOAD, PV, plant.low_kwh), cost, None, **more)


def test_limits_where_pv_is_on_the_ac_side() -> None:
    """Slack of 0.4 kW, 0.1 kWh. To AC: 1.5 ÷ 0.8 = 1.875, less than 2 + 0.1. To DC: 1.5, less than 1 ÷ 0.5 + 0.1.

    Surplus: PV + 0.8 × 1.875 − load = 0.5, 2.25, −3, 4.5. Charge: at most 0.5 × 1.5 + 0.1.
    """
    limits = Limits.of(problem(), 0.4)
    assert limits.import_ == pytest.approx(LOAD + 1.5 + 0.1)
    assert limits.export_ == pytest.approx([0.6, 2.35, 0.0, 4.6])
    assert limits.pv_used == pytest.approx(PV)
    assert limits.charge == pytest.approx([0.85] * 4)
    assert limits.discharge == pytest.approx([2.0] * 4)
    assert limits.to_ac == pytest.approx([1.875] * 4)
    assert limits.to_dc == pytest.approx([1.5] * 4)
    assert limits.stored_export == pytest.approx([1.7, 1.7, 0.0, 1.7])
    assert limits.pv_kept == pytest.approx(PLANT.pv_to_ac_efficiency * PV + 0.1)


def test_limits_of_a_larger_inverter_and_a_small_battery() -> None:
    """40 kW are 10 kWh. To AC: 2 + 0.1, to DC: 1 ÷ 0.5 + 0.1; charge: the battery's 1."""
    limits = Limits.of(problem(replace(PLANT, ac_limit_kw=40.0)), 0.4)
    assert limits.to_ac == pytest.approx([2.1] * 4)
    assert limits.to_dc == pytest.approx([2.1] * 4)
    assert limits.charge == pytest.approx([1.0] * 4)


def test_limits_where_pv_is_on_the_battery_side() -> None:
    """To AC: at most PV + 2 + 0.1; charge: at most PV + 0.75 + 0.1, and 1. All surplus comes by the inverter."""
    hybrid = replace(PLANT, pv_on_dc_side=True)
    limits = Limits.of(problem(hybrid), 0.4)
    assert limits.to_ac == pytest.approx([1.875] * 4)
    assert limits.charge == pytest.approx([0.85, 1.0, 1.0, 1.0])
    assert limits.export_ == pytest.approx([0.6, 1.35, 0.0, 1.6])
    large = Limits.of(problem(replace(hybrid, ac_limit_kw=40.0)), 0.4)
    assert large.to_ac == pytest.approx(PV + 2.1)
    assert large.export_ == pytest.approx(np.where(STEPS == 2, 0.0, 0.8 * (PV + 2.1) - LOAD + 0.1))


def test_limits_of_the_connection_come_before_natural_ones() -> None:
    limited = replace(PLANT, import_limit_kw=8.0, export_limit_kw=4.0)
    limits = Limits.of(problem(limited), 0.4)
    assert limits.import_ == pytest.approx([2.0, 1.85, 2.0, 1.6])
    assert limits.export_ == pytest.approx([0.6, 1.0, 0.0, 1.0])


def test_without_slack_a_surplus_of_nought_exports_nothing() -> None:
    even = replace(problem().horizon, load_kwh=PV + 1.5)
    limits = Limits.of(Problem(even, COST, None), 0.0)
    assert limits.export_.tolist() == limits.stored_export.tolist() == [0.0] * 4


def test_filling_from_the_grid_is_a_row_or_a_limit_of_its_flow() -> None:
    """2 kW, 0.5 kWh, in the first half-hour, which the rule holds."""
    rule = TimedLimit(rule="first", hours=["00:00-00:30"], fill_kw=2.0)
    ruled = problem(replace(PLANT, rules=(rule,)))
    assert steps_of_filling(ruled).tolist() == [0, 1]
    assert Limits.of(ruled, 0.4).to_dc == pytest.approx([1.5] * 4)
    hybrid = problem(replace(PLANT, rules=(rule,), pv_on_dc_side=True))
    assert steps_of_filling(hybrid).tolist() == []
    assert Limits.of(hybrid, 0.4).to_dc == pytest.approx([0.5, 0.5, 1.5, 1.5])
    assert steps_of_filling(problem()).tolist() == []


def test_pv_is_cut_at_its_own_inverter_on_the_ac_side_alone() -> None:
    """6 kW are 1.5 kWh."""
    own = replace(PLANT, pv_ac_limit_kw=6.0)
    assert available_pv(own, PV, 0.25).tolist() == [0.0, 1.0, 0.5, 1.5]
    assert available_pv(replace(own, pv_on_dc_side=True), PV, 0.25).tolist() == PV.tolist()


@pytest.mark.parametrize("node", [
    FlowSum("charge_kwh", STEPS, np.ones(4)), Peak("load_kwh", STEPS, STEPS, 0.25),
    Largest((FlowSum("discharge_kwh", STEPS, np.ones(4)), ZERO)),
])  # fmt: skip
def test_a_cost_of_what_is_no_column_is_refused(node) -> None:
    posed = problem(cost=linear_cost(node, 4))
    with pytest.raises(DisagreementError, match="the cost prices"):
        rows_of(posed.cost, Limits.of(posed))
    rows_of(COST, Limits.of(problem()))


def test_levels_may_miss_their_ends_by_a_rounding_error_alone() -> None:
    for off, is_refused in ((5e-7, False), (2e-6, True)):
        for level in (PLANT.low_kwh - off, PLANT.high_kwh + off):
            if is_refused:
                with pytest.raises(InputError, match="the end of"):
                    Problem(problem().horizon, COST, level)
            else:
                Problem(problem().horizon, COST, level)


def test_a_plan_is_cyclic_if_it_chooses_its_start_and_pays_nothing_for_it() -> None:
    assert not problem().is_cyclic
    assert problem(chooses_start=True).is_cyclic
    assert not problem(chooses_start=True, start_price_per_kwh=0.0).is_cyclic
    assert problem().start_kwh == PLANT.low_kwh
    assert problem(chooses_start=True).start_kwh is None
