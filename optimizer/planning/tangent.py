"""What a plan says about sites that differ a little: a bound on their cost, without solving.

Sizes, powers, loads, PV and limits of the connection are limits of the linear program, not
coefficients. The shadow prices of one optimum are then prices for every other such site too, and by
weak duality a lower bound on its cost, which meets the cost where it was solved: a tangent from
below. So one plan rules out sizes that cannot be best.
Source: weak duality and parametric right-hand sides, any textbook of linear programming.

Two tangents bound all sizes: that of the own battery those near it, that of the largest all large
ones. With one alone a battery of twelve times the size was not ruled out at 300 a kWh, where it
lost 27,700.

Read next: ``nearby``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from optimizer.base.errors import DisagreementError
from optimizer.base.timegrid import FloatArray
from optimizer.cost.expression import LinearCost
from optimizer.planning.linear import dual_bound
from optimizer.planning.matrix import matrix_of
from optimizer.planning.problem import Limits, Problem
from optimizer.site.equipment import Plant

LITTLE = 1e-3
"""By how much a limit is moved for its worth. [kWh, kW]"""


@dataclass(frozen=True)
class Tangent:
    """The shadow prices of a plan that is a linear program.

    ``row_price`` are the prices of the program's rows, ``cost`` the cost that was planned with: never
    above that of the problem (one side of each wide kink), and equal at the plan. ``slack_kw`` is how
    far its natural limits stood off.
    """

    problem: Problem
    cost: LinearCost
    row_price: FloatArray
    slack_kw: float

    def least_cost(self, other: Problem) -> float:
        """Return what another problem costs at least. [money]

        Parameters
        ----------
        other : Problem
            The same steps, cost, efficiencies and permissions; sizes, powers, loads, PV, ends and
            limits may differ.

        Raises
        ------
        DisagreementError
            If it differs in more than that.
        """
        matrix = matrix_of(replace(other, cost=self.cost), Limits.of(other, self.slack_kw), {})
        if len(matrix.row_low) != len(self.row_price):
            raise DisagreementError(
                f"a plan of {len(self.row_price)} rows cannot bound one of {len(matrix.row_low)}",
                where="the plan",
                mend="This is a fault of the program: please report it with the scenario.",
            )
        return dual_bound(matrix, self.row_price) + self.cost.constant


def resized(problem: Problem, plant: Plant) -> Problem:
    """Return a problem with another plant.

    Start and end keep their share of the usable energy, floors of months theirs of the capacity.
    """
    old = problem.plant
    times = plant.capacity_kwh / old.capacity_kwh

    def moved(level: float) -> float:
        share = (level - old.low_kwh) / old.usable_kwh if old.usable_kwh else 0.0
        return plant.low_kwh + share * plant.usable_kwh

    horizon = replace(
        problem.horizon,
        plant=plant,
        start_kwh=moved(problem.horizon.start_kwh),
        floors=problem.horizon.floors.times(times),
    )
    end_kwh = None if problem.end_kwh is None else moved(problem.end_kwh)
    return replace(problem, horizon=horizon, end_kwh=end_kwh)


def bigger_battery(plant: Plant, by_kwh: float) -> Plant:
    """Return the plant with a larger battery; SOC limits and powers unchanged. [kWh]"""
    times = 1 + by_kwh / plant.capacity_kwh
    return replace(
        plant, capacity_kwh=plant.capacity_kwh * times, low_kwh=plant.low_kwh * times,
        high_kwh=plant.high_kwh * times,
    )  # fmt: skip


def bigger_inverter(plant: Plant, by_kw: float) -> Plant:
    """Return the plant with a larger inverter. [kW]"""
    return replace(plant, ac_limit_kw=plant.ac_limit_kw + by_kw)


def bigger_connection(plant: Plant, by_kw: float) -> Plant:
    """Return the plant with a higher import limit. [kW]"""
    return replace(plant, import_limit_kw=plant.import_limit_kw + by_kw)


def bigger_export(plant: Plant, by_kw: float) -> Plant:
    """Return the plant with a higher export limit. [kW]"""
    return replace(plant, export_limit_kw=plant.export_limit_kw + by_kw)


def faster_charging(plant: Plant, by_kw: float) -> Plant:
    """Return the plant with a higher charging power. [kW]"""
    return replace(plant, charge_kw=plant.charge_kw + by_kw)


def faster_discharging(plant: Plant, by_kw: float) -> Plant:
    """Return the plant with a higher discharging power. [kW]"""
    return replace(plant, discharge_kw=plant.discharge_kw + by_kw)
