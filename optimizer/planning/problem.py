"""What is to be planned, and the limits within which every flow keeps.

Natural limits. Every variable has a limit that physics sets (import ≤ load + charging …), so
nothing is unbounded. For shadow prices they stand 0.1 kW off what can happen: when they bound
exactly, they took the duals of limits that people can change. With integers they stand tight: on
a fortnight of half-hours with negative prices the slack cost 142 integer steps instead of 56. A
plan with integers is therefore priced by one more LP, with its directions fixed.

Read next: ``model``, the equations as printed, and ``matrix``, the same as arrays.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from optimizer.base.errors import DisagreementError, InputError
from optimizer.base.timegrid import FloatArray, IntArray, TimeGrid
from optimizer.cost.expression import LinearCost
from optimizer.planning.cost_rows import COLUMN_OF_FLOW, CostRows, cost_rows
from optimizer.scenario.horizon import Horizon
from optimizer.site.equipment import UNLIMITED_KW, Plant

OPPOSITES = (("import_", "export_"), ("charge", "discharge"), ("to_ac", "to_dc"),
             ("stored_export", "pv_kept"))  # fmt: skip
"""Flows that no equipment runs in both directions at once, and what no meter counts at once."""

ORIGIN = 3
"""The pair that tells the origin of what is exported."""

NATURAL_SLACK_KW = 0.1
"""How far natural limits stand off; see ``Limits``."""

OneWay = Mapping[int, IntArray]
"""For each pair of ``OPPOSITES``, by its number, the steps that need a binary."""

FLOW_VARIABLES = ("import_", "export_", "pv_used", "charge", "discharge", "to_ac", "to_dc")

ORIGIN_VARIABLES = ("stored_export", "pv_kept")
"""Export beyond the PV on the AC side, and PV there beyond the export."""


def flow_variables(cost: LinearCost) -> tuple[str, ...]:
    """Return the flows of a program: those of the origin of export only where the cost asks for it."""
    tells_origin = cost.prices("stored_export_kwh")
    return FLOW_VARIABLES + ORIGIN_VARIABLES if tells_origin else FLOW_VARIABLES


@dataclass(frozen=True)
class Problem:
    """What is to be planned: a horizon with its cost, and its ends.

    ``end_kwh`` None leaves the end free, each kWh left being worth ``leftover_per_kwh``. With
    ``chooses_start`` the plan chooses its start: one to which it returns, or, if
    ``start_price_per_kwh`` is given, any, each kWh being bought at that price.
    """

    horizon: Horizon
    cost: LinearCost
    end_kwh: float | None
    leftover_per_kwh: float = 0.0
    chooses_start: bool = False
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
    def grid(self) -> TimeGrid:
        """The T steps."""
        return self.horizon.grid

    @property
    def plant(self) -> Plant:
        """The equipment."""
        return self.horizon.plant

    @property
    def load_kwh(self) -> FloatArray:
        """Load of each step, shape (T,). [kWh]"""
        return self.horizon.load_kwh

    @property
    def pv_kwh(self) -> FloatArray:
        """Available PV of each step, shape (T,). [kWh]"""
        return self.horizon.pv_kwh

    @property
    def start_kwh(self) -> float | None:
        """Stored energy before the first step; None if the plan chooses it. [kWh]"""
        return None if self.chooses_start else self.horizon.start_kwh

    @property
    def low_kwh(self) -> FloatArray:
        """The lowest level at the end of each step, shape (T,). [kWh]"""
        return np.maximum(self.plant.low_kwh, self.horizon.floors.at_steps(self.grid))

    def on(self, **changes: Any) -> Problem:
        """Return the same question on a horizon with other values."""
        return replace(self, horizon=replace(self.horizon, **changes))

    @property
    def is_cyclic(self) -> bool:
        """Whether the battery must end as it began, wherever that is."""
        return self.chooses_start and self.start_price_per_kwh is None


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
    stored_export: FloatArray
    pv_kept: FloatArray

    @classmethod
    def of(cls, problem: Problem, natural_slack_kw: float = NATURAL_SLACK_KW) -> Limits:
        """Return the limits that equipment, connection and physics set, shapes (T,). [kWh]"""
        plant, h = problem.plant, problem.grid.step_h
        every = np.ones(problem.grid.count)
        off = natural_slack_kw * h
        charge, discharge = plant.charge_kw * h, plant.discharge_kw * h
        pv = available_pv(plant, problem.pv_kwh, h)
        pv_on_dc, pv_on_ac = (pv, 0 * pv) if plant.pv_on_dc_side else (0 * pv, pv)
        ac_limit = plant.ac_limit_kw * h
        to_ac = np.minimum(ac_limit / plant.to_ac_efficiency, pv_on_dc + discharge + off)
        to_dc = min(ac_limit, charge / plant.to_dc_efficiency + off) * every
        allowed = problem.horizon.limits
        if plant.pv_on_dc_side:
            to_dc = np.minimum(to_dc, allowed.fill_kwh)
        surplus = pv_on_ac + plant.to_ac_efficiency * to_ac - problem.load_kwh
        return cls(
            import_=np.minimum(allowed.import_kwh, problem.load_kwh + to_dc + off),
            export_=np.where(surplus > 0, np.minimum(allowed.export_kwh, surplus + off), 0),
            pv_used=pv,
            charge=np.minimum(charge, pv_on_dc + plant.to_dc_efficiency * to_dc + off),
            discharge=discharge * every,
            to_ac=to_ac,
            to_dc=to_dc,
            stored_export=np.where(surplus > 0, plant.to_ac_efficiency * discharge + off, 0),
            pv_kept=plant.pv_to_ac_efficiency * pv + off,
        )


def steps_of_filling(problem: Problem) -> IntArray:
    """Return the steps whose filling from the grid is limited by a row of its own, shape (N,).

    In a hybrid plant all that fills the battery through the inverter comes from the grid: there it is
    a limit of that flow.
    """
    if problem.plant.pv_on_dc_side:
        return np.zeros(0, dtype=np.int64)
    fill_kw = problem.horizon.limits.fill_kwh / problem.grid.step_h
    return np.flatnonzero(fill_kw < UNLIMITED_KW).astype(np.int64)


def available_pv(plant: Plant, pv_kwh: FloatArray, step_h: float) -> FloatArray:
    """Return the PV energy that reaches its bus, cut at an own AC inverter's limit, shape (T,)."""
    if plant.pv_on_dc_side:
        return pv_kwh
    return np.minimum(pv_kwh, plant.pv_ac_limit_kw * step_h)


def rows_of(cost: LinearCost, limits: Limits) -> CostRows:
    """Return the columns and rows that a cost needs, where flows keep within limits.

    Raises
    ------
    DisagreementError
        If it prices a flow that is no column of the program: such a plan would be silently wrong.
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
    return cost_rows(
        cost, {flow: getattr(limits, column) for flow, column in COLUMN_OF_FLOW.items()}
    )
