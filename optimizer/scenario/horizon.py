"""A plant with load and PV on T steps, from a known charge: what is planned, searched and replayed.

Read next: ``simulation.replay``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.settings.windows import Settings, no_windows
from optimizer.site.equipment import Plant
from optimizer.site.floors import NO_FLOORS, Floors
from optimizer.site.limits import StepLimits


@dataclass(frozen=True)
class Horizon:
    """A stretch of time at a site.

    Parameters
    ----------
    plant : Plant
        The equipment.
    grid : TimeGrid
        The T steps.
    load_kwh, pv_kwh : array
        Shape (T,), each ≥ 0. [kWh per step]
    start_kwh : float
        Stored energy before the first step. [kWh]
    floors : Floors
        Levels below which the battery is not drawn, where they are higher than the plant's.
    """

    plant: Plant
    grid: TimeGrid
    load_kwh: FloatArray
    pv_kwh: FloatArray
    start_kwh: float
    floors: Floors = NO_FLOORS

    @cached_property
    def limits(self) -> StepLimits:
        """Import, export and filling from the grid that are allowed in each step."""
        return self.plant.limits_on(self.grid)

    def floor_kwh(self, months: list[int] | tuple[int, ...]) -> float:
        """Return the lowest level in some months: the highest of their floors. [kWh]"""
        return max(self.plant.low_kwh, self.floors.over(months))

    def plain(self) -> Settings:
        """Return the equipment as it comes, with its floors and no windows."""
        plant = self.plant
        return no_windows(plant.soc_pct(plant.low_kwh), self.floors.pct(plant))

    def with_weather(self, load_kwh: FloatArray, pv_kwh: FloatArray) -> Horizon:
        """Return the same with other load and PV, shapes (T,). [kWh per step]"""
        return replace(self, load_kwh=load_kwh, pv_kwh=pv_kwh)
