"""How a battery ages: cycles counted from its stored energy, and the capacity that a year costs.

Loss adds up: each year takes a share of the new capacity for its time, and each cycle a share by
its depth, whatever came before (the rule of Palmgren and Miner). Read next: ``evaluation.comparison``.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from pydantic import Field

from optimizer.base.documents import Document
from optimizer.base.errors import InputError
from optimizer.base.timegrid import FloatArray


@dataclass(frozen=True)
class Cycle:
    """A cycle of a level: its range, the middle of its range, and whether it is whole or half.

    ``depth`` and ``mean`` have the unit of the level; ``count`` is 1 or 0.5.
    """

    depth: float
    mean: float
    count: float

    @classmethod
    def between(cls, one: float, other: float, count: float) -> Cycle:
        """Return the cycle between two turning points."""
        return cls(abs(other - one), (one + other) / 2, count)


def rainflow(levels: FloatArray) -> tuple[Cycle, ...]:
    """Return the cycles of a history of levels, counted by rainflow; first counted, first.

    A range between turning points is a cycle once a range at least as large follows: a whole one
    inside the history, half of one if it holds the first point left. It is then taken out. What is
    left in the end counts as halves. For every history 2·Σ count·depth is the sum of its rises and
    falls.

    Parameters
    ----------
    levels : array of shape (T,)
        Any unit. Repeated values and points on the way up or down make no difference.

    Raises
    ------
    InputError
        If a level is no finite number.

    References
    ----------
    ASTM E1049-85 (2017), *Standard Practices for Cycle Counting in Fatigue Analysis*, 5.4.4.
    """
    cycles: list[Cycle] = []
    points: list[float] = []
    for point in _turning_points(levels):
        points.append(point)
        while len(points) >= 3 and abs(points[-1] - points[-2]) >= abs(points[-2] - points[-3]):
            if len(points) == 3:
                cycles.append(Cycle.between(points[0], points[1], 0.5))
                del points[0]
            else:
                cycles.append(Cycle.between(points[-3], points[-2], 1.0))
                del points[-3:-1]
    left = (Cycle.between(one, other, 0.5) for one, other in pairwise(points))
    return (*cycles, *left)


def _turning_points(levels: FloatArray) -> list[float]:
    """Return first and last level and all at which rise turns into fall or fall into rise."""
    wrong = np.flatnonzero(~np.isfinite(levels))
    if len(wrong):
        raise InputError(
            f"the level is {levels[wrong[0]]}, no finite number",
            where=f"levels to count cycles of, step {wrong[0]}",
            mend="Give a level for every step.",
        )
    if not np.any(np.diff(levels)):
        return []
    moved = levels[np.concatenate([[True], np.diff(levels) != 0])]
    rises = np.diff(moved) > 0
    turns = np.concatenate([[True], rises[1:] != rises[:-1], [True]])
    points: list[float] = moved[turns].tolist()
    return points


def equivalent_full_cycles(discharge_kwh: float | FloatArray, usable_kwh: float) -> float:
    """Return what was discharged ÷ the usable energy: depths of 0.3, 0.4 and 0.5 are 1.2 cycles.

    Parameters
    ----------
    discharge_kwh : float or array
        Energy discharged, in all or in each step, measured where ``usable_kwh`` is. [kWh]
    usable_kwh : float
        Energy of a full discharge, above 0. [kWh]

    Raises
    ------
    InputError
        If the usable energy is not above 0.

    References
    ----------
    Sum of the depths of discharge, atlas.simtestlab.se.
    """
    return float(np.sum(discharge_kwh)) / _usable(usable_kwh)


def _usable(usable_kwh: float) -> float:
    if not usable_kwh > 0:
        raise InputError(
            f"the usable energy is {usable_kwh:g} kWh; it must be above 0 kWh",
            where="battery",
            mend="Give the energy between its floor and its ceiling.",
        )
    return usable_kwh


class Ageing(Document):
    """What time and use take from a battery's capacity.

    ``calendar_pct_per_year`` is lost in a year of standing, ``pct_per_1000_cycles`` in 1000 full
    cycles, both in per cent of the new capacity. A cycle of depth d, as a share of the usable
    energy, counts as d to the power of ``depth_exponent`` full ones: with 1 only throughput counts;
    with a higher one shallow cycles wear less than their throughput.

    References
    ----------
    A power of the depth, summed over rainflow cycles: B. Xu, J. Zhao, T. Zheng, E. Litvinov and
    D. S. Kirschen, "Factoring the Cycle Aging Cost of Batteries Participating in Electricity
    Markets", IEEE Transactions on Power Systems 33 (2018).
    """

    calendar_pct_per_year: float = Field(default=0, ge=0, le=50)
    pct_per_1000_cycles: float = Field(default=0, ge=0, le=100)
    depth_exponent: float = Field(default=1.0, ge=1, le=3)

    def cycles_counted(self, stored_kwh: FloatArray, usable_kwh: float) -> float:
        """Return how many full cycles a history of stored energy counts as: Σ count·depth^exponent.

        Parameters
        ----------
        stored_kwh : array of shape (T,)
            Stored energy at the end of each step. [kWh]
        usable_kwh : float
            Energy of a full discharge, above 0. [kWh]

        Raises
        ------
        InputError
            If the usable energy is not above 0, or a level is no finite number.
        """
        full = _usable(usable_kwh)
        cycles = rainflow(stored_kwh)
        return sum(
            (cycle.count * (cycle.depth / full) ** self.depth_exponent for cycle in cycles), 0.0
        )

    def lost_in_a_year(self, cycles_per_year: float) -> float:
        """Return the share of the new capacity that a year takes. [1/year]

        It is not cut at 1: a battery that loses more does not last the year.

        Parameters
        ----------
        cycles_per_year : float
            Full cycles, as ``cycles_counted`` tells them for a year. [1/year]
        """
        by_use_pct = self.pct_per_1000_cycles * cycles_per_year / 1000
        return (self.calendar_pct_per_year + by_use_pct) / 100
