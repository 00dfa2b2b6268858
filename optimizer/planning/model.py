"""The linear program, in the order of its printed equations.

For each step t of length h, all ≥ 0 and in kWh: import, export, pv_used, charge, discharge, the
energy ``to_ac`` that enters the inverter from the DC side and ``to_dc`` that enters it from the AC
side, and ``stored`` at the end of the step. PV stands on the DC side of a hybrid plant and on the
AC side of any other; all else is the same::

    (0)  min  Σ import·buy − Σ export·sell + Σ discharge·wear + Σ price·part − leftover·stored(T)
    (1)  import + pv_used[AC] + η_ac·to_ac = load + export + to_dc              AC bus
    (2)  pv_used[DC] + discharge + η_dc·to_dc = charge + to_ac                  DC bus
    (3)  stored(t) − low = k·(stored(t−1) − low) + η_c·charge − discharge/η_d   battery
    (4)  to_dc ≤ pv_used[AC]                      if the grid may not charge the battery
    (5)  export ≤ pv_used[AC] + η_ac·pv_used[DC]  if stored energy may not be exported
    (6)  Σ over a day of discharge ≤ cycles·capacity
    (7)  parts of the bill that are not linear, such as peaks: see ``cost_rows``
    (8)  of two opposite flows only one, at the steps where (1)–(7) would let both run
    (9)  the limits of every single variable

Read next: ``matrix``, which turns these rules into arrays.
"""

from __future__ import annotations

import operator
from collections.abc import Mapping
from dataclasses import dataclass
from functools import reduce
from typing import Any

import numpy as np
import pyomo.environ as pyo

from optimizer.billing.cost import LinearCost
from optimizer.errors import DisagreementError, InputError
from optimizer.planning.cost_rows import COLUMN_OF_FLOW, CostRows, RowFamily, cost_rows
from optimizer.site.equipment import Plant
from optimizer.timegrid import FloatArray, IntArray, TimeGrid

OPPOSITES = (("import_", "export_"), ("charge", "discharge"), ("to_ac", "to_dc"))
"""Flows that no equipment runs in both directions at once."""

NATURAL_SLACK_KW = 0.1
"""How far natural limits stand off; see ``Limits``."""

FLOW_VARIABLES = ("import_", "export_", "pv_used", "charge", "discharge", "to_ac", "to_dc")


@dataclass(frozen=True)
class Problem:
    """What is to be planned: a plant, load and PV, a cost, and the ends of the horizon.

    ``load_kwh`` and ``pv_kwh`` have shape (T,). ``end_kwh`` None leaves the end free, each kWh left
    being worth ``leftover_per_kwh``. ``start_kwh`` None lets the plan choose its start: one to which
    it returns, or, if ``start_price_per_kwh`` is given, any, each kWh being bought at that price.
    """

    grid: TimeGrid
    plant: Plant
    load_kwh: FloatArray
    pv_kwh: FloatArray
    cost: LinearCost
    start_kwh: float | None
    end_kwh: float | None
    leftover_per_kwh: float = 0.0
    start_price_per_kwh: float | None = None

    def __post_init__(self) -> None:
        """Refuse a horizon that is its own past, and levels that the battery cannot have."""
        low, high = self.plant.low_kwh, self.plant.high_kwh
        for name, level in (("start", self.start_kwh), ("end", self.end_kwh)):
            if level is not None and not low - 1e-6 <= level <= high + 1e-6:
                raise InputError(
                    f"the {name} of {level:g} kWh lies outside the battery's {low:g} to {high:g} kWh",
                    where=f"state.{name}_pct",
                    mend="Put it between the lowest level in use and the ceiling.",
                )
        if self.is_cyclic and self.grid.count < 2:
            raise InputError(
                "a plan that returns to its start needs at least two steps, not 1",
                where=f"step {self.grid.label(0)}",
                mend="Plan a longer forecast, or give the start.",
            )

    @property
    def is_cyclic(self) -> bool:
        """Whether the battery must end as it began, wherever that is."""
        return self.start_kwh is None and self.start_price_per_kwh is None


@dataclass(frozen=True)
class Limits:
    """The largest energy that each flow can have in each step, shapes (T,). [kWh]

    A meter that counts net flow never imports more than load and charging need, nor exports more
    than PV and battery can give beyond the load; so every variable is limited even where the
    connection is not, and nothing is unbounded. For shadow prices these natural limits stand a little
    off what can happen, so that they never bind and the prices fall on limits that people can change;
    for integers they stand tight, which keeps the relaxation close.
    """

    import_: FloatArray
    export_: FloatArray
    pv_used: FloatArray
    charge: FloatArray
    discharge: FloatArray
    to_ac: FloatArray
    to_dc: FloatArray

    @classmethod
    def of(cls, problem: Problem, natural_slack_kw: float = NATURAL_SLACK_KW) -> Limits:
        """Return the limits that equipment, connection and physics set."""
        plant, h = problem.plant, problem.grid.step_h
        every = np.ones(problem.grid.count)
        off = natural_slack_kw * h
        charge, discharge = plant.charge_kw * h, plant.discharge_kw * h
        pv = available_pv(plant, problem.pv_kwh, h)
        pv_on_dc, pv_on_ac = (pv, 0 * pv) if plant.pv_on_dc_side else (0 * pv, pv)
        ac_limit = plant.ac_limit_kw * h
        to_ac = np.minimum(ac_limit / plant.to_ac_efficiency, pv_on_dc + discharge + off)
        to_dc = min(ac_limit, charge / plant.to_dc_efficiency + off) * every
        if plant.pv_on_dc_side and not plant.may_charge_from_grid:
            to_dc = 0 * every
        surplus = pv_on_ac + plant.to_ac_efficiency * to_ac - problem.load_kwh
        return cls(
            import_=np.minimum(plant.import_limit_kw * h, problem.load_kwh + to_dc + off),
            export_=np.where(surplus > 0, np.minimum(plant.export_limit_kw * h, surplus + off), 0),
            pv_used=pv,
            charge=np.minimum(charge, pv_on_dc + plant.to_dc_efficiency * to_dc + off),
            discharge=discharge * every,
            to_ac=to_ac,
            to_dc=to_dc,
        )


def available_pv(plant: Plant, pv_kwh: FloatArray, step_h: float) -> FloatArray:
    """Return the PV energy that reaches its bus, cut at an own AC inverter's limit, shape (T,)."""
    if plant.pv_on_dc_side:
        return pv_kwh
    return np.minimum(pv_kwh, plant.pv_ac_limit_kw * step_h)


def build_model(
    problem: Problem, limits: Limits, one_way: Mapping[int, IntArray]
) -> pyo.ConcreteModel:
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
    _declare_steps_and_data(m, problem)
    _declare_variables(m, problem, limits)
    _balance_both_buses(m, problem.plant)
    _carry_stored_energy(m, problem)
    _obey_permissions(m, problem.plant)
    _limit_cycles(m, problem)
    _hold_parts_of_the_cost(m, rows)
    for pair, steps in one_way.items():
        _run_one_way(m, pair, steps, limits)
    _minimise_cost(m, problem, rows)
    return m


def rows_of(cost: LinearCost, limits: Limits) -> CostRows:
    """Return the columns and rows that a cost needs, where flows keep within limits.

    Raises
    ------
    DisagreementError
        If it prices another flow than import and export: such a plan would be silently wrong.
    """
    forms = [cost.total, *(form for part in cost.parts for form in part.forms)]
    priced = {flow for form in forms for flow in form.weights}
    for flow in sorted(priced | {peak.flow for _, peak in cost.peaks()}):
        if flow not in COLUMN_OF_FLOW:
            raise DisagreementError(
                f"the cost prices {flow}; a plan prices import and export only",
                where="the tariff's cost",
                mend="This is a fault of the program: please report it with the scenario.",
            )
    return cost_rows(cost, {"import_kwh": limits.import_, "export_kwh": limits.export_})


def _declare_steps_and_data(m: pyo.ConcreteModel, problem: Problem) -> None:
    count = problem.grid.count
    m.t = pyo.RangeSet(0, count - 1)
    m.before = _data(m.t, np.arange(-1, count - 1) % count)
    m.demand = _data(m.t, problem.load_kwh)
    m.buy = _data(m.t, problem.cost.weight("import_kwh"))
    m.sell = _data(m.t, -problem.cost.weight("export_kwh"))


def _declare_variables(m: pyo.ConcreteModel, problem: Problem, limits: Limits) -> None:
    """(9) The limits of every single variable."""
    for name in FLOW_VARIABLES:
        setattr(m, name, _variable(m.t, getattr(limits, name)))
    plant = problem.plant
    levels = plant.low_kwh, plant.high_kwh
    start = problem.start_kwh
    m.stored = pyo.Var(m.t, bounds=levels)
    m.start = pyo.Var(bounds=levels if start is None else (start, start))
    if problem.end_kwh is not None:
        last = m.stored[problem.grid.count - 1]
        last.setlb(problem.end_kwh)
        last.setub(problem.end_kwh)


def _balance_both_buses(m: pyo.ConcreteModel, plant: Plant) -> None:
    """(1) and (2): what enters a bus leaves it."""
    eta_ac, eta_dc = plant.to_ac_efficiency, plant.to_dc_efficiency
    on_dc = 1 if plant.pv_on_dc_side else 0
    on_ac = 1 - on_dc
    m.ac_bus = pyo.Constraint(
        m.t,
        rule=lambda m, t: m.import_[t] + on_ac * m.pv_used[t] + eta_ac * m.to_ac[t]
        - m.export_[t] - m.to_dc[t] == m.demand[t],
    )  # fmt: skip
    m.dc_bus = pyo.Constraint(
        m.t,
        rule=lambda m, t: on_dc * m.pv_used[t] + m.discharge[t] + eta_dc * m.to_dc[t]
        - m.charge[t] - m.to_ac[t] == 0,
    )  # fmt: skip


def _carry_stored_energy(m: pyo.ConcreteModel, problem: Problem) -> None:
    """(3): the battery keeps what it does not lose; before the first step it holds the start."""
    plant = problem.plant
    kept = plant.kept_per_step(problem.grid.step_h)
    settled = (1 - kept) * plant.low_kwh
    eta_c, eta_d = plant.charge_efficiency, plant.discharge_efficiency
    from_before = np.full(problem.grid.count, kept)
    from_start = np.zeros(problem.grid.count)
    if not problem.is_cyclic:
        from_before[0], from_start[0] = 0.0, kept
    m.from_before = _data(m.t, from_before)
    m.from_start = _data(m.t, from_start)
    m.battery = pyo.Constraint(
        m.t,
        rule=lambda m, t: m.stored[t] - m.from_before[t] * m.stored[m.before[t]]
        - m.from_start[t] * m.start
        - eta_c * m.charge[t] + (1 / eta_d) * m.discharge[t] == settled,
    )  # fmt: skip


def _obey_permissions(m: pyo.ConcreteModel, plant: Plant) -> None:
    """(4) and (5): no charging from the grid, no export of stored energy."""
    if not plant.may_charge_from_grid and not plant.pv_on_dc_side:
        m.no_grid_charge = pyo.Constraint(m.t, rule=lambda m, t: m.to_dc[t] - m.pv_used[t] <= 0)
    if not plant.may_export_stored:
        share = plant.to_ac_efficiency if plant.pv_on_dc_side else 1.0
        m.no_stored_export = pyo.Constraint(
            m.t, rule=lambda m, t: m.export_[t] - share * m.pv_used[t] <= 0
        )


def _limit_cycles(m: pyo.ConcreteModel, problem: Problem) -> None:
    """(6): the discharge of a day stays within the cycles allowed."""
    plant = problem.plant
    if plant.cycles_per_day is None:
        return
    allowed = plant.cycles_per_day * plant.capacity_kwh
    count = problem.grid.count
    m.day = pyo.RangeSet(0, int(problem.grid.day[-1]))
    _share_out(m, m.day, "day", problem.grid.day, np.arange(count), np.ones(count))
    m.cycles = pyo.Constraint(
        m.day, rule=lambda m, d: _shared_sum(m, "day", m.discharge, d) <= allowed
    )


def _hold_parts_of_the_cost(m: pyo.ConcreteModel, rows: CostRows) -> None:
    """(7): each part of the bill is what it stands for."""
    m.p = pyo.RangeSet(0, len(rows.low) - 1)
    m.part = _variable(m.p, np.full(len(rows.low), np.inf), rows.low)
    m.part_price = _data(m.p, rows.cost)
    m.which = pyo.Var(pyo.RangeSet(0, len(rows.which) - 1), domain=pyo.Binary)
    for name, family in rows.families.items():
        _hold_family(m, name, family)


def _hold_family(m: pyo.ConcreteModel, name: str, family: RowFamily) -> None:
    """Write Σ coefficient × variable ≤ high for every row, over each kind of variable."""
    count = len(family.high)
    index = pyo.RangeSet(0, count - 1)
    setattr(m, f"{name}_row", index)
    same_high = bool(np.ptp(family.high) == 0)
    high = None if same_high else _data(index, family.high)
    if high is not None:
        setattr(m, f"{name}_high", high)
    kinds = list(family.entries)
    for kind, (row, place, share) in family.entries.items():
        _share_out(m, index, f"{name}_{kind}", row, place, share)

    def rule(m: pyo.ConcreteModel, r: Any) -> Any:
        sums = [_shared_sum(m, f"{name}_{kind}", getattr(m, kind), r) for kind in kinds]
        body = reduce(operator.add, sums)
        return body <= (float(family.high[0]) if high is None else high[r])

    setattr(m, name, pyo.Constraint(index, rule=rule))


def _run_one_way(m: pyo.ConcreteModel, pair: int, steps: IntArray, limits: Limits) -> None:
    """(8): first ≤ limit·way and second ≤ limit·(1 − way), way in {0, 1}."""
    first, second = OPPOSITES[pair]
    index = pyo.RangeSet(0, len(steps) - 1)
    setattr(m, f"way{pair}_at", index)
    way = pyo.Var(index, domain=pyo.Binary)
    setattr(m, f"way{pair}", way)
    at = _data(index, steps)
    setattr(m, f"way{pair}_step", at)
    for name, sign in ((first, 1), (second, -1)):
        most = _data(index, getattr(limits, name)[steps])
        setattr(m, f"way{pair}_{name}_limit", most)
        flow = getattr(m, name)
        rule = _way_rule(flow, at, most, way, sign)
        setattr(m, f"way{pair}_{name}", pyo.Constraint(index, rule=rule))


def _way_rule(flow: Any, at: Any, most: Any, way: Any, sign: int) -> Any:
    """Return flow ≤ most·way for sign +1, flow ≤ most·(1 − way) for sign −1."""
    offset = (1 - sign) // 2
    return lambda _m, i: flow[at[i]] - sign * most[i] * way[i] <= offset * most[i]


def _minimise_cost(m: pyo.ConcreteModel, problem: Problem, rows: CostRows) -> None:
    """(0): the bill's variable part, wear, and the worth of what is left at the end."""
    wear = problem.plant.wear_per_kwh
    worth = np.zeros(problem.grid.count)
    worth[-1] = problem.leftover_per_kwh if problem.end_kwh is None else 0.0
    m.worth = _data(m.t, worth)
    start_price = problem.start_price_per_kwh or 0.0
    m.cost = pyo.Objective(
        rule=lambda m: sum(
            m.buy[t] * m.import_[t] - m.sell[t] * m.export_[t]
            + wear * m.discharge[t] - m.worth[t] * m.stored[t]
            for t in m.t
        ) + (sum(m.part_price[p] * m.part[p] for p in m.p) if len(rows.low) else 0)
        + start_price * m.start,
    )  # fmt: skip


def _data(index: pyo.RangeSet, values: np.ndarray) -> pyo.Param:
    table = values.tolist()
    return _kept(pyo.Param(index, initialize=lambda _m, i: table[i], within=pyo.Any), values)


def _kept(data: pyo.Param, values: np.ndarray) -> pyo.Param:
    """Keep the array beside the data, so that ``matrix`` need not read it back value by value."""
    data.array = values
    return data


def _variable(index: pyo.RangeSet, high: FloatArray, low: FloatArray | None = None) -> pyo.Var:
    low = np.zeros(len(high)) if low is None else low
    if len(high) and np.ptp(low) == 0 and (high == high[0]).all():
        return pyo.Var(index, bounds=(float(low[0]), float(high[0])))
    lows, highs = low.tolist(), high.tolist()
    return pyo.Var(index, bounds=lambda _m, i: (lows[i], highs[i]))


def _share_out(
    m: pyo.ConcreteModel,
    rows: pyo.RangeSet,
    name: str,
    row: IntArray,
    at: IntArray,
    share: FloatArray,
) -> None:
    """Declare the entries of N rows, given one by one, as (N, places) data ``_at`` and ``_share``.

    Rows of unequal length are filled up with share 0. A share that all entries have is a number.
    """
    order = np.argsort(row, kind="stable")
    row, at, share = row[order], at[order], share[order]
    place = np.arange(len(row)) - np.searchsorted(row, row)
    shape = (len(rows), int(place.max()) + 1)
    at_of, share_of = np.zeros(shape, dtype=int), np.zeros(shape)
    at_of[row, place] = at
    share_of[row, place] = share
    places = pyo.RangeSet(0, shape[1] - 1)
    setattr(m, f"{name}_place", places)
    setattr(m, f"{name}_at", _table_data(rows, places, at_of))
    same = bool(np.ptp(share_of) == 0)
    setattr(m, f"{name}_share", float(share[0]) if same else _table_data(rows, places, share_of))


def _shared_sum(m: pyo.ConcreteModel, name: str, variable: pyo.Var, row: Any) -> Any:
    """Return Σ share × variable over the entries of a row, as ``_share_out`` declared them."""
    share, at = getattr(m, f"{name}_share"), getattr(m, f"{name}_at")
    places = getattr(m, f"{name}_place")
    if isinstance(share, float):
        return share * sum(variable[at[row, j]] for j in places)
    return sum(share[row, j] * variable[at[row, j]] for j in places)


def _table_data(rows: pyo.RangeSet, places: pyo.RangeSet, values: np.ndarray) -> pyo.Param:
    table = values.tolist()
    data = pyo.Param(rows, places, initialize=lambda _m, n, j: table[n][j], within=pyo.Any)
    return _kept(data, values)
