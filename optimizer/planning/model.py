"""The linear program, in the order of its printed equations: the text of record.

For each step t of length h, all ≥ 0 and in kWh: import, export, pv_used, charge, discharge, the
energy ``to_ac`` that enters the inverter from the DC side and ``to_dc`` that enters it from the AC
side, and ``stored`` at the end of the step. PV stands on the DC side of a hybrid plant and on the
AC side of any other; all else is the same::

    (0)  min  Σ import·buy − Σ export·sell + Σ discharge·wear + Σ price·part − leftover·stored(T)
    (1)  import + pv_used[AC] + η_ac·to_ac = load + export + to_dc              AC bus
    (2)  pv_used + discharge + η_dc·to_dc = charge + to_ac                      DC bus of a hybrid
         discharge = to_ac,  η_dc·to_dc = charge                                of any other plant
    (3)  stored(t) − low = k·(stored(t−1) − low) + η_c·charge − discharge/η_d   battery
    (4)  to_dc ≤ pv_used[AC] + fill               where filling from the grid is limited, or 0
    (5)  export ≤ pv_used[AC] + η_ac·pv_used[DC]  if stored energy may not be exported
    (6)  Σ over a day of discharge ≤ cycles·capacity
    (7)  parts of the bill that are not linear, such as peaks: see ``cost_rows``
    (8)  of two opposite flows only one, at the steps where (1)–(7) and (10) would let both run
    (9)  the limits of every single variable
    (10) export − stored_export = η·pv_used − pv_kept, η = 1, or η_ac in a hybrid plant

(10) and its two variables, ≥ 0 and opposite, are there only where the tariff tells exported PV from
exported stored energy; (0) then prices ``stored_export`` as well.

Plans are made from the same equations as arrays, which ``matrix`` writes fifty times faster; tests
hold both to the same coefficients and the same optimum. No plan loads Pyomo: this file alone needs the
extra ``verify``. Read next: ``matrix``.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import pyomo.environ as pyo

from optimizer.base.timegrid import IntArray
from optimizer.planning.cost_rows import CostRows, RowFamily
from optimizer.planning.problem import (
    OPPOSITES,
    Limits,
    OneWay,
    Problem,
    flow_variables,
    rows_of,
    steps_of_filling,
)


def build_model(problem: Problem, limits: Limits, one_way: OneWay) -> pyo.ConcreteModel:
    """Write the linear program as a Pyomo model.

    Parameters
    ----------
    problem : Problem
        What is planned, on T steps.
    limits : Limits
        The largest value of each flow.
    one_way : mapping of int to array
        For each pair of ``OPPOSITES``, by its number, the steps that need a binary.

    Returns
    -------
    pyomo ConcreteModel
        Variables bear the names of the equations above.
    """
    m = pyo.ConcreteModel()
    rows = rows_of(problem.cost, limits)
    _declare_variables(m, problem, limits)
    _balance_both_buses(m, problem)
    _carry_stored_energy(m, problem)
    _obey_permissions(m, problem)
    _tell_origin_of_export(m, problem)
    _limit_cycles(m, problem)
    _hold_parts_of_the_cost(m, rows)
    for pair, steps in one_way.items():
        _run_one_way(m, pair, steps, limits)
    _minimise_cost(m, problem, rows)
    return m


def _declare_variables(m: pyo.ConcreteModel, problem: Problem, limits: Limits) -> None:
    """(9) The limits of every single variable."""
    m.t = pyo.RangeSet(0, problem.grid.count - 1)
    for name in flow_variables(problem.cost):
        setattr(m, name, _variable(m.t, getattr(limits, name).tolist()))
    plant = problem.plant
    levels = plant.low_kwh, plant.high_kwh
    start = problem.start_kwh
    low = problem.low_kwh.tolist()
    m.stored = pyo.Var(m.t, bounds=lambda _m, t: (low[t], plant.high_kwh))
    m.start = pyo.Var(bounds=levels if start is None else (start, start))
    if problem.end_kwh is not None:
        last = m.stored[problem.grid.count - 1]
        last.setlb(problem.end_kwh)
        last.setub(problem.end_kwh)


def _balance_both_buses(m: pyo.ConcreteModel, problem: Problem) -> None:
    """(1) and (2): what enters a bus leaves it."""
    plant, load = problem.plant, problem.load_kwh.tolist()
    eta_ac, eta_dc = plant.to_ac_efficiency, plant.to_dc_efficiency
    pv_on_ac = 0 if plant.pv_on_dc_side else 1
    m.ac_bus = pyo.Constraint(
        m.t,
        rule=lambda m, t: (
            m.import_[t] + pv_on_ac * m.pv_used[t] + eta_ac * m.to_ac[t]
            == load[t] + m.export_[t] + m.to_dc[t]
        ),
    )
    if plant.pv_on_dc_side:
        m.dc_bus = pyo.Constraint(
            m.t,
            rule=lambda m, t: (
                m.pv_used[t] + m.discharge[t] + eta_dc * m.to_dc[t] == m.charge[t] + m.to_ac[t]
            ),
        )
    else:
        m.out_of_battery = pyo.Constraint(m.t, rule=lambda m, t: m.discharge[t] == m.to_ac[t])
        m.into_battery = pyo.Constraint(m.t, rule=lambda m, t: eta_dc * m.to_dc[t] == m.charge[t])


def _carry_stored_energy(m: pyo.ConcreteModel, problem: Problem) -> None:
    """(3): the battery keeps what it does not lose; before the first step it holds the start."""
    plant, last = problem.plant, problem.grid.count - 1
    kept = plant.kept_per_step(problem.grid.step_h)
    eta_c, eta_d = plant.charge_efficiency, plant.discharge_efficiency

    def before(m: pyo.ConcreteModel, t: int) -> Any:
        if t:
            return m.stored[t - 1]
        return m.stored[last] if problem.is_cyclic else m.start

    m.battery = pyo.Constraint(
        m.t,
        rule=lambda m, t: (
            m.stored[t] - plant.low_kwh
            == kept * (before(m, t) - plant.low_kwh) + eta_c * m.charge[t] - m.discharge[t] / eta_d
        ),
    )


def _obey_permissions(m: pyo.ConcreteModel, problem: Problem) -> None:
    """(4) and (5): so much filling from the grid, no export of stored energy."""
    plant, fill = problem.plant, problem.horizon.limits.fill_kwh.tolist()
    limited = steps_of_filling(problem).tolist()
    if limited:
        m.filling = pyo.Constraint(limited, rule=lambda m, t: m.to_dc[t] <= m.pv_used[t] + fill[t])
    if not plant.may_export_stored:
        share = plant.pv_to_ac_efficiency
        m.no_stored_export = pyo.Constraint(
            m.t, rule=lambda m, t: m.export_[t] <= share * m.pv_used[t]
        )


def _tell_origin_of_export(m: pyo.ConcreteModel, problem: Problem) -> None:
    """(10): what is exported is PV first, and the rest is stored energy."""
    if not problem.cost.prices("stored_export_kwh"):
        return
    share = problem.plant.pv_to_ac_efficiency
    m.origin = pyo.Constraint(
        m.t,
        rule=lambda m, t: m.export_[t] - m.stored_export[t] == share * m.pv_used[t] - m.pv_kept[t],
    )


def _limit_cycles(m: pyo.ConcreteModel, problem: Problem) -> None:
    """(6): the discharge of a day stays within the cycles allowed."""
    plant, day = problem.plant, problem.grid.day
    if plant.cycles_per_day is None:
        return
    allowed = plant.cycles_per_day * plant.capacity_kwh
    m.day = pyo.RangeSet(0, int(day[-1]))
    m.cycles = pyo.Constraint(
        m.day,
        rule=lambda m, d: sum(m.discharge[t] for t in np.flatnonzero(day == d).tolist()) <= allowed,
    )


def _hold_parts_of_the_cost(m: pyo.ConcreteModel, rows: CostRows) -> None:
    """(7): each part of the bill is what it stands for."""
    m.p = pyo.RangeSet(0, len(rows.low) - 1)
    lows = rows.low.tolist()
    m.part = pyo.Var(m.p, bounds=lambda _m, p: (lows[p], None))
    m.which = pyo.Var(pyo.RangeSet(0, len(rows.which) - 1), domain=pyo.Binary)
    for name, family in rows.families.items():
        setattr(m, name, _family(m, family))


def _family(m: pyo.ConcreteModel, family: RowFamily) -> pyo.Constraint:
    """Write Σ coefficient × variable ≤ high for every row, over each kind of variable."""
    sums: list[Any] = [0] * len(family.high)
    for kind, entries in family.entries.items():
        variable = getattr(m, kind)
        for row, place, share in zip(*(column.tolist() for column in entries), strict=True):
            sums[row] += share * variable[place]
    high = family.high.tolist()
    return pyo.Constraint(range(len(high)), rule=lambda _m, r: sums[r] <= high[r])


def _run_one_way(m: pyo.ConcreteModel, pair: int, steps: IntArray, limits: Limits) -> None:
    """(8): first ≤ limit·way and second ≤ limit·(1 − way), way in {0, 1}."""
    places, at = range(len(steps)), steps.tolist()
    first, second = (getattr(m, name) for name in OPPOSITES[pair])
    most_first, most_second = (getattr(limits, name).tolist() for name in OPPOSITES[pair])
    way = pyo.Var(places, domain=pyo.Binary)
    setattr(m, f"way{pair}", way)
    forward = pyo.Constraint(places, rule=lambda _m, i: first[at[i]] <= most_first[at[i]] * way[i])
    back = pyo.Constraint(
        places, rule=lambda _m, i: second[at[i]] <= most_second[at[i]] * (1 - way[i])
    )
    setattr(m, f"way{pair}_{OPPOSITES[pair][0]}", forward)
    setattr(m, f"way{pair}_{OPPOSITES[pair][1]}", back)


def _minimise_cost(m: pyo.ConcreteModel, problem: Problem, rows: CostRows) -> None:
    """(0): the bill's variable part, wear, and the worth of what is left at the end."""
    buy = problem.cost.weight("import_kwh").tolist()
    sell = (-problem.cost.weight("export_kwh")).tolist()
    wear = problem.plant.wear_per_kwh
    leftover = problem.leftover_per_kwh if problem.end_kwh is None else 0.0
    prices = rows.cost.tolist()
    stored_export = problem.cost.weight("stored_export_kwh").tolist()
    m.cost = pyo.Objective(
        expr=sum(
            buy[t] * m.import_[t] - sell[t] * m.export_[t] + wear * m.discharge[t] for t in m.t
        )
        + sum(prices[p] * m.part[p] for p in m.p)
        + sum(stored_export[t] * m.stored_export[t] for t in m.t if stored_export[t])
        + (problem.start_price_per_kwh or 0.0) * m.start
        - leftover * m.stored[problem.grid.count - 1],
    )


def _variable(index: pyo.RangeSet, high: Sequence[float]) -> pyo.Var:
    return pyo.Var(index, bounds=lambda _m, t: (0.0, high[t]))
