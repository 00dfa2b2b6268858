"""The lowest level of a battery by month: one fact, in one unit, for plan, search, replay and outages.

A floor is typed in and printed in per cent of the capacity; inside it is energy. Read next: ``loads``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.site.equipment import Plant


@dataclass(frozen=True)
class Floors:
    """Floors of single months, where they are higher than the plant's own. [kWh]"""

    kwh: Mapping[int, float] = field(default_factory=dict)

    @classmethod
    def of_groups(cls, groups: Iterable[Sequence[int]], levels_kwh: Iterable[float]) -> Floors:
        """Return a level for each group of months. [kWh]"""
        pairs = zip(groups, levels_kwh, strict=True)
        return cls({month: level for months, level in pairs for month in months})

    def __bool__(self) -> bool:
        """Tell whether any month has a floor of its own."""
        return bool(self.kwh)

    def at(self, month: int) -> float:
        """Return the floor of a month; 0 where it has none of its own. [kWh]"""
        return self.kwh.get(month, 0.0)

    def over(self, months: Iterable[int]) -> float:
        """Return the highest floor of some months. [kWh]"""
        return max(map(self.at, months), default=0.0)

    def at_steps(self, grid: TimeGrid) -> FloatArray:
        """Return the floor of each step, shape (T,). [kWh]"""
        of_month = np.array([self.at(month) for month in range(1, 13)])
        floor: FloatArray = of_month[grid.month - 1]
        return floor

    def pct(self, plant: Plant) -> dict[int, float]:
        """Return the floor of each month that has its own. [% of the plant's capacity]"""
        return {month: plant.soc_pct(level) for month, level in self.kwh.items()}

    def raised(self, other: Floors) -> Floors:
        """Return the higher floor of each month."""
        months = {**self.kwh, **other.kwh}
        return Floors({month: max(self.at(month), other.at(month)) for month in months})

    def times(self, factor: float) -> Floors:
        """Return the floors of a battery so many times as large."""
        return replace(self, kwh={month: factor * level for month, level in self.kwh.items()})


NO_FLOORS = Floors()
