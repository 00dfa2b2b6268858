"""Whether a metered season moved as with windows or as without: told by the shape of the battery's days.

What the battery did is metered, or it is what the building would have taken from the grid without it, less
what it took. A day is as with the windows if it is more like their replay than like that of no windows.
Likeness is the cosine of what was moved, step by step, about the day's mean: neither the battery's size
nor a constant loss changes it. Read next: ``review``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from optimizer.base.flows import Flows
from optimizer.base.timegrid import BoolArray, FloatArray, TimeGrid
from optimizer.base.units import ENERGY_TOLERANCE_KWH
from optimizer.scenario.horizon import Horizon
from optimizer.settings.windows import no_windows
from optimizer.simulation.replay import Replay, replay

TELLING_SHARE = 0.1
"""A day tells if both replays differ there by this share of what they do in the mean over all days."""

Battery = tuple[FloatArray, FloatArray]
"""Metered charge and discharge at the battery's terminals, each of shape (T,). [kWh per step]"""


@dataclass(frozen=True)
class Shape:
    """On how many days windows can be told from none, and on how many of them it was as with windows."""

    days: int
    as_windows: int

    @property
    def were_at_work(self) -> bool:
        """Whether it was as with windows on at least half of the days that tell; so too if none does."""
        return 2 * self.as_windows >= self.days


def shape_of(
    horizon: Horizon, metered: Flows, battery: Battery | None, with_windows: Replay, without: Replay
) -> Shape:
    """Compare what was metered with both replays, day by day.

    Parameters
    ----------
    horizon : Horizon
        Load and PV as they were.
    metered : Flows
        What the meter counted.
    battery : Battery, optional
        What the battery did, where it was metered.
    with_windows, without : Replay
        The horizon with the windows, and without.
    """
    bare = Horizon(
        horizon.plant.without_battery(), horizon.grid, horizon.load_kwh, horizon.pv_kwh, 0.0
    )
    base = net_of(replay(bare, no_windows(0.0)).flows)

    def moved(flows: Flows, at_terminals: Battery | None) -> FloatArray:
        if battery is None:
            return net_of(flows) - base
        charge, discharge = at_terminals or (flows.charge_kwh, flows.discharge_kwh)
        return charge - discharge

    one, other = (moved(run.flows, None) for run in (with_windows, without))
    tells = _days_that_tell(horizon.grid, one - other)
    meter = moved(metered, battery)
    closer = _likeness(horizon.grid, meter, one) > _likeness(horizon.grid, meter, other)
    return Shape(int(tells.sum()), int((closer & tells).sum()))


def net_of(flows: Flows) -> FloatArray:
    """Return import less export, shape (T,). [kWh per step]"""
    return flows.import_kwh - flows.export_kwh


def _days_that_tell(grid: TimeGrid, difference: FloatArray) -> BoolArray:
    of_day = np.bincount(grid.day, weights=np.abs(difference))
    return np.asarray(of_day > max(TELLING_SHARE * float(of_day.mean()), ENERGY_TOLERANCE_KWH))


def _likeness(grid: TimeGrid, one: FloatArray, other: FloatArray) -> FloatArray:
    """Return the cosine of two series about their daily means, for each day; 0 where one rests."""
    a, b = (_about_daily_mean(grid, values) for values in (one, other))
    product, square, other_square = (
        np.bincount(grid.day, weights=values) for values in (a * b, a * a, b * b)
    )
    length = np.sqrt(square * other_square)
    rests = length <= ENERGY_TOLERANCE_KWH**2
    return np.asarray(np.where(rests, 0.0, product / np.where(rests, 1.0, length)))


def _about_daily_mean(grid: TimeGrid, values: FloatArray) -> FloatArray:
    mean = np.bincount(grid.day, weights=values) / np.bincount(grid.day)
    return np.asarray(values - mean[grid.day])
