"""What is expected: load and PV, step by step, with every repair that was made to the data.

Read next: ``forecast_csv``.
"""

from __future__ import annotations

from dataclasses import dataclass

from optimizer.base.timegrid import FloatArray, TimeGrid

FORECAST = "forecast.csv"
"""Name of the file that a forecast is written to."""

ESTIMATE = "# estimate: "
"""Begin of a line before the head of such a file, that says how far it can be trusted."""


@dataclass(frozen=True)
class Forecast:
    """Expected load and available PV on a grid.

    Parameters
    ----------
    grid : TimeGrid
        The T steps.
    load_kwh, pv_kwh : array
        Shape (T,), each ≥ 0. [kWh per step]
    notes : tuple of str
        What was noticed and repaired while reading; shown to the user.
    estimate : str
        How far PV and load can be trusted where they were estimated; empty where they were metered.
    """

    grid: TimeGrid
    load_kwh: FloatArray
    pv_kwh: FloatArray
    notes: tuple[str, ...] = ()
    estimate: str = ""

    def part(self, first: int, count: int) -> Forecast:
        """Return ``count`` steps from the step ``first`` on, without notes, shapes (count,)."""
        inside = slice(first, first + count)
        grid = self.grid.part(first, count)
        return Forecast(grid, self.load_kwh[inside], self.pv_kwh[inside], estimate=self.estimate)
