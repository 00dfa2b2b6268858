"""A plant with load and PV on the steps of a forecast, from a known charge."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

from optimizer.base.timegrid import FloatArray, TimeGrid
from optimizer.settings.windows import Settings, no_windows
from optimizer.simulation.replay import Replay, replay
from optimizer.site.equipment import Plant


@dataclass(frozen=True)
class Horizon:
    """What settings are run through: plant, grid, load and PV of T steps, and the start.

    ``floors_kwh`` are levels, by month, below which the battery is not drawn, where they are higher
    than the plant's.
    """

    plant: Plant
    grid: TimeGrid
    load_kwh: FloatArray
    pv_kwh: FloatArray
    start_kwh: float
    floors_kwh: Mapping[int, float] = field(default_factory=dict)

    def plain(self) -> Settings:
        """Return the equipment as it comes, with its floors and no windows."""
        floors = {month: self.plant.soc_pct(kwh) for month, kwh in self.floors_kwh.items()}
        return no_windows(self.plant.soc_pct(self.plant.low_kwh), floors)

    def run(self, settings: Settings) -> Replay:
        """Return the replay of settings on this horizon."""
        return replay(self.plant, self.grid, self.load_kwh, self.pv_kwh, settings, self.start_kwh)
